#include "capture/show/redact/needles.h"

#include <algorithm>
#include <queue>

namespace witness::redact {

Bytes Folded(ByteView bytes) {
  Bytes out(bytes);
  for (char& c : out) c = static_cast<char>(Folded(c));
  return out;
}

Needles::Needles() : nodes_(1) {}

void Needles::Add(ByteView needle, std::uint32_t value) {
  State at = 0;
  for (const char c : needle) {
    const auto [place, added] =
        next_.try_emplace(Key(at, Folded(c)), static_cast<State>(nodes_.size()));
    if (added) {
      Node node;
      node.depth = nodes_[at].depth + 1;
      node.owner = value;
      nodes_.push_back(node);
    }
    at = place->second;
  }
  if (nodes_[at].hit.size == 0) nodes_[at].hit = {needle.size(), value};
}

void Needles::Build() {
  std::vector<std::vector<std::pair<unsigned char, State>>> children(nodes_.size());
  for (const auto& [key, node] : next_)
    children[key >> 8].push_back({static_cast<unsigned char>(key & 0xff), node});
  std::queue<State> open;
  for (const auto& [byte, node] : children[0]) {
    from_root_[byte] = node;
    open.push(node);
  }
  while (!open.empty()) {
    const State parent = open.front();
    open.pop();
    for (const auto& [byte, node] : children[parent]) {
      nodes_[node].back = Step(nodes_[parent].back, static_cast<char>(byte));
      if (nodes_[node].hit.size == 0) nodes_[node].hit = nodes_[nodes_[node].back].hit;
      open.push(node);
    }
  }
}

Needles::State Needles::Step(State state, char byte) const {
  const unsigned char b = Folded(byte);
  for (; state != 0; state = nodes_[state].back)
    if (const auto to = next_.find(Key(state, b)); to != next_.end()) return to->second;
  return from_root_[b];
}

void Disjoin(std::vector<Span>& spans) {
  // The longer one first: it says what the place is.
  std::sort(spans.begin(), spans.end(), [](const Span& a, const Span& b) {
    return a.from != b.from ? a.from < b.from : a.size > b.size;
  });
  std::uint64_t covered = 0;
  std::size_t kept = 0;
  for (Span span : spans) {
    const std::uint64_t end = span.from + span.size;
    if (end <= covered) continue;
    if (span.from < covered)
      span = {covered, static_cast<std::uint32_t>(end - covered), span.value, true};
    covered = end;
    spans[kept++] = span;
  }
  spans.resize(kept);
}

void NeedleSearch::Put(const Span& span) {
  while (!spans_.empty() && spans_.back().from >= span.from) spans_.pop_back();
  if (!spans_.empty() && spans_.back().from + spans_.back().size >= span.from + span.size) return;
  spans_.push_back(span);
}

void NeedleSearch::Take(ByteView bytes) {
  for (const char byte : bytes) {
    state_ = needles_.Step(state_, byte);
    ++taken_;
    if (const Needles::Hit hit = needles_.Ended(state_); hit.size > 0)
      Put({taken_ - hit.size, static_cast<std::uint32_t>(hit.size), hit.value, false});
  }
}

void NeedleSearch::Torn(std::size_t least) {
  const Needles::Hit begun = needles_.Begun(state_);
  state_ = 0;
  if (begun.size >= least)
    Put({taken_ - begun.size, static_cast<std::uint32_t>(begun.size), begun.value, true});
}

}  // namespace witness::redact
