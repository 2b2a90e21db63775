#include "replay/subject/sketch/elf_image.h"

#include <gtest/gtest.h>

#include <fstream>
#include <sstream>

#include "tests/replay/subject/sketch/bench.h"

namespace trial {
namespace {

std::string File(const std::string& path) {
  std::ifstream in(path, std::ios::binary);
  std::ostringstream out;
  out << in.rdbuf();
  return out.str();
}

TEST(ElfImage, TellsPartFunctionsAndVariables) {
  auto image = ReadElf(SketchElf("places"));
  ASSERT_TRUE(image.ok()) << image.status().message();
  EXPECT_EQ(image->mcu, "atmega328p");
  EXPECT_GT(image->flash.size(), 2000u);
  EXPECT_GT(image->data_end, 0x100u);
  ASSERT_NE(image->Variable("Serial"), nullptr);
  // 12 for Stream, 12 for the registers' pointers, 5, and two rings of 64 (HardwareSerial.h).
  EXPECT_EQ(image->Variable("Serial")->size, 157u);
  ASSERT_NE(image->Variable("SoftwareSerial::active_object"), nullptr);
  bool found = false;
  for (const ElfSymbol& f : image->functions)
    if (f.name == "Stream::readStringUntil") {
      found = true;
      EXPECT_EQ(image->FunctionAt(f.address), &f);
      EXPECT_EQ(image->FunctionAt(f.address + f.size - 2), &f);
    }
  EXPECT_TRUE(found);
}

TEST(ElfImage, OtherPartsAreTold) {
  EXPECT_EQ(ReadElf(SketchElf("second_uart"))->mcu, "atmega2560");
  EXPECT_EQ(ReadElf(SketchElf("leonardo_uart"))->mcu, "atmega32u4");
}

TEST(ElfImage, WhatIsNoSketchIsSaidSo) {
  EXPECT_EQ(ReadElf("/nonexistent/x.elf").status().code(), witness::Code::kNotFound);
  EXPECT_NE(ParseElf(":100000000C945C00").status().message().find(".hex"), std::string::npos);
  auto shell = ReadElf("/bin/sh");  // a program of this computer; the test itself can be too large
  ASSERT_FALSE(shell.ok());
  EXPECT_NE(shell.status().message().find("not for AVR"), std::string::npos)
      << shell.status().message();
}

TEST(ElfImage, EveryCutAndEveryFlippedByteIsSurvived) {
  const std::string whole = File(SketchElf("busy"));
  ASSERT_FALSE(whole.empty());
  for (std::size_t n = 0; n < whole.size(); n += 97) ParseElf(whole.substr(0, n)).status().Ignore();
  for (std::size_t i = 0; i < 400; ++i) {
    std::string bad = whole;
    bad[i < 52 ? i : whole.size() - i] = static_cast<char>(0xff);
    ParseElf(bad).status().Ignore();
  }
  SUCCEED();
}

}  // namespace
}  // namespace trial
