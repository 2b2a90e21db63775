// The half of `bytewitness compare` that is about profiles.
#pragma once

#include <string>

namespace witness {

// Compares two profiles, prints what is the same and what differs; returns the exit status.
int RunCompareProfiles(const std::string& first, const std::string& second, bool json);

}  // namespace witness
