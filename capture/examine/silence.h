// How long a silence separates: derived from the gaps between bytes.
#pragma once

#include <optional>
#include <vector>

#include "capture/examine/conventions.h"

namespace witness {

struct SilenceHints {
  Duration character_time;     // zero: unknown
  Duration stamp_uncertainty;  // a gap may look longer or shorter by this
  bool one_sided = false;      // nothing but silence can separate
  Duration pause_in_answers;   // such pauses do not separate; zero: not known yet
};

// Late stamps and the like can feign no gap that is longer.
Duration ShortestSilence(const SilenceHints& hints);

// `gaps`: idle times between bytes of the same side with nothing of the other side between, in any
// order. The threshold goes into the widest stretch of lengths that (nearly) no gap has, wide on a
// logarithmic scale, near 100 ms if there is a choice: pauses inside an answer are usually shorter
// and pauses between utterances longer (common practice, no source). Never below 3.5 character
// times (Modbus over Serial Line V1.02, 2.5.1.1) nor below what late stamps can feign. Gaps of more
// than 2 s count as 2 s.
//
// `rival`, if given: another threshold that explains the gaps nearly as well, if there is one.
SilenceThreshold DeriveSilence(std::vector<Duration> gaps, const SilenceHints& hints,
                               std::optional<SilenceThreshold>* rival = nullptr);

}  // namespace witness
