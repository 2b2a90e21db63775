// The rules of a diagnosis, one function each: says what the subject does wrong if the evidence for
// it is in the case, else nothing. Only for the diagnosis*.cc files.
#pragma once

#include "replay/judge/diagnosis_case.h"

namespace trial {

// When it reads, and for how long (diagnosis_waiting.cc).
std::optional<Diagnosis> ReadsFixedCount(const Case& c);
std::optional<Diagnosis> WaitsForLineEnding(const Case& c);
std::optional<Diagnosis> Hangs(const Case& c);

// That it goes on before all is there (diagnosis_early.cc).
std::optional<Diagnosis> ReadsTooEarly(const Case& c);
std::optional<Diagnosis> EarlyFromTheFirst(const Case& c);
std::optional<Diagnosis> TakesAPiece(const Case& c);
std::optional<Diagnosis> SpeaksBeforeReply(const Case& c);
std::optional<Diagnosis> MindsTiming(const Case& c);

// What comes besides the reply (diagnosis_besides.cc).
std::optional<Diagnosis> TakesAnotherForTheReply(const Case& c);
std::optional<Diagnosis> CountsOnEcho(const Case& c);

// For what it takes the reply (diagnosis_taking.cc).
std::optional<Diagnosis> ReadsRecordedCount(const Case& c);
std::optional<Diagnosis> LeavesLineEnding(const Case& c);
std::optional<Diagnosis> SendsLineEnding(const Case& c);
std::optional<Diagnosis> KeepsLineEnding(const Case& c);
std::optional<Diagnosis> CannotDecode(const Case& c);
std::optional<Diagnosis> ComparesCase(const Case& c);
std::optional<Diagnosis> CutsLongReply(const Case& c);
std::optional<Diagnosis> FailsOnLongReply(const Case& c);
std::optional<Diagnosis> CrashesOnReply(const Case& c);

// What was seen inside of it, and what it used (diagnosis_inside.cc).
std::optional<Diagnosis> ShownInside(const Case& c);
std::optional<Diagnosis> LeavesProcess(const Case& c);
std::optional<Diagnosis> EndsBadly(const Case& c);
std::optional<Diagnosis> Spins(const Case& c);

}  // namespace trial
