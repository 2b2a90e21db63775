// Captures of format version 1 that are kept for ever: what each must give stands in expected.txt.
#include <gmock/gmock.h>
#include <google/protobuf/text_format.h>
#include <gtest/gtest.h>
#include <zstd.h>

#include <filesystem>
#include <fstream>
#include <set>
#include <sstream>

#include "capture/store/mend.h"
#include "capture/store/verify.h"
#include "proto/capture.pb.h"
#include "tests/support/capture_samples.h"
#include "tests/support/sanitized.h"

namespace witness {
namespace {

const std::string kFolder = std::string(BYTEWITNESS_SOURCE_DIR) + "/tests/golden/";

Bytes Load(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  EXPECT_TRUE(file.good()) << path;
  std::ostringstream all;
  all << file.rdbuf();
  return all.str();
}

struct Expectation {
  std::string file;
  std::string state;
  std::uint64_t events = 0;
  std::uint64_t gaps = 0;
  std::uint64_t events_lost = 0;
  std::string words;
};

// FILE | STATE | EVENTS | GAPS | EVENTS LOST | WORDS
std::vector<Expectation> Expectations() {
  std::istringstream lines(Load(kFolder + "expected.txt"));
  std::vector<Expectation> all;
  for (std::string line; std::getline(lines, line);) {
    std::vector<std::string> cells;
    std::istringstream row(line + " ");
    for (std::string cell; std::getline(row, cell, '|');) {
      const std::size_t from = cell.find_first_not_of(' ');
      const std::size_t to = cell.find_last_not_of(' ');
      cells.push_back(from == std::string::npos ? "" : cell.substr(from, to - from + 1));
    }
    EXPECT_EQ(cells.size(), 6u) << line;
    if (cells.size() != 6) continue;
    all.push_back({cells[0], cells[1], std::stoull(cells[2]), std::stoull(cells[3]),
                   std::stoull(cells[4]), cells[5]});
  }
  return all;
}

TEST(Golden, EveryFileGivesWhatIsExpected) {
  std::set<std::string> expected;
  for (const Expectation& want : Expectations()) {
    SCOPED_TRACE(want.file);
    expected.insert(want.file);
    const auto found = VerifyFile(kFolder + want.file);
    if (want.state == "unreadable") {
      EXPECT_FALSE(found.ok());
      EXPECT_THAT(found.status().message(), ::testing::HasSubstr(want.words));
      continue;
    }
    ASSERT_TRUE(found.ok()) << found.status().message();
    const std::string state = found->sound()          ? "closed cleanly"
                              : found->ending.damaged ? "damaged"
                                                      : "cut off";
    EXPECT_EQ(state, want.state);
    EXPECT_EQ(found->ending.events - found->gaps, want.events);
    EXPECT_EQ(found->gaps, want.gaps);
    EXPECT_EQ(found->events_lost, want.events_lost);
    EXPECT_THAT(found->ending.what, ::testing::StartsWith(want.words));
    EXPECT_EQ(found->ending.what.empty(), want.words.empty());
  }
  for (const auto& file : std::filesystem::recursive_directory_iterator(kFolder)) {
    if (file.path().extension() != ".witness") continue;
    const std::string name = std::filesystem::relative(file.path(), kFolder).string();
    EXPECT_TRUE(expected.count(name) == 1) << name << " is not in expected.txt";
  }
}

TEST(Golden, EventsOfEveryKindAreReadAsTheyWereWritten) {
  ExpectSameEvents(ReadAllOf(Load(kFolder + "good/every_kind.witness")).events,
                   EventsOfEveryKind());
  ExpectSameEvents(ReadAllOf(Load(kFolder + "good/live.witness")).events, EventsOfEveryKind());
}

TEST(Golden, LongAndShortFormHoldTheSame) {
  const ReadBack a = ReadAllOf(Load(kFolder + "good/long_form.witness"));
  const ReadBack b = ReadAllOf(Load(kFolder + "good/small_frames.witness"));
  ASSERT_EQ(a.events.size(), b.events.size());
  EXPECT_GT(a.events.size(), 400u);
  for (std::size_t i = 0; i < a.events.size(); ++i) {
    EXPECT_TRUE(a.events[i].View() == b.events[i].View()) << i;
  }
}

Bytes Decompress(ByteView file) {
  Bytes out;
  ZSTD_DCtx* context = ZSTD_createDCtx();
  Bytes room(1 << 16, '\0');
  ZSTD_inBuffer in{file.data(), file.size(), 0};
  while (in.pos < in.size) {
    ZSTD_outBuffer piece{room.data(), room.size(), 0};
    const std::size_t left = ZSTD_decompressStream(context, &piece, &in);
    EXPECT_FALSE(ZSTD_isError(left)) << ZSTD_getErrorName(left);
    if (ZSTD_isError(left)) break;
    out.append(room.data(), piece.pos);
  }
  ZSTD_freeDCtx(context);
  return out;
}

// The listing between the marks in FORMAT.md: hexadecimal bytes, then words behind a bar.
TEST(Golden, TheExampleInTheSpecificationIsTheFile) {
  const std::string format = Load(std::string(BYTEWITNESS_SOURCE_DIR) + "/proto/FORMAT.md");
  const std::size_t from = format.find("<!-- example begins -->");
  const std::size_t to = format.find("<!-- example ends -->");
  ASSERT_NE(from, std::string::npos);
  ASSERT_NE(to, std::string::npos);
  std::istringstream lines(format.substr(from, to - from));
  Bytes listed;
  for (std::string line; std::getline(lines, line);) {
    const std::size_t bar = line.find(" |");
    if (line.rfind("    ", 0) != 0 || bar == std::string::npos) continue;
    std::string digits = line.substr(4, bar - 4);
    digits.erase(digits.find_last_not_of(' ') + 1);
    if (digits.empty()) continue;
    const auto bytes = FromHex(digits);
    ASSERT_TRUE(bytes.ok()) << line;
    listed += *bytes;
  }
  EXPECT_EQ(ToHex(listed), ToHex(Decompress(Load(kFolder + "good/example.witness"))));
  bytewitness::Capture capture;
  ASSERT_TRUE(capture.ParseFromString(listed));
  ASSERT_EQ(capture.block_size(), 1);
  EXPECT_EQ(capture.block(0).data(), "AT\r\n\r\nOK\r\n");
  EXPECT_THAT(
      std::vector<std::uint64_t>(capture.block(0).time().begin(), capture.block(0).time().end()),
      ::testing::ElementsAre(1'000'000, 20'500'000, 1'100'000));
  EXPECT_EQ(capture.trailer().events(), 3u);
}

// Every bit of every good file that was closed: verify finds each flip, and no event is read that
// was not there. With the sanitizer one bit of each byte.
TEST(Golden, EverySingleFlippedBitIsFound) {
  constexpr std::size_t kBits = kSanitized ? 1 : 8;
  std::size_t flips = 0;
  for (const auto& entry : std::filesystem::directory_iterator(kFolder + "good")) {
    SCOPED_TRACE(entry.path());
    Bytes file = Load(entry.path());
    if (!VerifyMemory(file)->sound()) continue;
    const ReadBack whole = ReadAllOf(file);
    for (std::size_t at = 0; at < file.size(); ++at) {
      for (std::size_t i = 0; i < kBits; ++i, ++flips) {
        const std::size_t bit = (at + i) % 8;
        file[at] = static_cast<char>(file[at] ^ 1 << bit);
        const auto found = VerifyMemory(file);
        ASSERT_TRUE(!found.ok() || !found->sound()) << "byte " << at << " bit " << bit;
        if (auto reader = CaptureReader::OpenMemory(file); reader.ok()) {
          Event event;
          while ((*reader)->Next(event) == CaptureReader::Outcome::kEvent) {
            if (event.kind == EventKind::kGap && event.gap.reason == GapReason::kDamagedFile) {
              continue;
            }
            const std::uint64_t place = (*reader)->index();
            ASSERT_TRUE(place < whole.events.size() && event == whole.events[place].View())
                << "byte " << at << " bit " << bit << " event " << place;
          }
        }
        file[at] = static_cast<char>(file[at] ^ 1 << bit);
      }
    }
  }
  EXPECT_GT(flips, 2'500u * kBits);
}

}  // namespace
}  // namespace witness
