// One function of a sketch against each variation of each of the three Sedge modules.
#include "signal.h"

#include <bytewitness/each_variation.h>

class Signal : public bytewitness::VariationTest {};

TEST_P(Signal, IsRead) {
  EXPECT_EQ(signalStrength(module), -71);
  EXPECT_EQ(signalStrength(module), -74);
  EXPECT_EQ(module.lost(), 0u);
}

const std::vector<std::string> kVary = {"ending", "split", "pace", "turnaround"};
INSTANTIATE_TEST_SUITE_P(SedgeA, Signal,
                         bytewitness::for_each_variation(SAMPLES "/sedge-a.textproto", kVary),
                         bytewitness::variation_name);
INSTANTIATE_TEST_SUITE_P(SedgeB, Signal,
                         bytewitness::for_each_variation(SAMPLES "/sedge-b.textproto", kVary),
                         bytewitness::variation_name);
INSTANTIATE_TEST_SUITE_P(SedgeC, Signal,
                         bytewitness::for_each_variation(SAMPLES "/sedge-c.textproto", kVary),
                         bytewitness::variation_name);

// A module that says nothing at all: the function must come back.
TEST(Signal, SilentModuleGivesZeroAfterTwoSeconds) {
  bytewitness::StandIn module(SAMPLES "/sedge-b.textproto", "loss=none");
  EXPECT_EQ(signalStrength(module), 0);
  EXPECT_GE(millis(), 2000u);
  EXPECT_LT(millis(), 2100u);
}
