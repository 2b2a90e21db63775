// What takes the place of secrets: as long as what it stands for, the same for the same secret,
// and of no use to anybody.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <unordered_map>
#include <vector>

#include "capture/base/result.h"
#include "capture/show/redact/needles.h"

namespace witness::redact {

// Shorter ones are replaced where a rule finds them, and not looked for elsewhere: "1" is
// everywhere.
inline constexpr std::size_t kShortestNeedle = 4;

// All secrets of one file, numbered from 0.
class Secrets {
 public:
  struct Secret {
    Bytes bytes;  // folded
    std::size_t rule = 0;
    bool as_hex = true;  // to be looked for as hexadecimal text too
  };
  // Capital and small letters are the same. kInvalidArgument: more than can be kept.
  Result<std::uint32_t> Put(ByteView bytes, std::size_t rule, bool as_hex = true);
  // Bytes that the capture holds; a stand-in is made of one that it does not hold, if there is one.
  void Seen(ByteView bytes);

  // Behind the last Put: what is to be looked for, as it is and as hexadecimal text.
  Needles MakeNeedles() const;
  // A printable character that is in no secret, if there is one.
  void ChooseFiller();
  char filler() const { return filler_; }

  // "#1#######" for secret 0 in 9 bytes; fillers only where the number does not fit.
  Bytes StandIn(std::uint32_t secret, std::size_t size) const;

  // Fillers only for a part of one.
  Bytes StandInFor(const Span& span) const {
    return span.part ? Bytes(span.size, filler_) : StandIn(span.value, span.size);
  }

  std::optional<std::uint32_t> NumberOf(ByteView bytes) const;
  const std::vector<Secret>& all() const { return all_; }

 private:
  std::vector<Secret> all_;
  std::unordered_map<Bytes, std::uint32_t> numbers_;
  std::size_t bytes_ = 0;
  std::array<bool, 256> seen_ = {};
  char filler_ = '#';
};

}  // namespace witness::redact
