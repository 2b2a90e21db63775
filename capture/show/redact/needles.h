// Finding many byte runs at once in a stream (Aho and Corasick, Communications of the ACM 18 (1975)
// 333). Capital and small ASCII letters count as the same.
#pragma once

#include <cstdint>
#include <map>
#include <unordered_map>
#include <vector>

#include "capture/base/bytes.h"

namespace witness::redact {

inline unsigned char Folded(char c) {
  const auto b = static_cast<unsigned char>(c);
  return b >= 'A' && b <= 'Z' ? static_cast<unsigned char>(b + 32) : b;
}
Bytes Folded(ByteView bytes);

class Needles {
 public:
  // A stream's state between two bytes; 0 at its beginning.
  using State = std::uint32_t;

  Needles();
  // `value` is what a hit tells; the first one given for the same bytes stays. Not empty.
  void Add(ByteView needle, std::uint32_t value);
  // To be called once, behind the last Add and before the first Step.
  void Build();
  bool empty() const { return nodes_.size() == 1; }

  State Step(State state, char byte) const;
  // The longest needle that ends with the byte just taken; size 0: none.
  struct Hit {
    std::size_t size = 0;
    std::uint32_t value = 0;
  };
  Hit Ended(State state) const { return nodes_[state].hit; }
  // How many of the last bytes are the beginning of a needle, and of which.
  Hit Begun(State state) const { return {nodes_[state].depth, nodes_[state].owner}; }

 private:
  struct Node {
    std::uint32_t back = 0;  // the longest proper suffix that some needle begins with
    std::uint32_t depth = 0;
    std::uint32_t owner = 0;  // value of a needle that passes here
    Hit hit;
  };
  static std::uint64_t Key(State node, unsigned char byte) {
    return std::uint64_t{node} << 8 | byte;
  }

  std::vector<Node> nodes_;
  std::unordered_map<std::uint64_t, State> next_;
  State from_root_[256] = {};
};

// A run of bytes and what it is called.
struct Span {
  std::uint64_t from = 0;
  std::uint32_t size = 0;
  std::uint32_t value = 0;
  bool part = false;  // only the beginning or the end of it
};

// Sorts, and takes away what lies within another; of what overlaps, the later one's rest is a part.
void Disjoin(std::vector<Span>& spans);

// One stream of bytes searched: spans in order, none within another.
class NeedleSearch {
 public:
  explicit NeedleSearch(const Needles& needles) : needles_(needles) {}
  void Take(ByteView bytes);
  // Bytes may be missing here, or it ends: what was begun counts if it is `least` bytes or more.
  void Torn(std::size_t least);
  std::vector<Span>& spans() { return spans_; }
  std::uint64_t taken() const { return taken_; }

 private:
  void Put(const Span& span);
  const Needles& needles_;
  Needles::State state_ = 0;
  std::uint64_t taken_ = 0;
  std::vector<Span> spans_;
};

}  // namespace witness::redact
