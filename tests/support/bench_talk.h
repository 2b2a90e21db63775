// Talks between a person's programs and modules that speak text, as a bench shows them, each of a
// named sort, of which the truth is known.
//
// Made from the words of what people do at benches, before anyone looked at what the segmenter
// could do with them (but for those with late stamps, which it was found weak at); knows nothing of
// how it works. Where nobody could tell the truth (whether a second answer after seconds is one
// still) it is drawn so that silence or bytes decide.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "tests/support/talk_maker.h"

namespace witness::test {

class BenchTalk : public SortedTalk<BenchTalk> {
 public:
  BenchTalk(std::string sort, unsigned seed)
      : SortedTalk(std::move(sort), seed * 2246822519u + 5) {}

 private:
  friend SortedTalk;
  static const MakersOfSorts& Makers() {
    static const MakersOfSorts makers = {
        {"unasked lines in long answers", [](T& t) { t.UnaskedInLists(); }},
        {"unasked in long answers, late stamps", [](T& t) { t.LateStamps(), t.UnaskedInLists(); }},
        {"a number without ending", [](T& t) { t.BareNumbers(); }},
        {"answers twice", [](T& t) { t.Twice(); }},
        {"sent faster than answered", [](T& t) { t.Faster(); }},
        {"positions amid at", [](T& t) { t.PositionsAmidAt(); }},
        {"progress", [](T& t) { t.Progress(); }},
        {"settings and queries", [](T& t) { t.SettingsAndQueries(); }},
        {"stream on request", [](T& t) { t.Stream(); }},
        {"json over many lines", [](T& t) { t.Json(); }},
        {"confirms by repeating", [](T& t) { t.Repeating(); }},
        {"lf cr", [](T& t) { t.LfCr(); }},
        {"dots, then done", [](T& t) { t.Dots(); }},
        {"polls, late stamps", [](T& t) { t.LateStamps(), t.Polls(); }},
        {"heartbeat", [](T& t) { t.Heartbeat(); }},
    };
    return makers;
  }

  // ---- sorts ----

  // Several unasked lines between the lines of one answer, known from the silences, too.
  void UnaskedInLists() {
    const auto unasked = [&] { Module(K::kUnsolicited, Info("+JOIN: " + Digits(1 + Pick(2)))); };
    for (int i = 0; i < 25; ++i) {
      Host(Bytes(Chance(0.6) ? "AT+LIST?" : "AT+FW?") + "\r");
      Wait(5, 25);
      Bytes piece;
      for (int n = 1 + Pick(6); n > 0; --n) {
        piece += Info(InOrder({"+LIST: ", Digits(1), ",", Word(3, 8)}));
        if (!Chance(0.25)) continue;
        Reply(piece);
        piece.clear();
        now_ += Between(0.2, 5);
        for (int k = 1 + Pick(2); k > 0; --k) unasked();
        now_ += Between(0.2, 5);
      }
      Reply(piece + Info("OK"));
      Wait(700, 1500);
      if (i == 1 || Chance(0.3)) {
        unasked();
        Wait(700, 1500);
      }
    }
  }

  // A sensor that is polled and answers with a number, and nothing behind it.
  void BareNumbers() {
    const Bytes poll = Of<Bytes>({"R", "R\r", "?", "D0!"});
    const double every = Of<double>({150, 500, 1000});
    for (int i = 0; i < 60; ++i) {
      Host(poll);
      Wait(8, 40);
      if (!Chance(0.05)) Reply(InOrder({Chance(0.2) ? "-" : "", Value()}));
      Wait(every, every * 1.3);
    }
  }

  // "accepted" at once, what came of it a second or more later.
  void Twice() {
    for (int i = 0; i < 25; ++i) {
      const bool twice = Chance(0.6) || i == 0;
      Host((twice ? "pump " + Digits(1) : Bytes("level?")) + "\r\n");
      Wait(5, 25);
      Reply(twice ? Bytes("accepted\r\n") : "level " + Value() + "\r\n");
      if (twice) {
        Wait(1200, 3000);
        Reply("pumped " + Digits(2) + " l\r\n");
      }
      Wait(3500, 5000);
    }
  }

