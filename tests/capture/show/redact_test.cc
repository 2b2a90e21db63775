// Redaction: no byte of a secret is left anywhere, and everything else is as it was.
#include "capture/show/redact/redact.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cstdio>
#include <fstream>
#include <random>

#include "capture/base/base64.h"
#include "capture/examine/examination.h"
#include "capture/show/exhibit/exhibit.h"
#include "tests/support/capture_samples.h"
#include "tests/support/temporary_path.h"

namespace witness {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

struct Redacted {
  Status status;
  RedactReport report;
  Bytes file;
  Status check;
};

Redacted RedactBytes(const Bytes& file, const RedactOptions& options) {
  Redacted out;
  auto redactor = Redactor::Make(options);
  if (!redactor.ok()) {
    out.status = redactor.status();
    return out;
  }
  const auto sink = OpenMemorySink(out.file);
  auto report = (*redactor)->Redact([&] { return CaptureReader::OpenMemory(file); }, *sink);
  if (!report.ok()) {
    out.status = report.status();
    return out;
  }
  out.report = *report;
  auto reader = CaptureReader::OpenMemory(out.file);
  EXPECT_TRUE(reader.ok());
  out.check = (*redactor)->Check(**reader);
  return out;
}

RedactOptions ValueOf(const Bytes& head) {
  RedactOptions options;
  options.values_of = {head};
  return options;
}

// All that a side said, in one run.
Bytes SaidBy(const ReadBack& capture, Side side) {
  Bytes out;
  for (const OwnedEvent& event : capture.events)
    if (event.event.side == side && event.event.kind == EventKind::kBytes) out += event.bytes;
  return out;
}

std::vector<Bytes> NotesOf(const ReadBack& capture) {
  std::vector<Bytes> out;
  for (const OwnedEvent& event : capture.events)
    if (event.event.kind == EventKind::kNote) out.push_back(event.bytes);
  return out;
}

Event NoteEvent(std::int64_t at_ns, ByteView words) {
  Event event;
  event.at = Instant::FromNanoseconds(at_ns);
  event.kind = EventKind::kNote;
  event.bytes = words;
  return event;
}

constexpr std::int64_t kMs = 1'000'000;

TEST(Redact, ValueIsReplacedInCommandEchoReplyAndNote) {
  CaptureInfo info = FullInfo();
  info.redacted = false;
  info.title = "with sw0rdfish";
  const std::vector<Event> events = {
      BytesEvent(100 * kMs, Side::kHost, "AT+KEY=sw0rdfish\r\n"),
      BytesEvent(110 * kMs, Side::kModule, "AT+KEY=sw0rdfish\r\n\r\nOK\r\n"),
      BytesEvent(900 * kMs, Side::kHost, "AT+KEY?\r\n"),
      BytesEvent(910 * kMs, Side::kModule, "\r\n+KEY: SW0RDFISH\r\n\r\nOK\r\n"),
      NoteEvent(950 * kMs, "the key is sw0rdfish"),
      BytesEvent(2000 * kMs, Side::kHost, "AT+FW?\r\n"),
  };
  const Redacted made = RedactBytes(WriteCapture(events, info), ValueOf("AT+KEY="));
  ASSERT_TRUE(made.status.ok()) << made.status.message();
  EXPECT_TRUE(made.check.ok()) << made.check.message();
  const ReadBack back = ReadAllOf(made.file);
  EXPECT_TRUE(back.info.redacted);
  EXPECT_EQ(back.info.title, "with #1#######");
  EXPECT_EQ(back.info.origin, info.origin);
  EXPECT_EQ(SaidBy(back, Side::kHost), "AT+KEY=#1#######\r\nAT+KEY?\r\nAT+FW?\r\n");
  EXPECT_EQ(SaidBy(back, Side::kModule),
            "AT+KEY=#1#######\r\n\r\nOK\r\n\r\n+KEY: #1#######\r\n\r\nOK\r\n");
  const std::vector<Bytes> notes = NotesOf(back);
  ASSERT_EQ(notes.size(), 5u);
  EXPECT_THAT(notes[0], HasSubstr("redacted by bytewitness"));
  EXPECT_THAT(notes[0], HasSubstr("1 secret in 3 places"));
  EXPECT_EQ(notes[1], "redacted: 9 bytes of the host, secret 1: value of AT+KEY=");
  EXPECT_EQ(notes[4], "the key is #1#######");
  ASSERT_EQ(made.report.secrets.size(), 1u);
  EXPECT_EQ(made.report.secrets[0].places, 3u);
  EXPECT_EQ(made.report.secrets[0].texts, 2u);
  EXPECT_EQ(made.report.bytes, 27u);
}

TEST(Redact, TimesSizesAndAllElseStay) {
  std::vector<Event> events = EventsOfEveryKind();
  const Redacted made = RedactBytes(WriteCapture(events), [] {
    RedactOptions options;
    options.patterns = {"sedge-b"};
    return options;
  }());
  ASSERT_TRUE(made.status.ok()) << made.status.message();
  ReadBack back = ReadAllOf(made.file);
  std::erase_if(back.events, [](const OwnedEvent& event) {
    return event.event.kind == EventKind::kNote && event.bytes.starts_with("redacted");
  });
  ASSERT_EQ(back.events.size(), events.size());
  for (Event& event : events)
    if (event.bytes == "\r\nsedge-b 1.8\r\n") event.bytes = "\r\n#1##### 1.8\r\n";
  ExpectSameEvents(back.events, events);
}

TEST(Redact, TypedAndEchoedCharacterByCharacter) {
  const Bytes command = "AT+KEY=sw0rdfish\r";
  std::vector<Event> events;
  for (std::size_t i = 0; i < command.size(); ++i) {
    const auto at = static_cast<std::int64_t>(i) * 180 * kMs;
    events.push_back(BytesEvent(at, Side::kHost, ByteView(command).substr(i, 1)));
    events.push_back(BytesEvent(at + kMs, Side::kModule, ByteView(command).substr(i, 1)));
  }
  events.push_back(BytesEvent(9000 * kMs, Side::kModule, "\r\nOK\r\n"));
  const Redacted made = RedactBytes(WriteCapture(events), ValueOf("at+key="));
  ASSERT_TRUE(made.status.ok()) << made.status.message();
  EXPECT_TRUE(made.check.ok()) << made.check.message();
  const ReadBack back = ReadAllOf(made.file);
  EXPECT_THAT(SaidBy(back, Side::kHost), ::testing::StartsWith("AT+KEY="));
  EXPECT_THAT(SaidBy(back, Side::kHost), Not(HasSubstr("fish")));
  EXPECT_EQ(SaidBy(back, Side::kHost) + "\r\nOK\r\n", SaidBy(back, Side::kModule));
}

// Sedge A takes commands with no ending: silence ends them.
TEST(Redact, WithoutLineEndingsSilenceEndsTheValue) {
  std::vector<Event> events;
  std::int64_t at = 0;
  for (const char* command : {"AT", "AT+FW?", "AT+KEY=sw0rdfish", "AT+CHAN?", "AT"}) {
    events.push_back(BytesEvent(at += 1500 * kMs, Side::kHost, command));
    events.push_back(BytesEvent(at += 450 * kMs, Side::kModule, "OK"));
  }
  const Redacted made = RedactBytes(WriteCapture(events), ValueOf("AT+KEY="));
  ASSERT_TRUE(made.status.ok()) << made.status.message();
  EXPECT_EQ(SaidBy(ReadAllOf(made.file), Side::kHost), "ATAT+FW?AT+KEY=#1#######AT+CHAN?AT");
}

TEST(Redact, AShortValueIsReplacedWhereItStandsOnly) {
  const std::vector<Event> events = {
      BytesEvent(0, Side::kHost, "AT+PIN=12\r\n"),
      BytesEvent(10 * kMs, Side::kModule, "\r\n+SIGNAL: 12\r\n\r\nOK\r\n"),
  };
  const Redacted made = RedactBytes(WriteCapture(events), ValueOf("AT+PIN="));
  const ReadBack back = ReadAllOf(made.file);
  EXPECT_EQ(SaidBy(back, Side::kHost), "AT+PIN=##\r\n");
  EXPECT_THAT(SaidBy(back, Side::kModule), HasSubstr("+SIGNAL: 12"));
  ASSERT_EQ(made.report.secrets.size(), 1u);
  EXPECT_FALSE(made.report.secrets[0].searched);
}

TEST(Redact, QuotesStayAndWhatCommasSetApartIsLookedForToo) {
  const std::vector<Event> events = {
      BytesEvent(0, Side::kHost, "AT+KEY=\"sw0rdfish\"\r\nAT+JOIN=3,rainbutt7\r\n"),
      BytesEvent(10 * kMs, Side::kModule, "+KEY: sw0rdfish\r\n+JOIN: rainbutt7\r\n"),
      BytesEvent(20 * kMs, Side::kModule, "737730726466697368\r\n"),  // the key in hexadecimal
  };
  RedactOptions options;
  options.values_of = {"AT+KEY=", "AT+JOIN="};
  const Redacted made = RedactBytes(WriteCapture(events), options);
  const ReadBack back = ReadAllOf(made.file);
  EXPECT_THAT(SaidBy(back, Side::kHost), ::testing::StartsWith("AT+KEY=\"#1#######\"\r\n"));
  EXPECT_EQ(SaidBy(back, Side::kModule).find("rainbutt7"), Bytes::npos);
  EXPECT_THAT(SaidBy(back, Side::kModule), HasSubstr("+KEY: #1#######\r\n"));
  EXPECT_THAT(SaidBy(back, Side::kModule), ::testing::EndsWith("#1################\r\n"));
}

TEST(Redact, OnlyGroupsOfAnExpressionAreSecret) {
  const std::vector<Event> events = {BytesEvent(0, Side::kModule, "+POS: 1234.567,N\r\n")};
  RedactOptions options;
  options.patterns = {"POS: ([0-9.]+),"};
  const Redacted made = RedactBytes(WriteCapture(events), options);
  EXPECT_EQ(SaidBy(ReadAllOf(made.file), Side::kModule), "+POS: #1######,N\r\n");
}

TEST(Redact, FoundIsWhatExamineCallsSecret) {
  const std::vector<Event> events = {
      BytesEvent(0, Side::kHost, "AT+PSK=sw0rdfish\r\n"),
      BytesEvent(10 * kMs, Side::kModule, "\r\nOK\r\n"),
      BytesEvent(1000 * kMs, Side::kHost, "AT+PWD=4"),
      BytesEvent(1001 * kMs, Side::kHost, "71\r\n"),
      BytesEvent(1010 * kMs, Side::kModule, "\r\nOK\r\n"),
      BytesEvent(2000 * kMs, Side::kHost, "AT+MAC?\r\n"),
      BytesEvent(2010 * kMs, Side::kModule, "\r\n02:00:5E:10:00:01\r\n\r\nOK\r\n"),
  };
  RedactOptions options;
  options.found = true;
  const Redacted made = RedactBytes(WriteCapture(events), options);
  ASSERT_TRUE(made.status.ok()) << made.status.message();
  const ReadBack back = ReadAllOf(made.file);
  EXPECT_EQ(SaidBy(back, Side::kHost), "AT+PSK=#1#######\r\nAT+PWD=#2#\r\nAT+MAC?\r\n");
  EXPECT_THAT(SaidBy(back, Side::kModule), HasSubstr("\r\n#3###############\r\n"));
  ASSERT_EQ(made.report.secrets.size(), 3u);
  EXPECT_THAT(made.report.secrets[0].why, ::testing::StartsWith("found: "));
  // Then nothing more is found.
  auto reader = CaptureReader::OpenMemory(made.file);
  ASSERT_TRUE(reader.ok());
  const auto examined = Examine(**reader, {});
  ASSERT_TRUE(examined.ok());
  for (const Finding& finding : examined->findings) EXPECT_NE(finding.name, "secret");
}

// The sentence and its checksum 47 are a published example, copied in many descriptions of NMEA
// 0183 (from memory); the checksum of the redacted one is the XOR of its characters, computed here.
TEST(Redact, ASentencesChecksumFitsAgainOnlyIfItDid) {
  const Bytes body = "GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,";
  const Bytes sentence = "$" + body + "*47\r\n", wrong = "$" + body + "*48\r\n";
  RedactOptions options;
  options.found = true;
  for (std::size_t cut = 1; cut < sentence.size(); ++cut) {
    const std::vector<Event> events = {
        BytesEvent(0, Side::kModule, ByteView(sentence).substr(0, cut)),
        BytesEvent(kMs, Side::kModule, ByteView(sentence).substr(cut)),
        BytesEvent(1000 * kMs, Side::kModule, wrong)};
    const Redacted made = RedactBytes(WriteCapture(events), options);
    ASSERT_TRUE(made.status.ok()) << made.status.message();
    const Bytes said = SaidBy(ReadAllOf(made.file), Side::kModule);
    ASSERT_EQ(said.size(), sentence.size() + wrong.size());
    ASSERT_EQ(said.find("4807.038"), Bytes::npos) << said;
    unsigned sum = 0;
    for (std::size_t i = 1; said[i] != '*'; ++i) sum ^= static_cast<unsigned char>(said[i]);
    char digits[8];
    std::snprintf(digits, sizeof digits, "*%02X\r\n", sum);
    EXPECT_EQ(said.substr(said.find('*'), 5), digits) << "cut at " << cut;
    EXPECT_THAT(said, ::testing::EndsWith("*48\r\n"));
  }
}

TEST(Redact, WhatAGapToreIsReplacedOnBothSidesOfIt) {
  Event gap;
  gap.at = Instant::FromNanoseconds(30 * kMs);
  gap.kind = EventKind::kGap;
  const std::vector<Event> events = {
      BytesEvent(0, Side::kHost, "AT+KEY=sw0rdfish\r\n"),
      BytesEvent(20 * kMs, Side::kModule, "+KEY: sw0rd"),
      gap,
      BytesEvent(40 * kMs, Side::kModule, "dfish\r\nOK\r\n"),
  };
  const Redacted made = RedactBytes(WriteCapture(events), ValueOf("AT+KEY="));
  EXPECT_EQ(SaidBy(ReadAllOf(made.file), Side::kModule), "+KEY: ##########\r\nOK\r\n");
}

TEST(Redact, AnonymousTakesOutWhoseMachineItWas) {
  CaptureInfo info = FullInfo();
  info.redacted = false;
  const std::vector<Event> events = {
      BytesEvent(0, Side::kHost, "AT\r\n"),
      NoteEvent(kMs, "unplugged: /dev/ttyUSB0 of bench"),
  };
  RedactOptions options;
  options.anonymous = true;
  const Redacted made = RedactBytes(WriteCapture(events, info), options);
  ASSERT_TRUE(made.status.ok()) << made.status.message();
  const ReadBack back = ReadAllOf(made.file);
  EXPECT_EQ(back.info.host_name, "");
  EXPECT_EQ(back.info.taps[0].port, "port 1");
  EXPECT_EQ(back.info.taps[0].adapter.serial_number, "");
  EXPECT_EQ(back.info.taps[0].adapter.description, "Sample adapter");
  EXPECT_EQ(NotesOf(back)[1], "unplugged: port 1 of this host");
  EXPECT_THAT(made.report.facts,
              ::testing::ElementsAre("host name", "names of ports", "serial numbers"));
}

TEST(Redact, ARedactedCaptureCanBeRedactedAgain) {
  const std::vector<Event> events = {
      BytesEvent(0, Side::kHost, "AT+KEY=sw0rdfish\r\nAT+NAME=rainbutt\r\n")};
  const Redacted once = RedactBytes(WriteCapture(events), ValueOf("AT+KEY="));
  RedactOptions options;
  options.values_of = {"AT+KEY=", "AT+NAME="};
  const Redacted twice = RedactBytes(once.file, options);
  EXPECT_EQ(SaidBy(ReadAllOf(twice.file), Side::kHost), "AT+KEY=#1#######\r\nAT+NAME=~1~~~~~~\r\n");
}

TEST(Redact, NothingOfThatKindIsSaid) {
  const Redacted made = RedactBytes(WriteCapture(EventsOfEveryKind()), ValueOf("AT+KEY="));
  ASSERT_TRUE(made.status.ok());
  EXPECT_TRUE(made.report.empty());
  RedactOptions options;
  options.patterns = {"("};
  EXPECT_EQ(RedactBytes({}, options).status.code(), Code::kInvalidArgument);
  options.patterns = {"a*"};
  EXPECT_EQ(RedactBytes({}, options).status.code(), Code::kInvalidArgument);
}

TEST(Redact, LongCapturesAreSearchedAcrossTheSearchersWindows) {
  std::vector<Bytes> kept;
  std::vector<Event> events;
  std::mt19937 random(7);
  for (int i = 0; i < 3000; ++i) {
    Bytes text(900, 'x');
    for (char& c : text) c = static_cast<char>('a' + random() % 26);
    text.replace(random() % 800, 20, "key=" + std::to_string(10'000'000 + i) + ";12345\n");
    kept.push_back(text);
  }
  for (std::size_t i = 0; i < kept.size(); ++i)
    events.push_back(BytesEvent(static_cast<std::int64_t>(i) * kMs, Side::kModule, kept[i]));
  RedactOptions options;
  options.patterns = {"key=([0-9]+);"};
  const Redacted made = RedactBytes(WriteCapture(events), options);
  ASSERT_TRUE(made.status.ok()) << made.status.message();
  EXPECT_TRUE(made.check.ok()) << made.check.message();
  EXPECT_EQ(made.report.secrets.size(), 3000u);
  const Bytes said = SaidBy(ReadAllOf(made.file), Side::kModule);
  for (int i = 0; i < 3000; ++i)
    ASSERT_EQ(said.find(std::to_string(10'000'000 + i)), Bytes::npos) << i;
}

// Random dialogues with the secret in many places and any reads: no run of the secret is left in
// any event, name, frame, base64 or page, and everything else stands where it stood.
TEST(RedactProperty, NoByteRunOfASecretIsLeftWhateverTheReads) {
  const std::string alphabet =
      "abcdefghijkmnpqrstuvwxyzABCDEFGHJKLMNPQRSTUVWXYZ0123456789-_.#\x7F\xE9";
  for (unsigned seed = 1; seed <= 120; ++seed) {
    std::mt19937 random(seed);
    const auto below = [&](std::size_t n) { return static_cast<std::size_t>(random() % n); };
    std::vector<Bytes> secrets(1 + below(3));
    for (Bytes& secret : secrets)
      for (std::size_t n = 6 + below(20); n > 0; --n) secret += alphabet[below(alphabet.size())];
    const auto a_secret = [&]() -> const Bytes& { return secrets[below(secrets.size())]; };
    Bytes sides[3];
    for (const Bytes& secret : secrets) sides[1] += "AT+KEY=" + secret + "\r\n";
    for (int i = 0; i < 30; ++i) {
      Bytes& side = sides[below(3)];
      switch (below(5)) {
        case 0:
          side += "AT+KEY=" + a_secret() + "\r\n";
          break;
        case 1:
          side += "+KEY: " + a_secret() + "\r\nOK\r\n";
          break;
        case 2:
          side += a_secret() + a_secret() + "\r\n";
          break;
        case 3:
          side += "x" + a_secret().substr(below(3)) + "\r\n";
          break;
        default:
          side += "AT+SIGNAL?\r\n";
          break;
      }
    }
    std::vector<Event> events;
    std::size_t at[3] = {};
    std::int64_t now = 0;
    while (at[0] < sides[0].size() || at[1] < sides[1].size() || at[2] < sides[2].size()) {
      const std::size_t s = below(3);
      const std::size_t n = std::min(1 + below(below(2) == 0 ? 2 : 40), sides[s].size() - at[s]);
      if (n == 0) continue;
      now += static_cast<std::int64_t>(below(3)) * static_cast<std::int64_t>(below(40)) * kMs;
      events.push_back(BytesEvent(now, static_cast<Side>(s), ByteView(sides[s]).substr(at[s], n)));
      at[s] += n;
    }
    const Bytes words = "typed " + a_secret();
    events.push_back(NoteEvent(now, words));
    CaptureInfo info = FullInfo();
    info.title = "key " + a_secret();
    info.taps[0].port = "/dev/" + a_secret();

    const Redacted made = RedactBytes(WriteCapture(events, info), ValueOf("AT+KEY="));
    ASSERT_TRUE(made.status.ok()) << made.status.message();
    ASSERT_TRUE(made.check.ok()) << made.check.message() << " seed " << seed;
    const ReadBack back = ReadAllOf(made.file);
    Bytes everything = back.info.title + "|" + back.info.taps[0].port;
    Bytes lanes[3];
    std::size_t original = 0;
    for (const OwnedEvent& event : back.events) {
      if (event.event.kind == EventKind::kNote) {
        everything += "|" + event.bytes;
        continue;
      }
      // Not one event more or less, none longer, none later.
      ASSERT_EQ(event.event.at.ns(), events[original].at.ns());
      ASSERT_EQ(event.bytes.size(), events[original].bytes.size());
      ++original;
      lanes[static_cast<std::size_t>(event.event.side)] += event.bytes;
    }
    ASSERT_EQ(original + 1, events.size());
    for (std::size_t s = 0; s < 3; ++s) {
      everything += "|" + lanes[s];
      // What no secret touches is as it was: the heads of lines are.
      for (std::size_t i = 0; i + 12 <= sides[s].size(); ++i)
        if (sides[s].compare(i, 12, "AT+SIGNAL?\r\n") == 0) {
          ASSERT_EQ(lanes[s].substr(i, 12), "AT+SIGNAL?\r\n");
        }
    }
    const std::string path = TemporaryPath("redacted.witness");
    std::ofstream(path, std::ios::binary) << made.file;
    ExhibitRequest request;
    request.captures.push_back({path, "redacted.witness", std::nullopt});
    std::string page;
    ASSERT_TRUE(WriteExhibit(request, {}, [&](std::string_view text) {
                  page += text;
                  return OkStatus();
                }).ok());
    std::remove(path.c_str());
    const auto lower = [](Bytes text) {
      for (char& c : text)
        if (c >= 'A' && c <= 'Z') c = static_cast<char>(c + 32);
      return text;
    };
    const Bytes low = lower(everything);
    for (const Bytes& secret : secrets) {
      ASSERT_EQ(low.find(lower(secret)), Bytes::npos)
          << "seed " << seed << ": " << ToEscapes(secret) << " in " << ToEscapes(everything);
      ASSERT_EQ(made.file.find(secret), Bytes::npos) << "seed " << seed;
      ASSERT_EQ(page.find(secret), std::string::npos) << "seed " << seed;
      ASSERT_EQ(page.find(ToHex(secret)), std::string::npos) << "seed " << seed;
      for (std::size_t phase = 0; phase < 3; ++phase) {
        // Of a run in base64, whole groups are the same wherever it stands in that phase.
        const Bytes shifted = secret.substr(phase);
        const std::string coded = ToBase64(shifted.substr(0, shifted.size() / 3 * 3));
        if (coded.size() >= 8) {
          ASSERT_EQ(page.find(coded), std::string::npos) << "seed " << seed;
        }
      }
    }
  }
}

// The same secret has the same stand-in, and another has another.
TEST(RedactProperty, StandInsAreOnesOwn) {
  const std::vector<Event> events = {
      BytesEvent(0, Side::kHost, "AT+KEY=sw0rdfish\r\nAT+KEY=rainbutt7\r\nAT+KEY=SW0RDFISH\r\n")};
  const Redacted made = RedactBytes(WriteCapture(events), ValueOf("AT+KEY="));
  EXPECT_EQ(SaidBy(ReadAllOf(made.file), Side::kHost),
            "AT+KEY=#1#######\r\nAT+KEY=#2#######\r\nAT+KEY=#1#######\r\n");
}

}  // namespace
}  // namespace witness
