// Talks as modules of many makes hold them in the field, each of a named sort, of which the truth
// is known: what a careful person would say who has the module's sheet. Made before anyone looked
// at how the segmenter works, in the way of bench_talk.h; knows nothing of it.
//
// Where the sheet would not help (whether a line that comes by itself seconds after a command is
// its answer) it is drawn so that silence or bytes decide.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "tests/support/talk_maker.h"

namespace witness::test {

class FieldTalk : public SortedTalk<FieldTalk> {
 public:
  FieldTalk(std::string sort, unsigned seed)
      : SortedTalk(std::move(sort), seed * 2860486313u + 23) {}

 private:
  friend SortedTalk;
  static const MakersOfSorts& Makers() {
    static const MakersOfSorts makers = {
        {"pause before ok", [](T& t) { t.PauseBeforeOk(); }},
        {"guard times and data mode", [](T& t) { t.GuardTimes(); }},
        {"lf asks, cr answers", [](T& t) { t.LfAsksCrAnswers(); }},
        {"host's lf comes late", [](T& t) { t.HostLfLate(12, 30); }},
        {"answered before the host's lf", [](T& t) { t.HostLfLate(1, 4); }},
        {"length frames, unasked between", [](T& t) { t.LengthFrames(); }},
        {"addressed, with sums", [](T& t) { t.Addressed(); }},
        {"wait, then the answer", [](T& t) { t.WaitThenAnswer(); }},
        {"telemetry every 200 ms", [](T& t) { t.FastTelemetry(); }},
        {"two kinds of prompts", [](T& t) { t.TwoPrompts(); }},
        {"answers of one character", [](T& t) { t.OneCharacter(); }},
        {"bare numbers in parts", [](T& t) { t.NumbersInParts(); }},
        {"slow characters", [](T& t) { t.SlowCharacters(); }},
        {"921600 in batches", [](T& t) { t.Batches(); }},
        {"polled faster than answered", [](T& t) { t.PolledFaster(); }},
        {"reset amid an answer", [](T& t) { t.ResetAmid(); }},
        {"help with dots", [](T& t) { t.HelpWithDots(); }},
        {"sums asked and answered", [](T& t) { t.SumsAsked(); }},
        {"answer on the echo's line", [](T& t) { t.AnswerOnEchoLine(); }},
        {"question repeated, late stamps", [](T& t) { t.LateStamps(), t.QuestionRepeated(); }},
        {"own bytes come back, addresses", [](T& t) { t.OwnBytesBack(); }},
        {"numeric codes and rings", [](T& t) { t.NumericCodes(); }},
        {"every second command", [](T& t) { t.EverySecond(); }},
        {"echo switched off midway", [](T& t) { t.EchoSwitched(); }},
        {"ending changed midway", [](T& t) { t.EndingChanged(); }},
        {"codes become numeric midway", [](T& t) { t.CodesChanged(); }},
        {"unasked from midway", [](T& t) { t.UnaskedLater(); }},
        {"slower from midway", [](T& t) { t.SlowerLater(); }},
        {"lf before, cr behind", [](T& t) { t.LfBeforeCrBehind(); }},
        {"records in a stream", [](T& t) { t.Records(); }},
        {"alone, pause before ok", [](T& t) { t.AlonePauseBeforeOk(); }},
    };
    return makers;
  }

  static Bytes Hex2(unsigned value) {
    static const char* const kHex = "0123456789ABCDEF";
    return {kHex[value >> 4 & 15], kHex[value & 15]};
  }
  static unsigned SumOf(const Bytes& bytes) {
    unsigned sum = 0;
    for (const char c : bytes) sum += static_cast<unsigned char>(c);
    return sum & 0xff;
  }

  struct Asked {
    Bytes command, answer;
  };

  // ---- sorts ----

  // What was asked for at once; then the module works or writes, and says OK.
  void PauseBeforeOk() {
    const double pause = Of<double>({50, 150, 400, 800});
    const bool v250 = Chance(0.6);
    for (int i = 0; i < 25; ++i) {
      const bool info = Chance(0.7) || i == 0;
      Host((v250 ? "AT+" + Word(2, 6) + "?\r" : "get " + Word(2, 6) + "\r\n"));
      Wait(5, 25);
      if (!info)
        Reply(v250 ? Info("OK") : Bytes("OK\r\n"));
      else
        ReplyParts({v250 ? Info(InOrder({"+", Word(2, 5), ": ", Digits(2)}))
                         : InOrder({Word(2, 6), " ", Value(), "\r\n"}),
                    v250 ? Info("OK") : Bytes("OK\r\n")},
                   pause * 0.7, pause * 1.2);
      Wait(2200, 4000);
    }
  }

