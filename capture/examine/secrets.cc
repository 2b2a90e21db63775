#include "capture/examine/secrets.h"

#include <algorithm>
#include <cctype>

#include "capture/examine/protocols/v250.h"

namespace witness {
namespace {

constexpr std::size_t kShortestKnown = 4;  // a shorter value would be found everywhere

}  // namespace

bool LooksLikeStandIn(ByteView bytes) {
  if (bytes.empty() || std::isalnum(static_cast<unsigned char>(bytes[0])) != 0) return false;
  std::size_t at = 1;
  while (at < bytes.size() && bytes[at] >= '0' && bytes[at] <= '9') ++at;
  return bytes.find_first_not_of(bytes[0], at) == ByteView::npos;
}

const char* SecretKindName(SecretKind kind) {
  switch (kind) {
    case SecretKind::kKey:
      return "key";
    case SecretKind::kPin:
      return "PIN";
    case SecretKind::kPassword:
      return "password";
    case SecretKind::kAddress:
      return "address";
    case SecretKind::kPosition:
      return "position";
    case SecretKind::kNumber:
      return "telephone number";
  }
  return "key";
}

std::vector<EventRange> RangesOf(const Segment& segment, std::size_t from, std::size_t size) {
  std::vector<EventRange> out;
  const std::size_t to = from + size;
  std::size_t start = 0, offset = segment.first_offset;
  for (const SegmentPiece& piece : segment.pieces) {
    const std::size_t a = std::max(from, start), b = std::min(to, start + piece.size);
    if (a < b) out.push_back({piece.event, offset + (a - start), b - a});
    start += piece.size;
    offset = 0;
    if (start >= to) break;
  }
  return out;
}

void SecretFinder::FindAnswer(ByteView bytes) {
  std::size_t at = 0;
  while ((at = bytes.find_first_not_of("\r\n", at)) != ByteView::npos) {
    const std::size_t end = std::min(bytes.find_first_of("\r\n", at), bytes.size());
    const ByteView line = bytes.substr(at, end - at);
    if (!v250::IsFinalResultCode(line) && line.size() >= 3)
      found_.push_back({asked_kind_, at, line.size()});
    at = end;
  }
}

void SecretFinder::FindKnown(ByteView bytes) {
  for (const auto& [value, kind] : known_) {
    for (std::size_t at = 0; (at = bytes.find(value, at)) != ByteView::npos; at += value.size()) {
      const std::size_t end = at + value.size();
      const bool there = std::any_of(found_.begin(), found_.end(), [&](const Secret& s) {
        return at < s.from + s.size && s.from < end;
      });
      if (!there) found_.push_back({kind, at, value.size()});
    }
  }
}

void SecretFinder::Take(const Segment& segment) {
  if (segment.bytes.empty()) return;
  const ByteView bytes = segment.bytes;
  const Content& content = segment.content;
  if (segment.kind == SegmentKind::kCommand) {
    const auto asked = content.sought ? content.asked : AskedFor(bytes);
    asked_turn_ = asked ? segment.turn : 0;
    if (asked) asked_kind_ = *asked;
  }
  found_.clear();
  if (!content.sought || content.secret) FindSecrets(bytes, SpeaksAsHost(segment), found_);
  if (segment.kind == SegmentKind::kReply && asked_turn_ != 0 && segment.turn == asked_turn_ &&
      found_.empty())
    FindAnswer(bytes);
  FindKnown(bytes);
  if (found_.empty()) return;
  std::sort(found_.begin(), found_.end(),
            [](const Secret& a, const Secret& b) { return a.from < b.from; });
  for (const Secret& secret : found_) {
    const bool remembered = secret.kind == SecretKind::kKey || secret.kind == SecretKind::kPin ||
                            secret.kind == SecretKind::kPassword;
    if (remembered && secret.size >= kShortestKnown && known_.size() < kMostKnown)
      known_.emplace(bytes.substr(secret.from, secret.size), secret.kind);
    sink_(segment, secret);
  }
}

}  // namespace witness
