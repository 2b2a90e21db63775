// All that a person may ask of `bytetrial run`, from the command line or from a trial plan
// (textproto of trial.proto's TrialPlan); saved plans of what broke are written from it too.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "capture/base/result.h"
#include "replay/judge/verdict.h"
#include "replay/part/part.h"
#include "replay/subject/line_end.h"
#include "replay/vary/plan.h"

namespace trial {

struct RunRequest {
  std::string capture;       // or a part as textproto
  std::optional<Part> part;  // in place of `capture`
  std::string with;
  std::vector<std::string> vary;                // "ending=none,crlf"
  std::vector<std::vector<std::string>> tries;  // in place of `vary`: combinations by name
  Combine combine = Combine::kOneAtATime;
  std::uint32_t random = 0;
  std::uint64_t seed = 1;

  std::vector<std::string> program;
  Link link = Link::kPty;
  std::string port;
  bool reset_by_dtr = false;
  std::string watch;
  bool as_host = false;
  std::string sketch;
  std::map<std::string, std::string> sketch_settings;

  Demands demands;
  Duration run_for;  // a program that runs for ever is watched for so long; zero: as recorded
  std::uint32_t repeat = 1;
  int jobs = 0;  // 0: as the machine can bear
};

// True if the text is meant as a plan and not as a part.
bool LooksLikePlan(std::string_view text);

// One request for each hearing of the plan, or one for a plan without. Relative paths in it are
// taken from the plan's folder. Errors name path, line and column.
witness::Result<std::vector<RunRequest>> LoadPlan(const std::string& path);
// An existing file is replaced only if it is a plan that we saved. Paths are written absolute.
witness::Status SavePlan(const RunRequest& request, const std::string& comment,
                         const std::string& path);

}  // namespace trial
