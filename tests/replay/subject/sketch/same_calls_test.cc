// What the stand-in does is what the AVR core does: one sketch, run here by a stand-in and in the
// emulator with Debian's arduino-core-avr, tells the same.
#include <SoftwareSerial.h>
#include <gtest/gtest.h>

// The sketch as it stands; code of sketches is not ours to warn about.
#pragma GCC diagnostic push
#pragma GCC diagnostic ignored "-Wconversion"
#pragma GCC diagnostic ignored "-Wold-style-cast"
#pragma GCC diagnostic ignored "-Wdiv-by-zero"
namespace here {
#include "tests/replay/subject/sketch/sketches/stream_calls.ino"
}
#pragma GCC diagnostic pop

#include "replay/part/build.h"
#include "replay/subject/sketch/session.h"
#include "tests/replay/subject/sketch/bench.h"

namespace trial {
namespace {

const char kPart[] =
    BYTEWITNESS_SOURCE_DIR "/tests/replay/subject/sketch/sketches/stream_calls.textproto";

TEST(StandIn, TellsWhatTheCoreTells) {
  bytewitness::StandIn module(kPart);
  ::here::radio.wire(module);
  ::here::setup();
  const std::string told = ::Serial.written();

  auto part = LoadPartOrCapture(kPart, witness::Side::kModule);
  ASSERT_TRUE(part.ok()) << part.status().message();
  auto image = ReadElf(SketchElf("stream_calls"));
  ASSERT_TRUE(image.ok()) << image.status().message();
  SketchSettings settings;
  settings.elf = SketchElf("stream_calls");
  settings.module = *ParseSketchPlace("pins:rx=10,tx=11");
  auto session = SketchSession::Create(*image, settings, 9600);
  ASSERT_TRUE(session.ok()) << session.status().message();
  const Observations seen = (*session)->Run(part->part, RunLimits());
  std::string there;
  for (const Printed& printed : seen.printed) there += printed.bytes;

  EXPECT_EQ(told, there);
  EXPECT_NE(told.find("end\r\n"), std::string::npos);
}

}  // namespace
}  // namespace trial
