// What the first answer to each command was, of the first so many commands: quickly found, or
// quickly found missing.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <cstring>
#include <utility>
#include <vector>

#include "capture/base/bytes.h"

namespace witness {

class KeptAnswers {
 public:
  static constexpr std::size_t kMost = 512;

  bool full() const { return all_.size() == kMost; }
  // Of what is kept; 0: nothing is.
  std::size_t longest() const { return longest_; }
  // nullptr: none is kept.
  const Bytes* Find(ByteView command) const {
    for (std::size_t at = PlaceOf(command); places_[at] != 0; at = (at + 1) % kPlaces) {
      const auto& [known, answer] = all_[places_[at] - 1u];
      if (known == command) return &answer;
    }
    return nullptr;
  }
  // Calls `each(command, answer)` for all.
  template <typename Each>
  void ForAll(const Each& each) const {
    for (const auto& [command, answer] : all_) each(command, answer);
  }
  // Of a command that has none, while not full().
  void Keep(ByteView command, ByteView answer) {
    all_.emplace_back(command, answer);
    if (answer.size() > longest_) longest_ = answer.size();
    std::size_t at = PlaceOf(command);
    while (places_[at] != 0) at = (at + 1) % kPlaces;
    places_[at] = static_cast<std::uint16_t>(all_.size());
  }

 private:
  static constexpr std::size_t kPlaces = 4096;

  // Of the first bytes and the last: commands differ there.
  static std::size_t PlaceOf(ByteView command) {
    std::uint64_t head = 0, tail = 0;
    const std::size_t n = command.size() < sizeof head ? command.size() : sizeof head;
    std::memcpy(&head, command.data(), n);
    std::memcpy(&tail, command.data() + command.size() - n, n);
    head = (head ^ command.size()) * 0x9E3779B97F4A7C15 + tail * 0xC2B2AE3D27D4EB4F;
    return (head >> 40 ^ head >> 24) % kPlaces;
  }

  std::vector<std::pair<Bytes, Bytes>> all_;
  std::array<std::uint16_t, kPlaces> places_ = {};  // 1 + the place in all_; 0: none
  std::size_t longest_ = 0;
};

}  // namespace witness
