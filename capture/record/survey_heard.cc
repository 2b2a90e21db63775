#include "capture/record/survey_heard.h"

#include <algorithm>
#include <bit>
#include <cctype>
#include <set>

namespace witness {

Duration PieceGap(const LineSettings& line) {
  return std::max(Duration::Milliseconds(5), line.CharacterTime() * 3);
}

bool IsPlainByte(char c) { return (c >= 0x20 && c <= 0x7E) || c == '\r' || c == '\n' || c == '\t'; }

// ISO/IEC 646: NUL, STX, ETX, EOT, ACK, BEL, DC1 (XON), DC3 (XOFF), NAK.
bool IsTextFraming(char c) {
  return std::string_view("\0\x02\x03\x04\x06\x07\x11\x13\x15", 9).find(c) !=
         std::string_view::npos;
}

bool Readable(ByteView bytes) {
  for (int i = 0; i < 2 && !bytes.empty() && IsTextFraming(bytes.front()); ++i)
    bytes.remove_prefix(1);
  for (int i = 0; i < 2 && !bytes.empty() && IsTextFraming(bytes.back()); ++i)
    bytes.remove_suffix(1);
  return bytes.size() >= 2 && std::all_of(bytes.begin(), bytes.end(), IsPlainByte);
}

bool IsAllHigh(ByteView bytes) {
  return std::all_of(bytes.begin(), bytes.end(), [](char c) { return c < 0; });
}

bool IsOtherFormat(ByteView bytes) {
  Bytes seven(bytes);
  for (char& c : seven) c = static_cast<char>(c & 0x7F);
  if (bytes.size() < 3 || seven == bytes || !Readable(seven)) return false;
  const auto all = [&](auto is) { return std::all_of(bytes.begin(), bytes.end(), is); };
  const auto odd = [](char c) { return std::popcount(static_cast<unsigned char>(c)) % 2 == 1; };
  return all(odd) || all([&](char c) { return !odd(c); }) || IsAllHigh(bytes);
}

std::size_t EchoLength(const Heard& heard) {
  if (heard.never_echoes) return 0;
  const Bytes all = heard.bytes();
  std::size_t bare = heard.sent.size();
  while (bare > 0 && (heard.sent[bare - 1] == '\r' || heard.sent[bare - 1] == '\n')) --bare;
  std::size_t lead = 0;
  while (lead < std::min<std::size_t>(all.size(), 4) && (all[lead] == '\r' || all[lead] == '\n'))
    ++lead;
  std::size_t same = 0;
  while (lead + same < all.size() && same < heard.sent.size() &&
         all[lead + same] == heard.sent[same])
    ++same;
  if (bare < 2 || same < bare) return 0;
  if (heard.echoes_no_ending) return lead + bare;
  // Of the ending as much as comes back before the answer.
  const std::size_t end = lead + same;
  const std::size_t ending = heard.sent.size() - bare;
  if (ending == 0 || same < heard.sent.size() || end >= all.size()) return end;
  // Is it the echo's ending, or does the reply begin with one? Before the reply there is the
  // longest pause. Some echo a CR as CR LF.
  const auto at = [&](std::size_t index) {
    for (const HeardPiece& piece : heard.pieces) {
      if (index < piece.bytes.size()) return piece.at;
      index -= piece.bytes.size();
    }
    return heard.pieces.back().at;
  };
  const auto pause = [&](std::size_t index) { return at(index) - at(index - 1); };
  const bool lone_lf = heard.sent.ends_with('\r') && all[end] == '\n';
  std::vector<std::size_t> cuts = {end - ending, end};
  if (lone_lf && end + 1 < all.size()) cuts.push_back(end + 1);
  std::sort(cuts.begin(), cuts.end(),
            [&](std::size_t a, std::size_t b) { return pause(a) > pause(b); });
  const Duration others = std::max(pause(cuts[1]), pause(end - ending - 1));
  if (pause(cuts[0]) > others * 3 / 2 && pause(cuts[0]) > Duration::Milliseconds(1)) return cuts[0];
  return lone_lf ? end - ending : end;
}

Bytes Body(const Heard& heard) { return heard.bytes().substr(EchoLength(heard)); }

Bytes Lower(ByteView text) {
  Bytes out(text);
  for (char& c : out) c = static_cast<char>(std::tolower(static_cast<unsigned char>(c)));
  return out;
}

Bytes Upper(ByteView text) {
  Bytes out(text);
  for (char& c : out) c = static_cast<char>(std::toupper(static_cast<unsigned char>(c)));
  return out;
}

Bytes Words(ByteView text) {
  const std::size_t from = text.find_first_not_of("\r\n");
  if (from == ByteView::npos) return {};
  return Bytes(text.substr(from, text.find_last_not_of("\r\n") + 1 - from));
}

bool IsWithInsertion(const Bytes& text, const Bytes& wanted, std::size_t& front) {
  front = 0;
  if (text.size() < wanted.size() || wanted.empty()) return false;
  while (front < wanted.size() && text[front] == wanted[front]) ++front;
  std::size_t back = 0;
  while (back < wanted.size() - front &&
         text[text.size() - 1 - back] == wanted[wanted.size() - 1 - back])
    ++back;
  return front + back == wanted.size();
}

ReplyTiming TimingOf(const Heard& heard, const LineSettings& line) {
  ReplyTiming out;
  std::size_t skip = EchoLength(heard);
  std::optional<Instant> last;
  for (const HeardPiece& piece : heard.pieces) {
    if (skip >= piece.bytes.size()) {
      skip -= piece.bytes.size();
      continue;
    }
    const auto size = static_cast<std::uint32_t>(piece.bytes.size() - skip);
    skip = 0;
    // The stamp is of the piece's end; its first byte of the reply came earlier by that length.
    const Duration length = line.CharacterTime() * static_cast<std::int64_t>(size - 1);
    const Instant began = std::max(piece.at - length, last.value_or(heard.sent_by));
    if (!last) {
      out.turnaround = std::max(Duration::Zero(), began - heard.sent_by);
      out.piece_sizes = {0};
    } else if (began - *last >= PieceGap(line)) {
      out.piece_sizes.push_back(0);
      out.longest_pause = std::max(out.longest_pause, began - *last);
    }
    out.piece_sizes.back() += size;
    last = piece.at;
  }
  return out;
}

Heard WithoutUnasked(const Heard& heard, const std::vector<ProfileUnsolicited>& known,
                     Without& without) {
  without = Without();
  const Bytes all = heard.bytes();
  std::vector<bool> gone(all.size());
  const auto take = [&](std::size_t at, std::size_t size) {
    std::fill_n(gone.begin() + static_cast<std::ptrdiff_t>(at), size, true);
    without.any = true;
  };
  for (const ProfileUnsolicited& one : known) {
    if (one.text.size() < 3 || one.times < 2) continue;
    for (std::size_t at = all.find(one.text); at != Bytes::npos;
         at = all.find(one.text, at + one.text.size()))
      take(at, one.text.size());
  }
  // What is too short to be looked for anywhere counts where it stands alone.
  std::size_t begin = 0;
  for (const Heard& saying : known.empty() ? std::vector<Heard>() : Sayings(heard)) {
    const Bytes text = saying.bytes();
    for (const ProfileUnsolicited& one : known) {
      Bytes again = one.text;  // more than once in a row, where it had to wait
      while (again.size() < text.size()) again += one.text;
      if (one.times > 1 && again == text) take(begin, text.size());
    }
    begin += text.size();
  }
  // Where listening was cut off, so may be the last of what is said again and again.
  if (heard.end == HeardEnd::kTooLong) {
    for (const ProfileUnsolicited& one : known) {
      if (one.times < 2) continue;
      for (std::size_t size = std::min(one.text.size() - 1, all.size()); size > 0; --size) {
        const Bytes begun = one.text.substr(0, size);
        if (!all.ends_with(begun) || begun.find_first_not_of("\r\n") == Bytes::npos) continue;
        take(all.size() - size, size);
        break;
      }
    }
  }
  if (!without.any) return heard;
  Heard out = heard;
  out.pieces.clear();
  std::size_t at = 0;
  bool taken = false;
  for (const HeardPiece& piece : heard.pieces) {
    HeardPiece kept = piece;
    kept.bytes.clear();
    for (const char c : piece.bytes) {
      taken = taken || gone[at];
      if (gone[at++]) continue;
      kept.bytes += c;
      without.times_spoilt = taken;
    }
    if (!kept.bytes.empty()) out.pieces.push_back(std::move(kept));
  }
  return out;
}

bool MayBeUnasked(ByteView run, bool at_an_end) {
  return run.size() >= 3 &&
         (at_an_end || run.find('\r') != ByteView::npos || run.find('\n') != ByteView::npos);
}

bool MayBeNoise(ByteView run) {
  return run.size() <= 2 && !std::all_of(run.begin(), run.end(), [](char c) {
           return (c >= '0' && c <= '9') || c == '\r' || c == '\n';
         });
}

std::vector<Heard> Sayings(const Heard& heard) {
  constexpr Duration kPause = Duration::Milliseconds(100);
  std::vector<Heard> out;
  bool open = false;  // the last one goes on
  const auto only_endings = [](const Bytes& text) {
    return text.find_first_not_of("\r\n") == Bytes::npos;
  };
  for (const HeardPiece& piece : heard.pieces) {
    if (!out.empty() && piece.at - out.back().pieces.back().at > kPause) open = false;
    for (std::size_t from = 0; from < piece.bytes.size();) {
      const std::size_t end = std::min(piece.bytes.find('\n', from), piece.bytes.size() - 1) + 1;
      if (!open) out.emplace_back();
      HeardPiece part = piece;
      part.bytes = piece.bytes.substr(from, end - from);
      out.back().pieces.push_back(std::move(part));
      const Bytes text = out.back().bytes();
      open = !text.ends_with('\n') || only_endings(text);
      from = end;
    }
  }
  return out;
}

Bytes Shape(ByteView text) {
  Bytes out;
  bool figure = false;
  for (const char c : text) {
    const bool digit = c >= '0' && c <= '9';
    if (!digit || !figure) out += digit ? '0' : c;
    figure = digit;
  }
  return out;
}

namespace {

// `text` is `whole` with some characters left out.
bool IsLeftOf(ByteView text, ByteView whole) {
  std::size_t at = 0;
  for (const char c : text) {
    at = whole.find(c, at);
    if (at == ByteView::npos) return false;
    ++at;
  }
  return true;
}

}  // namespace

std::size_t GarbledEchoLength(const Heard& heard) {
  if (EchoLength(heard) > 0 || heard.never_echoes) return 0;
  Bytes early;
  for (const HeardPiece& piece : heard.pieces)
    if (piece.at < heard.sent_by + Duration::Milliseconds(1)) early += piece.bytes;
  return IsLeftOf(early, heard.sent) ? early.size() : 0;
}

bool IsGarbledEcho(const Heard& heard) {
  return Words(heard.bytes().substr(0, GarbledEchoLength(heard))).size() > 1;
}

bool IsTelling(const std::vector<Heard>& answers) {
  // Result codes of ITU-T V.250 (07/2003) 5.7.1 and what else is often said for them.
  constexpr std::string_view kWords[] = {"OK",   "ERROR",   "ERR",     "READY",  "BUSY",
                                         "FAIL", "CONNECT", "INVALID", "UNKNOWN"};
  std::set<char> kinds;
  std::set<char> letters;
  for (const Heard& answer : answers) {
    const Bytes body = Body(answer);
    if (!Readable(body) || IsLeftOf(Words(body), answer.sent)) continue;
    Bytes word;
    for (const char c : body + ' ') {
      const char capital = static_cast<char>(std::toupper(static_cast<unsigned char>(c)));
      if (capital >= 'A' && capital <= 'Z') {
        word += capital;
        continue;
      }
      if (std::find(std::begin(kWords), std::end(kWords), word) != std::end(kWords)) return true;
      word.clear();
    }
    for (const char c : body) {
      if (IsPlainByte(c)) kinds.insert(c);
      if (std::isalnum(static_cast<unsigned char>(c)) != 0) letters.insert(c);
    }
  }
  return kinds.size() >= 6 && letters.size() >= 4;
}

void AddEvidence(Basis& basis, const Heard& heard) {
  ++basis.tries;
  if (basis.events.size() > 40) return;
  if (!heard.sent.empty()) basis.events.push_back(heard.sent_event);
  for (const HeardPiece& piece : heard.pieces)
    if (basis.events.empty() || basis.events.back() != piece.event)
      basis.events.push_back(piece.event);
}

}  // namespace witness