  // A radio that carries bytes of any kind until three marks with silence around them make it
  // listen to commands. What the far end sends comes by itself.
  void GuardTimes() {
    line_.baud = std::max(line_.baud, 4800.0);
    const auto near = [&] { return Bytes("level ") + Value() + "\r\n"; };
    for (int round = 0; round < 5; ++round) {
      Wait(1200, 1500);
      Host("+++");
      Wait(1050, 1200);
      Reply("OK\r");
      Wait(200, 600);
      for (int n = 2 + Pick(4); n > 0; --n) {
        const bool query = Chance(0.6);
        Host((query ? Of<Bytes>({"ATCH", "ATPL", "ATSL"}) : "ATCH" + Digits(2)) + "\r");
        Wait(8, 30);
        Reply(query ? Digits(1 + Pick(3)) + "\r" : Bytes("OK\r"));
        Wait(200, 600);
      }
      Host("ATCN\r");
      Wait(8, 30);
      Reply("OK\r");
      Wait(1500, 2500);
      for (int n = 2 + Pick(3); n > 0; --n) {
        Host(near());
        Wait(2000, 3000);
        for (int k = Pick(3); k > 0; --k) {
          Module(K::kUnsolicited, InOrder({"far ", Digits(1), " ", Value(), "\r\n"}));
          Wait(1500, 2500);
        }
      }
    }
  }

  void LfAsksCrAnswers() {
    const bool lists = Chance(0.4);
    for (int i = 0; i < 40; ++i) {
      Host(Of<Bytes>({"level", "temp", "pump " + Digits(1)}) + "\n");
      Wait(4, 30);
      Bytes answer;
      for (int n = lists ? 1 + Pick(3) : 1; n > 0; --n)
        answer += InOrder({Word(3, 8), " ", Value(), "\r"});
      Reply(answer);
      Wait(250, 1200);
    }
  }

  // A program that writes the line and its CR, and some 10 ms later the LF.
  void HostLfLate(double least_ms, double most_ms) {
    line_.host_is_early = false;
    if (line_.timer_ms > 4) line_.timer_ms = 4;
    line_.baud = std::max(line_.baud, 9600.0);
    for (int i = 0; i < 40; ++i) {
      const Bytes command = Of<Bytes>({"level", "temp", "pump " + Digits(1)}) + "\r\n";
      const double at = now_;
      Host(command);
      PauseAt(command.size() - 1, Between(8, 12));
      if (most_ms < 8)  // what the module waits for is the CR
        now_ = at + static_cast<double>(command.size() - 1) * line_.character_ms();
      Wait(least_ms, most_ms);
      Reply(InOrder({Word(3, 8), " ", Value(), "\r\n"}));
      now_ = std::max(now_, at + 30);
      Wait(400, 1200);
    }
  }

  // Mark, length, type, payload, sum.
  Bytes LengthFrame(int type, int payload) {
    Bytes out = "\xAA";
    out += static_cast<char>(payload + 1);
    out += static_cast<char>(type);
    out += Noise(payload);
    return out + static_cast<char>(SumOf(out));
  }
  void LengthFrames() {
    const double think = Of<double>({60, 300, 900});
    for (int i = 0; i < 50; ++i) {
      const int type = 1 + Pick(6);
      Host(LengthFrame(type, Pick(6)));
      Wait(4, 25);
      Reply(LengthFrame(type | 0x80, 1 + Pick(20)));
      Wait(think, think * 1.6);
      if (i != 0 && !Chance(0.3)) continue;
      for (int n = 1 + Pick(2); n > 0; --n) {
        const int kind = 0x40 + Pick(3);
        Module(K::kUnsolicited, LengthFrame(kind, 2 + Pick(6)));
        Wait(think, think * 1.6);
      }
    }
  }

