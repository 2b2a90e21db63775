// An invented module at the far end of a ScriptedPort, in virtual time, with its own rate: what is
// sent at another rate reaches it as rubbish, and so does its answer.
#pragma once

#include <map>
#include <optional>
#include <random>
#include <string>
#include <utility>
#include <vector>

#include "capture/profile/profile.h"
#include "tests/support/scripted_port.h"
#include "tests/support/waveform.h"

namespace witness {

struct ModuleSpec {
  enum class Mode { kCommands, kDataSession, kDeaf, kTalker };

  std::string name;
  Mode mode = Mode::kCommands;
  LineSettings line;
  std::vector<Bytes> terminators;   // a command ends with any of these
  std::optional<Duration> silence;  // or after so long a silence
  bool trims = false;               // CR and LF around a command do not count
  EchoKind echo = EchoKind::kOff;   // kOff, kByCharacter or kWhole
  bool any_case = false;
  std::size_t longest = 100'000;  // longer commands are not answered
  std::map<Bytes, std::vector<std::pair<Duration, Bytes>>> answers;  // pause before, piece
  Bytes unknown;                                                     // empty: says nothing
  Duration turnaround = Duration::Milliseconds(20);
  Duration jitter;  // up to so much more, evenly
  Bytes banner;     // after DTR was released and asserted
  std::optional<Duration> unasked_every;
  Bytes unasked;
  bool takes_bad_bytes = false;  // also those with framing or parity errors
};

class ModuleModel {
 public:
  ModuleModel(FakeClock& clock, VirtualDriver& driver, ScriptedPort& port, ModuleSpec spec,
              unsigned seed)
      : clock_(clock), driver_(driver), port_(port), spec_(std::move(spec)), random_(seed) {
    port_.on_configure = [this](const LineSettings& asked) { return host_ = asked; };
    port_.on_written = [this](Instant at, ByteView bytes) { Hear(at, bytes); };
    port_.on_lines = [this](Instant at, std::uint32_t, std::uint32_t asserted) {
      if (asserted && !spec_.banner.empty()) Say(at + Duration::Milliseconds(300), spec_.banner);
    };
    if (spec_.unasked_every) Unasked(clock_.Now() + *spec_.unasked_every);
  }

  const Bytes& commands_taken() const { return taken_; }  // each with a newline

 private:
  using Pieces = std::vector<std::pair<Duration, Bytes>>;

  void Hear(Instant at, ByteView bytes) {
    const Waveform wave(std::max(at, host_free_), bytes, host_);
    host_free_ = wave.End();
    for (const ReceivedByte& one : wave.Receive(spec_.line)) {
      if ((one.framing_error || one.parity_error) && !spec_.takes_bad_bytes) continue;
      driver_.SetTimer(one.at, [this, one](Instant now) { Take(now, one.byte); });
    }
  }

  void Take(Instant now, char byte) {
    switch (spec_.mode) {
      case ModuleSpec::Mode::kDeaf:
      case ModuleSpec::Mode::kTalker:
        return;
      case ModuleSpec::Mode::kDataSession:  // the far side gives it back
        Say(now + Duration::Milliseconds(60), Bytes(1, byte));
        return;
      case ModuleSpec::Mode::kCommands:
        break;
    }
    if (spec_.echo == EchoKind::kByCharacter) Say(now, Bytes(1, byte));
    buffer_ += byte;
    last_ = now;
    for (const Bytes& terminator : spec_.terminators) {
      if (!buffer_.ends_with(terminator)) continue;
      const Bytes whole = std::exchange(buffer_, Bytes());
      if (spec_.echo == EchoKind::kWhole) Say(now, whole);
      Answer(now, whole.substr(0, whole.size() - terminator.size()));
      return;
    }
    if (!spec_.silence) return;
    driver_.SetTimer(now + *spec_.silence, [this, now](Instant then) {
      if (last_ != now || buffer_.empty()) return;
      const Bytes whole = std::exchange(buffer_, Bytes());
      if (spec_.echo == EchoKind::kWhole) Say(then, whole);
      Answer(then, whole);
    });
  }

  void Answer(Instant now, Bytes command) {
    const auto is_ending = [](char c) { return c == '\r' || c == '\n'; };
    if (spec_.trims) {
      while (!command.empty() && is_ending(command.back())) command.pop_back();
      while (!command.empty() && is_ending(command.front())) command.erase(0, 1);
    }
    if (command.empty()) return;
    taken_ += command + "\n";
    if (command.size() > spec_.longest) return;
    if (spec_.any_case)
      for (char& c : command) c = static_cast<char>(std::toupper(static_cast<unsigned char>(c)));
    Instant at = now + spec_.turnaround;
    if (spec_.jitter > Duration::Zero())
      at = at + Duration::Nanoseconds(static_cast<std::int64_t>(
                    random_() % static_cast<std::uint64_t>(spec_.jitter.ns())));
    const auto found = spec_.answers.find(command);
    Pieces pieces;
    if (found != spec_.answers.end())
      pieces = found->second;
    else if (!spec_.unknown.empty())
      pieces = {{Duration::Zero(), spec_.unknown}};
    SayNext(at, std::move(pieces), 0);
  }

  // Piece by piece in its time, so that an echo or something unasked can come between.
  void SayNext(Instant at, Pieces pieces, std::size_t i) {
    if (i == pieces.size()) return;
    const Instant when = at + pieces[i].first;
    driver_.SetTimer(when, [this, pieces = std::move(pieces), i](Instant now) {
      const Instant end = Say(now, pieces[i].second);
      SayNext(end, pieces, i + 1);
    });
  }

  void Unasked(Instant at) {
    driver_.SetTimer(at, [this](Instant now) {
      Say(now, spec_.unasked);
      Unasked(now + *spec_.unasked_every);
    });
  }

  // Returns when the last bit has left.
  Instant Say(Instant at, const Bytes& bytes) {
    const Waveform wave(std::max(at, free_), bytes, spec_.line);
    free_ = wave.End();
    for (const ReceivedByte& one : wave.Receive(host_)) {
      if (one.framing_error || one.parity_error)
        port_.SayBad(one.at, one.byte);
      else
        port_.Say(one.at, Bytes(1, one.byte));
    }
    return free_;
  }

  FakeClock& clock_;
  VirtualDriver& driver_;
  ScriptedPort& port_;
  ModuleSpec spec_;
  std::mt19937 random_;
  LineSettings host_;
  Instant host_free_;
  Instant free_;
  Bytes buffer_;
  Instant last_;
  Bytes taken_;
};

}  // namespace witness
