#include "capture/commands/recording_plan.h"

#include <filesystem>

#include "capture/base/text.h"

namespace witness {
namespace {

Status Wrong(const std::string& what) { return Status(Code::kInvalidArgument, what); }

// What goes together and what does not.
Status CheckOptions(const RecordOptions& o) {
  if (!o.between && !o.port2.empty())
    return Wrong("two ports: --far " + o.port2 + " listens at both, --between passes on");
  if (!o.between && !o.link.empty()) return Wrong("--link names the port of --between: give both");
  if (!o.between && !o.listen.empty())
    return Wrong("--listen is where a program connects with --between: give both");
  if (o.between && !o.far.empty())
    return Wrong("--far listens at a second port, --between passes on: give one of them");
  if (o.between && int{!o.port2.empty()} + int{!o.listen.empty()} + int{!o.link.empty()} > 1)
    return Wrong("--between has one program's side: a second PORT, --listen or --link");
  for (const std::string& second : {o.port2, o.far}) {
    std::error_code error;
    if (!second.empty() && (second == o.port || std::filesystem::equivalent(second, o.port, error)))
      return Wrong(second + ": both ports are the same one");
  }
  return OkStatus();
}

}  // namespace

Result<RecordingPlan> PlanRecording(const RecordOptions& options) {
  if (Status s = CheckOptions(options); !s.ok()) return s;
  RecordingPlan plan;
  const Result<LineSettings> settings = ToSettings(options.line);
  if (!settings.ok()) return settings.status();
  plan.asked = *settings;
  const auto length = OptionalDuration("--for", options.length);
  if (!length.ok()) return length.status();
  plan.length = *length;
  const auto silent = OptionalDuration("--until-silent", options.until_silent);
  if (!silent.ok()) return silent.status();
  plan.until_silent = *silent;
  if (!options.split_every.empty()) {
    const Result<SplitRule> parsed = ParseSplitRule(options.split_every);
    if (!parsed.ok()) return parsed.status().In("--split-every");
    plan.split = *parsed;
  }
  const Result<std::uint64_t> keep = ParseSize(options.keep_free);
  if (!keep.ok()) return keep.status().In("--keep-free");
  plan.keep_free = *keep;
  plan.writer.replace = options.replace;
  plan.writer.durability = options.durability == "strict"    ? Durability::kStrict
                           : options.durability == "relaxed" ? Durability::kRelaxed
                                                             : Durability::kNormal;
  return plan;
}

}  // namespace witness
