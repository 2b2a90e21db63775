// Talks as they are heard in the yard, where modules do their work: radios, meters, buses, readers,
// displays, loaders and menus, each of a named sort, of which the truth is known.
//
// Made from the words of the trade alone, most of them before anyone looked at what the segmenter
// could do with them; knows nothing of how it works. Each sort says what makes
// its truth one that a person finds in bytes and stamps; where nobody could, its name says
// "untold", and that has to be said.
#pragma once

#include <algorithm>
#include <cmath>
#include <string>
#include <utility>
#include <vector>

#include "tests/support/talk_maker.h"

namespace witness::test {

class YardTalk : public SortedTalk<YardTalk> {
 public:
  YardTalk(std::string sort, unsigned seed)
      : SortedTalk(std::move(sort), seed * 2654435761u + 77) {}

 private:
  friend SortedTalk;
  static const MakersOfSorts& Makers() {
    static const MakersOfSorts makers = {
        {"ok ahead of data", [](T& t) { t.OkAhead(); }},
        {"binary behind a prompt", [](T& t) { t.BinaryBehindPrompt(); }},
        {"data mode and back", [](T& t) { t.DataMode(); }},
        {"numbers with units", [](T& t) { t.Units(); }},
        {"stx etx and check", [](T& t) { t.StxEtx(); }},
        {"loggers asked by address", [](T& t) { t.Addressed(); }},
        {"slots behind breaks, host only", [](T& t) { t.Slots(); }},
        {"rtu, many units", [](T& t) { t.Rtu(); }},
        {"rtu, many units, one wire", [](T& t) { t.OneWire(true), t.Rtu(); }},
        {"ascii frames", [](T& t) { t.AsciiFrames(); }},
        {"ascii frames, one wire", [](T& t) { t.OneWire(true), t.AsciiFrames(); }},
        {"receiver is set up", [](T& t) { t.ReceiverSetUp(); }},
        {"loader by acknowledges", [](T& t) { t.Loader(); }},
        {"blocks with check", [](T& t) { t.Blocks(); }},
        {"display, ff ff ff", [](T& t) { t.Display(); }},
        {"display in bursts, ff ff ff", [](T& t) { t.DisplayBursts(); }},
        {"tags come by", [](T& t) { t.Tags(); }},
        {"servos with echo", [](T& t) { t.Servos(); }},
        {"numbered menu", [](T& t) { t.Menu(); }},
        {"shell with rubbed out keys", [](T& t) { t.Shell(); }},
        {"typed without echo", [](T& t) { t.TypedBlind(); }},
        {"hex dumps", [](T& t) { t.Dumps(); }},
        {"percent by cr", [](T& t) { t.Percent(); }},
        {"json calls and events", [](T& t) { t.JsonCalls(); }},
        {"table of values", [](T& t) { t.Table(); }},
        {"signs of life", [](T& t) { t.SignsOfLife(); }},
        {"watchdog", [](T& t) { t.Watchdog(); }},
        {"host at a wrong rate first", [](T& t) { t.WrongRate(); }},
        {"bytes lost", [](T& t) { t.BytesLost(); }},
        {"a script at once", [](T& t) { t.AtOnce(); }},
        {"tries again", [](T& t) { t.Retries(); }},
        {"sent, then done", [](T& t) { t.SentThenDone(); }},
        {"calls come in", [](T& t) { t.Calls(); }},
        {"numeric codes", [](T& t) { t.NumericCodes(); }},
        {"gauges by number", [](T& t) { t.Gauges(); }},
        {"scale that never stops", [](T& t) { t.Scale(); }},
        {"length ahead, 16 bit check", [](T& t) { t.LengthAhead(); }},
        {"wake first", [](T& t) { t.WakeFirst(); }},
        {"frames, module alone", [](T& t) { t.FramesAlone(); }},
        {"script, host only", [](T& t) { t.ScriptAlone(); }},
        {"lines, one wire", [](T& t) { t.LinesOneWire(); }},
        {"measures for long", [](T& t) { t.LongMeasure(); }},
        {"head line, then body", [](T& t) { t.HeadThenBody(); }},
        {"events beside answers", [](T& t) { t.EventsBeside(); }},
        {"pasted with echo", [](T& t) { t.Pasted(); }},
        {"tool with ok and busy", [](T& t) { t.Tool(); }},
        {"answers of cr or bell", [](T& t) { t.CrOrBell(); }},
        {"meters, short and long frames", [](T& t) { t.Meters(); }},
        {"meter reads out", [](T& t) { t.ReadOut(); }},
        {"ranging at speed", [](T& t) { t.Ranging(); }},
        {"air, asked and by itself", [](T& t) { t.Air(); }},
        {"packets in a row", [](T& t) { t.PacketsInARow(); }},
        {"bare, links come and go", [](T& t) { t.BareLinks(); }},
        {"joins with pauses", [](T& t) { t.Joins(); }},
        {"scan stream, untold", [](T& t) { t.Scan(); }},
        {"screens by key", [](T& t) { t.Screens(); }},
        {"login with stars", [](T& t) { t.Login(); }},
        {"words alone, untold", [](T& t) { t.UntoldAlone(); }},
        {"words on one wire, untold", [](T& t) { t.UntoldOneWire(); }},
    };
    return makers;
  }

  // ---- words ----

  static Bytes Line(const Bytes& text) { return text + "\r\n"; }
  static Bytes HexOf(ByteView bytes) {
    static const char* const kHex = "0123456789ABCDEF";
    Bytes out;
    for (const char c : bytes) {
      out += kHex[static_cast<unsigned char>(c) >> 4];
      out += kHex[static_cast<unsigned char>(c) & 15];
    }
    return out;
  }
  static Bytes Be(int value) {
    return {static_cast<char>(value >> 8 & 0xff), static_cast<char>(value & 0xff)};
  }
  static char XorOf(ByteView bytes) {
    unsigned sum = 0;
    for (const char c : bytes) sum ^= static_cast<unsigned char>(c);
    return static_cast<char>(sum);
  }
  static char SumOf(ByteView bytes) {
    unsigned sum = 0;
    for (const char c : bytes) sum += static_cast<unsigned char>(c);
    return static_cast<char>(sum);
  }
  static Bytes Ff() { return "\xff\xff\xff"; }
  void OneWire(bool told) {
    line_.heard = Heard::kOneWire;
    line_.bytes_tell = told;
  }

  // ---- sorts ----

