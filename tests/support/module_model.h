// An invented module at the far end of a ScriptedPort, in virtual time, with its own rate: what is
// sent at another rate reaches it as rubbish, and so does its answer.
#pragma once

#include <functional>
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
  enum class Mode { kCommands, kDataSession, kDeaf, kTalker, kMenu };  // kMenu: each byte acts

  std::string name;
  Mode mode = Mode::kCommands;
  LineSettings line;
  std::vector<Bytes> terminators;   // a command ends with any of these
  std::optional<Duration> silence;  // or after so long a silence
  bool trims = false;               // CR and LF around a command do not count
  bool drops_controls = false;      // control characters count nowhere but in a terminator
  EchoKind echo = EchoKind::kOff;   // kOff, kByCharacter or kWhole
  bool any_case = false;
  std::size_t longest = 100'000;  // longer commands are not answered
  std::map<Bytes, std::vector<std::pair<Duration, Bytes>>> answers;  // pause before, piece
  Bytes unknown;                                                     // empty: says nothing
  Duration turnaround = Duration::Milliseconds(20);
  Duration jitter;                  // up to so much more, evenly
  Duration slow_extra;              // and so much more for one answer in five
  std::map<Bytes, Duration> extra;  // and for these commands
  Bytes banner;                     // after DTR was released and asserted
  Duration banner_after = Duration::Milliseconds(300);
  std::optional<Duration> unasked_every;
  Bytes unasked;
  bool takes_bad_bytes = false;  // also those with framing or parity errors

  // Ways that are met more rarely.
  double rate_error = 0;           // its clock is off by this share
  Duration pace;                   // between two bytes of what it says
  bool echo_printable = false;     // only those come back
  Bytes prompt;                    // after each answer, also to an empty command
  Bytes on_empty;                  // what an empty command is answered
  std::optional<Duration> sleeps;  // after so long a silence: the first byte only wakes it
  Bytes busy;                      // every seventh command is answered so
  std::optional<Duration> noise;   // a random byte so often, on the way to the host
  bool counts = false;             // '%' in an answer is a digit that counts up
  std::function<bool(const Bytes&)> well_formed;  // else the command is answered `malformed`
  Bytes malformed;

  // Manners of still others.
  Duration wakes;                // asleep it loses all that comes for so long after the first byte
  Duration boots;                // deaf for so long after its start and after a reset
  bool half_duplex = false;      // deaf from a command's end to its reply's
  bool autobaud = false;         // takes the rate of the first 'A' it hears
  Bytes before, behind;          // put around each answer: XOFF and XON, STX and ETX, NUL
  bool repeats_command = false;  // an answer (no refusal) begins with the command and '='
  bool tells_place = false;      // a refusal ends with a figure that depends on the command
  Bytes status;                  // said before every third answer
  bool line_gives_back = false;  // the adapter hears what it sends, at any rate
  unsigned loses_ending = 0;     // every so many control characters one is lost on the way to it

  Bytes Refusal(ByteView command) const {
    if (!tells_place) return unknown;
    const std::size_t end = std::min(unknown.find_last_not_of("\r\n") + 1, unknown.size());
    return unknown.substr(0, end) + " " + std::to_string(command.size()) + unknown.substr(end);
  }
};

class ModuleModel {
 public:
  ModuleModel(FakeClock& clock, VirtualDriver& driver, ScriptedPort& port, ModuleSpec spec,
              unsigned seed)
      : clock_(clock), driver_(driver), port_(port), spec_(std::move(spec)), random_(seed) {
    port_.on_configure = [this](const LineSettings& asked) { return host_ = asked; };
    port_.on_written = [this](Instant at, ByteView bytes) { Hear(at, bytes); };
    port_.on_lines = [this](Instant at, std::uint32_t, std::uint32_t asserted) {
      if (asserted) started_ = at;
      if (!asserted || spec_.banner.empty()) return;
      driver_.SetTimer(at + spec_.banner_after, [this](Instant now) { Say(now, spec_.banner); });
    };
    own_ = spec_.line;
    own_.baud = static_cast<std::uint32_t>(std::lround(spec_.line.baud * (1 + spec_.rate_error)));
    if (spec_.unasked_every) Unasked(clock_.Now() + *spec_.unasked_every);
    if (spec_.noise) Noise(clock_.Now() + *spec_.noise);
  }

  // Without what ended them; as the module sees them, so without control characters if it drops
  // these.
  const std::vector<Bytes>& commands_taken() const { return taken_; }

 private:
  using Pieces = std::vector<std::pair<Duration, Bytes>>;

  void Hear(Instant at, ByteView bytes) {
    const Waveform wave(std::max(at, host_free_), bytes, host_);
    host_free_ = wave.End();
    if (spec_.line_gives_back)
      for (const ReceivedByte& one : wave.Receive(host_)) port_.Say(one.at, Bytes(1, one.byte));
    if (spec_.autobaud && bytes.find_first_of("Aa") != bytes.npos && !tuned_) {
      tuned_ = true;
      own_.baud = host_.baud;
    }
    if (spec_.autobaud && !tuned_) return;
    for (const ReceivedByte& one : wave.Receive(own_)) {
      if ((one.framing_error || one.parity_error) && !spec_.takes_bad_bytes) continue;
      if (spec_.loses_ending > 0 && one.byte >= 0 && one.byte < ' ' &&
          ++controls_ % spec_.loses_ending == 0)
        continue;
      driver_.SetTimer(one.at, [this, one](Instant now) { Take(now, one.byte); });
    }
  }

