// One trial of a sketch: a board, its lines, the player and all observers, in virtual time.
//
// The player's time zero is power-on. Everything that happens is an effect of the ELF, the settings
// and the part: the same three give the same observations to the cycle.
#pragma once

#include <cstdint>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "capture/base/result.h"
#include "replay/play/player.h"
#include "replay/subject/observations.h"
#include "replay/subject/sketch/board.h"
#include "replay/subject/sketch/line.h"
#include "replay/subject/sketch/place.h"
#include "replay/subject/sketch_settings.h"
#include "replay/subject/subject.h"

namespace trial {

// The processor was in `place` (an id of Places) from one cycle to another, as far as looking every
// millisecond tells.
struct Stay {
  std::uint32_t place = 0;
  std::uint64_t from = 0;
  std::uint64_t to = 0;
  bool interrupts_on = true;  // at any of the looks
  std::uint32_t looking = 0;  // looks that found it looking for a byte
};

// What the observers have written down, for findings.h. Byte indices are those of the module line's
// sent().
struct SessionLog {
  struct SaidBytes {
    std::size_t first = 0;
    std::size_t count = 0;
  };
  struct Leftover {
    std::uint64_t at = 0;
    std::size_t command = 0;  // from 1: the one that began while bytes lay unread; or none more did
    std::size_t bytes = 0;
  };
  struct Reset {
    std::uint64_t at = 0;
    ResetCause cause = ResetCause::kPowerOn;
    std::uint32_t place = 0;
  };
  std::vector<SaidBytes> said;                   // one for each of Observations::said
  std::map<std::size_t, std::uint32_t> arrival;  // place in which a byte found the sketch
  std::vector<Stay> stays;
  std::vector<Leftover> leftovers;
  std::vector<Reset> resets;
  std::vector<std::uint64_t> actions;  // cycles at which the sketch began to say something
  std::uint64_t stack_met_data = 0;    // cycle; 0: never
  std::uint32_t stack_place = 0;
};

class SketchSession {
 public:
  // `image` must outlive the session. `baud`: the module's rate as the part's line tells it; 0: it
  // does not.
  static witness::Result<std::unique_ptr<SketchSession>> Create(const ElfImage& image,
                                                                const SketchSettings& settings,
                                                                std::uint32_t baud);

  // Runs without a module until the sketch has said the first byte to it, or for two seconds. What
  // a module does can make no difference before, if it says nothing by itself. A process forked
  // then goes on with Run().
  void Boot();
  witness::Instant booted() const { return booted_; }

  // Once for each session.
  Observations Run(const Part& part, const RunLimits& limits);

  // After Boot(): the software port at which the sketch talks to the person, if nobody said where
  // it does so, it has not opened the UART taken for that, and has one such port besides the
  // module's. A session made anew with it hears what is said there from the first byte on.
  std::optional<SketchPlace> FoundTalk() const;

  Board& board() { return *board_; }
  const Places& places() const { return places_; }
  const SessionLog& log() const { return log_; }
  BoardLine& module_line() { return *module_; }

 private:
  SketchSession() = default;
  witness::Status Connect(const SketchSettings& settings, std::uint32_t baud);
  witness::Result<std::unique_ptr<BoardLine>> MakeLine(const SketchPlace& place,
                                                       std::uint32_t baud);
  void WatchPin(const std::string& name, PinName pin);
  void Look(std::uint64_t now);
  void Hear(const ByteOut& byte);
  void HearTalk(const ByteOut& byte);
  void NoteUnread(std::uint64_t at);
  void Step(std::uint64_t now);
  void ArmPlayer();
  std::uint64_t EarliestStart(const Send& send) const;
  bool Over() const;
  void Keep(std::uint64_t cycle, witness::EventKind kind, witness::Side side, ByteView bytes);
  void Finish(BoardState state, const RunLimits& limits);
  std::string HungWords() const;

  std::unique_ptr<Board> board_;
  std::unique_ptr<BoardLine> module_;
  std::unique_ptr<BoardLine> talk_;
  SketchSettings settings_;
  Places places_;
  SessionLog log_;
  Observations seen_;
  std::uint64_t look_every_ = 0;
  const ElfSymbol* heap_ = nullptr;  // the C library's mark of where the heap ends
  std::uint16_t stack_limit_ = 0;    // first address above all variables

  std::vector<ByteOut> early_;  // said to the module before Run()
  bool booting_ = false;
  Instant booted_;
  std::unique_ptr<Player> player_;
  std::vector<Send> sends_;
  std::uint64_t player_due_ = ~std::uint64_t{0};
  std::size_t expected_ = 0;
  std::size_t expected_lines_ = 0;
  std::size_t lines_ = 0;        // printed
  std::uint64_t last_sign_ = 0;  // cycle at which anything last went over a line or a pin
  std::uint64_t last_talk_ = 0;  // ... at which the sketch or an answer last spoke; 0: not yet
  std::uint64_t goal_reached_ = 0;
  Duration linger_;
  bool break_before_ = false;
  std::uint32_t broken_for_ = 0;  // the last command in front of whose answer a break was sent
};

}  // namespace trial
