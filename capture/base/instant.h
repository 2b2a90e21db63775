// Time: nanoseconds in an int64, wrapped so that a length is not taken for a moment.
//
// An Instant counts from the moment the capture (or trial) began, on a monotonic clock: real,
// virtual or an emulator's. 2^63 ns are 292 years. Arithmetic saturates at the ends instead of
// overflowing, since times may come from a hostile file.
#pragma once

#include <compare>
#include <cstdint>
#include <limits>

namespace witness {

class Duration {
 public:
  constexpr Duration() = default;
  static constexpr Duration Nanoseconds(std::int64_t n) { return Duration(n); }
  static constexpr Duration Microseconds(std::int64_t n) { return Scaled(n, 1'000); }
  static constexpr Duration Milliseconds(std::int64_t n) { return Scaled(n, 1'000'000); }
  static constexpr Duration Seconds(std::int64_t n) { return Scaled(n, 1'000'000'000); }
  static constexpr Duration Zero() { return Duration(0); }
  static constexpr Duration Max() { return Duration(std::numeric_limits<std::int64_t>::max()); }

  constexpr std::int64_t ns() const { return ns_; }
  constexpr double seconds() const { return static_cast<double>(ns_) * 1e-9; }
  constexpr double milliseconds() const { return static_cast<double>(ns_) * 1e-6; }

  constexpr auto operator<=>(const Duration&) const = default;

  friend constexpr Duration operator+(Duration a, Duration b) {
    return Duration(SaturatingAdd(a.ns_, b.ns_));
  }
  friend constexpr Duration operator-(Duration a, Duration b) {
    return Duration(SaturatingSubtract(a.ns_, b.ns_));
  }
  friend constexpr Duration operator*(Duration a, std::int64_t k) { return Scaled(a.ns_, k); }
  friend constexpr Duration operator/(Duration a, std::int64_t k) { return Duration(a.ns_ / k); }

  static constexpr std::int64_t SaturatingAdd(std::int64_t a, std::int64_t b) {
    std::int64_t r = 0;
    if (!__builtin_add_overflow(a, b, &r)) return r;
    return a > 0 ? std::numeric_limits<std::int64_t>::max()
                 : std::numeric_limits<std::int64_t>::min();
  }
  static constexpr std::int64_t SaturatingSubtract(std::int64_t a, std::int64_t b) {
    std::int64_t r = 0;
    if (!__builtin_sub_overflow(a, b, &r)) return r;
    return b < 0 ? std::numeric_limits<std::int64_t>::max()
                 : std::numeric_limits<std::int64_t>::min();
  }

 private:
  constexpr explicit Duration(std::int64_t ns) : ns_(ns) {}
  static constexpr Duration Scaled(std::int64_t n, std::int64_t k) {
    std::int64_t r = 0;
    if (!__builtin_mul_overflow(n, k, &r)) return Duration(r);
    return Duration((n < 0) == (k < 0) ? std::numeric_limits<std::int64_t>::max()
                                       : std::numeric_limits<std::int64_t>::min());
  }
  std::int64_t ns_ = 0;
};

class Instant {
 public:
  constexpr Instant() = default;
  static constexpr Instant FromNanoseconds(std::int64_t ns) { return Instant(ns); }
  static constexpr Instant Never() { return Instant(std::numeric_limits<std::int64_t>::max()); }

  constexpr std::int64_t ns() const { return ns_; }
  constexpr double seconds() const { return static_cast<double>(ns_) * 1e-9; }
  constexpr bool never() const { return ns_ == std::numeric_limits<std::int64_t>::max(); }

  constexpr auto operator<=>(const Instant&) const = default;

  friend constexpr Instant operator+(Instant a, Duration d) {
    return Instant(Duration::SaturatingAdd(a.ns_, d.ns()));
  }
  friend constexpr Instant operator-(Instant a, Duration d) {
    return Instant(Duration::SaturatingSubtract(a.ns_, d.ns()));
  }
  friend constexpr Duration operator-(Instant a, Instant b) {
    return Duration::Nanoseconds(Duration::SaturatingSubtract(a.ns_, b.ns_));
  }

 private:
  constexpr explicit Instant(std::int64_t ns) : ns_(ns) {}
  std::int64_t ns_ = 0;
};

}  // namespace witness
