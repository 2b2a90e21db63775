// bytewitness verify: whether capture files are whole.
#include <CLI/CLI.hpp>
#include <cstdio>
#include <nlohmann/json.hpp>

#include "capture/base/bytes.h"
#include "capture/base/sha256.h"
#include "capture/base/text.h"
#include "capture/commands/commands.h"
#include "capture/commands/temporary_folder.h"
#include "capture/show/exhibit/exhibit.h"
#include "capture/store/verify.h"

namespace witness {
namespace {

const char* StateOf(const Verification& v) {
  if (v.sound()) return "closed cleanly";
  return v.ending.damaged ? "damaged" : "cut off";
}

void PrintText(const std::string& path, const Verification& v) {
  std::string line = SafeName(path) + ": " + StateOf(v);
  if (!v.sound() && !v.ending.damaged) line += " after " + FormatInstant(v.ending.end) + " s";
  line += "; " + Counted(v.ending.events - v.gaps, "event") + ", " + FormatSize(v.ending.bytes) +
          " over " + FormatDuration(v.ending.end - Instant());
  std::puts(line.c_str());
  for (const DamagedPlace& place : v.damage) {
    line = "    at byte " + std::to_string(place.offset) + ", after " + FormatInstant(place.after) +
           " s: " + SafeName(place.what);
    std::puts(line.c_str());
  }
  if (v.more_damage > 0) {
    std::puts(("    and " + Counted(v.more_damage, "further place")).c_str());
  }
  if (v.gaps > 0) {
    line = "    " + Counted(v.gaps, "gap");
    if (v.events_lost > 0) line += ", " + Counted(v.events_lost, "event") + " lost";
    std::puts(line.c_str());
  }
  if (!v.sound()) {
    std::puts("    to save the rest: bytewitness mend FILE -o NEW.witness");
  }
}

nlohmann::json ToJson(const std::string& path, const Verification& v) {
  nlohmann::json one;
  one["file"] = path;
  one["state"] = StateOf(v);
  one["sound"] = v.sound();
  one["events"] = v.ending.events - v.gaps;
  one["payload_bytes"] = v.ending.bytes;
  one["end_ns"] = v.ending.end.ns();
  one["has_index"] = v.has_index;
  one["gaps"] = v.gaps;
  one["events_lost"] = v.events_lost;
  one["damage"] = nlohmann::json::array();
  for (const DamagedPlace& place : v.damage) {
    one["damage"].push_back(
        {{"offset", place.offset}, {"after_ns", place.after.ns()}, {"what", place.what}});
  }
  one["more_damage"] = v.more_damage;
  return one;
}

// Whether the page shows what is inside it.
int CheckWhatIsShown(const std::string& path, const PageInside& inside, bool as_json,
                     nlohmann::json& all) {
  auto folder = TemporaryFolder::Make();
  if (!folder.ok()) return Fail("bytewitness verify", folder.status());
  const auto check = CheckExhibit(path, inside, (*folder)->path());
  if (!check.ok()) return Fail("bytewitness verify", check.status().In(path));
  const bool sound = check->differs.empty();
  if (as_json) {
    all.push_back({{"file", path},
                   {"state", sound ? "shows what is inside" : "shows something else"},
                   {"sound", sound},
                   {"made_by", inside.tool},
                   {"words_compared", check->same_tool}});
    if (!sound) all.back()["error"] = check->differs;
  } else if (!sound) {
    std::puts(("    the page does not show what is inside: " + check->differs).c_str());
  } else if (check->same_tool) {
    std::puts("    made again from that, the page is the same");
  } else {
    std::puts(("    the page shows that; its words, made by " + SafeName(inside.tool) +
               ", were not compared")
                  .c_str());
  }
  return sound ? kExitDone : kExitNo;
}

// The captures inside an exhibit: each as a file of its own, and whether it has the printed digest.
int RunPage(const std::string& path, bool as_json, nlohmann::json& all) {
  const auto inside = ReadExhibit(path);
  if (!inside.ok()) {
    all.push_back({{"file", path},
                   {"state", "unreadable"},
                   {"sound", false},
                   {"error", inside.status().message()}});
    return Fail("bytewitness verify", inside.status());
  }
  int status = kExitDone;
  for (std::size_t i = 0; i < inside->captures.size(); ++i) {
    const std::string name = path + ": " + inside->request.captures[i].name;
    const std::string digest = ToHex(Sha256::Of(inside->captures[i]));
    const bool same = digest == inside->printed_sha256[i];
    const auto verification = VerifyMemory(inside->captures[i]);
    if (!verification.ok()) {
      status = std::max(status, Fail("bytewitness verify", verification.status().In(name)));
      all.push_back({{"file", name}, {"state", "unreadable"}, {"sound", false}});
      continue;
    }
    if (!same || !verification->sound()) status = std::max<int>(status, kExitNo);
    if (as_json) {
      nlohmann::json one = ToJson(name, *verification);
      one["sha256"] = digest;
      one["as_printed"] = same;
      all.push_back(one);
    } else {
      PrintText(name, *verification);
      std::puts(("    SHA-256 " + digest +
                 (same ? ", as the page prints it"
                       : "; the page prints another: " + SafeName(inside->printed_sha256[i])))
                    .c_str());
    }
  }
  if (status == kExitDone) status = CheckWhatIsShown(path, *inside, as_json, all);
  return status;
}

int Run(const std::vector<std::string>& files, bool as_json) {
  int status = kExitDone;
  nlohmann::json all = nlohmann::json::array();
  for (const std::string& path : files) {
    if (LooksLikeExhibit(path)) {
      status = std::max(status, RunPage(path, as_json, all));
      continue;
    }
    const auto verification = VerifyFile(path);
    if (!verification.ok()) {
      const Status& why = verification.status();
      status = std::max(status, Fail("bytewitness verify", why));
      all.push_back(
          {{"file", path}, {"state", "unreadable"}, {"sound", false}, {"error", why.message()}});
      continue;
    }
    if (!verification->sound()) status = std::max<int>(status, kExitNo);
    if (as_json) {
      all.push_back(ToJson(path, *verification));
    } else {
      PrintText(path, *verification);
    }
  }
  // Names may be no UTF-8.
  if (as_json) {
    std::puts(all.dump(2, ' ', true, nlohmann::json::error_handler_t::replace).c_str());
  }
  return status;
}

}  // namespace

void AddVerify(CLI::App& app, Outcome& outcome) {
  CLI::App* command = app.add_subcommand(
      "verify",
      "Checks captures: checksums, order, totals, SHA-256; cut off or damaged, and where");
  auto files = std::make_shared<std::vector<std::string>>();
  auto as_json = std::make_shared<bool>(false);
  command->add_option("FILE", *files, "Captures to check, and exhibits with captures inside")
      ->required();
  command->add_flag("--json", *as_json, "Print JSON");
  command->footer(
      "Exit status: 0 all are whole, 1 one is cut off or damaged.\n"
      "Example: bytewitness verify talk.witness");
  command->callback([=, &outcome] { outcome.exit_status = Run(*files, *as_json); });
}

}  // namespace witness
