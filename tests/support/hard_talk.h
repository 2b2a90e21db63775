// Talks that are hard to take apart, each of a named sort, of which the truth is known.
//
// Made against the segmenter, from what is known to go wrong on lines: polling without a pause,
// answers that break off, prompts in place of result codes, binary with line endings in it,
// commands within commands, telemetry in between. Knows nothing of how the segmenter works.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "tests/support/talk_maker.h"

namespace witness::test {

class HardTalk : public SortedTalk<HardTalk> {
 public:
  HardTalk(std::string sort, unsigned seed) : SortedTalk(std::move(sort), seed * 2654435761u) {}

 private:
  friend SortedTalk;

  void DrawLine() {
    line_.baud = Of<double>({1200, 9600, 9600, 19200, 57600, 115200});
    line_.reads =
        Of<Reads>({Reads::kWhole, Reads::kByte, Reads::kRandom, Reads::kTimer, Reads::kFifo});
    if (line_.reads == Reads::kTimer) line_.timer_ms = Of<double>({1, 4, 16});
    line_.host_is_early = Chance(0.3);
    now_ = Between(10, 3000);
  }
  static const MakersOfSorts& Makers() {
    static const MakersOfSorts makers = {
        {"tight polling", [](HardTalk& t) { t.TightPolling(); }},
        {"half answers", [](HardTalk& t) { t.HalfAnswers(); }},
        {"prompt for data", [](HardTalk& t) { t.PromptForData(); }},
        {"shell with colours", [](HardTalk& t) { t.ShellWithColours(); }},
        {"binary with CR LF", [](HardTalk& t) { t.BinaryWithEndings(); }},
        {"commands within commands", [](HardTalk& t) { t.CommandsWithin(); }},
        {"answers begin as commands", [](HardTalk& t) { t.AnswersBeginAsCommands(); }},
        {"telemetry between", [](HardTalk& t) { t.Telemetry(); }},
        {"ended by semicolon", [](HardTalk& t) { t.Semicolons(); }},
        {"single keys", [](HardTalk& t) { t.SingleKeys(); }},
        {"breaks and gaps", [](HardTalk& t) { t.BreaksAndGaps(); }},
        {"rubbish", [](HardTalk& t) { t.Rubbish(); }},
        {"large answers", [](HardTalk& t) { t.LargeAnswers(); }},
        {"modbus polls", [](HardTalk& t) { t.ModbusPolls(Heard::kBoth); }},
        {"modbus on one wire", [](HardTalk& t) { t.ModbusPolls(Heard::kOneWire); }},
        {"positions only", [](HardTalk& t) { t.Positions(false); }},
        {"positions and dialogue", [](HardTalk& t) { t.Positions(true); }},
        {"module only, bare words", [](HardTalk& t) { t.ModuleOnlyWords(); }},
        {"host only, bare words", [](HardTalk& t) { t.HostOnlyWords(); }},
        {"module only, dialogue", [](HardTalk& t) { t.ModuleOnlyDialogue(); }},
        {"bare answers, quick", [](HardTalk& t) { t.BareQuick(); }},
        {"power cycles", [](HardTalk& t) { t.PowerCycles(); }},
        {"echo, pipelined", [](HardTalk& t) { t.EchoPipelined(); }},
        {"slow module", [](HardTalk& t) { t.SlowModule(); }},
    };
    return makers;
  }

  // ---- sorts ----

  // The next command follows an answer at once, all the time.
  void TightPolling() {
    const Bytes end = Of<Bytes>({"\r\n", "\n", "\r"});
    const bool codes = Chance(0.5);
    const double think = Of<double>({0.5, 3, 10});
    for (int i = 0; i < 60; ++i) {
      Host((Chance(0.5) ? "level " + Digits(1) : Bytes("temp")) + end);
      Wait(2, 6);
      Reply(InOrder({Digits(2), ".", Digits(1), end, codes ? "ok" + end : Bytes()}));
      Wait(think, think * 2);
    }
  }

  // Now and then an answer breaks off, or only its result code is missing.
  void HalfAnswers() {
    for (int i = 0; i < 40; ++i) {
      Host("AT+" + Word(3, 6) + "?\r");
      Wait(10, 30);
      const Bytes whole = InOrder({"\r\n", Word(4, 12), " ", Digits(2), "\r\n\r\nOK\r\n"});
      if (i > 2 && Chance(0.15))
        Reply(whole.substr(0,
                           3 + static_cast<std::size_t>(Pick(static_cast<int>(whole.size()) - 4))));
      else
        Reply(whole);
      Wait(900, 2000);
    }
  }