  // "#01A7x\r": address, command, sum; answers ">" or "?" with the address; some are not there.
  void Addressed() {
    const auto summed = [](const Bytes& text) { return text + Hex2(SumOf(text)) + "\r"; };
    const double patience = Of<double>({100, 300});
    for (int i = 0; i < 50; ++i) {
      const Bytes unit = "0" + std::to_string(1 + Pick(5));
      Host(summed(InOrder({Chance(0.5) ? "#" : "$", unit, Of<Bytes>({"A", "M", "2", ""})})));
      if (unit == "04" && i > 2) {  // no shorter than an answer would have taken
        const double answer = 40 * line_.character_ms();
        Wait(answer + patience, answer + patience * 1.2);
        continue;
      }
      Wait(4, 15);
      Reply(
          summed(Chance(0.9) ? InOrder({">", unit, "+0", Digits(2), ".", Digits(2)}) : "?" + unit));
      Wait(20, patience);
    }
  }

  // The module says that it is at it, and shortly what came of it.
  void WaitThenAnswer() {
    const double works = Of<double>({80, 250});
    const Bytes busy = Of<Bytes>({"WAIT", "busy..."});
    for (int i = 0; i < 30; ++i) {
      const bool long_one = Chance(0.5) || i == 0;
      Host(Bytes(long_one ? "measure" : "unit") + "\r\n");
      Wait(4, 20);
      if (long_one)
        ReplyParts({busy + "\r\n", Value() + " cm\r\n"}, works * 0.7, works * 1.2);
      else
        Reply("cm\r\n");
      Wait(1200, 2500);
    }
  }

  // A line five times a second, whatever else; what is asked is answered between them.
  void FastTelemetry() {
    line_.baud = std::max(line_.baud, 19200.0);
    const int form = Pick(2);
    const double every = 200;
    double due = now_ + 50;
    double next_question = now_ + 700;
    for (int i = 0; i < 140; ++i) {
      now_ = std::max(now_, due + Between(0, 3));
      due += every;
      Module(K::kUnsolicited,
             form == 0 ? InOrder({"T=", Digits(2), ".", Digits(1), " H=", Digits(2), "\r\n"})
                       : InOrder({Digits(2), ".", Digits(1), ",", Digits(3), "\r\n"}));
      if (now_ < next_question) continue;
      next_question = now_ + Between(500, 1500);
      Wait(20, 60);
      const int which = Pick(3);
      Host(std::vector<Bytes>{"rate?", "name?", "gain 2"}[static_cast<std::size_t>(which)] +
           "\r\n");
      Wait(4, 20);
      Reply(which == 0   ? Bytes("rate 5\r\n")
            : which == 1 ? "name butt-" + Digits(1) + "\r\n"
                         : Bytes("ok\r\n"));
      Wait(5, 10);
    }
  }

  void TwoPrompts() {
    const bool echo = Chance(0.5);
    const Bytes user = Of<Bytes>({"> ", "sedge> "});
    const Bytes set_up = Of<Bytes>({"# ", "sedge(set)# "});
    Module(K::kBanner, "sedge 2." + Digits(1) + "\r\n" + user);
    Wait(1200, 2500);
    const auto ask = [&](const Asked& asked) {
      const auto& [command, answer] = asked;
      Host(command);
      Wait(0.5, 2);
      if (echo) Module(K::kEcho, command + "\n");
      Wait(3, 15);
      Reply(answer);
      Wait(500, 1800);
    };
    for (int round = 0; round < 4; ++round) {
      for (int n = 2 + Pick(4); n > 0; --n)
        ask({Of<Bytes>({"level", "temp"}) + "\r",
             InOrder({Word(3, 8), " ", Value(), "\r\n", user})});
      ask({"setup\r", set_up});
      for (int n = 1 + Pick(4); n > 0; --n)
        ask({"chan " + Digits(2) + "\r", (Chance(0.3) ? "bad value\r\n" : "") + set_up});
      ask({"exit\r", "saved\r\n" + user});
    }
  }

  void OneCharacter() {
    const Bytes end = Of<Bytes>({"\r", "\n", ""});
    const double think = Of<double>({150, 600});
    for (int i = 0; i < 60; ++i) {
      Host(InOrder({Of<Bytes>({"S", "P", "V"}), Digits(1 + Pick(3)), end}));
      Wait(4, 25);
      if (i < 3 || !Chance(0.05)) Reply(Of<Bytes>({"K", "K", "K", "E", "!"}));
      Wait(think, think * 1.6);
    }
  }

