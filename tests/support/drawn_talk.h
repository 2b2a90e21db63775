// A talk whose whole manner is drawn from a seed: what answers look like, endings, echo, unasked
// lines, pace, reads, rate, pauses. The second corpus, made apart from corpus.h; knows nothing of
// the segmenter.
//
// What no one could decide is not drawn: commands that overlap answers that show no end, and the
// like.
#pragma once

#include <algorithm>
#include <cctype>
#include <random>
#include <string>
#include <utility>
#include <vector>

#include "tests/support/line_model.h"

namespace witness::test {

enum class Manner {
  kV250,
  kNumeric,   // V.250 numeric result codes
  kLine,      // one line
  kValue,     // one number
  kList,      // lines, then "done" or "fail"
  kFreeList,  // lines, and nothing says which is the last
  kPrompt,    // lines, then "> "
  kHexDump,
  kBare,  // no ending
  kJson,
  kBinary,
  kTextAndBinary,
};
enum class Pace { kMachine, kTyped, kPipelined, kOverlap };
enum class Outburst { kNone, kBetween, kBefore, kAfter, kInside };

struct Style {
  Manner manner = Manner::kV250;
  Bytes command_ending, line_ending;
  EchoStyle echo = EchoStyle::kNone;
  Outburst unasked = Outburst::kNone;
  Pace pace = Pace::kMachine;
  LineModel line;
  bool banner = false;
  double pieces_ms = 0;
  double unanswered = 0;
  double turn_ms = 20, gap_ms = 700;
  int commands = 15;
};

inline Style DrawStyle(unsigned seed) {
  std::mt19937 random(seed * 2654435761u + 17);
  const auto of = [&](const auto& all) { return *(all.begin() + random() % all.size()); };
  using Texts = std::vector<Bytes>;
  using Numbers = std::vector<double>;
  using M = Manner;
  Style s;
  s.manner = of(std::vector<M>{M::kV250, M::kV250, M::kNumeric, M::kLine, M::kValue, M::kList,
                               M::kFreeList, M::kPrompt, M::kHexDump, M::kBare, M::kJson,
                               M::kBinary, M::kTextAndBinary});
  s.command_ending = of(Texts{"\r", "\r\n", "\n", "\r"});
  s.line_ending = of(Texts{"\r\n", "\r\n", "\n", "\r"});
  if (s.manner == M::kV250 || s.manner == M::kNumeric) {
    s.command_ending = of(Texts{"\r", "\r\n"});
    s.line_ending = "\r\n";
  }
  if (s.manner == M::kBare) {
    s.line_ending = "";
    if (random() % 2 == 0) s.command_ending = "";
  }
  if (s.manner == M::kBinary) s.command_ending = s.line_ending = "";
  s.echo = of(std::vector<EchoStyle>{EchoStyle::kNone, EchoStyle::kNone, EchoStyle::kNone,
                                     EchoStyle::kWhole, EchoStyle::kByCharacter});
  if (s.manner == M::kBinary) s.echo = EchoStyle::kNone;
  s.unasked = of(std::vector<Outburst>{Outburst::kNone, Outburst::kNone, Outburst::kBetween,
                                       Outburst::kBefore, Outburst::kAfter, Outburst::kInside});
  if (s.manner == M::kBinary || s.manner == M::kBare) s.unasked = Outburst::kNone;
  s.pace = of(std::vector<Pace>{Pace::kMachine, Pace::kMachine, Pace::kMachine, Pace::kTyped,
                                Pace::kPipelined, Pace::kOverlap});
  const bool shows_end = s.manner == M::kV250 || s.manner == M::kNumeric || s.manner == M::kLine ||
                         s.manner == M::kValue || s.manner == M::kJson || s.manner == M::kList ||
                         s.manner == M::kPrompt;
  const bool many_at_once = s.pace == Pace::kPipelined || s.pace == Pace::kOverlap;
  if (many_at_once && (!shows_end || s.echo != EchoStyle::kNone)) s.pace = Pace::kMachine;
  if (s.command_ending.empty()) s.pace = Pace::kMachine;
  s.line.reads = of(std::vector<Reads>{Reads::kWhole, Reads::kByte, Reads::kRandom, Reads::kTimer,
                                       Reads::kTimer, Reads::kFifo});
  if (s.line.reads == Reads::kTimer) s.line.timer_ms = of(Numbers{1, 16});
  if (s.echo == EchoStyle::kByCharacter && s.line.reads != Reads::kByte) {
    s.line.reads = of(std::vector<Reads>{Reads::kByte, Reads::kTimer, Reads::kWhole});
    s.line.timer_ms = s.line.reads == Reads::kTimer ? 1 : 0;
  }
  s.banner = !s.line_ending.empty() && random() % 4 == 0;
  s.line.host_is_early =
      random() % 3 == 0 && s.echo != EchoStyle::kByCharacter && s.pace != Pace::kTyped;
  s.line.baud = of(
      Numbers{300, 1200, 2400, 9600, 9600, 19200, 38400, 57600, 115200, 115200, 230400, 1000000});
  const double character = s.line.character_ms();
  s.turn_ms = of(Numbers{1, 5, 20, 60, 300, 900}) + character;
  s.gap_ms = std::max(of(Numbers{150, 300, 700, 1500, 3000}), character * 20);
  if (s.line.timer_ms > 1) {
    s.turn_ms = std::max(s.turn_ms, 40.0);
    s.gap_ms = std::max(s.gap_ms, 200.0);
  }
  if (s.pace == Pace::kTyped) s.gap_ms = std::max(s.gap_ms, 700.0);
  s.pieces_ms = random() % 3 == 0 ? of(Numbers{5, 20, 40, 80}) : 0;
  if (s.pieces_ms > 0)
    s.gap_ms = std::max(s.gap_ms, s.pieces_ms * 5 + (s.line.timer_ms > 1 ? 100 : 0));
  s.unanswered = random() % 5 == 0 ? 0.2 : 0;
  s.commands = of(std::vector<int>{8, 15, 30, 60});
  return s;
}

class DrawnTalk {
 public:
  explicit DrawnTalk(unsigned seed) : s_(DrawStyle(seed)), random_(seed) {}

