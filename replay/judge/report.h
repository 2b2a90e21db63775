// What came of the trials, for people and for machines. All reports are made from trial.proto's
// TrialReport, so that one that was merged from several machines looks like any other.
#pragma once

#include <functional>
#include <string>
#include <string_view>
#include <vector>

#include "capture/base/result.h"
#include "proto/trial.pb.h"
#include "replay/judge/trials.h"

namespace trial {

// What a report says besides the outcome.
struct ReportSetup {
  std::string capture;  // as named by the person
  std::string subject;
  std::uint64_t seed = 1;
  std::size_t planned = 0;  // trials in the whole plan, all shards
  std::size_t shard = 0;
  std::size_t shards = 1;
  // Gives the command line that runs one combination again.
  std::function<std::string(const Combination& combination)> reproduce;
};

void FillReport(const TrialsOutcome& outcome, const ReportSetup& setup,
                bytewitness::TrialReport& report);

// One line a trial, then the failures with first divergence, diagnosis and reproduction.
std::string TerminalReport(const bytewitness::TrialReport& report, bool colour);

// One test case a trial; a slow or broken one is a failure, no contest an error.
std::string JUnitReport(const bytewitness::TrialReport& report);

// The message in protobuf's JSON mapping, and back.
std::string JsonReport(const bytewitness::TrialReport& report);
witness::Status ParseJsonReport(std::string_view text, bytewitness::TrialReport& report);

// One report from those of all shards of one plan. kInvalidArgument: they are of different plans,
// or a trial is missing or there twice; says which.
witness::Status MergeReports(const std::vector<bytewitness::TrialReport>& shards,
                             bytewitness::TrialReport& merged);

// The baseline and every trial held.
bool AllHeld(const bytewitness::TrialReport& report);

}  // namespace trial