  // What comes behind OK bears the command's name, and the host waits ten times as long before it
  // goes on.
  void OkAhead() {
    static const std::vector<Bytes> kNames = {"RSSI", "CHAN", "TEMP", "BATT"};
    const double late = Of<double>({3, 15, 40});
    for (int i = 0; i < 40; ++i) {
      const Bytes name = Of(kNames);
      if (Chance(0.3)) {
        Host(InOrder({"AT+", name, "=", Digits(2), "\r\n"}));
        Wait(5, 25);
        Reply(Chance(0.9) ? "OK\r\n" : "ERROR\r\n");
      } else {
        Host("AT+" + name + "?\r\n");
        Wait(5, 25);
        ReplyParts({"OK\r\n", InOrder({"+", name, ": -", Digits(2), "\r\n"})}, late, late * 1.3);
      }
      Wait(700, 2000);
    }
  }

  // The command says how many bytes follow, which go out at once and are answered.
  void BinaryBehindPrompt() {
    const Bytes prompt = Of<Bytes>({"\r\n> ", "> ", "\r\nOK\r\n> "});
    const Bytes sent = Of<Bytes>({"\r\nSEND OK\r\n", "\r\nOK\r\n"});
    for (int i = 0; i < 25; ++i) {
      if (Chance(0.4)) {
        Host("AT+RSSI?\r\n");
        Wait(5, 20);
        Reply(InOrder({"\r\n+RSSI: ", Digits(2), "\r\n\r\nOK\r\n"}));
      } else {
        const int size = 8 + Pick(50);
        Host("AT+SEND=" + std::to_string(size) + "\r\n");
        Wait(5, 30);
        Reply(prompt);
        Wait(5, 60);
        Host(Noise(size));
        Wait(30, 400);
        Reply(sent);
      }
      Wait(900, 2500);
    }
  }

  // Dial, talk to the far side, escape between silences, hang up. The far side answers lines.
  void DataMode() {
    for (int call = 0; call < 4; ++call) {
      for (int n = 1 + Pick(3); n > 0; --n) {
        Host("AT+" + Word(3, 5) + "?\r");
        Wait(10, 30);
        Reply(InOrder({"\r\n", Word(3, 8), "\r\n\r\nOK\r\n"}));
        Wait(700, 1500);
      }
      Host("ATD" + Digits(4) + "\r");
      Wait(1500, 1900);
      Reply("\r\nCONNECT 9600\r\n");
      for (int n = 3 + Pick(4); n > 0; --n) {
        Wait(900, 2000);
        Host(InOrder({"put ", Word(2, 5), " ", Digits(2), "\r\n"}));
        Wait(60, 250);
        Reply(InOrder({"stored ", Digits(3), "\r\n"}));
      }
      Wait(1400, 2000);
      Host("+++");
      Wait(1050, 1200);
      Reply("\r\nOK\r\n");
      Wait(700, 1200);
      Host("ATH\r");
      Wait(100, 200);
      Reply("\r\nNO CARRIER\r\n");
      Wait(1500, 3000);
    }
  }

  // A letter asks, a number with its unit answers, without an ending; turns tell.
  void Units() {
    const Bytes end = Of<Bytes>({"", "\r", "\n", "\r\n"});
    const Bytes ask_end = Of<Bytes>({"", "\r", "\n"});
    for (int i = 0; i < 40; ++i) {
      const Bytes what = Of<Bytes>({"T", "H", "P", "B"});
      Host(what + ask_end);
      Wait(8, 60);
      const Bytes unit = what == "T" ? " C" : what == "H" ? " %" : what == "P" ? " hPa" : " mV";
      Reply(InOrder({Value(), unit, end}));
      Wait(500, 1800);
    }
  }

  // Frames begin with STX and end with ETX and a sum; a set is answered by ACK or NAK alone.
  void StxEtx() {
    const auto frame = [](const Bytes& body) {
      const Bytes covered = body + "\x03";
      return "\x02" + covered + XorOf(covered);
    };
    for (int i = 0; i < 45; ++i) {
      const Bytes unit = Of<Bytes>({"01", "02", "07"});
      const bool query = Chance(0.6);
      if (query)
        Host(frame(InOrder({unit, "R", Digits(3)})));
      else
        Host(frame(InOrder({unit, "W", Digits(3), "=", Digits(4)})));
      if (Chance(0.06)) {
        Wait(900, 1200);
        continue;
      }
      Wait(6, 30);
      if (query)
        Reply(frame(InOrder({unit, "R", Digits(4), ".", Digits(1)})));
      else
        Reply(Chance(0.9) ? "\x06" : "\x15");
      Wait(250, 900);
    }
  }

  // A break wakes all, the address calls one: "0M!" is answered at once by when, then by the
  // address alone once the value is there (always, so it is that command's second answer).
  void Addressed() {
    line_.baud = 1200;
    for (int i = 0; i < 16; ++i) {
      const Bytes unit = Digits(1);
      const auto ask = [&](const Bytes& what) {
        marks_.push_back({now_, EventKind::kBreak, Side::kHost});
        Wait(20, 30);
        Host(unit + what + "!");
        Wait(9, 14);
      };
      if (Chance(0.3)) {
        ask("I");
        Reply(InOrder({unit, "13FEN     BUTT ", Digits(3), "\r\n"}));
        Wait(900, 1500);
        continue;
      }
      ask("M");
      Reply(unit + "0022\r\n");
      Wait(1200, 1900);
      Reply(unit + "\r\n");
      Wait(900, 1500);
      ask("D0");
      Reply(InOrder({unit, "+", Value(), "-", Value(), "\r\n"}));
      Wait(2500, 5000);
    }
  }

  // Each frame begins behind a break.
  void Slots() {
    line_.heard = Heard::kHostOnly;
    line_.host_is_early = false;
    line_.baud = 250000;
    const int slots = 24 + Pick(60);
    for (int i = 0; i < 60; ++i) {
      marks_.push_back({now_, EventKind::kBreak, Side::kHost});
      now_ += 20;
      Host(Bytes(1, '\0') + Noise(slots));
      Wait(60, 75);
    }
  }

  // Unit, function and length of each frame, and its CRC.
  void Rtu() {
    line_.baud = Of<double>({9600, 19200, 38400});
    if (line_.reads == Reads::kTimer) line_.timer_ms = Of<double>({1, 4});
    for (int i = 0; i < 50; ++i) {
      Bytes unit = Of<Bytes>({"\x01", "\x02", "\x03", "\x11", "\x12"});
      const int what = Pick(4);
      const int count = 1 + Pick(8);
      Bytes reply;
      if (what < 2) {
        const char function = what == 0 ? 3 : 4;
        Host(WithCrc(unit + function + Be(Pick(200)) + Be(count)));
        reply = unit + function + static_cast<char>(2 * count);
        for (int k = 0; k < count; ++k) reply += Be(Pick(3000));
        unit += function;
      } else if (what == 2) {
        const Bytes body = InOrder({unit, "\x06", Be(Pick(100)), Be(Pick(3000))});
        Host(WithCrc(body));
        reply = body;
        unit += '\x06';
      } else {
        const Bytes head = InOrder({unit, "\x10", Be(Pick(100))}) + Be(count);
        Bytes body = head + static_cast<char>(2 * count);
        for (int k = 0; k < count; ++k) body += Be(Pick(3000));
        Host(WithCrc(body));
        reply = head;
        unit += '\x10';
      }
      if (Chance(0.1)) {
        Wait(500, 700);
        continue;
      }
      if (Chance(0.1)) {
        unit[1] = static_cast<char>(unit[1] | 0x80);
        reply = unit + Of<Bytes>({"\x01", "\x02", "\x03"});
      }
      Wait(6, 40);
      Reply(WithCrc(reply));
      Wait(40, 600);
    }
  }