  LabelledTalk Make() {
    now_ = Between(0, 3000);
    command_form_ = Pick(5);
    unasked_form_ = Pick(5);
    for (int n = 4 + Pick(6); n > 0; --n) words_.push_back(Word(2, 7));
    unasked_word_ = Word(3, 7);
    unasked_detail_ = Word(3, 6);
    if (s_.banner) {
      Say(Side::kModule, SegmentKind::kBanner, Banner());
      now_ += Between(900, 3000);
    }
    for (int i = 0; i < s_.commands; ++i) {
      if (s_.unasked == Outburst::kBetween && i > 0 && (i == 1 || Chance(0.25))) {
        SayUnasked();
        now_ += s_.gap_ms * Between(1, 2);
      }
      Step(i);
      now_ += s_.gap_ms * Between(1, 2.2);
      const bool not_between = s_.unasked != Outburst::kNone && s_.unasked != Outburst::kBetween;
      if (not_between && (i == 0 || Chance(0.1))) {  // once at least, so that it can be learnt
        SayUnasked();
        now_ += s_.gap_ms * Between(1, 2);
      }
    }
    return LineRecorder(s_.line, random_).Record(std::move(said_));
  }

 private:
  double Between(double a, double b) { return std::uniform_real_distribution<>(a, b)(random_); }
  bool Chance(double share) { return Between(0, 1) < share; }
  int Pick(int n) { return std::uniform_int_distribution<>(0, n - 1)(random_); }
  Bytes Digits(int n) {
    Bytes out;
    while (n-- > 0) out += static_cast<char>('0' + Pick(10));
    return out;
  }
  Bytes Word(int least, int most) {
    Bytes out;
    for (int n = least + Pick(most - least + 1); n > 0; --n) {
      const char first = out.empty() && Pick(3) == 0 ? 'A' : 'a';
      out += static_cast<char>(first + Pick(26));
    }
    return out;
  }
  Bytes Hex(int n) {
    Bytes out;
    while (n-- > 0) out += "0123456789ABCDEF"[Pick(16)];
    return out;
  }
  Bytes Vocabulary() {
    return words_[static_cast<std::size_t>(Pick(static_cast<int>(words_.size())))];
  }
  Bytes Block(char first, int most) {
    Bytes out(1, first);
    const int n = 1 + Pick(most);
    out += static_cast<char>(n);
    for (int i = 0; i < n; ++i) out += static_cast<char>(Pick(256));
    char sum = 0;
    for (const char c : out) sum = static_cast<char>(sum ^ c);
    return out + sum;
  }

