// What is known of a conversation once it was read: totals, endings, timing, findings. Gathered
// segment by segment in bounded memory.
#pragma once

#include <array>
#include <cstdint>
#include <functional>
#include <limits>
#include <memory>
#include <string>
#include <vector>

#include "capture/examine/conventions.h"
#include "capture/examine/conversation.h"
#include "capture/examine/distribution.h"
#include "capture/examine/segment.h"

namespace witness {

struct EndingTally {
  std::uint64_t none = 0;
  std::uint64_t cr = 0;
  std::uint64_t lf = 0;
  std::uint64_t cr_lf = 0;
  std::uint64_t not_text = 0;  // no ending is looked for there

  void Add(bool all_text, LineEnding ending) { ++(all_text ? *Of(ending) : not_text); }
  std::uint64_t texts() const { return none + cr + lf + cr_lf; }
  // How many different ones occur.
  int kinds() const { return (none > 0) + (cr > 0) + (lf > 0) + (cr_lf > 0); }
  bool operator==(const EndingTally&) const = default;

 private:
  std::uint64_t* Of(LineEnding ending) {
    switch (ending) {
      case LineEnding::kCr:
        return &cr;
      case LineEnding::kLf:
        return &lf;
      case LineEnding::kCrLf:
        return &cr_lf;
      case LineEnding::kNone:
        break;
    }
    return &none;
  }
};

struct Evidence {
  std::uint64_t segment = 0;  // Segment::index
  Instant at;
  std::string shown;  // made safe to print
};

struct Finding {
  std::string name;         // "reply-without-ending"
  std::string title;        // plain words
  std::string detail;       // how often, how much
  std::string consequence;  // for a sketch or script
  std::string advice;
  std::uint64_t count = 0;
  std::vector<Evidence> evidence;  // the first few
};

struct BufferFacts {
  std::size_t size = 64;  // ring of the common AVR core (HardwareSerial.h, SoftwareSerial.h)
  std::uint64_t largest_reply = 0;
  std::uint64_t largest_reply_segment = 0;
  std::uint64_t replies_that_do_not_fit = 0;
  Duration fills_after;         // at the line's rate; zero: no rate known
  double bytes_per_second = 0;  // that the line carries; 0: no rate known
  double busiest_share = 0;     // of that, in the module's busiest second
};

struct Examination {
  Conventions conventions;
  Duration stamp_uncertainty;
  std::uint64_t events = 0;
  std::uint64_t plain_events = 0;  // of these were taken past the segmenter, see plain/shortcut.h
  std::array<std::uint64_t, 3> bytes = {};      // by Side
  std::array<std::uint64_t, 10> segments = {};  // by SegmentKind
  std::uint64_t exchanges = 0;
  std::uint64_t unanswered = 0;
  Duration length;
  EndingTally command_endings;
  EndingTally reply_endings;
  Distribution turnaround;
  Distribution pause_in_reply;
  Distribution between_exchanges;
  BufferFacts buffer;
  std::vector<Finding> findings;
};

struct ExamineOptions {
  SegmenterOptions segmenter;
  std::size_t buffer_size = 64;
  // on_exchange is called for the first so many only: what nobody watches is examined faster.
  std::uint64_t exchanges_watched = std::numeric_limits<std::uint64_t>::max();
};

// Reads `reader` to its end. `also` may watch the segments and exchanges pass by.
Result<Examination> Examine(CaptureReader& reader, const ExamineOptions& options,
                            const ConversationHandlers& also = {});

}  // namespace witness
