// Files made to hurt: they must be refused or read in bounded memory, in words.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/resource.h>
#include <zstd.h>

#include "capture/base/version.h"
#include "capture/store/crc32c.h"
#include "capture/store/limits.h"
#include "capture/store/messages.h"
#include "capture/store/packer.h"
#include "capture/store/verify.h"
#include "capture/store/wire.h"
#include "proto/capture.pb.h"
#include "tests/support/capture_samples.h"

namespace witness {
namespace {

using ::testing::HasSubstr;

Bytes Frame(ByteView content, int window_log = 17) {
  ZSTD_CCtx* context = ZSTD_createCCtx();
  ZSTD_CCtx_setParameter(context, ZSTD_c_checksumFlag, 1);
  ZSTD_CCtx_setParameter(context, ZSTD_c_contentSizeFlag, 0);
  ZSTD_CCtx_setParameter(context, ZSTD_c_windowLog, window_log);
  Bytes out(ZSTD_compressBound(content.size()), '\0');
  const std::size_t size =
      ZSTD_compress2(context, out.data(), out.size(), content.data(), content.size());
  ZSTD_freeCCtx(context);
  out.resize(size);
  return out;
}

Bytes Field(std::uint32_t number, ByteView content) {
  Bytes out;
  AppendBytesHead(out, number, content.size());
  return out + Bytes(content);
}

Bytes WithCrc(Bytes message) {
  const std::uint32_t crc = Crc32c(message);
  message += '\x7D';
  AppendLittle32(message, crc);
  return message;
}

Bytes HeaderFrame() {
  return Frame(Field(kHeaderField, EncodeHeader(CaptureInfo{}, kFormatMajor, kFormatMinor)));
}

Bytes BlockFrame(const bytewitness::Block& block) {
  return Frame(Field(kBlockField, WithCrc(block.SerializeAsString())));
}

bytewitness::Block OneEvent() {
  bytewitness::Block block;
  block.set_first_event(0);
  block.set_base_ns(0);
  block.set_events(1);
  block.add_run(1 << 4);
  block.add_lane()->set_events(1);
  block.set_data("x");
  block.add_time(1000);
  block.add_size(1);
  return block;
}

std::size_t PeakKilobytes() {
  rusage usage{};
  getrusage(RUSAGE_SELF, &usage);
  return static_cast<std::size_t>(usage.ru_maxrss);
}

TEST(Hostile, WellFormedBlocksByAnotherHandAreRead) {
  const ReadBack back = ReadAllOf(HeaderFrame() + BlockFrame(OneEvent()));
  ASSERT_EQ(back.events.size(), 1u);
  EXPECT_EQ(back.events[0].bytes, "x");
  EXPECT_FALSE(back.ending.damaged) << back.ending.what;
}

// Each breaks one rule of FORMAT.md, with a checksum that agrees.
TEST(Hostile, BlocksThatContradictThemselvesAreRefused) {
  using Spoil = void (*)(bytewitness::Block&);
  const Spoil spoils[] = {
      [](bytewitness::Block& b) { b.set_events(2); },
      [](bytewitness::Block& b) { b.set_events(1u << 31); },
      [](bytewitness::Block& b) { b.set_base_ns(INT64_MAX); },
      [](bytewitness::Block& b) { b.set_base_ns(-5); },
      [](bytewitness::Block& b) { b.clear_base_ns(); },
      [](bytewitness::Block& b) { b.set_first_event(UINT64_MAX); },
      [](bytewitness::Block& b) { b.set_run(0, 0); },
      [](bytewitness::Block& b) { b.set_run(0, 1 << 4 | 3); },
      [](bytewitness::Block& b) { b.set_run(0, 0xFFFFFFFF); },
      [](bytewitness::Block& b) { b.mutable_lane(0)->set_events(0); },
      [](bytewitness::Block& b) { b.mutable_lane(0)->set_events(1u << 30); },
      [](bytewitness::Block& b) { b.mutable_lane(0)->set_time_0("ab"); },
      [](bytewitness::Block& b) { b.mutable_lane(0)->set_size_2("a"); },
      [](bytewitness::Block& b) {
        b.mutable_lane(0)->add_lines(1), b.mutable_lane(0)->add_lines(1);
      },
      [](bytewitness::Block& b) { b.set_time(0, UINT64_MAX); },
      [](bytewitness::Block& b) { b.add_time(3); },
      [](bytewitness::Block& b) { b.set_size(0, 2); },
      [](bytewitness::Block& b) { b.set_size(0, 0xFFFFFFFF); },
      [](bytewitness::Block& b) { b.set_data("xy"); },
      [](bytewitness::Block& b) {
        for (int i = 0; i < 17; ++i) b.add_lane()->set_events(1);
      },
  };
  int number = 0;
  for (const Spoil spoil : spoils) {
    bytewitness::Block block = OneEvent();
    spoil(block);
    const ReadBack back = ReadAllOf(HeaderFrame() + BlockFrame(block));
    EXPECT_TRUE(back.ending.damaged) << "rule " << number;
    for (const OwnedEvent& event : back.events) {
      EXPECT_EQ(event.event.kind, EventKind::kGap) << "rule " << number;
    }
    ++number;
  }
}

TEST(Hostile, UnknownFieldsAndNewerMinorVersionsAreRead) {
  bytewitness::Block block = OneEvent();
  block.GetReflection()->MutableUnknownFields(&block)->AddLengthDelimited(900, "later");
  auto* lane = block.mutable_lane(0);
  lane->GetReflection()->MutableUnknownFields(lane)->AddVarint(99, 7);
  const Bytes header = Frame(Field(kHeaderField, EncodeHeader(CaptureInfo{}, kFormatMajor, 77)));
  const Bytes unknown = Frame(Field(70, "a field that a later version may have"));
  const ReadBack back = ReadAllOf(header + unknown + BlockFrame(block));
  EXPECT_EQ(back.info.format_minor, 77u);
  EXPECT_EQ(back.events.size(), 1u);
  EXPECT_FALSE(back.ending.damaged) << back.ending.what;
}

TEST(Hostile, KindsOfEventsOfALaterMinorVersionArePassedOver) {
  bytewitness::Block block = OneEvent();
  block.set_events(2);
  block.add_run(1 << 4 | 1);
  auto* lane = block.add_lane();
  lane->set_events(1);
  lane->set_kind(static_cast<bytewitness::Kind>(55));
  block.add_time(5);
  block.add_size(0);
  const ReadBack back = ReadAllOf(HeaderFrame() + BlockFrame(block));
  EXPECT_EQ(back.events.size(), 1u);
  EXPECT_FALSE(back.ending.damaged) << back.ending.what;
}

TEST(Hostile, AnotherMajorVersionIsRefusedInWords) {
  const Bytes file = Frame(Field(kHeaderField, EncodeHeader(CaptureInfo{}, kFormatMajor + 1, 0)));
  const auto reader = CaptureReader::OpenMemory(file);
  EXPECT_EQ(reader.status().code(), Code::kUnsupported);
  EXPECT_THAT(reader.status().message(), HasSubstr("capture format 2.0"));
}

TEST(Hostile, BombsStayWithinBounds) {
  const std::size_t before = PeakKilobytes();
  // 3 GiB of zeros, as one frame and as one field that claims to be so long.
  // A zstd block that repeats one byte 128 KiB times and is not the last: RFC 8878 3.1.1.2.
  const std::uint32_t head = (std::uint32_t{128} << 10) << 3 | 1 << 1;
  const Bytes block_of_zeros{static_cast<char>(head & 0xFF), static_cast<char>(head >> 8 & 0xFF),
                             static_cast<char>(head >> 16), '\0'};
  Bytes bomb("\x28\xB5\x2F\xFD\x04\x38", 6);  // checksum, window of 128 KiB
  for (int i = 0; i < 24'000; ++i) bomb += block_of_zeros;
  const Bytes giant_field = Frame("\x12\xFF\xFF\xFF\xFF\x0F" + Bytes(1000, 'x'));
  const Bytes wide_window = Frame(Bytes(100, 'x'), 27);
  // Unknown fields of 1 MiB each, 200 of them.
  Bytes unknown;
  for (int i = 0; i < 200; ++i) unknown += Field(70, Bytes(1 << 20, '\0'));
  for (const Bytes& part : {bomb, giant_field, wide_window, Frame(unknown)}) {
    const ReadBack back = ReadAllOf(HeaderFrame() + part + BlockFrame(OneEvent()));
    EXPECT_TRUE(back.ending.damaged);
    std::size_t kept = 0;
    for (const OwnedEvent& event : back.events) kept += event.event.kind == EventKind::kBytes;
    EXPECT_EQ(kept, 1u) << "what stands behind it is read";
  }
  // The sample itself takes 200 MB and its compressed form.
  EXPECT_LT(PeakKilobytes() - before, 700u << 10);
}

TEST(Hostile, AMillionEventsInAFewBytesAreGivenOneByOne) {
  bytewitness::Block block;
  block.set_first_event(0);
  block.set_base_ns(0);
  block.set_events(1 << 20);
  block.add_run((1 << 20) << 4);
  block.add_lane()->set_events(1 << 20);
  const Bytes file = HeaderFrame() + BlockFrame(block);
  EXPECT_LT(file.size(), 300u);
  auto reader = CaptureReader::OpenMemory(file);
  ASSERT_TRUE(reader.ok());
  Event event;
  std::size_t count = 0;
  while ((*reader)->Next(event) == CaptureReader::Outcome::kEvent) ++count;
  EXPECT_EQ(count, std::size_t{1} << 20);
}

TEST(Hostile, AGiantIndexIsPassedOverUnread) {
  // A skippable frame that ends as an index does, of 60 MiB and full of entries.
  const std::size_t size = std::size_t{60} << 20;
  Bytes index;
  AppendLittle32(index, kIndexMagic);
  AppendLittle32(index, static_cast<std::uint32_t>(size - 8));
  for (const char tag : {'\x0A', '\x12', '\x1A'}) {
    index += tag;
    AppendVarint(index, size / 3 - 20);
    index.append(size / 3 - 20, '\0');
  }
  index.resize(size - kIndexTailBytes, '\0');
  AppendLittle32(index, Crc32c(index));
  AppendLittle32(index, static_cast<std::uint32_t>(size));
  index += Bytes("BWINDEX\x01", 8);
  const Bytes file = HeaderFrame() + BlockFrame(OneEvent()) + index;
  ASSERT_EQ(IndexSizeFromTail(ByteView(file).substr(file.size() - kIndexTailBytes)), size);
  const std::size_t before = PeakKilobytes();
  ReaderOptions options;
  options.from = Instant::FromNanoseconds(1);
  const ReadBack back = ReadAllOf(file, options);
  EXPECT_EQ(back.events.size(), 1u);
  EXPECT_LT(PeakKilobytes() - before, 40u << 10);
}

TEST(Hostile, AnIndexOfVeryManyFramesIsThinnedOutAndStillLeads) {
  Bytes file;
  const auto sink = OpenMemorySink(file);
  PackSettings settings;
  settings.level = 1;
  settings.window_log = 10;
  settings.block_bytes = 1;
  settings.frame_bytes = 1;
  auto packer = Packer::Create(*sink, CaptureInfo{}, settings);
  ASSERT_TRUE(packer.ok());
  const std::int64_t count = 2 * static_cast<std::int64_t>(kMaxIndexEntries) + 77;
  for (std::int64_t i = 0; i < count; ++i) {
    ASSERT_TRUE((*packer)->Add(BytesEvent(i * 1000, Side::kHost, "x")).ok());
  }
  ASSERT_TRUE((*packer)->Finish(Instant::FromNanoseconds(count * 1000)).ok());
  const std::size_t size = IndexSizeFromTail(ByteView(file).substr(file.size() - kIndexTailBytes));
  const auto index = DecodeIndex(ByteView(file).substr(file.size() - size), file.size() - size);
  ASSERT_TRUE(index.ok());
  EXPECT_LT(index->frames.size(), kMaxIndexEntries);
  EXPECT_GE(index->frames.size(), kMaxIndexEntries / 2);
  EXPECT_EQ(index->events, static_cast<std::uint64_t>(count));
  for (const std::int64_t from : {std::int64_t{1}, count / 2 + 1, count - 3}) {
    ReaderOptions options;
    options.from = Instant::FromNanoseconds(from * 1000);
    const ReadBack back = ReadAllOf(file, options);
    ASSERT_EQ(back.events.size(), static_cast<std::size_t>(count - from));
    EXPECT_EQ(back.indices.front(), static_cast<std::uint64_t>(from));
    EXPECT_FALSE(back.ending.damaged) << back.ending.what;
  }
  const auto verified = VerifyMemory(file);
  ASSERT_TRUE(verified.ok());
  EXPECT_TRUE(verified->ending.closed_cleanly) << verified->ending.what;
}

TEST(Hostile, ALongRunOfFrameStartsTakesNoTimeToSpeakOf) {
  Bytes file = HeaderFrame();
  for (int i = 0; i < 20'000; ++i) file += Bytes("\x28\xB5\x2F\xFD", 4);
  const ReadBack back = ReadAllOf(file);
  EXPECT_TRUE(back.ending.damaged || !back.ending.closed_cleanly);
}

}  // namespace
}  // namespace witness
