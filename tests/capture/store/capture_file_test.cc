// What is written is read back; and is what FORMAT.md says to anyone who has zstd and protobuf.
#include <gmock/gmock.h>
#include <google/protobuf/io/coded_stream.h>
#include <gtest/gtest.h>
#include <zstd.h>

#include <cstdio>

#include "capture/base/version.h"
#include "proto/capture.pb.h"
#include "tests/support/capture_samples.h"
#include "tests/support/temporary_path.h"

namespace witness {
namespace {

using ::testing::HasSubstr;

// By the library's own means, none of ours.
Bytes Decompress(ByteView file) {
  Bytes out;
  ZSTD_DCtx* context = ZSTD_createDCtx();
  Bytes room(1 << 16, '\0');
  ZSTD_inBuffer in{file.data(), file.size(), 0};
  while (true) {
    ZSTD_outBuffer piece{room.data(), room.size(), 0};
    const std::size_t left = ZSTD_decompressStream(context, &piece, &in);
    EXPECT_FALSE(ZSTD_isError(left)) << ZSTD_getErrorName(left);
    out.append(room.data(), piece.pos);
    if (ZSTD_isError(left) || (in.pos == in.size && piece.pos < piece.size)) break;
  }
  ZSTD_freeDCtx(context);
  return out;
}

bytewitness::Capture Parse(ByteView file) {
  bytewitness::Capture capture;
  EXPECT_TRUE(capture.ParseFromString(Decompress(file)));
  return capture;
}

TEST(CaptureFile, EventsOfEveryKindComeBack) {
  const auto events = EventsOfEveryKind();
  const ReadBack back = ReadAllOf(WriteCapture(events));
  ExpectSameEvents(back.events, events);
  EXPECT_TRUE(back.ending.closed_cleanly) << back.ending.what;
  EXPECT_FALSE(back.ending.damaged);
  EXPECT_EQ(back.ending.events, events.size());
  EXPECT_EQ(back.ending.bytes, 8u + 15 + 6 + 1 + 3);
  EXPECT_EQ(back.ending.end, events.back().at);
  for (std::size_t i = 0; i < back.indices.size(); ++i) EXPECT_EQ(back.indices[i], i);
}

TEST(CaptureFile, InfoComesBack) {
  CaptureInfo want = FullInfo();
  const CaptureInfo got = ReadAllOf(WriteCapture({}, want)).info;
  EXPECT_EQ(got.format_major, kFormatMajor);
  EXPECT_EQ(got.format_minor, kFormatMinor);
  EXPECT_EQ(got.tool, want.tool);
  EXPECT_EQ(got.origin, want.origin);
  EXPECT_EQ(got.began_unix_ns, want.began_unix_ns);
  EXPECT_EQ(got.host_name, want.host_name);
  EXPECT_EQ(got.title, want.title);
  EXPECT_EQ(got.taps, want.taps);
  EXPECT_EQ(got.stamp_uncertainty, want.stamp_uncertainty);
  EXPECT_TRUE(got.virtual_time);
  EXPECT_TRUE(got.redacted);
}

TEST(CaptureFile, AnEmptyCaptureIsClosedCleanly) {
  const ReadBack back = ReadAllOf(WriteCapture({}));
  EXPECT_TRUE(back.events.empty());
  EXPECT_TRUE(back.ending.closed_cleanly) << back.ending.what;
}

TEST(CaptureFile, IsOneCaptureMessageLiveAndClosed) {
  for (const bool closed : {false, true}) {
    const auto capture = Parse(WriteCapture(EventsOfEveryKind(), FullInfo(), closed));
    EXPECT_EQ(capture.header().title(), "butt-watch and Sedge B");
    std::uint64_t events = 0;
    for (const auto& block : capture.block()) events += block.events();
    EXPECT_EQ(events, EventsOfEveryKind().size());
    EXPECT_EQ(capture.has_trailer(), closed);
    if (closed) {
      EXPECT_EQ(capture.trailer().events(), events);
      EXPECT_EQ(capture.trailer().sha256().size(), 32u);
    }
    // The schema knows every field that was written.
    EXPECT_EQ(capture.block(0).GetReflection()->GetUnknownFields(capture.block(0)).field_count(),
              0);
  }
}

TEST(CaptureFile, ALiveFileIsReadToItsLastFlush) {
  Bytes file;
  auto writer = CaptureWriter::Create(OpenMemorySink(file), FullInfo());
  ASSERT_TRUE(writer.ok());
  ASSERT_TRUE((*writer)->Append(BytesEvent(1000, Side::kHost, "AT")).ok());
  EXPECT_EQ((*writer)->NextTick(), Instant::FromNanoseconds(250'001'000));
  ASSERT_TRUE((*writer)->Tick(Instant::FromNanoseconds(250'000'999)).ok());
  EXPECT_EQ(ReadAllOf(file).events.size(), 0u);
  ASSERT_TRUE((*writer)->Tick(Instant::FromNanoseconds(250'001'000)).ok());
  EXPECT_EQ((*writer)->NextTick(), Instant::FromNanoseconds(1'250'001'000)) << "to sync";
  ReadBack back = ReadAllOf(file);
  EXPECT_EQ(back.events.size(), 1u);
  EXPECT_FALSE(back.ending.closed_cleanly);
  EXPECT_FALSE(back.ending.damaged);
  EXPECT_THAT(back.ending.what, HasSubstr("cut off"));
  ASSERT_TRUE((*writer)->Append(BytesEvent(300'000'000, Side::kModule, "OK")).ok());
  ASSERT_TRUE((*writer)->Append(BytesEvent(900'000'000, Side::kHost, "AT")).ok());
  EXPECT_EQ(ReadAllOf(file).events.size(), 2u) << "the flush is due before an event that is later";
}

TEST(CaptureFile, AnUnfinishedHeaderSaysSo) {
  const Bytes file = WriteCapture({});
  EXPECT_THAT(CaptureReader::OpenMemory("").status().message(), HasSubstr("empty"));
  EXPECT_EQ(CaptureReader::OpenMemory("").status().code(), Code::kDamaged);
  EXPECT_THAT(CaptureReader::OpenMemory(ByteView(file).substr(0, 20)).status().message(),
              HasSubstr("header"));
  EXPECT_THAT(CaptureReader::OpenMemory("at_ns,side,hex\n1,host,41\n").status().message(),
              HasSubstr("not a capture"));
}

TEST(CaptureFile, TimesDoNotGoBack) {
  const ReadBack back = ReadAllOf(
      WriteCapture({BytesEvent(500, Side::kHost, "a"), BytesEvent(400, Side::kHost, "b")}));
  ASSERT_EQ(back.events.size(), 2u);
  EXPECT_EQ(back.events[1].event.at.ns(), 500);
}

TEST(CaptureFile, TooLargeEventsAndTimesAreRefused) {
  Bytes file;
  auto writer = CaptureWriter::Create(OpenMemorySink(file), FullInfo());
  const Bytes large((1 << 20) + 1, 'x');
  EXPECT_EQ((*writer)->Append(BytesEvent(1, Side::kHost, large)).code(), Code::kInvalidArgument);
  EXPECT_TRUE((*writer)->Append(BytesEvent(1, Side::kHost, ByteView(large).substr(1))).ok());
  EXPECT_EQ((*writer)->Append(BytesEvent(Instant::Never().ns(), Side::kHost, "x")).code(),
            Code::kInvalidArgument);
  ASSERT_TRUE((*writer)->Close(Instant()).ok());
  const ReadBack back = ReadAllOf(file);
  ASSERT_EQ(back.events.size(), 1u);
  EXPECT_EQ(back.events[0].bytes.size(), std::size_t{1} << 20);
  EXPECT_TRUE(back.ending.closed_cleanly) << back.ending.what;
}

std::vector<Event> ManyEvents(std::size_t count) {
  std::vector<Event> events;
  static constexpr ByteView kSaid[] = {"AT+CHAN?\r\n", "\r\n+CHAN: 11\r\n", "\r\nOK\r\n"};
  for (std::size_t i = 0; i < count; ++i) {
    events.push_back(BytesEvent(static_cast<std::int64_t>(i) * 7'654'321,
                                i % 3 == 0 ? Side::kHost : Side::kModule, kSaid[i % 3]));
  }
  return events;
}

TEST(CaptureFile, ManyFramesComeBack) {
  const auto events = ManyEvents(100'000);
  const ReadBack back = ReadAllOf(WriteCapture(events));
  ExpectSameEvents(back.events, events);
  EXPECT_TRUE(back.ending.closed_cleanly) << back.ending.what;
}

TEST(CaptureFile, CutAtEveryByteKeepsWhatWasFlushed) {
  Bytes file;
  auto writer = CaptureWriter::Create(OpenMemorySink(file), FullInfo());
  const std::size_t header = file.size();
  const auto events = ManyEvents(300);
  std::vector<std::pair<std::size_t, std::size_t>> flushes{{header, 0}};  // file size, events
  for (std::size_t i = 0; i < events.size(); ++i) {
    const std::size_t before = file.size();
    ASSERT_TRUE((*writer)->Append(events[i]).ok());
    if (file.size() > before) flushes.emplace_back(file.size(), i);
  }
  ASSERT_TRUE((*writer)->Close(events.back().at).ok());
  EXPECT_GT(flushes.size(), 5u);
  for (std::size_t size = header; size <= file.size(); ++size) {
    const ReadBack back = ReadAllOf(ByteView(file).substr(0, size));
    std::size_t flushed = 0;
    for (const auto& [at, count] : flushes) {
      if (at <= size) flushed = count;
    }
    ASSERT_GE(back.events.size(), flushed) << "cut at " << size;
    ASSERT_LE(back.events.size(), events.size());
    for (std::size_t i = 0; i < back.events.size(); ++i) {
      ASSERT_TRUE(back.events[i].View() == events[i]) << "cut at " << size << ", event " << i;
    }
    ASSERT_FALSE(back.ending.damaged) << "cut at " << size << ": " << back.ending.what;
  }
}

TEST(CaptureFile, FromAndToLeaveOutTheRest) {
  const auto events = ManyEvents(50'000);
  const Bytes file = WriteCapture(events);
  ReaderOptions options;
  options.from = events[40'000].at;
  options.to = events[40'010].at;
  const ReadBack back = ReadAllOf(file, options);
  ExpectSameEvents(back.events, {events.begin() + 40'000, events.begin() + 40'010});
  EXPECT_EQ(back.indices.front(), 40'000u);
  EXPECT_FALSE(back.ending.complete);
  EXPECT_FALSE(back.ending.damaged) << back.ending.what;
}

TEST(CaptureFile, ExistingFilesAreNotOverwrittenUnasked) {
  const std::string path = TemporaryPath("existing.witness");
  std::remove(path.c_str());
  for (const bool again : {false, true}) {
    auto writer = CaptureWriter::Create(path, FullInfo());
    EXPECT_EQ(writer.ok(), !again);
    if (again) {
      EXPECT_THAT(writer.status().message(), HasSubstr("exists"));
    } else {
      EXPECT_TRUE((*writer)->Close(Instant()).ok());
    }
  }
  WriterOptions options;
  options.replace = true;
  EXPECT_TRUE(CaptureWriter::Create(path, FullInfo(), options).ok());
  std::remove(path.c_str());
}

}  // namespace
}  // namespace witness
