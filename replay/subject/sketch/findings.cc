#include "replay/subject/sketch/findings.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "capture/base/text.h"
#include "replay/part/cue.h"
#include "replay/subject/sketch/pin_line.h"
#include "replay/subject/sketch/uart_line.h"

namespace trial {
namespace {

// The function's name as a sketch's author calls it: without its class.
std::string ShortName(const std::string& name) {
  const std::size_t colons = name.rfind("::");
  return witness::SafeName(colons == std::string::npos ? name : name.substr(colons + 2)) + "()";
}

const char* FateKind(Fate fate) {
  switch (fate) {
    case Fate::kOverrun:
    case Fate::kBufferFull:
      return "overrun";
    case Fate::kMissed:
      return "missed";
    case Fate::kGarbled:
      return "garbled";
    case Fate::kFramingError:
      return "framing";
    case Fate::kNotListening:
      return "deaf";
    case Fate::kReceiverOff:
      return "off";
    case Fate::kUnknown:
    case Fate::kTaken:
      break;
  }
  return "";
}

// Which of the core's reading calls give up after the stream's timeout (Stream.cpp).
bool ReadsWithTimeout(const std::string& name) {
  constexpr std::array<const char*, 9> kNames = {
      "Stream::readStringUntil", "Stream::readString", "Stream::readBytesUntil",
      "Stream::readBytes",       "Stream::find",       "Stream::findUntil",
      "Stream::findMulti",       "Stream::parseInt",   "Stream::parseFloat"};
  return std::any_of(kNames.begin(), kNames.end(), [&](const char* n) { return name == n; });
}

std::string WhatWasSaid(const Said& said) {
  switch (said.send.sort) {
    case SaidSort::kEcho:
      return "the echo of command " + std::to_string(said.send.command);
    case SaidSort::kUnasked:
      return "the unsolicited line";
    case SaidSort::kAnswer:
    case SaidSort::kUnknownAnswer:
    case SaidSort::kCommand:
      break;
  }
  return "the reply to command " + std::to_string(said.send.command);
}

class Findings {
 public:
  Findings(const Board& board, const BoardLine& module, const Places& places, const SessionLog& log,
           Observations& seen)
      : board_(board), module_(module), places_(places), log_(log), seen_(seen) {}

  void Lost() {
    // Pieces and echoed characters of one answer are told together.
    for (std::size_t i = 0; i < log_.said.size();) {
      std::size_t last = i + 1;
      while (last < log_.said.size() &&
             seen_.said[last].send.command == seen_.said[i].send.command &&
             seen_.said[last].send.sort == seen_.said[i].send.sort &&
             (seen_.said[i].send.command != 0 ||
              seen_.said[last].sent - seen_.said[i].sent < Duration::Seconds(1)))
        ++last;
      LostOf(i, last);
      i = last;
    }
  }

  void Resets() {
    for (const SessionLog::Reset& reset : log_.resets) {
      std::string text = "the sketch started anew: ";
      switch (reset.cause) {
        case ResetCause::kWatchdog:
          text += "the watchdog bit";
          break;
        case ResetCause::kJumpToZero:
          text += "the program ran into address 0";
          break;
        case ResetCause::kBrownOut:
          text += "the supply dipped (brown-out)";
          break;
        case ResetCause::kPowerOn:
          text += "power came on";
          break;
      }
      // Where it was before: the last look, since the reset itself has moved the processor.
      std::uint32_t place = 0;
      for (const Stay& stay : log_.stays)
        if (stay.from < reset.at) place = stay.place;
      if (place != 0) text += "; it was in " + PlaceWords(places_, place);
      Add("reset", reset.at, text, 1);
    }
    if (log_.stack_met_data != 0)
      Add("stack", log_.stack_met_data,
          "the stack ran into the variables in " + PlaceWords(places_, log_.stack_place), 1);
  }

  void Leftovers() {
    for (const SessionLog::Leftover& left : log_.leftovers)
      Add("unread", left.at,
          std::to_string(left.bytes) + (left.bytes == 1 ? " byte" : " bytes") +
              " of what came before lay unread in the receive buffer " +
              (left.command > seen_.commands.size()
                   ? "at the end"
                   : "when command " + std::to_string(left.command) + " was sent"),
          left.bytes);
  }

  // After the last byte of a reply: how long until the sketch said anything, and where it sat.
  void Waits() {
    for (std::size_t i = 0; i < log_.said.size(); ++i) {
      if (seen_.said[i].send.command == 0 || seen_.said[i].send.sort == SaidSort::kEcho) continue;
      if (i + 1 < log_.said.size() && seen_.said[i + 1].send.command == seen_.said[i].send.command)
        continue;
      const SessionLog::SaidBytes& bytes = log_.said[i];
      if (bytes.count == 0 || bytes.first + bytes.count > module_.sent().size()) continue;
      const std::uint64_t ended = module_.sent()[bytes.first + bytes.count - 1].end;
      const auto next = std::lower_bound(log_.actions.begin(), log_.actions.end(), ended);
      const std::uint64_t until = next == log_.actions.end() ? board_.cycle() : *next;
      Wait(ended, until, seen_.said[i], next == log_.actions.end());
    }
  }