  // "> " asks for data, which a Ctrl-Z ends.
  void PromptForData() {
    for (int i = 0; i < 30; ++i) {
      if (Chance(0.5)) {
        Host("AT+SEND=" + Digits(1) + "\r");
        Wait(5, 20);
        Reply("\r\n> ");
        Wait(5, 60);
        Host(InOrder({Word(4, 20), " ", Word(2, 9), "\x1a"}));
        Wait(50, 300);
        Reply("\r\n+SEND: " + Digits(2) + "\r\n\r\nOK\r\n");
      } else {
        Host("AT+" + Word(3, 6) + "\r");
        Wait(5, 20);
        Reply("\r\nOK\r\n");
      }
      Wait(600, 1500);
    }
  }

  void ShellWithColours() {
    const Bytes prompt = Of<Bytes>({"$ ", "\x1b[1mbutt\x1b[0m# ", "sedge> "});
    const bool echo = Chance(0.5);
    Module(K::kBanner, "\x1b[2J\x1b[Hsedge shell 2." + Digits(1) + "\r\n" + prompt);
    Wait(800, 2000);
    for (int i = 0; i < 25; ++i) {
      const Bytes command = Of<Bytes>({"ls", "level", "show " + Word(2, 5), "uptime"}) + "\r";
      Host(command);
      Wait(1, 3);
      if (echo) Module(K::kEcho, command + "\n");
      Bytes answer;
      for (int n = Pick(4); n > 0; --n)
        answer += InOrder({"\x1b[32m", Word(3, 9), "\x1b[0m ", Digits(3), "\r\n"});
      Wait(3, 9);
      Reply(answer + prompt);
      Wait(500, 2500);
    }
  }

  // A block's bytes say anything, line endings and result codes too.
  void BinaryWithEndings() {
    const double think = Of<double>({150, 800});
    for (int i = 0; i < 30; ++i) {
      Host("READ " + Digits(2) + "\r\n");
      Wait(5, 25);
      Bytes block = Bytes("\xA5", 1) + Noise(4 + Pick(60));
      for (int n = Pick(3); n > 0; --n) {
        const auto at = static_cast<std::size_t>(Pick(static_cast<int>(block.size())));
        block.insert(at, Of<Bytes>({"\r\n", "OK\r\n", "\r", "\n"}));
      }
      Reply(block + static_cast<char>(0x80 + Pick(100)));
      Wait(think, think * 2);
    }
  }

  void CommandsWithin() {
    const bool echo = Chance(0.6);
    const std::vector<Bytes> commands = {"AT\r",      "AT+A\r", "AT+AT\r",
                                         "AT+AT+A\r", "A/\r",   "AT+A?\r"};
    for (int i = 0; i < 40; ++i) {
      const Bytes command = Of(commands);
      Host(command);
      Wait(1, 4);
      if (echo) Module(K::kEcho, command);
      Wait(3, 20);
      Reply((Chance(0.4) ? "\r\nAT " + Word(2, 6) + "\r\n" : Bytes()) + "\r\nOK\r\n");
      Wait(400, 900);
    }
  }

  // No echo: the answer names what was asked.
  void AnswersBeginAsCommands() {
    const Bytes end = Of<Bytes>({"\r\n", "\n"});
    for (int i = 0; i < 40; ++i) {
      const Bytes name = Of<Bytes>({"LEVEL", "LEV", "RAIN", "PUMP1"});
      Host(name + "?" + end);
      Wait(5, 30);
      Reply(Chance(0.7) ? name + "? " + Digits(3) + end : name + "=" + Digits(2) + end);
      Wait(300, 900);
    }
  }

  // More is said unasked than asked for.
  void Telemetry() {
    const Bytes end = "\r\n";
    const bool json = Chance(0.5);
    double next = now_ + 400;
    const auto telemetry = [&] {
      Module(K::kUnsolicited,
             json ? InOrder({"{\"t\":", Digits(2), ",\"h\":", Digits(2), "}", end})
                  : InOrder({"T=", Digits(2), ".", Digits(1), " H=", Digits(2), end}));
    };
    for (int i = 0; i < 50; ++i) {
      if (Chance(0.6)) {
        now_ = std::max(now_, next);
        telemetry();
        next = now_ + 1000;
        Wait(400, 600);
      }
      Host("get " + Word(3, 5) + "\r\n");
      Wait(5, 20);
      Reply(InOrder({Word(3, 8), " ", Digits(2), end, "done", end}));
      Wait(400, 700);
    }
  }

