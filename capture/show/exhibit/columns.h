// A capture's events and segments in columns that a page's script can read, part by part.
//
// A part is a run of bytes that is deflated (RFC 1950) and put into the page in base64; browsers
// can inflate by themselves, but not read zstd. All numbers are LEB128 varints unless said
// otherwise. Signed ones are zigzag-coded.
//
// Part with events:
//   count
//   count bytes: kind | side << 4 (numbers of EventKind and Side)
//   count times: nanoseconds since the event before, over all parts; the first since 0
//   count sizes: bytes of payload in the lane
//   payload of the lanes, one behind the other: unknown side, host, module, words. Events that are
//   no bytes have their words (UTF-8, safe to show) in the lane of words.
//
// Part with rows (segments in the order of their beginnings):
//   number of new texts, then each: its length, its UTF-8. Texts are numbered from 1 over all
//   parts. count count bytes: SegmentKind count bytes: side | ending << 2 | sureness << 4 | own <<
//   6 count bytes: EndedBy count times: nanoseconds, signed, since the row before's `from` count
//   lengths: `to` - `from` count events: ordinal of the first event, since the row before's count
//   spans: events from the first to the last, 0: one count offsets: byte within that first event
//   count sizes: bytes
//   count turns, signed, since the row before's
//   count silences behind it; 2^62 and above: nothing came at all
//   count numbers of texts: protocol; 0: none
//   count numbers of texts: why it is taken for what it is; 0: none
//   count bad bytes
//   bytes of rows with `own` set, one behind the other: those whose bytes don't stand in one run of
//   their side
#pragma once

#include <cstdint>
#include <deque>
#include <functional>
#include <map>
#include <string>
#include <vector>

#include "capture/base/bytes.h"
#include "capture/base/result.h"
#include "capture/examine/segment.h"
#include "capture/store/event.h"

namespace witness {

class EventColumns {
 public:
  void Add(const Event& event);
  std::size_t count() const { return kinds_.size(); }
  std::size_t bytes() const { return kinds_.size() * 4 + payload_; }
  // The part so far; then begins anew.
  Bytes Take();

 private:
  Bytes kinds_, times_, sizes_;
  Bytes lanes_[4];
  std::size_t payload_ = 0;
  std::int64_t last_ns_ = 0;
};

class RowColumns {
 public:
  // Every event in order, before the rows that it is in. `index`: as the segmenter was told.
  void Note(const Event& event, std::uint64_t index);
  void Add(const Segment& segment);
  std::size_t count() const { return kinds_.size(); }
  std::size_t bytes() const { return kinds_.size() * 12 + own_.size(); }
  Bytes Take();

 private:
  struct Place {
    std::uint64_t index;
    std::uint64_t ordinal;
    std::uint64_t lane_offset;  // of its first byte in its side's stream
  };
  const Place* PlaceOf(std::uint64_t index) const;
  std::uint64_t TextNumber(const std::string& text);

  std::deque<Place> places_;
  std::uint64_t ordinal_ = 0;
  std::uint64_t lane_bytes_[3] = {};
  std::map<std::string, std::uint64_t> texts_;
  Bytes new_texts_;
  std::uint64_t new_text_count_ = 0;
  Bytes kinds_, flags_, ends_, from_, length_, first_, span_, offset_, size_, turn_, quiet_,
      protocol_, why_, bad_, own_;
  std::int64_t last_from_ = 0;
  std::uint64_t last_first_ = 0;
  std::int64_t last_turn_ = 0;
};

// Deflates (zlib format, RFC 1950).
Bytes Deflated(ByteView bytes);

}  // namespace witness
