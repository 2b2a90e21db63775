// Telnet and RFC 2217 as an engine. Sources: RFC 854, RFC 856, RFC 2217 section 3.
#include "capture/line/telnet_line.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <random>

namespace witness {
namespace {

using namespace std::string_view_literals;
using Item = TelnetLine::Item;

std::string Text(const std::vector<Item>& items) {
  std::string out;
  for (const Item& item : items) {
    if (!out.empty()) out += "|";
    switch (item.kind) {
      case Item::Kind::kData:
        out += "data " + ToHex(item.bytes);
        break;
      case Item::Kind::kCommand:
        out += "command " + std::to_string(item.command) + " " + ToHex(item.bytes);
        break;
      case Item::Kind::kAgreed:
        out += "agreed";
        break;
      case Item::Kind::kRefused:
        out += "refused";
        break;
    }
  }
  return out;
}

std::string Feed(TelnetLine& line, ByteView raw) {
  std::vector<Item> items;
  line.Feed(raw, items);
  return Text(items);
}

TEST(TelnetLine, DataDoublesFf) {
  TelnetLine line(TelnetLine::End::kClient);
  line.SendData(
      "a\xff\xff"
      "b\0"sv);
  EXPECT_EQ(line.output(),
            "a\xff\xff\xff\xff"
            "b\0"sv);
  EXPECT_EQ(Feed(line,
                 "a\xff\xff"
                 "b\0\r\n"sv),
            "data 61ff62000d0a");
}

TEST(TelnetLine, ServerAnswersTheClientsOfferOnce) {
  TelnetLine server(TelnetLine::End::kServer);
  // IAC WILL COM-PORT (44), twice
  EXPECT_EQ(Feed(server, "\xff\xfb\x2c"), "agreed");
  EXPECT_EQ(server.output(), "\xff\xfd\x2c");
  EXPECT_EQ(Feed(server, "\xff\xfb\x2c"), "");
  EXPECT_EQ(server.output(), "\xff\xfd\x2c");
}

TEST(TelnetLine, AnswerToOurOfferIsNotAnswered) {
  TelnetLine client(TelnetLine::End::kClient);
  client.Offer();
  client.output().clear();
  EXPECT_EQ(Feed(client, "\xff\xfd\x2c\xff\xfd\0\xff\xfb\0"sv), "agreed");
  EXPECT_EQ(client.output(), "");
}

TEST(TelnetLine, RefusalIsToldOnce) {
  TelnetLine client(TelnetLine::End::kClient);
  client.Offer();
  EXPECT_EQ(Feed(client, "\xff\xfe\x2c\xff\xfe\x2c"), "refused");
  EXPECT_FALSE(client.agreed());
}

TEST(TelnetLine, UnknownOptionIsDeclined) {
  TelnetLine client(TelnetLine::End::kClient);
  EXPECT_EQ(Feed(client, "\xff\xfd\x18\xff\xfb\x01"), "");  // DO 24, WILL ECHO
  EXPECT_EQ(client.output(), "\xff\xfc\x18\xff\xfe\x01");   // WONT 24, DONT ECHO
}

TEST(TelnetLine, CommandsHaveTheNumbersOfTheStandard) {
  TelnetLine client(TelnetLine::End::kClient);
  client.SendBaud(115200);
  // IAC SB COM-PORT SET-BAUDRATE(1) 00 01 C2 00 IAC SE
  EXPECT_EQ(client.output(), "\xff\xfa\x2c\x01\x00\x01\xc2\x00\xff\xf0"sv);
  TelnetLine server(TelnetLine::End::kServer);
  server.SendCommand(TelnetLine::kModemState, 0xb0);
  EXPECT_EQ(server.output(), "\xff\xfa\x2c\x6b\xb0\xff\xf0"sv);  // NOTIFY-MODEMSTATE is 107
  EXPECT_EQ(Feed(client, server.output()), "command 7 b0");
  EXPECT_EQ(Feed(server, client.output()), "command 1 0001c200");
}

TEST(TelnetLine, FfInAValueIsDoubled) {
  TelnetLine client(TelnetLine::End::kClient);
  TelnetLine server(TelnetLine::End::kServer);
  client.SendBaud(65535);
  EXPECT_EQ(client.output(), "\xff\xfa\x2c\x01\x00\x00\xff\xff\xff\xff\xff\xf0"sv);
  EXPECT_EQ(Feed(server, client.output()), "command 1 0000ffff");
}

TEST(TelnetLine, EndlessSubnegotiationIsDroppedAndDataGoesOn) {
  TelnetLine server(TelnetLine::End::kServer);
  Bytes raw = "\xff\xfa\x2c\x01" + Bytes(1'000'000, 'x') + "\xff\xf0" + "ok";
  EXPECT_EQ(Feed(server, raw), "data 6f6b");
}

TEST(TelnetLine, AnySplitOfTheSameBytesGivesTheSameItems) {
  std::mt19937 random(2217);
  const ByteView letters =
      "\xff\xff\xff\xfa\xf0\x2c\x01\x05\x0c\xfb\xfd\x00"
      "a"sv;
  for (int round = 0; round < 500; ++round) {
    Bytes raw;
    for (int i = 0; i < 60; ++i) raw += letters[random() % letters.size()];
    TelnetLine whole(TelnetLine::End::kServer);
    const std::string expected = Feed(whole, raw);
    TelnetLine pieces(TelnetLine::End::kServer);
    std::vector<Item> items;
    for (std::size_t at = 0; at < raw.size();) {
      const std::size_t size = 1 + random() % 4;
      pieces.Feed(ByteView(raw).substr(at, size), items);
      at += size;
    }
    ASSERT_EQ(Text(items), expected) << ToHex(raw);
    ASSERT_EQ(pieces.output(), whole.output());
  }
}

}  // namespace
}  // namespace witness
