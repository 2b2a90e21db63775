// Talks at prompts: what a person types, what is given back of it, screens and lists, each of a
// named sort, of which the truth is known. Made with bench_talk.h, in the same way.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "tests/support/talk_maker.h"

namespace witness::test {

class TypedTalk : public SortedTalk<TypedTalk> {
 public:
  TypedTalk(std::string sort, unsigned seed)
      : SortedTalk(std::move(sort), seed * 374761393u + 11) {}

 private:
  friend SortedTalk;
  static const MakersOfSorts& Makers() {
    static const MakersOfSorts makers = {
        {"help with blank lines", [](T& t) { t.Help(); }},
        {"menus", [](T& t) { t.Menus(); }},
        {"password not echoed", [](T& t) { t.Password(); }},
        {"boot log, then prompt", [](T& t) { t.BootLog(); }},
        {"text until ctrl-z", [](T& t) { t.UntilCtrlZ(); }},
        {"typed into the output", [](T& t) { t.TypedIntoOutput(); }},
        {"typed with corrections", [](T& t) { t.Corrections(); }},
        {"echo mixed into the answer", [](T& t) { t.MixedEcho(); }},
        {"text behind a prompt", [](T& t) { t.TextBehindPrompt(); }},
        {"text behind a prompt, late stamps", [](T& t) { t.LateStamps(), t.TextBehindPrompt(); }},
        {"hex dump", [](T& t) { t.HexDump(); }},
        {"hex dump, late stamps", [](T& t) { t.LateStamps(), t.HexDump(); }},
        {"menus, late stamps", [](T& t) { t.LateStamps(), t.Menus(); }},
    };
    return makers;
  }

  // ---- sorts ----

  // Help of many lines with blank ones between; some modules print it slowly.
  void Help() {
    const double slow = Of<double>({0, 3, 15});
    for (int i = 0; i < 20; ++i) {
      const bool help = Chance(0.4) || i == 0;
      Host((help ? Bytes("help") : Of<Bytes>({"level", "temp", "pump 1"})) + "\r\n");
      Wait(3, 25);
      std::vector<Bytes> lines;
      if (help) {
        lines = {"sedge commands:\r\n", "\r\n"};
        for (int section = 1 + Pick(3); section > 0; --section) {
          for (int n = 2 + Pick(4); n > 0; --n)
            lines.push_back(
                InOrder({"  ", Word(3, 7), "   ", Word(3, 7), " ", Word(2, 9), "\r\n"}));
          lines.push_back("\r\n");
        }
        if (Chance(0.5)) lines.push_back("see the sheet.\r\n");
      } else {
        lines.push_back("ok " + Value() + "\r\n");
      }
      ReplyParts(lines, slow * 0.6, slow * 1.3);
      Wait(700, 2500);
    }
  }

  // A screen, and a question without ending; keys with or without CR.
  void Menus() {
    const bool cr = Chance(0.5), echo = Chance(0.5);
    const Bytes ask = Of<Bytes>({"Choice: ", "? ", "-> "});
    const Bytes menu = "\r\n1 level\r\n2 pump\r\n3 settings\r\n0 back\r\n" + ask;
    Module(K::kBanner, "butt-watch " + Digits(1) + "\r\n" + menu);
    Wait(1500, 2500);
    for (int i = 0; i < 25; ++i) {
      const Bytes key = Digits(1) + (cr ? "\r" : "");
      Host(key);
      Wait(0.5, 3);
      if (echo) Module(K::kEcho, key);
      Wait(3, 20);
      Reply((Chance(0.6) ? "\r\nlevel " + Value() + "\r\n" : Bytes("\r\n")) + menu);
      Wait(600, 2500);
    }
  }

  void Password() {
    ReadAtOnce();
    Module(K::kBanner, "\r\nbutt login: ");
    Wait(900, 2500);
    const Bytes secret = Word(5, 8);
    for (int session = 0; session < 4; ++session) {
      Typed("guard\r", EchoesOf("guard\r"));
      Wait(3, 20);
      Reply("Password: ");
      Wait(700, 1500);
      Typed(secret + "\r");
      Wait(50, 300);
      Reply("\r\nwelcome\r\n$ ");
      Wait(700, 1500);
      for (int i = 0; i < 3; ++i) {
        const Bytes command = Of<Bytes>({"level", "ls", "pump " + Digits(1)}) + "\r";
        Typed(command, EchoesOf(command));
        Wait(3, 20);
        Reply(InOrder({Word(3, 9), " ", Digits(2), "\r\n$ "}));
        Wait(700, 1500);
      }
      Typed("exit\r", EchoesOf("exit\r"));
      Wait(3, 20);
      Reply("\r\nbutt login: ");
      Wait(900, 2000);
    }
  }

