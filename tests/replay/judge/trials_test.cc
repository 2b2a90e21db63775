// Judge, trials, diagnosis and reports in virtual time.
#include "replay/judge/trials.h"

#include <gtest/gtest.h>

#include <pugixml.hpp>

#include "replay/judge/report.h"
#include "replay/judge/request.h"
#include "replay/part/message_text.h"
#include "tests/support/temporary_path.h"
#include "tests/support/virtual_host.h"

namespace trial {
namespace {

Duration Ms(std::int64_t ms) { return Duration::Milliseconds(ms); }

Part Module() {
  Part part;
  part.command_end.terminators = {"\r\n"};
  part.rules = {
      {{Match::kIgnoringEnding, "AT", false}, {{{{Ms(20), "\r\nOK\r\n"}}, 1}}},
      {{Match::kIgnoringEnding, "AT+FW?", false}, {{{{Ms(20), "\r\nsedge-b 1.8\r\n"}}, 2}}}};
  return part;
}

std::vector<Bytes> Many(const Bytes& command, std::size_t count) {
  return std::vector<Bytes>(count, command);
}

TrialsOutcome RunTrials(VirtualHost& host, const std::vector<std::string>& names,
                        const Demands& demands = {}, std::uint32_t repeat = 1,
                        const Part& part = Module()) {
  auto judge = Judge::Create(demands);
  EXPECT_TRUE(judge.ok());
  TrialsSetup setup;
  setup.part = NumberReplies(part);
  setup.repeat = repeat;
  for (const std::string& name : names) setup.plan.push_back({*ParseVariation(name)});
  Trials trials(host, *judge, setup);
  auto outcome = trials.Run();
  EXPECT_TRUE(outcome.ok()) << outcome.status().message();
  return outcome.ok() ? *std::move(outcome) : TrialsOutcome{};
}

TEST(Trials, OneThatReadsUntilSilentHoldsEveryEndingAndPace) {
  VirtualHost host;
  const auto outcome =
      RunTrials(host, {"ending=none", "ending=cr", "ending=lf", "ending=crlf", "split=bytes:20ms",
                       "pace=burst", "pace=slow:4", "turnaround=700ms", "turnaround=0s"});
  EXPECT_EQ(outcome.baseline.verdict.kind, VerdictKind::kHeld);
  for (const auto& trial : outcome.trials)
    EXPECT_EQ(trial.verdict.kind, VerdictKind::kHeld)
        << CombinationName(trial.combination) << ": " << trial.verdict.why;
}

TEST(Trials, OneThatWaitsForLfIsSlowAndNamed) {
  VirtualHost host;
  host.reading = VirtualHost::Reading::kUntilLf;
  const auto outcome = RunTrials(host, {"ending=none", "ending=cr", "ending=lf", "ending=crlf"});
  ASSERT_EQ(outcome.trials.size(), 4u);
  EXPECT_EQ(outcome.trials[0].verdict.kind, VerdictKind::kSlow);
  EXPECT_EQ(outcome.trials[1].verdict.kind, VerdictKind::kSlow);
  EXPECT_EQ(outcome.trials[2].verdict.kind, VerdictKind::kHeld);
  EXPECT_EQ(outcome.trials[3].verdict.kind, VerdictKind::kHeld);
  EXPECT_FALSE(outcome.trials[3].changed);
  EXPECT_EQ(outcome.trials[0].verdict.later, Ms(2000));
  ASSERT_EQ(outcome.trials[0].verdict.diagnoses.size(), 1u);
  const Diagnosis& diagnosis = outcome.trials[0].verdict.diagnoses[0];
  EXPECT_EQ(diagnosis.name, "waits-for-line-ending");
  // What held and what did not tells which byte it waits for. Stream's default timeout of 1000 ms:
  // Stream.h of Debian's arduino-core-avr.
  EXPECT_NE(diagnosis.words.find("until LF"), std::string::npos) << diagnosis.words;
  EXPECT_NE(diagnosis.words.find("1000 ms"), std::string::npos) << diagnosis.words;
  EXPECT_EQ(CombinationName(outcome.trials[0].smallest), "ending=none@1");
}

// How many replies a conversation has says nothing of how they are read.
TEST(Trials, ShortWaitsAreNoFaultHoweverManyThereAre) {
  VirtualHost host;
  host.reading = VirtualHost::Reading::kUntilLf;
  host.timeout = Ms(250);
  host.commands = Many("AT\r\n", 8);
  const auto outcome = RunTrials(host, {"ending=none"});
  EXPECT_EQ(outcome.trials[0].verdict.kind, VerdictKind::kHeld);
  EXPECT_EQ(outcome.trials[0].verdict.why, "2.00 s later in all");
  host.timeout = Ms(350);
  EXPECT_EQ(RunTrials(host, {"ending=none"}).trials[0].verdict.kind, VerdictKind::kSlow);
}

TEST(Trials, ReadTimeoutsBehindTheRepliesAsRecordedAreTold) {
  Part part = Module();
  for (Rule& rule : part.rules) rule.answers[0].pieces[0].bytes = "OK";
  VirtualHost host;
  host.reading = VirtualHost::Reading::kUntilLf;
  host.lines = 1;
  const auto outcome = RunTrials(host, {"ending=cr", "ending=lf", "ending=crlf"}, {}, 1, part);
  EXPECT_EQ(outcome.baseline.verdict.kind, VerdictKind::kHeld);
  ASSERT_EQ(outcome.baseline.verdict.diagnoses.size(), 1u);
  const Diagnosis& diagnosis = outcome.baseline.verdict.diagnoses[0];
  EXPECT_EQ(diagnosis.name, "waits-for-line-ending");
  EXPECT_NE(diagnosis.words.find("reads until LF with a timeout of 1.00 s"), std::string::npos)
      << diagnosis.words;
  // One that waits for silence behind every reply waits for nothing else.
  host.reading = VirtualHost::Reading::kUntilSilent;
  EXPECT_TRUE(RunTrials(host, {"ending=lf", "ending=crlf"}, {}, 1, part)
                  .baseline.verdict.diagnoses.empty());
}

TEST(Trials, LineEndingsSentToABareModuleAreTold) {
  Part part = Module();
  part.command_end = {{}, Ms(60)};
  VirtualHost host;
  const auto outcome = RunTrials(host, {"ending=lf"}, {}, 1, part);
  EXPECT_EQ(outcome.baseline.verdict.kind, VerdictKind::kHeld);
  ASSERT_EQ(outcome.baseline.verdict.diagnoses.size(), 1u);
  EXPECT_EQ(outcome.baseline.verdict.diagnoses[0].name, "wrong-command-ending");
  host.commands = {"AT", "AT+FW?"};
  EXPECT_TRUE(RunTrials(host, {"ending=lf"}, {}, 1, part).baseline.verdict.diagnoses.empty());
}

TEST(Trials, LineFeedTakenForTheNextCommandIsTold) {
  Part part = Module();
  part.command_end.terminators = {"\r"};
  VirtualHost host;
  const auto outcome = RunTrials(host, {"ending=lf"}, {}, 1, part);
  ASSERT_EQ(outcome.baseline.verdict.diagnoses.size(), 1u);
  EXPECT_EQ(outcome.baseline.verdict.diagnoses[0].name, "wrong-command-ending");
  EXPECT_NE(outcome.baseline.verdict.diagnoses[0].words.find("takes 1 of its 2 commands"),
            std::string::npos)
      << outcome.baseline.verdict.diagnoses[0].words;
}

TEST(Trials, OneThatNeverGoesOnIsBrokenAndNamed) {
  VirtualHost host;
  host.reading = VirtualHost::Reading::kUntilLf;
  host.timeout = Duration::Seconds(1000);
  Demands demands;
  demands.within = Duration::Seconds(30);
  const auto outcome = RunTrials(host, {"ending=none"}, demands);
  EXPECT_EQ(outcome.trials[0].verdict.kind, VerdictKind::kBroke);
  ASSERT_EQ(outcome.trials[0].verdict.diagnoses.size(), 1u);
  EXPECT_EQ(outcome.trials[0].verdict.diagnoses[0].name, "waits-for-line-ending");
  EXPECT_NE(outcome.trials[0].verdict.diagnoses[0].words.find("without a timeout"),
            std::string::npos);
}

TEST(Trials, OneThatTakesTheFirstBytesBreaksOnASplit) {
  VirtualHost host;
  host.reading = VirtualHost::Reading::kFirstBytes;
  const auto outcome = RunTrials(host, {"split=5:35ms"});
  EXPECT_EQ(outcome.trials[0].verdict.kind, VerdictKind::kBroke);
  ASSERT_FALSE(outcome.trials[0].verdict.diagnoses.empty());
  EXPECT_EQ(outcome.trials[0].verdict.diagnoses[0].name, "reads-too-early");
  ASSERT_FALSE(outcome.trials[0].smallest.empty());
}

TEST(Trials, BaselineThatSaysNothingIsNoContest) {
  VirtualHost host;
  host.commands = {};
  const auto outcome = RunTrials(host, {"ending=none"});
  EXPECT_EQ(outcome.baseline.verdict.kind, VerdictKind::kNoContest);
  EXPECT_TRUE(outcome.trials.empty());
}

TEST(Trials, WrongCommandEndingIsNamed) {
  VirtualHost host;
  host.commands = {"AT\n"};
  host.timeout = Duration::Seconds(1);
  const auto outcome = RunTrials(host, {"ending=none"});
  EXPECT_EQ(outcome.baseline.verdict.kind, VerdictKind::kNoContest);
  ASSERT_EQ(outcome.baseline.verdict.diagnoses.size(), 1u);
  EXPECT_EQ(outcome.baseline.verdict.diagnoses[0].name, "wrong-command-ending");
}

TEST(Trials, UnknownCommandsAsManyAsRecordedAreFollowedInOrder) {
  VirtualHost host;
  host.commands = {"AT+TIME=12\r\n", "AT+TIME=13\r\n"};
  const auto outcome = RunTrials(host, {"ending=lf"});
  EXPECT_EQ(outcome.following.substr(0, 8), "in order") << outcome.following;
  EXPECT_EQ(outcome.played.following, Following::kInOrder);
}

TEST(Trials, DemandsAreKept) {
  VirtualHost host;
  Demands demands;
  demands.must_not_say = {"sedge-b 1\\.8"};
  EXPECT_EQ(RunTrials(host, {"ending=lf"}, demands).baseline.verdict.kind, VerdictKind::kNoContest);
  demands = {};
  demands.must_say = {"sedge"};
  const auto outcome = RunTrials(host, {"loss=none"}, demands);
  EXPECT_EQ(outcome.trials[0].verdict.kind, VerdictKind::kBroke);
  demands = {};
  demands.must_say = {"("};
  EXPECT_FALSE(Judge::Create(demands).ok());
}

TEST(Trials, LossIsToBeCopedWith) {
  VirtualHost host;
  const auto outcome = RunTrials(host, {"loss=none", "loss=half", "loss=before"});
  for (const auto& trial : outcome.trials) EXPECT_EQ(trial.verdict.kind, VerdictKind::kHeld);
}

TEST(Trials, RepeatedOnesAreCounted) {
  VirtualHost host;
  const auto outcome = RunTrials(host, {"ending=lf"}, {}, 5);
  EXPECT_EQ(outcome.trials[0].runs, 5u);
  EXPECT_EQ(outcome.trials[0].held, 5u);
  EXPECT_EQ(host.runs, 7);  // as recorded, the same a little later, five trials
}

TEST(Trials, ShardsTogetherAreThePlan) {
  auto judge = Judge::Create({});
  ASSERT_TRUE(judge.ok());
  std::vector<bytewitness::TrialReport> reports;
  for (std::size_t shard = 0; shard < 3; ++shard) {
    VirtualHost host;
    TrialsSetup setup;
    setup.part = NumberReplies(Module());
    for (const char* name : {"ending=none", "ending=cr", "ending=lf", "pace=burst"})
      setup.plan.push_back({*ParseVariation(name)});
    setup.shard = shard;
    setup.shards = 3;
    Trials trials(host, *judge, setup);
    const auto outcome = trials.Run();
    ASSERT_TRUE(outcome.ok());
    ReportSetup said;
    said.capture = "sedge-b.witness";
    said.planned = 4;
    said.shard = shard;
    said.shards = 3;
    bytewitness::TrialReport report;
    FillReport(*outcome, said, report);
    // There and back through the file's form.
    reports.emplace_back();
    ASSERT_TRUE(ParseJsonReport(JsonReport(report), reports.back()).ok());
  }
  bytewitness::TrialReport merged;
  ASSERT_TRUE(MergeReports(reports, merged).ok());
  EXPECT_EQ(merged.trial_size(), 4);
  EXPECT_TRUE(AllHeld(merged));
  EXPECT_EQ(merged.trial(3).name(), "pace=burst");
  const auto twice = MergeReports({reports[0], reports[0], reports[1], reports[2]}, merged);
  EXPECT_NE(twice.message().find("twice"), std::string::npos);
  const auto missing = MergeReports({reports[0], reports[2]}, merged);
  EXPECT_NE(missing.message().find("trial 2 of 4"), std::string::npos) << missing.message();
}

TEST(Reports, FailuresAreShownWithEvidenceAndReproduction) {
  VirtualHost host;
  host.reading = VirtualHost::Reading::kUntilLf;
  const auto outcome = RunTrials(host, {"ending=none", "ending=lf"});
  ReportSetup said;
  said.capture = "sedge-b.witness";
  said.subject = "program <&\x1b[31m>";
  said.planned = 2;
  said.reproduce = [](const Combination& c) {
    return "bytetrial run x --vary " + CombinationName(c);
  };
  bytewitness::TrialReport report;
  FillReport(outcome, said, report);
  const std::string text = TerminalReport(report, false);
  for (const char* part : {"slow", "held", "diagnosis", "bytetrial run x --vary ending=none",
                           "2 trials: 1 held, 0 broke, 1 slow, 0 no contest"})
    EXPECT_NE(text.find(part), std::string::npos) << part << " is missing in\n" << text;
  EXPECT_EQ(text.find('\x1b'), std::string::npos);

  pugi::xml_document junit;
  ASSERT_TRUE(junit.load_string(JUnitReport(report).c_str()));
  const auto suite = junit.child("testsuites").child("testsuite");
  EXPECT_EQ(suite.attribute("tests").as_int(), 3);
  EXPECT_EQ(suite.attribute("failures").as_int(), 1);
  EXPECT_FALSE(AllHeld(report));
}

TEST(Request, SavedPlanReadsBack) {
  RunRequest request;
  request.capture = "/somewhere/sedge-b.witness";
  request.tries = {{"ending=none@2", "split=3:35ms"}};
  request.program = {"python3", "watch.py", "{port}"};
  request.link = Link::kTcp;
  request.seed = 9;
  request.demands.ignore = {"[0-9]+ ms"};
  request.demands.exit = 4;
  request.demands.within = Duration::Seconds(5);
  request.demands.within_given = true;
  request.repeat = 3;
  const std::string path = witness::TemporaryPath("saved_plan_test.textproto");
  ASSERT_TRUE(SavePlan(request, "slow", path).ok());
  ASSERT_TRUE(SavePlan(request, "again", path).ok());  // our own may be replaced
  const auto plans = LoadPlan(path);
  ASSERT_TRUE(plans.ok()) << plans.status().message();
  ASSERT_EQ(plans->size(), 1u);
  const RunRequest* read = &plans->front();
  EXPECT_EQ(read->capture, request.capture);
  EXPECT_EQ(read->tries, request.tries);
  EXPECT_EQ(read->program, request.program);
  EXPECT_EQ(read->link, request.link);
  EXPECT_EQ(read->seed, 9u);
  EXPECT_EQ(read->demands, request.demands);
  EXPECT_EQ(read->repeat, 3u);
}

TEST(Request, HearingTakesFromThePlanAroundItWhatItDoesNotSay) {
  const std::string path = witness::TemporaryPath("hearings_test.textproto");
  ASSERT_TRUE(WriteTextFile(R"(capture: "/a.witness"
                               program { argument: "watch" }
                               vary { factor: "ending" level: "none" }
                               demands { must_say: "signal" }
                               seed: 7
                               hearing { capture: "/b.witness" }
                               hearing { sketch { elf: "/w.elf" } vary { factor: "split" } }
                               hearing { demands { exit: 3 } seed: 8 })",
                            path, true)
                  .ok());
  const auto plans = LoadPlan(path);
  ASSERT_TRUE(plans.ok()) << plans.status().message();
  ASSERT_EQ(plans->size(), 3u);
  const RunRequest& other_part = (*plans)[0];
  EXPECT_EQ(other_part.capture, "/b.witness");
  EXPECT_EQ(other_part.program, std::vector<std::string>{"watch"});
  EXPECT_EQ(other_part.vary, std::vector<std::string>{"ending=none"});
  EXPECT_EQ(other_part.demands.must_say, std::vector<std::string>{"signal"});
  EXPECT_EQ(other_part.seed, 7u);
  const RunRequest& other_subject = (*plans)[1];
  EXPECT_EQ(other_subject.capture, "/a.witness");
  EXPECT_EQ(other_subject.sketch, "/w.elf");
  EXPECT_TRUE(other_subject.program.empty());
  EXPECT_EQ(other_subject.vary, std::vector<std::string>{"split"});
  const RunRequest& other_demands = (*plans)[2];
  EXPECT_EQ(other_demands.demands.exit, 3);
  EXPECT_TRUE(other_demands.demands.must_say.empty());
  EXPECT_EQ(other_demands.seed, 8u);
}

TEST(Request, WrongHearingNamesLineAndColumn) {
  const std::string path = witness::TemporaryPath("wrong_hearing_test.textproto");
  for (const auto& [text, where] :
       {std::pair<std::string, std::string>{"capture: \"/a\"\nhearing {\n  program { argument: "
                                            "\"a\" }\n  port { name: \"b\" }\n}\n",
                                            ": 3:3: program"},
        {"capture: \"/a\"\nprogram { argument: \"a\" }\nhearing {\n  hearing { }\n}\n",
         ": 4:3: hearing"}}) {
    ASSERT_TRUE(WriteTextFile(text, path, true).ok());
    const auto plan = LoadPlan(path);
    ASSERT_FALSE(plan.ok());
    EXPECT_NE(plan.status().message().find(where), std::string::npos) << plan.status().message();
  }
}

TEST(Request, SubjectWithoutANameIsRefused) {
  const std::string path = witness::TemporaryPath("nameless_subject_test.textproto");
  for (const char* subject : {"program { }", "port { }", "sketch { }"}) {
    ASSERT_TRUE(WriteTextFile("capture: \"/a\"\n" + std::string(subject) + "\n", path, true).ok());
    const auto plan = LoadPlan(path);
    ASSERT_FALSE(plan.ok()) << subject;
    EXPECT_NE(plan.status().message().find(": 2:"), std::string::npos) << plan.status().message();
    EXPECT_NE(plan.status().message().find("name the"), std::string::npos)
        << plan.status().message();
  }
}

TEST(Request, WrongPlanNamesLineAndColumn) {
  const std::string path = witness::TemporaryPath("wrong_plan_test.textproto");
  ASSERT_TRUE(WriteTextFile("capture: \"x.witness\"\nprogram { argument: \"a\" }\n"
                            "vary {\n  factor: \"endings\"\n}\n",
                            path, true)
                  .ok());
  const auto plan = LoadPlan(path);
  ASSERT_FALSE(plan.ok());
  EXPECT_NE(plan.status().message().find(": 4:3: factor"), std::string::npos)
      << plan.status().message();
  EXPECT_FALSE(SavePlan({}, "", path).ok());  // not ours: never replaced
}

}  // namespace
}  // namespace trial
