#include "capture/examine/line_tally.h"

#include <algorithm>

#include "capture/base/text.h"

namespace witness {
namespace {

constexpr std::size_t kMostEvidence = 3;

struct LineName {
  std::uint32_t bit;
  const char* name;
};
constexpr LineName kLines[] = {{kRts, "RTS"}, {kCts, "CTS"}, {kDtr, "DTR"},
                               {kDsr, "DSR"}, {kDcd, "DCD"}, {kRi, "RI"}};

std::string Times(std::uint64_t n) { return n == 1 ? "once" : std::to_string(n) + " times"; }

std::string CountOf(std::uint64_t n, const char* what) {
  return std::to_string(n) + " " + what + (n == 1 ? "" : "s");
}

void Join(std::string& out, const std::string& more) {
  if (!out.empty()) out += ", ";
  out += more;
}

}  // namespace

void LineTally::Note(Finding& finding, const Event& event, std::uint64_t segment,
                     const std::string& shown) {
  ++finding.count;
  if (finding.evidence.size() < kMostEvidence)
    finding.evidence.push_back({segment, event.at, shown});
}

void LineTally::Take(const Event& event, std::uint64_t segment) {
  switch (event.kind) {
    case EventKind::kBadByte:
      Note(errors_, event, segment, SafeText(event.bytes) + " came with an error");
      break;
    case EventKind::kBreak:
      ++(event.side == Side::kHost ? breaks_of_host_ : breaks_of_module_);
      Note(breaks_, event, segment, "break");
      break;
    case EventKind::kLineChange: {
      std::string shown;
      for (const LineName& line : kLines) {
        if ((event.changed & line.bit) == 0) continue;
        ++changed_[line.bit];
        Join(shown, line.name + std::string((event.lines & line.bit) != 0 ? " on" : " off"));
      }
      if (!shown.empty()) Note(changes_, event, segment, shown);
      break;
    }
    case EventKind::kErrorCounts:
      counted_.framing += event.counts.framing;
      counted_.parity += event.counts.parity;
      break;
    default:
      break;
  }
}

void LineTally::Put(std::map<std::string, Finding, std::less<>>& found, bool wrong_rate) const {
  const std::uint64_t counted = std::uint64_t{counted_.framing} + counted_.parity;
  if (!wrong_rate && errors_.count + counted > 0) {
    Finding finding = errors_;
    finding.name = "bytes-with-errors";
    finding.count = std::max(finding.count, counted);
    if (errors_.count > 0) finding.detail = CountOf(errors_.count, "byte") + " marked";
    if (counted_.framing > 0)
      Join(finding.detail, CountOf(counted_.framing, "framing error") + " counted");
    if (counted_.parity > 0)
      Join(finding.detail, CountOf(counted_.parity, "parity error") + " counted");
    found[finding.name] = std::move(finding);
  }
  if (breaks_.count > 0) {
    Finding finding = breaks_;
    finding.name = "breaks";
    if (breaks_of_host_ > 0) Join(finding.detail, Times(breaks_of_host_) + " from the host");
    if (breaks_of_module_ > 0)
      Join(finding.detail,
           Times(breaks_of_module_) + (breaks_of_host_ > 0 ? " from the module" : ""));
    found[finding.name] = std::move(finding);
  }
  if (changes_.count > 0) {
    Finding finding = changes_;
    finding.name = "lines-changed";
    for (const LineName& line : kLines)
      if (const auto at = changed_.find(line.bit); at != changed_.end())
        Join(finding.detail, line.name + std::string(" ") + Times(at->second));
    found[finding.name] = std::move(finding);
  }
}

}  // namespace witness
