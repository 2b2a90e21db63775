// Between Observations and the generated message. Only for the files that read or print
// trial.proto. `conversation` is not part of the message.
#pragma once

#include "proto/trial.pb.h"
#include "replay/subject/observations.h"

namespace trial {

void ObservationsToMessage(const Observations& observations,
                           bytewitness::TrialObservations& message);
Observations ObservationsFromMessage(const bytewitness::TrialObservations& message);

}  // namespace trial
