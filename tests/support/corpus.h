// A labelled corpus: conversations of which the truth is known, made from a seed.
//
// The conversation model makes utterances with their meaning (side, kind, bytes, moment on the
// wire); the line model turns them into what a recorder would have read: character times, jitter,
// adapters that hold bytes back, reads that cut anywhere. Knows nothing of the segmenter.
#pragma once

#include <algorithm>
#include <cmath>
#include <initializer_list>
#include <random>
#include <string>
#include <vector>

#include "capture/examine/segment.h"
#include "capture/store/event.h"

namespace witness::test {

struct Utterance {
  double at_ms = 0;  // first bit of the first byte on the wire
  Side side = Side::kHost;
  SegmentKind kind = SegmentKind::kCommand;
  Bytes bytes;
  std::vector<std::pair<std::size_t, double>> pauses;  // before this byte so many ms more
};

enum class Chunking { kWhole, kByteByByte, kRandom, kLatencyTimer };
enum class EchoStyle { kNone, kWhole, kByCharacter };
enum class Unasked { kNone, kBetween, kBefore, kInside };
enum class Heard { kBoth, kHostOnly, kModuleOnly, kOneWire };

struct CorpusClass {
  const char* name;
  const char* command_ending = "\r\n";
  const char* reply_ending = "\r\n";
  bool v250 = true;  // information text, then a result code, each with its ending around it
  EchoStyle echo = EchoStyle::kNone;
  double piece_pause_ms = 0;  // replies come in pieces this far apart
  Unasked unasked = Unasked::kNone;
  bool banner = false;
  bool binary = false;     // requests and replies are no text
  bool pipelined = false;  // commands are sent two at a time
  double unanswered = 0;   // share of commands that get no answer
  double gap_ms = 700;     // between an answer and the next command, at least
  double turnaround_ms = 25;
  std::size_t long_reply = 0;  // every reply has this many bytes more
  double baud = 9600;
  Chunking chunking = Chunking::kWhole;
  double latency_ms = 0;  // of the adapter
  double jitter_ms = 0.2;
  Heard heard = Heard::kBoth;
  bool typed = false;  // the host's characters come a person's typing apart
  bool gaps = false;   // now and then something is missing
  bool decidable = true;
};

struct LabelledTalk {
  std::vector<Utterance> truth;  // in order of beginning; silences are not listed
  std::vector<OwnedEvent> events;
  Duration character_time;
  Duration stamp_uncertainty;
};

// Read from left to right. What `+` joins is drawn in an order that each compiler chooses.
inline Bytes InOrder(std::initializer_list<Bytes> parts) {
  Bytes out;
  for (const Bytes& part : parts) out += part;
  return out;
}

class CorpusMaker {
 public:
  CorpusMaker(const CorpusClass& what, unsigned seed) : what_(what), random_(seed) {}

  LabelledTalk Make(int commands = 12) {
    character_ms_ = 10 * 1000.0 / what_.baud;
    now_ = 50;
    if (what_.banner) {
      Say(Side::kModule, SegmentKind::kBanner,
          InOrder({"Fen 2.", Digits(1), "\r\nready", Digits(2), "\r\n"}));
      now_ += 1500;
    }
    for (int i = 0; i < commands; ++i) {
      if (what_.pipelined && i > 0)
        Pipelined();
      else
        Exchange(i);
      now_ += what_.gap_ms * Between(1, 2.5);
      const bool must = i == 0;  // once at least, so that it can be learnt
      if (what_.unasked != Unasked::kNone && (must || Chance(0.3))) {
        now_ += 400;
        Say(Side::kModule, SegmentKind::kUnsolicited, UnaskedLine());
        now_ += what_.gap_ms + 300;
      }
    }
    return Record();
  }

 private:
  double Between(double a, double b) { return std::uniform_real_distribution<>(a, b)(random_); }
  bool Chance(double share) { return Between(0, 1) < share; }
  int Pick(int n) { return std::uniform_int_distribution<>(0, n - 1)(random_); }
  Bytes Digits(int n) {
    Bytes out;
    for (int i = 0; i < n; ++i) out += static_cast<char>('0' + Pick(10));
    return out;
  }
  Bytes Word(int least, int most) {
    Bytes out;
    const int n = least + Pick(most - least + 1);
    for (int i = 0; i < n; ++i) out += static_cast<char>('a' + Pick(26));
    return out;
  }
  Bytes UnaskedLine() {
    const Bytes line = "+JOIN: " + Digits(1 + Pick(2));
    return what_.v250 ? "\r\n" + line + "\r\n" : line + "\r\n";
  }

