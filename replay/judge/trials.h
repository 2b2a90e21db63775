// Runs a plan: the baseline first (twice, to learn what the subject does otherwise each time), then
// every combination, several at once, and judges them.
//
// What did not hold while other trials ran beside it is run again alone before it is called broken
// or slow, unless nothing disturbed it, so that the verdicts are those of one trial at a time. What
// did not hold alone on a machine that was too busy is repeated, and called no contest in the end.
#pragma once

#include <atomic>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "capture/base/result.h"
#include "replay/judge/judge.h"
#include "replay/subject/subject.h"
#include "replay/vary/plan.h"

namespace trial {

struct TrialResult {
  std::size_t index = 0;  // place in the whole plan, from 0
  Combination combination;
  Expectation expectation;
  Verdict verdict;
  Observations observations;
  Part played;  // the varied part
  std::vector<std::string> notes;
  std::uint32_t held = 0;  // of `runs`
  std::uint32_t runs = 0;
  Duration took;
  bool changed = true;                 // false: the variation changes nothing in this part
  Combination smallest;                // after shrinking; empty: not shrunk
  std::vector<std::string> shrinking;  // what was tried, in words
  std::string plan;                    // saved plan that reproduces the smallest
  std::string kept;                    // the conversation's capture
};

struct SendTiming {
  std::uint64_t sends = 0;
  Duration p50;
  Duration p99;
  Duration most;
};

struct TrialsSetup {
  Part part;  // with numbered replies
  const Part* with = nullptr;
  std::vector<Combination> plan;
  std::uint64_t seed = 1;
  int jobs = 1;
  bool jobs_given = true;  // false: `jobs` at most, fewer if the subject needs the processor much
  std::uint32_t repeat = 1;
  Duration run_for;       // a program that runs for ever is watched for so long; zero: as recorded
  std::size_t shard = 0;  // of `shards`, from 0
  std::size_t shards = 1;
  // Runs spent on making broken combinations smaller, each, and for how many of them.
  std::size_t shrink_runs = 40;
  std::size_t shrink_at_most = 4;
  bool shrink_alike = false;  // also those that look like one that was made smaller already
};

struct TrialsOutcome {
  TrialResult baseline;
  std::vector<TrialResult> trials;  // by index; of this shard only
  SendTiming timing;
  std::string following;     // which, and why
  Part played;               // the part as followed
  bool interrupted = false;  // not all of the plan was tried, or made smaller
};

class Trials {
 public:
  // All must outlive this object.
  Trials(Subject& subject, const Judge& judge, TrialsSetup setup);

  // Called after each run of a trial, from the thread that called Run.
  std::function<void(const TrialResult& result, std::size_t done, std::size_t all)> on_trial;

  // A Status where no trial could take place at all. Interrupted behind the baseline, it hands back
  // what was done by then.
  witness::Result<TrialsOutcome> Run();

 private:
  witness::Result<TrialResult> RunAsRecorded(const Part& part);
  witness::Result<TrialResult> RunBaseline(const Part& part);
  bool FindWhereToStop(const Part& part, const Observations& seen);
  witness::Status LearnClock(Part part, TrialResult& baseline);
  RunLimits Limits(const Observations& baseline) const;
  witness::Result<TrialResult> RunTrial(std::size_t index, const Combination& combination,
                                        bool alone);
  Verdict JudgeTrial(TrialResult& trial) const;
  Duration Within(const Part& part) const;
  int AtOnce(std::size_t tasks) const;
  witness::Status RunAll(const std::vector<std::size_t>& indices);
  witness::Status Follow();
  witness::Status Explain();
  void Shrink();
  void NoteTiming(const Observations& observations);

  Subject& subject_;
  const Judge& judge_;
  TrialsSetup setup_;
  TrialsOutcome outcome_;
  Steadiness steadiness_;
  std::optional<std::size_t> stop_behind_;  // RunLimits::stop_behind, if the subject runs for ever
  Duration linger_;
  std::vector<Duration> send_errors_;
};

// How many trials to run at once if nobody says: by processors and free memory.
int UsualJobs();

SendTiming TimingOf(std::vector<Duration> errors);

}  // namespace trial
