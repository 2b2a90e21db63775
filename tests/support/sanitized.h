// Whether this is a build with the address sanitizer. It looks for what is done wrong, not for how
// often an answer is right: there a long table need not be gone through to its end.
#pragma once

#include <cstddef>
#include <span>

namespace witness {

#if defined(__SANITIZE_ADDRESS__)
inline constexpr bool kSanitized = true;
#elif defined(__has_feature)
#if __has_feature(address_sanitizer)
inline constexpr bool kSanitized = true;
#else
inline constexpr bool kSanitized = false;
#endif
#else
inline constexpr bool kSanitized = false;
#endif

// All of `cases`; with the sanitizer the first `few`.
template <typename Case>
std::span<const Case> Enough(std::span<const Case> cases, std::size_t few) {
  return kSanitized && cases.size() > few ? cases.first(few) : cases;
}

}  // namespace witness
