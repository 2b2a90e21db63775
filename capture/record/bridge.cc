#include "capture/record/bridge.h"

#include <algorithm>
#include <utility>

namespace witness {
namespace {

// Reading pauses above the first and goes on below the second.
constexpr std::size_t kFull = 256 * 1024;
constexpr std::size_t kRoom = 64 * 1024;
constexpr Duration kLookAgain = Duration::Milliseconds(1);
constexpr Duration kLookForRequests = Duration::Milliseconds(50);
constexpr Duration kRecordWithin = Duration::Milliseconds(50);
// A peer that takes nothing must not hold up a request for ever.
constexpr Duration kDrainLimit = Duration::Seconds(2);
constexpr int kBreakCharacters = 2;
constexpr Duration kShortestBreak = Duration::Milliseconds(5);

}  // namespace

void PassingDelays::Add(Duration delay) {
  double limit = 1;  // microseconds
  int step = 0;
  for (; step + 1 < kSteps && static_cast<double>(delay.ns()) > limit * 1000; ++step) limit *= 1.25;
  ++steps_[static_cast<std::size_t>(step)];
  ++count_;
}

Duration PassingDelays::Within(double share) const {
  double limit = 1;
  std::uint64_t seen = 0;
  for (int step = 0; step < kSteps; ++step, limit *= 1.25) {
    seen += steps_[static_cast<std::size_t>(step)];
    if (seen > 0 && static_cast<double>(seen) >= share * static_cast<double>(count_)) break;
  }
  return Duration::Nanoseconds(static_cast<std::int64_t>(std::min(limit * 1000, 9e18)));
}

Bridge::Bridge(Driver& driver, Recorder& recorder, Port& host, Port& module, OnEnd on_end,
               const LineSettings& got, bool pass_lines)
    : driver_(driver),
      recorder_(recorder),
      on_end_(std::move(on_end)),
      got_(got),
      pass_lines_(pass_lines),
      alive_(std::make_shared<bool>(true)) {
  recorder_.HoldBytes(kRecordWithin);
  host.ShowSettings(got_);
  host.TakeRequests();  // how the program's side stands at the beginning
  Attach(Side::kHost, host);
  Attach(Side::kModule, module);
  LookForRequests();
}

Bridge::~Bridge() {
  *alive_ = false;
  Leave(Side::kHost);
  Leave(Side::kModule);
}

void Bridge::Leave(Side side) {
  Port*& port = PortOf(side);
  if (port == nullptr) return;
  driver_.RemovePort(*port);
  port = nullptr;
  if (side == Side::kModule) waiting_.clear();
  // Whoever was held back for a slow peer need not wait for one that is gone.
  if (Port* other = PortOf(Other(side))) driver_.PauseReading(*other, false);
}

void Bridge::Join(Side side, Port& port) {
  Leave(side);
  Attach(side, port);
}

void Bridge::Attach(Side side, Port& port) {
  PortOf(side) = &port;
  PortHandlers handlers = recorder_.Handlers(
      side, [this, side](Instant at, ByteView bytes) { OnBytes(side, at, bytes); },
      [this, side](Instant, ReadOutcome why, const Status& status) {
        if (on_end_) on_end_(side, why, status);
      });
  // A byte that came with an error goes over as what was read; the error itself can't.
  handlers.on_bad_byte = [this, side, record = std::move(handlers.on_bad_byte)](Instant at,
                                                                                ByteView byte) {
    OnBytes(side, at, byte);
    record(at, byte);
  };
  handlers.on_break = [this, side, record = std::move(handlers.on_break)](Instant at) {
    PassBreak(Other(side));
    record(at);
  };
  handlers.on_lines = [this, side, record = std::move(handlers.on_lines)](
                          Instant at, std::uint32_t asserted, std::uint32_t changed) {
    PassLines(side, asserted, changed);
    record(at, asserted, changed);
  };
  if (side == Side::kHost)
    handlers.on_request = [this](Instant at, const LineRequest& request) {
      OnRequest(at, request);
    };
  driver_.AddPort(port, std::move(handlers));
  ShowLinesOf(side);
  ShowLinesOf(Other(side));
}

std::size_t Bridge::Unwritten() const {
  std::size_t out = 0;
  for (const Waiting& one : waiting_) out += one.bytes.size();
  if (host_ != nullptr) out += driver_.Unwritten(*host_);
  if (module_ != nullptr) out += driver_.Unwritten(*module_);
  return out;
}

void Bridge::OnBytes(Side side, Instant at, ByteView bytes) {
  if (side == Side::kHost)
    for (const LineRequest& request : host_->TakeRequests()) OnRequest(at, request);
  if (side == Side::kHost && !waiting_.empty()) {
    if (waiting_.back().request) waiting_.emplace_back();
    waiting_.back().bytes += bytes;
    return;
  }
  PassAndMeasure(side, at, bytes);
}

void Bridge::PassAndMeasure(Side from, Instant at, ByteView bytes) {
  Pass(from, bytes);
  const Port* to = PortOf(Other(from));
  if (to != nullptr && driver_.Unwritten(*to) == 0) delays_.Add(driver_.clock().Now() - at);
}

void Bridge::Pass(Side from, ByteView bytes) {
  Port* to = PortOf(Other(from));
  if (to == nullptr) return;
  driver_.Write(*to, bytes);
  if (driver_.Unwritten(*to) <= kFull || PortOf(from) == nullptr) return;
  driver_.PauseReading(*PortOf(from), true);
  AwaitRoom(from);
}

void Bridge::AwaitRoom(Side from) {
  After(kLookAgain, [this, from] {
    Port* to = PortOf(Other(from));
    if (to != nullptr && driver_.Unwritten(*to) > kRoom)
      AwaitRoom(from);
    else if (PortOf(from) != nullptr && (from == Side::kModule || waiting_.empty()))
      driver_.PauseReading(*PortOf(from), false);
  });
}

void Bridge::OnRequest(Instant at, const LineRequest& request) {
  if (request.settings && !(*request.settings == got_))
    recorder_.Note(at, "host asks for " + FormatLineSettings(*request.settings));
  if (request.line_mask != 0) {
    host_lines_ = (host_lines_ & ~request.line_mask) | (request.line_levels & request.line_mask);
    Event event;
    event.at = at;
    event.kind = EventKind::kLineChange;
    event.side = Side::kHost;
    event.lines = host_lines_;
    event.changed = request.line_mask;
    recorder_.Record(event);
  }
  if (request.break_on == true) {
    Event event;
    event.at = at;
    event.kind = EventKind::kBreak;
    event.side = Side::kHost;
    recorder_.Record(event);
  }
  Waiting one;
  one.request = request;
  waiting_.push_back(std::move(one));
  if (waiting_.size() == 1) give_up_ = driver_.clock().Now() + kDrainLimit;
  if (!working_off_) WorkOffWaiting();
}

// Settings, lines and breaks change the line at once, bytes take their time: first those that were
// said before have to leave.
void Bridge::WorkOffWaiting() {
  working_off_ = false;
  while (!waiting_.empty() && module_ != nullptr) {
    if (!waiting_.front().request) {
      Pass(Side::kHost, waiting_.front().bytes);
      waiting_.pop_front();
      give_up_ = driver_.clock().Now() + kDrainLimit;
      continue;
    }
    const bool empty = driver_.Unwritten(*module_) == 0 && module_->Draining() == 0;
    if (!empty && driver_.clock().Now() < give_up_) {
      if (host_ != nullptr) driver_.PauseReading(*host_, true);
      working_off_ = true;
      After(kLookAgain, [this] { WorkOffWaiting(); });
      return;
    }
    const LineRequest request = *waiting_.front().request;
    waiting_.pop_front();
    Apply(request);
  }
  if (host_ == nullptr) return;
  if (module_ == nullptr || driver_.Unwritten(*module_) <= kFull)
    driver_.PauseReading(*host_, false);
}

void Bridge::Apply(const LineRequest& request) {
  const Instant now = driver_.clock().Now();
  if (request.settings) {
    if (!(*request.settings == got_)) {
      const Result<LineSettings> got = module_->Configure(*request.settings);
      if (!got.ok())
        recorder_.Note(now, got.status().message());
      else if (got->baud != 0 && !(*got == *request.settings))
        recorder_.Note(now, "the module's port took " + FormatLineSettings(*got));
      if (got.ok()) got_ = *got;
      // A port without a rate of its own takes what is said to it.
      if (got_.baud == 0) got_ = *request.settings;
    }
    if (host_ != nullptr) host_->ShowSettings(got_);
  }
  std::uint32_t mask = request.line_mask;
  if (got_.flow == FlowControl::kRtsCts) mask &= ~static_cast<std::uint32_t>(kRts);
  if (mask != 0 && pass_lines_) module_->SetLines(mask, request.line_levels).Ignore();
  if (request.break_on) module_->SetBreak(*request.break_on).Ignore();
}

void Bridge::PassBreak(Side to) {
  Port* port = PortOf(to);
  if (port == nullptr || !port->SetBreak(true).ok()) return;
  After(std::max(kShortestBreak, got_.CharacterTime() * kBreakCharacters), [this, to, port] {
    if (PortOf(to) == port) port->SetBreak(false).Ignore();
  });
}

void Bridge::PassLines(Side from, std::uint32_t asserted, std::uint32_t changed) {
  Port* to = PortOf(Other(from));
  if (to == nullptr || !pass_lines_) return;
  if (got_.flow == FlowControl::kRtsCts) changed &= ~static_cast<std::uint32_t>(kCts);
  to->ShowLines(asserted, changed);
}

// At the beginning: told to who wants to know, but no line is set by it. A line that is not wired
// must not take down the one across.
void Bridge::ShowLinesOf(Side side) {
  Port* port = PortOf(side);
  if (port == nullptr || PortOf(Other(side)) == nullptr) return;
  if (const Result<ModemLines> lines = port->Lines(); lines.ok())
    PassLines(side, lines->asserted, 0);
}

// What a program asks for without saying anything.
void Bridge::LookForRequests() {
  After(kLookForRequests, [this] {
    if (host_ != nullptr)
      for (const LineRequest& request : host_->TakeRequests())
        OnRequest(driver_.clock().Now(), request);
    LookForRequests();
  });
}

void Bridge::After(Duration wait, std::function<void()> call) {
  driver_.SetTimer(driver_.clock().Now() + wait, [alive = alive_, call = std::move(call)](Instant) {
    if (*alive) call();
  });
}

}  // namespace witness
