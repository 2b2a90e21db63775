#include "replay/vary/variation.h"

#include <gtest/gtest.h>

#include <random>

#include "capture/base/text.h"
#include "replay/vary/plan.h"
#include "replay/vary/shrink.h"

namespace trial {
namespace {

Duration Ms(std::int64_t ms) { return Duration::Milliseconds(ms); }

Part PartWith(const std::vector<std::vector<Piece>>& answers) {
  Part part;
  part.command_end.terminators = {"\r\n"};
  std::uint32_t turn = 0;
  for (const auto& pieces : answers) {
    ++turn;
    part.rules.push_back(
        {{Match::kIgnoringEnding, "AT" + std::to_string(turn), false}, {{pieces, turn}}});
  }
  return part;
}

Varied Put(const Part& part, const std::string& names, std::uint64_t seed = 1) {
  Combination combination;
  std::istringstream words(names);
  for (std::string word; words >> word;) {
    auto variation = ParseVariation(word);
    EXPECT_TRUE(variation.ok()) << variation.status().message();
    if (variation.ok()) combination.push_back(*variation);
  }
  VariationContext context;
  context.seed = seed;
  auto varied = Vary(part, combination, context);
  EXPECT_TRUE(varied.ok()) << varied.status().message();
  return varied.ok() ? *varied : Varied{};
}

// The n-th reply, pieces written "20 OK\r\n; 35 more".
std::string Reply(const Part& part, std::size_t n = 1) {
  std::string out;
  for (const Piece& piece : part.rules[n - 1].answers[0].pieces)
    out += (out.empty() ? "" : "; ") + std::to_string(piece.after.ns() / 1'000'000) + " " +
           witness::ToEscapes(piece.bytes);
  return out;
}

std::string One(const Bytes& reply, const std::string& variation) {
  return Reply(Put(PartWith({{{Ms(20), reply}}}), variation).part);
}

// A reply in the V.250 form: ITU-T V.250 (07/2003) 5.7.1, verbose information text and result code.
const char* const kVerbose = "\r\n+FW: 1.8\r\n\r\nOK\r\n";

TEST(LineEndings, NoneTakesThoseAtBothEndsAndKeepsThoseInside) {
  EXPECT_EQ(One(kVerbose, "ending=none"), "20 +FW: 1.8\\r\\n\\r\\nOK");
}

TEST(LineEndings, BareTakesThoseInsideToo) {
  EXPECT_EQ(One(kVerbose, "ending=bare"), "20 +FW: 1.8OK");
}

TEST(LineEndings, EveryOneIsReplaced) {
  EXPECT_EQ(One(kVerbose, "ending=cr"), "20 \\r+FW: 1.8\\r\\rOK\\r");
  EXPECT_EQ(One(kVerbose, "ending=lf"), "20 \\n+FW: 1.8\\n\\nOK\\n");
  EXPECT_EQ(One("a\rb\nc\r\n", "ending=crlf"), "20 a\\r\\nb\\r\\nc\\r\\n");
}

TEST(LineEndings, SpacesTakeTheirPlaceAndKeepTheLength) {
  EXPECT_EQ(One(kVerbose, "ending=spaces"), "20   +FW: 1.8    OK  ");
  EXPECT_EQ(One("\r\n", "ending=spaces"), "20 \\r\\n");  // nothing but an ending is left alone
}

// Two replies, and a line that comes unasked behind the first.
Part PartWithUnasked() {
  Part part = PartWith({{{Ms(20), "OK\r\n"}}, {{Ms(20), "OK\r\n"}}});
  Unasked line;
  line.after_command = 1;
  line.pieces = {{Ms(150), "+JOIN: 3\r\n"}};
  part.unasked = {line};
  Unasked banner;
  banner.at = Ms(700);
  banner.pieces = {{Duration::Zero(), "READY\r\n"}};
  part.unasked.push_back(banner);
  return part;
}

TEST(Unasked, LinesAreVariedLikeReplies) {
  const Varied varied = Put(PartWithUnasked(), "ending=none");
  EXPECT_EQ(Reply(varied.part), "20 OK");
  EXPECT_EQ(varied.part.unasked[0].pieces, (std::vector<Piece>{{Ms(150), "+JOIN: 3"}}));
  EXPECT_EQ(varied.part.unasked[1].pieces, (std::vector<Piece>{{Duration::Zero(), "READY"}}));
  ASSERT_EQ(varied.notes.size(), 2u);
  EXPECT_EQ(varied.notes[0], "what comes unasked too: +JOIN: 3␍␊");
}

TEST(Unasked, OneReplyLeavesThemAndUnaskedLeavesReplies) {
  EXPECT_EQ(Put(PartWithUnasked(), "ending=none@1").part.unasked, PartWithUnasked().unasked);
  const Varied varied = Put(PartWithUnasked(), "split=4:30ms@unasked");
  EXPECT_EQ(varied.part.rules, PartWithUnasked().rules);
  EXPECT_EQ(varied.part.unasked[0].pieces,
            (std::vector<Piece>{{Ms(150), "+JOI"}, {Ms(30), "N: 3\r\n"}}));
}

TEST(Unasked, ABurstComesWhenItCame) {
  const Varied varied = Put(PartWithUnasked(), "pace=burst");
  EXPECT_EQ(Reply(varied.part), "0 OK\\r\\n");
  EXPECT_EQ(varied.part.unasked, PartWithUnasked().unasked);
  EXPECT_EQ(Put(PartWithUnasked(), "pace=slow:3").part.unasked[1].at, Ms(700));
}

TEST(Unasked, OnlyWhatSomethingSaysCanBeVaried) {
  EXPECT_EQ(ParseVariation("case=lower@unasked")->Name(), "case=lower@unasked");
  EXPECT_FALSE(ParseVariation("echo=whole@unasked").ok());
  EXPECT_FALSE(ParseVariation("ending=none@4294967295").ok());
}

TEST(Unasked, ItsBytesAreLostAndSpoilt) {
  EXPECT_TRUE(Put(PartWithUnasked(), "loss=none").part.unasked[0].pieces.empty());
  EXPECT_EQ(Put(PartWithUnasked(), "loss=drop:1@unasked").part.unasked[0].pieces[0].bytes,
            "+OIN: 3\r\n");
  EXPECT_EQ(Put(PartWithUnasked(), "loss=before").part.unasked, PartWithUnasked().unasked);
  EXPECT_EQ(Put(PartWithUnasked(), "rubbish=ff@unasked").part.unasked[0].pieces[0].bytes, "\xff");
}

TEST(Unasked, ItsTimeAndLengthOnlyIfNamed) {
  EXPECT_EQ(Put(PartWithUnasked(), "turnaround=0s").part.unasked, PartWithUnasked().unasked);
  EXPECT_EQ(Put(PartWithUnasked(), "length=64").part.unasked, PartWithUnasked().unasked);
  const Part now = Put(PartWithUnasked(), "turnaround=7ms@unasked").part;
  EXPECT_EQ(now.unasked[0].pieces[0].after, Ms(7));
  EXPECT_EQ(now.rules, PartWithUnasked().rules);
  EXPECT_EQ(Put(PartWithUnasked(), "length=64@unasked").part.unasked[0].pieces[0].bytes.size(),
            65u);
}

TEST(Shrink, KeepsWhatComesUnaskedIfThatIsIt) {
  const auto breaks = [](const Combination& combination) {
    return combination.size() == 1 &&
           (combination[0].reply == 0 || combination[0].reply == kUnaskedOnly);
  };
  const Shrunk shrunk = Shrink(PartWithUnasked(), {*ParseVariation("ending=none")}, 40, breaks);
  EXPECT_EQ(CombinationName(shrunk.smallest), "ending=none@unasked");
}

TEST(LineEndings, AReplyWithoutAnyGetsOne) {
  EXPECT_EQ(One("OK", "ending=crlf"), "20 OK\\r\\n");
  EXPECT_EQ(One("OK", "ending=cr"), "20 OK\\r");
  EXPECT_EQ(One("OK", "ending=none"), "20 OK");
  EXPECT_EQ(One("\r\n> ", "ending=lf"), "20 \\n> ");  // a prompt stays one
}

TEST(LineEndings, LoneCarriageReturnInBinaryIsKept) {
  const Bytes binary("\x02\r\x07\n\xff\r\n", 7);
  const Varied varied = Put(PartWith({{{Ms(20), binary}}}), "ending=none");
  EXPECT_EQ(varied.part.rules[0].answers[0].pieces[0].bytes, binary);
  ASSERT_EQ(varied.notes.size(), 1u);
  EXPECT_EQ(varied.notes[0], "no text, left as recorded: reply 1");
  EXPECT_FALSE(varied.changed);
}

TEST(LineEndings, OneThatLiesInTwoPiecesIsOne) {
  const Part part = PartWith({{{Ms(20), "OK\r"}, {Ms(35), "\nmore\r\n"}}});
  EXPECT_EQ(Reply(Put(part, "ending=lf").part), "20 OK\\n; 35 more\\n");
}

TEST(LineEndings, APieceThatBecomesEmptyLeavesItsTimeToTheNext) {
  const Part part = PartWith({{{Ms(20), "\r\n"}, {Ms(35), "OK\r\n"}, {Ms(10), "\r\n"}}});
  EXPECT_EQ(Reply(Put(part, "ending=none").part), "55 OK");
}

TEST(LineEndings, TheReplyToUnknownCommandsIsVariedToo) {
  Part part = PartWith({{{Ms(20), "OK\r\n"}}});
  part.unknown = Answer{{{Ms(20), "ERROR\r\n"}}};
  EXPECT_EQ(Put(part, "ending=none").part.unknown->pieces[0].bytes, "ERROR");
}

TEST(Split, AtAPlace) {
  EXPECT_EQ(One("12345", "split=2:35ms"), "20 12; 35 345");
  EXPECT_EQ(One("12345", "split=-1:35ms"), "20 1234; 35 5");
  EXPECT_EQ(One("12345", "split=9"), "20 12345");
}

TEST(Split, ByteByByteWholeLinesAndBeforeTheEnding) {
  EXPECT_EQ(One("abc", "split=bytes:4ms"), "20 a; 4 b; 4 c");
  EXPECT_EQ(One(kVerbose, "split=ending:9ms"), "20 \\r\\n+FW: 1.8\\r\\n\\r\\nOK; 9 \\r\\n");
  EXPECT_EQ(One(kVerbose, "split=lines:9ms"), "20 \\r\\n+FW: 1.8\\r\\n\\r\\n; 9 OK\\r\\n");
  const Part part = PartWith({{{Ms(20), "OK"}, {Ms(35), "\r\n"}}});
  EXPECT_EQ(Reply(Put(part, "split=whole").part), "20 OK\\r\\n");
}

TEST(Pace, BurstSlowPauseAndTurnaround) {
  const Part part = PartWith({{{Ms(20), "OK"}, {Ms(35), "\r\n"}}});
  EXPECT_EQ(Reply(Put(part, "pace=burst").part), "0 OK\\r\\n");
  EXPECT_EQ(Reply(Put(part, "pace=slow:3").part), "60 OK; 105 \\r\\n");
  EXPECT_EQ(Reply(Put(part, "pace=pause:80ms").part), "20 OK; 80 \\r\\n");
  EXPECT_EQ(Reply(Put(part, "turnaround=3s").part), "3000 OK; 35 \\r\\n");
}

TEST(Pace, LineRateGivesEachByteItsTime) {
  // 8N1 takes ten bit times a byte: 1.0417 ms at 9600 baud (arithmetic).
  const Varied varied = Put(PartWith({{{Ms(20), "ab"}}}), "pace=line:9600");
  const auto& pieces = varied.part.rules[0].answers[0].pieces;
  ASSERT_EQ(pieces.size(), 2u);
  EXPECT_EQ(pieces[0].after.ns(), 20'000'000 + 1'041'667);
  EXPECT_EQ(pieces[1].after.ns(), 1'041'667);
}

TEST(Echo, IsSetAndDelayed) {
  const Part part = PartWith({{{Ms(20), "OK"}}});
  EXPECT_EQ(Put(part, "echo=characters").part.echo, Echo::kByCharacter);
  const Part late = Put(part, "echo=late:70ms").part;
  EXPECT_EQ(late.echo, Echo::kWhole);
  EXPECT_EQ(late.echo_delay, Ms(70));
}

TEST(Extra, LinesBeforeAfterAndInside) {
  EXPECT_EQ(One("OK\r\n", "extra=before"), "20 +JOIN: 3\\r\\n; 5 OK\\r\\n");
  EXPECT_EQ(One("OK\r\n", "extra=after:+X\\r"), "20 OK\\r\\n; 5 +X\\r");
  EXPECT_EQ(One(kVerbose, "extra=inside"),
            "20 \\r\\n+FW: 1.8\\r\\n; 5 +JOIN: 3\\r\\n; 5 \\r\\nOK\\r\\n");
  EXPECT_EQ(One(kVerbose, "extra=leftover"), "20 \\r\\n+FW: 1.8\\r\\n\\r\\nOK\\r\\n; 2 OK\\r\\n");
  EXPECT_EQ(Put(PartWith({{{Ms(20), "OK\r\n"}}}), "extra=banner").part.unasked.size(), 1u);
}

// When a subject went on behind each reply is known from the baseline.
Part WithLeftover(Duration quiet, bool on_wire) {
  VariationContext context;
  context.quiet_behind = {{1, quiet}};
  context.on_wire = on_wire;
  Part part = PartWith({{{Ms(20), "+FW: 1.8\r\nOK\r\n"}}});
  part.line.baud = 9600;
  const auto varied = Vary(part, {*ParseVariation("extra=leftover@1")}, context);
  EXPECT_TRUE(varied.ok());
  return varied->part;
}

TEST(Extra, WhatIsLeftOverIsThereBeforeTheNextCommand) {
  EXPECT_EQ(Reply(WithLeftover(Ms(200), false)), "20 +FW: 1.8\\r\\nOK\\r\\n; 150 OK\\r\\n");
  // In the same breath, where the next command comes at once.
  EXPECT_EQ(Reply(WithLeftover(Ms(0), false)), "20 +FW: 1.8\\r\\nOK\\r\\nOK\\r\\n");
  // On a wire four bytes take their time; 9600 8N1: 1.04 ms each.
  EXPECT_EQ(Reply(WithLeftover(Ms(8), true)), "20 +FW: 1.8\\r\\nOK\\r\\nOK\\r\\n");
  EXPECT_EQ(Reply(WithLeftover(Ms(3), true)), "20 +FW: 1.8\\r\\nOK\\r\\n");
}

TEST(Split, OnAWireThePauseBeginsWhenThePieceIsThrough) {
  VariationContext context;
  context.on_wire = true;
  Part part = PartWith({{{Ms(20), "12345678\r\nOK\r\n"}}});
  part.line.baud = 10000;  // ten bits, 1 ms
  const auto varied = Vary(part, {*ParseVariation("split=lines:35ms")}, context);
  ASSERT_TRUE(varied.ok());
  EXPECT_EQ(Reply(varied->part), "20 12345678\\r\\n; 45 OK\\r\\n");
}

TEST(Variation, OneNoteForAllRepliesThatItIsTrueOf) {
  const auto notes =
      Put(PartWith({{{Ms(1), "a"}}, {{Ms(1), "+FW: 1.8"}}, {{Ms(1), "b"}}}), "length=64").notes;
  ASSERT_EQ(notes.size(), 1u);
  EXPECT_EQ(notes[0], "no line that could be longer, left as recorded: reply 1, reply 3");
}

TEST(Loss, BytesHalfAndWholeReplies) {
  EXPECT_EQ(One("12345", "loss=drop:2"), "20 1245");
  EXPECT_EQ(One("12345", "loss=double:0"), "20 112345");
  EXPECT_EQ(One("12345", "loss=half"), "20 12");
  EXPECT_EQ(One("12345", "loss=none"), "");
  EXPECT_NE(One("12345", "loss=flip:2"), "20 12345");
  const Part two = PartWith({{{Ms(20), "one"}}, {{Ms(20), "two"}}});
  EXPECT_EQ(Reply(Put(two, "loss=before").part, 2), "20 one");
}

TEST(Rubbish, StandsBeforeTheReply) {
  EXPECT_EQ(One("OK", "rubbish=nul"), "20 \\x00; 1 OK");
  EXPECT_EQ(One("OK", "rubbish=ff:2"), "20 \\xff\\xff; 1 OK");
  // Even parity in the eighth bit: O = 4F has five ones, K = 4B four.
  EXPECT_EQ(One("OK", "rubbish=eighth"), "20 \\xcfK");
}

TEST(Length, TheLongestLineGrowsUntilTheReplyIsLonger) {
  const Varied varied = Put(PartWith({{{Ms(20), kVerbose}}}), "length=64");
  EXPECT_EQ(JoinPieces(varied.part.rules[0].answers[0].pieces).size(), 65u);
  EXPECT_EQ(One("OK\r\n", "length=64"), "20 OK\\r\\n");
}

TEST(Length, NumbersStayNumbers) {
  EXPECT_EQ(One("+SIGNAL: -71\r\n", "length=16"), "20 +SIGNAL: -00071\\r\\n");
  EXPECT_EQ(One("+FW: 1.8\r\n", "length=12"), "20 +FW: 1.8888\\r\\n");
  EXPECT_EQ(One("sedge-b\r\n", "length=12"), "20 sedge-bxxxx\\r\\n");
}

TEST(Extra, BannerComesBeforeTheFirstAnswer) {
  const Part part = Put(PartWith({{{Ms(20), "OK\r\n"}}}), "extra=banner").part;
  EXPECT_EQ(part.unasked[0].before_command, 1u);
  EXPECT_EQ(part.unasked[0].pieces[0].bytes, "\r\nREADY\r\n");
}

TEST(Case, OnlyLettersChange) { EXPECT_EQ(One("Ab1 -\r\n", "case=swapped"), "20 aB1 -\\r\\n"); }

TEST(With, TheOtherModulesAnswersAreTaken) {
  const Part part = PartWith({{{Ms(20), "one"}}, {{Ms(20), "two"}}});
  const Part other = PartWith({{{Ms(50), "eins"}}});
  VariationContext context;
  context.with = &other;
  const auto varied = Vary(part, {{"with", "other", 0}}, context);
  ASSERT_TRUE(varied.ok());
  EXPECT_EQ(Reply(varied->part, 1), "50 eins");
  EXPECT_EQ(Reply(varied->part, 2), "");
}

TEST(Variation, OneReplyOnly) {
  const Part two = PartWith({{{Ms(20), "one\r\n"}}, {{Ms(20), "two\r\n"}}});
  const Varied varied = Put(two, "ending=none@2");
  EXPECT_EQ(Reply(varied.part, 1), "20 one\\r\\n");
  EXPECT_EQ(Reply(varied.part, 2), "20 two");
}

TEST(Variation, NamesReadBack) {
  for (const char* name :
       {"ending=none", "split=3:35ms@2", "extra=before:+X@home", "loss=flip:3"}) {
    const auto variation = ParseVariation(name);
    ASSERT_TRUE(variation.ok()) << variation.status().message();
    EXPECT_EQ(variation->Name(), name);
  }
}

std::vector<std::string> Everything() {
  std::vector<std::string> names;
  for (const Factor& factor : Factors())
    for (const std::string& level : factor.usual)
      if (factor.name != "with") names.push_back(factor.name + "=" + level);
  return names;
}

Part DrawnPart(std::mt19937& draws) {
  const char* const texts[] = {"\r\nOK\r\n", "OK", "+FW: sedge-b 1.8\r\n",
                               "OK\r",       "\n", "a\tb\r\n\r\nc"};
  std::vector<std::vector<Piece>> answers;
  for (unsigned i = 0; i < 1 + draws() % 4; ++i) {
    std::vector<Piece> pieces;
    for (unsigned k = 0; k < draws() % 4; ++k) {
      Bytes bytes = texts[draws() % 6];
      if (draws() % 5 == 0) bytes += static_cast<char>(draws() % 256);
      pieces.push_back({Ms(static_cast<std::int64_t>(draws() % 100)), bytes});
    }
    answers.push_back(pieces);
  }
  return PartWith(answers);
}

TEST(Variation, SameSeedSamePart) {
  std::mt19937 draws(3);
  for (int round = 0; round < 30; ++round) {
    const Part part = DrawnPart(draws);
    for (const std::string& name : Everything())
      EXPECT_EQ(Put(part, name, 9).part, Put(part, name, 9).part) << name;
  }
  const Part part = PartWith({{{Ms(20), "a longer reply"}}});
  EXPECT_NE(Put(part, "rubbish=noise", 1).part, Put(part, "rubbish=noise", 2).part);
}

// The property behind every factor's name: nothing else changes.
TEST(Variation, NoByteChangesThatTheFactorDoesNotName) {
  std::mt19937 draws(5);
  const auto text_of = [](const Part& part) {
    std::vector<Bytes> all;
    for (const Rule& rule : part.rules)
      for (const Answer& answer : rule.answers) all.push_back(JoinPieces(answer.pieces));
    return all;
  };
  const auto without_endings = [](Bytes bytes) {
    std::erase_if(bytes, [](char c) { return c == '\r' || c == '\n'; });
    return bytes;
  };
  for (int round = 0; round < 200; ++round) {
    const Part part = DrawnPart(draws);
    const auto before = text_of(part);
    for (const std::string& name : Everything()) {
      const Part varied = Put(part, name).part;
      const std::string factor = name.substr(0, name.find('='));
      const auto after = text_of(varied);
      ASSERT_EQ(after.size(), before.size()) << name;
      // Commands, their ends and the line are nobody's to change.
      EXPECT_EQ(varied.command_end, part.command_end) << name;
      EXPECT_EQ(varied.line, part.line) << name;
      for (std::size_t i = 0; i < before.size(); ++i) {
        EXPECT_EQ(varied.rules[i].cue, part.rules[i].cue) << name;
        for (const Piece& piece : varied.rules[i].answers[0].pieces)
          EXPECT_FALSE(piece.bytes.empty()) << name;
        if (factor == "split" || factor == "pace" || factor == "turnaround" || factor == "echo" ||
            name == "extra=banner") {
          EXPECT_EQ(after[i], before[i]) << name;
        } else if (factor == "ending") {
          EXPECT_EQ(without_endings(after[i]), without_endings(before[i])) << name;
          const Bytes filled = text_of(Put(part, "ending=spaces").part)[i];
          EXPECT_EQ(filled.size(), before[i].size());
        } else if (factor == "case") {
          Bytes a = after[i];
          Bytes b = before[i];
          for (Bytes* bytes : {&a, &b})
            for (char& c : *bytes)
              if (c >= 'A' && c <= 'Z') c = static_cast<char>(c | 0x20);
          EXPECT_EQ(a, b) << name;
        } else if (factor == "rubbish" && name != "rubbish=eighth") {
          EXPECT_TRUE(after[i].ends_with(before[i])) << name;
        } else if (name == "extra=before") {
          EXPECT_TRUE(after[i].ends_with(before[i])) << name;
        } else if (name == "extra=after" || name == "extra=leftover") {
          EXPECT_TRUE(after[i].starts_with(before[i])) << name;
        }
      }
    }
  }
}

TEST(Variation, NumbersAreGivenToRepliesThatHaveNone) {
  Part part = PartWith({{{Ms(1), "a"}}, {{Ms(1), "b"}}, {{Ms(1), "c"}}});
  part.rules[0].answers[0].turn = 0;
  part.rules[1].answers[0].turn = 1;
  part.rules[2].answers[0].turn = 0;
  const Part numbered = NumberReplies(part);
  EXPECT_EQ(numbered.rules[0].answers[0].turn, 2u);
  EXPECT_EQ(numbered.rules[2].answers[0].turn, 3u);
}

Combination Names(const std::vector<std::string>& names) {
  Combination combination;
  for (const std::string& name : names) combination.push_back(*ParseVariation(name));
  return combination;
}

TEST(Shrink, NeedlessVariationsGo) {
  const Part part = PartWith({{{Ms(1), "only one"}}});
  const auto shrunk = Shrink(part, Names({"ending=none", "pace=burst", "echo=whole"}), 50,
                             [](const Combination& c) {
                               return CombinationName(c).find("ending=none") != std::string::npos;
                             });
  EXPECT_EQ(CombinationName(shrunk.smallest), "ending=none");
}

TEST(Waveform, LevelsBecomeTheParts) {
  const Part part = PartWith({{{Ms(10), "OK\r\n"}}});
  EXPECT_EQ(Put(part, "rate=+3%").part.waveform.rate_percent, 3);
  EXPECT_EQ(Put(part, "rate=-2.5%").part.waveform.rate_percent, -2.5);
  EXPECT_EQ(Put(part, "jitter=10%").part.waveform.jitter_percent, 10);
  EXPECT_EQ(Put(part, "stop=0.5").part.waveform.stop_bits, 0.5);
  EXPECT_EQ(Put(part, "glitch=30%:20").part.waveform.glitch_every, 20u);
  EXPECT_TRUE(Put(part, "break=before").part.waveform.break_before);
  EXPECT_EQ(Put(part, "rate=+3%").part.rules, part.rules);
  EXPECT_TRUE(Put(part, "rate=+3%").expectation.same_output);
  EXPECT_FALSE(Put(part, "glitch=30%").expectation.same_output);
  for (const char* wrong : {"rate=fast", "rate=+3%@2", "jitter=80%", "stop=-1", "break=after"})
    EXPECT_FALSE(ParseVariation(wrong).ok()) << wrong;
}

TEST(Shrink, TwoThatAreNeededBothStay) {
  const Part part = PartWith({{{Ms(1), "only one"}}});
  const auto shrunk = Shrink(part, Names({"ending=none", "pace=burst", "echo=whole"}), 50,
                             [](const Combination& c) {
                               const std::string name = CombinationName(c);
                               return name.find("ending=none") != std::string::npos &&
                                      name.find("echo=whole") != std::string::npos;
                             });
  EXPECT_EQ(CombinationName(shrunk.smallest), "ending=none echo=whole");
}

TEST(Shrink, TheReplyIsFound) {
  const Part part = PartWith({{{Ms(1), "a\r\n"}}, {{Ms(1), "b\r\n"}}, {{Ms(1), "c\r\n"}}});
  const auto shrunk = Shrink(part, Names({"ending=none"}), 50, [](const Combination& c) {
    return c[0].reply == 0 || c[0].reply == 2;
  });
  EXPECT_EQ(CombinationName(shrunk.smallest), "ending=none@2");
}

TEST(Shrink, TheSmallestPauseIsFound) {
  const Part part = PartWith({{{Ms(1), "abc"}}});
  const auto shrunk = Shrink(part, Names({"split=1:400ms"}), 50, [](const Combination& c) {
    const auto pause = witness::ParseDuration(c[0].level.substr(c[0].level.find(':') + 1));
    return pause.ok() && *pause >= Ms(120);
  });
  const auto pause = witness::ParseDuration(shrunk.smallest[0].level.substr(2));
  ASSERT_TRUE(pause.ok());
  EXPECT_GE(*pause, Ms(120));
  EXPECT_LE(*pause, Ms(165));
}

// In virtual time what breaks breaks again.
TEST(Shrink, ExactTimesNeedNoMargin) {
  const Part part = PartWith({{{Ms(1), "abc"}}});
  const auto shrunk = Shrink(
      part, Names({"turnaround=400ms"}), 50,
      [](const Combination& c) { return *witness::ParseDuration(c[0].level) >= Ms(120); }, true);
  const auto least = witness::ParseDuration(shrunk.smallest[0].level);
  ASSERT_TRUE(least.ok());
  EXPECT_GE(*least, Ms(120));
  EXPECT_LE(*least, Ms(132));
  EXPECT_EQ(shrunk.steps.back(), "breaks from " + witness::FormatDuration(*least) + " on");
}

TEST(Shrink, TheLeastIsToldEvenIfTheFirstIsKept) {
  const Part part = PartWith({{{Ms(1), "abc"}}});
  const auto shrunk = Shrink(part, Names({"turnaround=35ms"}), 50, [](const Combination& c) {
    return *witness::ParseDuration(c[0].level) >= Ms(8);
  });
  EXPECT_EQ(shrunk.smallest[0].level, "35ms");
  EXPECT_EQ(shrunk.steps.back(), "breaks from 8.00 ms on; turnaround=35ms, to be sure");
}

// One that is deaf now and then breaks at some times and not at others.
TEST(Shrink, TheSmallestOfSeveralIsFound) {
  const Part part = PartWith({{{Ms(1), "abc"}}});
  const auto shrunk = Shrink(
      part, Names({"turnaround=400ms"}), 50,
      [](const Combination& c) {
        const auto length = *witness::ParseDuration(c[0].level);
        return (length >= Ms(45) && length <= Ms(60)) || length >= Ms(390);
      },
      true);
  EXPECT_LE(*witness::ParseDuration(shrunk.smallest[0].level), Ms(50));
}

TEST(Shrink, ByteByByteBecomesOnePlace) {
  const Part part = PartWith({{{Ms(1), "abcdef\r\n"}}});
  const auto shrunk = Shrink(part, Names({"split=bytes:40ms"}), 50, [](const Combination& c) {
    return c[0].level.starts_with("bytes") || c[0].level.starts_with("1:");
  });
  EXPECT_EQ(shrunk.smallest[0].level.substr(0, 2), "1:");
}

TEST(Shrink, RunsAreBounded) {
  const Part part = PartWith({{{Ms(1), "a\r\n"}}, {{Ms(1), "b\r\n"}}});
  std::size_t runs = 0;
  Shrink(part, Names({"length=4000", "ending=none", "split=bytes:900ms"}), 5,
         [&](const Combination&) {
           ++runs;
           return true;
         });
  EXPECT_EQ(runs, 5u);
}

}  // namespace
}  // namespace trial
