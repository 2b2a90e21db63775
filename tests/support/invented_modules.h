// Modules that exist only here, for surveys in virtual time: the demo scenario's three, and two
// families of variants that nobody has written down, another mixture with every seed.
#pragma once

#include <random>

#include "tests/support/module_model.h"

namespace witness {

using ModulePieces = std::vector<std::pair<Duration, Bytes>>;

inline ModulePieces InOne(Bytes text) { return {{Duration::Zero(), std::move(text)}}; }
inline ModulePieces InTwo(Bytes first, Duration pause, Bytes second) {
  return {{Duration::Zero(), std::move(first)}, {pause, std::move(second)}};
}

inline ModuleSpec SedgeA() {
  ModuleSpec spec;
  spec.name = "Sedge A";
  spec.silence = Duration::Milliseconds(400);
  spec.answers = {{"AT", InOne("OK")},
                  {"AT+FW?", InOne("OKsedge-a 1.8")},
                  {"AT+CHAN?", InOne("OK11")},
                  {"AT+SIGNAL?", InOne("OK-71")}};
  return spec;
}

inline ModuleSpec SedgeB() {
  ModuleSpec spec;
  spec.name = "Sedge B";
  spec.terminators = {"\r\n"};
  spec.any_case = true;
  spec.unknown = "\r\nERROR\r\n";
  const Bytes ok = "\r\nOK\r\n";
  spec.answers = {{"AT", InOne(ok)},
                  {"AT+FW?", InOne("\r\nsedge-b 2.1\r\n" + ok)},
                  {"AT+CHAN?", InOne("\r\n+CHAN: 11\r\n" + ok)},
                  {"AT+SIGNAL?", InOne("\r\n+SIGNAL: -71\r\n" + ok)}};
  return spec;
}

inline ModuleSpec SedgeC() {
  const Duration pause = Duration::Milliseconds(35);
  ModuleSpec spec;
  spec.name = "Sedge C";
  spec.terminators = {"\r"};
  spec.trims = true;
  spec.echo = EchoKind::kByCharacter;
  spec.unknown = "ERROR\r";
  spec.unasked_every = Duration::Milliseconds(10'700);
  spec.unasked = "+JOIN: 3\r\n";
  spec.answers = {{"AT", InOne("OK\r")},
                  {"AT+FW?", InTwo("+FW: sedge-c 3.0\r\n", pause, "OK\r")},
                  {"AT+CHAN?", InTwo("+CHAN: 11\r\n", pause, "OK\r")},
                  {"AT+SIGNAL?", InTwo("+SIGNAL: -71\r\n", pause, "OK\r")}};
  return spec;
}

// Picks one of its arguments, the same for the same seed.
class Chooser {
 public:
  explicit Chooser(unsigned seed) : random_(seed) {}
  template <typename... Values>
  auto operator()(Values... values) {
    const std::vector all = {values...};
    return all[random_() % all.size()];
  }
  bool OneIn(unsigned n) { return random_() % n == 0; }
  int Below(unsigned n) { return static_cast<int>(random_() % n); }

 private:
  std::mt19937 random_;
};

// How a variant takes a command: one of six ways.
inline void TakesCommands(ModuleSpec& spec, unsigned way, Chooser& pick) {
  switch (way % 6) {
    case 0:
      spec.terminators = {"\r"};
      spec.trims = true;
      break;
    case 1:
      spec.terminators = {"\r\n"};
      break;
    case 2:
      spec.terminators = {"\n"};
      break;
    case 3:
      spec.silence = Duration::Milliseconds(100 + pick.Below(600));
      break;
    case 4:
      spec.terminators = {"\r"};  // an LF stays behind
      break;
    case 5:
      spec.silence = Duration::Milliseconds(100 + pick.Below(600));
      spec.trims = true;
      break;
  }
}

// The first family: what the usual modules do.
inline ModuleSpec Invented(unsigned seed) {
  const auto ms = [](int n) { return Duration::Milliseconds(n); };
  Chooser pick(seed);
  ModuleSpec spec;
  spec.name = "variant " + std::to_string(seed);
  spec.line.baud = pick(1200u, 2400u, 4800u, 9600u, 19200u, 38400u, 57600u, 115200u);
  (void)ParseFormat(pick("8N1", "8N1", "8N2", "7E1", "8E1", "7O1"), spec.line);
  TakesCommands(spec, seed, pick);
  spec.echo = pick(EchoKind::kOff, EchoKind::kOff, EchoKind::kByCharacter, EchoKind::kWhole);
  spec.any_case = !pick.OneIn(2);
  spec.unknown =
      pick(Bytes("ERROR\r\n"), Bytes("?\r\n"), Bytes("\r\nERROR\r\n"), Bytes("NO"), Bytes());
  spec.turnaround = ms(pick(3, 20, 80, 300, 1500));
  spec.jitter = spec.turnaround / 5;
  const Duration pause = ms(pick(15, 40, 120, 300));
  const Bytes end = pick(Bytes("\r\n"), Bytes("\r"), Bytes());
  spec.answers = {{"AT", InOne("OK" + end)},
                  {"AT+FW?", InTwo("fw 9." + std::to_string(seed) + end, pause, "OK" + end)},
                  {"AT+CHAN?", InOne("+CHAN: 11" + end)}};
  if (!pick.OneIn(2)) spec.banner = "ready\r\n";
  if (pick.OneIn(3)) {
    spec.unasked_every = ms(9000 + pick.Below(4000));
    spec.unasked = "+JOIN: 3\r\n";
  }
  spec.takes_bad_bytes = !pick.OneIn(2);
  return spec;
}

// What a receiver of NMEA 0183 and many modules of that kind put behind a line: the exclusive or
// of the characters, in two hexadecimal digits.
inline Bytes WithSum(const Bytes& text) {
  unsigned sum = 0;
  for (const char c : text) sum ^= static_cast<unsigned char>(c);
  constexpr char kDigits[] = "0123456789ABCDEF";
  return text + '*' + kDigits[sum >> 4] + kDigits[sum & 15];
}

// The second family: what the engine was not written against. One or two oddities each.
inline ModuleSpec Strange(unsigned seed) {
  const auto ms = [](int n) { return Duration::Milliseconds(n); };
  Chooser pick(seed * 2654435761u + 17);
  ModuleSpec spec;
  spec.line.baud =
      pick(1200u, 4800u, 9600u, 9600u, 9600u, 19200u, 38400u, 57600u, 115200u, 230400u);
  (void)ParseFormat(pick("8N1", "8N1", "8N1", "8N1", "8N2", "7E1", "8E1", "8O1"), spec.line);
  TakesCommands(spec, seed, pick);
  spec.echo = pick(EchoKind::kOff, EchoKind::kOff, EchoKind::kOff, EchoKind::kByCharacter,
                   EchoKind::kWhole);
  spec.any_case = pick.OneIn(2);
  spec.takes_bad_bytes = pick.OneIn(2);
  spec.turnaround = ms(pick(1, 7, 30, 150, 600, 2600));
  spec.jitter = pick(spec.turnaround / 20, spec.turnaround / 2, spec.turnaround);
  const Bytes end = pick(Bytes("\r\n"), Bytes("\r"), Bytes("\n"), Bytes());
  spec.unknown = pick(Bytes("ERROR"), Bytes("4\r"), Bytes("\r\nERROR\r\n"), "E02" + end,
                      "ERROR: unknown command" + end, Bytes());
  const Duration pause = ms(pick(20, 60, 200, 400));
  spec.answers = {{"AT", InOne(pick(Bytes("OK"), Bytes("0"), Bytes("ready")) + end)},
                  {"AT+FW?", InOne("firmware 4." + std::to_string(seed % 50) + end)},
                  {"AT+CHAN?", InTwo("+CHAN: 11" + end, pause, "OK" + end)}};
  if (pick.OneIn(3)) spec.banner = pick(Bytes("boot\r\nready\r\n"), Bytes("*** up ***"));
  std::string odd;
  const auto oddity = [&](int which) {
    switch (which) {
      case 0:
        odd += " slow now and then";
        spec.slow_extra = ms(pick(300, 900, 1700));
        break;
      case 1:
        odd += " slow firmware query";
        spec.extra["AT+FW?"] = ms(pick(400, 1500, 3000));
        break;
      case 2:
        odd += " endings inside";
        spec.answers["AT+FW?"] = InOne("\r\nmaker: sedge\r\n\r\nfw: 4.1\r\n\r\nOK\r\n");
        break;
      case 3:
        odd += " answers twice";
        spec.answers["AT+FW?"] = InTwo("fw 4.1" + end, ms(pick(150, 450)), "fw 4.1" + end);
        break;
      case 4:
        odd += " echo of printable characters";
        spec.echo = EchoKind::kByCharacter;
        spec.echo_printable = true;
        break;
      case 5:
        odd += " paced";
        spec.pace = ms(pick(2, 4, 9));
        break;
      case 6:
        odd += " late banner";
        spec.banner = "boot\r\nready\r\n";
        spec.banner_after = ms(pick(2500, 5000, 8000));
        break;
      case 7:
        odd += " talks every 0.7 s";
        spec.unasked_every = ms(700);
        spec.unasked = pick(Bytes("+LEVEL: 41\r\n"), Bytes("tick\r\n"));
        break;
      case 8:
        odd += " sleeps";
        spec.sleeps = ms(pick(900, 3000, 9000));
        break;
      case 9:
        odd += " prompt";
        spec.prompt = pick(Bytes("\r\n> "), Bytes(">"), Bytes("> "));
        break;
      case 10:
        odd += " wants a sum";
        spec.well_formed = [](const Bytes& command) {
          const std::size_t star = command.rfind('*');
          return star != Bytes::npos && WithSum(command.substr(0, star)) == command;
        };
        spec.malformed = pick(Bytes("BAD SUM\r\n"), Bytes());
        break;
      case 11: {
        odd += " long reply";
        Bytes text;
        while (text.size() < 600) text += "row " + std::to_string(text.size()) + " of butts\r\n";
        spec.answers["AT+FW?"] = InOne(text + "OK\r\n");
        break;
      }
      case 12:
        odd += " busy now and then";
        spec.busy = pick(Bytes("BUSY\r\n"), Bytes("BUSY"));
        break;
      case 13:
        odd += " clock off";
        spec.rate_error = pick(-0.03, -0.015, 0.015, 0.03);
        break;
      case 14:
        odd += " noise";
        spec.noise = ms(pick(3000, 11'000, 40'000));
        break;
      case 15:
        odd += " counts";
        spec.counts = true;
        spec.answers["AT+CHAN?"] = InOne("+SIGNAL: -7%" + end);
        break;
      case 16:
        odd += " unusual rate";
        spec.line.baud = pick(14'400u, 31'250u, 250'000u, 76'800u);
        break;
      case 17:
        odd += " only talks";
        spec.mode = ModuleSpec::Mode::kTalker;
        spec.unasked_every = ms(pick(700, 1000, 5000));
        spec.unasked = pick(WithSum("$FEN,51.20,north") + "\r\n", Bytes("level 41\r\n"));
        break;
      case 18:
        odd += " data session";
        spec.mode = ModuleSpec::Mode::kDataSession;
        break;
      case 19:
        odd += " deaf";
        spec.mode = ModuleSpec::Mode::kDeaf;
        break;
      case 20:
        odd += " no to an empty command";
        spec.on_empty = spec.unknown;
        break;
      case 21:
        odd += " speaks unasked in many words";
        spec.unasked_every = ms(4000 + pick.Below(9000));
        spec.unasked = pick(Bytes("\r\n+JOIN: 3\r\n"), Bytes("+JOIN: 3"), Bytes("#"));
        break;
      default:
        break;
    }
  };
  const int first = pick.Below(23);
  oddity(first);
  if (pick.OneIn(3)) oddity(pick.Below(17));
  spec.name = "stranger " + std::to_string(seed) + odd;
  return spec;
}

// The third family: manners that are in neither of the others, one or two each.
inline ModuleSpec Mannered(unsigned seed) {
  const auto ms = [](int n) { return Duration::Milliseconds(n); };
  Chooser pick(seed * 2246822519u + 101);
  ModuleSpec spec;
  spec.line.baud = pick(1200u, 2400u, 4800u, 9600u, 9600u, 9600u, 19200u, 38400u, 57600u, 115200u);
  (void)ParseFormat(pick("8N1", "8N1", "8N1", "8N1", "7E1", "7E1", "7O1", "8E1"), spec.line);
  TakesCommands(spec, seed, pick);
  spec.echo = pick(EchoKind::kOff, EchoKind::kOff, EchoKind::kOff, EchoKind::kByCharacter,
                   EchoKind::kWhole);
  spec.any_case = pick.OneIn(2);
  spec.takes_bad_bytes = pick.OneIn(2);
  spec.turnaround = ms(pick(2, 12, 45, 200, 900));
  spec.jitter = spec.turnaround / 4;
  const Bytes end = pick(Bytes("\r\n"), Bytes("\r"), Bytes("\n"), Bytes());
  spec.unknown = pick("ERR" + end, "ERROR 12" + end, "+ERROR: 58" + end, Bytes("?") + end,
                      "no such command" + end, Bytes());
  const Duration pause = ms(pick(25, 80, 250));
  spec.answers = {{"AT", InOne(pick(Bytes("OK"), Bytes("ok"), Bytes("here I am")) + end)},
                  {"AT+FW?", InOne("7." + std::to_string(seed % 40) + end)},
                  {"AT+CHAN?", InTwo("chan 11" + end, pause, "OK" + end)}};
  if (pick.OneIn(3)) spec.banner = pick(Bytes("up\r\n"), Bytes("\r\nBoot 1.2\r\nready\r\n"));
  std::string odd;
  const auto manner = [&](int which) {
    switch (which) {
      case 0:
        odd += " half-duplex";
        spec.half_duplex = true;
        break;
      case 1:
        odd += " wakes slowly";
        spec.sleeps = ms(pick(1500, 4000, 8000));
        spec.wakes = ms(pick(5, 60, 250));
        break;
      case 2:
        odd += " boots slowly";
        spec.boots = ms(pick(3000, 7000, 12'000));
        if (!spec.banner.empty()) spec.banner_after = spec.boots;
        break;
      case 3:
        odd += " autobaud";
        spec.autobaud = true;
        break;
      case 4:
        odd += " XOFF and XON";
        spec.before = "\x13";
        spec.behind = "\x11";
        break;
      case 5:
        odd += " STX and ETX";
        spec.before = "\x02";
        spec.behind = "\x03";
        break;
      case 6:
        odd += " NUL behind";
        spec.behind = Bytes(1, '\0');
        break;
      case 7:
        odd += " repeats the command";
        spec.repeats_command = true;
        break;
      case 8:
        odd += " tells the place of an error";
        spec.tells_place = true;
        break;
      case 9:
        odd += " status before an answer now and then";
        spec.status = pick(Bytes("+STAT: 41\r\n"), Bytes("[battery low]\r\n"));
        break;
      case 10:
        odd += " numbers its answers";
        spec.counts = true;
        for (auto& [command, pieces] : spec.answers)
          pieces.front().second = "#% " + pieces.front().second;
        if (!spec.unknown.empty()) spec.unknown = "#% " + spec.unknown;
        break;
      case 11:
        odd += " the line gives back";
        spec.line_gives_back = true;
        spec.echo = EchoKind::kOff;
        break;
      case 12:
        odd += " menu";
        spec.mode = ModuleSpec::Mode::kMenu;
        break;
      case 13:
        odd += " asks who is there";
        spec.answers.clear();
        spec.unknown = pick(Bytes("\r\nlogin: "), Bytes("who? "));
        break;
      case 14:
        odd += " drops control characters";
        spec.drops_controls = true;
        spec.trims = false;
        break;
      case 15:
        odd += " CR or LF";
        spec.silence.reset();
        spec.trims = false;
        spec.terminators = {"\r", "\n"};
        break;
      case 16:
        odd += " ends with a semicolon";
        spec.silence.reset();
        spec.terminators = {";"};
        break;
      case 17:
        odd += " thinks between its lines";
        spec.answers["AT+FW?"] = InTwo("wait" + end, ms(pick(600, 850)), "fw 4" + end);
        break;
      case 18:
        odd += " status at the answer's time";
        spec.unasked_every = ms(pick(1300, 2900, 6100));
        spec.unasked = pick(Bytes("stat 1\r\n"), Bytes("\r\n[41]\r\n"));
        break;
      case 19:
        odd += " checksums";
        spec.well_formed = [](const Bytes& command) {
          const std::size_t star = command.rfind('*');
          return star != Bytes::npos && WithSum(command.substr(0, star)) == command;
        };
        spec.malformed = pick("ERR SUM" + end, WithSum("NAK") + end);
        for (auto& [command, pieces] : spec.answers)
          pieces = InOne(WithSum(command.substr(0, 2)) + end);
        break;
      case 20:
        odd += " prompt behind a line";
        spec.prompt = pick(Bytes("\r\n# "), Bytes("sedge> "), Bytes("\r\n$"));
        break;
      case 21:
        odd += " a format that is rare";
        (void)ParseFormat(pick("7N2", "7E2", "8N2", "8O2"), spec.line);
        break;
      default:
        break;
    }
  };
  manner(pick.Below(22));
  if (pick.OneIn(3)) manner(pick.Below(12));
  spec.name = "mannered " + std::to_string(seed) + odd;
  return spec;
}

}  // namespace witness