  // The same in hexadecimal digits, from ':' to CR LF.
  void AsciiFrames() {
    const auto frame = [](const Bytes& body) {
      return InOrder({":", HexOf(body + static_cast<char>(-SumOf(body))), "\r\n"});
    };
    for (int i = 0; i < 40; ++i) {
      const Bytes unit = Of<Bytes>({"\x01", "\x05", "\x20"});
      const int count = 1 + Pick(6);
      Bytes reply;
      if (Chance(0.7)) {
        Host(frame(InOrder({unit, "\x03", Be(Pick(200))}) + Be(count)));
        reply = unit + '\x03' + static_cast<char>(2 * count);
        for (int k = 0; k < count; ++k) reply += Be(Pick(3000));
      } else {
        reply = InOrder({unit, "\x06", Be(Pick(100)), Be(Pick(3000))});
        Host(frame(reply));
      }
      if (Chance(0.1)) {
        Wait(1000, 1300);
        continue;
      }
      if (Chance(0.08)) reply = Bytes{reply[0], static_cast<char>(reply[1] | 0x80), '\x02'};
      Wait(8, 60);
      Reply(frame(reply));
      Wait(200, 900);
    }
  }

  // Sentences each second; a set-up sentence in between is acknowledged by one that names it.
  void ReceiverSetUp() {
    line_.baud = Of<double>({9600, 38400, 115200});
    double next = now_ + 1000;
    const auto sentence = [&](const Bytes& head) {
      return WithSum(InOrder({head, ",", Digits(6), ".00,", Digits(4), ".", Digits(4), ",N,0",
                              Digits(4), ".", Digits(4), ",E,1"}));
    };
    for (int i = 0; i < 40; ++i) {
      const int what = 100 + Pick(20);
      if (i == 0 || Chance(0.4)) {
        Host(WithSum(InOrder({"PFEN", std::to_string(what), ",", Digits(4)})));
        Wait(15, 70);
        Reply(WithSum(InOrder({"PFENACK,", std::to_string(what), ",", Digits(1)})));
      }
      now_ = std::max(now_, next);
      next = now_ + 1000;
      for (const char* const head : {"GNGGA", "GNRMC", "GNVTG"})
        Module(K::kUnsolicited, sentence(head));
      Wait(150, 250);
    }
  }

  // Each step is answered by one byte, data behind it where a read asked for some; turns tell.
  void Loader() {
    const Bytes ack = Of<Bytes>({"\x06", "y"});
    const Bytes no = "\x15";
    const auto step = [&](const Bytes& host, const Bytes& answer) {
      Host(host);
      Wait(2, 15);
      Reply(answer);
      Wait(15, 40);
    };
    step("\x7f", ack);
    for (int i = 0; i < 15; ++i) {
      const bool read = Chance(0.4);
      Bytes address{'\x08', '\0'};
      address += Noise(2);
      address += XorOf(address);
      step(read ? Bytes{'\x11', '\xee'} : Bytes{'\x31', '\xce'}, ack);
      step(address, ack);
      const int size = 8 * (1 + Pick(8));
      if (read) {
        const char n = static_cast<char>(size - 1);
        step({n, static_cast<char>(~n)}, ack + Noise(size));
      } else {
        Bytes data = static_cast<char>(size - 1) + Noise(size);
        data += XorOf(data);
        step(data, Chance(0.9) ? ack : no);
      }
    }
  }

  // A command in text, then blocks of 132 bytes, each with its number, acknowledged by one byte.
  void Blocks() {
    line_.baud = std::max(line_.baud, 9600.0);
    for (int file = 0; file < 4; ++file) {
      for (int n = 1 + Pick(3); n > 0; --n) {
        Host("free\r\n");
        Wait(10, 30);
        Reply(InOrder({Digits(3), " free\r\n"}));
        Wait(900, 1500);
      }
      Host("take " + Word(3, 6) + "\r\n");
      Wait(10, 40);
      Reply("go\r\n\x15");
      for (int k = 1, most = 3 + Pick(5); k <= most; ++k) {
        Bytes block{'\x01', static_cast<char>(k), static_cast<char>(~k)};
        block += Noise(128);
        block += SumOf(block.substr(3));
        Wait(10, 40);
        Host(block);
        Wait(5, 30);
        const bool bad = Chance(0.1);
        Reply(bad ? "\x15" : "\x06");
        if (bad) --k;
      }
      Wait(10, 40);
      Host("\x04");
      Wait(5, 30);
      Reply("\x06");
      Wait(1500, 3000);
    }
  }

  // Three FF end each command and each answer; what is touched is told unasked.
  void Display() {
    for (int i = 0; i < 40; ++i) {
      const int what = i < 2 ? i : Pick(3);
      if (what == 0) {
        Host("get n" + Digits(1) + ".val" + Ff());
        Wait(5, 20);
        Reply(InOrder({"q", Noise(1), Bytes{'\x01', '\0', '\0'}, Ff()}));
      } else if (what == 1) {
        Host(InOrder({"t", Digits(1), ".txt=\"", Word(2, 9), "\"", Ff()}));
        Wait(5, 20);
        Reply((Chance(0.9) ? "\x01" : "\x1a") + Ff());
      } else {
        Host("page " + Digits(1) + Ff());
        Wait(5, 20);
        Reply("\x01" + Ff());
      }
      Wait(600, 1200);
      if (!Chance(0.3)) continue;
      for (const char* const up : {"\x01", ""}) {
        Module(K::kUnsolicited, InOrder({Bytes{'e', '\x01', static_cast<char>(2 + Pick(4))},
                                         *up ? Bytes(up) : Bytes(1, '\0'), Ff()}));
        Wait(600, 1200);
      }
    }
  }