  void Rate(double module_baud) {
    double asked = module_baud;
    const double board = module_.BoardRate();
    if (const auto* uart = dynamic_cast<const UartLine*>(&module_)) asked = uart->far_baud();
    if (const auto* pins = dynamic_cast<const PinLine*>(&module_)) asked = pins->far_baud();
    if (board <= 0 || asked <= 0) return;
    const double ratio = board / asked;
    if (ratio > 0.94 && ratio < 1.06) return;
    Add("rate", 0,
        "the sketch's port is set to about " + std::to_string(std::lround(board)) +
            " baud, the module speaks " + std::to_string(std::lround(asked)) +
            "; if that is not so on the bench, give --module-on ...baud=",
        static_cast<std::uint64_t>(std::lround(board)));
  }

  void Cuts() {
    for (const std::uint64_t at : module_.cuts())
      Add("cut", at,
          "the sketch changed or closed its port while it was still sending to the module (in " +
              PlaceWords(places_, PlaceAt(at)) + "): the byte on the wire was cut",
          1);
    for (const std::uint64_t at : module_.stops())
      Add("cut", at,
          "the sketch switched its transmitter off while it was still sending to the module (in " +
              PlaceWords(places_, PlaceAt(at)) + "): what it had not handed over yet is not sent",
          1);
  }

  // It said nothing that the module knows: is there a software port at other pins?
  void Elsewhere(const SketchSettings& settings, const Part& part) {
    for (const TakenCommand& command : seen_.commands)
      if (command.known) return;
    if (settings.talk_found) {
      ElsewhereAtTalk(settings, part);
      return;
    }
    const auto ports = FindSoftwarePorts(board_.image());
    if (!ports) return;
    const auto pins = ListeningPins(board_, *ports);
    if (!pins || !pins->receive_pin || !pins->transmit) return;
    for (const SketchPlace* place : {&settings.module, settings.talk ? &*settings.talk : nullptr}) {
      if (place == nullptr || !place->pins) continue;
      const auto receive = ParsePin(place->receive, board_.mcu());
      const auto transmit = ParsePin(place->transmit, board_.mcu());
      if (receive.ok() && transmit.ok() && *receive == *pins->receive_pin &&
          *transmit == *pins->transmit)
        return;
    }
    AddElsewhere(settings, "pins:rx=" + BoardPinName(*pins->receive_pin, board_.mcu()) +
                               ",tx=" + BoardPinName(*pins->transmit, board_.mcu()));
  }

  // Where nobody said that it talks.
  void Talk(const SketchSettings& settings) {
    if (settings.talk_found)
      Add("talk", 0,
          "what it prints is taken from its software port at " + FormatSketchPlace(*settings.talk) +
              " (another one: --talk-on)",
          1);
  }

 private:
  // The port that was taken for its talk says what the module knows.
  void ElsewhereAtTalk(const SketchSettings& settings, const Part& part) {
    for (const Printed& printed : seen_.printed)
      for (std::size_t from = 0; from < printed.bytes.size();) {
        const std::size_t end =
            std::min(printed.bytes.find_first_of("\r\n", from), printed.bytes.size());
        if (end > from && KnowsText(part, ByteView(printed.bytes).substr(from, end - from))) {
          SketchPlace place = *settings.talk;
          place.baud = 0;
          AddElsewhere(settings, FormatSketchPlace(place));
          return;
        }
        from = end + 1;
      }
  }

  void AddElsewhere(const SketchSettings& settings, const std::string& where) {
    Add("elsewhere", 0,
        "it said nothing that the module knows at " + FormatSketchPlace(settings.module) +
            ", but has a software port at other pins: is the module there? Then say --module-on " +
            where,
        1);
  }

  void Add(const char* kind, std::uint64_t at, std::string text, std::uint64_t count) {
    seen_.remarks.push_back({kind, board_.ToInstant(at), std::move(text), count});
  }

