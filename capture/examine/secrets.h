// What of a conversation looks like a secret: keys, PINs, passwords, addresses, positions, numbers
// of subscribers. Where it stands, byte for byte, in the segment and in the events that brought it.
//
// It is found by the name before it ("AT+KEY=...", "password: ..."), as the answer to a command
// that asks for such a name ("AT+KEY?"), by its form (a MAC address, the latitude and longitude of
// an NMEA 0183 sentence, a number in the form of E.164), or because it is a key, PIN or password
// that was found before in the same conversation. The names are common practice, no source.
// What a module calls by a name of its own, nobody can find: see `redact --pattern`.
#pragma once

#include <cstddef>
#include <cstdint>
#include <functional>
#include <map>
#include <utility>
#include <vector>

#include "capture/base/bytes.h"
#include "capture/examine/secret_search.h"
#include "capture/examine/segment.h"

namespace witness {

// Whether `bytes` are what `bytewitness redact` puts in a secret's place ("#12######", "##"). To be
// asked of captures that say that they are redacted.
bool LooksLikeStandIn(ByteView bytes);

// Bytes of one event.
struct EventRange {
  std::uint64_t event = 0;  // index in the capture
  std::size_t offset = 0;   // of the first byte within that event
  std::size_t size = 0;
};

// Where bytes [from, from + size) of `segment` stand in the events of the capture, in order.
std::vector<EventRange> RangesOf(const Segment& segment, std::size_t from, std::size_t size);

// Looks through the segments of one conversation. Memory is bounded: up to kMostKnown values of
// keys, PINs and passwords are remembered.
class SecretFinder {
 public:
  static constexpr std::size_t kMostKnown = 32;
  // Both are valid during the call. RangesOf() says where it stands in the capture.
  using Sink = std::function<void(const Segment& segment, const Secret& secret)>;
  explicit SecretFinder(Sink sink) : sink_(std::move(sink)) {}

  // Segments in the order of their beginnings, as Segmenter gives them.
  void Take(const Segment& segment);

  // The values found so far, at least 4 bytes long: they are secrets wherever else they stand (in
  // notes, in names, before the place where they were found).
  const std::map<Bytes, SecretKind>& known() const { return known_; }

 private:
  void FindAnswer(ByteView bytes);  // to a command that asks for a secret
  void FindKnown(ByteView bytes);

  Sink sink_;
  std::vector<Secret> found_;  // in the segment under way
  std::map<Bytes, SecretKind> known_;
  std::uint64_t asked_turn_ = 0;  // the command that asks for a secret
  SecretKind asked_kind_ = SecretKind::kKey;
};

}  // namespace witness
