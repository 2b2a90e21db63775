// Scores of the segmenter on the labelled corpus, class by class.
#include <gtest/gtest.h>

#include <cstdio>

#include "tests/support/corpus.h"
#include "tests/support/corpus_score.h"
#include "tests/support/talk.h"

namespace witness {
namespace {

using test::Chunking;
using test::CorpusClass;
using test::CorpusMaker;
using test::EchoStyle;
using test::Heard;
using test::LabelledTalk;
using test::Unasked;

const std::vector<CorpusClass>& Classes() {
  static const std::vector<CorpusClass> classes = [] {
    std::vector<CorpusClass> out;
    const auto add = [&](const char* name) -> CorpusClass& {
      out.emplace_back();
      out.back().name = name;
      return out.back();
    };
    // Two sides known.
    add("v250 crlf");
    add("v250 cr").command_ending = "\r";
    add("v250 by byte").chunking = Chunking::kByteByByte;
    add("v250 random reads").chunking = Chunking::kRandom;
    {
      auto& c = add("v250 latency 1 ms");
      c.chunking = Chunking::kLatencyTimer;
      c.latency_ms = 1;
    }
    {
      auto& c = add("v250 latency 16 ms");
      c.chunking = Chunking::kLatencyTimer;
      c.latency_ms = 16;
    }
    {
      auto& c = add("v250 115200");
      c.baud = 115200;
      c.chunking = Chunking::kRandom;
    }
    {
      auto& c = add("v250 1200");
      c.baud = 1200;
      c.chunking = Chunking::kByteByByte;
    }
    {
      auto& c = add("v250 replies end cr");
      c.command_ending = "\r";
      c.reply_ending = "\r";
    }
    {
      auto& c = add("v250 pieces 35 ms");
      c.piece_pause_ms = 35;
    }
    {
      auto& c = add("v250 pieces 80 ms");
      c.piece_pause_ms = 80;
      c.gap_ms = 1500;
    }
    {
      auto& c = add("v250 pieces by byte");
      c.piece_pause_ms = 20;
      c.chunking = Chunking::kByteByByte;
    }
    {
      auto& c = add("v250 echo whole");
      c.echo = EchoStyle::kWhole;
      c.command_ending = "\r";
    }
    {
      auto& c = add("v250 echo by character");
      c.echo = EchoStyle::kByCharacter;
      c.command_ending = "\r";
      c.chunking = Chunking::kByteByByte;
    }
    {
      auto& c = add("v250 typed with echo");
      c.echo = EchoStyle::kByCharacter;
      c.command_ending = "\r";
      c.chunking = Chunking::kByteByByte;
      c.typed = true;
    }
    {
      auto& c = add("v250 typed without echo");
      c.command_ending = "\r";
      c.chunking = Chunking::kByteByByte;
      c.typed = true;
    }
    {
      auto& c = add("v250 echo latency");
      c.echo = EchoStyle::kWhole;
      c.command_ending = "\r";
      c.chunking = Chunking::kLatencyTimer;
      c.latency_ms = 4;
    }
    add("v250 unasked between").unasked = Unasked::kBetween;
    add("v250 unasked before").unasked = Unasked::kBefore;
    add("v250 unasked inside").unasked = Unasked::kInside;
    {
      auto& c = add("v250 unasked inside by byte");
      c.unasked = Unasked::kInside;
      c.chunking = Chunking::kByteByByte;
    }
    {
      auto& c = add("v250 unasked random reads");
      c.unasked = Unasked::kInside;
      c.chunking = Chunking::kRandom;
    }
    {
      auto& c = add("v250 echo and unasked");
      c.unasked = Unasked::kBetween;
      c.echo = EchoStyle::kWhole;
      c.command_ending = "\r";
    }
    add("v250 banner").banner = true;
    add("v250 pipelined").pipelined = true;
    {
      auto& c = add("v250 pipelined random reads");
      c.pipelined = true;
      c.chunking = Chunking::kRandom;
    }
    add("v250 unanswered").unanswered = 0.3;
    add("v250 slow").turnaround_ms = 600;
    {
      auto& c = add("v250 long replies");
      c.long_reply = 400;
      c.chunking = Chunking::kRandom;
    }
    add("v250 gaps").gaps = true;
    {
      auto& c = add("bare both ways");
      c.command_ending = "";
      c.reply_ending = "";
      c.v250 = false;
      c.turnaround_ms = 420;
    }
    {
      auto& c = add("bare by byte");
      c.command_ending = "";
      c.reply_ending = "";
      c.v250 = false;
      c.turnaround_ms = 420;
      c.chunking = Chunking::kByteByByte;
    }
    {
      auto& c = add("bare unanswered");
      c.command_ending = "";
      c.reply_ending = "";
      c.v250 = false;
      c.turnaround_ms = 420;
      c.unanswered = 0.3;
    }
    {
      auto& c = add("bare pieces");
      c.command_ending = "";
      c.reply_ending = "";
      c.v250 = false;
      c.turnaround_ms = 420;
      c.piece_pause_ms = 25;
    }
    {
      auto& c = add("bare echo");
      c.command_ending = "";
      c.reply_ending = "";
      c.v250 = false;
      c.echo = EchoStyle::kWhole;
    }
    {
      auto& c = add("bare replies to lines");
      c.reply_ending = "";
      c.v250 = false;
    }
    {
      auto& c = add("bare latency 16 ms");
      c.command_ending = "";
      c.reply_ending = "";
      c.v250 = false;
      c.chunking = Chunking::kLatencyTimer;
      c.latency_ms = 16;
      c.turnaround_ms = 60;
    }
    {
      auto& c = add("lines cr");
      c.command_ending = "\r";
      c.reply_ending = "\r";
      c.v250 = false;
    }
    {
      auto& c = add("lines lf");
      c.command_ending = "\n";
      c.reply_ending = "\n";
      c.v250 = false;
    }
    {
      auto& c = add("lines pipelined");
      c.command_ending = "\n";
      c.reply_ending = "\n";
      c.v250 = false;
      c.pipelined = true;
    }
    {
      auto& c = add("lines unasked between");
      c.v250 = false;
      c.unasked = Unasked::kBetween;
    }
    add("binary").binary = true;
    {
      auto& c = add("binary by byte");
      c.binary = true;
      c.chunking = Chunking::kByteByByte;
    }
    {
      auto& c = add("binary latency");
      c.binary = true;
      c.chunking = Chunking::kLatencyTimer;
      c.latency_ms = 8;
    }
    {
      auto& c = add("binary pieces");
      c.binary = true;
      c.piece_pause_ms = 30;
    }
    // One side, or one wire: only silence separates.
    {
      auto& c = add("module only, bare");
      c.heard = Heard::kModuleOnly;
      c.command_ending = "";
      c.reply_ending = "";
      c.v250 = false;
    }
    {
      auto& c = add("module only, v250");
      c.heard = Heard::kModuleOnly;
    }
    {
      auto& c = add("module only, pieces");
      c.heard = Heard::kModuleOnly;
      c.piece_pause_ms = 25;
    }
    {
      auto& c = add("module only, latency");
      c.heard = Heard::kModuleOnly;
      c.chunking = Chunking::kLatencyTimer;
      c.latency_ms = 16;
    }
    {
      auto& c = add("module only, binary");
      c.heard = Heard::kModuleOnly;
      c.binary = true;
      c.chunking = Chunking::kRandom;
    }
    {
      auto& c = add("host only, bare");
      c.heard = Heard::kHostOnly;
      c.command_ending = "";
      c.v250 = false;
    }
    {
      auto& c = add("host only, lines");
      c.heard = Heard::kHostOnly;
    }
    {
      auto& c = add("one wire, binary");
      c.heard = Heard::kOneWire;
      c.binary = true;
      c.turnaround_ms = 400;
    }
    {
      auto& c = add("one wire, lines");
      c.heard = Heard::kOneWire;
      c.v250 = false;
      c.turnaround_ms = 300;
    }
    return out;
  }();
  return classes;
}

TEST(Corpus, EveryClassIsSegmentedAsItMust) {
  constexpr unsigned kSeeds = 40;
  ASSERT_GE(Classes().size(), 40u);
  std::printf("%-28s %8s %8s\n", "class", "exact", "F1");
  for (const CorpusClass& what : Classes()) {
    test::CorpusScore score;
    std::string first_wrong;
    for (unsigned seed = 1; seed <= kSeeds; ++seed) {
      const LabelledTalk talk = CorpusMaker(what, seed * 7919).Make();
      const auto segments = test::SegmentsOf(talk);
      if (!score.Add(talk, segments) && first_wrong.empty())
        first_wrong = "seed " + std::to_string(seed * 7919) + ": " + test::Outline(segments);
    }
    std::printf("%-28s %7.2f%% %7.2f%%%s\n", what.name, 100 * score.Exact(), 100 * score.F1(),
                score.Confusions().c_str());
    const double least = what.heard == Heard::kBoth ? 0.995 : 0.97;
    EXPECT_GE(score.Exact(), least) << what.name << "\n" << first_wrong;
  }
}

// Nothing tells the utterances of this talk apart: pauses of every length up to a second occur,
// inside and between alike. No boundary may be called sure.
TEST(Corpus, WhatCannotBeDecidedIsReportedAsUnsure) {
  for (unsigned seed = 1; seed <= 20; ++seed) {
    std::mt19937 random(seed);
    test::Talk talk;
    double ms = 0;
    for (int i = 0; i < 300; ++i) {
      ms += std::exp(std::uniform_real_distribution<>(std::log(2.0), std::log(900.0))(random));
      talk.Module(ms, "x");
    }
    const auto segments = test::Segments(talk.events());
    std::size_t sure = 0, all = 0;
    for (const Segment& s : segments) {
      if (s.bytes.empty()) continue;
      ++all;
      sure += s.sure == Sureness::kUnsure ? 0u : 1u;
    }
    EXPECT_GT(all, 2u) << "seed " << seed;
    EXPECT_LE(sure, 1u) << "seed " << seed << " of " << all;  // the last ends with the capture
  }
}

}  // namespace
}  // namespace witness
