// Scores of the segmenter on labelled talks that were made apart from it, before its rules were
// read: talks/*.talks, one file a manner of speaking, as drawn by a generator of its own with a
// line model of its own. In a file:
//
//   must PERCENT                        that is to be exact; weak manners say what is reached now
//   talk N baud B bits K late_us L      a talk begins; 0: the reader was not told
//   is SIDE KIND SIZE                   truth: the next bytes of that side
//   at NS SIDE HEX, at NS gap|break     what was read, in order
#include <gtest/gtest.h>

#include <algorithm>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <map>
#include <sstream>

#include "capture/base/text.h"
#include "tests/support/corpus_score.h"

namespace witness {
namespace {

using test::CorpusScore;
using test::LabelledTalk;

Side SideCalled(const std::string& name) {
  return name == "host" ? Side::kHost : name == "module" ? Side::kModule : Side::kUnknown;
}

SegmentKind KindCalled(const std::string& name) {
  for (int i = 0; i <= static_cast<int>(SegmentKind::kLineEvent); ++i)
    if (name == SegmentKindName(static_cast<SegmentKind>(i))) return static_cast<SegmentKind>(i);
  ADD_FAILURE() << "no such kind: " << name;
  return SegmentKind::kUnspecified;
}

struct KeptTalks {
  double must = 100;
  std::vector<LabelledTalk> talks;
};

// Gives the truth its bytes: the lengths stand in the file, the bytes are what was read.
void FillIn(LabelledTalk& talk, const std::vector<std::size_t>& sizes) {
  std::map<Side, Bytes> said;
  for (const OwnedEvent& e : talk.events) said[e.event.side] += e.View().bytes;
  std::map<Side, std::size_t> at;
  for (std::size_t i = 0; i < sizes.size(); ++i) {
    test::Utterance& u = talk.truth[i];
    u.bytes = said[u.side].substr(at[u.side], sizes[i]);
    at[u.side] += sizes[i];
  }
  for (const auto& [side, bytes] : said) EXPECT_EQ(at[side], bytes.size());
}

KeptTalks ReadTalks(const std::filesystem::path& path) {
  KeptTalks out;
  std::vector<std::size_t> sizes;
  const auto end_talk = [&] {
    if (!out.talks.empty()) FillIn(out.talks.back(), sizes);
    sizes.clear();
  };
  std::ifstream in(path);
  for (std::string line; std::getline(in, line);) {
    std::istringstream words(line);
    std::string what;
    words >> what;
    if (what == "must") {
      words >> out.must;
    } else if (what == "talk") {
      end_talk();
      LabelledTalk& talk = out.talks.emplace_back();
      std::string skip;
      std::int64_t baud = 0, bits = 0, late_us = 0;
      words >> skip >> skip >> baud >> skip >> bits >> skip >> late_us;
      if (baud > 0) talk.character_time = Duration::Nanoseconds(bits * 1'000'000'000 / baud);
      talk.stamp_uncertainty = Duration::Microseconds(late_us);
    } else if (what == "is") {
      std::string side, kind;
      words >> side >> kind >> sizes.emplace_back();
      test::Utterance& u = out.talks.back().truth.emplace_back();
      u.side = SideCalled(side);
      u.kind = KindCalled(kind);
    } else if (what == "at") {
      std::int64_t ns = 0;
      std::string side, hex;
      words >> ns >> side >> hex;
      Event event;
      event.at = Instant::FromNanoseconds(ns);
      const auto bytes = FromHex(hex);
      if (hex.empty()) {
        event.kind = side == "gap" ? EventKind::kGap : EventKind::kBreak;
      } else {
        event.side = SideCalled(side);
        event.bytes = *bytes;
      }
      out.talks.back().events.emplace_back(event);
    }
  }
  end_talk();
  return out;
}

TEST(KeptTalks, ScorePerMannerOfSpeaking) {
  std::vector<std::filesystem::path> files;
  for (const auto& entry : std::filesystem::directory_iterator(std::string(BYTEWITNESS_SOURCE_DIR) +
                                                               "/tests/capture/examine/talks"))
    files.push_back(entry.path());
  std::sort(files.begin(), files.end());
  ASSERT_GE(files.size(), 50u);
  for (const auto& file : files) {
    const KeptTalks kept = ReadTalks(file);
    ASSERT_FALSE(kept.talks.empty()) << file;
    CorpusScore score;
    for (const LabelledTalk& talk : kept.talks) score.Add(talk, test::SegmentsOf(talk));
    std::printf("%-42s %7.2f%% exact, boundaries %.4f, %6.2f%% unsure%s\n", file.stem().c_str(),
                100 * score.Exact(), score.F1(), 100 * score.Unsure(), score.Confusions().c_str());
    EXPECT_GE(100 * score.Exact(), kept.must) << file.stem();
  }
}

}  // namespace
}  // namespace witness
