#include "capture/show/redact/secret_rules.h"

#include <re2/re2.h>

#include <algorithm>
#include <deque>

#include "capture/base/text.h"
#include "capture/examine/tape.h"
#include "capture/show/redact/needles.h"

namespace witness::redact {
namespace {

constexpr std::size_t kSearchEvery = std::size_t{1} << 20;
constexpr std::size_t kLongestTyped = 256;
constexpr std::size_t kReach = 2 * kLongestMatch;

bool EndsLine(char c) { return c == '\r' || c == '\n' || c == '\0'; }

}  // namespace

class SecretRules::Impl {
 public:
  struct Pattern {
    std::unique_ptr<RE2> expression;
    int groups = 0;
  };
  std::vector<Pattern> patterns;
  std::vector<Bytes> values_of;  // folded

  // Matches that begin in [from, limit); `whole` gets the size of each whole match.
  template <typename Take>
  void Match(std::size_t rule, ByteView text, std::size_t from, std::size_t limit,
             const Take& take) const {
    const Pattern& pattern = patterns[rule];
    std::vector<re2::StringPiece> groups(static_cast<std::size_t>(pattern.groups) + 1);
    while (from < limit) {
      if (!pattern.expression->Match(re2::StringPiece(text.data(), text.size()), from, text.size(),
                                     RE2::UNANCHORED, groups.data(), pattern.groups + 1))
        return;
      const auto at = static_cast<std::size_t>(groups[0].data() - text.data());
      if (at >= limit) return;
      const std::size_t size = groups[0].size();
      const std::size_t first = pattern.groups > 0 ? 1 : 0;
      for (std::size_t i = first; i < groups.size(); ++i) {
        if (groups[i].data() == nullptr || groups[i].empty()) continue;
        take(static_cast<std::size_t>(groups[i].data() - text.data()), groups[i].size(), at, size);
      }
      from = at + std::max<std::size_t>(size, 1);
    }
  }
};

SecretRules::SecretRules(std::unique_ptr<Impl> impl) : impl_(std::move(impl)) {}
SecretRules::~SecretRules() = default;

Result<std::unique_ptr<SecretRules>> SecretRules::Make(const std::vector<std::string>& patterns,
                                                       const std::vector<Bytes>& values_of) {
  auto impl = std::make_unique<Impl>();
  std::vector<std::string> names;
  for (const std::string& pattern : patterns) {
    RE2::Options options;
    options.set_encoding(RE2::Options::EncodingLatin1);
    options.set_log_errors(false);
    Impl::Pattern compiled;
    compiled.expression = std::make_unique<RE2>(pattern, options);
    if (!compiled.expression->ok())
      return Status(Code::kInvalidArgument,
                    "--pattern: not a regular expression: " + compiled.expression->error());
    if (RE2::FullMatch("", *compiled.expression))
      return Status(Code::kInvalidArgument,
                    "--pattern: matches what is empty; say at least one character");
    compiled.groups = compiled.expression->NumberOfCapturingGroups();
    impl->patterns.push_back(std::move(compiled));
    // The expression may hold the secret itself.
    names.push_back(patterns.size() == 1
                        ? "matches --pattern"
                        : "matches --pattern no. " + std::to_string(names.size() + 1));
  }
  for (const Bytes& value_of : values_of) {
    if (value_of.empty())
      return Status(Code::kInvalidArgument, "--value-of: say what stands in front of the value");
    impl->values_of.push_back(Folded(value_of));
    names.push_back("value of " + SafeText(value_of));
  }
  auto rules = std::unique_ptr<SecretRules>(new SecretRules(std::move(impl)));
  names.push_back("serial number of an adapter");
  for (std::size_t kind = 0; kind < kSecretKinds; ++kind)
    names.push_back(std::string("found: ") + SecretKindName(static_cast<SecretKind>(kind)));
  rules->names_ = std::move(names);
  return rules;
}

void SecretRules::EachSecret(const Found& found,
                             const std::function<void(ByteView secret)>& take) const {
  ByteView value = found.bytes;
  const std::size_t values = impl_->patterns.size();
  if (found.rule < values || found.rule >= values + impl_->values_of.size()) return take(value);
  const auto trim = [](ByteView text) {
    while (!text.empty() && text.front() == ' ') text.remove_prefix(1);
    while (!text.empty() && text.back() == ' ') text.remove_suffix(1);
    if (text.size() >= 2 && (text.front() == '"' || text.front() == '\'') &&
        text.back() == text.front())
      text = text.substr(1, text.size() - 2);
    return text;
  };
  value = trim(value);
  if (value.empty() || value == "?") return;  // asked, not told
  take(value);
  if (value.find(',') == ByteView::npos) return;
  for (std::size_t from = 0; from <= value.size();) {
    const std::size_t to = std::min(value.find(',', from), value.size());
    if (const ByteView part = trim(value.substr(from, to - from)); part.size() >= 4) take(part);
    from = to + 1;
  }
}

void SecretRules::FindIn(ByteView text, const FoundSink& sink) const {
  Found found;
  for (std::size_t i = 0; i < impl_->patterns.size(); ++i) {
    found.rule = i;
    impl_->Match(i, text, 0, text.size(),
                 [&](std::size_t at, std::size_t size, std::size_t, std::size_t) {
                   found.from = at;
                   found.bytes = text.substr(at, size);
                   sink(found);
                 });
  }
  const Bytes folded = Folded(text);
  for (std::size_t i = 0; i < impl_->values_of.size(); ++i) {
    const Bytes& head = impl_->values_of[i];
    found.rule = impl_->patterns.size() + i;
    for (std::size_t at = folded.find(head); at != Bytes::npos; at = folded.find(head, at + 1)) {
      const std::size_t from = at + head.size();
      std::size_t to = from;
      while (to < text.size() && !EndsLine(text[to])) ++to;
      found.from = from;
      found.bytes = text.substr(from, to - from);
      if (!found.bytes.empty()) sink(found);
    }
  }
}

struct LaneRules::Lane {
  Bytes bytes;
  std::uint64_t base = 0;          // of bytes[0], in all that this side said
  std::size_t searched = 0;        // nothing begins before this any more
  std::deque<std::uint64_t> cuts;  // something new may begin here
  Bytes last;                      // what it said last
  Bytes others;                    // what others said since; a little of it
};

LaneRules::LaneRules(const SecretRules& rules, const Ways& ways, FoundSink sink)
    : rules_(rules), ways_(ways), sink_(std::move(sink)) {
  for (auto& lane : lanes_) lane = std::make_unique<Lane>();
}
LaneRules::~LaneRules() = default;

void LaneRules::Take(const Event& event) {
  if (event.kind != EventKind::kBytes && event.kind != EventKind::kBadByte) return;
  if (event.bytes.empty()) return;
  Lane& lane = *lanes_[static_cast<std::size_t>(event.side)];
  const bool pause = anybody_ && IdleBefore(last_any_, event.at, event.bytes.size(),
                                            ways_.character_time) > ways_.silence;
  // What others said since is no turn if it is this side's echo, or if this is theirs.
  bool turn = false;
  if (!lane.others.empty()) {
    const bool echoed = ByteView(lane.last).substr(0, lane.others.size()) == lane.others;
    turn = !echoed && ByteView(lane.others).substr(0, event.bytes.size()) != event.bytes;
    lane.last.erase(0, echoed ? lane.others.size() : lane.last.size());
  }
  if (pause || turn) lane.cuts.push_back(lane.base + lane.bytes.size());
  lane.others.clear();
  lane.last += event.bytes;
  for (const auto& other : lanes_)
    if (other.get() != &lane && other->others.size() < 4096) other->others += event.bytes;
  anybody_ = true;
  last_any_ = event.at;
  lane.bytes += event.bytes;
  if (lane.last.size() > 8192) lane.last.erase(0, lane.last.size() - 4096);
  if (lane.bytes.size() >= kSearchEvery + kReach) Search(event.side, false);
}

void LaneRules::Patterns(Lane& lane, Side side, std::size_t limit, bool all) {
  for (std::size_t i = 0; i < rules_.impl_->patterns.size(); ++i)
    rules_.impl_->Match(
        i, lane.bytes, lane.searched, limit,
        [&](std::size_t at, std::size_t size, std::size_t match, std::size_t match_size) {
          const bool to_the_end = !all && match + match_size == lane.bytes.size();
          if (match_size > kLongestMatch || to_the_end) {
            status_ = Status(Code::kInvalidArgument,
                             "--pattern: a match of more than " + FormatSize(kLongestMatch) +
                                 "; write it so that it finds the secret alone");
            return;
          }
          sink_({side, lane.base + at, ByteView(lane.bytes).substr(at, size), i});
        });
}

void LaneRules::Values(Lane& lane, Side side, std::size_t limit) {
  const Bytes folded = Folded(lane.bytes);
  for (std::size_t i = 0; i < rules_.impl_->values_of.size(); ++i) {
    const Bytes& head = rules_.impl_->values_of[i];
    const std::size_t rule = rules_.impl_->patterns.size() + i;
    for (std::size_t at = folded.find(head, lane.searched); at < limit;
         at = folded.find(head, at + 1)) {
      const std::size_t from = at + head.size();
      std::size_t to = from;
      while (to < lane.bytes.size() && to - from < kLongestValue && !EndsLine(lane.bytes[to])) ++to;
      // Where silence or an answer lies between, the value may have ended there.
      const auto cut = std::upper_bound(lane.cuts.begin(), lane.cuts.end(), lane.base + from);
      std::size_t before_cut = to;
      if (cut != lane.cuts.end() && *cut < lane.base + to)
        before_cut = static_cast<std::size_t>(*cut - lane.base);
      const bool ended = to < lane.bytes.size() && EndsLine(lane.bytes[to]);
      // Rather too much than the rest of a secret left: it was typed with pauses.
      const bool whole =
          ended && (ways_.terminated[static_cast<std::size_t>(side)] || to - from <= kLongestTyped);
      if (before_cut < to)
        sink_({side, lane.base + from, ByteView(lane.bytes).substr(from, before_cut - from), rule});
      if ((whole || before_cut == to) && to > from)
        sink_({side, lane.base + from, ByteView(lane.bytes).substr(from, to - from), rule});
    }
  }
}

void LaneRules::Search(Side side, bool all) {
  Lane& lane = *lanes_[static_cast<std::size_t>(side)];
  // Behind this place more bytes could change what is found.
  const std::size_t limit =
      all ? lane.bytes.size() : lane.bytes.size() - std::min(lane.bytes.size(), kReach);
  if (lane.searched >= limit) return;
  Patterns(lane, side, limit, all);
  Values(lane, side, limit);
  lane.searched = limit;
  // One byte is kept in front, so that an expression's ^ does not match in the middle.
  const std::size_t done = limit - std::min<std::size_t>(limit, 1);
  lane.bytes.erase(0, done);
  lane.base += done;
  lane.searched -= done;
  while (!lane.cuts.empty() && lane.cuts.front() < lane.base) lane.cuts.pop_front();
}

Status LaneRules::Finish() {
  for (const Side side : {Side::kUnknown, Side::kHost, Side::kModule}) Search(side, true);
  return status_;
}

}  // namespace witness::redact
