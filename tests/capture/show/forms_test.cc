// Captures in other forms: JSON lines both ways, CSV, value changes; examinations as JSON.
#include <gmock/gmock.h>
#include <google/protobuf/util/json_util.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <sstream>
#include <streambuf>

#include "capture/show/examination_message.h"
#include "capture/show/examination_text.h"
#include "capture/show/export/export.h"
#include "capture/show/frame_rule_text.h"
#include "capture/show/import/jsonl.h"
#include "proto/examination.pb.h"
#include "tests/support/capture_samples.h"
#include "tests/support/talk.h"

namespace witness {
namespace {

using ::testing::HasSubstr;

Bytes CaptureOf(const std::vector<Event>& events) {
  CaptureInfo info;
  Tap tap;
  tap.hears = Side::kModule;
  tap.got.baud = 9600;
  info.taps.push_back(tap);
  Bytes out;
  auto writer = CaptureWriter::Create(OpenMemorySink(out), info);
  EXPECT_TRUE(writer.ok());
  for (const Event& e : events) EXPECT_TRUE((*writer)->Append(e).ok());
  EXPECT_TRUE((*writer)->Close(events.empty() ? Instant() : events.back().at).ok());
  return out;
}

std::string Exported(const std::vector<Event>& events,
                     Status (*how)(CaptureReader&, const TextSink&)) {
  const Bytes file = CaptureOf(events);
  auto reader = CaptureReader::OpenMemory(file);
  EXPECT_TRUE(reader.ok());
  std::string out;
  EXPECT_TRUE(how(**reader, [&](std::string_view text) {
                out += text;
                return OkStatus();
              }).ok());
  return out;
}

// Gives the same byte for ever; counts how many were taken.
class Endless : public std::streambuf {
 public:
  std::uint64_t taken = 0;

