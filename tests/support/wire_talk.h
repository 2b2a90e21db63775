// Talks that are marked by the wire, the taps and raw bytes rather than by words, as a bench shows
// them, each of a named sort, of which the truth is known. Made with bench_talk.h, in the same way.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "tests/support/talk_maker.h"

namespace witness::test {

class WireTalk : public SortedTalk<WireTalk> {
 public:
  WireTalk(std::string sort, unsigned seed) : SortedTalk(std::move(sort), seed * 3266489917u + 7) {}

 private:
  friend SortedTalk;
  static const MakersOfSorts& Makers() {
    static const MakersOfSorts makers = {
        {"shared wire, text", [](T& t) { t.SharedText(); }},
        {"shared wire, binary", [](T& t) { t.SharedBinary(); }},
        {"length, then raw bytes", [](T& t) { t.LengthThenRaw(); }},
        {"length, then raw, late stamps", [](T& t) { t.LateStamps(), t.LengthThenRaw(); }},
        {"raw bytes sent by length", [](T& t) { t.RawSent(); }},
        {"bytes that dribble", [](T& t) { t.Dribble(); }},
        {"cr, the lf later", [](T& t) { t.LateLineFeed(); }},
        {"timer of 16 ms, polls", [](T& t) { t.TimerPolls(); }},
        {"module tapped alone", [](T& t) { t.ModuleAlone(); }},
        {"module tapped alone, dribbles", [](T& t) { t.ModuleAloneDribbles(); }},
        {"host tapped alone, typed", [](T& t) { t.HostAlone(); }},
        {"sides unknown", [](T& t) { t.SidesUnknown(); }},
        {"wrong rate at first", [](T& t) { t.WrongRateFirst(); }},
        {"rubbish between lines", [](T& t) { t.RubbishBetween(); }},
        {"breaks inside answers", [](T& t) { t.BreaksInside(); }},
        {"modbus, silent units", [](T& t) { t.Modbus(Heard::kBoth); }},
        {"modbus, sides unknown", [](T& t) { t.Modbus(Heard::kOneWire); }},
        {"enquiry and acknowledge", [](T& t) { t.Enquiry(); }},
        {"pages for a loader", [](T& t) { t.LoaderPages(); }},
        {"pages for a loader, late stamps", [](T& t) { t.LateStamps(), t.LoaderPages(); }},
        {"frames asked for and not", [](T& t) { t.Frames(); }},
    };
    return makers;
  }

  Bytes Frame(char first, int most) {
    Bytes out(1, first);
    const int n = 1 + Pick(most);
    out += static_cast<char>(n);
    out += Noise(n);
    char sum = 0;
    for (const char c : out) sum = static_cast<char>(sum + c);
    return out + sum;
  }
  Bytes Rubbish(int n) {
    Bytes out;
    while (n-- > 0)
      out += Of<Bytes>({Bytes(1, '\0'), "\x80", "\xf8", "\xe6", "\x9e", "\x78", "\x06", "\xfe"});
    return out;
  }
  Bytes RawWithEndings(int n) {
    Bytes raw = Noise(n);
    for (int k = Pick(3); k > 0; --k) {
      const auto at = static_cast<std::size_t>(Pick(n));
      raw.insert(at, Of<Bytes>({"\r\n", "OK\r\n", "\r"}));
    }
    return raw;
  }

  // ---- sorts ----

  // One wire for both: what the host sends comes back to it at once.
  void OwnBytes(const Bytes& bytes) {
    const double from = now_;
    Host(bytes);
    const double to = now_;
    now_ = from + 0.2;
    Module(K::kEcho, bytes);
    now_ = std::max(now_, to);
  }
  void SharedText() {
    line_.host_is_early = true;
    for (int i = 0; i < 40; ++i) {
      OwnBytes("read " + Digits(1) + "\r\n");
      Wait(4, 20);
      if (!Chance(0.1)) Reply("level " + Digits(3) + "\r\n");
      Wait(200, 900);
    }
  }
  void SharedBinary() {
    line_.host_is_early = true;
    const double think = Of<double>({60, 200, 800});
    for (int i = 0; i < 50; ++i) {
      OwnBytes(Frame('\x55', 6));
      Wait(4, 15);
      if (!Chance(0.1)) Reply(Frame('\x55', 12));
      Wait(think, think * 1.5);
    }
  }

  // The length is said in a line, then so many bytes of any value.
  void LengthThenRaw() {
    const bool ok = Chance(0.5);
    const double pause = Of<double>({0, 10});
    for (int i = 0; i < 25; ++i) {
      Host("GET " + Digits(1) + "\r\n");
      Wait(5, 25);
      const Bytes raw = RawWithEndings(8 + Pick(80));
      const Bytes first = "LEN " + std::to_string(raw.size()) + "\r\n";
      Reply(first + raw + (ok ? "\r\nOK\r\n" : ""));
      if (pause > 0) PauseAt(first.size(), pause * Between(0.7, 1.3));
      Wait(500, 1400);
    }
  }

