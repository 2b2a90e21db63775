#include "capture/show/redact/stand_ins.h"

#include <algorithm>
#include <string_view>

namespace witness::redact {
namespace {

constexpr std::size_t kMostSecrets = 500'000;  // a week of positions
constexpr std::size_t kMostBytes = std::size_t{16} << 20;
// None that sets a frame or a field apart.
constexpr std::string_view kFillers = "#~%_@^&|";

}  // namespace

Result<std::uint32_t> Secrets::Put(ByteView bytes, std::size_t rule, bool as_hex) {
  const Bytes folded = Folded(bytes);
  const auto [at, added] = numbers_.try_emplace(folded, static_cast<std::uint32_t>(all_.size()));
  if (added) {
    bytes_ += folded.size();
    if (all_.size() >= kMostSecrets || bytes_ > kMostBytes)
      return Status(Code::kInvalidArgument,
                    "more than " + std::to_string(kMostSecrets) +
                        " different secrets, or too long ones; say more exactly what is one");
    all_.push_back({folded, rule, as_hex});
  }
  return at->second;
}

std::optional<std::uint32_t> Secrets::NumberOf(ByteView bytes) const {
  const auto at = numbers_.find(Folded(bytes));
  return at == numbers_.end() ? std::nullopt : std::optional(at->second);
}

void Secrets::Seen(ByteView bytes) {
  for (const char c : bytes) seen_[static_cast<unsigned char>(c)] = true;
}

Needles Secrets::MakeNeedles() const {
  Needles needles;
  for (std::uint32_t i = 0; i < all_.size(); ++i)
    if (all_[i].bytes.size() >= kShortestNeedle) needles.Add(all_[i].bytes, i);
  // Behind them: what is a secret itself keeps its own number.
  for (std::uint32_t i = 0; i < all_.size(); ++i)
    if (all_[i].as_hex && all_[i].bytes.size() >= kShortestNeedle)
      needles.Add(ToHex(all_[i].bytes), i);
  needles.Build();
  return needles;
}

void Secrets::ChooseFiller() {
  std::array<bool, 256> used = {};
  for (const Secret& secret : all_) {
    for (const char c : secret.bytes) used[static_cast<unsigned char>(c)] = true;
    for (const char c : ToHex(secret.bytes)) used[static_cast<unsigned char>(c)] = true;
  }
  const auto choose = [&](const auto& fits) {
    for (const char c : kFillers)
      if (fits(static_cast<unsigned char>(c))) return filler_ = c, true;
    for (int c = '!'; c < 127; ++c)
      if (std::isalnum(c) == 0 && c != '"' && c != '\'' && c != '\\' &&
          fits(static_cast<unsigned char>(c)))
        return filler_ = static_cast<char>(c), true;
    for (int c = 128; c < 256; ++c)
      if (fits(static_cast<unsigned char>(c))) return filler_ = static_cast<char>(c), true;
    return false;
  };
  // Best one that nobody said: a stand-in is then never mistaken for something said.
  if (!choose([&](unsigned char c) { return !used[c] && !seen_[c]; }))
    choose([&](unsigned char c) { return !used[c]; });
}

Bytes Secrets::StandIn(std::uint32_t secret, std::size_t size) const {
  Bytes out(size, filler_);
  const std::string number = std::to_string(secret + 1);
  // A filler at both ends: nothing beside it can make a secret with it.
  if (number.size() + 2 <= size) out.replace(1, number.size(), number);
  return out;
}

}  // namespace witness::redact
