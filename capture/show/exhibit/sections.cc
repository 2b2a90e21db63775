#include "capture/show/exhibit/sections.h"

#include <algorithm>
#include <cstdio>
#include <ctime>

#include "capture/base/text.h"
#include "capture/show/exhibit/html.h"

namespace witness::page {
namespace {

std::string Row(std::string_view what, const std::string& html) {
  return "<tr><th scope=\"row\">" + Text(what) + "</th><td>" + html + "</td></tr>\n";
}

std::string Id(const char* what, std::size_t number) {
  return std::string(what) + "-" + std::to_string(number);
}

std::string Heading(int level, const std::string& id, const char* words) {
  const std::string tag = "h" + std::to_string(level);
  return "<" + tag + " class=\"minor\" id=\"" + id + "\">" + words + "</" + tag + ">\n";
}

// Our own words; what stands between backticks is what one types.
std::string WithCommands(std::string_view words) {
  std::string out;
  bool code = false;
  for (std::size_t at = 0; at <= words.size();) {
    const std::size_t tick = std::min(words.find('`', at), words.size());
    const std::string part = Text(words.substr(at, tick - at));
    out += code ? "<code>" + part + "</code>" : part;
    code = !code;
    at = tick + 1;
  }
  return out;
}

std::string TapWords(const Tap& tap) {
  std::string out = "<code>" + Name(tap.port) + "</code>";
  if (tap.got.baud != 0) {
    out += ", " + Text(FormatLineSettings(tap.got));
    if (tap.asked.baud != 0 && !(tap.asked == tap.got))
      out += " (asked for: " + Text(FormatLineSettings(tap.asked)) + ")";
  } else {
    // Nobody asked for one where it is not known: an import, a capture of `listen`.
    out += tap.asked.baud != 0 ? ", a line with no rate of its own" : ", at a rate not known";
  }
  const AdapterFacts& a = tap.adapter;
  std::string adapter;
  const auto add = [&](const std::string& words) {
    adapter += (adapter.empty() ? "" : ", ") + words;
  };
  if (!a.description.empty()) add(Name(a.description));
  if (a.usb_vendor >= 0 && a.usb_product >= 0) {
    char ids[32];
    std::snprintf(ids, sizeof ids, "USB %04x:%04x", static_cast<unsigned>(a.usb_vendor) & 0xFFFFu,
                  static_cast<unsigned>(a.usb_product) & 0xFFFFu);
    add(ids);
  }
  if (!a.serial_number.empty()) add("serial number <code>" + Name(a.serial_number) + "</code>");
  if (!a.driver.empty()) add("driver <code>" + Name(a.driver) + "</code>");
  if (a.latency_timer_ms >= 0)
    add("may hold bytes back for " + std::to_string(a.latency_timer_ms) + " ms");
  if (!adapter.empty()) out += "<br>adapter: " + adapter;
  return out;
}

std::string EndingsRow(const char* what, const EndingTally& tally) {
  std::string out;
  const auto add = [&](std::uint64_t n, const char* name) {
    if (n > 0) out += (out.empty() ? "" : ", ") + std::to_string(n) + " " + name;
  };
  add(tally.none, "∅ none");
  add(tally.cr, "␍ CR");
  add(tally.lf, "␊ LF");
  add(tally.cr_lf, "␍␊ CR LF");
  add(tally.not_text, "not text");
  return out.empty() ? "" : Row(what, Text(out));
}

std::string State(const CaptureEnding& ending) {
  if (ending.closed_cleanly) return "closed in good order; all its checksums agree";
  if (ending.damaged) return "damaged: " + Name(ending.what);
  return "cut off: " + Name(ending.what.empty() ? "it was not closed" : ending.what);
}

std::string Plot(const char* title, const char* meaning, const Distribution& d) {
  if (d.count() == 0) return "";
  const auto bins = d.Octaves();
  std::uint64_t most = 1;
  for (const auto& bin : bins) most = std::max(most, bin.count);
  constexpr int kRow = 18;
  constexpr int kBarFrom = 106;
  constexpr int kBarMost = 140;
  // Of a long run of empty steps only that there is one is shown.
  std::vector<std::size_t> rows;
  for (std::size_t i = 0; i < bins.size(); ++i) {
    const bool empty = bins[i].count == 0;
    const bool was = i > 0 && bins[i - 1].count == 0;
    if (!empty || !was) rows.push_back(i);
  }
  const int height = static_cast<int>(rows.size()) * kRow + 4;
  std::string out = "<figure class=\"plot\"><figcaption><b>" + Text(title) + "</b> " +
                    Text(meaning) + "<br>" + Count(d.count(), "value") + ": least " +
                    Text(FormatDuration(d.min())) + ", median " + Text(FormatDuration(d.Median())) +
                    ", 95 % within " + Text(FormatDuration(d.Quantile(0.95))) + ", most " +
                    Text(FormatDuration(d.max())) + "</figcaption>\n";
  out += "<svg viewBox=\"0 0 300 " + std::to_string(height) + "\" role=\"img\" aria-label=\"" +
         Text(title) + ": how many in each doubling of time\">\n";
  int y = 0;
  for (const std::size_t row : rows) {
    const auto& bin = bins[row];
    const bool run = bin.count == 0 && row + 1 < bins.size() && bins[row + 1].count == 0;
    const int bar = bin.count == 0
                        ? 0
                        : std::max(2, static_cast<int>(static_cast<double>(bin.count) * kBarMost /
                                                       static_cast<double>(most)));
    out += "<text x=\"100\" y=\"" + std::to_string(y + 13) + "\" text-anchor=\"end\">" +
           (run ? std::string("none") : "&lt; " + Text(FormatDuration(bin.to))) +
           "</text><rect x=\"" + std::to_string(kBarFrom) + "\" y=\"" + std::to_string(y + 3) +
           "\" width=\"" + std::to_string(bar) + "\" height=\"12\"/>";
    if (bin.count > 0)
      out += "<text x=\"" + std::to_string(kBarFrom + bar + 5) + "\" y=\"" +
             std::to_string(y + 13) + "\">" + std::to_string(bin.count) + "</text>";
    out += "\n";
    y += kRow;
  }
  return out + "</svg></figure>\n";
}

}  // namespace

std::string Moment(Instant at, std::size_t number) {
  char target[64];
  std::snprintf(target, sizeof target, "%.9f", at.seconds());
  std::string link = "#t=" + std::string(target);
  if (number > 0) link += "&amp;c=" + std::to_string(number + 1);
  return "<a class=\"moment\" href=\"" + link + "\">" + Text(FormatInstant(at)) + "</a>";
}

std::string WallClock(std::int64_t unix_ns) {
  if (unix_ns == 0) return "";
  const auto seconds = static_cast<std::time_t>(
      unix_ns >= 0 ? unix_ns / 1'000'000'000 : (unix_ns - 999'999'999) / 1'000'000'000);
  std::tm utc{};
  if (::gmtime_r(&seconds, &utc) == nullptr) return "";
  char out[64];
  if (std::strftime(out, sizeof out, "%Y-%m-%d %H:%M:%S UTC", &utc) == 0) return "";
  return out;
}

std::string OriginWords(Origin origin) {
  switch (origin) {
    case Origin::kUnspecified:
      break;
    case Origin::kListen:
      return "listened to, sending nothing";
    case Origin::kBetween:
      return "recorded in between: every byte passed on, both sides seen";
    case Origin::kAsk:
      return "the recorder was the host and asked";
    case Origin::kImport:
      return "imported from another form";
    case Origin::kTrial:
      return "said in a trial: the module's side was played";
    case Origin::kMend:
      return "mended: what could be proven whole of a damaged capture";
    case Origin::kRedact:
      return "redacted copy of another capture";
    case Origin::kSurvey:
      return "the recorder was the host and surveyed the module";
  }
  return "not known";
}

std::string ClockWords(const CaptureInfo& info) {
  if (info.virtual_time) return "Times are an emulator's own and exact.";
  std::string out = "A time says when the recording computer read the bytes";
  if (info.stamp_uncertainty > Duration::Zero())
    return out + "; they may have crossed the wire up to " +
           FormatDuration(info.stamp_uncertainty) + " earlier.";
  return out + "; how much earlier they crossed the wire is not known.";
}

std::string RecordedSection(const CaptureFacts& facts, const ExhibitCapture& capture,
                            std::size_t number, int level) {
  const CaptureInfo& info = facts.info;
  const Examination& e = facts.examination;
  std::string out = "<section class=\"recorded\" aria-labelledby=\"" + Id("recorded", number) +
                    "\">\n" + Heading(level, Id("recorded", number), "What was recorded");
  if (info.redacted)
    out +=
        "<p class=\"notice\"><b>Redacted.</b> Secrets were replaced by stand-ins of the same "
        "length; a note in the record marks each place. Times are as they were.</p>\n";
  out += "<table class=\"facts\"><tbody>\n";
  out += Row("capture", "<code>" + Name(capture.name) + "</code>, " +
                            Text(FormatSize(facts.file_bytes)) + "; " + State(facts.ending));
  if (!info.title.empty()) out += Row("title", Name(info.title));
  out += Row("SHA-256", "<code class=\"digest\">" + Text(facts.sha256) + "</code>");
  if (capture.cut) {
    const auto& cut = *capture.cut;
    std::string words =
        "a part of <code>" + Name(cut.of) + "</code>, from " +
        Text(FormatInstant(Instant::FromNanoseconds(cut.from_ns))) + " to " +
        (cut.to_ns < 0 ? "its end" : Text(FormatInstant(Instant::FromNanoseconds(cut.to_ns)))) +
        "; the whole has the SHA-256 <code class=\"digest\">" + Text(cut.sha256) + "</code>";
    out += Row("part", words);
  }
  const std::string when = WallClock(info.began_unix_ns);
  if (!when.empty()) out += Row("began", Text(when));
  out += Row("how", Text(OriginWords(info.origin)));
  std::string by = Name(info.tool);
  if (!info.host_name.empty()) by += " on <code>" + Name(info.host_name) + "</code>";
  if (!by.empty()) out += Row("recorded by", by);
  for (const Tap& tap : info.taps)
    out += Row(
        tap.hears == Side::kUnknown ? "port" : std::string("port of the ") + SideName(tap.hears),
        TapWords(tap));
  out += Row("clock", Text(ClockWords(info)));
  std::string said =
      Count(e.bytes[1], "byte") + " of the host, " + Count(e.bytes[2], "byte") + " of the module";
  if (e.bytes[0] > 0) said += ", " + Count(e.bytes[0], "byte") + " of either";
  out += Row("contents",
             Text(Count(e.events, "event") + " in " + FormatDuration(e.length) + "; " + said));
  out += Row("exchanges",
             Text(Count(e.exchanges, "command") + ", " +
                  (e.unanswered == 0 ? "all answered"
                                     : std::to_string(e.unanswered) + " without an answer")));
  out += EndingsRow("commands end with", e.command_endings);
  out += EndingsRow("replies end with", e.reply_endings);
  const Conventions& c = e.conventions;
  std::string ways =
      "a silence is longer than " + FormatDuration(c.silence.value) + " (" + c.silence.why + ")";
  if (c.echo) ways += "; the module echoes commands";
  if (c.result_codes) ways += "; replies end with a V.250 result code";
  if (c.framing != Framing::kNone) ways += std::string("; frames of ") + FramingName(c.framing);
  out += Row("taken for granted", Text(SafeName(ways)));
  out += "</tbody></table>\n<p class=\"save\"><button type=\"button\" data-save=\"" +
         std::to_string(number) +
         "\">Save this capture</button> It is inside this page. <code>bytewitness verify</code> "
         "on the page checks it.</p>\n</section>\n";
  return out;
}

std::string FindingsSection(const CaptureFacts& facts, std::size_t number, int level) {
  const auto& findings = facts.examination.findings;
  std::string out = "<section class=\"findings\" aria-labelledby=\"" + Id("findings", number) +
                    "\">\n" + Heading(level, Id("findings", number), "Findings");
  if (findings.empty()) return out + "<p>Nothing that needs care.</p>\n</section>\n";
  out += "<ol>\n";
  for (const Finding& finding : findings) {
    out += "<li" + std::string(finding.name == "secret" ? " class=\"warning\"" : "") + "><b>" +
           Text(finding.title) + "</b> (" + Text(SafeName(finding.detail)) + "). " +
           Text(finding.consequence) + " <i>" + WithCommands(finding.advice) + "</i>";
    if (!finding.evidence.empty()) {
      out += "<ul class=\"evidence\">";
      for (const Evidence& evidence : finding.evidence)
        out += "<li>" + Moment(evidence.at, number) + " <code>" + Text(evidence.shown) +
               "</code></li>";
      out += "</ul>";
    }
    out += "</li>\n";
  }
  return out + "</ol>\n</section>\n";
}

std::string TimingSection(const CaptureFacts& facts, std::size_t number, int level) {
  const Examination& e = facts.examination;
  const std::string plots =
      Plot("Turnaround", "end of a command to the first byte of its reply.", e.turnaround) +
      Plot("Pause in a reply", "between its pieces.", e.pause_in_reply) +
      Plot("Between exchanges", "end of an answer to the next command.", e.between_exchanges);
  if (plots.empty()) return "";
  return "<section class=\"timing\" aria-labelledby=\"" + Id("timing", number) + "\">\n" +
         Heading(level, Id("timing", number), "How long things took") + "<div class=\"plots\">\n" +
         plots + "</div>\n</section>\n";
}

std::string ComparisonSection(const Comparison& comparison, const WholeConversation& first,
                              const WholeConversation& second) {
  constexpr std::size_t kMostShown = 200;
  std::string out =
      "<section aria-labelledby=\"compared\">\n<h2 id=\"compared\">What is answered "
      "otherwise</h2>\n<p>" +
      Count(comparison.same, "exchange is alike", "exchanges are alike") + ", " +
      Count(comparison.differences.size(), "differs", "differ") + ".";
  if (!first.complete || !second.complete) out += " Only the first 16 MB were compared.";
  out += "</p>\n";
  if (comparison.differences.empty()) return out + "</section>\n";
  out +=
      "<table class=\"compared\"><thead><tr><th scope=\"col\">command</th><th scope=\"col\">what "
      "differs</th><th scope=\"col\">first</th><th scope=\"col\">second</th></tr></thead><tbody>\n";
  const auto place = [](const WholeConversation& conversation, const std::optional<std::size_t>& i,
                        std::size_t number) {
    return i ? Moment(conversation.exchanges[*i].command.from, number) : std::string("not there");
  };
  std::size_t shown = 0;
  for (const Difference& d : comparison.differences) {
    if (shown++ == kMostShown) break;
    const Segment& command =
        d.first ? first.exchanges[*d.first].command : second.exchanges[*d.second].command;
    std::string what;
    for (const std::string& words : d.what) what += (what.empty() ? "" : "<br>") + Text(words);
    if (d.kind == Difference::Kind::kOnlyInFirst) what = "only in the first";
    if (d.kind == Difference::Kind::kOnlyInSecond) what = "only in the second";
    out += "<tr><td><code>" + Text(SafeTextWithEnding(ByteView(command.bytes).substr(0, 200))) +
           "</code></td><td>" + what + "</td><td>" + place(first, d.first, 0) + "</td><td>" +
           place(second, d.second, 1) + "</td></tr>\n";
  }
  out += "</tbody></table>\n";
  if (comparison.differences.size() > kMostShown)
    out += "<p>And " + std::to_string(comparison.differences.size() - kMostShown) +
           " more: <code>bytewitness compare</code> tells them all.</p>\n";
  return out + "</section>\n";
}

}  // namespace witness::page