  // The host says how many, is told to go on, and sends so many bytes of any value.
  void RawSent() {
    for (int i = 0; i < 20; ++i) {
      if (Chance(0.3)) {
        Host("LEVEL\r\n");
        Wait(5, 25);
        Reply("level " + Digits(2) + "\r\n");
      } else {
        const Bytes raw = RawWithEndings(8 + Pick(60));
        Host("PUT " + std::to_string(raw.size()) + "\r\n");
        Wait(5, 25);
        Reply("READY\r\n");
        Wait(10, 40);
        Host(raw);
        Wait(20, 80);
        Reply("STORED " + std::to_string(raw.size()) + "\r\n");
      }
      Wait(500, 1400);
    }
  }

  // An answer's bytes come singly or by twos, with pauses longer than other lines' silences.
  void Dribble() {
    const double pause = Of<double>({30, 80, 200});
    for (int i = 0; i < 16; ++i) {
      Host(Of<Bytes>({"level", "temp", "name"}) + "\r\n");
      Wait(5, 30);
      const Bytes all = InOrder({Word(3, 8), " ", Digits(2), "\r\nok\r\n"});
      std::vector<Bytes> parts;
      for (std::size_t at = 0; at < all.size();) {
        const auto n = static_cast<std::size_t>(1 + Pick(2));
        parts.push_back(all.substr(at, n));
        at += n;
      }
      ReplyParts(parts, pause * 0.5, pause * 1.5);
      Wait(1500, 3500);
    }
  }

  // CR ends a line, the LF comes when the module got round to it.
  void LateLineFeed() {
    const double late = Of<double>({4, 15, 60});
    for (int i = 0; i < 40; ++i) {
      Host(Of<Bytes>({"level", "temp"}) + "\r");
      Wait(10, 30);
      ReplyParts({InOrder({Word(3, 8), " ", Digits(2), "\r"}), "\n"}, late * 0.7, late * 1.3);
      Wait(500, 1200);
    }
  }

  // The adapter hands over every 16 ms; answers come at once, the next poll soon.
  void TimerPolls() {
    line_.baud = 115200;
    line_.reads = Reads::kTimer;
    line_.timer_ms = 16;
    line_.host_is_early = true;
    const double every = Of<double>({40, 100, 500});
    const bool pieces = Chance(0.3);
    for (int i = 0; i < 60; ++i) {
      Host(Bytes(Chance(0.5) ? "AT+LEVEL?" : "AT+TEMP?") + "\r");
      now_ += Between(1, 5);
      ReplyParts({"\r\n" + Digits(3) + "\r\n", "\r\nOK\r\n"}, 0, pieces ? 25 : 0.1);
      Wait(every, every * 1.2);
    }
  }

  void ModuleAlone() {
    line_.heard = Heard::kModuleOnly;
    const double pause = Of<double>({0, 10, 25});
    for (int i = 0; i < 50; ++i) {
      std::vector<Bytes> lines;
      for (int n = Pick(4); n > 0; --n)
        lines.push_back(InOrder({"\r\n", Word(3, 9), " ", Digits(2)}));
      lines.push_back("\r\nOK\r\n");
      ReplyParts(lines, pause * 0.7, pause * 1.3);
      Wait(500, 2500);
    }
  }
  void ModuleAloneDribbles() {
    line_.heard = Heard::kModuleOnly;
    line_.baud = std::max(line_.baud, 9600.0);
    for (int i = 0; i < 50; ++i) {
      std::vector<Bytes> parts;
      for (int n = 2 + Pick(8); n > 0; --n) parts.push_back(Word(1, 3));
      ReplyParts(parts, 8, 40);
      Wait(700, 2500);
    }
  }
  void HostAlone() {
    line_.heard = Heard::kHostOnly;
    line_.host_is_early = false;
    const Bytes end = Of<Bytes>({"\r", "\r\n"});
    for (int i = 0; i < 30; ++i) {
      Typed("AT+" + Word(2, 6) + "?\r", {}, 40, 280);
      if (end.size() == 2) {
        said_.back().bytes += '\n';
        now_ += line_.character_ms();
      }
      Wait(1500, 4000);
    }
  }
  void SidesUnknown() {
    line_.heard = Heard::kOneWire;
    const bool lines = Chance(0.5);
    const Bytes end = lines ? "\r\n" : "";
    const double turn = Of<double>({120, 300});
    for (int i = 0; i < 40; ++i) {
      Host("q" + Digits(2) + end);
      Wait(turn, turn * 1.4);
      Reply(Word(3, 12) + end);
      Wait(turn * 2, turn * 5);
    }
  }

  // The first commands go out at a wrong rate and get rubbish.
  void WrongRateFirst() {
    const int wrong = 3 + Pick(4);
    for (int i = 0; i < 25; ++i) {
      Host("AT+" + Word(3, 6) + "?\r\n");
      Wait(10, 40);
      Reply(i < wrong ? Rubbish(3 + Pick(20)) : "\r\n" + Word(3, 9) + "\r\n\r\nOK\r\n");
      Wait(600, 1500);
    }
  }