  void Semicolons() {
    for (int i = 0; i < 40; ++i) {
      Host(InOrder({"M", Digits(1 + Pick(3)), ",", Digits(1), ";"}));
      Wait(3, 20);
      Reply((Chance(0.5) ? "M" + Digits(2) + ";" : Bytes("A;")));
      Wait(50, 400);
    }
  }

  void SingleKeys() {
    for (int i = 0; i < 40; ++i) {
      Host(Of<Bytes>({"a", "b", "?", "1", " "}));
      Wait(3, 20);
      Reply(InOrder({Word(3, 8), ": ", Digits(3), "\r\n"}));
      Wait(300, 1500);
    }
  }

  void BreaksAndGaps() {
    for (int i = 0; i < 40; ++i) {
      if (Chance(0.2)) {
        marks_.push_back({now_ - 100, EventKind::kBreak, Side::kModule});
        Wait(200, 300);
      }
      Host("AT+" + Word(3, 6) + "\r\n");
      const bool lost = i > 3 && Chance(0.15);
      if (lost) {
        Wait(40, 60);
        marks_.push_back({now_, EventKind::kGap, Side::kUnknown});
        Wait(700, 900);
        continue;
      }
      Wait(10, 30);
      Reply("\r\n" + Word(3, 9) + "\r\n\r\nOK\r\n");
      Wait(700, 1500);
    }
  }

  // The module is read at a wrong rate: its answers are noise of high bytes and zeros.
  void Rubbish() {
    for (int i = 0; i < 30; ++i) {
      Host("AT+" + Word(3, 6) + "\r\n");
      Wait(15, 40);
      Bytes noise;
      for (int n = 3 + Pick(20); n > 0; --n)
        noise +=
            Of<Bytes>({Bytes("\0", 1), "\x80", "\xf8", "\xe6", "\x9e", "\x78", "\x06", "\xfe"});
      Reply(noise);
      Wait(700, 1500);
    }
  }

  void LargeAnswers() {
    line_.baud = Of<double>({57600, 115200});
    for (int i = 0; i < 12; ++i) {
      Host("DUMP " + Digits(2) + "\r\n");
      Wait(5, 30);
      Bytes all;
      for (int n = 20 + Pick(200); n > 0; --n)
        all += InOrder({Digits(4), ": ", Word(8, 40), "\r\n"});
      Reply(all + "END\r\n");
      Wait(500, 1500);
    }
  }

  // Stations are polled in turn, some do not answer, some with an exception.
  void ModbusPolls(Heard heard) {
    line_.heard = heard;
    line_.bytes_tell = true;
    line_.host_is_early = false;
    const double least = std::max(1.75, 3.5 * 1.1 * line_.character_ms());  // t3.5
    for (int i = 0; i < 50; ++i) {
      const Bytes station(1, static_cast<char>(1 + Pick(3)));
      const int count = 1 + Pick(6);
      const bool write = Chance(0.3);
      Bytes request = station + (write ? '\x06' : '\x03') + '\0' + static_cast<char>(Pick(64));
      request += Bytes(1, '\0') + static_cast<char>(write ? Pick(256) : count);
      Host(WithCrc(request));
      if (Chance(0.1)) {
        Wait(100, 200);
        continue;
      }
      Wait(least + 2, least + 15);
      if (Chance(0.1))
        Reply(WithCrc(station + static_cast<char>(write ? 0x86 : 0x83) + '\x02'));
      else if (write)
        Reply(WithCrc(request));
      else
        Reply(WithCrc(station + '\x03' + static_cast<char>(count * 2) + Noise(count * 2)));
      Wait(least + 3, least + 40);
    }
  }

  Bytes Sentence() {
    const Bytes body = InOrder({Of<Bytes>({"GNGGA", "GNRMC", "GPGSV", "GNGSA"}), ",", Digits(6),
                                ".00,", Digits(4), ".", Digits(4), ",N,0", Digits(4), ".",
                                Digits(4), ",E,", Digits(1), ",", Digits(2)});
    return WithSum(body);
  }

