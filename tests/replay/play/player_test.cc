#include "replay/play/player.h"

#include <gtest/gtest.h>

#include <random>

#include "capture/base/text.h"

namespace trial {
namespace {

Instant At(std::int64_t ms) { return Instant::FromNanoseconds(ms * 1'000'000); }
Duration Ms(std::int64_t ms) { return Duration::Milliseconds(ms); }

Part ModulePart() {
  Part part;
  part.command_end.terminators = {"\r\n"};
  part.rules = {{{Match::kIgnoringEnding, "AT", false}, {{{{Ms(20), "OK\r\n"}}, 1}}},
                {{Match::kIgnoringEnding, "AT+FW?", false},
                 {{{{Ms(20), "sedge"}, {Ms(35), "-b 1.8\r\n"}}, 2}, {{{Ms(5), "again\r\n"}}, 3}}}};
  part.unknown = Answer{{{Ms(10), "ERROR\r\n"}}};
  return part;
}

// Runs the player in virtual time until `until`, feeding `input` at its times.
struct Told {
  Instant at;
  Bytes bytes;
};
std::vector<Send> PlayUntil(Player& player, const std::vector<Told>& input, Instant until) {
  std::vector<Send> sends;
  player.Start(At(0));
  player.Advance(At(0), sends);
  std::size_t next = 0;
  while (true) {
    Instant now = player.NextAt();
    if (next < input.size()) now = std::min(now, input[next].at);
    if (now > until) break;
    while (next < input.size() && input[next].at == now) player.Receive(now, input[next++].bytes);
    player.Advance(now, sends);
  }
  return sends;
}

std::string Written(const std::vector<Send>& sends) {
  std::string out;
  for (const Send& send : sends)
    out += std::to_string(send.due.ns() / 1'000'000) + " " + witness::ToEscapes(send.bytes) + "; ";
  return out;
}

TEST(Player, AsleepItLosesWhatComesFirst) {
  Part part = ModulePart();
  part.sleeps_after = Ms(4000);
  Player player(part);
  const auto sends = PlayUntil(player,
                               {{At(100), "AT\r\n"},
                                {At(4000), "AT\r\n"},  // awake still
                                {At(9000), "AT\r\n"},  // the A is lost
                                {At(14'000), "\r\n"},  // wakes it
                                {At(14'300), "AT\r\n"}},
                               At(20'000));
  EXPECT_EQ(Written(sends), "120 OK\\r\\n; 4020 OK\\r\\n; 9010 ERROR\\r\\n; 14320 OK\\r\\n; ");
}

TEST(Player, TerminatorEndsTheCommandAndTheAnswerKeepsItsTimes) {
  Player player(ModulePart());
  const auto sends = PlayUntil(player, {{At(100), "AT+FW?\r\n"}}, At(1000));
  EXPECT_EQ(Written(sends), "120 sedge; 155 -b 1.8\\r\\n; ");
  ASSERT_EQ(player.commands().size(), 1u);
  EXPECT_EQ(player.commands()[0].taken, At(100));
  EXPECT_EQ(player.commands()[0].turn, 2u);
  EXPECT_TRUE(player.Idle());
}

TEST(Player, NothingIsSentBeforeItsTime) {
  Player player(ModulePart());
  std::vector<Send> sends;
  player.Start(At(0));
  player.Receive(At(100), "AT\r\n");
  player.Advance(Instant::FromNanoseconds(119'999'999), sends);
  EXPECT_TRUE(sends.empty());
  EXPECT_EQ(player.NextAt(), At(120));
  player.Advance(At(120), sends);
  EXPECT_EQ(sends.size(), 1u);
  EXPECT_TRUE(player.NextAt().never());
}

TEST(Player, CommandWithoutItsTerminatorIsNeverTaken) {
  Player player(ModulePart());
  EXPECT_TRUE(PlayUntil(player, {{At(1), "AT\r"}, {At(500), "AT"}}, At(10000)).empty());
  EXPECT_EQ(player.unfinished(), "AT\rAT");
}

TEST(Player, SilenceEndsTheCommand) {
  Part part = ModulePart();
  part.command_end = {{}, Ms(400)};
  Player player(part);
  // 100 ms between the bytes do not end it; 400 ms do.
  EXPECT_EQ(Written(PlayUntil(player, {{At(0), "A"}, {At(100), "T"}}, At(10000))),
            "520 OK\\r\\n; ");
  ASSERT_EQ(player.commands().size(), 1u);
  EXPECT_TRUE(player.commands()[0].by_silence);
  EXPECT_EQ(player.commands()[0].taken, At(500));
}

TEST(Player, ByteAtTheDeadlineBeginsTheNextCommand) {
  Part part = ModulePart();
  part.command_end = {{}, Ms(400)};
  Player player(part);
  PlayUntil(player, {{At(0), "AT"}, {At(400), "AT"}}, At(10000));
  EXPECT_EQ(player.commands().size(), 2u);
}

TEST(Player, WhicheverEndComesFirst) {
  Part part = ModulePart();
  part.command_end = {{"\r"}, Ms(400)};
  Player player(part);
  PlayUntil(player, {{At(0), "AT\rAT"}}, At(10000));
  ASSERT_EQ(player.commands().size(), 2u);
  EXPECT_FALSE(player.commands()[0].by_silence);
  EXPECT_TRUE(player.commands()[1].by_silence);
}

TEST(Player, RestOfALongerTerminatorBelongsToTheCommand) {
  Part part = ModulePart();
  part.command_end.terminators = {"\r", "\r\n"};
  Player player(part);
  PlayUntil(player, {{At(0), "AT\r"}, {At(1), "\nAT\r"}}, At(10000));
  ASSERT_EQ(player.commands().size(), 2u);
  EXPECT_EQ(player.commands()[0].bytes, "AT\r\n");
  EXPECT_EQ(player.commands()[1].bytes, "AT\r");
}

TEST(Player, LoneLineEndingIsNoCommand) {
  Player player(ModulePart());
  EXPECT_TRUE(PlayUntil(player, {{At(0), "\r\n\r\n"}}, At(1000)).empty());
  EXPECT_TRUE(player.commands().empty());
}

TEST(Player, UnknownCommandGetsTheModulesNo) {
  Player player(ModulePart());
  const auto sends = PlayUntil(player, {{At(0), "AT+X\r\n"}}, At(1000));
  EXPECT_EQ(Written(sends), "10 ERROR\\r\\n; ");
  EXPECT_EQ(sends[0].sort, SaidSort::kUnknownAnswer);
  EXPECT_FALSE(player.commands()[0].known);
}

TEST(Player, UnknownCommandGetsSilenceIfThePartHasNoNo) {
  Part part = ModulePart();
  part.unknown.reset();
  Player player(part);
  EXPECT_TRUE(PlayUntil(player, {{At(0), "AT+X\r\n"}}, At(1000)).empty());
  EXPECT_EQ(player.commands().size(), 1u);
}

TEST(Player, CommandMetAgainGetsItsNextAnswerAndTheLastRepeats) {
  Player player(ModulePart());
  const auto sends = PlayUntil(
      player, {{At(0), "AT+FW?\r\n"}, {At(200), "AT+FW?\r\n"}, {At(400), "AT+FW?\r\n"}}, At(1000));
  EXPECT_EQ(Written(sends), "20 sedge; 55 -b 1.8\\r\\n; 205 again\\r\\n; 405 again\\r\\n; ");
}

TEST(Player, InOrderTheTurnDecidesWhateverTheCommandSays) {
  Part part = ModulePart();
  part.following = Following::kInOrder;
  Player player(part);
  const auto sends = PlayUntil(
      player,
      {{At(0), "AT+FW?\r\n"}, {At(100), "AT\r\n"}, {At(200), "AT+Z\r\n"}, {At(300), "AT\r\n"}},
      At(1000));
  EXPECT_EQ(Written(sends), "20 OK\\r\\n; 120 sedge; 155 -b 1.8\\r\\n; 205 again\\r\\n; ");
}

TEST(Player, CommandDuringAnAnswerIsAnsweredBehindIt) {
  Player player(ModulePart());
  const auto sends = PlayUntil(player, {{At(0), "AT+FW?\r\n"}, {At(30), "AT\r\n"}}, At(1000));
  EXPECT_EQ(Written(sends), "20 sedge; 55 -b 1.8\\r\\n; 75 OK\\r\\n; ");
}

TEST(Player, EchoByCharacterComesAtOnce) {
  Part part = ModulePart();
  part.echo = Echo::kByCharacter;
  Player player(part);
  EXPECT_EQ(Written(PlayUntil(player, {{At(0), "A"}, {At(7), "T\r\n"}}, At(1000))),
            "0 A; 7 T\\r\\n; 27 OK\\r\\n; ");
}

TEST(Player, WholeEchoComesWhenTheCommandHasEndedAndTheAnswerWaitsForALateOne) {
  Part part = ModulePart();
  part.echo = Echo::kWhole;
  part.echo_delay = Ms(50);
  Player player(part);
  EXPECT_EQ(Written(PlayUntil(player, {{At(0), "A"}, {At(7), "T\r\n"}}, At(1000))),
            "57 AT\\r\\n; 77 OK\\r\\n; ");
}

TEST(Player, UnaskedLinesComeAtTheirTimesAndAfterTheirCommands) {
  Part part = ModulePart();
  part.unasked = {{Ms(50), std::nullopt, Ms(100), {{Duration::Zero(), "beat"}}},
                  {std::nullopt, 1u, std::nullopt, {{Ms(3), "after"}}}};
  Player player(part);
  EXPECT_EQ(Written(PlayUntil(player, {{At(0), "AT\r\n"}}, At(260))),
            "20 OK\\r\\n; 23 after; 50 beat; 150 beat; 250 beat; ");
}

TEST(Player, AnySplitOfTheSameBytesPlaysAlike) {
  const Bytes all = "AT\r\nAT+FW?\r\nAT+X\r\n\r\nAT+FW?\r\nrest";
  for (const Echo echo : {Echo::kOff, Echo::kWhole}) {
    Part part = ModulePart();
    part.echo = echo;
    part.command_end.terminators = {"\r", "\r\n"};
    Player whole(part);
    const auto expected = PlayUntil(whole, {{At(5), all}}, At(10000));
    std::mt19937 random(7);
    for (int round = 0; round < 200; ++round) {
      std::vector<Told> input;
      for (std::size_t i = 0; i < all.size();) {
        const std::size_t n = 1 + random() % 6;
        input.push_back({At(5), all.substr(i, n)});
        i += n;
      }
      Player split(part);
      ASSERT_EQ(PlayUntil(split, input, At(10000)), expected) << "round " << round;
      ASSERT_EQ(split.commands(), whole.commands());
      ASSERT_EQ(split.unfinished(), "rest");
    }
  }
}

TEST(Player, LateCallerDoesNotMakeLaterPiecesLater) {
  Player player(ModulePart());
  std::vector<Send> sends;
  player.Start(At(0));
  player.Receive(At(0), "AT+FW?\r\n");
  player.Advance(At(30), sends);  // 10 ms late
  player.Advance(At(90), sends);
  ASSERT_EQ(sends.size(), 2u);
  EXPECT_EQ(sends[1].due, At(55));
}

Part HostPart() {
  Part part;
  part.plays = witness::Side::kHost;
  part.asks = {{Ms(10), "AT\r\n", {{Ms(20), "OK\r\n"}}, Ms(2000), Ms(500)},
               {Ms(30), "AT+FW?\r\n", {{Ms(20), "sedge\r\n"}}, Ms(2000), Ms(500)},
               {Ms(40), "AT\r\n", {}, Ms(300), Ms(500)}};
  return part;
}

TEST(Player, HostAsksTheNextAsSoonAsAllThatIsExpectedCame) {
  Player player(HostPart());
  const auto sends =
      PlayUntil(player, {{At(30), "OK"}, {At(32), "\r\n"}, {At(100), "sedge\r\n"}}, At(10000));
  EXPECT_EQ(Written(sends), "10 AT\\r\\n; 62 AT+FW?\\r\\n; 140 AT\\r\\n; ");
  ASSERT_EQ(player.answers().size(), 3u);
  EXPECT_EQ(player.answers()[0].bytes, "OK\r\n");
  EXPECT_EQ(player.answers()[0].pieces.size(), 2u);
  EXPECT_EQ(player.answers()[0].pieces[0].after, Ms(20));
  EXPECT_TRUE(player.Idle());
}

TEST(Player, HostWaitsForSilenceBehindAnUnexpectedAnswer) {
  Player player(HostPart());
  const auto sends = PlayUntil(player, {{At(30), "ERROR\r\n"}}, At(1000));
  EXPECT_EQ(Written(sends), "10 AT\\r\\n; 530 AT+FW?\\r\\n; ");
}

TEST(Player, HostGoesOnWhenNoAnswerComes) {
  Player player(HostPart());
  const auto sends = PlayUntil(player, {}, At(100'000));
  EXPECT_EQ(Written(sends), "10 AT\\r\\n; 2040 AT+FW?\\r\\n; 4080 AT\\r\\n; ");
  EXPECT_TRUE(player.Idle());
}

}  // namespace
}  // namespace trial