  // The sensor writes the sign, the whole, the point and the rest one after the other.
  void NumbersInParts() {
    line_.baud = 9600;
    const Bytes poll = Of<Bytes>({"D", "D\r", "M!"});
    const double apart = Of<double>({3, 8});
    for (int i = 0; i < 50; ++i) {
      Host(poll);
      Wait(10, 40);
      ReplyParts({Chance(0.2) ? "-" : "", Digits(1 + Pick(3)), "." + Digits(1 + Pick(3))},
                 apart * 0.6, apart * 1.4);
      Wait(400, 900);
    }
  }

  // A port made in software, whose program looks up each character before it sends it.
  void SlowCharacters() {
    line_.baud = 1200;
    line_.reads = Of<Reads>({Reads::kByte, Reads::kWhole, Reads::kTimer});
    line_.timer_ms = line_.reads == Reads::kTimer ? 16 : 0;
    line_.host_is_early = Chance(0.5);
    const double apart = Of<double>({2, 6, 15});
    const Bytes end = Of<Bytes>({"\r", "\r\n"});
    for (int i = 0; i < 20; ++i) {
      Host(Of<Bytes>({"LV", "TP", "PU" + Digits(1)}) + "\r");
      Wait(20, 80);
      const Bytes answer = InOrder({Word(2, 6), "=", Digits(3), end});
      std::vector<Bytes> parts;
      for (const char c : answer) parts.emplace_back(1, c);
      ReplyParts(parts, apart * 0.5, apart * 1.5);
      Wait(500, 1500);
    }
  }

  // So fast that an exchange fits into what the adapter hands over at once; the host goes on when
  // it was handed the answer.
  void Batches() {
    line_.baud = 921600;
    line_.reads = Reads::kTimer;
    line_.timer_ms = Of<double>({1, 16});
    line_.host_is_early = true;
    const double think = Of<double>({1, 20, 200});
    const bool v250 = Chance(0.5);
    for (int i = 0; i < 80; ++i) {
      Host(v250 ? "AT+" + Word(2, 6) + "?\r" : "get " + Word(2, 6) + "\n");
      now_ += Between(0.3, 3);
      Reply(v250 ? Info(InOrder({Word(2, 20), " ", Digits(3)})) + Info("OK")
                 : InOrder({Word(2, 8), "=", Digits(3), "\n"}));
      Wait(think, think * 1.5);
    }
  }

  // A poll every so often, answered or not: the module drops what comes while it measures.
  void PolledFaster() {
    line_.baud = std::max(line_.baud, 9600.0);
    const double every = Of<double>({60, 100});
    const double takes = every * Between(1.4, 2.6);
    const Bytes end = Of<Bytes>({"\r\n", "\r"});
    for (int i = 0; i < 30; ++i) {
      const double asked = now_;
      Host("P" + end);
      const double done = asked + takes * Between(0.95, 1.05);
      const Bytes answer = Value() + end;
      double poll = asked;
      const double spoken = done + static_cast<double>(answer.size()) * line_.character_ms();
      while (poll + every < spoken + 5) {
        poll += every;
        now_ = poll;
        // Not while the answer is on the wire: a poll that crosses it is of another sort.
        if (poll + 3 * line_.character_ms() + line_.timer_ms + 8 > done) break;
        Host("P" + end);
      }
      now_ = done;
      Wait(0, 2);
      Reply(answer);
      Wait(0, 1);
      now_ = std::max(now_, poll) + Between(0.5, 3);
      Wait(5, every);
    }
  }