  // A log of boot with pauses in it, then a prompt, then commands; a reset in the middle.
  void BootLog() {
    const bool echo = Chance(0.6);
    const Bytes prompt = Of<Bytes>({"# ", "sedge> ", "=> "});
    for (int boot = 0; boot < 3; ++boot) {
      std::vector<Bytes> log = {"rom 1." + Digits(1) + "\r\n", "ram 16k ok\r\n"};
      for (int n = 3 + Pick(6); n > 0; --n)
        log.push_back(InOrder({"[", Digits(3), "] ", Word(3, 9), ": ", Word(2, 9), "\r\n"}));
      log.push_back("\r\n" + prompt);
      Parts(Side::kModule, K::kBanner, log, 2, 60);
      Wait(1500, 3000);
      for (int i = 0; i < 8; ++i) {
        const Bytes command = Of<Bytes>({"version", "mem " + Digits(2), "dev"}) + "\r";
        Host(command);
        Wait(0.5, 2);
        if (echo) Module(K::kEcho, command + "\n");
        Wait(3, 20);
        Reply(InOrder(
            {Word(3, 9), " ", Digits(2), "\r\n", Chance(0.4) ? Word(4, 20) + "\r\n" : "", prompt}));
        Wait(600, 1500);
      }
      Wait(3000, 5000);
    }
  }

  // Lines of text, each behind a prompt, the last ended by Ctrl-Z.
  void UntilCtrlZ() {
    for (int i = 0; i < 20; ++i) {
      if (Chance(0.5)) {
        Host("AT+FW?\r");
        Wait(5, 20);
        Reply(Info("sedge 1." + Digits(1)) + Info("OK"));
      } else {
        Host("AT+TEXT=\"" + Word(3, 6) + "\"\r");
        for (int n = 1 + Pick(3); n > 0; --n) {
          Wait(5, 30);
          Reply("\r\n> ");
          Wait(20, 90);
          Host(InOrder({Word(2, 9), " ", Word(1, 9), n == 1 ? "\x1a" : "\r"}));
        }
        Wait(60, 400);
        Reply(Info("+TEXT: " + Digits(2)) + Info("OK"));
      }
      Wait(700, 1800);
    }
  }

  // A person types the next command while a list still comes; each key is given back between
  // the lines.
  void TypedIntoOutput() {
    ReadAtOnce();
    line_.reads = Reads::kByte;
    line_.timer_ms = 0;
    const double every = 100;
    for (int i = 0; i < 14; ++i) {
      Typed("list\r", EchoesOf("list\r"));
      Wait(3, 15);
      const Bytes keys = i > 2 && Chance(0.5) ? "stop\r" : "";
      const double typed_from = now_ + 330;
      if (!keys.empty()) {
        Utterance u;
        u.at_ms = typed_from;
        u.bytes = keys;
        for (std::size_t k = 1; k < keys.size(); ++k) u.pauses.emplace_back(k, every);
        said_.push_back(u);
      }
      std::vector<Bytes> lines;
      std::size_t key = 0;
      double from = now_;
      const auto say = [&] {
        if (lines.empty()) return;
        const double after = now_;
        now_ = from;
        ReplyParts(lines, every * 0.6, every * 0.6);
        now_ = std::max(now_, after);
        lines.clear();
      };
      for (int n = 12; n > 0; --n) {
        if (lines.empty()) from = now_;
        lines.push_back(InOrder({Digits(2), " ", Word(3, 6), "\r\n"}));
        now_ += every * 0.6 + 12 * line_.character_ms();
        if (key >= keys.size() ||
            now_ < typed_from + (every + 2 * line_.character_ms()) * static_cast<double>(key) + 3)
          continue;
        say();
        now_ += 2;
        Module(K::kEcho, keys[key] == '\r' ? Bytes("\r\n") : Bytes(1, keys[key]));
        ++key;
        now_ += 2;
      }
      lines.push_back("end\r\n");
      if (lines.size() == 1) from = now_;
      say();
      Wait(900, 1800);
    }
  }