  // The same, with several commands at once that get no answer: their ends tell them apart.
  void DisplayBursts() {
    for (int i = 0; i < 40; ++i) {
      for (int n = 1 + Pick(4); n > 0; --n)
        Host(InOrder({"n", Digits(1), ".val=", Digits(3), Ff()}));
      if (Chance(0.5)) {
        Wait(300, 900);
        Host("sendme" + Ff());
        Wait(5, 20);
        Reply(InOrder({"f", Bytes(1, static_cast<char>(Pick(5))), Ff()}));
      }
      Wait(600, 1200);
    }
  }

  // A reader tells of each tag, from STX to ETX, unasked; a command now and then.
  void Tags() {
    for (int i = 0; i < 40; ++i) {
      if (i == 0 || Chance(0.3)) {
        Host(Of<Bytes>({"V\r\n", "L1\r\n", "L0\r\n"}));
        Wait(5, 30);
        Reply(Of<Bytes>({"OK\r\n", "OK 1.4\r\n"}));
      } else {
        const Bytes tag = Noise(5);
        Module(K::kUnsolicited, "\x02" + HexOf(tag + XorOf(tag)) + "\r\n\x03");
      }
      Wait(700, 3000);
    }
  }

  // One wire for both ways: the adapter hears what it sends, then the answer; heads, lengths and
  // sums tell. Some servos are not there.
  void Servos() {
    line_.baud = Of<double>({57600, 115200, 1'000'000});
    line_.host_is_early = true;
    const auto packet = [](const Bytes& inside) {  // id, then what is behind the length
      Bytes body = inside.substr(0, 1) + static_cast<char>(inside.size()) + inside.substr(1);
      body += static_cast<char>(~SumOf(body));
      return "\xff\xff" + body;
    };
    for (int i = 0; i < 50; ++i) {
      const char id = static_cast<char>(1 + Pick(6));
      const bool read = Chance(0.5);
      const int size = 1 + Pick(4);
      Bytes ask{id, read ? '\x02' : '\x03', static_cast<char>(24 + Pick(20))};
      ask += read ? Bytes(1, static_cast<char>(size)) : Noise(size);
      const double from = now_;
      Host(packet(ask));
      now_ = from + 0.15;
      Module(K::kEcho, packet(ask));
      if (Chance(0.08)) {
        Wait(60, 100);
        continue;
      }
      now_ += Between(0.2, 0.6);
      Reply(packet(Bytes{id, '\0'} + (read ? Noise(size) : Bytes())));
      Wait(20, 60);
    }
  }

  // A digit chooses, no key ends it; the answer ends with the menu's question.
  void Menu() {
    line_.baud = std::max(line_.baud, 9600.0);
    const Bytes menu = "\r\n1 level\r\n2 rate\r\n3 about\r\nchoose: ";
    Module(K::kBanner, "butt-watch" + menu);
    Wait(1500, 3000);
    for (int i = 0; i < 25; ++i) {
      const int what = Pick(3);
      if (what == 1) {
        Host("2");
        Wait(4, 20);
        Reply("2\r\nnew rate: ");
        Wait(900, 2500);
        Host(Digits(2) + "\r");
        Wait(10, 40);
        Reply("\r\nset" + menu);
      } else {
        Host(what == 0 ? "1" : "3");
        Wait(4, 20);
        Reply(InOrder({what == 0 ? "1\r\nlevel " : "3\r\nabout ", Digits(3), "\r\n", menu}));
      }
      Wait(1200, 4000);
    }
  }

  // Each key comes back, a rubbed out one as back, blank, back; the prompt ends each answer.
  void Shell() {
    ReadAtOnce();
    const Bytes prompt = Of<Bytes>({"# ", "fen$ ", "> "});
    Module(K::kBanner, "\r\nfen console\r\n" + prompt);
    Wait(1500, 3000);
    for (int i = 0; i < 18; ++i) {
      Bytes keys = Word(3, 7);
      std::vector<Bytes> echoes = EchoesOf(keys);
      if (Chance(0.5)) {
        const int n = 1 + Pick(2);
        for (int k = 0; k < n; ++k) {
          keys += '\x7f';
          echoes.push_back("\b \b");
        }
        for (const char c : Word(1, 3)) {
          keys += c;
          echoes.push_back(Bytes(1, c));
        }
      }
      keys += '\r';
      echoes.push_back("\r\n");
      Typed(keys, echoes);
      Bytes out;
      for (int n = Pick(4); n > 0; --n) out += InOrder({Word(3, 8), " ", Digits(2), "\r\n"});
      Wait(3, 30);
      Reply(out + prompt);
      Wait(1500, 4000);
    }
  }

  // A person types lines that nothing gives back; Enter ends them, the answer follows at once.
  void TypedBlind() {
    const Bytes answer_end = Of<Bytes>({"\r\n", "\r"});
    for (int i = 0; i < 25; ++i) {
      Typed(InOrder({Of<Bytes>({"ch ", "pw ", "id "}), Digits(2), "\r"}), {}, 70, 400);
      Wait(8, 40);
      Reply(InOrder({Chance(0.85) ? "ok " : "bad ", Digits(2), answer_end}));
      Wait(2000, 5000);
    }
  }

  // Many lines, with pauses while the module works, then a prompt.
  void Dumps() {
    line_.baud = std::max(line_.baud, 9600.0);
    const Bytes prompt = Of<Bytes>({"* ", "ok\r\n"});
    const double work = Of<double>({0, 4, 15});
    for (int i = 0; i < 14; ++i) {
      const int lines = 2 + Pick(10);
      const Bytes page = Digits(2);
      Host(InOrder({"d ", page, "00 ", std::to_string(lines), "\r"}));
      Wait(5, 25);
      std::vector<Bytes> parts;
      for (int k = 0; k < lines; ++k) {
        const Bytes data = Noise(8);
        Bytes text = data;
        for (char& c : text)
          if (c < ' ' || c > '~') c = '.';
        parts.push_back(InOrder({page, HexOf(Bytes(1, static_cast<char>(8 * k))), ": ", HexOf(data),
                                 "  ", text, "\r\n"}));
      }
      parts.back() += prompt;
      ReplyParts(parts, work * 0.7, work * 1.2);
      Wait(900, 2500);
    }
  }

  // How far it is stands on one line, written over by CR; "done" ends it. The host waits for it.
  void Percent() {
    const double every = Of<double>({40, 120});
    for (int i = 0; i < 20; ++i) {
      if (Chance(0.5)) {
        Host("level\r\n");
        Wait(5, 25);
        Reply(InOrder({"level ", Digits(3), "\r\ndone\r\n"}));
      } else {
        Host("erase " + Digits(1) + "\r\n");
        Wait(5, 25);
        std::vector<Bytes> parts;
        for (int k = 10; k <= 100; k += 10 + 5 * Pick(4))
          parts.push_back("\r" + std::to_string(k) + "%");
        parts.push_back("\r\ndone\r\n");
        ReplyParts(parts, every * 0.8, every * 1.2);
      }
      Wait(3000, 5000);
    }
  }