  Utterance& Say(Side side, SegmentKind kind, Bytes bytes) {
    Utterance u;
    u.at_ms = now_;
    u.side = side;
    u.kind = kind;
    u.bytes = std::move(bytes);
    now_ += static_cast<double>(u.bytes.size()) * character_ms_;
    said_.push_back(std::move(u));
    return said_.back();
  }

  Bytes Command(int i) {
    if (what_.binary) {
      Bytes out = "\x02";
      out += static_cast<char>(0x80 + Pick(100));
      for (int k = Pick(6); k >= 0; --k) out += static_cast<char>(Pick(256));
      return out;
    }
    static const char* const kNames[] = {"FW?",   "CHAN?", "SIGNAL?", "POWER=2",
                                         "CHAN=", "NAME=", "RATE=",   "TEMP?"};
    Bytes out = "AT+";
    out += kNames[(i + Pick(8)) % 8];
    if (out.back() == '=') out += Word(2, 8);
    if (Pick(12) == 0) out = "AT";
    return out + what_.command_ending;
  }

  // Bytes of an answer; `info_end` is where its result code begins (if there is information).
  Bytes Reply(std::size_t& info_end) {
    info_end = 0;
    if (what_.binary) {
      Bytes out = "\x06";
      out += static_cast<char>(0x80 + Pick(100));
      for (int k = 2 + Pick(8); k >= 0; --k) out += static_cast<char>(Pick(256));
      return out + Bytes(what_.long_reply, '\x91');
    }
    const Bytes extra(what_.long_reply, 'x');
    const Bytes end = what_.reply_ending;
    if (!what_.v250) return "OK" + (Chance(0.6) ? Word(3, 12) : Bytes()) + extra + end;
    const Bytes code = Chance(0.9) ? "OK" : "ERROR";
    Bytes out;
    const bool around = end == "\r\n";
    if (Chance(0.6) || what_.long_reply > 0 || what_.unasked == Unasked::kInside ||
        what_.piece_pause_ms > 0) {
      out = InOrder({around ? "\r\n" : "", Word(3, 12), " ", Digits(2), extra, "\r\n"});
      info_end = out.size();
    }
    return out + (around ? "\r\n" : "") + code + end;
  }

  void SayCommand(const Bytes& command) {
    Utterance& u = Say(Side::kHost, SegmentKind::kCommand, command);
    if (what_.typed) {
      for (std::size_t i = 1; i < command.size(); ++i) {
        const double pause = Between(60, 350);
        u.pauses.emplace_back(i, pause);
        now_ += pause;
      }
    }
    if (what_.echo == EchoStyle::kByCharacter) {
      Utterance echo = u;
      echo.kind = SegmentKind::kEcho;
      echo.side = Side::kModule;
      echo.at_ms += character_ms_ + 1;
      said_.push_back(echo);
      now_ += character_ms_ + 1;
    }
  }

  void SayReply() {
    std::size_t info_end = 0;
    const Bytes reply = Reply(info_end);
    const bool inside = what_.unasked == Unasked::kInside && info_end > 0 && Chance(0.4);
    if (!inside) {
      Utterance& u = Say(Side::kModule, SegmentKind::kReply, reply);
      if (what_.piece_pause_ms > 0) {
        const std::size_t at = info_end > 0 ? info_end : 1 + reply.size() / 2;
        if (at < reply.size()) {
          const double pause = what_.piece_pause_ms * Between(0.8, 1.2);
          u.pauses.emplace_back(at, pause);
          now_ += pause;
        }
      }
      return;
    }
    Say(Side::kModule, SegmentKind::kReply, reply.substr(0, info_end));
    now_ += 3;
    Say(Side::kModule, SegmentKind::kUnsolicited, UnaskedLine());
    now_ += 3;
    Say(Side::kModule, SegmentKind::kReply, reply.substr(info_end));
  }

  void Exchange(int i) {
    const Bytes command = Command(i);
    SayCommand(command);
    if (i > 1 && Chance(what_.unanswered)) {
      now_ += 2000;
      return;
    }
    if (what_.echo == EchoStyle::kWhole) {
      now_ += 4;
      Say(Side::kModule, SegmentKind::kEcho, command);
    }
    now_ += what_.turnaround_ms * Between(0.8, 1.3);
    if (what_.unasked == Unasked::kBefore && i > 0 && Chance(0.3)) {
      Say(Side::kModule, SegmentKind::kUnsolicited, UnaskedLine());
      now_ += 4;
    }
    SayReply();
    if (what_.gaps && Chance(0.2)) {
      now_ += 200;
      gaps_.push_back(now_);
      now_ += 200;
    }
  }

  void Pipelined() {
    SayCommand(Command(0));
    SayCommand(Command(1));
    now_ += what_.turnaround_ms;
    SayReply();
    now_ += Chance(0.5) ? 2 : 15;
    SayReply();
  }

