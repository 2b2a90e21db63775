// The kinds of secrets that bytes on a line may hold.
#pragma once

#include <cstddef>
#include <cstdint>

namespace witness {

enum class SecretKind : std::uint8_t {
  kKey = 0,
  kPin = 1,
  kPassword = 2,
  kAddress = 3,   // of a device, a network node or a mailbox; IMEI, IMSI, ICCID, EUI
  kPosition = 4,  // latitude and longitude
  kNumber = 5,    // telephone number
};
constexpr std::size_t kSecretKinds = 6;
const char* SecretKindName(SecretKind kind);  // "key"

}  // namespace witness
