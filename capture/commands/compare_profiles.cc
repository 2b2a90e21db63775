#include "capture/commands/compare_profiles.h"

#include <algorithm>
#include <nlohmann/json.hpp>

#include "capture/base/text.h"
#include "capture/commands/capture_input.h"
#include "capture/commands/commands.h"
#include "capture/profile/profile.h"

namespace witness {
namespace {

constexpr const char* kProgram = "bytewitness compare";

const char* Words(Likeness likeness) {
  switch (likeness) {
    case Likeness::kSame:
      return "same";
    case Likeness::kDiffers:
      return "differs";
    case Likeness::kOnlyInFirst:
      return "only in the first";
    case Likeness::kOnlyInSecond:
      return "only in the second";
    case Likeness::kCannotTell:
      break;
  }
  return "cannot tell";
}

bool Differs(const ProfileDifference& one) {
  return one.verdict == Likeness::kDiffers || one.verdict == Likeness::kOnlyInFirst ||
         one.verdict == Likeness::kOnlyInSecond;
}

std::string Text(const std::vector<ProfileDifference>& all) {
  std::string out;
  std::size_t same = 0;
  std::size_t differ = 0;
  std::size_t open = 0;
  for (const ProfileDifference& one : all) {
    std::string verdict = Words(one.verdict);
    verdict.resize(std::max<std::size_t>(verdict.size(), 20), ' ');
    out += verdict + one.what;
    if (one.verdict == Likeness::kSame) {
      ++same;
      out += ": " + one.first;
    } else {
      ++(Differs(one) ? differ : open);
    }
    if (!one.basis.empty()) out += "  [" + one.basis + "]";
    out += "\n";
    if (one.verdict == Likeness::kSame) continue;
    out += "    first   " + one.first + "\n    second  " + one.second + "\n";
  }
  return out + std::to_string(same) + " alike, " + std::to_string(differ) + " differ, " +
         std::to_string(open) + " cannot be told\n";
}

std::string Json(const std::vector<ProfileDifference>& all) {
  nlohmann::json out = nlohmann::json::array();
  for (const ProfileDifference& one : all) {
    std::string verdict = Words(one.verdict);
    std::replace(verdict.begin(), verdict.end(), ' ', '-');
    if (verdict == "only-in-the-first") verdict = "only-in-first";
    if (verdict == "only-in-the-second") verdict = "only-in-second";
    out.push_back({{"kind", verdict},
                   {"what", one.what},
                   {"first", one.first},
                   {"second", one.second},
                   {"basis", one.basis}});
  }
  return out.dump(2, ' ', true, nlohmann::json::error_handler_t::replace) + "\n";
}

}  // namespace

int RunCompareProfiles(const std::string& first, const std::string& second, bool json) {
  for (const std::string& path : {first, second})
    if (!LooksLikeProfile(path))
      return Fail(kProgram, Status(Code::kInvalidArgument,
                                   path + ": a profile is compared with a profile, a capture with "
                                          "a capture (the capture of a survey lies beside its "
                                          "profile)"));
  const Result<Profile> a = ReadProfileFile(first);
  if (!a.ok()) return Fail(kProgram, a.status());
  const Result<Profile> b = ReadProfileFile(second);
  if (!b.ok()) return Fail(kProgram, b.status());
  const std::vector<ProfileDifference> all = CompareProfiles(*a, *b);
  auto output = TextOutput::Open("");
  if (!output.ok()) return Fail(kProgram, output.status());
  Status status = (*output)->Write(json ? Json(all) : Text(all));
  if (status.ok()) status = (*output)->Close();
  if (!status.ok()) return Fail(kProgram, status);
  return std::any_of(all.begin(), all.end(), Differs) ? kExitNo : kExitDone;
}

}  // namespace witness
