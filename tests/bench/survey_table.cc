// What surveys find of modules that exist only in tests, as a table.
//
//   survey_table [FAMILY [FIRST LAST]]   FAMILY: sedges, usual, strange or mannered; seeds FIRST to
//   LAST
//
// Virtual time: a survey of ten minutes takes some milliseconds. Status 1 if any claim is wrong.
#include <cstdio>
#include <cstdlib>
#include <string>
#include <thread>

#include "capture/base/text.h"
#include "tests/support/survey_check.h"

namespace {

using namespace witness;

SurveyTable Run(const std::string& family, unsigned first, unsigned last, unsigned step,
                bool in_words) {
  SurveyTable table;
  for (unsigned seed = first; seed <= last; seed += step) {
    const ModuleSpec spec = family == "strange"    ? Strange(seed)
                            : family == "mannered" ? Mannered(seed)
                                                   : Invented(seed);
    const Surveyed surveyed = Survey(spec, DemoPlan(), seed);
    const SurveyCheck check(spec, surveyed);
    table.Add(spec.name + " (" + FormatLineSettings(spec.line) + ")", check, surveyed.took);
    if (!in_words) continue;
    std::printf("%s (%s), %s of line time\n", spec.name.c_str(),
                FormatLineSettings(spec.line).c_str(), FormatDuration(surveyed.took).c_str());
    for (const std::string& line : Summary(surveyed.profile)) std::printf("    %s\n", line.c_str());
    for (const Property& one : check.properties())
      if (one.finding != Finding::kFound)
        std::printf("  %s: %s %s\n", one.finding == Finding::kOpen ? "open" : "WRONG",
                    one.name.c_str(), one.note.c_str());
  }
  return table;
}

}  // namespace

int main(int count, char** arguments) {
  const std::string family = count > 1 ? arguments[1] : "usual";
  SurveyTable table;
  if (family == "sedges") {
    for (const ModuleSpec& spec : {SedgeA(), SedgeB(), SedgeC()}) {
      const Surveyed surveyed = Survey(spec, DemoPlan());
      table.Add(spec.name, SurveyCheck(spec, surveyed), surveyed.took);
    }
  } else if (family == "usual" || family == "strange" || family == "mannered") {
    const auto first =
        static_cast<unsigned>(count > 2 ? std::strtoul(arguments[2], nullptr, 10) : 1);
    const auto last =
        static_cast<unsigned>(count > 3 ? std::strtoul(arguments[3], nullptr, 10) : first + 223);
    if (first == last) {
      table = Run(family, first, last, 1, true);
    } else {
      SurveyTable other;
      std::thread half([&] { other = Run(family, first + 1, last, 2, false); });
      table = Run(family, first, last, 2, false);
      half.join();
      table.Add(other);
    }
  } else {
    std::fprintf(stderr, "survey_table [sedges|usual|strange|mannered [FIRST LAST]]\n");
    return 2;
  }
  for (const std::string& one : table.open()) std::printf("open: %s\n", one.c_str());
  for (const std::string& one : table.wrong()) std::printf("wrong: %s\n", one.c_str());
  std::fputs(table.Text().c_str(), stdout);
  return table.wrong().empty() ? 0 : 1;
}
