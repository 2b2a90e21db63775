// One recording in one file, or in a series of files for long runs: each is a capture of its own,
// with its own header and times that begin anew.
//
// The file before is closed (and rewritten small) on a thread of its own, so that recording goes
// on.
#pragma once

#include <functional>
#include <future>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "capture/store/capture_writer.h"

namespace witness {

// When to begin the next file; neither: never.
struct SplitRule {
  std::optional<Duration> every;
  std::optional<std::uint64_t> bytes;  // of the file on disk
  bool any() const { return every || bytes; }
};

// "1h" or "100MB".
Result<SplitRule> ParseSplitRule(const std::string& text);

class CaptureSeries {
 public:
  // A silence of so long is a good place to cut; without one it is cut kPatience after it was due.
  static constexpr Duration kGoodSilence = Duration::Milliseconds(50);
  static constexpr Duration kPatience = Duration::Seconds(2);

  // `describe` makes each file's header when that file begins. With a rule "talk.witness" becomes
  // "talk-0001.witness" and so on.
  static Result<std::unique_ptr<CaptureSeries>> Create(const std::string& path, SplitRule rule,
                                                       const WriterOptions& options,
                                                       std::function<CaptureInfo()> describe);
  ~CaptureSeries();

  CaptureWriter& writer() { return *writer_; }
  const std::string& path() const { return path_; }  // of the file that is being written
  int files() const { return files_; }

  // Whether the next file should begin now. `file_began`, `last_byte`: on the caller's clock, as
  // `now` is. Looks at the file's size.
  bool Due(Instant now, Instant file_began, Instant last_byte);

  // Begins the next file; writer() is the new one then. The one before is closed with `end`, its
  // length. On an error the old one stays.
  Status Next(Instant end);

  // Waits for the files before; their first failure. The last one is the caller's to close.
  Status Finish();

 private:
  CaptureSeries() = default;
  std::string PathOf(int number) const;

  std::string wanted_;
  SplitRule rule_;
  WriterOptions options_;
  std::function<CaptureInfo()> describe_;
  std::unique_ptr<CaptureWriter> writer_;
  std::string path_;
  int files_ = 0;
  std::optional<Instant> due_since_;
  std::vector<std::future<Status>> closing_;
};

}  // namespace witness
