#include "capture/base/base64.h"

#include <array>
#include <cstdint>

namespace witness {
namespace {

constexpr char kAlphabet[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";

constexpr std::array<std::int8_t, 256> Values() {
  std::array<std::int8_t, 256> values{};
  for (auto& v : values) v = -1;
  for (int i = 0; i < 64; ++i)
    values[static_cast<unsigned char>(kAlphabet[i])] = static_cast<std::int8_t>(i);
  return values;
}
constexpr auto kValues = Values();

}  // namespace

std::string ToBase64(ByteView bytes) {
  std::string out;
  out.reserve((bytes.size() + 2) / 3 * 4);
  for (std::size_t i = 0; i < bytes.size(); i += 3) {
    const auto at = [&](std::size_t k) {
      return i + k < bytes.size() ? std::uint32_t{static_cast<std::uint8_t>(bytes[i + k])} : 0u;
    };
    const std::uint32_t three = at(0) << 16 | at(1) << 8 | at(2);
    out += kAlphabet[three >> 18];
    out += kAlphabet[three >> 12 & 63];
    out += i + 1 < bytes.size() ? kAlphabet[three >> 6 & 63] : '=';
    out += i + 2 < bytes.size() ? kAlphabet[three & 63] : '=';
  }
  return out;
}

Result<Bytes> FromBase64(std::string_view text) {
  const auto wrong = [](std::size_t at) {
    return Status(Code::kDamaged, "no base64 at character " + std::to_string(at));
  };
  if (text.size() % 4 != 0) return wrong(text.size());
  Bytes out;
  out.reserve(text.size() / 4 * 3);
  for (std::size_t i = 0; i < text.size(); i += 4) {
    const bool last = i + 4 == text.size();
    const int padding = !last || text[i + 3] != '=' ? 0 : text[i + 2] == '=' ? 2 : 1;
    std::uint32_t three = 0;
    for (std::size_t k = 0; k < 4; ++k) {
      const int v =
          static_cast<int>(k) >= 4 - padding ? 0 : kValues[static_cast<unsigned char>(text[i + k])];
      if (v < 0) return wrong(i + k);
      three = three << 6 | static_cast<std::uint32_t>(v);
    }
    out += static_cast<char>(three >> 16);
    if (padding < 2) out += static_cast<char>(three >> 8);
    if (padding < 1) out += static_cast<char>(three);
  }
  return out;
}

}  // namespace witness
