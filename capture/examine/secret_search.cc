#include "capture/examine/secret_search.h"

#include <algorithm>
#include <array>
#include <bit>
#include <cstring>
#include <optional>

#include "capture/examine/lines_of.h"
#include "capture/examine/sixteen.h"

namespace witness {
namespace {

constexpr std::size_t kLongestName = 24;

bool IsDigit(char c) { return c >= '0' && c <= '9'; }
bool IsLetter(char c) { return (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z'); }
constexpr std::array<bool, 256> kWord = [] {
  std::array<bool, 256> out{};
  for (unsigned c = 0; c < 256; ++c)
    out[c] = (c >= '0' && c <= '9') || (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z');
  return out;
}();
bool IsWord(char c) { return kWord[static_cast<unsigned char>(c)]; }
bool IsHex(char c) { return IsDigit(c) || (c >= 'A' && c <= 'F') || (c >= 'a' && c <= 'f'); }
char Lower(char c) { return c >= 'A' && c <= 'Z' ? static_cast<char>(c + 32) : c; }

struct Name {
  const char* name;
  SecretKind kind;
  bool whole;              // false: what ends so counts, too ("APPKEY")
  std::size_t least_size;  // a shorter value is something else ("PIN=13", "ADDR=17")
};

constexpr Name kNames[] = {
    {"key", SecretKind::kKey, false, 3},
    {"psk", SecretKind::kKey, false, 3},
    {"secret", SecretKind::kKey, false, 3},
    {"token", SecretKind::kKey, false, 3},
    {"pin", SecretKind::kPin, true, 4},
    {"cpin", SecretKind::kPin, true, 4},
    {"puk", SecretKind::kPin, true, 4},
    {"simpin", SecretKind::kPin, true, 4},
    {"pass", SecretKind::kPassword, true, 1},
    {"passwd", SecretKind::kPassword, false, 1},
    {"password", SecretKind::kPassword, false, 1},
    {"passphrase", SecretKind::kPassword, true, 1},
    {"passcode", SecretKind::kPassword, true, 1},
    {"pwd", SecretKind::kPassword, false, 1},
    {"mac", SecretKind::kAddress, true, 6},
    {"addr", SecretKind::kAddress, false, 6},
    {"address", SecretKind::kAddress, true, 6},
    {"eui", SecretKind::kAddress, false, 6},
    {"imei", SecretKind::kAddress, true, 6},
    {"imsi", SecretKind::kAddress, true, 6},
    {"iccid", SecretKind::kAddress, true, 6},
    {"lat", SecretKind::kPosition, true, 4},
    {"latitude", SecretKind::kPosition, true, 4},
    {"lon", SecretKind::kPosition, true, 4},
    {"lng", SecretKind::kPosition, true, 4},
    {"long", SecretKind::kPosition, true, 4},
    {"longitude", SecretKind::kPosition, true, 4},
};

constexpr std::uint32_t LastThree(const char* name) {
  std::size_t n = 0;
  while (name[n] != 0) ++n;
  return static_cast<std::uint32_t>(name[n - 3]) << 16 |
         static_cast<std::uint32_t>(name[n - 2]) << 8 | static_cast<std::uint32_t>(name[n - 1]);
}

// Whether any of the names ends with these two letters.
constexpr std::array<std::uint32_t, 32> kLastTwo = [] {
  std::array<std::uint32_t, 32> out{};
  for (const Name& name : kNames) {
    const std::uint32_t last = LastThree(name.name);
    out[last & 31] |= std::uint32_t{1} << ((last >> 8) & 31);
  }
  return out;
}();

const Name* FindName(ByteView word) {
  if (word.size() < 3 || word.size() > kLongestName) return nullptr;
  const std::size_t n = word.size();
  const auto low = [&](std::size_t i) { return static_cast<unsigned char>(word[i]) & 31u; };
  if ((kLastTwo[low(n - 1)] >> low(n - 2) & 1u) == 0) return nullptr;
  const auto last = static_cast<std::uint32_t>(Lower(word[n - 3])) << 16 |
                    static_cast<std::uint32_t>(Lower(word[n - 2])) << 8 |
                    static_cast<std::uint32_t>(Lower(word[n - 1]));
  for (const Name& name : kNames) {
    if (LastThree(name.name) != last) continue;
    const std::size_t size = std::strlen(name.name);
    if (size > n || (name.whole && size != n)) continue;
    const bool same = std::equal(word.end() - static_cast<std::ptrdiff_t>(size), word.end(),
                                 name.name, [](char a, char b) { return Lower(a) == b; });
    if (same) return &name;
  }
  return nullptr;
}

// Whether `text` can be a value of its sort.
bool IsValue(const Name& name, ByteView text) {
  if (text.size() < name.least_size) return false;
  const auto all = [&](auto&& fits) { return std::all_of(text.begin(), text.end(), fits); };
  switch (name.kind) {
    case SecretKind::kAddress:
      return all([](char c) { return IsHex(c) || c == ':' || c == '-' || c == '.'; });
    case SecretKind::kPosition:
      return text.find('.') != ByteView::npos && all([](char c) {
               return IsDigit(c) || c == '.' || c == '-' || c == '+' || c == ' ' || c == ',' ||
                      c == 'N' || c == 'S' || c == 'E' || c == 'W';
             });
    default:
      return true;
  }
}

// Where a value that begins at `at` ends: at the end of its line or quotation, or where another
// name with its value follows.
std::size_t EndOfValue(ByteView bytes, std::size_t at) {
  for (std::size_t i = at; i < bytes.size(); ++i) {
    const char c = bytes[i];
    if (c == '\r' || c == '\n' || c == '"' || c == '&') return i;
    if (c != ' ' && c != ',' && c != ';') continue;
    std::size_t k = i;
    while (k < bytes.size() && (bytes[k] == ' ' || bytes[k] == ',' || bytes[k] == ';')) ++k;
    if (k < bytes.size() && bytes[k] == '"') return i;
    const std::size_t word = k;
    while (k < bytes.size() && (IsWord(bytes[k]) || bytes[k] == '_')) ++k;
    if (k > word && k < bytes.size() && (bytes[k] == '=' || bytes[k] == ':')) return i;
  }
  return bytes.size();
}

// The value behind a name that ends at `at`: behind '=' or ':', quoted or not.
std::optional<Secret> ValueBehind(ByteView bytes, std::size_t at, const Name& name, bool of_host) {
  const auto skip = [&](char c) {
    if (at < bytes.size() && bytes[at] == c) ++at;
  };
  skip('"');
  const std::size_t before = at;
  while (at < bytes.size() && bytes[at] == ' ') ++at;
  if (at >= bytes.size()) return std::nullopt;
  if (bytes[at] == '=' || bytes[at] == ':') {
    ++at;
    while (at < bytes.size() && bytes[at] == ' ') ++at;
  } else if (!of_host || at != before + 1 || name.kind == SecretKind::kPosition) {
    return std::nullopt;
  }
  skip('"');
  std::size_t end = EndOfValue(bytes, at);
  while (end > at && bytes[end - 1] == ' ') --end;
  const ByteView value = bytes.substr(at, end - at);
  if (value.empty() || value == "?" || !IsValue(name, value)) return std::nullopt;
  return Secret{name.kind, at, end - at};
}

std::size_t DigitsAt(ByteView bytes, std::size_t at) {
  std::size_t n = 0;
  while (at + n < bytes.size() && IsDigit(bytes[at + n])) ++n;
  return n;
}

// Six or eight pairs of hexadecimal digits with one sort of ':' or '-' between (MAC, EUI-64).
std::size_t HardwareAddressAt(ByteView bytes, std::size_t at) {
  std::size_t pairs = 0, i = at;
  const char between = at + 2 < bytes.size() ? bytes[at + 2] : '\0';
  while (i + 1 < bytes.size() && IsHex(bytes[i]) && IsHex(bytes[i + 1])) {
    ++pairs;
    i += 2;
    if (i >= bytes.size() || bytes[i] != between) break;
    ++i;
  }
  if (i > at && bytes[i - 1] == between) --i;
  if (pairs != 6 && pairs != 8) return 0;
  return i < bytes.size() && (IsWord(bytes[i]) || bytes[i] == between) ? 0 : i - at;
}

// Four numbers up to 255 with dots between (RFC 791); a version says so by a 'v' before it.
std::size_t NetworkAddressAt(ByteView bytes, std::size_t at) {
  if (at > 0 && (Lower(bytes[at - 1]) == 'v' || bytes[at - 1] == '.')) return 0;
  std::size_t i = at;
  for (int part = 0; part < 4; ++part) {
    const std::size_t n = DigitsAt(bytes, i);
    if (n == 0 || n > 3) return 0;
    int value = 0;
    for (std::size_t k = 0; k < n; ++k) value = value * 10 + (bytes[i + k] - '0');
    if (value > 255) return 0;
    i += n;
    if (part == 3) break;
    if (i >= bytes.size() || bytes[i] != '.') return 0;
    ++i;
  }
  return i < bytes.size() && (IsWord(bytes[i]) || bytes[i] == '.') ? 0 : i - at;
}

// "4717.1132,N,00833.9151,E": latitude and longitude as NMEA 0183 has them (from memory; checked
// against sentences of python3-nmea2 in the tests).
std::size_t SentencePositionAt(ByteView bytes, std::size_t at) {
  std::size_t i = at;
  for (const std::size_t digits : {std::size_t{4}, std::size_t{5}}) {
    if (DigitsAt(bytes, i) != digits) return 0;
    i += digits;
    if (i >= bytes.size() || bytes[i] != '.') return 0;
    ++i;
    const std::size_t places = DigitsAt(bytes, i);
    if (places < 2) return 0;
    i += places;
    const char* const ends = digits == 4 ? "NS" : "EW";
    if (i + 1 >= bytes.size() || bytes[i] != ',' ||
        (bytes[i + 1] != ends[0] && bytes[i + 1] != ends[1]))
      return 0;
    i += 2;
    if (digits == 4) {
      if (i >= bytes.size() || bytes[i] != ',') return 0;
      ++i;
    }
  }
  return i - at;
}

// "47.28521,8.56525": two decimal numbers with four places and more that can be degrees.
std::size_t DecimalPositionAt(ByteView bytes, std::size_t at) {
  std::size_t i = at;
  for (const int most : {90, 180}) {
    if (i < bytes.size() && (bytes[i] == '-' || bytes[i] == '+')) ++i;
    const std::size_t digits = DigitsAt(bytes, i);
    if (digits == 0 || digits > 3) return 0;
    int value = 0;
    for (std::size_t k = 0; k < digits; ++k) value = value * 10 + (bytes[i + k] - '0');
    i += digits;
    if (value >= most || i >= bytes.size() || bytes[i] != '.') return 0;
    const std::size_t places = DigitsAt(bytes, ++i);
    if (places < 4) return 0;
    i += places;
    if (most == 90) {
      if (i >= bytes.size() || (bytes[i] != ',' && bytes[i] != ' ')) return 0;
      while (i < bytes.size() && (bytes[i] == ',' || bytes[i] == ' ')) ++i;
    }
  }
  return i < bytes.size() && (IsWord(bytes[i]) || bytes[i] == '.') ? 0 : i - at;
}

// '+' and 8 to 15 digits (E.164: at most 15).
std::size_t SubscriberAt(ByteView bytes, std::size_t at) {
  const std::size_t n = DigitsAt(bytes, at + 1);
  if (n < 8 || n > 15) return 0;
  const std::size_t end = at + 1 + n;
  return end < bytes.size() && (IsWord(bytes[end]) || bytes[end] == '.') ? 0 : n + 1;
}

// A mailbox around the '@' at `at` (RFC 5322 addr-spec, the common form of it).
std::optional<Secret> MailboxAround(ByteView bytes, std::size_t at) {
  const auto local = [](char c) {
    return IsWord(c) || c == '.' || c == '_' || c == '-' || c == '+';
  };
  std::size_t from = at, end = at + 1, dots = 0;
  while (from > 0 && local(bytes[from - 1])) --from;
  while (end < bytes.size() && (IsWord(bytes[end]) || bytes[end] == '-' || bytes[end] == '.'))
    dots += bytes[end++] == '.' ? 1u : 0u;
  if (from == at || dots == 0 || !IsLetter(bytes[end - 1])) return std::nullopt;
  return Secret{SecretKind::kAddress, from, end - from};
}

class Search {
 public:
  Search(ByteView bytes, bool of_host, std::vector<Secret>& found)
      : bytes_(bytes), of_host_(of_host), found_(found) {}

  void Run() {
    std::uint32_t printable = 0;
    ForSixteens(bytes_, [&](const Sixteen& block, std::size_t from, std::size_t) {
      const std::uint32_t now = block.Printable();
      printable = printable >> Sixteen::kSize | now << (kLeastRun - 1);
      LookIn(block, from, printable);
      return true;
    });
  }

  void RunIn(std::span<const std::uint64_t> sixteens) {
    for (std::size_t word = 0; word < sixteens.size(); ++word) {
      for (std::uint64_t bits = sixteens[word]; bits != 0; bits &= bits - 1) {
        const std::size_t from =
            (64 * word + static_cast<std::size_t>(std::countr_zero(bits))) * Sixteen::kSize;
        const bool whole = from + Sixteen::kSize <= bytes_.size();
        const Sixteen block = whole ? Sixteen(bytes_.data() + from) : Sixteen(bytes_.substr(from));
        std::uint32_t printable = block.Printable() << (kLeastRun - 1);
        if (from > 0)
          printable |= Sixteen(bytes_.data() + from - Sixteen::kSize).Printable() >>
                       (Sixteen::kSize - (kLeastRun - 1));
        LookIn(block, from, printable);
      }
    }
  }

 private:
  // `printable`: which of them are, and of the three bytes before, which stand lowest.
  void LookIn(const Sixteen& block, std::size_t from, std::uint32_t printable) {
    constexpr std::uint32_t kAll = 0xffff;
    // What stands in secrets or right behind the words that tell of them.
    std::uint32_t telling = block.Any('@', '+', '-', '.', ':', '=', ' ', '"');
    // All but '@' and signs of numbers want a letter or digit before them.
    const bool first = from > 0 && IsWord(bytes_[from - 1]);
    telling &= block.LettersAndDigits() << 1 | (first ? 1u : 0u) | block.Any('@', '+', '-');
    // And all stand in four printable bytes or more that follow each other ("pwd=", "a@b.c"), as
    // there are few where bytes are no text; the last of the block may go on in the next.
    static_assert(kLeastRun == 4);
    std::uint32_t run = printable & printable >> 1;
    run &= run >> 2;
    run |= run << 1;
    run |= run << 2;
    const std::uint32_t last = ~std::uint32_t{0} << std::bit_width(~(printable >> 3) & kAll);
    telling &= run >> 3 | last;
    for (; telling != 0; telling &= telling - 1)
      Look(from + static_cast<std::size_t>(std::countr_zero(telling)));
  }

  // At a byte that tells something: perhaps of the word right before it.
  void Look(std::size_t at) {
    switch (bytes_[at]) {
      case '@':
        if (const auto secret = MailboxAround(bytes_, at)) Add(*secret);
        break;
      case '.':
        Number(at);
        break;
      case '-':
        HardwareAddress(at);
        Signed(at);
        break;
      case '+':
        Form(SecretKind::kNumber, at, SubscriberAt(bytes_, at));
        Signed(at);
        break;
      case ':':
        HardwareAddress(at);
        [[fallthrough]];
      default:
        NameBefore(at);
        break;
    }
  }

  void Add(const Secret& secret) {
    // What a name told first goes before what a form tells of the same bytes.
    if (!found_.empty() && secret.from < found_.back().from + found_.back().size) {
      if (secret.from >= found_.back().from) return;
      found_.pop_back();  // a mailbox: it began before
    }
    found_.push_back(secret);
  }
  void Form(SecretKind kind, std::size_t at, std::size_t size) {
    if (size > 0) Add({kind, at, size});
  }

  // Where the word begins that ends at `end`; `most` of its bytes are looked at.
  std::size_t WordBefore(std::size_t end, std::size_t most) const {
    std::size_t at = end;
    while (at > 0 && end - at < most && IsWord(bytes_[at - 1])) --at;
    return at;
  }

  void Signed(std::size_t at) {
    if (at + 1 < bytes_.size() && IsDigit(bytes_[at + 1]))
      Form(SecretKind::kPosition, at, DecimalPositionAt(bytes_, at));
  }

  // At the point of a number. How many digits stand behind it tells what it can be part of.
  void Number(std::size_t point) {
    const std::size_t at = WordBefore(point, 5);
    const std::size_t size = point - at;
    if (size == 0 || size > 4 || !IsDigit(bytes_[at])) return;
    const std::size_t behind = DigitsAt(bytes_, point + 1);
    if (size == 4) {
      if (behind >= 2) Form(SecretKind::kPosition, at, SentencePositionAt(bytes_, at));
      return;
    }
    const bool another_point =
        point + 1 + behind < bytes_.size() && bytes_[point + 1 + behind] == '.';
    if (another_point) Form(SecretKind::kAddress, at, NetworkAddressAt(bytes_, at));
    const bool signed_already =
        at > 0 && (bytes_[at - 1] == '-' || bytes_[at - 1] == '+' || bytes_[at - 1] == '.');
    if (behind >= 4 && !signed_already)
      Form(SecretKind::kPosition, at, DecimalPositionAt(bytes_, at));
  }

  void HardwareAddress(std::size_t between) {
    const std::size_t at = WordBefore(between, 3);
    if (between - at != 2 || (at > 0 && bytes_[at - 1] == bytes_[between])) return;
    Form(SecretKind::kAddress, at, HardwareAddressAt(bytes_, at));
  }

  void NameBefore(std::size_t end) {
    if (end == 0 || !IsLetter(bytes_[end - 1])) return;
    const std::size_t at = WordBefore(end, kLongestName + 1);
    if (const Name* name = FindName(bytes_.substr(at, end - at)))
      if (const auto secret = ValueBehind(bytes_, end, *name, of_host_)) Add(*secret);
  }

  ByteView bytes_;
  bool of_host_;
  std::vector<Secret>& found_;
};

}  // namespace

std::optional<SecretKind> AskedFor(ByteView command) {
  command = Stripped(command);
  const bool query = !command.empty() && command.back() == '?';
  if (query) command.remove_suffix(1);
  if (!command.empty() && command.back() == '=') return std::nullopt;  // a test command
  std::size_t from = command.size();
  while (from > 0 && IsWord(command[from - 1])) --from;
  if (!query && command.substr(0, from).find("get") == ByteView::npos) return std::nullopt;
  const Name* name = FindName(command.substr(from));
  if (name == nullptr || name->kind == SecretKind::kPosition) return std::nullopt;
  return name->kind;
}

void FindSecrets(ByteView bytes, bool of_host, std::vector<Secret>& found) {
  Search(bytes, of_host, found).Run();
}

void FindSecrets(ByteView bytes, bool of_host, std::span<const std::uint64_t> sixteens,
                 std::vector<Secret>& found) {
  Search(bytes, of_host, found).RunIn(sixteens);
}

std::vector<Secret> SecretsIn(ByteView bytes, bool of_host) {
  std::vector<Secret> found;
  FindSecrets(bytes, of_host, found);
  return found;
}

}  // namespace witness
