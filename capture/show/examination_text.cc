#include "capture/show/examination_text.h"

#include <algorithm>
#include <cstdio>
#include <utility>

#include "capture/base/text.h"

namespace witness {
namespace {

constexpr std::size_t kShownBytes = 120;

std::string Shown(ByteView bytes) {
  if (bytes.size() <= kShownBytes) return SafeTextWithEnding(bytes);
  return SafeText(bytes.substr(0, kShownBytes)) + "... (" + std::to_string(bytes.size()) +
         " bytes)";
}

std::string Padded(std::string text, std::size_t width) {
  if (text.size() < width) text.append(width - text.size(), ' ');
  return text;
}

std::string EndingsLine(const char* what, const EndingTally& tally) {
  std::string line;
  const auto add = [&](std::uint64_t n, const std::string& name) {
    if (n == 0) return;
    if (!line.empty()) line += ", ";
    line += std::to_string(n) + " " + name;
  };
  add(tally.none, "none");
  add(tally.cr, "CR");
  add(tally.lf, "LF");
  add(tally.cr_lf, "CR LF");
  add(tally.not_text, "not text");
  if (line.empty()) return "";
  return "  " + Padded(what, 18) + line + "\n";
}

std::string DistributionLine(const char* what, const Distribution& d) {
  if (d.count() == 0) return "";
  return "  " + Padded(what, 18) + "min " + Padded(FormatDuration(d.min()), 9) + " median " +
         Padded(FormatDuration(d.Median()), 9) + " p95 " +
         Padded(FormatDuration(d.Quantile(0.95)), 9) + " max " + FormatDuration(d.max()) + "  (" +
         std::to_string(d.count()) + ")\n";
}

std::string SidesLine(const Conventions& c) {
  if (c.both_sides()) return "both sides were heard";
  if (c.host_heard) return "only the host was heard: split by line endings and by silence";
  if (c.module_heard) return "only the module was heard: split by silence, roles cannot be told";
  if (c.unknown_heard) return "which side spoke is not known: split by silence";
  return "nobody spoke";
}

std::string TimingMeaning(const Examination& e) {
  if (e.stamp_uncertainty <= Duration::Zero()) return "";
  std::string out = "  a time may be late by up to " + FormatDuration(e.stamp_uncertainty);
  if (e.turnaround.count() > 0 && e.turnaround.Median() < e.stamp_uncertainty * 2)
    out += "; the turnaround is hardly longer, so it says little";
  return out + "\n";
}

std::string BufferLines(const Examination& e) {
  const BufferFacts& b = e.buffer;
  std::string out;
  if (b.largest_reply > 0) {
    out += "  largest reply     " + std::to_string(b.largest_reply) + " bytes";
    out += b.largest_reply > b.size ? ": more than a " : ": fits into a ";
    out += std::to_string(b.size) + "-byte buffer\n";
  }
  if (b.fills_after > Duration::Zero()) {
    char text[160];
    std::snprintf(
        text, sizeof text,
        "  line              carries %.0f bytes a second; at full rate %zu bytes are full "
        "after ",
        b.bytes_per_second, b.size);
    out += text + FormatDuration(b.fills_after) + " of not reading\n";
    std::snprintf(text, sizeof text, "  busiest second    %.0f %% of the line",
                  100 * b.busiest_share);
    out += text;
    // A second's worth may be read a little late, not a quarter more than a line carries.
    out += b.busiest_share > 1.25 ? ": more than it carries, so its rate is another\n" : "\n";
  }
  return out;
}

}  // namespace

std::string PlotText(const Distribution& distribution, std::size_t width) {
  const auto bins = distribution.Octaves();
  std::uint64_t most = 0;
  for (const auto& bin : bins) most = std::max(most, bin.count);
  if (most == 0 || distribution.count() < 5) return "";
  std::string out;
  for (const auto& bin : bins) {
    const std::size_t bar =
        bin.count == 0
            ? 0
            : std::max<std::size_t>(1, static_cast<std::size_t>(static_cast<double>(bin.count) *
                                                                static_cast<double>(width) /
                                                                static_cast<double>(most)));
    out += "      < " + Padded(FormatDuration(bin.to), 9) + " ";
    for (std::size_t i = 0; i < bar; ++i) out += "\u2588";
    if (bin.count > 0) out += " " + std::to_string(bin.count);
    out += "\n";
  }
  return out;
}

std::string SegmentLine(const Segment& s) {
  char head[64];
  std::snprintf(head, sizeof head, "%14s  %-11s ", FormatInstant(s.from).c_str(),
                SegmentKindName(s.kind));
  std::string out = head;
  if (s.kind == SegmentKind::kSilence) {
    out += FormatDuration(s.to - s.from);
    return out + "\n";
  }
  if (s.bytes.empty()) return out + "\n";
  out += Shown(s.bytes);
  const std::string protocol = ProtocolOf(s);
  if (!protocol.empty()) out += "  [" + SafeName(protocol) + "]";
  out += "\n                ";
  out += SurenessName(s.sure);
  if (*s.kind_why != 0) out += std::string(": ") + s.kind_why;
  const std::string why = WhyEnded(s);
  if (!why.empty()) out += "; ended: " + why;
  return out + "\n";
}

std::string ExchangeLine(const Exchange& e) {
  std::string out = "  " + Shown(e.command.bytes);
  if (e.replies.empty()) return out + "  ->  no answer\n";
  Bytes all;
  for (const Segment& reply : e.replies) all += reply.bytes;
  out += "  ->  " + Shown(all);
  if (e.turnaround) out += "  after " + FormatDuration(*e.turnaround);
  if (e.echo) out += ", echoed";
  if (!e.unsolicited.empty()) out += ", an unasked line inside";
  return out + "\n";
}

std::string ExaminationText(const Examination& e) {
  const Conventions& c = e.conventions;
  std::string out = "\nWays of this line\n";
  out += "  " + SidesLine(c) + "\n";
  out += "  " + std::to_string(e.bytes[1]) + " bytes of the host, " + std::to_string(e.bytes[2]) +
         " of the module";
  if (e.bytes[0] > 0) out += ", " + std::to_string(e.bytes[0]) + " of either";
  out += ", in " + FormatDuration(e.length) + "\n";
  out +=
      "  a silence is longer than " + FormatDuration(c.silence.value) + ": " + c.silence.why + "\n";
  if (c.framing != Framing::kNone)
    out += std::string("  frames of ") + FramingName(c.framing) + " were recognised\n";
  if (c.result_codes) out += "  replies end with a result code (V.250)\n";
  if (!c.answer_ends.empty() && !c.result_codes) {
    out += "  replies end with:";
    for (const Bytes& end : c.answer_ends) out += " " + SafeTextWithEnding(end);
    out += "\n";
  }
  if (c.one_line_replies) out += "  each reply is one line\n";
  for (const auto& [mark, what] :
       {std::pair{Bytes(c.command_mark_times, c.command_mark), "commands"},
        std::pair{Bytes(1, c.answer_mark), "replies"}})
    if (mark[0] != 0) out += std::string("  ") + what + " end with " + SafeText(mark) + "\n";
  if (c.echo) out += "  the module echoes commands\n";
  if (!c.unasked_heads.empty()) {
    out += "  said unasked:";
    for (const Bytes& head : c.unasked_heads) out += " " + SafeText(head);
    out += "\n";
  }
  out += "  " + std::to_string(e.exchanges) + " commands, " + std::to_string(e.unanswered) +
         " without an answer";
  for (const SegmentKind kind :
       {SegmentKind::kUnsolicited, SegmentKind::kBanner, SegmentKind::kData, SegmentKind::kGap})
    if (e.segments[static_cast<std::size_t>(kind)] > 0)
      out += ", " + std::to_string(e.segments[static_cast<std::size_t>(kind)]) + " " +
             SegmentKindName(kind);
  out += "\n";

  const std::string endings =
      EndingsLine("commands", e.command_endings) + EndingsLine("replies", e.reply_endings);
  if (!endings.empty()) out += "\nLine endings\n" + endings;

  if (e.turnaround.count() > 0 || e.pause_in_reply.count() > 0) {
    out += "\nTiming\n";
    out += DistributionLine("turnaround", e.turnaround) + PlotText(e.turnaround);
    out += DistributionLine("pause in a reply", e.pause_in_reply) + PlotText(e.pause_in_reply);
    out += DistributionLine("between exchanges", e.between_exchanges);
    out += PlotText(e.between_exchanges);
    out += TimingMeaning(e);
  }
  const std::string buffer = BufferLines(e);
  if (!buffer.empty()) out += "\nReceive buffer\n" + buffer;

  out += "\nFindings\n";
  if (e.findings.empty()) out += "  nothing that needs care\n";
  for (const Finding& finding : e.findings) {
    out += "  " + finding.title + " (" + finding.detail + ")\n";
    for (const Evidence& evidence : finding.evidence)
      out += "      at " + FormatInstant(evidence.at) + "  " + evidence.shown + "\n";
    out += "    so: " + finding.consequence + "\n";
    out += "    do: " + finding.advice + "\n";
  }
  return out;
}

}  // namespace witness