  // Each answer bears its call's number; events have none and come after a silence.
  void JsonCalls() {
    int id = 1;
    for (int i = 0; i < 30; ++i) {
      const Bytes number = std::to_string(id++);
      Host(InOrder({"{\"id\":", number, ",\"call\":\"", Word(3, 7), "\"}\n"}));
      Wait(5, 40);
      const bool good = Chance(0.9);
      Reply(InOrder({"{\"id\":", number, good ? ",\"result\":" : ",\"error\":", Digits(3), "}\n"}));
      Wait(900, 2500);
      if (!Chance(0.35)) continue;
      Module(K::kUnsolicited, InOrder({"{\"event\":\"level\",\"value\":", Digits(2), "}\n"}));
      Wait(900, 2500);
    }
  }

  // The answer to "log" names the columns, rows come by the clock; answers in between begin with #.
  void Table() {
    const double every = Of<double>({250, 1000});
    line_.baud = std::max(line_.baud, 9600.0);
    for (int round = 0; round < 3; ++round) {
      Host("log\r\n");
      Wait(5, 20);
      Reply("#ms,level,temp\r\n");
      double due = now_ + every;
      for (int n = 10 + Pick(12); n > 0; --n) {
        now_ = std::max(now_, due);
        due = now_ + every;
        Module(K::kUnsolicited,
               InOrder({Digits(6), ",", Digits(3), ",", Digits(2), ".", Digits(1), "\r\n"}));
        if (!Chance(0.2)) continue;
        Wait(60, 90);
        Host("id\r\n");
        Wait(5, 20);
        Reply(InOrder({"#id ", Digits(4), "\r\n"}));
      }
      now_ = std::max(now_, due - every * 0.6);
      Host("end\r\n");
      Wait(5, 20);
      Reply("#end\r\n");
      Wait(2500, 4000);
    }
  }

  // The host asks "ping" each few seconds, the module says that it lives, too, by its own clock.
  void SignsOfLife() {
    double due = now_ + 2300;
    int beats = 0;
    for (int i = 0; i < 35; ++i) {
      if (now_ > due) {
        Module(K::kUnsolicited, "#alive " + std::to_string(++beats) + "\r\n");
        due = now_ + 4000;
        Wait(500, 800);
      }
      if (Chance(0.7)) {
        Host("ping\r\n");
        Wait(5, 25);
        Reply("pong\r\n");
      } else {
        Host("set " + Word(3, 6) + "\r\n");
        Wait(5, 25);
        Reply(Chance(0.8) ? "ok\r\n" : "no\r\n");
      }
      Wait(900, 1600);
    }
  }

  // Some commands make it start anew: no answer, then the banner that was heard at the beginning.
  void Watchdog() {
    const Bytes version = Digits(1);
    const auto start = [&] {
      Module(K::kBanner, "\r\nbrook node " + version + "\r\nselftest ok\r\nready\r\n");
      Wait(1200, 2500);
    };
    start();
    for (int i = 0; i < 35; ++i) {
      Host("AT+" + Word(3, 6) + "\r\n");
      if (i > 2 && Chance(0.12)) {
        Wait(500, 900);
        start();
        continue;
      }
      Wait(8, 30);
      Reply(InOrder({"+", Word(3, 6), ": ", Digits(2), "\r\nOK\r\n"}));
      Wait(700, 2000);
    }
  }

  // What is sent at a wrong rate is heard as rubbish and not answered; then the rate is right.
  void WrongRate() {
    for (int n = 3 + Pick(5); n > 0; --n) {
      Bytes rubbish;
      for (int k = 2 + Pick(4); k > 0; --k) rubbish += static_cast<char>(0x80 + Pick(120));
      Host(rubbish);
      Wait(1000, 1100);
    }
    for (int i = 0; i < 30; ++i) {
      Host(i == 0 ? "AT\r\n" : "AT+" + Word(3, 6) + "?\r\n");
      Wait(8, 30);
      Reply(i == 0 ? "OK\r\n" : InOrder({Word(3, 9), "\r\nOK\r\n"}));
      Wait(700, 2000);
    }
  }

  // Some answers miss their middle or their end, some commands a byte (and get no answer).
  void BytesLost() {
    for (int i = 0; i < 45; ++i) {
      Bytes command = "AT+" + Word(4, 7) + "?\r\n";
      Bytes answer = InOrder({"\r\n+", Word(4, 7), ": ", Digits(5), "\r\n\r\nOK\r\n"});
      const bool deaf = i > 3 && Chance(0.06);
      if (deaf)
        command.erase(static_cast<std::size_t>(Pick(static_cast<int>(command.size()) - 2)), 1);
      Host(command);
      if (deaf) {
        Wait(1500, 2000);
        continue;
      }
      Wait(8, 30);
      if (i > 3 && Chance(0.1)) {
        const std::size_t from = 4 + static_cast<std::size_t>(Pick(8));
        answer.erase(from,
                     static_cast<std::size_t>(1 + Pick(static_cast<int>(answer.size() - from))));
      }
      Reply(answer);
      Wait(800, 2000);
    }
  }

  // Some lines go out without waiting; each is answered in turn, and each answer ends with OK.
  void AtOnce() {
    for (int round = 0; round < 12; ++round) {
      const int n = 1 + Pick(5);
      for (int k = 0; k < n; ++k) Host(InOrder({"AT+", Word(3, 5), "=", Digits(2), "\r\n"}));
      Wait(8, 25);
      for (int k = 0; k < n; ++k) {
        Reply(Chance(0.6) ? Bytes("OK\r\n")
                          : InOrder({"+", Word(3, 6), ": ", Digits(2), "\r\nOK\r\n"}));
        now_ += Between(0, 15);
      }
      Wait(900, 2500);
    }
  }

  // The same command again when nothing came, until it is answered.
  void Retries() {
    const double patience = Of<double>({400, 1000});
    for (int i = 0; i < 25; ++i) {
      const Bytes command = InOrder({"R", Digits(2), "\r"});
      for (int tries = Chance(0.3) ? 1 + Pick(2) : 0; tries > 0; --tries) {
        Host(command);
        Wait(patience, patience * 1.05);
      }
      Host(command);
      Wait(10, 60);
      Reply(InOrder({"V", Digits(3), "\r"}));
      Wait(patience * 1.5, patience * 4);
    }
  }

  // "tx" is taken at once and told as done seconds later, each time: its second answer.
  void SentThenDone() {
    for (int i = 0; i < 30; ++i) {
      if (Chance(0.4)) {
        Host("get " + Word(2, 5) + "\r\n");
        Wait(5, 25);
        Reply(InOrder({Word(2, 5), " ", Digits(2), "\r\n"}));
      } else {
        Host("tx " + HexOf(Noise(4)) + "\r\n");
        Wait(5, 25);
        Reply("ok\r\n");
        Wait(1100, 1700);
        Reply(Chance(0.8) ? "tx_done\r\n" : "tx_fail\r\n");
      }
      Wait(2500, 5000);
    }
  }

