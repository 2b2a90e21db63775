#include "capture/record/capture_series.h"

#include <algorithm>
#include <cstdio>
#include <filesystem>
#include <utility>

#include "capture/base/text.h"

namespace witness {
namespace {

constexpr Duration kShortest = Duration::Seconds(1);
constexpr std::uint64_t kSmallest = 10'000;

}  // namespace

Result<SplitRule> ParseSplitRule(const std::string& text) {
  SplitRule out;
  if (const Result<std::uint64_t> size = ParseSize(text); size.ok()) {
    if (*size < kSmallest)
      return Status(Code::kInvalidArgument, "'" + text + "' is too small: 10kB at least");
    out.bytes = *size;
    return out;
  }
  const Result<Duration> every = ParseDuration(text);
  if (!every.ok())
    return Status(Code::kInvalidArgument,
                  "'" + text + "' is neither a time nor a size: e.g. 1h or 100MB");
  if (*every < kShortest)
    return Status(Code::kInvalidArgument, "'" + text + "' is too short: 1s at least");
  out.every = *every;
  return out;
}

Result<std::unique_ptr<CaptureSeries>> CaptureSeries::Create(
    const std::string& path, SplitRule rule, const WriterOptions& options,
    std::function<CaptureInfo()> describe) {
  std::unique_ptr<CaptureSeries> out(new CaptureSeries());
  out->wanted_ = path;
  out->rule_ = rule;
  out->options_ = options;
  out->describe_ = std::move(describe);
  if (Status s = out->Next(Instant()); !s.ok()) return s;
  return out;
}

CaptureSeries::~CaptureSeries() { Finish().Ignore(); }

std::string CaptureSeries::PathOf(int number) const {
  if (!rule_.any()) return wanted_;
  const std::filesystem::path path(wanted_);
  char digits[16];
  std::snprintf(digits, sizeof digits, "-%04d", number);
  return (path.parent_path() / (path.stem().string() + digits + path.extension().string()))
      .string();
}

bool CaptureSeries::Due(Instant now, Instant file_began, Instant last_byte) {
  if (!due_since_) {
    bool due = rule_.every && now - file_began >= *rule_.every;
    if (rule_.bytes) {
      std::error_code error;
      const std::uintmax_t size = std::filesystem::file_size(path_, error);
      due = due || (!error && size >= *rule_.bytes);
    }
    if (!due) return false;
    due_since_ = now;
  }
  return now - last_byte >= kGoodSilence || now - *due_since_ >= kPatience;
}

Status CaptureSeries::Next(Instant end) {
  const std::string path = PathOf(files_ + 1);
  Result<std::unique_ptr<CaptureWriter>> next = CaptureWriter::Create(path, describe_(), options_);
  if (!next.ok()) return next.status();
  std::unique_ptr<CaptureWriter> before = std::exchange(writer_, std::move(*next));
  path_ = path;
  ++files_;
  due_since_.reset();
  if (before == nullptr) return OkStatus();
  closing_.push_back(std::async(std::launch::async,
                                [writer = std::move(before), end] { return writer->Close(end); }));
  // Long runs: forget those that are done. A failure is kept for Finish().
  std::erase_if(closing_, [](std::future<Status>& one) {
    if (one.wait_for(std::chrono::seconds(0)) != std::future_status::ready) return false;
    const Status status = one.get();
    if (status.ok()) return true;
    std::promise<Status> kept;
    one = kept.get_future();
    kept.set_value(status);
    return false;
  });
  return OkStatus();
}

Status CaptureSeries::Finish() {
  Status out;
  for (std::future<Status>& one : closing_)
    if (const Status status = one.get(); out.ok()) out = status;
  closing_.clear();
  return out;
}

}  // namespace witness