  Bytes Command() {
    if (s_.manner == Manner::kBinary) return Block('\xA5', 8);
    if (s_.manner == Manner::kV250 || s_.manner == Manner::kNumeric) {
      Bytes out = Pick(2) == 0 ? "AT" : "AT+" + Vocabulary();
      if (out.size() > 2) {
        const int form = Pick(3);
        out += form == 0   ? "?"
               : form == 1 ? "=" + Digits(2)
                           : InOrder({"=", Word(1, 5), ",", Digits(1)});
      } else if (Pick(3) == 0) {
        out += "I";
      }
      return out + s_.command_ending;
    }
    const Bytes word = Vocabulary();
    switch (command_form_) {
      case 0:
        return word + (Chance(0.5) ? " " + Digits(1 + Pick(3)) : Bytes()) + s_.command_ending;
      case 1:
        return "*" + word + "?" + s_.command_ending;
      case 2:
        return Bytes(1, static_cast<char>(std::toupper(static_cast<unsigned char>(word[0])))) +
               Digits(1 + Pick(2)) + s_.command_ending;
      case 3:
        return "{\"cmd\":\"" + word + "\",\"n\":" + Digits(1) + "}" + s_.command_ending;
      default:
        return "get " + word + s_.command_ending;
    }
  }

  Bytes Banner() {
    const Bytes& end = s_.line_ending;
    switch (Pick(3)) {
      case 0:
        return InOrder({Word(4, 8), " v", Digits(1), ".", Digits(1), end});
      case 1:
        return "**** " + Word(3, 9) + " ****" + end + "ready" + end;
      default:
        return InOrder({"boot", Digits(2), end, Word(3, 8), "=", Digits(3), end, Word(2, 5), end});
    }
  }

  Bytes UnaskedLine() {
    switch (unasked_form_) {
      case 0:
        return "+" + unasked_word_ + ": " + Digits(2);
      case 1:
        return "!" + unasked_word_ + " " + Digits(1 + Pick(3));
      case 2:
        return "[" + unasked_word_ + "] " + unasked_detail_ + " " + Digits(2);
      case 3:
        return InOrder({unasked_word_, ",", Digits(2), ",", Digits(1)});
      default:
        return "RING";
    }
  }

  void Say(Side side, SegmentKind kind, const Bytes& bytes) {
    Utterance u;
    u.at_ms = now_;
    u.side = side;
    u.kind = kind;
    u.bytes = bytes;
    now_ += static_cast<double>(bytes.size()) * s_.line.character_ms();
    said_.push_back(std::move(u));
  }
  void SayUnasked() {
    const Bytes line = UnaskedLine();
    Say(Side::kModule, SegmentKind::kUnsolicited,
        s_.manner == Manner::kV250 ? "\r\n" + line + "\r\n" : line + s_.line_ending);
  }