  // RING comes each few seconds until it is taken; in between, commands.
  void Calls() {
    for (int round = 0; round < 8; ++round) {
      for (int n = 2 + Pick(3); n > 0; --n) {
        Host("AT+" + Word(3, 4) + "?\r");
        Wait(8, 25);
        Reply(InOrder({"\r\n+", Word(3, 4), ": ", Digits(2), "\r\n\r\nOK\r\n"}));
        Wait(900, 1800);
      }
      for (int n = 1 + Pick(4); n > 0; --n) {
        Module(K::kUnsolicited, "\r\nRING\r\n");
        Wait(1900, 2100);
      }
      if (Chance(0.7)) {
        Host("ATA\r");
        Wait(300, 900);
        Reply("\r\nCONNECT\r\n");
        Wait(2500, 4000);
        Module(K::kUnsolicited, "\r\nNO CARRIER\r\n");
      }
      Wait(1500, 3000);
    }
  }

  // A digit and CR is the result code; information comes ahead of it.
  void NumericCodes() {
    for (int i = 0; i < 40; ++i) {
      Host("AT" + Of<Bytes>({"I3", "S0?", "&W", "X4"}) + "\r");
      Wait(8, 30);
      Reply(Chance(0.5) ? Bytes(Chance(0.9) ? "0\r" : "4\r") : InOrder({Digits(3), "\r\n0\r"}));
      Wait(500, 1500);
    }
  }

  // '#', '$', '%' and a number ask, '>', '!' and '?' answer, CR ends; some numbers are not there.
  void Gauges() {
    const double every = Of<double>({60, 300});
    for (int i = 0; i < 60; ++i) {
      const Bytes unit = HexOf(Bytes(1, static_cast<char>(1 + Pick(12))));
      const int what = Pick(3);
      Host(what == 0 ? "#" + unit + "\r" : what == 1 ? "$" + unit + "M\r" : "%" + unit + "0600\r");
      if (Chance(0.1)) {
        Wait(400, 500);
        continue;
      }
      Wait(4, 20);
      if (Chance(0.1))
        Reply("?" + unit + "\r");
      else if (what == 0)
        Reply(InOrder({">+0", Value(), Chance(0.5) ? "+00" + Value() : Bytes(), "\r"}));
      else
        Reply("!" + unit + (what == 1 ? "7017" : "") + "\r");
      Wait(every, every * 1.5);
    }
  }

  // A line by the clock, whatever is asked; answers have another shape and come at once.
  void Scale() {
    const double every = Of<double>({200, 500});
    line_.baud = std::max(line_.baud, 9600.0);
    Host("V\r\n");
    Wait(5, 15);
    Reply("OK V" + Digits(1) + "\r\n");
    double due = now_ + every;
    for (int i = 0; i < 70; ++i) {
      now_ = std::max(now_, due);
      due = now_ + every;
      Module(K::kUnsolicited,
             InOrder({Chance(0.8) ? "ST" : "US", ",GS,+ ", Digits(2), ".", Digits(2), "kg\r\n"}));
      if (!Chance(0.2)) continue;
      Wait(50, 80);
      Host(Of<Bytes>({"T\r\n", "Z\r\n", "V\r\n"}));
      Wait(4, 15);
      Reply(Chance(0.9) ? "OK\r\n" : "NO\r\n");
    }
  }

  // Both ways: AA, length, number of the message, data, CRC; answers bear the number, events 80
  // and come after a silence.
  void LengthAhead() {
    const auto frame = [](const Bytes& inside) {
      return WithCrc(Bytes{'\xaa', static_cast<char>(inside.size())} + inside);
    };
    char number = 0;
    for (int i = 0; i < 45; ++i) {
      number = static_cast<char>(number % 100 + 1);
      const char command = static_cast<char>(16 + Pick(6));
      Host(frame(Bytes{number, command} + Noise(Pick(10))));
      Wait(5, 25);
      Reply(frame(Bytes{number, '\0'} + Noise(Pick(24))));
      Wait(500, 1200);
      if (!Chance(0.25)) continue;
      Module(K::kUnsolicited, frame(Bytes{'\x80', '\x01'} + Noise(3)));
      Wait(500, 1200);
    }
  }

  // It sleeps: an empty line wakes it and gets nothing, the command follows after a while.
  void WakeFirst() {
    for (int i = 0; i < 30; ++i) {
      Host("\r\n");
      Wait(110, 160);
      Host("MEAS " + Digits(1) + "\r\n");
      Wait(60, 200);
      Reply(InOrder({Value(), ",", Value(), "\r\n"}));
      Wait(2000, 4000);
    }
  }

  // Some commands take seconds, longer than the host then waits before the next; turns tell.
  void LongMeasure() {
    for (int i = 0; i < 30; ++i) {
      if (Chance(0.4)) {
        Host("measure\n");
        Wait(2500, 6000);
        Reply(InOrder({Value(), " mm\n"}));
      } else {
        Host(InOrder({"gain ", Digits(1), "\n"}));
        Wait(5, 25);
        Reply("ok\n");
      }
      Wait(700, 2000);
    }
  }

  // The head is not answered; the body goes out a while later, and is.
  void HeadThenBody() {
    for (int i = 0; i < 25; ++i) {
      if (Chance(0.6)) {
        const Bytes body = Word(4, 12);
        Host("PUT " + std::to_string(body.size()) + "\r\n");
        Wait(110, 200);
        Host(body + "\r\n");
        Wait(15, 60);
        Reply("STORED " + Digits(2) + "\r\n");
      } else {
        Host("COUNT\r\n");
        Wait(5, 30);
        Reply("COUNT " + Digits(2) + "\r\n");
      }
      Wait(900, 2500);
    }
  }

  // Events bear a head that is seen alone, too; some come right before or behind an answer.
  void EventsBeside() {
    const Bytes head = Of<Bytes>({"+EVT:", "!event ", "*"});
    const auto event = [&] {
      Module(K::kUnsolicited, Line(InOrder({head, Word(3, 4), Digits(1)})));
    };
    for (int i = 0; i < 45; ++i) {
      Host("AT+" + Word(3, 5) + "?\r\n");
      Wait(10, 30);
      const bool before = i > 8 && Chance(0.12), behind = i > 8 && !before && Chance(0.12);
      if (before) event();
      Reply(InOrder({"+", Word(4, 6), "=", Digits(2), "\r\nOK\r\n"}));
      if (behind) event();
      Wait(900, 1800);
      if (i > 2 && !Chance(0.25)) continue;
      event();
      Wait(900, 1800);
    }
  }