  // ---- the line ----

  struct WireByte {
    double at_ms;  // its last bit
    char value;
    Side side;
  };

  LabelledTalk Record() {
    LabelledTalk out;
    std::stable_sort(said_.begin(), said_.end(),
                     [](const Utterance& a, const Utterance& b) { return a.at_ms < b.at_ms; });
    std::vector<Utterance> heard;
    for (const Utterance& u : said_) {
      if (what_.heard == Heard::kHostOnly && u.side != Side::kHost) continue;
      if (what_.heard == Heard::kModuleOnly && u.side != Side::kModule) continue;
      heard.push_back(u);
    }
    std::vector<OwnedEvent> events;
    for (const Side side : {Side::kHost, Side::kModule}) {
      std::vector<WireByte> wire;
      for (const Utterance& u : heard) {
        if (u.side != side) continue;
        double at = u.at_ms;
        std::size_t pause = 0;
        for (std::size_t i = 0; i < u.bytes.size(); ++i) {
          while (pause < u.pauses.size() && u.pauses[pause].first == i)
            at += u.pauses[pause++].second;
          at += character_ms_;
          if (!wire.empty()) at = std::max(at, wire.back().at_ms + character_ms_);
          wire.push_back({at, u.bytes[i], side});
        }
      }
      ReadOff(wire, side, events);
    }
    for (const double gap : gaps_) {
      Event event;
      event.kind = EventKind::kGap;
      event.at = Instant::FromNanoseconds(static_cast<std::int64_t>(gap * 1e6));
      events.emplace_back(event);
    }
    std::stable_sort(events.begin(), events.end(), [](const OwnedEvent& a, const OwnedEvent& b) {
      return a.event.at < b.event.at;
    });
    if (what_.heard == Heard::kOneWire)
      for (OwnedEvent& e : events) e.event.side = Side::kUnknown;
    if (what_.heard != Heard::kBoth)
      for (Utterance& u : heard) {
        if (what_.heard == Heard::kOneWire) u.side = Side::kUnknown;
        if (what_.heard != Heard::kHostOnly) u.kind = SegmentKind::kData;
      }
    out.truth = std::move(heard);
    out.events = std::move(events);
    out.character_time = Duration::Nanoseconds(static_cast<std::int64_t>(character_ms_ * 1e6));
    out.stamp_uncertainty = Duration::Nanoseconds(
        static_cast<std::int64_t>((what_.latency_ms + what_.jitter_ms) * 1e6));
    return out;
  }

  // Reads as a recorder gets them. Within `together_ms` bytes arrive in one read at most.
  void ReadOff(const std::vector<WireByte>& wire, Side side, std::vector<OwnedEvent>& events) {
    double last_stamp = 0;
    std::size_t at = 0;
    while (at < wire.size()) {
      std::size_t n = 1;
      double stamp = wire[at].at_ms;
      const auto continuous = [&](std::size_t i) {
        return i < wire.size() && wire[i].at_ms - wire[i - 1].at_ms < character_ms_ * 1.5;
      };
      switch (what_.chunking) {
        case Chunking::kByteByByte:
          break;
        case Chunking::kWhole:
          while (continuous(at + n)) ++n;
          break;
        case Chunking::kRandom: {
          const std::size_t most = 1 + static_cast<std::size_t>(Pick(12));
          while (n < most && continuous(at + n)) ++n;
          break;
        }
        case Chunking::kLatencyTimer: {
          // Held back until the timer (that runs freely) or 62 bytes.
          const double tick = (std::floor(stamp / what_.latency_ms) + 1) * what_.latency_ms;
          while (n < 62 && at + n < wire.size() && wire[at + n].at_ms < tick) ++n;
          stamp = n == 62 ? wire[at + n - 1].at_ms : tick;
          break;
        }
      }
      if (what_.chunking != Chunking::kLatencyTimer) stamp = wire[at + n - 1].at_ms;
      stamp = std::max(stamp + Between(0, what_.jitter_ms), last_stamp + 1e-5);
      last_stamp = stamp;
      Bytes bytes;
      for (std::size_t i = 0; i < n; ++i) bytes += wire[at + i].value;
      Event event;
      event.at = Instant::FromNanoseconds(static_cast<std::int64_t>(stamp * 1e6));
      event.side = side;
      event.bytes = bytes;
      events.emplace_back(event);
      at += n;
    }
  }

  const CorpusClass& what_;
  std::mt19937 random_;
  double now_ = 0;
  double character_ms_ = 1;
  std::vector<Utterance> said_;
  std::vector<double> gaps_;
};

}  // namespace witness::test