  // Now and then the module resets while it answers; what it says then is its banner.
  void ResetAmid() {
    const Bytes name = Word(4, 7);
    const bool noise = Chance(0.3);
    const auto banner = [&] {
      Module(K::kBanner, (noise ? Bytes(1, '\0') : Bytes()) + name + " boot 1." + Digits(1) +
                             "\r\nram ok\r\nready\r\n");
      Wait(1000, 2000);
    };
    banner();
    for (int i = 0; i < 30; ++i) {
      Host("list " + Digits(1) + "\r\n");
      Wait(5, 25);
      Bytes answer;
      for (int n = 2 + Pick(3); n > 0; --n) answer += InOrder({Word(4, 9), " ", Digits(3), "\r\n"});
      if (i > 2 && Chance(0.15)) {
        Reply(answer.substr(
            0, 2 + static_cast<std::size_t>(Pick(static_cast<int>(answer.size()) - 3))));
        Wait(300, 900);
        banner();
      } else {
        Reply(answer + "end\r\n");
        Wait(700, 1500);
      }
    }
  }

  // Blank lines, rows of dots; a dot alone is the end of it.
  void HelpWithDots() {
    const double slow = Of<double>({0, 8, 40});
    for (int i = 0; i < 20; ++i) {
      const bool help = Chance(0.5) || i == 0;
      Host(Bytes(help ? "?" : "level") + "\r\n");
      Wait(3, 25);
      std::vector<Bytes> lines;
      if (help) {
        for (int section = 1 + Pick(3); section > 0; --section) {
          lines.push_back(InOrder({Word(3, 8), " ........ ", Digits(1), "\r\n"}));
          for (int n = 1 + Pick(4); n > 0; --n)
            lines.push_back(InOrder({"  ", Word(2, 6), " ..... ", Word(3, 12), "\r\n"}));
          lines.push_back("\r\n");
        }
      } else {
        lines.push_back("level " + Value() + "\r\n");
      }
      lines.push_back(".\r\n");
      ReplyParts(lines, slow * 0.6, slow * 1.3);
      Wait(700, 2000);
    }
  }

  // A receiver that tells its positions each second and is asked with sentences, too.
  void SumsAsked() {
    line_.baud = std::max(line_.baud, 9600.0);
    double due = now_;
    for (int i = 0; i < 40; ++i) {
      now_ = std::max(now_, due);
      due = now_ + 1000;
      for (int n = 1 + Pick(3); n > 0; --n)
        Module(K::kUnsolicited,
               WithSum(InOrder({Of<Bytes>({"GNGGA", "GNRMC", "GNVTG"}), ",", Digits(6), ".00,",
                                Digits(4), ".", Digits(4), ",N,", Digits(2)})));
      if (i > 1 && Chance(0.5)) continue;
      Wait(80, 250);
      const Bytes what = Of<Bytes>({"RATE", "MASK", "NAME"});
      Host(WithSum("PFENQ," + what));
      Wait(5, 40);
      Reply(WithSum("PFENR," + what + "," + Digits(2)));
    }
  }

  // "level?" is given back, and its answer put behind it.
  void AnswerOnEchoLine() {
    const Bytes between = Of<Bytes>({" ", " = ", ": "});
    const Bytes end = Of<Bytes>({"\r", "\r\n"});
    for (int i = 0; i < 40; ++i) {
      const Bytes word = Of<Bytes>({"level?", "temp?", "pump " + Digits(1)});
      Host(word + end);
      Wait(0.5, 3);
      Module(K::kEcho, word);
      now_ += Between(0.5, 10);
      Reply(between + (Chance(0.7) ? Value() : "ok") + "\r\n");
      Wait(400, 1200);
    }
  }

  // As that looks, but the module puts what it was asked before its answer by itself: nothing is
  // given back, and no pause is in it, or it is behind what it begins with.
  void QuestionRepeated() {
    const Bytes between = Of<Bytes>({" ", " = ", ": "});
    const Bytes end = Of<Bytes>({"\r", "\r\n"});
    const bool pause = Chance(0.5);
    for (int i = 0; i < 40; ++i) {
      const Bytes word = Of<Bytes>({"level?", "temp?", "pump " + Digits(1)});
      Host(word + end);
      Wait(0.5, 10);
      Reply(InOrder({word, between, Chance(0.7) ? Value() : "ok", "\r\n"}));
      if (pause) PauseAt(word.size() + between.size(), Between(0.5, 10));
      Wait(400, 1200);
    }
  }