  // A script is pasted into a console: lines go out at once, each key comes back, answers stand
  // behind the echo of their line.
  void Pasted() {
    line_.baud = Of<double>({9600, 19200});
    line_.reads = Of<Reads>({Reads::kWhole, Reads::kByte});
    line_.timer_ms = 0;
    line_.host_is_early = false;
    Module(K::kBanner, "\r\nsedge\r\n> ");
    Wait(1500, 2500);
    for (int i = 0; i < 25; ++i) {
      const Bytes text = InOrder({"set ", Word(3, 6), " ", Digits(2)});
      const double from = now_;
      Host(text + "\r");
      const double sent = now_;
      now_ = from + line_.character_ms() + 0.3;
      Module(K::kEcho, text + "\r\n");
      now_ = std::max(now_, sent) + 3;
      Reply(Chance(0.8) ? "> " : "bad name\r\n> ");
      Wait(250, 1200);
    }
  }

  // "ok" ends each answer; while a move lasts the module says that it is busy, seconds apart.
  void Tool() {
    for (int i = 0; i < 40; ++i) {
      const int what = Pick(4);
      if (what == 0) {
        Host("M105\n");
        Wait(5, 25);
        Reply(InOrder({"ok T:", Value(), " /0.0 B:", Value(), "\n"}));
      } else if (what == 1) {
        Host("G28\n");
        std::vector<Bytes> parts;
        for (int n = 1 + Pick(4); n > 0; --n) parts.push_back("echo:busy: processing\n");
        parts.push_back("ok\n");
        Wait(900, 1000);
        ReplyParts(parts, 950, 1050);
      } else {
        Host(InOrder({"G1 X", Digits(2), " Y", Digits(2), "\n"}));
        Wait(5, 60);
        Reply("ok\n");
      }
      Wait(30, 200);
    }
  }

  // CR is yes, BEL is no; frames of the bus come unasked and begin with t.
  void CrOrBell() {
    for (int i = 0; i < 50; ++i) {
      if (i == 0 || Chance(0.5)) {
        const int what = i == 0 ? 0 : Pick(3);
        if (what == 0) {
          Host("V\r");
          Wait(4, 15);
          Reply("V10" + Digits(2) + "\r");
        } else if (what == 1) {
          Host(InOrder({"t", Digits(3), "2", HexOf(Noise(2)), "\r"}));
          Wait(4, 15);
          Reply(Chance(0.8) ? "\r" : "\a");
        } else {
          Host(InOrder({"S", Digits(1), "\r"}));
          Wait(4, 15);
          Reply(Chance(0.9) ? "\r" : "\a");
        }
      } else {
        const Bytes data = Noise(2);
        Module(K::kUnsolicited, InOrder({"t", Digits(3), "2", HexOf(data), "\r"}));
      }
      Wait(400, 1200);
    }
  }

  // Short frames 10 ... 16, long ones 68 L L 68 ... 16, each with its sum, or E5 alone.
  void Meters() {
    line_.baud = Of<double>({2400, 9600});
    for (int i = 0; i < 40; ++i) {
      const char unit = static_cast<char>(1 + Pick(5));
      const bool reset = Chance(0.35);
      Bytes ask{reset ? '\x40' : '\x5b', unit};
      Host("\x10" + ask + SumOf(ask) + "\x16");
      if (Chance(0.08)) {
        Wait(600, 800);
        continue;
      }
      Wait(12, 60);
      if (reset) {
        Reply("\xe5");
      } else {
        const Bytes inside = Bytes{'\x08', unit, '\x72'} + Noise(12 + Pick(30));
        const char size = static_cast<char>(inside.size());
        Reply(Bytes{'\x68', size, size, '\x68'} + inside + SumOf(inside) + "\x16");
      }
      Wait(400, 1500);
    }
  }

  // Sign on, choose, read out: lines between STX and ETX, a check behind.
  void ReadOut() {
    line_.baud = Of<double>({1200, 2400, 4800, 9600});
    for (int i = 0; i < 10; ++i) {
      Host("/?!\r\n");
      Wait(200, 900);
      Reply(InOrder({"/FEN5", Word(4, 6), "\r\n"}));
      Wait(200, 400);
      Host(
          "\x06"
          "050\r\n");
      Wait(200, 900);
      Bytes data;
      for (int n = 3 + Pick(6); n > 0; --n)
        data +=
            InOrder({Digits(1), ".8.", Digits(1), "(00", Digits(3), ".", Digits(1), "*kWh)\r\n"});
      data += "!\r\n\x03";
      Reply("\x02" + data + XorOf(data));
      Wait(3000, 6000);
    }
  }

  // One byte asks, two answer, many times a second.
  void Ranging() {
    line_.baud = std::max(line_.baud, 9600.0);
    if (line_.timer_ms > 1) line_.timer_ms = 1;
    for (int i = 0; i < 80; ++i) {
      Host("U");
      Wait(3, 12);
      Reply(Be(30 + Pick(4000)));
      Wait(60, 75);
    }
  }

  // Nine bytes ask, nine answer; between, 32 bytes with a head come unasked.
  void Air() {
    const auto nine = [](Bytes inside) {
      inside.resize(7, '\0');
      const char sum = static_cast<char>(-SumOf(inside));
      return "\xff" + inside + sum;
    };
    for (int i = 0; i < 40; ++i) {
      if (i == 0 || Chance(0.5)) {
        Host(nine({'\x01', '\x86'}));
        Wait(6, 30);
        Reply(nine(InOrder({"\x86", Be(400 + Pick(2000)), "\x3c"})));
      } else {
        Bytes frame = InOrder({"BM", Be(28)});
        for (int k = 0; k < 13; ++k) frame += Be(Pick(400));
        int sum = 0;
        for (const char c : frame) sum += static_cast<unsigned char>(c);
        Module(K::kUnsolicited, frame + Be(sum));
      }
      Wait(600, 1500);
    }
  }

  // An acknowledge, and to some commands data packets right behind it, the last marked.
  void PacketsInARow() {
    line_.baud = std::max(line_.baud, 9600.0);
    const auto packet = [](char kind, const Bytes& inside) {
      Bytes body = kind + Be(static_cast<int>(inside.size()) + 2) + inside;
      int sum = 0;
      for (const char c : body) sum += static_cast<unsigned char>(c);
      return "\xef\x01\xff\xff\xff\xff" + body + Be(sum);
    };
    for (int i = 0; i < 30; ++i) {
      const bool data = Chance(0.4);
      Host(packet('\x01', data ? Bytes("\x0a") : Bytes("\x01")));
      Wait(20, 200);
      std::vector<Bytes> parts = {packet('\x07', Bytes(1, Chance(0.8) ? '\0' : '\x02'))};
      if (data) {
        for (int n = 1 + Pick(3); n > 0; --n) parts.push_back(packet('\x02', Noise(32)));
        parts.push_back(packet('\x08', Noise(32)));
      }
      ReplyParts(parts, 1, 6);
      Wait(900, 2000);
    }
  }

