// What is lost when a recorder is killed, when a disk fills up, and when syncing fails.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <poll.h>
#include <sys/mman.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <atomic>
#include <csignal>
#include <filesystem>
#include <random>

#include "capture/base/clock.h"
#include "capture/store/background_sync.h"
#include "capture/store/compact.h"
#include "capture/store/messages.h"
#include "capture/store/packer.h"
#include "capture/store/verify.h"
#include "tests/support/capture_samples.h"
#include "tests/support/temporary_path.h"

namespace witness {
namespace {

std::string Path(const std::string& name) { return TemporaryPath("durability_" + name); }

// The n-th event of a stream that can be checked byte by byte.
Bytes KnownBytes(std::uint64_t n) {
  Bytes bytes = "+LEVEL: " + std::to_string(n * 2654435761u % 1000) + "\r\n";
  bytes += static_cast<char>(n);
  return bytes;
}

struct Progress {
  std::atomic<std::int64_t> now_ns;
  std::atomic<std::uint64_t> events;
};

// Never returns. Before each turn of the loop it says how far it has come by when.
[[noreturn]] void RecordForEver(const std::string& path, Progress* progress, std::size_t slots) {
  MonotonicClock clock;
  auto writer = CaptureWriter::Create(path, CaptureInfo{});
  if (!writer.ok()) ::_exit(3);
  std::uint64_t n = 0;
  for (std::size_t turn = 0; turn < slots; ++turn) {
    const Instant now = clock.Now();
    if (!(*writer)->Tick(now).ok()) ::_exit(3);
    progress[turn].events = n;
    progress[turn].now_ns = now.ns();
    for (int i = 0; i < 5; ++i, ++n) {
      const Bytes bytes = KnownBytes(n);
      if (!(*writer)->Append(BytesEvent(now.ns(), Side::kModule, bytes)).ok()) ::_exit(3);
    }
    ::poll(nullptr, 0, 1);
  }
  ::_exit(4);
}

TEST(Durability, AKilledRecorderLosesNoMoreThanTheLastFlush) {
  constexpr std::size_t kSlots = 20'000;
  constexpr int kRounds = 100;
  constexpr int kAtOnce = 20;
  const std::size_t size = kSlots * sizeof(Progress);
  std::mt19937 random(5);
  int checked = 0;
  for (int round = 0; round < kRounds; round += kAtOnce) {
    std::vector<pid_t> children;
    std::vector<Progress*> progress;
    for (int i = 0; i < kAtOnce; ++i) {
      void* shared =
          ::mmap(nullptr, size, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
      ASSERT_NE(shared, MAP_FAILED);
      progress.push_back(static_cast<Progress*>(shared));
      const std::string path = Path(std::to_string(i));
      std::remove(path.c_str());
      const pid_t child = ::fork();
      if (child == 0) RecordForEver(path, progress.back(), kSlots);
      children.push_back(child);
    }
    for (int i = 0; i < kAtOnce; ++i) {
      ::poll(nullptr, 0, static_cast<int>(random() % 120));
      ::kill(children[static_cast<std::size_t>(i)], SIGKILL);
    }
    for (std::size_t i = 0; i < children.size(); ++i) {
      int status = 0;
      ASSERT_EQ(::waitpid(children[i], &status, 0), children[i]);
      ASSERT_TRUE(WIFSIGNALED(status));
      // The last turn whose Tick was done, and what had been appended 250 ms before it.
      std::size_t last = 0;
      while (last + 1 < kSlots && progress[i][last + 1].now_ns > 0) ++last;
      std::uint64_t promised = 0;
      for (std::size_t turn = 0; turn <= last; ++turn) {
        if (progress[i][turn].now_ns <= progress[i][last].now_ns - 250'000'000) {
          promised = progress[i][turn].events;
        }
      }
      const std::string path = Path(std::to_string(i));
      auto reader = CaptureReader::Open(path);
      if (last > 0) {
        ASSERT_TRUE(reader.ok()) << reader.status().message();
      }
      if (reader.ok()) {
        Event event;
        std::uint64_t n = 0;
        while ((*reader)->Next(event) == CaptureReader::Outcome::kEvent) {
          ASSERT_EQ(event.bytes, KnownBytes(n)) << "a wrong byte";
          ++n;
        }
        EXPECT_GE(n, promised);
        EXPECT_FALSE((*reader)->ending().damaged) << (*reader)->ending().what;
        EXPECT_FALSE((*reader)->ending().closed_cleanly);
        ++checked;
      }
      std::remove(path.c_str());
      ::munmap(progress[i], size);
    }
  }
  EXPECT_GT(checked, kRounds / 2);
}

class FailingSync : public Sink {
 public:
  Status Write(ByteView) override { return OkStatus(); }
  Status Sync() override {
    ++syncs;
    return fails ? Status(Code::kIo, "the disk is gone") : OkStatus();
  }
  Status Close() override { return OkStatus(); }
  std::atomic<int> syncs = 0;
  bool fails = false;
};

TEST(Durability, RequestsAreSyncedAndFailuresKept) {
  FailingSync sink;
  {
    BackgroundSync sync(sink);
    sync.Request();
    while (sink.syncs == 0) std::this_thread::yield();
    EXPECT_TRUE(sync.status().ok());
    sink.fails = true;
    sync.Request();
    while (sync.status().ok()) std::this_thread::yield();
    sync.Stop();
    EXPECT_EQ(sync.status().code(), Code::kIo);
  }
  EXPECT_EQ(sink.syncs, 2);
}

// Files may not grow beyond `bytes` while this lives: a disk that is full.
class FullDisk {
 public:
  explicit FullDisk(std::uint64_t bytes) {
    ::getrlimit(RLIMIT_FSIZE, &before_);
    handler_ = std::signal(SIGXFSZ, SIG_IGN);
    rlimit limit = before_;
    limit.rlim_cur = bytes;
    ::setrlimit(RLIMIT_FSIZE, &limit);
  }
  ~FullDisk() {
    ::setrlimit(RLIMIT_FSIZE, &before_);
    std::signal(SIGXFSZ, handler_);
  }
  FullDisk(const FullDisk&) = delete;
  FullDisk& operator=(const FullDisk&) = delete;

 private:
  rlimit before_{};
  void (*handler_)(int) = nullptr;
};

std::vector<Event> NoisyEvents(Bytes& storage) {
  std::mt19937 random(3);
  storage.resize(400'000);
  for (char& c : storage) c = static_cast<char>(random());
  std::vector<Event> events;
  for (std::size_t at = 0; at < storage.size(); at += 100) {
    events.push_back(BytesEvent(static_cast<std::int64_t>(at) * 10'000, Side::kModule,
                                ByteView(storage).substr(at, 100)));
  }
  return events;
}

TEST(Durability, AFullDiskWhileRecordingKeepsWhatWasWrittenAndSaysSo) {
  const std::string path = Path("full");
  std::remove(path.c_str());
  Bytes storage;
  const auto events = NoisyEvents(storage);
  Status failed;
  {
    const FullDisk disk(150'000);
    auto writer = CaptureWriter::Create(path, CaptureInfo{});
    ASSERT_TRUE(writer.ok());
    for (const Event& event : events) {
      failed = (*writer)->Append(event);
      if (!failed.ok()) break;
    }
    EXPECT_FALSE((*writer)->Close(events.back().at).ok());
  }
  EXPECT_EQ(failed.code(), Code::kIo);
  EXPECT_THAT(failed.message(), ::testing::HasSubstr(path));
  auto reader = CaptureReader::Open(path);
  ASSERT_TRUE(reader.ok());
  const ReadBack back = ReadAll(**reader);
  EXPECT_GT(back.events.size(), 1000u);
  for (std::size_t i = 0; i < back.events.size(); ++i) {
    ASSERT_TRUE(back.events[i].View() == events[i]);
  }
  std::remove(path.c_str());
}

TEST(Durability, AFullDiskWhileCompactingLeavesTheLiveFileWhole) {
  const std::string path = Path("compact");
  std::remove(path.c_str());
  Bytes storage;
  const auto events = NoisyEvents(storage);
  WriterOptions options;
  options.compact_on_close = false;
  auto writer = CaptureWriter::Create(path, FullInfo(), options);
  for (const Event& event : events) ASSERT_TRUE((*writer)->Append(event).ok());
  ASSERT_TRUE((*writer)->Close(events.back().at).ok());
  {
    const FullDisk disk(150'000);
    const Status status = CompactFile(path, PackSettings::Everyday());
    EXPECT_EQ(status.code(), Code::kIo);
    EXPECT_THAT(status.message(), ::testing::HasSubstr("left as it was"));
  }
  EXPECT_TRUE(VerifyFile(path)->sound());
  EXPECT_FALSE(std::filesystem::exists(path + ".compacting"));
  EXPECT_EQ(VerifyFile(path)->ending.events, events.size());
  std::remove(path.c_str());
}

TEST(Durability, ClosingCompactsAndKeepsEveryEventAndTheMode) {
  const std::string path = Path("close");
  std::remove(path.c_str());
  auto writer = CaptureWriter::Create(path, FullInfo());
  std::vector<Event> events;
  for (int i = 0; i < 5000; ++i) {
    events.push_back(
        BytesEvent(i * 300'000'000ll, i % 2 == 0 ? Side::kHost : Side::kModule, "AT\r"));
    ASSERT_TRUE((*writer)->Append(events.back()).ok());
  }
  ASSERT_EQ(::chmod(path.c_str(), 0640), 0);
  const auto live_size = std::filesystem::file_size(path);
  ASSERT_TRUE((*writer)->Close(events.back().at).ok());
  EXPECT_LT(std::filesystem::file_size(path), live_size / 2);
  struct stat facts {};
  ASSERT_EQ(::stat(path.c_str(), &facts), 0);
  EXPECT_EQ(facts.st_mode & 07777, 0640u);
  const auto found = VerifyFile(path);
  ASSERT_TRUE(found.ok());
  EXPECT_TRUE(found->sound()) << found->ending.what;
  EXPECT_TRUE(CompactFile(path, PackSettings::Best()).ok());
  auto reader = CaptureReader::Open(path);
  ExpectSameEvents(ReadAll(**reader).events, events);
  std::remove(path.c_str());
}

TEST(Durability, DamagedFilesAreNotCompacted) {
  const std::string path = Path("damaged");
  Bytes file = WriteCapture(EventsOfEveryKind());
  file[file.size() / 2] = static_cast<char>(file[file.size() / 2] ^ 1);
  auto sink = OpenFileSink(path, true);
  ASSERT_TRUE((*sink)->Write(file).ok());
  ASSERT_TRUE((*sink)->Close().ok());
  EXPECT_EQ(CompactFile(path, PackSettings::Everyday()).code(), Code::kDamaged);
  EXPECT_EQ(std::filesystem::file_size(path), file.size());
  std::remove(path.c_str());
}

TEST(Jump, WithoutAnIndexTheFramesAreWalked) {
  std::vector<Event> events;
  for (int i = 0; i < 60'000; ++i) {
    events.push_back(
        BytesEvent(i * 7'654'321ll, i % 2 == 0 ? Side::kHost : Side::kModule, "AT+X\r\n"));
  }
  for (const bool closed : {true, false}) {
    Bytes file = WriteCapture(events, FullInfo(), closed);
    for (const std::size_t spoilt : {file.size(), file.size() - 20}) {
      if (spoilt < file.size()) file[spoilt] = static_cast<char>(file[spoilt] ^ 1);
      ReaderOptions options;
      options.from = events[45'000].at;
      options.to = events[45'100].at;
      const ReadBack back = ReadAllOf(file, options);
      ExpectSameEvents(back.events, {events.begin() + 45'000, events.begin() + 45'100});
      EXPECT_FALSE(back.ending.complete) << "it was jumped";
      EXPECT_EQ(back.indices.front(), 45'000u);
    }
  }
}

// Reads 100 events with a jump, by an index that was changed by `lie`.
template <typename Lie>
ReadBack ReadByALyingIndex(Bytes file, const std::vector<Event>& events, std::size_t from,
                           Lie lie) {
  const std::size_t size = IndexSizeFromTail(ByteView(file).substr(file.size() - kIndexTailBytes));
  const std::size_t at = file.size() - size;
  auto index = DecodeIndex(ByteView(file).substr(at), at);
  EXPECT_TRUE(index.ok());
  lie(*index);
  file.resize(at);
  file += EncodeIndex(*index);
  ReaderOptions options;
  options.from = events[from].at;
  options.to = events[from + 100].at;
  return ReadAllOf(file, options);
}

TEST(Jump, AnIndexThatLiesIsNotBelieved) {
  std::vector<Event> events;
  Bytes file;
  const auto sink = OpenMemorySink(file);
  PackSettings settings;
  settings.block_bytes = 20'000;
  settings.frame_bytes = 40'000;
  auto packer = Packer::Create(*sink, FullInfo(), settings);
  ASSERT_TRUE(packer.ok());
  for (int i = 0; i < 60'000; ++i) {
    events.push_back(BytesEvent(i * 7'654'321ll, Side::kHost, "AT+X\r\n"));
    ASSERT_TRUE((*packer)->Add(events.back()).ok());
  }
  ASSERT_TRUE((*packer)->Finish(events.back().at).ok());
  const auto earlier_event = [](IndexFacts& facts) {
    for (std::size_t i = 1; i < facts.frames.size(); ++i) --facts.frames[i].first_event;
  };
  const auto earlier_time = [](IndexFacts& facts) {
    for (std::size_t i = 1; i < facts.frames.size(); ++i) --facts.frames[i].base_ns;
  };
  const auto other_place = [](IndexFacts& facts) {
    for (std::size_t i = 1; i < facts.frames.size(); ++i) facts.frames[i].offset += 100;
  };
  const auto other_frame = [](IndexFacts& facts) {
    for (std::size_t i = 0; i + 1 < facts.frames.size(); ++i) {
      facts.frames[i].offset = facts.frames[i + 1].offset;
    }
  };
  for (const std::size_t from : {std::size_t{50}, std::size_t{45'000}}) {
    const auto expect = [&](const ReadBack& back) {
      ExpectSameEvents(back.events, {events.begin() + static_cast<std::ptrdiff_t>(from),
                                     events.begin() + static_cast<std::ptrdiff_t>(from) + 100});
      EXPECT_EQ(back.indices.front(), from);
      EXPECT_FALSE(back.ending.damaged) << back.ending.what;
    };
    expect(ReadByALyingIndex(file, events, from, [](IndexFacts&) {}));
    expect(ReadByALyingIndex(file, events, from, earlier_event));
    expect(ReadByALyingIndex(file, events, from, earlier_time));
    expect(ReadByALyingIndex(file, events, from, other_place));
    expect(ReadByALyingIndex(file, events, from, other_frame));
  }
}

TEST(Jump, WhereTheOnlyFrameIsDamagedReadingBeginsAtTheStart) {
  std::vector<Event> events;
  for (int i = 0; i < 300; ++i) events.push_back(BytesEvent(i * 1000, Side::kHost, "AT\r"));
  Bytes file = WriteCapture(events, FullInfo(), true);
  const std::size_t size = IndexSizeFromTail(ByteView(file).substr(file.size() - kIndexTailBytes));
  const auto index = DecodeIndex(ByteView(file).substr(file.size() - size), file.size() - size);
  ASSERT_TRUE(index.ok());
  ASSERT_EQ(index->frames.size(), 1u);
  char& spoilt = file[index->frames[0].offset + 12];
  spoilt = static_cast<char>(spoilt ^ 0x55);
  ReaderOptions options;
  options.from = events[100].at;
  const ReadBack back = ReadAllOf(file, options);
  EXPECT_TRUE(back.ending.damaged);
  EXPECT_EQ(back.ending.what.find("second header"), std::string::npos) << back.ending.what;
  EXPECT_EQ(back.info.title, FullInfo().title);
}

}  // namespace
}  // namespace witness
