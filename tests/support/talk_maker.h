// What makers of labelled talks have in common: dice, and speaking on a wire in turn.
#pragma once

#include <functional>
#include <map>
#include <random>
#include <string>
#include <utility>
#include <vector>

#include "tests/support/line_model.h"

namespace witness::test {

class TalkMaker {
 protected:
  using K = SegmentKind;

  explicit TalkMaker(unsigned seed) : random_(seed) {}

  // ---- dice ----
  double Between(double a, double b) { return std::uniform_real_distribution<>(a, b)(random_); }
  bool Chance(double share) { return Between(0, 1) < share; }
  int Pick(int n) { return std::uniform_int_distribution<>(0, n - 1)(random_); }
  template <typename T>
  T Of(std::vector<T> all) {
    return all[static_cast<std::size_t>(Pick(static_cast<int>(all.size())))];
  }
  Bytes Digits(int n) {
    Bytes out;
    while (n-- > 0) out += static_cast<char>('0' + Pick(10));
    return out;
  }
  Bytes Word(int least, int most) {
    Bytes out;
    for (int n = least + Pick(most - least + 1); n > 0; --n)
      out += static_cast<char>('a' + Pick(26));
    return out;
  }
  Bytes Value() { return InOrder({Digits(1 + Pick(3)), ".", Digits(1)}); }  // "12.3"
  static Bytes Info(const Bytes& text) { return "\r\n" + text + "\r\n"; }
  Bytes Noise(int n) {
    Bytes out;
    while (n-- > 0) out += static_cast<char>(Pick(256));
    return out;
  }
  static Bytes WithCrc(Bytes frame) {
    unsigned crc = 0xffff;
    for (const char c : frame) {
      crc ^= static_cast<unsigned char>(c);
      for (int bit = 0; bit < 8; ++bit) crc = (crc & 1) != 0 ? (crc >> 1) ^ 0xa001u : crc >> 1;
    }
    frame += static_cast<char>(crc & 0xff);
    frame += static_cast<char>(crc >> 8);
    return frame;
  }
  // "GNGGA,..." becomes a sentence of NMEA 0183.
  static Bytes WithSum(const Bytes& body) {
    unsigned sum = 0;
    for (const char c : body) sum ^= static_cast<unsigned char>(c);
    static const char* const kHex = "0123456789ABCDEF";
    return "$" + body + "*" + kHex[sum >> 4] + kHex[sum & 15] + "\r\n";
  }

