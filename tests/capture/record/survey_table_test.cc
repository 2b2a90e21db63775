// What surveys find of invented modules: nothing may be claimed that is not so.
#include <gtest/gtest.h>

#include "capture/base/text.h"
#include "tests/support/survey_check.h"

namespace witness {
namespace {

void ExpectNothingWrong(const SurveyTable& table) {
  for (const std::string& one : table.wrong()) ADD_FAILURE() << one;
}

TEST(SurveyTable, ThreeSedgesAreFoundInAll) {
  SurveyTable table;
  for (const ModuleSpec& spec : {SedgeA(), SedgeB(), SedgeC()}) {
    const Surveyed surveyed = Survey(spec, DemoPlan());
    ASSERT_TRUE(surveyed.status.ok()) << spec.name << ": " << surveyed.status.message();
    for (const ProfileReply& reply : surveyed.profile.replies)
      for (const std::uint64_t event : reply.basis.events)
        EXPECT_LT(event, surveyed.events) << "evidence must be in the capture";
    table.Add(spec.name, SurveyCheck(spec, surveyed), surveyed.took);
  }
  ExpectNothingWrong(table);
  EXPECT_EQ(table.Of(Finding::kOpen), 0) << table.Text();
}

TEST(SurveyTable, OfUsualVariantsNothingIsClaimedWrongly) {
  SurveyTable table;
  for (unsigned seed = 1; seed <= 24; ++seed) {
    const ModuleSpec spec = Invented(seed);
    const Surveyed surveyed = Survey(spec, DemoPlan(), seed);
    ASSERT_TRUE(surveyed.status.ok()) << spec.name << ": " << surveyed.status.message();
    table.Add(spec.name, SurveyCheck(spec, surveyed), surveyed.took);
  }
  ExpectNothingWrong(table);
  EXPECT_GE(table.Of("state", Finding::kFound), 20) << "of 24";
  std::fputs(table.Text().c_str(), stdout);
}

}  // namespace
}  // namespace witness
