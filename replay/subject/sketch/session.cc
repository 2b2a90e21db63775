#include "replay/subject/sketch/session.h"

#include <algorithm>

#include "capture/base/text.h"
#include "replay/subject/sketch/findings.h"
#include "replay/subject/sketch/pin_line.h"
#include "replay/subject/sketch/uart_line.h"

namespace trial {
namespace {

using witness::EventKind;
using witness::Result;
using witness::Side;
using witness::Status;

// Nothing was said to the module and nothing answered for so long (before the first command:
// nothing on any line and no pin): nothing more will come, whatever the sketch prints or blinks by
// the clock. Longer than two reading timeouts of the core (1000 ms, Stream.cpp) and than the usual
// two seconds' wait for a reply.
constexpr Duration kDeadSilence = Duration::Seconds(8);
constexpr Duration kLongestBoot = Duration::Seconds(2);
constexpr std::uint32_t kUsualRate = 9600;  // baud, of most modules (common practice, no source)
constexpr std::uint8_t kCanary[] = {0xb7, 0x3c, 0x95, 0x6a};

}  // namespace

Result<std::unique_ptr<SketchSession>> SketchSession::Create(const ElfImage& image,
                                                             const SketchSettings& settings,
                                                             std::uint32_t baud) {
  std::unique_ptr<SketchSession> session(new SketchSession());
  auto board = Board::Create(image, {settings.mcu, settings.clock_hz});
  if (!board.ok()) return board.status();
  session->board_ = std::move(*board);
  session->settings_ = settings;
  if (Status status = session->Connect(settings, baud); !status.ok()) return status;
  return session;
}

Result<std::unique_ptr<BoardLine>> SketchSession::MakeLine(const SketchPlace& place,
                                                           std::uint32_t baud) {
  if (!place.pins) {
    auto line = UartLine::Create(*board_, place.uart, place.baud != 0 ? place.baud : baud);
    if (!line.ok()) return line.status();
    return std::unique_ptr<BoardLine>(std::move(*line));
  }
  auto receive = ParsePin(place.receive, board_->mcu());
  if (!receive.ok()) return receive.status();
  auto transmit = ParsePin(place.transmit, board_->mcu());
  if (!transmit.ok()) return transmit.status();
  const std::uint32_t rate = place.baud != 0 ? place.baud : baud != 0 ? baud : kUsualRate;
  auto line = PinLine::Create(*board_, *receive, *transmit, rate);
  if (!line.ok()) return line.status();
  return std::unique_ptr<BoardLine>(std::move(*line));
}

Status SketchSession::Connect(const SketchSettings& settings, std::uint32_t baud) {
  auto module = MakeLine(settings.module, baud);
  if (!module.ok()) return module.status();
  module_ = std::move(*module);
  module_->OnByte([this](const ByteOut& byte) { Hear(byte); });
  module_->OnArrival([this](std::size_t index) { log_.arrival[index] = places_.At(*board_); });

  SketchPlace talk;
  if (settings.talk) {
    talk = *settings.talk;
  } else if (!settings.module.pins && settings.module.uart == 0) {
    talk.uart = 1;
  }
  auto line = MakeLine(talk, 0);
  if (line.ok()) {
    talk_ = std::move(*line);
    talk_->OnByte([this](const ByteOut& byte) { HearTalk(byte); });
  } else if (settings.talk) {
    return line.status();
  }

  for (const std::string& name : settings.watch_pins) {
    auto pin = ParsePin(name, board_->mcu());
    if (!pin.ok()) return pin.status();
    if (!board_->HasPort(pin->port))
      return Status(witness::Code::kInvalidArgument,
                    FormatPin(*pin) + " is not on the " + board_->mcu());
    WatchPin(name, *pin);
  }
  for (const Duration at : settings.brown_outs)
    board_->At(board_->ToCycle(Instant() + at), [this](std::uint64_t) { board_->BrownOut(); });
  board_->OnReset([this](ResetCause cause, std::uint64_t now) {
    log_.resets.push_back({now, cause, places_.At(*board_)});
    last_sign_ = now;
  });

  look_every_ = board_->clock_hz() / 1000;
  heap_ = board_->image().Variable("__brkval");
  if (board_->image().data_end != 0) {
    stack_limit_ = static_cast<std::uint16_t>(board_->image().data_end);
    for (std::size_t i = 0; i < sizeof kCanary; ++i)
      board_->SetData(static_cast<std::uint16_t>(stack_limit_ + i), kCanary[i]);
  }
  board_->At(look_every_, [this](std::uint64_t now) { Look(now); });
  return witness::OkStatus();
}

void SketchSession::WatchPin(const std::string& name, PinName pin) {
  board_->WatchPin(pin, [this, name](std::uint64_t now, bool level) {
    last_sign_ = now;
    witness::Event event;
    event.at = board_->ToInstant(now);
    event.kind = EventKind::kPin;
    event.side = Side::kHost;
    event.name = name;
    event.level = level ? 1 : 0;
    seen_.conversation.emplace_back(event);
  });
}

// Every millisecond: where the sketch is, and whether its stack has reached its variables.
void SketchSession::Look(std::uint64_t now) {
  const std::uint32_t place = places_.At(*board_);
  const bool on = board_->InterruptsOn();
  if (!log_.stays.empty()) log_.stays.back().to = now;
  if (log_.stays.empty() || log_.stays.back().place != place)
    log_.stays.push_back({place, now, now, on, 0});
  Stay& stay = log_.stays.back();
  stay.interrupts_on = stay.interrupts_on || on;
  stay.looking += places_.looking() ? 1 : 0;
  if (stack_limit_ != 0 && log_.stack_met_data == 0) {
    std::uint16_t heap_end = 0;
    if (heap_ != nullptr)
      heap_end = static_cast<std::uint16_t>(
          board_->Data(static_cast<std::uint16_t>(heap_->address)) |
          board_->Data(static_cast<std::uint16_t>(heap_->address + 1)) << 8);
    bool met = board_->StackPointer() < std::max(stack_limit_, heap_end);
    if (heap_end == 0)  // else the heap has overwritten them
      for (std::size_t i = 0; i < sizeof kCanary; ++i)
        met = met || board_->Data(static_cast<std::uint16_t>(stack_limit_ + i)) != kCanary[i];
    if (met) {
      log_.stack_met_data = now;
      log_.stack_place = place;
    }
  }
  board_->At(now + look_every_, [this](std::uint64_t then) { Look(then); });
}

void SketchSession::Keep(std::uint64_t cycle, EventKind kind, Side side, ByteView bytes) {
  witness::Event event;
  event.at = board_->ToInstant(cycle);
  event.kind = kind;
  event.side = side;
  event.bytes = bytes;
  seen_.conversation.emplace_back(event);
}

void SketchSession::Hear(const ByteOut& byte) {
  last_sign_ = byte.end;
  last_talk_ = byte.end;
  const char value = static_cast<char>(byte.value);
  Keep(byte.end, byte.framing_error ? EventKind::kBadByte : EventKind::kBytes, Side::kHost,
       ByteView(&value, 1));
  log_.actions.push_back(byte.start);
  if (player_ == nullptr) {
    early_.push_back(byte);
    if (booting_) board_->Stop();
    return;
  }
  if (player_->unfinished().empty() && !player_->commands().empty()) NoteUnread(byte.start);
  player_->Receive(board_->ToInstant(byte.end), ByteView(&value, 1));
  Step(board_->cycle());
}

// A command begins, or the trial ends, while bytes of a reply lie unread.
void SketchSession::NoteUnread(std::uint64_t at) {
  std::size_t waiting = 0;
  if (const auto* uart = dynamic_cast<const UartLine*>(module_.get()))
    waiting = uart->buffer() ? uart->buffer()->Waiting(*board_) : 0;
  if (const auto* pins = dynamic_cast<const PinLine*>(module_.get()))
    waiting = pins->ports() ? pins->ports()->buffer.Waiting(*board_) : 0;
  if (waiting > 0) log_.leftovers.push_back({at, player_->commands().size() + 1, waiting});
}

void SketchSession::HearTalk(const ByteOut& byte) {
  last_sign_ = byte.end;
  log_.actions.push_back(byte.start);
  const Instant at = board_->ToInstant(byte.end);
  const char value = static_cast<char>(byte.value);
  lines_ += value == '\n' ? 1 : 0;
  // One piece for each line, or for what comes without a pause.
  Printed* last = seen_.printed.empty() ? nullptr : &seen_.printed.back();
  if (last == nullptr || last->bytes.back() == '\n' || last->bytes.size() > 4096 ||
      at - last->at > Duration::Milliseconds(50) +
                          Duration::Milliseconds(5) * static_cast<std::int64_t>(last->bytes.size()))
    seen_.printed.push_back({at, false, Bytes(1, value)});
  else
    last->bytes += value;
}

void SketchSession::Boot() {
  booting_ = true;
  board_->RunUntil(board_->ToCycle(Instant() + kLongestBoot));
  booting_ = false;
  booted_ = early_.empty() ? board_->now() : board_->ToInstant(early_.front().start);
}

std::optional<SketchPlace> SketchSession::FoundTalk() const {
  if (settings_.talk || (talk_ != nullptr && talk_->BoardRate() > 0)) return std::nullopt;
  std::vector<OpenSoftwarePort> ports = OpenSoftwarePorts(*board_);
  if (settings_.module.pins) {
    const auto receive = ParsePin(settings_.module.receive, board_->mcu());
    std::erase_if(ports, [&](const OpenSoftwarePort& port) {
      return receive.ok() && port.receive == *receive;
    });
  }
  if (ports.size() != 1) return std::nullopt;
  SketchPlace place;
  place.pins = true;
  place.receive = BoardPinName(ports[0].receive, board_->mcu());
  place.transmit = BoardPinName(ports[0].transmit, board_->mcu());
  place.baud = ports[0].baud;
  return place;
}

void SketchSession::Step(std::uint64_t now) {
  sends_.clear();
  player_->Advance(board_->ToInstant(now), sends_);
  for (const Send& send : sends_) {
    log_.said.push_back({module_->sent().size(), send.bytes.size()});
    if (break_before_ && send.sort != SaidSort::kEcho && send.command != broken_for_) {
      broken_for_ = send.command;
      const std::uint64_t over = module_->SendBreak(board_->ToCycle(send.due));
      witness::Event event;
      event.at = board_->ToInstant(over);
      event.kind = EventKind::kBreak;
      event.side = Side::kModule;
      seen_.conversation.emplace_back(event);
    }
    const std::uint64_t through = module_->Send(EarliestStart(send), send.bytes);
    seen_.said.push_back({send, board_->ToInstant(through)});
    last_sign_ = std::max(last_sign_, module_->IdleFrom());
    if (send.sort != SaidSort::kUnasked) last_talk_ = std::max(last_talk_, module_->IdleFrom());
  }
  if (Over()) {
    board_->Stop();
    return;
  }
  ArmPlayer();
}

// A module that takes CR as the end of a command, and CR LF too, can't know whether an LF follows
// before the time of one has passed: until then it doesn't answer. Else an answer without delay
// would meet the LF of every sketch that sends CR LF.
std::uint64_t SketchSession::EarliestStart(const Send& send) const {
  const std::uint64_t due = board_->ToCycle(send.due);
  const Part& part = player_->part();
  const bool answer = send.sort == SaidSort::kAnswer || send.sort == SaidSort::kUnknownAnswer;
  if (!answer || send.command == 0 || send.command > player_->commands().size()) return due;
  const TakenCommand& command = player_->commands()[send.command - 1];
  for (const Bytes& longer : part.command_end.terminators)
    for (const Bytes& end : part.command_end.terminators)
      if (longer.size() > end.size() && longer.starts_with(end) && command.bytes.ends_with(end))
        return std::max(
            due, board_->ToCycle(command.to + part.line.CharacterTime() *
                                                  std::ssize(longer.substr(end.size())) * 2));
  return due;
}

// All that was expected has been said and answered: goal reached. Then nothing is awaited but what
// the sketch does with the last answer, until it asks again.
bool SketchSession::Over() const {
  if (expected_ == 0) return false;
  const std::size_t taken = player_->commands().size();
  return taken > expected_ ||
         (taken == expected_ && goal_reached_ != 0 && !player_->unfinished().empty());
}

void SketchSession::ArmPlayer() {
  const Instant next = player_->NextAt();
  if (next.never()) return;
  const std::uint64_t due = std::max(board_->ToCycle(next), board_->cycle());
  if (due >= player_due_ && player_due_ > board_->cycle()) return;
  player_due_ = due;
  board_->At(due, [this, due](std::uint64_t now) {
    if (player_due_ != due) return;
    player_due_ = ~std::uint64_t{0};
    Step(now);
  });
}

Observations SketchSession::Run(const Part& part, const RunLimits& limits) {
  linger_ = limits.linger;
  expected_ = limits.expected_commands;
  expected_lines_ = limits.expected_lines;
  if (expected_ == 0)  // the baseline: as many as were recorded
    for (const Rule& rule : part.rules)
      for (const Answer& answer : rule.answers)
        expected_ = std::max<std::size_t>(expected_, answer.turn);
  WaveFlaws flaws;
  flaws.rate = 1 + part.waveform.rate_percent / 100;
  flaws.jitter = part.waveform.jitter_percent / 100;
  flaws.stop_bits = part.waveform.stop_bits;
  flaws.glitch = part.waveform.glitch_percent / 100;
  flaws.glitch_every = part.waveform.glitch_every;
  if (flaws != WaveFlaws{}) module_->SetFlaws(flaws);
  break_before_ = part.waveform.break_before;
  player_ = std::make_unique<Player>(part);
  player_->Start(Instant());
  for (const ByteOut& byte : early_) {
    const char value = static_cast<char>(byte.value);
    player_->Receive(board_->ToInstant(byte.end), ByteView(&value, 1));
  }
  Step(board_->cycle());

  const std::uint64_t end = board_->ToCycle(Instant() + limits.within);
  const std::uint64_t silence = board_->ToCycle(Instant() + kDeadSilence);
  const std::uint64_t linger = board_->ToCycle(Instant() + linger_);
  BoardState state = BoardState::kRunning;
  bool out_of_time = false;
  for (;;) {
    const std::uint64_t now = board_->cycle();
    if (goal_reached_ == 0 && expected_ != 0 && player_->commands().size() >= expected_ &&
        module_->IdleFrom() <= now && seen_.said.size() == log_.said.size()) {
      const Instant next = player_->NextAt();
      bool answered = true;
      // The answer to the last command is still to come if the player has it planned.
      if (!next.never() && !player_->Idle()) answered = false;
      if (answered) goal_reached_ = now;
    }
    if (Over()) break;
    if (goal_reached_ != 0 && now >= goal_reached_ + linger && lines_ >= expected_lines_) break;
    if (now >= (last_talk_ != 0 ? last_talk_ : last_sign_) + silence) break;
    if (now >= end) {
      out_of_time = true;
      break;
    }
    state = board_->RunUntil(std::min(end, now + look_every_ * 5));
    if (state == BoardState::kCrashed || state == BoardState::kAsleep) break;
  }
  seen_.ending = out_of_time ? SubjectEnding::kOutOfTime : SubjectEnding::kOver;
  Finish(state, limits);
  return std::move(seen_);
}

// Where it hangs, if it does: for the last seconds it has been inside something that setup() or
// loop() called and that looks for a byte, or it has interrupts off. A sketch that goes round in
// loop() or has stopped on purpose (for (;;) behind a last word) does not hang.
std::string SketchSession::HungWords() const {
  const std::uint64_t now = board_->cycle();
  const std::uint64_t window = board_->ToCycle(Instant() + kDeadSilence - Duration::Seconds(2));
  const std::uint64_t from = now > window ? now - window : 0;
  std::map<std::uint32_t, std::uint64_t> time;
  std::uint64_t all = 0, idle = 0;
  std::uint32_t looks = 0;
  bool interrupts_on = false;
  for (const Stay& stay : log_.stays) {
    const std::uint64_t begin = std::max(stay.from, from);
    if (stay.to <= begin) continue;
    const Place& place = places_[stay.place];
    const bool inside = place.function != "loop" && place.function != "main" &&
                        !(place.caller == "loop" && place.function == "delay");
    (inside ? time[stay.place] : idle) += stay.to - begin;
    all += stay.to - begin;
    looks += stay.looking;
    interrupts_on = interrupts_on || stay.interrupts_on;
  }
  if (all < window * 9 / 10 || time.empty() || idle > all / 10) return "";
  if (interrupts_on && looks == 0) return "";
  const auto most = std::max_element(
      time.begin(), time.end(), [](const auto& a, const auto& b) { return a.second < b.second; });
  return "hung in " + PlaceWords(places_, most->first) +
         (interrupts_on ? "" : ", with interrupts off");
}

void SketchSession::Finish(BoardState state, const RunLimits& limits) {
  const std::uint64_t now = board_->cycle();
  seen_.virtual_time = true;
  seen_.ended = board_->ToInstant(now);
  seen_.commands = player_->commands();
  if (expected_ != 0 && seen_.commands.size() > expected_) seen_.commands.resize(expected_);
  const bool complete = expected_ != 0 && seen_.commands.size() >= expected_;
  if (!complete) seen_.unfinished = Bytes(player_->unfinished());

  if (complete && state == BoardState::kRunning && player_->commands().size() == expected_)
    NoteUnread(now);
  const std::uint32_t here = places_.At(*board_);
  if (state == BoardState::kCrashed) {
    seen_.ending = SubjectEnding::kCrashed;
    // Where it was last seen: its stack is likely to be among what it has overwritten.
    std::uint32_t known = here;
    for (const Stay& stay : log_.stays)
      if (stay.place != 0) known = stay.place;
    seen_.ending_words =
        "reached outside of its memory or program" +
        (known != 0 ? "; it was last seen in " + PlaceWords(places_, known) : std::string());
  } else if (state == BoardState::kAsleep) {
    seen_.ending = SubjectEnding::kHung;
    seen_.ending_words = "went to sleep with interrupts off: nothing wakes it again";
  } else if (!complete && limits.expected_commands != 0) {
    // It has asked less than the baseline, and time or silence ended the trial.
    if (std::string words = HungWords(); !words.empty()) {
      seen_.ending = SubjectEnding::kHung;
      seen_.ending_words = std::move(words);
    }
  }
  if (seen_.ending == SubjectEnding::kOver && !log_.resets.empty())
    seen_.ending = SubjectEnding::kReset;
  for (const ByteIn& byte : module_->sent()) {
    if (byte.end > now) continue;
    const char value = static_cast<char>(byte.value);
    Keep(byte.end, EventKind::kBytes, Side::kModule, ByteView(&value, 1));
  }
  AddFindings(*board_, *module_, places_, log_, settings_, player_->part(), seen_);
  for (const Printed& printed : seen_.printed) {
    const std::string text = "printed: " + witness::SafeText(printed.bytes);
    witness::Event event;
    event.at = printed.at;
    event.kind = EventKind::kNote;
    event.bytes = text;
    seen_.conversation.emplace_back(event);
  }
  for (const Remark& remark : seen_.remarks) {
    witness::Event event;
    event.at = remark.at;
    event.kind = EventKind::kNote;
    event.bytes = remark.text;
    seen_.conversation.emplace_back(event);
  }
  std::stable_sort(seen_.conversation.begin(), seen_.conversation.end(),
                   [](const witness::OwnedEvent& a, const witness::OwnedEvent& b) {
                     return a.event.at < b.event.at;
                   });
}

}  // namespace trial
