#include "capture/examine/finder.h"

#include <re2/re2.h>

#include <utility>

namespace witness {
namespace {

constexpr std::size_t kSearchEvery = 64u << 10;

}  // namespace

class Finder::Pattern {
 public:
  explicit Pattern(Bytes bytes) : bytes_(std::move(bytes)) {}
  explicit Pattern(std::unique_ptr<RE2> expression) : expression_(std::move(expression)) {}

  // How many bytes behind a place may matter for whether something begins there.
  std::size_t reach() const { return expression_ ? kLongestMatch : bytes_.size(); }

  // First match at or behind `from`; false: none.
  bool Find(ByteView text, std::size_t from, std::size_t& at, std::size_t& size) const {
    if (!expression_) {
      at = text.find(bytes_, from);
      size = bytes_.size();
      return at != ByteView::npos;
    }
    re2::StringPiece match;
    while (from <= text.size()) {
      if (!expression_->Match(re2::StringPiece(text.data(), text.size()), from, text.size(),
                              RE2::UNANCHORED, &match, 1))
        return false;
      at = static_cast<std::size_t>(match.data() - text.data());
      size = match.size();
      if (size > 0) return true;
      from = at + 1;  // an empty match says nothing
    }
    return false;
  }

 private:
  Bytes bytes_;
  std::unique_ptr<RE2> expression_;
};

Finder::Finder(std::unique_ptr<Pattern> pattern, Sink sink)
    : pattern_(std::move(pattern)), sink_(std::move(sink)) {}
Finder::~Finder() = default;

Result<std::unique_ptr<Finder>> Finder::ForBytes(ByteView bytes, Sink sink) {
  if (bytes.empty()) return Status(Code::kInvalidArgument, "there is nothing to find");
  return std::unique_ptr<Finder>(
      new Finder(std::make_unique<Pattern>(Bytes(bytes)), std::move(sink)));
}

Result<std::unique_ptr<Finder>> Finder::ForExpression(const std::string& expression, Sink sink) {
  if (expression.empty()) return Status(Code::kInvalidArgument, "there is nothing to find");
  RE2::Options options;
  options.set_encoding(RE2::Options::EncodingLatin1);
  options.set_log_errors(false);
  options.set_dot_nl(false);
  auto compiled = std::make_unique<RE2>(expression, options);
  if (!compiled->ok())
    return Status(Code::kInvalidArgument, "not a regular expression: " + compiled->error());
  return std::unique_ptr<Finder>(
      new Finder(std::make_unique<Pattern>(std::move(compiled)), std::move(sink)));
}

void Finder::Search(Lane& lane, Side side, bool all) {
  const std::size_t reach = pattern_->reach();
  // Behind this place more bytes could change what is found.
  const std::size_t limit =
      all ? lane.bytes.size() : lane.bytes.size() - std::min(lane.bytes.size(), reach - 1);
  std::size_t at = 0, size = 0;
  while (lane.searched < limit && pattern_->Find(lane.bytes, lane.searched, at, size)) {
    if (at >= limit) break;
    Match match;
    match.side = side;
    match.bytes = lane.bytes.substr(at, std::min(size, kLongestMatch));
    for (const Piece& piece : lane.pieces) {
      if (piece.start > at) break;
      match.at = piece.at;
      match.event = piece.event;
      match.offset = piece.offset + (at - piece.start);
    }
    sink_(match);
    lane.searched = at + size;
  }
  lane.searched = std::max(lane.searched, limit);
  // Forget what is done.
  const std::size_t done = std::min(lane.searched, lane.bytes.size());
  lane.bytes.erase(0, done);
  lane.searched -= done;
  while (lane.pieces.size() > 1 && lane.pieces[1].start <= done) lane.pieces.pop_front();
  for (Piece& piece : lane.pieces) {
    if (piece.start >= done) {
      piece.start -= done;
    } else {
      piece.offset += done - piece.start;
      piece.start = 0;
    }
  }
  if (lane.bytes.empty()) lane.pieces.clear();
}

void Finder::Take(const Event& event, std::uint64_t index) {
  if (event.kind == EventKind::kGap) {
    Finish();
    return;
  }
  if (event.kind != EventKind::kBytes && event.kind != EventKind::kBadByte) return;
  if (event.bytes.empty()) return;
  Lane& lane = lanes_[static_cast<std::size_t>(event.side)];
  lane.pieces.push_back({lane.bytes.size(), event.at, index, 0});
  lane.bytes += event.bytes;
  if (lane.bytes.size() >= kSearchEvery + pattern_->reach()) Search(lane, event.side, false);
}

void Finder::Finish() {
  for (const Side side : {Side::kUnknown, Side::kHost, Side::kModule})
    Search(lanes_[static_cast<std::size_t>(side)], side, true);
}

}  // namespace witness
