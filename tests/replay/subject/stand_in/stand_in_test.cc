// The stand-in for a sketch's serial port. That its calls do what the core's do is tested beside
// the emulator: tests/replay/subject/sketch/same_calls_test.cc.
#include "bytewitness/stand_in.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cstdio>

#include "bytewitness/each_variation.h"
#include "capture/store/capture_reader.h"

namespace bytewitness {
namespace {

using testing::ElementsAre;
using testing::HasSubstr;

const char kSedgeB[] = BYTEWITNESS_SOURCE_DIR "/samples/sedge-b.textproto";
const char kSedgeA[] = BYTEWITNESS_SOURCE_DIR "/samples/sedge-a.textproto";

TEST(StandIn, BytesTakeTheirTimeOnTheLine) {
  StandIn module(kSedgeB);
  module.print("AT\r");
  module.flush();
  // 3 characters of 10 bits at 9600 baud: 3.125 ms (8N1, common practice).
  EXPECT_NEAR(static_cast<double>(micros()), 3125, 20);
  while (!module.available()) yield();
  // 8 ms later Sedge B begins, and the first byte takes 1.04 ms.
  EXPECT_NEAR(static_cast<double>(micros()), 3125 + 8000 + 1042, 40);
  EXPECT_EQ(module.read(), '\r');
}

TEST(StandIn, TimeBeginsAnewWithEachFirstStandIn) {
  {
    StandIn one;
    delay(500);
    StandIn two;
    EXPECT_GE(millis(), 500u);
  }
  StandIn three;
  EXPECT_EQ(millis(), 0u);
}

TEST(StandIn, WriterWaitsWhenTheTransmitBufferIsFull) {
  StandIn module;
  for (int i = 0; i < 64; ++i) module.write('x');
  EXPECT_LT(micros(), 100u);
  for (int i = 0; i < 96; ++i) module.write('x');
  EXPECT_NEAR(static_cast<double>(millis()), 100, 2);  // 96 characters at 9600 baud
}

TEST(StandIn, ReceiveBufferKeeps63Bytes) {
  StandIn module(kSedgeB, "length=128");
  module.print("AT+FW?\r");
  delay(500);
  EXPECT_EQ(module.available(), 63);
  EXPECT_GT(module.lost(), 60u);
  EXPECT_THAT(module.account(), HasSubstr("were lost"));
}

TEST(StandIn, SoftwarePortIsDeafWhileItSends) {
  StandIn module(kSedgeB, "turnaround=0s");
  module.like_software_port();
  module.print("AT\r");
  module.print("AT+FW?");
  delay(50);
  EXPECT_EQ(module.lost(), 6u);  // "\r\nOK\r\n" came while it was sending
}

TEST(StandIn, WrongRateLetsNothingThrough) {
  StandIn module(kSedgeB);
  module.begin(19200);
  module.print("AT\r");
  delay(100);
  EXPECT_TRUE(module.commands().empty());
  EXPECT_THAT(module.account(), HasSubstr("19200 baud, the module speaks 9600"));
  module.begin(9600);
  module.print("AT\r");
  EXPECT_TRUE(module.find("OK"));
}

TEST(StandIn, CommandIsTakenAfterASilence) {
  StandIn module(kSedgeA);
  module.print("AT");
  delay(450);
  module.print("AT+NONE");
  delay(1000);
  EXPECT_THAT(module.commands(), ElementsAre("AT", "AT+NONE"));
  EXPECT_THAT(module.unknown_commands(), ElementsAre("AT+NONE"));
  EXPECT_EQ(module.readString(), "OK");
}

TEST(StandIn, EndlessWaitIsEndedAndNamed) {
  StandIn module(kSedgeB, "loss=none");
  module.print("AT\r");
  try {
    while (!module.available()) {
    }
    FAIL();
  } catch (const OutOfTime& out) {
    EXPECT_THAT(out.what(), HasSubstr("available()"));
  }
  limit_time(1000);
  EXPECT_THROW(delay(2000), OutOfTime);
}

TEST(StandIn, WhatCannotBeUsedIsSaid) {
  EXPECT_THROW(StandIn("nowhere.textproto"), std::invalid_argument);
  EXPECT_THROW(StandIn(kSedgeB, "ending=odd"), std::invalid_argument);
  try {
    StandIn(kSedgeB, "jitter=10%");
    FAIL();
  } catch (const std::invalid_argument& wrong) {
    EXPECT_THAT(wrong.what(), HasSubstr("--sketch"));
  }
  const auto none = variations_of(kSedgeB, {"nothing"});
  ASSERT_EQ(none.size(), 1u);
  EXPECT_THROW(StandIn{none[0]}, std::invalid_argument);
}

TEST(StandIn, VariationsAreNamedAndAsRecordedIsFirst) {
  std::vector<std::string> names;
  for (const VariedPart& part : variations_of(kSedgeB, {"ending=none,cr", "pace=burst"}))
    names.push_back(part.variation);
  EXPECT_THAT(names, ElementsAre("", "ending=none", "ending=cr", "pace=burst"));
  EXPECT_GT(pairs_of_variations_of(kSedgeB, {"ending", "split"}).size(), 10u);
  EXPECT_GT(variations_of(kSedgeB).size(), 15u);
}

TEST(StandIn, ReaderUntilLineFeedWaitsItsTimeoutWhenThereIsNone) {
  StandIn module(kSedgeB, "ending=none");
  module.print("AT\r");
  const unsigned long began = millis();
  EXPECT_EQ(module.readStringUntil('\n'), "OK");
  EXPECT_GE(millis() - began, 1000u);  // Stream's default timeout
  EXPECT_TRUE(module.same_output());
  EXPECT_FALSE(StandIn(kSedgeB, "loss=none").same_output());
}

TEST(StandIn, ConversationIsKeptAsACapture) {
  const std::string path = testing::TempDir() + "/stand_in.witness";
  StandIn module(kSedgeB);
  module.print("AT\r");
  delay(100);
  module.keep(path);
  auto reader = witness::CaptureReader::Open(path);
  ASSERT_TRUE(reader.ok()) << reader.status().message();
  EXPECT_TRUE((*reader)->info().virtual_time);
  std::remove(path.c_str());
  EXPECT_THROW(module.keep("/nowhere/at/all.witness"), std::runtime_error);
}

// One test for each variation, as a person writes it.
class Firmware : public VariationTest {};
TEST_P(Firmware, IsFoundWhateverStandsAroundIt) {
  module.print("AT+FW?\r\n");
  EXPECT_TRUE(module.find("sedge-b 2.3"));
}
INSTANTIATE_TEST_SUITE_P(SedgeB, Firmware, for_each_variation(kSedgeB), variation_name);

}  // namespace
}  // namespace bytewitness