  // Bursts of rubbish in the silences, as from a loose wire.
  void RubbishBetween() {
    for (int i = 0; i < 30; ++i) {
      Host("AT+" + Word(3, 6) + "?\r\n");
      Wait(10, 40);
      Reply("\r\n" + Word(3, 9) + "\r\n\r\nOK\r\n");
      Wait(700, 1500);
      if (!Chance(0.3)) continue;
      Module(K::kUnsolicited, Rubbish(1 + Pick(8)));
      Wait(700, 1500);
    }
  }

  // A break cuts an answer in two.
  void BreaksInside() {
    for (int i = 0; i < 30; ++i) {
      Host("LIST\r\n");
      Wait(10, 40);
      Bytes lines;
      for (int n = 1 + Pick(4); n > 0; --n) lines += InOrder({Word(3, 9), " ", Digits(2), "\r\n"});
      if (i > 2 && Chance(0.3)) {
        const auto cut = static_cast<std::size_t>(1 + Pick(static_cast<int>(lines.size()) - 1));
        Reply(lines.substr(0, cut));
        Wait(5, 10);
        now_ += 2;
        marks_.push_back({now_, EventKind::kBreak, Side::kModule});
        now_ += 2;
        Wait(5, 10);
        Reply(lines.substr(cut) + "END\r\n");
      } else {
        Reply(lines + "END\r\n");
      }
      Wait(700, 1500);
    }
  }

  // Units of several kinds are polled in turn, some are not there.
  void Modbus(Heard heard) {
    line_.heard = heard;
    line_.bytes_tell = true;
    line_.host_is_early = false;
    const double least = std::max(1.75, 3.5 * 1.1 * line_.character_ms());
    const double patience = Of<double>({100, 500});
    for (int i = 0; i < 60; ++i) {
      const int unit = 1 + Pick(6);
      const Bytes station(1, static_cast<char>(unit * 7));
      const int function = Of<int>({1, 3, 4, 5, 6, 16});
      const int count = 1 + Pick(8);
      Bytes request = station + static_cast<char>(function);
      request += Bytes(1, '\0') + static_cast<char>(Pick(200));
      if (function == 5) {
        request += Chance(0.5) ? Bytes("\xff\0", 2) : Bytes(2, '\0');
      } else if (function == 6) {
        request += Noise(2);
      } else {
        request += Bytes(1, '\0') + static_cast<char>(count);
      }
      Bytes answer = request;
      if (function == 16) request += static_cast<char>(count * 2) + Noise(count * 2);
      if (function == 1) answer = station + '\x01' + '\x01' + Noise(1);
      if (function == 3 || function == 4)
        answer =
            station + static_cast<char>(function) + static_cast<char>(count * 2) + Noise(count * 2);
      if (Chance(0.1)) answer = station + static_cast<char>(function | 0x80) + '\x02';
      Host(WithCrc(request));
      if (unit >= 5 || Chance(0.05)) {
        Wait(patience, patience * 1.2);
        continue;
      }
      Wait(least + 2, least + 30);
      Reply(WithCrc(answer));
      Wait(least + 3, least + 60);
    }
  }

  // ENQ is acknowledged; then a block between STX and ETX with its sum; then the end, unanswered.
  void Enquiry() {
    for (int i = 0; i < 20; ++i) {
      Host("\x05");
      Wait(5, 20);
      Reply("\x06");
      Wait(5, 20);
      const Bytes block = InOrder({"D", Digits(6), Word(2, 9), "\x03"});
      char sum = 0;
      for (const char c : block) sum = static_cast<char>(sum ^ c);
      Host("\x02" + block + sum);
      Wait(10, 40);
      const bool bad = Chance(0.1);
      Reply(bad ? "\x15" : "\x06");
      Wait(5, 20);
      if (bad) {
        Host("\x02" + block + sum);
        Wait(10, 40);
        Reply("\x06");
        Wait(5, 20);
      }
      Host("\x04");
      Wait(600, 1500);
    }
  }

  // A loader of programs: each step is acknowledged by two bytes; now and then one is tried again.
  void LoaderPages() {
    const int page = Of<int>({64, 128});
    for (int tries = 1 + Pick(3); tries > 0; --tries) {
      Host("0 ");
      if (tries > 1) Wait(200, 210);
    }
    Wait(3, 12);
    Reply("\x14\x10");
    for (int i = 0; i < 20; ++i) {
      Wait(2, 10);
      Host("U" + Noise(2) + " ");
      Wait(2, 10);
      Reply("\x14\x10");
      Wait(2, 10);
      Host("d" + Bytes(1, '\0') + static_cast<char>(page) + "F" + Noise(page) + " ");
      Wait(4, 20);
      Reply("\x14\x10");
    }
    Wait(2, 10);
    Host("Q ");
    Wait(3, 12);
    Reply("\x14\x10");
  }

  // Frames with a length and a sum: some answer, others come by themselves.
  void Frames() {
    for (int i = 0; i < 30; ++i) {
      if (i == 1 || (i > 1 && Chance(0.3))) {
        Module(K::kUnsolicited, Frame('\x7b', 4));
        Wait(500, 900);
      }
      Host(Frame('\x5a', 8));
      Wait(5, 25);
      Reply(Frame('\x5a', 20));
      Wait(500, 900);
    }
  }
};

}  // namespace witness::test
