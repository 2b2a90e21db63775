#include "replay/judge/inside.h"

#include <algorithm>

#include "capture/base/text.h"

namespace trial {
namespace {

struct Fault {
  const char* kind;  // of the remark
  const char* name;  // of the diagnosis
  bool loss;         // bytes of a reply did not reach the subject
};

// Strongest first. Kinds are those of replay/subject/sketch/findings.h.
constexpr Fault kFaults[] = {
    {"elsewhere", "module-elsewhere", false},  //
    {"stack", "stack-overflow", false},       {"reset", "restarts", false},
    {"deaf", "listens-elsewhere", true},      {"sending", "sends-while-receiving", true},
    {"overrun", "loses-bytes", true},         {"missed", "misses-bytes", true},
    {"cut", "cuts-own-command", false},       {"rate", "wrong-rate", true},
    {"framing", "garbled-bytes", true},       {"garbled", "garbled-bytes", true},
    {"off", "port-not-open", true},
};

const Fault* Find(const Remark& remark) {
  const auto* found = std::find_if(std::begin(kFaults), std::end(kFaults),
                                   [&](const Fault& f) { return remark.kind == f.kind; });
  return found == std::end(kFaults) ? nullptr : found;
}

bool Fresh(const Remark& remark, const Observations& baseline) {
  return std::none_of(baseline.remarks.begin(), baseline.remarks.end(), [&](const Remark& r) {
    return r.kind == remark.kind && r.text == remark.text;
  });
}

void AddOnce(const std::string& text, std::size_t most, std::vector<std::string>& texts) {
  if (texts.size() < most && std::find(texts.begin(), texts.end(), text) == texts.end())
    texts.push_back(text);
}

}  // namespace

std::vector<Diagnosis> Faults(const Observations& seen) {
  std::vector<Diagnosis> all;
  for (const Fault& fault : kFaults) {
    Diagnosis diagnosis{fault.name, "", {}};
    for (const Remark& remark : seen.remarks) {
      if (remark.kind != fault.kind) continue;
      if (diagnosis.words.empty())
        diagnosis.words = remark.text;
      else if (remark.text != diagnosis.words)
        AddOnce(remark.text, 3, diagnosis.evidence);
    }
    if (!diagnosis.words.empty()) all.push_back(std::move(diagnosis));
  }
  return all;
}

const Remark* LostReply(const Observations& seen) {
  const Remark* worst = nullptr;
  const Fault* why = nullptr;
  for (const Remark& remark : seen.remarks) {
    const Fault* fault = Find(remark);
    if (fault == nullptr || !fault->loss) continue;
    if (why != nullptr && (fault > why || (fault == why && remark.count <= worst->count))) continue;
    worst = &remark;
    why = fault;
  }
  return worst;
}

std::optional<Diagnosis> InsideFault(const Observations& baseline, const Observations& trial,
                                     const std::optional<Divergence>& divergence) {
  const Remark* best = nullptr;
  for (const Remark& remark : trial.remarks) {
    const Fault* fault = Find(remark);
    if (fault == nullptr || !Fresh(remark, baseline)) continue;
    if (divergence && remark.at > divergence->at) continue;
    // The strongest; of equal ones the first.
    if (best == nullptr || fault < Find(*best)) best = &remark;
  }
  if (best == nullptr) return std::nullopt;
  Diagnosis diagnosis{Find(*best)->name, best->text, {}};
  for (const Remark& remark : trial.remarks)
    if (Fresh(remark, baseline) && Find(remark) != nullptr && remark.text != best->text)
      AddOnce(remark.text, 3, diagnosis.evidence);
  return diagnosis;
}

std::vector<std::string> FreshRemarks(const Observations& baseline, const Observations& trial,
                                      std::size_t most) {
  std::vector<std::string> texts;
  std::size_t more = 0;
  for (const Remark& remark : trial.remarks) {
    if (!Fresh(remark, baseline)) continue;
    if (std::find(texts.begin(), texts.end(), remark.text) != texts.end()) continue;
    if (texts.size() < most)
      texts.push_back(remark.text);
    else
      ++more;
  }
  if (more > 0) texts.push_back("and " + std::to_string(more) + " more of the kind");
  return texts;
}

bool SpinsWhileItWaits(const Observations& seen) {
  const Duration length = seen.ended - Instant();
  // On a busy machine a program that spins stands in the queue for the processor: that time counts
  // as spent. A program that sleeps while it waits does not stand there.
  return !seen.virtual_time && length >= Duration::Milliseconds(300) &&
         seen.cpu_time + seen.starved >= length * 8 / 10 && seen.cpu_time >= length * 2 / 10;
}

std::vector<std::string> ResourceNotes(const Observations& baseline, const Observations& trial) {
  std::vector<std::string> notes;
  if (trial.virtual_time) return notes;
  for (const Remark& remark : trial.remarks)
    if ((remark.kind == "orphan" || remark.kind == "output") && Fresh(remark, baseline))
      notes.push_back(remark.text);
  if (SpinsWhileItWaits(trial) && !SpinsWhileItWaits(baseline))
    notes.push_back("used " + witness::FormatDuration(trial.cpu_time) +
                    " of processor time: it asks again and again while it waits");
  if (trial.unread_bytes > 0 && trial.unread_bytes != baseline.unread_bytes)
    notes.push_back(std::to_string(trial.unread_bytes) +
                    (trial.unread_bytes == 1 ? " byte" : " bytes") + " not read at its end");
  return notes;
}

std::vector<std::string> BaselineNotes(const Observations& baseline) {
  std::vector<std::string> notes;
  std::size_t last_reply = 0;
  for (const Said& said : baseline.said)
    if (said.send.command == baseline.commands.size() && said.send.sort == SaidSort::kAnswer)
      last_reply += said.send.bytes.size();
  for (const Remark& remark : baseline.remarks) {
    if (remark.kind == "talk") notes.push_back(remark.text);
    if (remark.kind == "stray") AddOnce(remark.text, 2, notes);
    // All of it; a line that was read to its end leaves less.
    if (remark.kind == "unread" && last_reply > 0 && remark.count >= last_reply &&
        remark.at >= baseline.ended)
      notes.push_back("the reply to command " + std::to_string(baseline.commands.size()) +
                      " was never read");
  }
  return notes;
}

void AddInsideEvidence(const Observations& baseline, const Observations& trial,
                       Diagnosis& diagnosis) {
  std::size_t added = 0;
  for (const Remark& remark : trial.remarks) {
    if ((remark.kind != "wait" && remark.kind != "unread") || !Fresh(remark, baseline)) continue;
    if (added++ == 3) return;
    diagnosis.evidence.push_back(remark.text);
  }
}

}  // namespace trial