  void SayCommand(const Bytes& bytes) {
    Utterance u;
    u.at_ms = now_;
    u.side = Side::kHost;
    u.kind = SegmentKind::kCommand;
    u.bytes = bytes;
    if (s_.pace == Pace::kTyped) {
      for (std::size_t i = 1; i < bytes.size(); ++i) {
        if (bytes[i] == '\n' && bytes[i - 1] == '\r') continue;
        u.pauses.emplace_back(i, Between(40, 450));
        now_ += u.pauses.back().second;
      }
    }
    now_ += static_cast<double>(bytes.size()) * s_.line.character_ms();
    said_.push_back(u);
    if (s_.echo != EchoStyle::kByCharacter) return;
    u.side = Side::kModule;
    u.kind = SegmentKind::kEcho;
    u.at_ms += s_.line.character_ms() + Between(0.1, 2);
    said_.push_back(std::move(u));
    now_ += s_.line.character_ms() + 2;
  }

  // What an answer consists of; pauses and unasked lines come between these.
  std::vector<Bytes> Answer() {
    const Bytes& end = s_.line_ending;
    std::vector<Bytes> out;
    switch (s_.manner) {
      case Manner::kV250:
        if (Chance(0.6)) {
          for (int n = 1 + (Chance(0.3) ? Pick(4) : 0); n > 0; --n)
            out.push_back(InOrder({out.empty() || Chance(0.5) ? "\r\n" : "",
                                   Chance(0.4) ? "+" + Vocabulary() + ": " : Bytes(), Word(2, 10),
                                   Digits(2), "\r\n"}));
        }
        out.push_back(Chance(0.85)  ? "\r\nOK\r\n"
                      : Chance(0.5) ? "\r\nERROR\r\n"
                                    : "\r\n+CME ERROR: " + Digits(2) + "\r\n");
        break;
      case Manner::kNumeric:
        if (Chance(0.5)) out.push_back(InOrder({Word(3, 9), Digits(2), "\r\n"}));
        out.push_back(Chance(0.8) ? "0\r" : "4\r");
        break;
      case Manner::kLine:
        out.push_back(InOrder(
            {Chance(0.3) ? "ok " : "", Word(2, 12), Chance(0.4) ? "=" + Digits(3) : Bytes(), end}));
        break;
      case Manner::kValue:
        out.push_back(InOrder({Chance(0.3) ? "-" : "", Digits(1 + Pick(3)), ".", Digits(2), end}));
        break;
      case Manner::kList:
        for (int n = 2 + Pick(7); n > 0; --n)
          out.push_back(InOrder({Digits(1), ": ", Word(3, 12), end}));
        out.push_back((Chance(0.8) ? "done" : "fail") + end);
        break;
      case Manner::kFreeList:
        for (int n = 1 + Pick(7); n > 0; --n)
          out.push_back(InOrder({Word(3, 12), " ", Digits(3), end}));
        break;
      case Manner::kPrompt:
        for (int n = Pick(4); n > 0; --n)
          out.push_back(InOrder({Word(3, 14), " ", Digits(2), end}));
        out.push_back("> ");
        break;
      case Manner::kHexDump:
        for (int n = 2 + Pick(5); n > 0; --n) {
          Bytes line = Hex(4) + ":";
          for (int i = 0; i < 8; ++i) line += " " + Hex(2);
          out.push_back(line + end);
        }
        break;
      case Manner::kBare:
        out.push_back(InOrder({Chance(0.5) ? "OK" : "", Chance(0.7) ? Word(2, 12) : Bytes("x")}));
        if (Chance(0.3)) out.push_back(Word(2, 6));
        break;
      case Manner::kJson:
        out.push_back(
            InOrder({"{\"", Word(2, 6), "\":", Digits(2), ",\"s\":\"", Word(1, 9), "\"}", end}));
        break;
      case Manner::kBinary:
        out.push_back(Block('\x5A', 40));
        break;
      case Manner::kTextAndBinary:
        if (Chance(0.5)) {
          Bytes block = "DATA " + Digits(2) + end;
          for (int n = 10 + Pick(60); n > 0; --n) block += static_cast<char>(Pick(256));
          out.push_back(block + end + "OK" + end);
        } else {
          out.push_back("OK" + end);
        }
        break;
    }
    return out;
  }

