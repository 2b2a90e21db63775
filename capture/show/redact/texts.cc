#include "capture/show/redact/texts.h"

#include <algorithm>

namespace witness::redact {

std::string Texts::Cleaned(ByteView text, std::vector<RedactReport::Secret>* counts) const {
  if (text.empty()) return {};
  NeedleSearch search(needles_);
  search.Take(text);
  std::vector<Span> spans = std::move(search.spans());
  rules_.FindIn(text, [&](const Found& found) {
    rules_.EachSecret(found, [&](ByteView value) {
      if (const auto number = secrets_.NumberOf(value))
        spans.push_back({static_cast<std::uint64_t>(value.data() - text.data()),
                         static_cast<std::uint32_t>(value.size()), *number, false});
    });
  });
  Disjoin(spans);
  std::string out(text);
  for (const Span& span : spans) {
    out.replace(static_cast<std::size_t>(span.from), span.size, secrets_.StandInFor(span));
    if (counts != nullptr) ++(*counts)[span.value].texts;
  }
  return WithoutNames(std::move(out));
}

std::string Texts::Scrubbed(ByteView text) const {
  NeedleSearch search(needles_);
  search.Take(text);
  std::vector<Span> spans = std::move(search.spans());
  Disjoin(spans);
  std::string out(text);
  for (const Span& span : spans)
    out.replace(static_cast<std::size_t>(span.from), span.size, secrets_.StandInFor(span));
  return WithoutNames(std::move(out));
}

bool Texts::Holds(ByteView text) const {
  NeedleSearch search(needles_);
  search.Take(text);
  return !search.spans().empty();
}

std::string Texts::WithoutNames(std::string text) const {
  for (const auto& [name, instead] : names_)
    for (std::size_t at = text.find(name); at != std::string::npos;
         at = text.find(name, at + instead.size()))
      text.replace(at, name.size(), instead);
  return text;
}

void Texts::Clean(CaptureInfo& info, bool anonymous, std::vector<RedactReport::Secret>& counts,
                  std::vector<std::string>& taken_out) {
  if (anonymous) {
    const auto took = [&](const char* what) {
      if (std::find(taken_out.begin(), taken_out.end(), what) == taken_out.end())
        taken_out.emplace_back(what);
    };
    if (!info.host_name.empty()) {
      took("host name");
      if (info.host_name.size() >= kShortestNeedle) names_.push_back({info.host_name, "this host"});
      info.host_name.clear();
    }
    for (std::size_t i = 0; i < info.taps.size(); ++i) {
      Tap& tap = info.taps[i];
      if (!tap.port.empty()) {
        took("names of ports");
        const std::string instead = "port " + std::to_string(i + 1);
        // A plain word may be said of other things too.
        if (tap.port.find_first_of("/:") != std::string::npos)
          names_.push_back({tap.port, instead});
        tap.port = instead;
      }
      if (!tap.adapter.serial_number.empty()) {
        took("serial numbers");
        tap.adapter.serial_number.clear();
      }
    }
    // Longer names first: one may hold another.
    std::sort(names_.begin(), names_.end(),
              [](const auto& a, const auto& b) { return a.first.size() > b.first.size(); });
  }
  const auto clean = [&](std::string& text) { text = Cleaned(text, &counts); };
  clean(info.title);
  clean(info.host_name);
  clean(info.tool);
  for (Tap& tap : info.taps) {
    clean(tap.port);
    clean(tap.adapter.description);
    clean(tap.adapter.driver);
    clean(tap.adapter.serial_number);
  }
}

}  // namespace witness::redact
