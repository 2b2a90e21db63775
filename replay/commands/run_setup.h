// What a person asked of `bytetrial run`, made ready: command line and plan in one, the subject,
// the combinations. Only for run*.cc.
#pragma once

#include <cstdint>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "replay/judge/request.h"
#include "replay/subject/subject.h"

namespace trial {

struct RunOptions {
  std::string file;
  RunRequest request;
  std::vector<std::string> tries;
  bool pairs = false;
  bool all = false;
  bool standard_streams = false;
  bool tcp = false;
  std::string as = "module";
  std::uint32_t baud = 0;
  std::string within;
  std::string run_for;
  std::optional<int> exit;
  std::map<std::string, std::string> sketch_settings;
  std::string shard;
  std::string shrink = "first";
  std::string junit;
  std::string json;
  std::string keep;
  std::size_t broken = 0;  // saved plans so far
};

// Command line and plan in one, a request for each hearing; what the command line says comes first.
witness::Result<std::vector<RunRequest>> Requests(const RunOptions& options);

witness::Result<std::unique_ptr<Subject>> MakeSubject(const RunRequest& request);

// "2/5" is the second of five; else as continuous integration says it in the environment.
witness::Status ReadShard(const std::string& text, std::size_t& shard, std::size_t& shards);

witness::Result<std::vector<Combination>> PlanOf(const RunRequest& request, const Part& part);

// Only a sketch has a wire whose bits can be put wrong.
witness::Status CheckWire(const RunRequest& request, const std::vector<Combination>& plan);

}  // namespace trial
