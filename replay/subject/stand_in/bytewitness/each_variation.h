// One GoogleTest for each variation:
//
//   class Signal : public bytewitness::VariationTest {};
//   TEST_P(Signal, IsRead) { EXPECT_EQ(SignalStrength(module), -71); }
//   INSTANTIATE_TEST_SUITE_P(SedgeB, Signal,
//                            bytewitness::for_each_variation("sedge-b.textproto", {"ending"}),
//                            bytewitness::variation_name);
//
// A test that fails tells what was said.
#pragma once

#include <gtest/gtest.h>

#include <ostream>
#include <string>
#include <vector>

#include "bytewitness/stand_in.h"

namespace bytewitness {

class VariationTest : public testing::TestWithParam<VariedPart> {
 protected:
  void TearDown() override {
    if (HasFailure()) ADD_FAILURE() << "What was said:\n" << module.account();
  }
  StandIn module{GetParam()};
};

// For INSTANTIATE_TEST_SUITE_P. See variations_of.
inline auto for_each_variation(const std::string& path, const std::vector<std::string>& vary = {}) {
  return testing::ValuesIn(variations_of(path, vary));
}
inline auto for_each_pair_of_variations(const std::string& path,
                                        const std::vector<std::string>& vary = {}) {
  return testing::ValuesIn(pairs_of_variations_of(path, vary));
}

// "ending_none": letters, digits and underscores, as GoogleTest wants them; "2_" in front of the
// second test, so that no two have one name.
inline std::string variation_name(const testing::TestParamInfo<VariedPart>& info) {
  std::string name = info.param.variation.empty() ? "as recorded" : info.param.variation;
  for (char& c : name) {
    const bool plain = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9');
    if (!plain) c = '_';
  }
  return std::to_string(info.index) + "_" + name;
}

inline void PrintTo(const VariedPart& part, std::ostream* out) {
  *out << part.path << ", " << (part.variation.empty() ? "as recorded" : part.variation);
}

}  // namespace bytewitness
