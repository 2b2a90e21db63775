#include "capture/show/redact/sentence_checksum.h"

namespace witness::redact {
namespace {

// Longer ones are none: the standard allows 82 characters, makers go beyond it.
constexpr std::size_t kLongestSentence = 512;

bool IsDigit(char c, unsigned value) {
  return c == "0123456789ABCDEF"[value] || c == "0123456789abcdef"[value];
}
char Digit(char like, unsigned value) {
  return (like >= 'a' && like <= 'f' ? "0123456789abcdef" : "0123456789ABCDEF")[value];
}

}  // namespace

bool SentenceChecksum::Fit(ByteView was, Bytes& now) {
  bool fitted = false;
  for (std::size_t i = 0; i < was.size(); ++i) {
    const char c = was[i];
    if (c == '$' || c == '!') {
      at_ = At::kInside;
      was_ = now_ = 0;
      size_ = 0;
      continue;
    }
    switch (at_) {
      case At::kOutside:
        break;
      case At::kInside:
        if (c == '*') {
          at_ = was_ == now_ ? At::kOutside : At::kFirstDigit;
        } else if (c == '\r' || c == '\n' || ++size_ > kLongestSentence) {
          at_ = At::kOutside;
        } else {
          was_ ^= static_cast<std::uint8_t>(c);
          now_ ^= static_cast<std::uint8_t>(now[i]);
        }
        break;
      case At::kFirstDigit:
      case At::kSecondDigit: {
        const int shift = at_ == At::kFirstDigit ? 4 : 0;
        at_ = At::kOutside;
        // Of one that was wrong nothing is changed: that is evidence.
        if (!IsDigit(c, was_ >> shift & 15u)) break;
        now[i] = Digit(c, now_ >> shift & 15u);
        if (shift == 4) at_ = At::kSecondDigit;
        fitted = true;
        break;
      }
    }
  }
  return fitted;
}

}  // namespace witness::redact
