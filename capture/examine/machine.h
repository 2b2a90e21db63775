// The segmenter's core: bursts in, segments out, conventions given. Deterministic; see
// segmenter.h for what is promised.
#pragma once

#include <array>
#include <deque>
#include <functional>
#include <memory>
#include <vector>

#include "capture/examine/conventions.h"
#include "capture/examine/segmenter.h"
#include "capture/examine/slot.h"
#include "capture/examine/tape.h"

namespace witness {

class SegmentMachine {
 public:
  using Sink = std::function<void(Slot& slot)>;  // may be changed: it is given up
  SegmentMachine(const Conventions& conventions, const SegmenterOptions& options, Sink sink);
  ~SegmentMachine();

  void Take(const Tape& tape, const TapeItem& item);
  void Finish();

 private:
  // A command that is not yet settled.
  struct Asked {
    std::uint64_t turn = 0;
    Bytes text;  // up to kKeptText bytes
    Instant last;
    bool complete = false;  // its line ending came, or the host was silent
    std::size_t echoed = 0;
    enum class Echo : std::uint8_t { kTrying, kDone, kNone } echo = Echo::kTrying;
    bool replied = false;
    bool over = false;  // nothing more belongs to its answer
  };
  struct Lane {
    Slot* open = nullptr;
    bool heard = false;
    Instant last;  // stamp of the last byte
    bool last_was_cr = false;
  };

  Slot* NewSlot(SegmentKind kind, Side side);
  void Place(Slot* slot);  // into the queue, by start
  void Release();          // gives out what is closed at the front
  void Close(Lane& lane, EndedBy why, Duration quiet);
  void CloseSlot(Slot& slot, EndedBy why, Duration quiet);
  void CloseAll(EndedBy why, Duration quiet);
  void Mark(const TapeItem& item, SegmentKind kind);
  // Whether it is the LF of a CR that the module said before, though there was a pause.
  bool LineFeedDue(const Tape& tape, const TapeItem& item, Duration idle) const;
  void NobodySpoke(Instant from, Instant to);
  void LimitSize(Lane& lane);
  void DoubtPause(Slot& slot, Duration idle);  // a pause that was nearly a boundary

  void TakeHost(const Tape& tape, const TapeItem& item);
  void TakeModule(const Tape& tape, const TapeItem& item);
  void TakeOther(const Tape& tape, const TapeItem& item);
  void BeginCommand(const TapeItem& item, Duration idle);
  bool TypedByHand(const Slot& slot) const;
  // Where the host does not speak in lines: whether the end of one at `line`, in what it said now,
  // is nothing but a byte of that value.
  bool EndsByChance(ByteView bytes, std::size_t line) const;
  // What the module said just before the command began `at` may answer it: two ports have two
  // clocks of lateness.
  void AdoptEarlyReply(Asked& asked, Instant at);
  // The module spoke in the middle of a command, which goes on `at`: that was no answer to it.
  void TakeBackReply(Asked& asked, Instant at);

  Asked* EchoedBy(ByteView bytes);
  // How many bytes from `from` on were echo (or were taken for it and made a reply instead).
  std::size_t TakeEcho(const Tape& tape, const TapeItem& item, std::size_t from);
  static bool EchoIsWhole(const Asked& asked, char next);
  void EchoFailed(Asked& asked);
  void SettleEcho();                   // nothing more comes behind it
  void SettleFollowedEcho(char next);  // something else comes behind it
  void Retell(Slot& slot);             // kind of what follows an unasked line
  void OpenModule(const TapeItem& item, Duration idle);
  void ScanLines();
  void EndOfLine(std::size_t end);
  void FlushLine();
  bool KnownUnasked(ByteView line) const;
  // Whether an answer is complete with `unit`, its last line with its ending.
  bool IsLastLine(ByteView unit) const;
  // Whether it ends with the prompt for data that some commands want (common practice, no source).
  bool AsksForMore(const Slot& slot) const;
  Asked* Answering();
  void DropSettled();
  void ForgetFirst();  // of asked_

  const Conventions& conventions_;
  const SegmenterOptions& options_;
  Sink sink_;
  Duration silence_;
  Bytes prompt_ends_;                     // last bytes of what answers end with in place of a line
  std::array<bool, 256> ends_unit_ = {};  // CR, LF and those
  std::array<bool, 256> begins_unasked_ = {};  // first bytes of lines that may be unasked
  Bytes spare_text_;                           // of a command that is settled: used again

  std::deque<Slot*> queue_;
  std::vector<std::unique_ptr<Slot>> slots_;
  std::vector<Slot*> free_;

  Lane host_, module_, other_;
  bool anybody_ = false;
  Instant last_any_;
  std::uint64_t turns_ = 0;
  std::deque<Asked> asked_;
  Slot* echo_ = nullptr;         // echo under way or just complete
  std::uint64_t echo_turn_ = 0;  // of `echo_`
  bool host_began_ = false;      // a command began since the last byte of the module
  Instant host_began_at_;
  std::size_t host_began_bytes_ = 0;
  bool cr_waits_ = false;  // module's line ended with CR; LF may follow
  bool cut_next_ = false;  // an unasked line is over: the next byte begins anew
  // The last command that was taken for unanswered when another came, until a reply comes.
  bool gave_up_ = false;
  Instant gave_up_at_;  // its end
  Bytes banner_head_;
};

}  // namespace witness