  // Backspaces while typing: given back as back, blank, back.
  void Corrections() {
    ReadAtOnce();
    const Bytes prompt = "$ ";
    Module(K::kBanner, "sedge 2\r\n" + prompt);
    Wait(1200, 2500);
    for (int i = 0; i < 20; ++i) {
      Bytes keys;
      std::vector<Bytes> echoes;
      for (const char c : Of<Bytes>({"level", "pump 3", "temp"}) + "\r") {
        if (i > 3 && Chance(0.08)) {
          const Bytes slip = Word(1, 1);
          keys += slip + "\x7f";
          echoes.push_back(slip);
          echoes.push_back("\b \b");
        }
        keys += c;
        echoes.push_back(c == '\r' ? Bytes("\r\n") : Bytes(1, c));
      }
      Typed(keys, echoes);
      Wait(3, 20);
      Reply(InOrder({Word(3, 9), " ", Digits(2), "\r\n", prompt}));
      Wait(800, 2000);
    }
  }

  // The next command is sent while an answer still comes; what is given back of it stands between
  // the answer's bytes, one and one, since both want the same transmitter.
  void MixedEcho() {
    line_.host_is_early = false;
    const double character = line_.character_ms();
    for (int i = 0; i < 25; ++i) {
      Host(Of<Bytes>({"AT+FW?", "ATI", "AT+LIST?"}) + "\r");
      const Bytes first = said_.back().bytes;
      Wait(0.5, 2);
      Module(K::kEcho, first);
      Wait(2, 8);
      const Bytes answer =
          Info(InOrder({"sedge ", Word(4, 9), " ", Word(3, 12), " ", Word(6, 12)})) + Info("OK");
      if (i < 3 || Chance(0.6)) {
        Reply(answer);
        Wait(600, 1500);
        continue;
      }
      const Bytes second = "AT+" + Of<Bytes>({"CHAN", "POWER", "RATE", "ID"}) + "?\r";
      const auto start = static_cast<std::size_t>(4 + Pick(6));
      const double from = now_;
      Utterance u;
      u.at_ms = from + (static_cast<double>(start) - 2.2) * character - line_.timer_ms - 3;
      u.bytes = second;
      said_.push_back(u);
      std::size_t at = start;
      Reply(answer.substr(0, start));
      for (const char c : second) {
        Module(K::kEcho, Bytes(1, c));
        if (at < answer.size()) Reply(Bytes(1, answer[at++]));
      }
      if (at < answer.size()) {
        said_.back().bytes += answer.substr(at);
        now_ += static_cast<double>(answer.size() - at) * character;
      }
      Wait(3, 10);
      Reply(Info(Digits(2)) + Info("OK"));
      Wait(600, 1500);
    }
  }

  void TextBehindPrompt() {
    const bool ok_only = Chance(0.3);
    for (int i = 0; i < 14; ++i) {
      const Bytes text = Word(3, 24);
      Host("AT+SEND=" + std::to_string(text.size()) + "\r");
      Wait(5, 80);
      Reply("\r\n> ");
      Wait(10, 90);
      Host(text + "\x1a");
      Wait(5, 90);
      Reply(ok_only ? Info("OK") : Info("+SEND: " + Digits(1 + Pick(2))) + Info("OK"));
      Wait(900, 1900);
    }
  }

  void HexDump() {
    const double pause = Of<double>({0, 4, 20});
    const bool prompt = Chance(0.5);
    for (int i = 0; i < 20; ++i) {
      Host("dump " + Digits(2) + "\r");
      Wait(5, 25);
      std::vector<Bytes> lines;
      for (int n = 2 + Pick(9); n > 0; --n) {
        Bytes line = "00" + Digits(2) + " ";
        for (int k = 0; k < 16; ++k) line += " " + Digits(2);
        lines.push_back(line + "  |" + Word(16, 16) + "|\r\n");
      }
      if (prompt) lines.push_back("* ");
      ReplyParts(lines, pause * 0.6, pause * 1.3);
      Wait(600, 1500);
    }
  }
};

}  // namespace witness::test