  void LostOf(std::size_t from, std::size_t to) {
    std::size_t all = 0, taken = 0;
    bool text_lost = false;
    std::map<Fate, std::size_t> fates;
    std::map<Fate, std::map<std::uint32_t, std::size_t>> where;
    std::map<Fate, std::uint64_t> first;
    for (std::size_t i = from; i < to; ++i)
      for (std::size_t k = 0; k < log_.said[i].count; ++k) {
        const std::size_t index = log_.said[i].first + k;
        if (index >= module_.sent().size()) break;
        const ByteIn& byte = module_.sent()[index];
        if (byte.fate == Fate::kUnknown) continue;
        ++all;
        if (byte.fate == Fate::kTaken) {
          ++taken;
          continue;
        }
        const char value = static_cast<char>(byte.value);
        text_lost = text_lost || (value != '\r' && value != '\n' && value != ' ');
        if (fates[byte.fate]++ == 0) first[byte.fate] = byte.start;
        const auto found = log_.arrival.find(index);
        const std::uint32_t place =
            found != log_.arrival.end() ? found->second : PlaceAt(byte.settled);
        ++where[byte.fate][place];
      }
    for (const auto& [fate, count] : fates) {
      const auto& places = where[fate];
      const auto most =
          std::max_element(places.begin(), places.end(),
                           [](const auto& a, const auto& b) { return a.second < b.second; });
      std::string text = std::to_string(taken) + " of " + std::to_string(all) + " bytes of " +
                         WhatWasSaid(seen_.said[from]) + " kept: ";
      const std::string in = " while the sketch was in " + PlaceWords(places_, most->first);
      std::string kind = FateKind(fate);
      switch (fate) {
        case Fate::kBufferFull:
          text += "the receive buffer overflowed" + in;
          break;
        case Fate::kOverrun:
          text += "the UART overran (interrupts were off too long)" + in;
          break;
        case Fate::kMissed:
          if (most->first != 0 && places_[most->first].function == "SoftwareSerial::write") {
            kind = "sending";
            text += "they came while the sketch was sending, and a software port cannot do both";
          } else {
            text += "the software port was kept from listening" + in;
          }
          break;
        case Fate::kGarbled:
          text += std::to_string(count) + " came as other values" + in;
          break;
        case Fate::kFramingError:
          text += std::to_string(count) + " came with a framing error";
          break;
        case Fate::kNotListening:
          text += "another software port was listening";
          break;
        case Fate::kReceiverOff:
          text += "the sketch had not opened the port";
          break;
        case Fate::kUnknown:
        case Fate::kTaken:
          break;
      }
      // Most sketches do without the echo, many without what nobody asked for, and a line ending
      // says nothing more behind a reply that was understood.
      const SaidSort sort = seen_.said[from].send.sort;
      const bool besides = sort == SaidSort::kEcho || sort == SaidSort::kUnasked;
      if (besides || !text_lost) kind = fate == Fate::kGarbled && !besides ? "stray" : "unheard";
      Add(kind.c_str(), first[fate], text, count);
    }
  }

  std::uint32_t PlaceAt(std::uint64_t cycle) const {
    std::uint32_t place = 0;
    for (const Stay& stay : log_.stays) {
      if (stay.from > cycle) break;
      place = stay.place;
    }
    return place;
  }

  void Wait(std::uint64_t from, std::uint64_t to, const Said& said, bool open_end) {
    std::map<std::uint32_t, std::uint64_t> time;
    for (const Stay& stay : log_.stays) {
      const std::uint64_t begin = std::max(stay.from, from);
      const std::uint64_t end = std::min(stay.to, to);
      if (begin < end) time[stay.place] += end - begin;
    }
    if (time.empty()) return;
    const auto most = std::max_element(
        time.begin(), time.end(), [](const auto& a, const auto& b) { return a.second < b.second; });
    const Place& place = places_[most->first];
    const Duration sat = board_.ToInstant(most->second) - Instant();
    if (open_end || !ReadsWithTimeout(place.function) || sat < Duration::Milliseconds(200)) return;
    std::string text = "waited " + witness::FormatDuration(sat) + " in " +
                       PlaceWords(places_, most->first) + " after " + WhatWasSaid(said) +
                       " had ended";
    // _timeout is 1000 ms if nobody calls setTimeout() (Stream.h and Stream.cpp of
    // arduino-core-avr).
    const double times = std::round(sat.milliseconds() / 1000);
    if (times >= 1 && times <= 10 && std::abs(sat.milliseconds() - 1000 * times) < 40 * times)
      text += times < 2 ? ": the Stream class's default timeout of 1000 ms"
                        : ": " + std::to_string(std::lround(times)) +
                              " times the Stream class's default timeout of 1000 ms";
    Add("wait", from, text, static_cast<std::uint64_t>(std::llround(sat.milliseconds())));
  }

  const Board& board_;
  const BoardLine& module_;
  const Places& places_;
  const SessionLog& log_;
  Observations& seen_;
};

}  // namespace

std::string PlaceWords(const Places& places, std::uint32_t id) {
  const Place& place = places[id];
  if (place.function.empty()) return "an unknown place (the ELF names no functions)";
  std::string words = ShortName(place.function);
  if (!place.caller.empty() && place.caller != "main" &&
      ShortName(place.caller) != ShortName(place.function))
    words += ", called from " + ShortName(place.caller);
  return words;
}

void AddFindings(const Board& board, const BoardLine& module, const Places& places,
                 const SessionLog& log, const SketchSettings& settings, const Part& part,
                 Observations& seen) {
  Findings findings(board, module, places, log, seen);
  findings.Rate(settings.module.baud);
  findings.Elsewhere(settings, part);
  findings.Talk(settings);
  findings.Cuts();
  findings.Resets();
  findings.Lost();
  findings.Leftovers();
  findings.Waits();
  std::stable_sort(seen.remarks.begin(), seen.remarks.end(),
                   [](const Remark& a, const Remark& b) { return a.at < b.at; });
}

}  // namespace trial
