// Finding bytes in a conversation, across reads: events in, matches out.
#pragma once

#include <cstdint>
#include <deque>
#include <functional>
#include <memory>
#include <string>

#include "capture/base/result.h"
#include "capture/store/event.h"

namespace witness {

struct Match {
  Instant at;  // stamp of the event with its first byte
  Side side = Side::kUnknown;
  std::uint64_t event = 0;  // index in the capture
  std::size_t offset = 0;   // of its first byte within that event
  Bytes bytes;
};

class Finder {
 public:
  using Sink = std::function<void(const Match& match)>;

  // Exactly these bytes; not empty.
  static Result<std::unique_ptr<Finder>> ForBytes(ByteView bytes, Sink sink);
  // RE2 syntax over bytes (Latin-1). A match is at most kLongestMatch bytes long.
  static Result<std::unique_ptr<Finder>> ForExpression(const std::string& expression, Sink sink);
  static constexpr std::size_t kLongestMatch = 4096;

  ~Finder();
  // Matches do not reach across a gap.
  void Take(const Event& event, std::uint64_t index);
  void Finish();

 private:
  class Pattern;
  struct Piece {
    std::size_t start;  // in `bytes` of the lane
    Instant at;
    std::uint64_t event;
    std::size_t offset;
  };
  struct Lane {
    Bytes bytes;
    std::deque<Piece> pieces;
    std::size_t searched = 0;  // nothing begins before this any more
  };

  Finder(std::unique_ptr<Pattern> pattern, Sink sink);
  void Search(Lane& lane, Side side, bool all);

  std::unique_ptr<Pattern> pattern_;
  Sink sink_;
  Lane lanes_[3];
};

}  // namespace witness
