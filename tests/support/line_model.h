// From utterances on a wire to what a recorder would have read: character times, stamps that are
// late, adapters that hold bytes back, reads that cut anywhere. Knows nothing of the segmenter.
//
// Another model than that of corpus.h, made later and apart from it, so that what holds for one
// can be tried on the other.
#pragma once

#include <algorithm>
#include <cmath>
#include <random>
#include <vector>

#include "tests/support/corpus.h"

namespace witness::test {

enum class Reads {
  kWhole,   // all that comes without a pause
  kByte,    // each byte
  kRandom,  // up to 20 bytes
  kTimer,   // an adapter's timer that runs freely, or 62 bytes
  kFifo,    // 14 bytes, or fewer once the line is idle for 4 characters
};

struct LineModel {
  double baud = 9600;
  Reads reads = Reads::kWhole;
  double timer_ms = 0;         // with kTimer
  bool host_is_early = false;  // the host's bytes are stamped when written, before the wire
  Heard heard = Heard::kBoth;
  bool bytes_tell = false;  // though one side is heard, a protocol's bytes tell what they are

  double character_ms() const { return 10'000 / baud; }
};

// Something that is no byte: a gap, a break.
struct WireMark {
  double at_ms = 0;
  EventKind kind = EventKind::kGap;
  Side side = Side::kUnknown;
};

class LineRecorder {
 public:
  LineRecorder(const LineModel& line, std::mt19937& random) : line_(line), random_(random) {}

  LabelledTalk Record(std::vector<Utterance> said, const std::vector<WireMark>& marks = {}) {
    std::stable_sort(said.begin(), said.end(),
                     [](const Utterance& a, const Utterance& b) { return a.at_ms < b.at_ms; });
    LabelledTalk out;
    for (const Utterance& u : said) {
      if (line_.heard == Heard::kHostOnly && u.side != Side::kHost) continue;
      if (line_.heard == Heard::kModuleOnly && u.side != Side::kModule) continue;
      out.truth.push_back(u);
    }
    for (const Side side : {Side::kHost, Side::kModule}) ReadSide(out.truth, side, out.events);
    for (const WireMark& mark : marks) {
      Event event;
      event.at = InstantOf(mark.at_ms);
      event.kind = mark.kind;
      event.side = mark.side;
      out.events.emplace_back(event);
    }
    std::stable_sort(
        out.events.begin(), out.events.end(),
        [](const OwnedEvent& a, const OwnedEvent& b) { return a.event.at < b.event.at; });
    if (line_.heard == Heard::kOneWire) {
      for (OwnedEvent& e : out.events) e.event.side = Side::kUnknown;
      for (Utterance& u : out.truth) u.side = Side::kUnknown;
    }
    const bool one_side = line_.heard == Heard::kOneWire || line_.heard == Heard::kModuleOnly;
    if (one_side && !line_.bytes_tell)
      for (Utterance& u : out.truth) u.kind = SegmentKind::kData;
    out.character_time = DurationOf(line_.character_ms());
    out.stamp_uncertainty = DurationOf(line_.timer_ms + kLatest + 0.2);
    return out;
  }

 private:
  static constexpr double kLatest = 1.5;  // ms that a busy host may be late

  struct WireByte {
    double at_ms;  // its last bit
    char value;
  };

  static Instant InstantOf(double ms) {
    return Instant::FromNanoseconds(static_cast<std::int64_t>(ms * 1e6));
  }
  static Duration DurationOf(double ms) {
    return Duration::Nanoseconds(static_cast<std::int64_t>(ms * 1e6));
  }
  double Between(double a, double b) { return std::uniform_real_distribution<>(a, b)(random_); }

  void Add(std::vector<OwnedEvent>& events, double at_ms, Side side, const Bytes& bytes) {
    Event event;
    event.at = InstantOf(at_ms);
    event.side = side;
    event.bytes = bytes;
    events.emplace_back(event);
  }

  void ReadSide(const std::vector<Utterance>& said, Side side, std::vector<OwnedEvent>& events) {
    const double character = line_.character_ms();
    double last = 0;
    if (line_.host_is_early && side == Side::kHost) {
      for (const Utterance& u : said) {
        if (u.side != side) continue;
        last = std::max(last + 1e-4, u.at_ms + Between(0, 0.1));
        Add(events, last, side, u.bytes);
      }
      return;
    }
    std::vector<WireByte> wire;
    for (const Utterance& u : said) {
      if (u.side != side) continue;
      double at = u.at_ms;
      std::size_t pause = 0;
      for (std::size_t i = 0; i < u.bytes.size(); ++i) {
        while (pause < u.pauses.size() && u.pauses[pause].first == i)
          at += u.pauses[pause++].second;
        at += character;
        if (!wire.empty()) at = std::max(at, wire.back().at_ms + character);
        wire.push_back({at, u.bytes[i]});
      }
    }
    const double phase = Between(0, 16);
    for (std::size_t i = 0; i < wire.size();) {
      std::size_t n = 1;
      double stamp = wire[i].at_ms;
      const auto goes_on = [&](std::size_t k) {
        return k < wire.size() && wire[k].at_ms - wire[k - 1].at_ms < character * 1.3;
      };
      switch (line_.reads) {
        case Reads::kByte:
          break;
        case Reads::kWhole:
          while (goes_on(i + n)) ++n;
          break;
        case Reads::kRandom: {
          const std::size_t most = 1 + random_() % 20;
          while (n < most && goes_on(i + n)) ++n;
          break;
        }
        case Reads::kFifo:
          while (n < 14 && goes_on(i + n)) ++n;
          break;
        case Reads::kTimer: {
          const double tick =
              (std::floor((stamp - phase) / line_.timer_ms) + 1) * line_.timer_ms + phase;
          while (n < 62 && i + n < wire.size() && wire[i + n].at_ms < tick) ++n;
          stamp = n == 62 ? wire[i + n - 1].at_ms : tick;
          break;
        }
      }
      if (line_.reads != Reads::kTimer) stamp = wire[i + n - 1].at_ms;
      if (line_.reads == Reads::kFifo && n < 14) stamp += 4 * character;
      stamp = std::max(stamp + (Between(0, 1) < 0.02 ? Between(0, kLatest) : Between(0, 0.15)),
                       last + 1e-5);
      last = stamp;
      Bytes bytes;
      for (std::size_t k = 0; k < n; ++k) bytes += wire[i + k].value;
      Add(events, stamp, side, bytes);
      i += n;
    }
  }

  const LineModel line_;
  std::mt19937& random_;
};

}  // namespace witness::test