  void Take(Instant now, char byte) {
    const bool asleep = spec_.sleeps && now - heard_ > *spec_.sleeps;
    heard_ = now;
    if (asleep) awake_ = now + spec_.wakes;
    if (asleep || now < awake_ || now < started_ + spec_.boots) return;
    if (spec_.half_duplex && (now < answers_from_ || now < free_)) return;
    switch (spec_.mode) {
      case ModuleSpec::Mode::kDeaf:
      case ModuleSpec::Mode::kTalker:
        return;
      case ModuleSpec::Mode::kDataSession:  // the far side gives it back
        Say(now + Duration::Milliseconds(60), Bytes(1, byte));
        return;
      case ModuleSpec::Mode::kMenu:
        Say(now + spec_.turnaround, "\r\n1 level\r\n2 power\r\n> ");
        return;
      case ModuleSpec::Mode::kCommands:
        break;
    }
    if (spec_.echo == EchoKind::kByCharacter && (!spec_.echo_printable || byte >= ' '))
      Say(now, Bytes(1, byte));
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
    if (spec_.drops_controls) std::erase_if(command, [](char c) { return c >= 0 && c < ' '; });
    Instant at = now + spec_.turnaround;
    if (command.empty()) {
      if (!spec_.on_empty.empty() || !spec_.prompt.empty())
        SayNext(at, {{Duration::Zero(), spec_.on_empty + spec_.prompt}}, 0);
      return;
    }
    taken_.push_back(command);
    if (command.size() > spec_.longest) return;
    if (spec_.any_case)
      for (char& c : command) c = static_cast<char>(std::toupper(static_cast<unsigned char>(c)));
    if (spec_.jitter > Duration::Zero())
      at = at + Duration::Nanoseconds(static_cast<std::int64_t>(
                    random_() % static_cast<std::uint64_t>(spec_.jitter.ns())));
    if (spec_.slow_extra > Duration::Zero() && random_() % 5 == 0) at = at + spec_.slow_extra;
    if (const auto extra = spec_.extra.find(command); extra != spec_.extra.end())
      at = at + extra->second;
    const auto found = spec_.answers.find(command);
    Pieces pieces;
    if (spec_.well_formed && !spec_.well_formed(command))
      pieces = {{Duration::Zero(), spec_.malformed}};
    else if (!spec_.busy.empty() && ++commands_ % 7 == 0)
      pieces = {{Duration::Zero(), spec_.busy}};
    else if (found != spec_.answers.end())
      pieces = found->second;
    else if (!spec_.unknown.empty())
      pieces = {{Duration::Zero(), spec_.Refusal(command)}};
    if (!pieces.empty() && found != spec_.answers.end() && spec_.repeats_command &&
        (!spec_.well_formed || spec_.well_formed(command)))
      pieces.front().second = command + "=" + pieces.front().second;
    if (!pieces.empty()) {
      pieces.front().second = spec_.before + pieces.front().second;
      pieces.back().second += spec_.behind;
      if (!spec_.status.empty() && ++statuses_ % 3 == 0)
        pieces.insert(pieces.begin(), {Duration::Zero(), spec_.status});
    }
    if (spec_.counts) {
      const char digit = static_cast<char>('0' + counter_++ % 10);
      for (auto& [pause, bytes] : pieces) std::replace(bytes.begin(), bytes.end(), '%', digit);
    }
    if (!spec_.prompt.empty()) {
      if (pieces.empty()) pieces.emplace_back();
      pieces.back().second += spec_.prompt;
    }
    if (!pieces.empty()) answers_from_ = at;
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

  void Noise(Instant at) {
    driver_.SetTimer(at, [this](Instant now) {
      port_.Say(now, Bytes(1, static_cast<char>(random_() % 256)));
      Noise(now + *spec_.noise);
    });
  }

  // Returns when the last bit has left.
  Instant Say(Instant at, const Bytes& bytes) {
    if (spec_.pace == Duration::Zero()) return SayAtOnce(at, bytes);
    for (const char byte : bytes) at = SayAtOnce(at, Bytes(1, byte)) + spec_.pace;
    return free_;
  }
  Instant SayAtOnce(Instant at, const Bytes& bytes) {
    const Waveform wave(std::max(at, free_), bytes, own_);
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
  LineSettings own_;  // the line as its own clock makes it
  LineSettings host_;
  Instant heard_;
  unsigned commands_ = 0;
  unsigned counter_ = 0;
  unsigned statuses_ = 0;
  bool tuned_ = false;  // its rate is set
  Instant started_;
  Instant awake_;         // from then on it hears again
  Instant answers_from_;  // a reply is under way until then
  Instant host_free_;
  Instant free_;
  Bytes buffer_;
  Instant last_;
  unsigned controls_ = 0;
  std::vector<Bytes> taken_;
};

}  // namespace witness