  // ---- speaking ----
  void Say(Side side, SegmentKind kind, const Bytes& bytes) {
    Utterance u;
    u.at_ms = now_;
    u.side = side;
    u.kind = kind;
    u.bytes = bytes;
    now_ += static_cast<double>(bytes.size()) * line_.character_ms();
    said_.push_back(std::move(u));
  }
  void Host(const Bytes& bytes) { Say(Side::kHost, K::kCommand, bytes); }
  void Module(SegmentKind kind, const Bytes& bytes) { Say(Side::kModule, kind, bytes); }
  void Reply(const Bytes& bytes) { Module(K::kReply, bytes); }
  void Wait(double least_ms, double most_ms) {
    now_ += Between(least_ms, most_ms);
    if (late_stamps_) return;
    // Stamps must not turn cause and effect around, nor merge what is to be told apart.
    now_ += line_.timer_ms + (line_.timer_ms > 0 ? 2 : 0);
    if (line_.reads == Reads::kFifo) now_ += 5 * line_.character_ms();
  }
  void PauseAt(std::size_t byte, double ms) {
    said_.back().pauses.emplace_back(byte, ms);
    now_ += ms;
  }
  // One utterance whose parts come with pauses between them.
  void Parts(Side side, SegmentKind kind, const std::vector<Bytes>& parts, double least_ms,
             double most_ms) {
    Bytes all;
    std::vector<std::size_t> cuts;
    for (const Bytes& part : parts) {
      if (!all.empty() && !part.empty()) cuts.push_back(all.size());
      all += part;
    }
    Say(side, kind, all);
    for (const std::size_t cut : cuts) PauseAt(cut, Between(least_ms, most_ms));
  }
  void ReplyParts(const std::vector<Bytes>& parts, double least_ms, double most_ms) {
    Parts(Side::kModule, K::kReply, parts, least_ms, most_ms);
  }
  // A person types; of each key what is given back comes a character later.
  void Typed(const Bytes& keys, const std::vector<Bytes>& echoes = {}, double least_ms = 50,
             double most_ms = 260) {
    line_.host_is_early = false;
    const double from = now_;
    std::vector<Bytes> single;
    for (const char c : keys) single.emplace_back(1, c);
    Parts(Side::kHost, K::kCommand, single, least_ms, most_ms);
    if (echoes.empty()) return;
    Utterance u = said_.back();
    u.side = Side::kModule;
    u.kind = K::kEcho;
    u.at_ms = from + line_.character_ms() + line_.timer_ms + Between(0.2, 1.5);
    u.bytes.clear();
    u.pauses.clear();
    for (std::size_t i = 0; i < echoes.size(); ++i) {
      if (i > 0) u.pauses.emplace_back(u.bytes.size(), said_.back().pauses[i - 1].second);
      u.bytes += echoes[i];
    }
    now_ += line_.character_ms() * 2 + 3 + line_.timer_ms;
    said_.push_back(std::move(u));
  }
  // Each key is given back as it is, a CR as CR LF.
  static std::vector<Bytes> EchoesOf(const Bytes& keys) {
    std::vector<Bytes> out;
    for (const char c : keys) out.push_back(c == '\r' ? Bytes("\r\n") : Bytes(1, c));
    return out;
  }
  // Where a person types with echo, the adapter does not hold bytes back for long.
  void ReadAtOnce() {
    if (line_.timer_ms > 1) line_.timer_ms = 1;
    line_.baud = std::max(line_.baud, 9600.0);
  }
  void DrawLine() {
    line_.baud = Of<double>({1200, 4800, 9600, 9600, 19200, 57600, 115200, 115200});
    line_.reads = Of<Reads>(
        {Reads::kWhole, Reads::kByte, Reads::kRandom, Reads::kTimer, Reads::kTimer, Reads::kFifo});
    if (line_.reads == Reads::kTimer) line_.timer_ms = Of<double>({1, 4, 16, 16});
    line_.host_is_early = Chance(0.3);
    now_ = Between(10, 3000);
  }
  void LateStamps() {
    late_stamps_ = true;
    line_.reads = Reads::kTimer;
    line_.timer_ms = 16;
    line_.host_is_early = false;
  }
  LabelledTalk Recorded() { return LineRecorder(line_, random_).Record(std::move(said_), marks_); }

  std::mt19937 random_;
  LineModel line_;
  double now_ = 0;
  std::vector<Utterance> said_;
  std::vector<WireMark> marks_;
  bool late_stamps_ = false;  // two adapters' timers may turn cause and effect around
};

// A maker of talks of named sorts. `Talk`, which befriends it, has Makers(): of each sort, what
// says it; and DrawLine() if its lines are drawn otherwise.
template <typename Talk>
class SortedTalk : protected TalkMaker {
 public:
  static std::vector<std::string> Sorts() {
    std::vector<std::string> out;
    for (const auto& [name, make] : Talk::Makers()) out.push_back(name);
    return out;
  }

  LabelledTalk Make() {
    Talk& talk = static_cast<Talk&>(*this);
    talk.DrawLine();
    Talk::Makers().at(sort_)(talk);
    return Recorded();
  }

 protected:
  using T = Talk;
  using MakersOfSorts = std::map<std::string, std::function<void(Talk&)>>;

  SortedTalk(std::string sort, unsigned seed) : TalkMaker(seed), sort_(std::move(sort)) {}

 private:
  const std::string sort_;
};

}  // namespace witness::test
