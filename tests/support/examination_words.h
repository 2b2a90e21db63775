// All that an examination says, in words: for tests that two of them say the same.
#pragma once

#include <string>

#include "capture/examine/examination.h"

namespace witness::test {

inline std::string Words(const Distribution& d) {
  std::string out = std::to_string(d.count());
  for (const double share : {0.0, 0.01, 0.1, 0.5, 0.9, 0.95, 0.99, 1.0})
    out += " " + std::to_string(d.Quantile(share).ns());
  for (const Distribution::Bin& bin : d.Octaves())
    out += " " + std::to_string(bin.from.ns()) + ":" + std::to_string(bin.count);
  return out + " " + std::to_string(d.min().ns()) + " " + std::to_string(d.max().ns()) + "\n";
}

inline std::string Words(const EndingTally& t) {
  std::string out = "endings";
  for (const std::uint64_t n : {t.none, t.cr, t.lf, t.cr_lf, t.not_text})
    out += " " + std::to_string(n);
  return out + "\n";
}

// All that an examination says, but for plain_events.
inline std::string Words(const Examination& e) {
  std::string out = std::to_string(e.events) + " events, " + std::to_string(e.exchanges) +
                    " exchanges, " + std::to_string(e.unanswered) + " unanswered, " +
                    std::to_string(e.length.ns()) + " ns\n";
  for (const std::uint64_t n : e.bytes) out += " " + std::to_string(n);
  for (const std::uint64_t n : e.segments) out += " " + std::to_string(n);
  out += "\n" + Words(e.command_endings) + Words(e.reply_endings) + Words(e.turnaround) +
         Words(e.pause_in_reply) + Words(e.between_exchanges);
  const BufferFacts& b = e.buffer;
  for (const std::uint64_t n :
       {std::uint64_t{b.size}, b.largest_reply, b.largest_reply_segment, b.replies_that_do_not_fit})
    out += " " + std::to_string(n);
  out += " " + std::to_string(b.fills_after.ns()) + " " + std::to_string(b.bytes_per_second) + " " +
         std::to_string(b.busiest_share) + "\n" + e.conventions.silence.why + "\n";
  for (const Finding& f : e.findings) {
    out += f.name + " " + std::to_string(f.count) + ", " + f.detail + ", " + f.consequence + "\n";
    for (const Evidence& x : f.evidence)
      out +=
          "  " + std::to_string(x.segment) + " " + std::to_string(x.at.ns()) + " " + x.shown + "\n";
  }
  return out;
}

}  // namespace witness::test