  void SayParts(const std::vector<Bytes>& parts, std::size_t from, std::size_t to) {
    Utterance u;
    u.at_ms = now_;
    u.side = Side::kModule;
    u.kind = SegmentKind::kReply;
    const auto pause = [&](std::size_t at) {
      u.pauses.emplace_back(at, s_.pieces_ms * Between(0.7, 1.2));
      now_ += u.pauses.back().second;
    };
    for (std::size_t i = from; i < to; ++i) {
      if (i > from && s_.pieces_ms > 0 && Chance(0.6)) pause(u.bytes.size());
      u.bytes += parts[i];
    }
    if (parts.size() == 1 && s_.pieces_ms > 0 && u.bytes.size() > 2)
      pause(1 + static_cast<std::size_t>(Pick(static_cast<int>(u.bytes.size()) - 1)));
    now_ += static_cast<double>(u.bytes.size()) * s_.line.character_ms();
    said_.push_back(std::move(u));
  }

  void SayAnswer() {
    const std::vector<Bytes> parts = Answer();
    if (s_.unasked != Outburst::kInside || parts.size() < 2 || !Chance(0.4)) {
      SayParts(parts, 0, parts.size());
      return;
    }
    const auto cut = 1 + static_cast<std::size_t>(Pick(static_cast<int>(parts.size()) - 1));
    SayParts(parts, 0, cut);
    now_ += Between(0.2, 3);
    SayUnasked();
    now_ += Between(0.2, 3);
    SayParts(parts, cut, parts.size());
  }

  void Step(int i) {
    if (s_.pace == Pace::kPipelined && i > 0 && Chance(0.5)) {
      const int n = 2 + Pick(2);
      for (int k = 0; k < n; ++k) {
        SayCommand(Command());
        if (Chance(0.3)) now_ += Between(0, 3);
      }
      now_ += s_.turn_ms;
      for (int k = 0; k < n; ++k) {
        SayAnswer();
        now_ += Between(0.2, s_.turn_ms);
      }
      return;
    }
    if (s_.pace == Pace::kOverlap && i > 0 && Chance(0.4)) {
      SayCommand(Command());
      now_ += s_.turn_ms * Between(0.8, 1.2);
      const double start = now_;
      SayAnswer();
      const double end = now_;
      now_ = start + (end - start) * Between(0.3, 0.8);
      SayCommand(Command());
      now_ = std::max(now_, end) + s_.turn_ms * Between(0.8, 1.2);
      SayAnswer();
      return;
    }
    const Bytes command = Command();
    SayCommand(command);
    if (i > 1 && Chance(s_.unanswered)) {
      now_ += std::max(2500.0, s_.turn_ms * 5);
      return;
    }
    if (s_.echo == EchoStyle::kWhole) {
      now_ += Between(0.2, 3);
      Say(Side::kModule, SegmentKind::kEcho, command);
    }
    now_ += s_.turn_ms * Between(0.8, 1.3);
    if (s_.unasked == Outburst::kBefore && (i == 1 || Chance(0.25))) {
      SayUnasked();
      now_ += Between(0.5, 4);
    }
    SayAnswer();
    if (s_.unasked == Outburst::kAfter && (i == 1 || Chance(0.25))) {
      now_ += Between(0.2, 3);
      SayUnasked();
    }
  }

  const Style s_;
  std::mt19937 random_;
  double now_ = 0;
  std::vector<Utterance> said_;
  std::vector<Bytes> words_;
  int command_form_ = 0, unasked_form_ = 0;
  Bytes unasked_word_, unasked_detail_;
};

}  // namespace witness::test
