#include "capture/show/exhibit/trial_result.h"

#include <nlohmann/json.hpp>

namespace witness {
namespace {

using Json = nlohmann::json;

// Wrong types are taken as absent: nothing of the file may make reading fail half-way.
std::string TextOf(const Json& json, const char* key) {
  const auto at = json.find(key);
  return at != json.end() && at->is_string() ? at->get<std::string>() : std::string();
}

std::int64_t NumberOf(const Json& json, const char* key) {
  const auto at = json.find(key);
  if (at == json.end()) return 0;
  if (at->is_number_integer()) return at->get<std::int64_t>();
  // protobuf's JSON mapping has 64-bit numbers as texts.
  if (!at->is_string()) return 0;
  const std::string text = at->get<std::string>();
  std::int64_t value = 0;
  for (const char c : text) {
    if (c < '0' || c > '9' || value > (std::int64_t{1} << 59)) return 0;
    value = value * 10 + (c - '0');
  }
  return value;
}

std::vector<std::string> TextsOf(const Json& json, const char* key) {
  std::vector<std::string> out;
  const auto at = json.find(key);
  if (at == json.end() || !at->is_array()) return out;
  for (const Json& one : *at)
    if (one.is_string()) out.push_back(one.get<std::string>());
  return out;
}

std::string VerdictOf(const std::string& name) {
  if (name == "VERDICT_HELD" || name == "held") return "held";
  if (name == "VERDICT_BROKE" || name == "broke") return "broke";
  if (name == "VERDICT_SLOW" || name == "slow") return "slow";
  if (name == "VERDICT_NO_CONTEST" || name == "no contest") return "no contest";
  return "?";
}

TrialResult::Row RowOf(const Json& json) {
  TrialResult::Row row;
  row.name = TextOf(json, "name");
  row.verdict = VerdictOf(TextOf(json, "verdict"));
  row.why = TextOf(json, "why");
  row.took_ns = NumberOf(json, "took_ns");
  row.note = TextOf(json, "note");
  row.reproduce = TextOf(json, "reproduce");
  row.kept = TextOf(json, "kept");
  row.smallest = TextsOf(json, "smallest");
  if (const auto d = json.find("divergence"); d != json.end() && d->is_object()) {
    row.diverged = true;
    row.at_ns = NumberOf(*d, "at_ns");
    row.what = TextOf(*d, "what");
    row.expected = TextOf(*d, "expected");
    row.got = TextOf(*d, "got");
    row.command = static_cast<std::uint64_t>(NumberOf(*d, "command"));
  }
  if (const auto all = json.find("diagnosis"); all != json.end() && all->is_array())
    for (const Json& one : *all)
      if (one.is_object())
        row.diagnoses.push_back({TextOf(one, "words"), TextsOf(one, "evidence")});
  if (const auto at = json.find("in_page"); at != json.end() && at->is_number_integer())
    row.capture = at->get<int>();
  return row;
}

Json RowToJson(const TrialResult::Row& row) {
  Json out{{"name", row.name},         {"verdict", row.verdict}, {"why", row.why},
           {"took_ns", row.took_ns},   {"note", row.note},       {"reproduce", row.reproduce},
           {"smallest", row.smallest}, {"in_page", row.capture}};
  if (row.diverged)
    out["divergence"] = {{"at_ns", row.at_ns},
                         {"what", row.what},
                         {"expected", row.expected},
                         {"got", row.got},
                         {"command", row.command}};
  out["diagnosis"] = Json::array();
  for (const auto& d : row.diagnoses)
    out["diagnosis"].push_back({{"words", d.words}, {"evidence", d.evidence}});
  return out;
}

}  // namespace

Result<TrialResult> TrialFromJson(const Json& json) {
  const auto baseline = json.find("baseline");
  const auto trials = json.find("trial");
  if (!json.is_object() || baseline == json.end() || !baseline->is_object() ||
      (trials != json.end() && !trials->is_array()))
    return Status(Code::kInvalidArgument,
                  "not a report of trials (bytetrial run --json FILE makes one)");
  TrialResult out;
  out.tool = TextOf(json, "tool");
  out.capture = TextOf(json, "capture");
  out.subject = TextOf(json, "subject");
  out.following = TextOf(json, "following");
  out.baseline = RowOf(*baseline);
  if (out.baseline.name.empty()) out.baseline.name = "as recorded";
  if (trials != json.end())
    for (const Json& one : *trials)
      if (one.is_object()) out.rows.push_back(RowOf(one));
  return out;
}

Json TrialToJson(const TrialResult& trial) {
  Json out{{"tool", trial.tool},
           {"capture", trial.capture},
           {"subject", trial.subject},
           {"following", trial.following},
           {"baseline", RowToJson(trial.baseline)}};
  out["trial"] = Json::array();
  for (const auto& row : trial.rows) out["trial"].push_back(RowToJson(row));
  return out;
}

Result<TrialResult> ParseTrialResult(std::string_view text, std::size_t hearing) {
  const Json json = Json::parse(text, nullptr, /*allow_exceptions=*/false);
  if (json.is_discarded()) return Status(Code::kInvalidArgument, "neither a capture nor JSON");
  const auto hearings = json.find("hearing");
  if (hearings == json.end() || !hearings->is_array()) {
    if (hearing > 0)
      return Status(Code::kInvalidArgument, "a report of one hearing only: leave --hearing out");
    return TrialFromJson(json);
  }
  if (hearing == 0 || hearing > hearings->size())
    return Status(Code::kInvalidArgument, "a report of " + std::to_string(hearings->size()) +
                                              " hearings: say which with --hearing 1, 2, ...");
  return TrialFromJson((*hearings)[hearing - 1]);
}

}  // namespace witness
