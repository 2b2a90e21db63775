// What surveys find of invented modules: nothing may be claimed that is not so.
#include <gtest/gtest.h>

#include "capture/base/text.h"
#include "tests/support/sanitized.h"
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

// How many modules there are of a family; with the sanitizer a part of them.
constexpr int Some(int modules) { return kSanitized ? modules / 5 : modules; }

// `tests/bench/survey_table` prints the same for any seeds.
SurveyTable Table(ModuleSpec (*family)(unsigned), int last) {
  SurveyTable table;
  for (unsigned seed = 1; seed <= static_cast<unsigned>(last); ++seed) {
    const ModuleSpec spec = family(seed);
    const Surveyed surveyed = Survey(spec, DemoPlan(), seed);
    EXPECT_TRUE(surveyed.status.ok()) << spec.name << ": " << surveyed.status.message();
    table.Add(spec.name, SurveyCheck(spec, surveyed), surveyed.took);
  }
  std::fputs(table.Text().c_str(), stdout);
  return table;
}

TEST(SurveyTable, OfUsualVariantsNothingIsClaimedWronglyAndNearlyAllIsFound) {
  const SurveyTable table = Table(Invented, Some(240));
  ExpectNothingWrong(table);
  EXPECT_GE(table.Of("state", Finding::kFound), Some(233)) << "of 240";
  EXPECT_LE(table.TookAtMost(0.5), Duration::Seconds(240));
  EXPECT_LE(table.TookAtMost(0.9), Duration::Seconds(600));
  EXPECT_GE(table.Of(Finding::kFound), 98 * table.Of(Finding::kOpen));
}

// Sleepers, talkers, noise, prompts, unheard-of rates, data sessions ...: much may stay open.
TEST(SurveyTable, OfStrangeVariantsNothingIsClaimedWrongly) {
  const SurveyTable table = Table(Strange, Some(120));
  ExpectNothingWrong(table);
  EXPECT_GE(table.Of("state", Finding::kFound), Some(98)) << "of 120";
  EXPECT_GE(table.Of(Finding::kFound), 20 * table.Of(Finding::kOpen));
}

// One that was slow now and then and fell asleep in between, one to which the LF of a CR LF stuck,
// one that talks into a reply of five seconds, and one whose first letter was always lost: of each
// more was claimed than was so.
TEST(SurveyTable, NoRefusalIsClaimedOfAModuleThatNoLongerAnswersTheQuery) {
  SurveyTable table;
  for (const unsigned seed : {5001804u, 5002660u, 5000011u, 7002414u}) {
    const ModuleSpec spec = Strange(seed);
    table.Add(spec.name, SurveyCheck(spec, Survey(spec, DemoPlan(), seed)), Duration());
  }
  ExpectNothingWrong(table);
}

// Of each of these something was claimed that is not so: 76800 8E1 taken for 57600 7E1 by its
// garbled echo; a saying read at another format; an answer of one kind of byte at a wrong rate;
// answers one behind the queries; a saying taken for the answer; sleep taken for a refusal; half of
// a command lost; and the like.
TEST(SurveyTable, NothingIsClaimedWronglyOfModulesThatOnceMisled) {
  SurveyTable table;
  const auto add = [&](const ModuleSpec& spec, unsigned seed) {
    table.Add(spec.name, SurveyCheck(spec, Survey(spec, DemoPlan(), seed)), Duration());
  };
  for (const unsigned seed : {20011335u, 20006848u}) add(Invented(seed), seed);
  for (const unsigned seed :
       {7101126u,  7101380u,  20002683u, 20005948u, 20005955u, 20006245u, 20008125u,
        20008681u, 20014367u, 20020005u, 20020929u, 20022728u, 20024184u, 20027478u,
        40014622u, 40018301u, 50014326u, 50014910u, 50029614u, 83001148u})
    add(Strange(seed), seed);
  for (const unsigned seed : {7101110u, 20018164u, 20020490u, 20021873u, 20022381u, 20024985u,
                              20026454u, 40026771u, 50012637u})
    add(Mannered(seed), seed);
  ExpectNothingWrong(table);
}

// Slow boots and wakes, prompts, framing characters, numbered answers, checksums, semicolons ...
TEST(SurveyTable, OfModulesWithMannersOfTheirOwnNothingIsClaimedWrongly) {
  const SurveyTable table = Table(Mannered, Some(160));
  ExpectNothingWrong(table);
  EXPECT_GE(table.Of("state", Finding::kFound), Some(150)) << "of 160";
  EXPECT_GE(table.Of(Finding::kFound), 20 * table.Of(Finding::kOpen));
}

}  // namespace
}  // namespace witness