 private:
  int_type underflow() override {
    taken += sizeof piece_;
    std::fill(std::begin(piece_), std::end(piece_), 'x');
    setg(piece_, piece_, piece_ + sizeof piece_);
    return traits_type::to_int_type('x');
  }
  char piece_[4096];
};

TEST(JsonLines, ALineWithoutEndIsRefusedBeforeAllOfItIsRead) {
  Endless endless;
  std::istream in(&endless);
  const Status status = ImportJsonLines(in, [](const Event&) { return OkStatus(); });
  EXPECT_EQ(status.code(), Code::kInvalidArgument);
  EXPECT_THAT(status.message(), HasSubstr("line 1: longer than"));
  EXPECT_LT(endless.taken, 5u << 20);
}

TEST(JsonLines, TheLastLineNeedsNoEnd) {
  const std::string line = R"({"at_ns": 5, "side": "host", "text": "AT"})";
  for (const std::string& text : {line, line + "\n", line + "\r\n\n", "\n" + line}) {
    std::istringstream in(text);
    std::size_t events = 0;
    EXPECT_TRUE(ImportJsonLines(in, [&](const Event&) { return ++events, OkStatus(); }).ok());
    EXPECT_EQ(events, 1u) << text;
  }
}

TEST(JsonLines, ExportThenImportGivesTheSameEvents) {
  std::vector<Event> events = EventsOfEveryKind();
  const std::string text = Exported(events, ExportJsonLines);
  std::istringstream in(text);
  std::vector<OwnedEvent> read;
  const Status status = ImportJsonLines(in, [&](const Event& e) {
    read.emplace_back(e);
    return OkStatus();
  });
  ASSERT_TRUE(status.ok()) << status.message();
  ASSERT_EQ(read.size(), events.size());
  for (std::size_t i = 0; i < events.size(); ++i)
    EXPECT_EQ(read[i].View(), events[i]) << "event " << i << "\n" << text;
}

TEST(JsonLines, AsTheDocumentationHasThem) {
  std::istringstream in(
      "{\"at_ns\": 1500000, \"side\": \"module\", \"hex\": \"4f4b0d0a\"}\n\n"
      "{\"at_ns\": 1500001, \"side\": \"host\", \"text\": \"AT\\r\"}\n");
  std::vector<OwnedEvent> read;
  ASSERT_TRUE(ImportJsonLines(in, [&](const Event& e) {
                read.emplace_back(e);
                return OkStatus();
              }).ok());
  ASSERT_EQ(read.size(), 2u);
  EXPECT_EQ(read[0].bytes, "OK\r\n");
  EXPECT_EQ(read[0].event.at.ns(), 1500000);
  EXPECT_EQ(read[1].bytes, "AT\r");
  EXPECT_EQ(read[1].event.side, Side::kHost);
}

TEST(JsonLines, ErrorsNameTheLine) {
  const struct {
    const char* text;
    const char* word;
  } kCases[] = {
      {"nonsense", "not JSON"},
      {"[1]", "not a JSON object"},
      {"{\"side\":\"host\",\"hex\":\"00\"}", "at_ns"},
      {"{\"at_ns\":-1,\"side\":\"host\",\"hex\":\"00\"}", "at_ns"},
      {"{\"at_ns\":1.5,\"side\":\"host\",\"hex\":\"00\"}", "at_ns"},
      {"{\"at_ns\":5,\"hex\":\"00\"}", "side"},
      {"{\"at_ns\":5,\"side\":\"moon\",\"hex\":\"00\"}", "side"},
      {"{\"at_ns\":5,\"side\":\"host\"}", "hex"},
      {"{\"at_ns\":5,\"side\":\"host\",\"hex\":\"0\"}", "hex"},
      {"{\"at_ns\":5,\"side\":\"host\",\"hex\":\"00\",\"text\":\"x\"}", "either"},
      {"{\"at_ns\":5,\"kind\":\"sneeze\",\"side\":\"host\"}", "kind"},
      {"{\"at_ns\":0,\"side\":\"host\",\"hex\":\"00\"}", "time order"},
  };
  for (const auto& c : kCases) {
    std::istringstream in(std::string("{\"at_ns\":1,\"side\":\"host\",\"hex\":\"41\"}\n") + c.text);
    const Status status = ImportJsonLines(in, [](const Event&) { return OkStatus(); });
    EXPECT_EQ(status.code(), Code::kInvalidArgument) << c.text;
    EXPECT_THAT(status.message(), HasSubstr("line 2")) << c.text;
    EXPECT_THAT(status.message(), HasSubstr(c.word)) << c.text;
  }
}

TEST(Csv, OneRowAnEventAndNoFormulas) {
  std::vector<Event> events = {BytesEvent(1, Side::kModule, "OK\r\n")};
  Event note;
  note.at = Instant::FromNanoseconds(2);
  note.kind = EventKind::kNote;
  note.bytes = "=1+1 \"quoted\"";
  events.push_back(note);
  EXPECT_EQ(Exported(events, ExportCsv),
            "at_ns,kind,side,hex,detail\n1,bytes,module,4f4b0d0a,\n"
            "2,note,unknown,,\"'=1+1 \"\"quoted\"\"\"\n");
}

// IEEE 1364-2005 clause 18: declarations end with $enddefinitions, times never go back, each
// change is a value and the identifier code of a declared variable.
TEST(ValueChanges, AreWellFormedAndInOrder) {
  const std::string text = Exported(
      {BytesEvent(5'000'000, Side::kModule, "OK"), BytesEvent(5'500'000, Side::kHost, "A")},
      ExportValueChanges);
  EXPECT_THAT(text, HasSubstr("$timescale 1 ns $end"));
  EXPECT_THAT(text, HasSubstr("$enddefinitions $end"));
  // 'K' at the stamp, 'O' a character time (9600 8N1: 1041667 ns) before.
  EXPECT_THAT(text, HasSubstr("#3958333\nb01001111 b\n"));
  EXPECT_THAT(text, HasSubstr("#5000000\nb01001011 b\n"));
  std::istringstream lines(text);
  std::string line;
  long long last = -1;
  while (std::getline(lines, line)) {
    if (line[0] != '#') continue;
    EXPECT_GT(std::stoll(line.substr(1)), last);
    last = std::stoll(line.substr(1));
  }
  EXPECT_EQ(last, 5'500'000);
}

TEST(ExaminationJson, IsTheMessageOfTheSchema) {
  test::Talk talk;
  talk.Host(0, "AT\r").Module(20, "\r\nOK\r\n").Host(900, "AT+FW?\r");
  std::vector<Event> events;
  for (const OwnedEvent& e : talk.events()) events.push_back(e.View());
  const Bytes file = CaptureOf(events);
  auto reader = CaptureReader::OpenMemory(file);
  ASSERT_TRUE(reader.ok());
  std::string segments, exchanges, text;
  ConversationHandlers handlers;
  handlers.on_segment = [&](const Segment& s) {
    segments += (segments.empty() ? "" : ",") + SegmentJson(s);
    text += SegmentLine(s);
  };
  handlers.on_exchange = [&](const Exchange& e) {
    exchanges += (exchanges.empty() ? "" : ",") + ExchangeJson(e);
    text += ExchangeLine(e);
  };
  const auto examination = Examine(**reader, {}, handlers);
  ASSERT_TRUE(examination.ok());
  const std::string json = "{\"segment\":[" + segments + "],\"exchange\":[" + exchanges + "]," +
                           SummaryJson(*examination, (*reader)->info(), "talk.witness") + "}";
  bytewitness::Examination message;
  ASSERT_TRUE(google::protobuf::util::JsonStringToMessage(json, &message).ok()) << json;
  ASSERT_EQ(message.segment_size(), 4);
  EXPECT_EQ(message.segment(0).kind(), bytewitness::Examination::Segment::KIND_COMMAND);
  EXPECT_EQ(message.segment(1).bytes(), "\r\nOK\r\n");
  EXPECT_EQ(message.segment(1).turn(), 1u);
  ASSERT_EQ(message.exchange_size(), 2);
  EXPECT_EQ(message.exchange(0).turnaround_ns(), 20'000'000u);
  EXPECT_FALSE(message.exchange(1).has_turnaround_ns());
  EXPECT_EQ(message.totals().unanswered(), 1u);
  EXPECT_EQ(message.command_endings().cr(), 2u);
  EXPECT_EQ(message.timing().turnaround().median_ns(), 20'000'000u);
  // In the order of their names, so that the same capture gives the same text.
  EXPECT_THAT(json, HasSubstr(R"("segments":{"command":"2","reply":"1","silence":"1"})"));
  text += ExaminationText(*examination);
  EXPECT_THAT(text, HasSubstr("both sides were heard"));
  EXPECT_THAT(text, HasSubstr("no answer"));
}

TEST(FrameRuleText, ReadsWhatTheSchemaShows) {
  const auto rule = ParseFrameRule(
      "name: \"Brook frame\" start: \"\\x02\" length { offset: 1 size: 1 adds: 4 }\n"
      "checksum { name: \"CRC-16/MODBUS\" from: 1 }");
  ASSERT_TRUE(rule.ok()) << rule.status().message();
  EXPECT_EQ(rule->length->adds, 4);
  EXPECT_EQ(rule->check->name, "CRC-16/MODBUS");
  EXPECT_THAT(ParseFrameRule("name: \"x\"\nbogus: 1").status().message(), HasSubstr("line 2"));
  EXPECT_FALSE(ParseFrameRule("name: \"x\"").ok());
}

}  // namespace
}  // namespace witness