  // A queue of commands; each is answered in its turn, long after the next was sent.
  void Faster() {
    line_.baud = std::max(line_.baud, 9600.0);
    const bool v250 = Chance(0.5);
    for (int i = 0; i < 12; ++i) {
      const int n = i == 0 ? 1 : 1 + Pick(5);
      const double from = now_;
      for (int k = 0; k < n; ++k) {
        Host(v250 ? "AT+" + Word(2, 6) + "?\r" : "get " + Word(2, 5) + "\n");
        now_ += Between(1, 8);
      }
      double behind = now_;
      now_ = from + 12 * line_.character_ms() + line_.timer_ms + 12;
      for (int k = 0; k < n; ++k) {
        now_ += Between(15, 40);
        // Not before its own command has ended.
        now_ = std::max(now_, said_[said_.size() - static_cast<std::size_t>(n)].at_ms +
                                  14 * line_.character_ms() + line_.timer_ms + 3);
        Reply(v250 ? Info(Word(2, 9)) + Info("OK") : InOrder({Word(2, 9), " ", Digits(2), "\n"}));
      }
      now_ = std::max(now_, behind);
      Wait(800, 1600);
    }
  }

  // A receiver of positions that takes AT commands, too: sentences come whenever they are due.
  void PositionsAmidAt() {
    line_.baud = std::max(line_.baud, 9600.0);
    const auto sentences = [&] {
      for (int n = 2 + Pick(3); n > 0; --n)
        Module(K::kUnsolicited,
               WithSum(InOrder({Of<Bytes>({"GNGGA", "GNRMC", "GPGSV", "GNVTG"}), ",", Digits(6),
                                ".00,", Digits(4), ".", Digits(4), ",N,", Digits(2)})));
    };
    double due = now_;
    for (int i = 0; i < 40; ++i) {
      now_ = std::max(now_, due);
      due = now_ + 1000;
      sentences();
      if (Chance(0.4)) continue;
      Wait(60, 250);
      Host("AT+" + Word(3, 6) + "?\r\n");
      Wait(5, 25);
      const bool collide = i > 8 && Chance(0.25);
      if (collide && Chance(0.5)) {
        sentences();
        due += 1000;
      }
      const Bytes info = Info(InOrder({Word(3, 9), " ", Digits(2)}));
      if (collide && Chance(0.5)) {
        Reply(info);
        sentences();
        Reply(Info("OK"));
        due += 1000;
      } else {
        Reply(info + Info("OK"));
      }
    }
  }

  // Something is said while it works: dots, hashes, percents behind CR; then the end of it.
  void Progress() {
    const int form = Pick(4);
    const double pace = Of<double>({60, 150, 400});
    for (int i = 0; i < 16; ++i) {
      const bool works = Chance(0.6) || i == 0;
      Host(Bytes(works ? "erase" : "level") + "\r\n");
      Wait(5, 25);
      std::vector<Bytes> parts;
      if (works) {
        const int n = 3 + Pick(9);
        if (form == 1) parts.push_back("erasing");
        for (int k = 0; k < n; ++k)
          parts.push_back(form == 0   ? Bytes(".")
                          : form == 1 ? Bytes(" .")
                          : form == 2 ? Bytes("#")
                                      : std::to_string((k + 1) * 100 / n) + "%\r");
        parts.push_back(form == 1 ? Bytes(" done\r\n") : Bytes("\r\nok\r\n"));
      } else {
        parts.push_back(Value() + "\r\nok\r\n");
      }
      ReplyParts(parts, pace * 0.8, pace * 1.2);
      Wait(1500, 3000);
    }
  }

  // Settings are answered by nothing, queries by a value.
  void SettingsAndQueries() {
    const Bytes end = Of<Bytes>({"\n", "\r\n"});
    for (int i = 0; i < 50; ++i) {
      if (Chance(0.5)) {
        Host(InOrder({Of<Bytes>({"VOLT ", "CURR ", "OUTP:DEL "}), Value(), end}));
        Wait(20, 300);
      } else {
        Host(Of<Bytes>({"VOLT?", "MEAS:CURR?", "*IDN?"}) + end);
        Wait(3, 30);
        Reply(InOrder({"+", Digits(1), ".", Digits(4), "E+0", Digits(1), end}));
        Wait(20, 600);
      }
    }
  }

