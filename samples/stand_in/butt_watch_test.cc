// The whole sketch, as it goes onto the board: its .ino file is compiled into this test.
#include "../sketches/butt_watch_copes.ino"

#include <bytewitness/each_variation.h>

class ButtWatch : public bytewitness::VariationTest {};

TEST_P(ButtWatch, TellsTheSignal) {
  radio.wire(module);
  setup();
  loop();
  const std::string told = Serial.written();
  EXPECT_EQ(told, "signal -71\r\n");
  EXPECT_EQ(module.commands().size(), 4u);
  EXPECT_TRUE(module.unknown_commands().empty());
}

INSTANTIATE_TEST_SUITE_P(SedgeB, ButtWatch,
                         bytewitness::for_each_variation(SAMPLES "/sedge-b.textproto"),
                         bytewitness::variation_name);
