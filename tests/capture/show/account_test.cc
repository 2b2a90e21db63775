#include "capture/show/account.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>

#include "tests/support/talk.h"

namespace witness {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

std::string AccountOf(const std::vector<OwnedEvent>& events, const AccountOptions& options = {}) {
  std::string out;
  Account account(options, [&](std::string_view line) { out += line; });
  for (const OwnedEvent& e : events) account.Take(e.View());
  account.Finish();
  return out;
}

TEST(Account, TimesSidesEndingsAndSilences) {
  EXPECT_EQ(AccountOf(test::Talk()
                          .Host(0, "AT")
                          .Module(420, "OK\r\n")
                          .Host(421, "AT+FW?\r")
                          .Module(430, "\r\nsedge-b\r\n\r\nOK\r\n")
                          .events()),
            "      0.000000  host    AT\u2205\n"
            "                \u2500\u2500\u2500\u2500\u2500\u2500\u2500\u2500 420 ms "
            "\u2500\u2500\u2500\u2500\u2500\u2500\u2500\u2500\n"
            "      0.420000  module  OK\u240D\u240A\n"
            "      0.421000  host    AT+FW?\u240D\n"
            "      0.430000  module  \u240D\u240Asedge-b\u240D\u240A\n"
            "      0.430000  module  \u240D\u240AOK\u240D\u240A\n");
}

TEST(Account, BytesReadOneByOneAreOneLine) {
  test::Talk talk;
  double ms = 0;
  for (const char c : std::string("OK\r\n")) talk.Module(ms++, std::string(1, c));
  EXPECT_EQ(AccountOf(talk.events()), "      0.000000  module  OK\u240D\u240A\n");
}

TEST(Account, NoControlCharacterReachesTheTerminal) {
  Bytes all;
  for (int i = 0; i < 256; ++i) all += static_cast<char>(i);
  test::Talk talk;
  talk.Module(0, all).Say(1, Side::kUnknown, all, EventKind::kNote);
  for (const bool hex : {false, true}) {
    AccountOptions options;
    options.hex = hex;
    for (const char c : AccountOf(talk.events(), options))
      EXPECT_TRUE(c == '\n' || (static_cast<unsigned char>(c) >= 0x20 && c != 0x7f));
  }
}

TEST(Account, HexShowsEveryByte) {
  AccountOptions options;
  options.hex = true;
  const std::string text = AccountOf(test::Talk().Module(0, "OK\r\n").events(), options);
  EXPECT_THAT(text, HasSubstr("4f 4b 0d 0a"));
  EXPECT_THAT(text, HasSubstr("OK\u240D\u240A"));
}

TEST(Account, ALineThatWaitsIsDueAfterTheSilence) {
  std::string out;
  Account account({}, [&](std::string_view line) { out += line; });
  EXPECT_TRUE(account.NextTick().never());
  const auto events = test::Talk().Module(50, "OK").events();
  account.Take(events[0].View());
  EXPECT_EQ(out, "");
  EXPECT_EQ(account.NextTick().ns(), 150'000'000);
  account.Tick(Instant::FromNanoseconds(149'000'000));
  EXPECT_EQ(out, "");
  account.Tick(Instant::FromNanoseconds(150'000'000));
  EXPECT_EQ(out, "      0.050000  module  OK\u2205\n");
  EXPECT_TRUE(account.NextTick().never());
}

TEST(Account, ALineIsThereAsSoonAsItsLineFeedIs) {
  std::string out;
  Account account({}, [&](std::string_view line) { out += line; });
  const auto events = test::Talk().Module(0, "\r\nOK\r").Module(1, "\n").Module(2, "\r\n").events();
  account.Take(events[0].View());
  EXPECT_EQ(out, "");
  account.Take(events[1].View());
  EXPECT_EQ(out, "      0.000000  module  \u240D\u240AOK\u240D\u240A\n");
  EXPECT_TRUE(account.NextTick().never());
  account.Take(events[2].View());
  EXPECT_FALSE(account.NextTick().never()) << "a line ending alone may belong to what comes";
}

TEST(Account, AnotherCaptureBeginsAnew) {
  std::string out;
  Account account({}, [&](std::string_view line) { out += line; });
  const auto before = test::Talk().Module(5000, "OK").events();
  const auto after = test::Talk().Module(1, "OK").events();
  account.Take(before[0].View());
  account.Restart();
  account.Take(after[0].View());
  account.Finish();
  EXPECT_EQ(out, "      5.000000  module  OK\u2205\n      0.001000  module  OK\u2205\n");
}

TEST(Account, EndlessTextWithoutLineFeedIsCutIntoLines) {
  const std::string text = AccountOf(test::Talk().Module(0, Bytes(1000, 'x')).events());
  EXPECT_EQ(std::count(text.begin(), text.end(), '\n'), 7);
}

TEST(Account, EventsThatAreNoBytes) {
  test::Talk talk;
  talk.Mark(1, EventKind::kBreak, Side::kModule).Mark(2, EventKind::kGap);
  const std::string text = AccountOf(talk.events());
  EXPECT_THAT(text, HasSubstr("(break)"));
  EXPECT_THAT(text, HasSubstr("(gap: something may be missing here)"));
}

TEST(Account, ColoursOnlyIfAskedFor) {
  const auto events = test::Talk().Host(0, "AT\r").events();
  EXPECT_THAT(AccountOf(events), Not(HasSubstr("\x1b")));
  AccountOptions options;
  options.color = true;
  EXPECT_THAT(AccountOf(events, options), HasSubstr("\x1b[0m\n"));
}

}  // namespace
}  // namespace witness
