// What a trial's JSON report (proto/trial.proto, TrialReport) says, as far as a page shows it.
#pragma once

#include <cstdint>
#include <nlohmann/json_fwd.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "capture/base/result.h"

namespace witness {

// All texts are taken from the file as they are: hostile.
struct TrialResult {
  struct Diagnosis {
    std::string words;
    std::vector<std::string> evidence;
  };
  struct Row {
    std::string name;     // "ending=none"
    std::string verdict;  // "held", "broke", "slow", "no contest", "?"
    std::string why;
    std::int64_t took_ns = 0;
    std::string note;
    bool diverged = false;
    std::int64_t at_ns = 0;
    std::string what, expected, got;
    std::uint64_t command = 0;
    std::vector<Diagnosis> diagnoses;
    std::vector<std::string> smallest;
    std::string reproduce;
    std::string kept;  // path of the conversation's capture; empty: not kept
    int capture = -1;  // its place in ExhibitRequest::captures
  };
  std::string tool, capture, subject, following;
  Row baseline;
  std::vector<Row> rows;

  bool held(const Row& row) const { return row.verdict == "held"; }
};

// `hearing`: which one of a report of several, counted from 1; 0 for a report that has none.
// kInvalidArgument: not a report of trials, or not that many hearings.
Result<TrialResult> ParseTrialResult(std::string_view json, std::size_t hearing = 0);

nlohmann::json TrialToJson(const TrialResult& trial);
Result<TrialResult> TrialFromJson(const nlohmann::json& json);

}  // namespace witness