  // Between "start" and "stop" lines come by themselves.
  void Stream() {
    const double every = Of<double>({100, 250});
    line_.baud = std::max(line_.baud, 9600.0);
    for (int round = 0; round < 5; ++round) {
      Host("start\r\n");
      Wait(5, 20);
      Reply("ok\r\n");
      for (int n = 8 + Pick(20); n > 0; --n) {
        Wait(every, every * 1.05);
        Module(K::kUnsolicited,
               InOrder({"t=", Digits(2), ".", Digits(1), " h=", Digits(2), "\r\n"}));
      }
      Wait(20, 60);
      Host("stop\r\n");
      Wait(5, 20);
      Reply("ok\r\n");
      Wait(1200, 2500);
      for (int n = Pick(3); n > 0; --n) {
        Host("level?\r\n");
        Wait(5, 20);
        Reply("level " + Value() + "\r\n");
        Wait(1200, 2500);
      }
    }
  }

  // An object over many lines, and nothing behind its last bracket but an ending.
  void Json() {
    const double pause = Of<double>({0, 2, 12});
    for (int i = 0; i < 25; ++i) {
      Host("{\"ask\":\"" + Word(3, 6) + "\"}\n");
      Wait(5, 40);
      std::vector<Bytes> lines = {"{\n"};
      for (int n = 1 + Pick(5); n > 0; --n)
        lines.push_back(InOrder({"  \"", Word(2, 6), "\": ", Digits(2), n > 1 ? ",\n" : "\n"}));
      lines.push_back("}\n");
      ReplyParts(lines, pause * 0.6, pause * 1.3);
      Wait(500, 1500);
    }
  }

  // No echo: what was set is said back as the confirmation, a query is answered in the same form.
  void Repeating() {
    const Bytes end = Of<Bytes>({"\r\n", "\r", "\n"});
    for (int i = 0; i < 40; ++i) {
      const Bytes name = Of<Bytes>({"CHAN", "POWER", "RATE"});
      const bool set = Chance(0.4);
      const Bytes value = Digits(2);
      Host(set ? name + "=" + value + end : name + "?" + end);
      Wait(10, 40);
      Reply(name + "=" + (set ? value : Digits(2)) + end);
      Wait(300, 1200);
    }
  }

  void LfCr() {
    for (int i = 0; i < 40; ++i) {
      Host(Of<Bytes>({"level", "temp", "pump " + Digits(1)}) + "\n\r");
      Wait(5, 30);
      Bytes answer;
      for (int n = 1 + Pick(3); n > 0; --n) answer += InOrder({Word(3, 8), " ", Digits(2), "\n\r"});
      Reply(answer);
      Wait(400, 1200);
    }
  }

  // Nothing but slow commands: dots while it works, then how many.
  void Dots() {
    const double pace = Of<double>({50, 120, 200, 350});
    const Bytes dot = Of<Bytes>({".", ".", "#", "* "});
    for (int i = 0; i < 10; ++i) {
      Host("scan\r");
      Wait(10, 40);
      std::vector<Bytes> parts(static_cast<std::size_t>(3 + Pick(8)), dot);
      parts.push_back("\r\ndone " + Digits(1) + "\r\n");
      ReplyParts(parts, pace * 0.75, pace * 1.25);
      Wait(1800, 3500);
    }
  }

  void Polls() {
    const bool v250 = Chance(0.5);
    for (int i = 0; i < 40; ++i) {
      Host(v250 ? "AT+" + Word(2, 6) + "?\r" : "get " + Word(2, 5) + "\r\n");
      Wait(4, 40);
      Reply(v250 ? Info(Word(2, 9)) + Info("OK") : InOrder({Word(2, 9), " ", Digits(2), "\r\n"}));
      Wait(60, 600);
    }
  }

  // A sign of life every few seconds, whatever else goes on.
  void Heartbeat() {
    const Bytes beat = Of<Bytes>({".", "alive\r\n", "\r\n"});
    double due = now_ + 2000;
    for (int i = 0; i < 40; ++i) {
      if (now_ > due) {
        Module(K::kUnsolicited, beat);
        due = now_ + 2500;
        Wait(400, 600);
      }
      Host("get " + Word(3, 5) + "\r\n");
      Wait(5, 25);
      Reply(InOrder({Word(3, 9), "=", Digits(2), "\r\n"}));
      Wait(700, 1500);
    }
  }
};

}  // namespace witness::test
