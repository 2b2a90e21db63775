#include "capture/show/exhibit/short_form.h"

#include <algorithm>
#include <vector>

#include "capture/base/text.h"
#include "capture/base/version.h"
#include "capture/examine/examination.h"
#include "capture/show/account.h"
#include "capture/show/exhibit/sections.h"
#include "capture/store/file_digest.h"

namespace witness {
namespace {

constexpr Duration kBefore = Duration::Milliseconds(500);

// A name inside a line of Markdown: everything that could be read as markup is escaped.
std::string MarkdownName(std::string_view hostile) {
  std::string out;
  for (const char c : SafeName(hostile)) {
    if (std::string_view("\\`*_{}[]()<>#+-.!|~&@:\"'").find(c) != std::string_view::npos)
      out += '\\';
    out += c;
  }
  return out;
}

struct Fact {
  std::string what;
  std::string value;  // hostile
};

std::vector<Fact> FactsOf(const CaptureInfo& info, const Examination& e, const std::string& name,
                          const std::string& heard, const std::string& digest) {
  std::vector<Fact> out;
  out.push_back({"capture", name});
  if (!info.title.empty()) out.push_back({"title", info.title});
  if (!heard.empty()) out.push_back({"part", heard});
  const std::string when = page::WallClock(info.began_unix_ns);
  if (!when.empty()) out.push_back({"began", when});
  out.push_back({"how", page::OriginWords(info.origin)});
  for (const Tap& tap : info.taps) {
    std::string value = tap.port;
    if (tap.got.baud != 0) value += ", " + FormatLineSettings(tap.got);
    if (!tap.adapter.description.empty()) value += ", " + tap.adapter.description;
    if (!tap.adapter.driver.empty()) value += ", driver " + tap.adapter.driver;
    out.push_back(
        {tap.hears == Side::kUnknown ? "port" : std::string("port of the ") + SideName(tap.hears),
         value});
  }
  out.push_back({"clock", page::ClockWords(info)});
  out.push_back({"contents", std::to_string(e.events) + " events in " + FormatDuration(e.length) +
                                 ", " + std::to_string(e.exchanges) + " commands, " +
                                 std::to_string(e.unanswered) + " without an answer"});
  if (e.turnaround.count() > 0)
    out.push_back({"turnaround", "median " + FormatDuration(e.turnaround.Median()) + ", most " +
                                     FormatDuration(e.turnaround.max())});
  if (info.redacted) out.push_back({"redacted", "yes: secrets were replaced by stand-ins"});
  out.push_back({"SHA-256", digest});
  return out;
}

}  // namespace

Result<ShortForm> MakeShortForm(const std::string& path, const std::string& name,
                                const ShortFormOptions& options) {
  const auto digest = DigestOfFile(path);
  if (!digest.ok()) return digest.status();
  auto reader = CaptureReader::Open(path, options.of);
  if (!reader.ok()) return reader.status();
  ExamineOptions examine;
  examine.segmenter = OptionsFor((*reader)->info());
  const auto e = Examine(**reader, examine);
  if (!e.ok()) return e.status();
  ShortForm out;
  ReaderOptions reading = options.of;
  const bool asked = options.from > Instant() || !options.to.never();
  if (asked) {
    reading.from = options.from;
    reading.to = options.to;
  }
  for (const Finding& finding : e->findings) {
    if (finding.name == "secret") out.secrets = finding.detail;
    if (!asked && reading.from == options.of.from && finding.name != "secret" &&
        !finding.evidence.empty() && finding.evidence[0].at - kBefore > options.of.from)
      reading.from = finding.evidence[0].at - kBefore;
  }

  std::vector<std::string> lines;
  bool more = false;
  std::size_t longest_ticks = 2;
  {
    auto again = CaptureReader::Open(path, reading);
    if (!again.ok()) return again.status();
    AccountOptions looks;
    looks.silence = e->conventions.silence.value;
    Account account(looks, [&](std::string_view line) {
      if (lines.size() >= options.most_lines) {
        more = true;
        return;
      }
      std::size_t ticks = 0;
      for (const char c : line) {
        ticks = c == '`' ? ticks + 1 : 0;
        longest_ticks = std::max(longest_ticks, ticks);
      }
      lines.emplace_back(line);
    });
    Event event;
    while (!more) {
      const auto outcome = (*again)->Next(event);
      if (outcome == CaptureReader::Outcome::kFailed) return (*again)->status();
      if (outcome == CaptureReader::Outcome::kEnd) {
        account.Finish();
        break;
      }
      account.Take(event);
    }
  }

  const CaptureInfo& info = (*reader)->info();
  const auto facts = FactsOf(info, *e, name, options.heard, digest->sha256);
  std::string& text = out.text;
  const std::string legend =
      "Host and module are the two sides; times are in seconds. \u240D is CR, \u240A is LF, "
      "\u2205 says that no line ending came.";
  if (options.as == ShortFormAs::kMarkdown) {
    text += "| | |\n|---|---|\n";
    for (const Fact& fact : facts)
      text += "| " + fact.what + " | " + MarkdownName(fact.value) + " |\n";
    // Longer than any run of ticks in it: nothing inside can end the block.
    const std::string fence(longest_ticks + 1, '`');
    text += "\n" + fence + "text\n";
    for (const std::string& line : lines) text += line;
    text += fence + "\n";
    if (more) text += "\nMore follows in the capture.\n";
    text += "\n" + legend + "\n";
    if (!e->findings.empty()) text += "\n";
    for (const Finding& finding : e->findings)
      text += "- **" + MarkdownName(finding.title) + "** (" + MarkdownName(finding.detail) + "). " +
              MarkdownName(finding.consequence) + "\n";
  } else {
    for (const Fact& fact : facts) {
      std::string what = fact.what;
      what.resize(std::max<std::size_t>(what.size(), 20), ' ');
      text += what + SafeName(fact.value) + "\n";
    }
    text += "\n";
    for (const std::string& line : lines) text += line;
    if (more) text += "                (more follows in the capture)\n";
    text += "\n" + legend + "\n";
    if (!e->findings.empty()) text += "\n";
    for (const Finding& finding : e->findings)
      text += "- " + finding.title + " (" + SafeName(finding.detail) + "). " + finding.consequence +
              "\n";
  }
  text += "\nMade by bytewitness " + std::string(kToolVersion) + ".\n";
  return out;
}

}  // namespace witness
