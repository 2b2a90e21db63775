// The segmenter's core: bursts in, segments out, conventions given. Deterministic; see
// segmenter.h for what is promised.
#pragma once

#include <array>
#include <deque>
#include <functional>
#include <memory>
#include <vector>

#include "capture/examine/conventions.h"
#include "capture/examine/mixed_echo.h"
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

  // Of talk that is taken past the machine, see plain/shortcut.h. Whether all that was said is
  // complete, as far as can be told, and in doubt in no way: the last answer, or what the module
  // said where the host is not heard.
  bool IsSettled() const;
  // Then: gives out all of it.
  void Settle();
  // Then: so many more commands were said and answered since, and when they last spoke.
  void PassOver(std::uint64_t commands, Instant host_last, Instant module_last);

 private:
  // A person types on after this long; a program does not (common practice, no source).
  static constexpr Duration kTypedPause = Duration::Seconds(2);

  // A command that is not yet settled.
  struct Asked {
    std::uint64_t turn = 0;
    Bytes text;  // up to kKeptText bytes
    Instant last;
    bool complete = false;  // its line ending came, or the host was silent
    std::size_t echoed = 0;
    std::uint8_t rub_out = 0;  // how much of "\b \b" was given back for a backspace; 0: all
    enum class Echo : std::uint8_t { kTrying, kDone, kNone } echo = Echo::kTrying;
    bool replied = false;
    bool over = false;  // nothing more belongs to its answer
  };
  // A piece of an echo that came between two bytes of a slot.
  struct MixedIn {
    Slot* slot = nullptr;
    std::size_t offset = 0;  // so many bytes of the slot came before it
    Slot* piece = nullptr;
  };
  struct Lane {
    Slot* open = nullptr;
    bool heard = false;
    Instant last;           // stamp of the last byte
    bool may_pair = false;  // the last byte was the first of a line's two last ones
  };

  Slot* NewSlot(SegmentKind kind, Side side);
  // Into the queue, by start, but not before the command that it belongs to.
  void Place(Slot* slot);
  void Release();  // gives out what is closed at the front
  // Moves what `slot` has from `offset` on into `rest`.
  void Split(Slot& slot, std::size_t offset, Slot& rest);
  void Close(Lane& lane, EndedBy why, Duration quiet);
  void CloseSlot(Slot& slot, EndedBy why, Duration quiet);
  void CloseAll(EndedBy why, Duration quiet);
  bool BeginsAsBanner(ByteView bytes) const;
  // The module began anew in the midst of what it says: its banner stands behind a silence in it.
  void CutBanner();
  void TellUnasked(Slot& slot);  // a block that is such
  void Mark(const TapeItem& item, SegmentKind kind);
  // Whether the module's line goes on with it, though there was a pause: it is the LF of a CR, or
  // the line showed no end.
  bool LineGoesOn(const Tape& tape, const TapeItem& item, Duration idle) const;
  void NobodySpoke(Instant from, Instant to);
  void LimitSize(Lane& lane);
  void DoubtPause(Slot& slot, Duration idle);  // a pause that was nearly a boundary

  void TakeHost(const Tape& tape, const TapeItem& item);
  void TakeModule(const Tape& tape, const TapeItem& item) {
    const bool may_hold = !held_.items.empty() || (host_began_ && conventions_.echo);
    if (!may_hold || !HoldsBack(tape, item)) SayModule(tape, item, 0, item.size);
  }
  void SayModule(const Tape& tape, const TapeItem& item, std::size_t from, std::size_t to);
  void TakeOther(const Tape& tape, const TapeItem& item);
  void BeginCommand(const TapeItem& item, Duration idle);
  bool TypedByHand(const Slot& slot) const;
  // Whether the end of a line at `line`, in what the host said now, is nothing but a byte of that
  // value.
  bool EndsByChance(ByteView bytes, std::size_t line) const;
  // The same of what it said before, if `next` follows without a pause.
  bool EndedByChance(ByteView said, ByteView next) const;
  // Where commands end with the same byte several times: whether this one does, and behind which of
  // `bytes` from `from` on it does, where `said` came before; 0: it goes on.
  bool EndsWithByteMark(ByteView said) const;
  std::size_t EndOfMarked(ByteView said, ByteView bytes, std::size_t from) const;
  // Where commands end by silence: whether the host has waited longer than answers take, so that
  // what it says now is another command though the silence is short.
  bool WaitedInVain(Duration idle) const;
  // Whether all that the host said was given back, and nothing else came, where commands end by
  // silence.
  bool WasGivenBack() const;
  void CloseLine(bool line, bool block_follows);
  // The same: whether the module answered what the host said last, to whatever command.
  bool AnsweredSince() const;
  // The host's command is open, the module has answered, and the host speaks on.
  void SpeakOnAfterReply(Instant at, ByteView bytes, Duration idle);
  // What the module said just before the command began `at` may answer it: two ports have two
  // clocks of lateness.
  void AdoptEarlyReply(Asked& asked, Instant at);
  // The module spoke in the middle of a command, which goes on `at`: that was no answer to it.
  void TakeBackReply(Asked& asked, Instant at);

  Asked* EchoedBy(ByteView bytes);
  // How many bytes from `from` on were echo (or were taken for it and made a reply instead).
  std::size_t TakeEcho(const Tape& tape, const TapeItem& item, std::size_t from);
  // How many of `bytes` give back more of the command.
  static std::size_t MatchEcho(Asked& asked, ByteView bytes);
  bool EchoIsWhole(const Asked& asked, char next);
  void EchoFailed(Asked& asked);
  void SettleEcho();                   // nothing more comes behind it
  void SettleFollowedEcho(char next);  // something else comes behind it
  void Retell(Slot& slot);             // kind of what follows an unasked line

  // Whether the module may give a command back between the bytes of an answer before.
  bool EchoMayBeMixed() const;
  // Then what it says is held back until it shows.
  bool HoldsBack(const Tape& tape, const TapeItem& item);
  void SettleHeld();
  // How much of what was said is what earlier commands still had to get back.
  std::size_t EchoesBefore(ByteView said) const;
  // Whether the command under way stands in it in one piece.
  bool CameBackWhole(ByteView said) const;
  // Says what was held back if the command under way is mixed into it, or into that and the last
  // of what was said before.
  bool SayIfMixed(const Tape& held);
  Duration Late() const;  // by how much a stamp may be
  std::optional<MixedEcho> FindEcho(const StampedBytes& said, std::size_t from,
                                    const StampedBytes& command) const;
  // Takes back what the open reply says from `offset` on, 0 < offset < size.
  Tape TakeBackFrom(std::size_t offset);
  StampedBytes CommandUnderWay() const;
  void SayMixed(const Tape& held, const MixedEcho& echo);
  // Closes a slot that has pieces of an echo mixed in, as the pieces that it really is.
  // Where `slot` ends and `rest` begins within an event that held an echo, too: bytes of `slot`
  // that stand in one event are not neighbours then. `echo`: the last before the cut at `cut`.
  static void PlaceInEvents(Segment& slot, Segment& rest, const MixedIn& echo, std::size_t cut);
  // False if it has none.
  bool TakeApart(Slot& slot, EndedBy why, Duration quiet);

  void OpenModule(const TapeItem& item, Duration idle);
  void ScanLines();
  void EndOfLine(std::size_t end);
  void FlushLine();
  bool KnownUnasked(ByteView line) const;
  // Whether, behind a pause that is too short for a silence, a block comes that is none of the
  // answer under way.
  bool BeginsUnaskedBlock(ByteView bytes, Duration idle) const;
  // What such a line is the second answer to, if it comes now.
  const Conventions::SecondAnswer* SecondAnswerOf(ByteView line) const;
  // Whether an answer is complete with `unit`, its last line with its ending.
  bool IsLastLine(ByteView unit) const;
  // Whether it ends as prompts do: "name? ".
  static bool LooksLikePrompt(ByteView bytes);
  // Whether it ends with the prompt for data that some commands want (common practice, no source).
  bool AsksForMore(const Slot& slot) const;
  // Whether what came behind the end of a complete answer, without a silence, up to `end` is more
  // of it: a prompt, or information that bears the command's name (V.250 5.4).
  bool BelongsToAnswer(const Slot& slot, std::size_t end) const;
  Asked* Answering();
  void DropSettled();
  void ForgetFirst();  // of asked_

  const Conventions& conventions_;
  const SegmenterOptions& options_;
  Sink sink_;
  Duration silence_;
  char pair_first_, pair_second_;         // of a line's end: CR and LF, or the other way
  Bytes prompt_ends_;                     // last bytes of what answers end with in place of a line
  std::array<bool, 256> ends_unit_ = {};  // CR, LF and those
  std::array<bool, 256> begins_unasked_ = {};  // first bytes of lines that may be unasked
  Bytes spare_text_;                           // of a command that is settled: used again

  std::deque<Slot*> queue_;
  std::vector<std::unique_ptr<Slot>> slots_;
  std::vector<Slot*> free_;

  Lane host_, module_, other_;
  std::vector<MixedIn> mixed_in_;  // of slots that are open, by offset
  Tape held_;  // what the module said since a command began that may be given back in between
  bool anybody_ = false;
  Instant last_any_;
  std::uint64_t turns_ = 0;
  std::deque<Asked> asked_;
  Slot* echo_ = nullptr;         // echo under way or just complete
  std::uint64_t echo_turn_ = 0;  // of `echo_`
  bool host_began_ = false;      // a command began since the last byte of the module
  Instant host_began_at_;
  std::size_t host_began_bytes_ = 0;
  bool pair_waits_ = false;  // module's line ended with CR; LF may follow
  bool doubt_next_ = false;  // the next command may be the rest of the last
  bool cut_next_ = false;    // an unasked line is over: the next byte begins anew
  // The last command that was taken for unanswered when another came, until a reply comes.
  bool gave_up_ = false;
  Instant gave_up_at_;  // its end
  Bytes banner_head_;
};

}  // namespace witness
