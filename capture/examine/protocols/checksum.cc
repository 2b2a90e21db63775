#include "capture/examine/protocols/checksum.h"

#include <algorithm>
#include <cctype>

namespace witness {
namespace {

std::uint64_t Reflect(std::uint64_t value, int width) {
  std::uint64_t out = 0;
  for (int i = 0; i < width; ++i)
    if (((value >> i) & 1) != 0) out |= std::uint64_t{1} << (width - 1 - i);
  return out;
}

std::uint64_t Sum8(ByteView data) {
  std::uint64_t sum = 0;
  for (const char c : data) sum += static_cast<unsigned char>(c);
  return sum & 0xff;
}
std::uint64_t Sum16(ByteView data) {
  std::uint64_t sum = 0;
  for (const char c : data) sum += static_cast<unsigned char>(c);
  return sum & 0xffff;
}
std::uint64_t Xor8(ByteView data) {
  std::uint64_t sum = 0;
  for (const char c : data) sum ^= static_cast<unsigned char>(c);
  return sum;
}
// Two's complement of the sum: Modbus over Serial Line V1.02, 2.5.2.2.
std::uint64_t Lrc8(ByteView data) { return (0x100 - Sum8(data)) & 0xff; }
std::uint64_t SumInverted8(ByteView data) { return ~Sum8(data) & 0xff; }
// RFC 1145 with modulus 255 and 256.
std::uint64_t Fletcher16(ByteView data) {
  std::uint64_t a = 0, b = 0;
  for (const char c : data) {
    a = (a + static_cast<unsigned char>(c)) % 255;
    b = (b + a) % 255;
  }
  return (b << 8) | a;
}
std::uint64_t Fletcher8Bit256(ByteView data) {
  std::uint64_t a = 0, b = 0;
  for (const char c : data) {
    a = (a + static_cast<unsigned char>(c)) & 0xff;
    b = (b + a) & 0xff;
  }
  return (b << 8) | a;
}
// RFC 1950 clause 9.
std::uint64_t Adler32(ByteView data) {
  std::uint64_t a = 1, b = 0;
  for (const char c : data) {
    a = (a + static_cast<unsigned char>(c)) % 65521;
    b = (b + a) % 65521;
  }
  return (b << 16) | a;
}

}  // namespace

std::uint64_t ComputeCrc(const CrcModel& model, ByteView data) {
  const std::uint64_t mask =
      model.width == 64 ? ~std::uint64_t{0} : (std::uint64_t{1} << model.width) - 1;
  std::uint64_t value = model.initial & mask;
  if (model.reflect_in) {
    const std::uint64_t polynomial = Reflect(model.polynomial, model.width);
    value = Reflect(value, model.width);
    for (const char c : data) {
      value ^= static_cast<unsigned char>(c);
      for (int bit = 0; bit < 8; ++bit)
        value = (value & 1) != 0 ? (value >> 1) ^ polynomial : value >> 1;
    }
    if (!model.reflect_out) value = Reflect(value, model.width);
  } else {
    const std::uint64_t top = std::uint64_t{1} << (model.width - 1);
    for (const char c : data) {
      value ^= static_cast<std::uint64_t>(static_cast<unsigned char>(c)) << (model.width - 8);
      for (int bit = 0; bit < 8; ++bit)
        value = ((value & top) != 0 ? (value << 1) ^ model.polynomial : value << 1) & mask;
    }
    if (model.reflect_out) value = Reflect(value, model.width);
  }
  return (value ^ model.xor_out) & mask;
}

std::uint64_t Checksum::Of(ByteView data) const {
  return crc != nullptr ? ComputeCrc(*crc, data) : sum(data);
}

const std::vector<Checksum>& AllChecksums() {
  static const std::vector<Checksum> all = [] {
    std::vector<Checksum> out;
    for (const CrcModel& model : CrcCatalogue())
      out.push_back({model.name, model.width / 8, &model, nullptr});
    out.push_back({"SUM-8", 1, nullptr, Sum8});
    out.push_back({"SUM-8/INVERTED", 1, nullptr, SumInverted8});
    out.push_back({"LRC-8", 1, nullptr, Lrc8});
    out.push_back({"XOR-8", 1, nullptr, Xor8});
    out.push_back({"SUM-16", 2, nullptr, Sum16});
    out.push_back({"FLETCHER-16", 2, nullptr, Fletcher16});
    out.push_back({"FLETCHER-16/256", 2, nullptr, Fletcher8Bit256});
    out.push_back({"ADLER-32", 4, nullptr, Adler32});
    return out;
  }();
  return all;
}

const Checksum* FindChecksum(std::string_view name) {
  const auto same = [&](std::string_view other) {
    return std::equal(name.begin(), name.end(), other.begin(), other.end(), [](char a, char b) {
      return std::toupper(static_cast<unsigned char>(a)) ==
             std::toupper(static_cast<unsigned char>(b));
    });
  };
  for (const Checksum& checksum : AllChecksums())
    if (same(checksum.name)) return &checksum;
  return nullptr;
}

std::uint64_t NumberFrom(ByteView bytes, bool big_endian) {
  std::uint64_t value = 0;
  for (std::size_t i = 0; i < bytes.size(); ++i) {
    const std::size_t at = big_endian ? i : bytes.size() - 1 - i;
    value = (value << 8) | static_cast<unsigned char>(bytes[at]);
  }
  return value;
}

}  // namespace witness