  // Two wires for both ways: one's own bytes are read back; answers begin as questions do.
  void OwnBytesBack() {
    line_.host_is_early = true;
    const Bytes end = Of<Bytes>({"\r", "\r\n", "\n"});
    const double think = Of<double>({40, 150, 600});
    for (int i = 0; i < 50; ++i) {
      const int unit = 1 + Pick(5);
      const Bytes head = "@0" + std::to_string(unit) + Of<Bytes>({"R", "T"});
      const double from = now_;
      Host(head + end);
      const double to = now_;
      now_ = from + 0.2;
      Module(K::kEcho, head + end);
      now_ = std::max(now_, to);
      Wait(4, 20);
      if (unit != 5 || i < 2)
        Reply(head + Digits(3) + end);
      else
        Wait(200 + 30 * line_.character_ms(), 250 + 30 * line_.character_ms());
      Wait(think, think * 1.5);
    }
  }

  // Result codes are numbers; 2 is a call, and comes by itself.
  void NumericCodes() {
    const bool echo = Chance(0.7);
    for (int i = 0; i < 40; ++i) {
      const bool query = Chance(0.5);
      const Bytes command = query ? "AT+" + Word(2, 5) + "?\r" : Of<Bytes>({"AT\r", "ATS0=1\r"});
      Host(command);
      Wait(0.5, 3);
      if (echo) Module(K::kEcho, command);
      Wait(4, 20);
      Reply(InOrder({query ? InOrder({Word(2, 8), " ", Digits(2), "\r\n"}) : Bytes(),
                     Chance(0.9) ? "0\r" : "4\r"}));
      Wait(900, 2000);
      if (i != 1 && !Chance(0.15)) continue;
      for (int n = 1 + Pick(3); n > 0; --n) {
        Module(K::kUnsolicited, "2\r");
        Wait(1500, 2500);
      }
    }
  }

  // Asleep: the first command wakes the module and is lost, its repetition is answered.
  void EverySecond() {
    const double patience = Of<double>({200, 500});
    const Bytes end = Of<Bytes>({"\r\n", "\r", ""});
    for (int i = 0; i < 30; ++i) {
      const Bytes command = Of<Bytes>({"level", "temp", "volts"}) + end;
      Host(command);
      Wait(patience, patience * 1.1);
      Host(command);
      Wait(5, 25);
      Reply(InOrder({Word(3, 7), " ", Value(), end}));
      Wait(patience * 2, patience * 5);
    }
  }

  void At(const Asked& asked, bool echo) {
    Host(asked.command);
    Wait(0.5, 3);
    if (echo) Module(K::kEcho, asked.command);
    Wait(4, 20);
    Reply(asked.answer);
    Wait(200, 900);
  }
  Bytes AtAnswer() {
    return (Chance(0.6) ? Info(InOrder({Word(2, 9), " ", Digits(2)})) : "") + Info("OK");
  }

  // Some hundred exchanges, then echo is switched off (or on).
  void EchoSwitched() {
    bool echo = Chance(0.7);
    for (int part = 0; part < 3; ++part) {
      for (int n = 60 + Pick(60); n > 0; --n) At({"AT+" + Word(2, 6) + "?\r", AtAnswer()}, echo);
      At({echo ? "ATE0\r" : "ATE1\r", Info("OK")}, echo);
      echo = !echo;
    }
  }

  void EndingChanged() {
    const std::vector<Bytes> endings = {"\r\n", "\n", "\r"};
    std::size_t of = static_cast<std::size_t>(Pick(3));
    const bool host_too = Chance(0.5);
    const Bytes host_end = endings[of];
    for (int part = 0; part < 3; ++part) {
      for (int n = 60 + Pick(60); n > 0; --n) {
        Host("get " + Word(2, 6) + (host_too ? endings[of] : host_end));
        Wait(4, 25);
        Reply(InOrder({Word(2, 8), "=", Digits(2), endings[of]}));
        Wait(200, 900);
      }
      Host("set eol " + Digits(1) + (host_too ? endings[of] : host_end));
      of = (of + 1) % 3;
      Wait(4, 25);
      Reply("ok" + endings[of]);
      Wait(200, 900);
    }
  }

  void CodesChanged() {
    const bool echo = Chance(0.4);
    for (int n = 80 + Pick(60); n > 0; --n) At({"AT+" + Word(2, 6) + "?\r", AtAnswer()}, echo);
    At({"ATV0\r", "0\r"}, echo);
    for (int n = 80 + Pick(60); n > 0; --n)
      At({"AT+" + Word(2, 6) + "?\r",
          InOrder({Chance(0.6) ? InOrder({Word(2, 9), " ", Digits(2), "\r\n"}) : Bytes(),
                   Chance(0.9) ? "0\r" : "4\r"})},
         echo);
  }

