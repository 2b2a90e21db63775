#include "replay/judge/request.h"

#include <algorithm>
#include <filesystem>
#include <functional>

#include "capture/base/text.h"
#include "proto/trial.pb.h"
#include "replay/part/message_text.h"
#include "replay/part/part_message.h"
#include "replay/part/part_text.h"

namespace trial {
namespace {

using bytewitness::TrialPlan;
using witness::Code;
using witness::Result;
using witness::Status;

constexpr char kSavedBy[] = "# Saved by bytetrial";

std::string Beside(const std::string& plan, const std::string& path) {
  if (path.empty() || path[0] == '/') return path;
  return (std::filesystem::path(plan).parent_path() / path).string();
}

std::string Absolute(const std::string& path) {
  if (path.empty()) return path;
  std::error_code error;
  const auto absolute = std::filesystem::absolute(path, error);
  return error ? path : absolute.lexically_normal().string();
}

using Complain = std::function<void(const google::protobuf::Message& message,
                                    const std::string& field, int index, const std::string& what)>;

bool SaysReplies(const TrialPlan& plan) {
  return !plan.capture().empty() || !plan.part_file().empty() || plan.has_part();
}
bool SaysWho(const TrialPlan& plan) {
  return plan.has_program() || plan.has_port() || plan.has_sketch();
}
bool SaysWhat(const TrialPlan& plan) {
  return !plan.vary().empty() || !plan.try_().empty() ||
         plan.combine() != TrialPlan::COMBINE_UNSPECIFIED || plan.random() != 0;
}

void ReadReplies(const TrialPlan& plan, const std::string& path, const Complain& complain,
                 RunRequest& request) {
  const int given = (plan.capture().empty() ? 0 : 1) + (plan.part_file().empty() ? 0 : 1) +
                    (plan.has_part() ? 1 : 0);
  if (given != 1)
    complain(plan, "capture", -1, "give exactly one of capture:, part_file: and part");
  request.capture = Beside(path, plan.capture().empty() ? plan.part_file() : plan.capture());
  if (plan.has_part()) request.part = PartFromMessage(plan.part(), complain);
}

void ReadWhat(const TrialPlan& plan, const Complain& complain, RunRequest& request) {
  for (const auto& vary : plan.vary()) {
    std::string text_form = vary.factor();
    for (int i = 0; i < vary.level_size(); ++i) text_form += (i == 0 ? "=" : ",") + vary.level(i);
    std::vector<FactorLevels> wishes;
    if (Status status = AddWish(text_form, Part(), wishes); !status.ok())
      complain(vary, "factor", -1, status.message());
    request.vary.push_back(text_form);
  }
  for (const auto& one : plan.try_()) {
    std::vector<std::string> names;
    for (int i = 0; i < one.variation_size(); ++i) {
      const auto variation = ParseVariation(one.variation(i));
      if (!variation.ok()) complain(one, "variation", i, variation.status().message());
      names.push_back(one.variation(i));
    }
    request.tries.push_back(std::move(names));
  }
  if (!bytewitness::TrialPlan_Combine_IsValid(plan.combine()))
    complain(plan, "combine", -1, "unknown value");
  else if (plan.combine() != TrialPlan::COMBINE_UNSPECIFIED)
    request.combine = static_cast<Combine>(plan.combine());
  request.random = plan.random();
  if (request.combine == Combine::kRandom && request.random == 0)
    complain(plan, "combine", -1, "say how many with random:");
}

void ReadWho(const TrialPlan& plan, const std::string& path, const Complain& complain,
             RunRequest& request) {
  if (plan.has_program() + plan.has_port() + plan.has_sketch() != 1)
    complain(plan, "program", -1, "give exactly one of program, port and sketch");
  for (const std::string& argument : plan.program().argument()) request.program.push_back(argument);
  if (plan.has_program() && request.program.empty())
    complain(plan.program(), "argument", -1, "name the program");
  if (!bytewitness::TrialPlan_Program_Link_IsValid(plan.program().link()))
    complain(plan.program(), "link", -1, "unknown value");
  else if (plan.program().link() != TrialPlan::Program::LINK_UNSPECIFIED)
    request.link = static_cast<Link>(plan.program().link());
  request.port = plan.port().name();
  if (plan.has_port() && request.port.empty()) complain(plan.port(), "name", -1, "name the port");
  request.reset_by_dtr = plan.port().reset_by_dtr();
  request.watch = plan.port().watch();
  request.as_host = plan.port().as_host();
  request.sketch = Beside(path, plan.sketch().elf());
  if (plan.has_sketch() && request.sketch.empty())
    complain(plan.sketch(), "elf", -1, "name the sketch's file");
  for (const auto& [key, value] : plan.sketch().setting()) request.sketch_settings[key] = value;
}

void ReadDemands(const TrialPlan::Demands& demands, const Complain& complain, RunRequest& request) {
  request.demands.ignore.assign(demands.ignore().begin(), demands.ignore().end());
  request.demands.must_say.assign(demands.must_say().begin(), demands.must_say().end());
  request.demands.must_not_say.assign(demands.must_not_say().begin(), demands.must_not_say().end());
  if (demands.has_exit()) request.demands.exit = demands.exit();
  if (demands.within().empty()) return;
  const auto within = witness::ParseDuration(demands.within());
  request.demands.within_given = true;
  if (within.ok())
    request.demands.within = *within;
  else
    complain(demands, "within", -1, within.status().message());
}

// `plan`, and where it says nothing `around` (a plan without hearings is its own).
RunRequest ReadRequest(const TrialPlan& plan, const TrialPlan& around, const std::string& path,
                       const Complain& complain) {
  RunRequest request;
  ReadReplies(SaysReplies(plan) ? plan : around, path, complain, request);
  request.with = Beside(path, plan.with().empty() ? around.with() : plan.with());
  ReadWhat(SaysWhat(plan) ? plan : around, complain, request);
  ReadWho(SaysWho(plan) ? plan : around, path, complain, request);
  ReadDemands(plan.has_demands() ? plan.demands() : around.demands(), complain, request);
  const auto number = [&](auto field) {
    return (plan.*field)() != 0 ? (plan.*field)() : (around.*field)();
  };
  if (const auto seed = number(&TrialPlan::seed); seed != 0) request.seed = seed;
  if (const auto repeat = number(&TrialPlan::repeat); repeat != 0) request.repeat = repeat;
  const std::string& run_for = plan.run_for().empty() ? around.run_for() : plan.run_for();
  if (const auto length = witness::ParseDuration(run_for); length.ok())
    request.run_for = *length;
  else if (!run_for.empty())
    complain(plan, "run_for", -1, length.status().message());
  request.jobs = static_cast<int>(std::min(number(&TrialPlan::jobs), 1024u));
  return request;
}

}  // namespace

bool LooksLikePlan(std::string_view text) {
  if (text.find("bytewitness.TrialPlan") != std::string_view::npos) return true;
  if (text.find("bytewitness.Part") != std::string_view::npos) return false;
  constexpr std::string_view kFields[] = {"capture:", "part_file:", "program", "vary",
                                          "try",      "combine:",   "demands", "hearing"};
  for (std::size_t at = 0; at < text.size();) {
    const std::size_t end = std::min(text.find('\n', at), text.size());
    std::string_view line = text.substr(at, end - at);
    line.remove_prefix(std::min(line.find_first_not_of(" \t"), line.size()));
    for (const std::string_view field : kFields)
      if (line.starts_with(field)) return true;
    at = end + 1;
  }
  return false;
}

Result<std::vector<RunRequest>> LoadPlan(const std::string& path) {
  auto text = ReadTextFile(path);
  if (!text.ok()) return text.status();
  TrialPlan plan;
  TextPlaces places;
  if (Status status = ReadText(*text, plan, places); !status.ok()) return status.In(path);
  Status first;
  const Complain complain = places.Complaints(plan, first);
  std::vector<RunRequest> requests;
  if (plan.hearing().empty()) requests.push_back(ReadRequest(plan, plan, path, complain));
  for (const TrialPlan& hearing : plan.hearing()) {
    if (!hearing.hearing().empty()) complain(hearing, "hearing", 0, "a hearing has no hearings");
    requests.push_back(ReadRequest(hearing, plan, path, complain));
  }
  if (!first.ok()) return first.In(path);
  return requests;
}

Status SavePlan(const RunRequest& request, const std::string& comment, const std::string& path) {
  TrialPlan plan;
  if (request.part)
    PartToMessage(*request.part, *plan.mutable_part());
  else
    plan.set_capture(Absolute(request.capture));
  plan.set_with(Absolute(request.with));
  for (const std::string& text : request.vary) {
    auto& vary = *plan.add_vary();
    const auto equals = text.find('=');
    vary.set_factor(text.substr(0, equals));
    for (std::size_t at = equals; at != std::string::npos;) {
      const auto comma = text.find(',', at + 1);
      vary.add_level(text.substr(at + 1, comma - at - 1));
      at = comma;
    }
  }
  for (const auto& names : request.tries) {
    auto& one = *plan.add_try_();
    for (const std::string& name : names) one.add_variation(name);
  }
  if (request.combine != Combine::kOneAtATime)
    plan.set_combine(static_cast<TrialPlan::Combine>(request.combine));
  plan.set_random(request.random);
  plan.set_seed(request.seed);
  if (!request.program.empty()) {
    for (const std::string& word : request.program) plan.mutable_program()->add_argument(word);
    if (request.link != Link::kPty)
      plan.mutable_program()->set_link(static_cast<TrialPlan::Program::Link>(request.link));
  }
  if (!request.port.empty()) {
    plan.mutable_port()->set_name(request.port);
    plan.mutable_port()->set_reset_by_dtr(request.reset_by_dtr);
    plan.mutable_port()->set_watch(request.watch);
    plan.mutable_port()->set_as_host(request.as_host);
  }
  if (!request.sketch.empty()) {
    plan.mutable_sketch()->set_elf(Absolute(request.sketch));
    for (const auto& [key, value] : request.sketch_settings)
      (*plan.mutable_sketch()->mutable_setting())[key] = value;
  }
  if (request.demands != Demands{}) {
    auto& demands = *plan.mutable_demands();
    for (const auto& text : request.demands.ignore) demands.add_ignore(text);
    for (const auto& text : request.demands.must_say) demands.add_must_say(text);
    for (const auto& text : request.demands.must_not_say) demands.add_must_not_say(text);
    if (request.demands.exit) demands.set_exit(*request.demands.exit);
    if (request.demands.within_given)
      demands.set_within(FormatExactDuration(request.demands.within));
  }
  if (request.run_for > Duration::Zero()) plan.set_run_for(FormatExactDuration(request.run_for));
  if (request.repeat > 1) plan.set_repeat(request.repeat);
  const auto there = ReadTextFile(path);
  if (there.ok() && !there->starts_with(kSavedBy))
    return {Code::kInvalidArgument, path + ": there is a file of that name that we did not save"};
  return WriteTextFile(std::string(kSavedBy) + ": " + witness::SafeName(comment) +
                           "\n# Run it again: bytetrial run " + witness::SafeName(path) +
                           "\n# proto-file: trial.proto\n# proto-message: bytewitness.TrialPlan\n" +
                           WriteText(plan),
                       path, true);
}

}  // namespace trial
