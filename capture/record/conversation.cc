#include "capture/record/conversation.h"

#include <optional>
#include <utility>

namespace witness {
namespace {

class PortConversation : public Conversation {
 public:
  PortConversation(Driver& driver, Recorder& recorder, Port& port, const LineSettings& got)
      : driver_(driver), recorder_(recorder), port_(port), settings_(got) {
    PortHandlers handlers = recorder_.Handlers(
        Side::kModule,
        [this](Instant at, ByteView bytes) {
          if (!collector_) return;
          collector_->OnBytes(at, bytes, recorder_.events());
          AwaitSilence();
        },
        [this](Instant, ReadOutcome, const Status& status) {
          End(status.ok() ? Status(Code::kDisconnected, port_.name() + ": the port was closed")
                          : status);
        });
    handlers.on_bad_byte = [this, record = std::move(handlers.on_bad_byte)](Instant at,
                                                                            ByteView byte) {
      if (collector_) {
        collector_->OnBadByte(at, byte, recorder_.events());
        AwaitSilence();
      }
      record(at, byte);
    };
    driver_.AddPort(port_, std::move(handlers));
    driver_.OnInterrupt([this](Instant) { End(Status(Code::kInterrupted, "interrupted")); });
    recorder_.OnFailure([this](const Status& status) { End(status); });
  }

  ~PortConversation() override {
    driver_.RemovePort(port_);
    driver_.OnInterrupt({});
    recorder_.OnFailure({});
  }
  PortConversation(const PortConversation&) = delete;
  PortConversation& operator=(const PortConversation&) = delete;

  Instant Now() override { return driver_.clock().Now(); }

  Result<Heard> Exchange(ByteView command, const Patience& patience) override {
    if (Status s = Settle(); !s.ok()) return s;
    collector_.emplace(patience);
    const Instant now = Now();
    collector_->Begin(now,
                      now + settings_.CharacterTime() * static_cast<std::int64_t>(command.size()),
                      command, recorder_.events());
    if (!command.empty()) {
      recorder_.RecordBytes(now, Side::kHost, command);
      driver_.Write(port_, command);
    }
    Status s = end_;
    if (s.ok()) {
      replying_ = false;
      Await();
      s = RunDriver();
      awaiting_ = false;
    }
    Heard heard = collector_->heard();
    collector_.reset();
    if (!s.ok()) return s;
    return heard;
  }

  Result<Heard> Listen(Duration length) override {
    Patience patience;
    patience.wait = length;
    patience.quiet = length;
    if (Status s = Settle(); !s.ok()) return s;
    collector_.emplace(patience);
    collector_->Begin(Now(), Now(), {}, recorder_.events());
    StopAt(Now() + length);
    const Status s = RunDriver();
    Heard heard = collector_->heard();
    heard.ended_at = Now();
    heard.end = heard.nothing() ? HeardEnd::kNothing : HeardEnd::kQuiet;
    collector_.reset();
    if (!s.ok()) return s;
    return heard;
  }

  Result<LineSettings> Configure(const LineSettings& settings) override {
    if (!end_.ok()) return end_;
    Result<LineSettings> got = port_.Configure(settings);
    if (got.ok()) settings_ = *got;
    return got;
  }

  Status Pulse(std::uint32_t line_bit, Duration length) override {
    if (!end_.ok()) return end_;
    if (Status s = port_.SetLines(line_bit, 0); !s.ok()) return s;
    RecordLine(line_bit, false);
    StopAt(Now() + length);
    const Status waited = RunDriver();
    const Status raised = port_.SetLines(line_bit, line_bit);
    RecordLine(line_bit, true);
    return waited.ok() ? raised : waited;
  }

  void Note(std::string_view text) override { recorder_.Note(Now(), text); }

 private:
  void End(const Status& why) {
    if (end_.ok()) end_ = why;
    driver_.Stop();
  }

  Status RunDriver() {
    const Status ran = end_.ok() ? driver_.Run() : end_;
    // Whatever ended the run, no timer of this call may fire in a later one.
    if (timer_) driver_.CancelTimer(*timer_);
    timer_.reset();
    return ran.ok() ? end_ : ran;
  }

  void StopAt(Instant at) {
    timer_ = driver_.SetTimer(at, [this](Instant) { driver_.Stop(); });
  }

  // Takes what has come in while nobody listened, so that it is not heard as an answer.
  Status Settle() {
    driver_.SetTimer(
        Now(), [this](Instant now) { driver_.SetTimer(now, [this](Instant) { driver_.Stop(); }); });
    return RunDriver();
  }

  // The first bytes of a reply turn waiting for it into waiting for its end.
  void AwaitSilence() {
    if (!awaiting_ || replying_ || collector_->only_echo()) return;
    replying_ = true;
    if (timer_) driver_.CancelTimer(*timer_);
    Await();
  }

  void Await() {
    awaiting_ = true;
    timer_ = driver_.SetTimer(collector_->Deadline(), [this](Instant now) {
      if (collector_->Done(now))
        driver_.Stop();
      else
        Await();
    });
  }

  void RecordLine(std::uint32_t line_bit, bool asserted) {
    Event event;
    event.at = Now();
    event.kind = EventKind::kLineChange;
    event.side = Side::kHost;
    event.lines = asserted ? line_bit : 0;
    event.changed = line_bit;
    recorder_.Record(event);
  }

  Driver& driver_;
  Recorder& recorder_;
  Port& port_;
  LineSettings settings_;
  std::optional<ExchangeCollector> collector_;
  std::optional<TimerId> timer_;
  bool awaiting_ = false;  // an exchange is on; its timer is set
  bool replying_ = false;  // its timer waits for silence
  Status end_;
};

}  // namespace

std::unique_ptr<Conversation> TalkThrough(Driver& driver, Recorder& recorder, Port& port,
                                          const LineSettings& got) {
  return std::make_unique<PortConversation>(driver, recorder, port, got);
}

}  // namespace witness
