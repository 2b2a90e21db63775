#include "capture/examine/rate_evidence.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <set>

#include "capture/examine/lines_of.h"
#include "capture/examine/protocols/hdlc.h"
#include "capture/examine/protocols/modbus.h"
#include "capture/examine/protocols/nmea.h"
#include "capture/examine/protocols/v250.h"

namespace witness {
namespace {

// Weights in bits. They are set so low that no rubbish of tests/capture/examine/
// rate_finder_test.cc is taken for sure, not from a theory of rubbish: what a wrong rate makes of
// bytes is anything but random.
constexpr double kTextPair = 0.8;  // log2(256 / 98) would be 1.4
constexpr double kOtherPair = -3;
constexpr double kCleanPair = 0.3;
constexpr double kMostForClean = 12;   // alone never enough to be sure
constexpr double kParityOfByte = 0.9;  // a bit says whether it is right
constexpr double kError = -4;
constexpr double kSentence = 16;   // eight bits of checksum, and its form
constexpr double kFrame = 10;      // sixteen bits of checksum, at any place
constexpr double kResultCode = 8;  // a whole line that V.250 names
constexpr double kCommandLine = 5;
constexpr std::size_t kLeastVariety = 8;  // different bytes, for "no errors" to mean anything

bool Is8N1(const LineSettings& s) {
  return s.data_bits == 8 && s.parity == Parity::kNone && s.stop_bits == StopBits::kOne;
}

bool SameFormat(const LineSettings& a, const LineSettings& b) {
  return a.data_bits == b.data_bits && a.parity == b.parity && a.stop_bits == b.stop_bits;
}

bool CanBeToldFrom8N1(const LineSettings& format) {
  return (format.parity == Parity::kEven || format.parity == Parity::kOdd) &&
         (format.data_bits == 7 || format.data_bits == 8);
}

// One byte as a sender of `format` would have meant it, and whether it can have been one.
struct Meant {
  unsigned char value = 0;
  bool error = false;
};

Meant As(const LineSettings& format, unsigned char heard, bool bad) {
  const bool odd = std::popcount(heard) % 2 == 1;
  if (format.data_bits == 7) {
    const auto value = static_cast<unsigned char>(heard & 0x7F);
    return {value, bad || odd == (format.parity == Parity::kEven)};
  }
  // The parity bit stands where a stop bit is expected: the byte is right, and comes with a framing
  // error whenever that bit is 0.
  const bool parity_bit = format.parity == Parity::kEven ? odd : !odd;
  return {heard, bad == parity_bit};
}

void Know(RateEvidence& out, const char* what) {
  if (std::find(out.known.begin(), out.known.end(), what) == out.known.end())
    out.known.emplace_back(what);
}

// Functions whose frames have a known length: of any other length one fits by chance too often.
bool HasModbusLength(ByteView bytes) {
  if (bytes.size() < 4) return false;
  const int function = bytes[1] & 0x7F;
  return (function >= 1 && function <= 8) || function == 11 || function == 12 ||
         (function >= 15 && function <= 17);
}

// Frames with a right checksum, each different one once.
double WeighFrames(const Bytes& bytes, RateEvidence& out) {
  double bits = 0;
  std::set<Bytes> seen;
  for (std::size_t at = 0; at + 4 <= bytes.size();) {
    const ByteView rest = ByteView(bytes).substr(at);
    double weight = kSentence;
    const char* what = "NMEA 0183 sentences";
    std::size_t size = nmea::SentenceAt(rest);
    if (size == 0 && (size = modbus::AsciiFrameAt(rest)) > 0) what = "Modbus ASCII frames";
    if (size == 0 && HasModbusLength(rest) && (size = modbus::RtuFrameAt(rest)) > 0) {
      what = "Modbus RTU frames";
      weight = kFrame;
    }
    if (size == 0 && rest[0] == '\x7E' && (size = hdlc::FrameAt(rest)) >= 8) {
      what = "HDLC-like frames";
      weight = kFrame;
    }
    if (size == 0) {
      ++at;
      continue;
    }
    Know(out, what);
    if (seen.insert(Bytes(rest.substr(0, size))).second) bits += weight;
    at += size;
  }
  return bits;
}

// Lines that V.250 knows, each different one once.
double WeighLines(const Bytes& bytes, RateEvidence& out) {
  double bits = 0;
  std::set<Bytes> seen;
  std::size_t from = 0, pairs = 0, returns = 0, feeds = 0;
  for (std::size_t i = 0; i < bytes.size(); ++i) {
    if (bytes[i] != '\r' && bytes[i] != '\n') continue;
    if (bytes[i] == '\r') {
      ++returns;
    } else if (i > 0 && bytes[i - 1] == '\r') {
      --returns;
      ++pairs;
    } else {
      ++feeds;
    }
    const Bytes line = bytes.substr(from, i - from);
    from = i + 1;
    if (line.size() < 2 || !IsText(line) || !seen.insert(line).second) continue;
    if (v250::IsFinalResultCode(line)) {
      Know(out, "V.250 result codes");
      bits += kResultCode;
    } else if (line.starts_with("AT") || line.starts_with("at")) {
      Know(out, "V.250 command lines");
      bits += kCommandLine;
    }
  }
  // What was heard may begin or end in the midst of a pair.
  out.in_lines = pairs >= 2 ? returns + feeds <= 1
                            : pairs == 0 && returns + feeds >= 4 && (returns == 0 || feeds == 0);
  return bits;
}

}  // namespace

bool SaysSomethingOf(const Sitting& sitting, const LineSettings& format) {
  if (sitting.settings.baud != format.baud) return false;
  return SameFormat(sitting.settings, format) ||
         (Is8N1(sitting.settings) && CanBeToldFrom8N1(format));
}

RateEvidence Weigh(const Sitting& sitting, const LineSettings& format, bool errors_are_told) {
  RateEvidence out;
  const bool direct = SameFormat(sitting.settings, format);
  const bool has_parity = format.parity == Parity::kEven || format.parity == Parity::kOdd;
  const bool parity_in_stop_bit = !direct && format.data_bits == 8;
  if (format.data_bits == 8 && has_parity && !errors_are_told) return out;
  const unsigned top_bit = sitting.settings.data_bits == 7 ? 0x40 : 0x80;
  Bytes meant;
  std::vector<bool> pair_seen(65536), value_seen(256), parity_seen(256);
  std::size_t values = 0, parity_right = 0, top_bits = 0, clean_pairs = 0, odd_bytes = 0;
  double text_bits = 0;
  unsigned before = 0;
  for (std::size_t i = 0; i < sitting.bytes.size(); ++i) {
    const auto heard = static_cast<unsigned char>(sitting.bytes[i]);
    const Meant one = direct ? Meant{heard, sitting.bad[i]} : As(format, heard, sitting.bad[i]);
    ++out.heard;
    meant += static_cast<char>(one.value);
    const bool text = IsTextByte(static_cast<char>(one.value));
    if (one.error) ++out.errors;
    if (text) ++out.text;
    if ((heard & top_bit) != 0) ++top_bits;
    if (!value_seen[one.value]) {
      value_seen[one.value] = true;
      ++values;
    }
    if (!one.error && !parity_seen[heard]) {
      parity_seen[heard] = true;
      ++parity_right;
    }
    if (std::popcount(heard) % 2 == 1) ++odd_bytes;
    const unsigned pair = before << 8 | one.value;
    before = one.value;
    if (pair_seen[pair]) continue;
    pair_seen[pair] = true;
    ++out.varied;
    text_bits += text ? kTextPair : kOtherPair;
    if (!one.error) ++clean_pairs;
  }
  out.errors += sitting.more_errors;
  const bool checked = errors_are_told || (!direct && format.data_bits == 7);
  out.speaks_for = WeighFrames(meant, out) + WeighLines(meant, out);
  // A rate far too low hears idle line in the upper bits of each lone character, without an error.
  const bool idle_above = top_bits * 10 >= out.heard * 9;
  if (direct || !idle_above) {
    out.speaks_for += std::max(0.0, text_bits);
    if (has_parity && checked) out.speaks_for += kParityOfByte * static_cast<double>(parity_right);
  }
  if (errors_are_told && values >= kLeastVariety && !idle_above)
    out.speaks_for += std::min(kMostForClean, kCleanPair * static_cast<double>(clean_pairs));
  const double allowed = 1 + static_cast<double>(out.heard) / 100;
  out.against = kError * std::max(0.0, static_cast<double>(out.errors) - allowed);
  // Of lone characters with seven data bits and odd parity each looks like one with eight and even
  // parity, and the other way round: the top bit then is no data.
  if (format.data_bits == 8 && has_parity) {
    const std::size_t against = format.parity == Parity::kEven ? odd_bytes : out.heard - odd_bytes;
    if (against * 50 >= out.heard * 49) out.speaks_for = 0;
  }
  // Where errors are marked only roughly this says nothing against the format.
  if (parity_in_stop_bit) {
    out.speaks_for = std::max(0.0, out.bits());
    out.against = 0;
  }
  return out;
}

}  // namespace witness
