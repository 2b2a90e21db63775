// Rules about what was seen inside a subject, and what it used.
#include "capture/base/text.h"
#include "replay/judge/diagnosis_rules.h"
#include "replay/judge/inside.h"

namespace trial {

using witness::FormatDuration;

// What was seen inside an emulated board.
std::optional<Diagnosis> ShownInside(const Case& c) {
  auto fault = InsideFault(c.base, c.seen, c.trial.verdict.divergence);
  // It was sending while the rest of a reply came because it took the beginning for all of it.
  // Where the whole reply came later, it is the sending that went by the clock.
  if (fault && fault->name == "sends-while-receiving" && !c.Varies("turnaround"))
    if (auto early = ReadsTooEarly(c); early && early->name == "reads-too-early") {
      early->evidence.push_back(fault->words);
      return early;
    }
  return fault;
}

// An emulated board that hangs or crashes and nothing else tells why.
std::optional<Diagnosis> EndsBadly(const Case& c) {
  if (c.seen.ending_words.empty()) return std::nullopt;
  if (c.seen.ending == SubjectEnding::kHung) return Diagnosis{"hangs", c.seen.ending_words, {}};
  if (c.seen.ending == SubjectEnding::kCrashed)
    return Diagnosis{"crashes", c.seen.ending_words, {}};
  return std::nullopt;
}

// Nothing else differs but that something of it goes on living.
std::optional<Diagnosis> LeavesProcess(const Case& c) {
  for (const Remark& remark : c.seen.remarks)
    if (remark.kind == "orphan" && c.trial.verdict.divergence->what == remark.text)
      return Diagnosis{"leaves-process",
                       "ends and leaves behind what it started",
                       {remark.text + ", which it did not do with the replies as recorded"}};
  return std::nullopt;
}

std::optional<Diagnosis> Spins(const Case& c) {
  if (!SpinsWhileItWaits(c.seen)) return std::nullopt;
  const Duration length = c.seen.ended - Instant();
  return Diagnosis{"spins",
                   "spends the processor's time while it waits: it asks again and again",
                   {"used " + FormatDuration(c.seen.cpu_time) + " of processor time in " +
                    FormatDuration(length)}};
}

}  // namespace trial