  void Positions(bool dialogue) {
    line_.baud = Of<double>({9600, 38400, 115200});
    line_.heard = dialogue ? Heard::kBoth : Heard::kModuleOnly;
    line_.bytes_tell = true;
    double next = now_;
    for (int i = 0; i < 25; ++i) {
      now_ = std::max(now_, next);
      next = now_ + 1000;
      for (int n = 2 + Pick(4); n > 0; --n) Module(K::kUnsolicited, Sentence());
      if (!dialogue || !Chance(0.3)) continue;
      Wait(100, 300);
      Host("$PFEN,RATE," + Digits(1) + "*00\r\n");
    }
  }

  void ModuleOnlyWords() {
    line_.heard = Heard::kModuleOnly;
    const double pause = Of<double>({0, 5, 20});
    for (int i = 0; i < 60; ++i) {
      const Bytes word = Word(2, 14);
      Reply(word);
      if (pause > 0 && word.size() > 3) PauseAt(word.size() / 2, pause * Between(0.7, 1.2));
      Wait(400, 1500);
    }
  }

  void HostOnlyWords() {
    line_.heard = Heard::kHostOnly;
    line_.host_is_early = false;
    for (int i = 0; i < 60; ++i) {
      Host("AT+" + Word(2, 8));
      Wait(350, 1500);
    }
  }

  // Answers of many lines and unasked lines, of which only the module is heard.
  void ModuleOnlyDialogue() {
    line_.heard = Heard::kModuleOnly;
    const double pause = Of<double>({0, 0, 15});
    for (int i = 0; i < 50; ++i) {
      Bytes answer;
      std::size_t second = 0;
      for (int n = 1 + Pick(4); n > 0; --n) {
        answer += InOrder({Word(3, 12), " ", Digits(2), "\r\n"});
        if (second == 0) second = answer.size();
      }
      answer += "OK\r\n";
      Reply(answer);
      if (pause > 0) PauseAt(second, pause * Between(0.7, 1.2));
      Wait(500, 2500);
    }
  }

  // Neither commands nor answers end with anything; there is hardly a pause.
  void BareQuick() {
    const double think = Of<double>({120, 300});
    for (int i = 0; i < 50; ++i) {
      Host(InOrder({"AT+", Word(2, 5), Digits(1)}));
      Wait(30, 60);
      Reply("OK" + Word(1, 9));
      Wait(think, think * 1.5);
    }
  }

  void PowerCycles() {
    const Bytes name = Word(4, 7);
    for (int cycle = 0; cycle < 5; ++cycle) {
      Module(cycle == 0 ? K::kBanner : K::kBanner,
             InOrder({name, " boot v1.", Digits(1), "\r\ncal ", Digits(3), "\r\nready\r\n"}));
      Wait(1500, 2500);
      for (int i = 0; i < 6; ++i) {
        Host("cfg " + Word(3, 5) + "\r\n");
        Wait(8, 30);
        Reply("ok " + Digits(2) + "\r\n");
        Wait(400, 900);
      }
      Wait(2500, 4000);
    }
  }

  // Two commands at once; each echo stands before its own answer.
  void EchoPipelined() {
    for (int i = 0; i < 30; ++i) {
      const int n = i == 0 ? 1 : 1 + Pick(2);
      std::vector<Bytes> commands;
      for (int k = 0; k < n; ++k) {
        commands.push_back("AT+" + Word(3, 6) + "?\r");
        Host(commands.back());
      }
      Wait(3, 8);
      for (const Bytes& command : commands) {
        Module(K::kEcho, command);
        now_ += Between(4, 20);
        Reply("\r\n" + Word(3, 9) + "\r\n\r\nOK\r\n");
        now_ += Between(1, 10);
      }
      Wait(600, 1500);
    }
  }

  // Answers take longer than the silences between them, but those of one command are as long.
  void SlowModule() {
    const double turn = Of<double>({400, 900, 1500});
    for (int i = 0; i < 30; ++i) {
      Host("scan " + Digits(1) + "\r\n");
      Wait(turn, turn * 1.3);
      Bytes answer;
      for (int n = 1 + Pick(5); n > 0; --n)
        answer += InOrder({Word(5, 10), " -", Digits(2), "\r\n"});
      Reply(answer + "end\r\n");
      Wait(200, 900);
    }
  }
};

}  // namespace witness::test