  // Nothing has an ending; silence ends commands, turns tell answers, links are told unasked.
  void BareLinks() {
    for (int i = 0; i < 40; ++i) {
      const bool query = Chance(0.5);
      Host(query ? "AT+" + Word(4, 4) + "?" : InOrder({"AT+", Word(4, 4), Digits(1)}));
      Wait(420, 480);
      Reply(query ? InOrder({"OK+Get:", Digits(1)}) : InOrder({"OK+Set:", Digits(1)}));
      Wait(1500, 2500);
      if (!Chance(0.3)) continue;
      Module(K::kUnsolicited, Of<Bytes>({"OK+CONN", "OK+LOST"}));
      Wait(1500, 2500);
    }
  }

  // Joining takes seconds, with lines in between; its OK ends it. Echo; data comes unasked.
  void Joins() {
    line_.host_is_early = false;
    line_.baud = std::max(line_.baud, 9600.0);
    const auto ask = [&](const Bytes& command) {
      Host(command);
      Wait(1, 4);
      Module(K::kEcho, command);
    };
    for (int i = 0; i < 24; ++i) {
      if (i > 0 && Chance(0.25)) {
        ask(InOrder({"AT+JOIN=\"", Word(4, 8), "\"\r\n"}));
        Wait(1000, 1800);
        ReplyParts({"LINK UP\r\n", "GOT ADDRESS\r\n", "\r\nOK\r\n"}, 400, 900);
      } else {
        ask("AT+" + Word(3, 6) + "?\r\n");
        Wait(2, 20);
        Reply(InOrder({"+", Word(3, 6), ":", Digits(2), "\r\n\r\nOK\r\n"}));
      }
      Wait(2500, 4000);
      if (!Chance(0.3)) continue;
      const Bytes data = Word(3, 12);
      Module(K::kUnsolicited, InOrder({"\r\n+DATA,", std::to_string(data.size()), ":", data}));
      Wait(2500, 4000);
    }
  }

  // A command starts it, a descriptor answers, blocks follow by the clock until the stop, which is
  // answered by nothing. Whether they are unasked or the rest of that answer nothing tells.
  void Scan() {
    line_.baud = 115200;
    for (int round = 0; round < 4; ++round) {
      Host("\xa5\x50");
      Wait(5, 15);
      Reply("\xa5\x5a\x14" + Noise(8));
      Wait(900, 1500);
      Host("\xa5\x60");
      Wait(5, 15);
      Reply(Bytes("\xa5\x5a\x05\0\0\x40\x81", 7));
      double due = now_ + 150;
      for (int n = 60 + Pick(12); n > 0; --n) {
        now_ = std::max(now_, due);
        due = now_ + 150;
        Module(K::kUnsolicited, "\xaa\x55" + Noise(20));
      }
      Wait(50, 60);
      Host("\xa5\x25");
      Wait(2000, 3000);
    }
  }

  // One key, one screen, cleared and written anew; it ends with where the marker stands.
  void Screens() {
    line_.baud = std::max(line_.baud, 9600.0);
    const auto screen = [&] {
      Bytes out = "\x1b[2J\x1b[H";
      for (int k = 1; k < 4; ++k)
        out += InOrder({"\x1b[", std::to_string(k), ";1H", Word(4, 9), ": ", Digits(3)});
      return out + "\x1b[24;1H";
    };
    Module(K::kBanner, screen());
    Wait(1500, 2500);
    for (int i = 0; i < 25; ++i) {
      Host(Of<Bytes>({"\x1b[A", "\x1b[B", "r", "q", "+"}));
      Wait(5, 30);
      Reply(screen());
      Wait(600, 3000);
    }
  }

  // What is typed behind "password: " comes back as stars.
  void Login() {
    ReadAtOnce();
    Module(K::kBanner, "\r\nbutt login: ");
    Wait(1500, 2500);
    for (int i = 0; i < 10; ++i) {
      const Bytes name = Word(3, 8) + "\r";
      Typed(name, EchoesOf(name));
      Wait(3, 20);
      Reply("password: ");
      Wait(900, 2000);
      const Bytes word = Word(4, 9);
      std::vector<Bytes> stars(word.size(), "*");
      stars.push_back("\r\n");
      Typed(word + "\r", stars);
      Wait(300, 900);
      Reply("wrong\r\n\r\nbutt login: ");
      Wait(1500, 4000);
    }
  }

  // The module's frames alone; nothing for many times their length between them.
  void FramesAlone() {
    line_.heard = Heard::kModuleOnly;
    for (int i = 0; i < 60; ++i) {
      const Bytes body = InOrder({"\x10", Noise(2 + Pick(20))});
      Reply("\x02" + body + XorOf(body) + "\x03");
      Wait(300, 1200);
    }
  }

  // Lines sent by a script that waits a fixed while and never listens.
  void ScriptAlone() {
    line_.heard = Heard::kHostOnly;
    const double every = Of<double>({150, 500});
    for (int i = 0; i < 50; ++i) {
      Host(InOrder({Of<Bytes>({"G1 X", "G0 Y", "M104 S"}), Digits(2), "\n"}));
      Wait(every, every * 1.1);
    }
  }

  void LinesOneWire() {
    OneWire(false);
    const double turn = Of<double>({100, 250});
    for (int i = 0; i < 40; ++i) {
      Host("*" + Digits(2) + "?\r");
      Wait(turn, turn * 1.3);
      Reply(InOrder({"*", Digits(2), ",", Value(), "\r"}));
      Wait(turn * 2, turn * 6);
    }
  }

  // Words of letters without an end, behind pauses of any length from one character to seconds:
  // where one ends nothing tells.
  double AnyPause() {
    const double shortest = 2 * line_.character_ms();
    return shortest * std::pow(1500 / shortest, Between(0, 1));
  }
  void UntoldAlone() {
    line_.heard = Heard::kModuleOnly;
    for (int i = 0; i < 150; ++i) {
      Reply(Word(1, 6));
      now_ += AnyPause();
    }
  }
  void UntoldOneWire() {
    OneWire(false);
    for (int i = 0; i < 150; ++i) {
      Say(i % 2 == 0 ? Side::kHost : Side::kModule, i % 2 == 0 ? K::kCommand : K::kReply,
          Word(1, 6));
      now_ += AnyPause();
    }
  }
};

}  // namespace witness::test