  // For long only what was asked for; then events are switched on.
  void UnaskedLater() {
    for (int n = 100 + Pick(60); n > 0; --n) At({"AT+" + Word(2, 6) + "?\r", AtAnswer()}, false);
    At({"AT+EVENTS=1\r", Info("OK")}, false);
    for (int i = 0; i < 60; ++i) {
      Wait(600, 1200);
      if (i == 0 || Chance(0.4)) {
        Module(K::kUnsolicited, Info("+RAIN: " + Digits(2)));
        Wait(900, 1500);
      }
      if (i > 3 && Chance(0.2)) {  // it comes while the command is on its way
        Host("AT+" + Word(2, 6) + "?\r");
        Wait(4, 8);
        Module(K::kUnsolicited, Info("+RAIN: " + Digits(2)));
        Wait(4, 20);
        Reply(AtAnswer());
        continue;
      }
      At({"AT+" + Word(2, 6) + "?\r", AtAnswer()}, false);
    }
  }

  // For long the answers come in one; then a pause stands before OK.
  void SlowerLater() {
    const double pause = Of<double>({60, 200, 400});
    const bool v250 = Chance(0.6);
    for (int i = 0; i < 160; ++i) {
      Host(v250 ? "AT+" + Word(2, 6) + "?\r" : "get " + Word(2, 6) + "\r\n");
      Wait(4, 20);
      ReplyParts({v250 ? Info(InOrder({Word(2, 9), " ", Digits(2)}))
                       : InOrder({Word(2, 9), " ", Digits(2), "\r\n"}),
                  v250 ? Info("OK") : Bytes("OK\r\n")},
                 i < 100 ? 0 : pause * 0.8, i < 100 ? 0.1 : pause * 1.2);
      Wait(1500, 3000);
    }
  }

  // A printer's manner: down first, then the text, then back to its beginning.
  void LfBeforeCrBehind() {
    const Bytes command_end = Of<Bytes>({"\r", "\n"});
    for (int i = 0; i < 40; ++i) {
      Host(Of<Bytes>({"level", "temp", "list"}) + command_end);
      Wait(4, 25);
      Bytes answer;
      for (int n = 1 + Pick(3); n > 0; --n)
        answer += InOrder({"\n", Word(3, 8), " ", Value(), "\r"});
      Reply(answer);
      Wait(400, 1200);
    }
  }

  // Records of nine bytes many times a second; questions are answered by other ones in between.
  void Records() {
    line_.baud = std::max(line_.baud, 19200.0);
    const double every = Of<double>({50, 100});
    const auto record = [&] {
      Bytes out = "YY" + Noise(6);
      return out + static_cast<char>(SumOf(out));
    };
    double due = now_;
    for (int i = 0; i < 200; ++i) {
      now_ = std::max(now_, due);
      due += every;
      Module(K::kUnsolicited, record());
      if (i < 5 || !Chance(0.12)) continue;
      Wait(2, 4);
      Bytes frame = "\x5A\x04";
      frame += static_cast<char>(1 + Pick(8));
      Host(frame + static_cast<char>(SumOf(frame)));
      Wait(3, 6);
      Bytes answer = "\x5A\x07" + frame.substr(2, 1) + Noise(3);
      Reply(answer + static_cast<char>(SumOf(answer)));
      Wait(2, 4);
      while (due < now_) due += every;
    }
  }

  // Only the module is heard; what it says at once and what comes before its OK is one.
  void AlonePauseBeforeOk() {
    line_.heard = Heard::kModuleOnly;
    const double pause = Of<double>({40, 120, 250});
    for (int i = 0; i < 50; ++i) {
      if (Chance(0.7))
        ReplyParts({Info(InOrder({"+", Word(2, 5), ": ", Digits(2)})), Info("OK")}, pause * 0.7,
                   pause * 1.2);
      else
        Reply(Info("OK"));
      Wait(2000, 4000);
    }
  }
};

}  // namespace witness::test
