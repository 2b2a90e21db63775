// Ports over loopback sockets: a client's port and the listening one, joined by hand.
#include "capture/line/network_port.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <poll.h>

#include <future>

#include "capture/base/clock.h"
#include "capture/line/driver.h"
#include "capture/line/open_port.h"

namespace witness {
namespace {

using ::testing::HasSubstr;

constexpr std::uint32_t kRts = 1;
constexpr std::uint32_t kCts = 2;
constexpr std::uint32_t kDtr = 4;
constexpr std::uint32_t kDsr = 8;

// Reads once, when there is something or after 3 s.
ReadResult ReadNext(Port& port, Bytes& bytes) {
  pollfd wait = {port.poll_handle(), POLLIN, 0};
  poll(&wait, 1, 3000);
  char buffer[4096];
  ReadResult got = port.Read(buffer);
  bytes.append(buffer, got.size);
  while (got.more) {
    ReadResult rest = port.Read(buffer);
    bytes.append(buffer, rest.size);
    got.requests.insert(got.requests.end(), rest.requests.begin(), rest.requests.end());
    got.marks.insert(got.marks.end(), rest.marks.begin(), rest.marks.end());
    got.more = rest.more;
  }
  return got;
}

// A listening port and the client that has connected to it.
struct Pair {
  std::unique_ptr<ListeningPort> listening;
  std::unique_ptr<Port> client;
  std::string note;

  explicit Pair(const std::string& scheme) {
    auto made = ListeningPort::Create((scheme == "tcp://" ? "" : scheme) + "127.0.0.1:0");
    if (!made.ok()) return;
    listening = *std::move(made);
    LineSettings at_9600;
    listening->ShowSettings(at_9600);
    std::string address = listening->address();
    if (!address.starts_with(scheme)) address = scheme + address;
    auto opened = std::async(std::launch::async, [&] { return OpenPort(address); });
    Bytes none;
    note = ReadNext(*listening, none).note;
    // The server's part of the agreement.
    while (opened.wait_for(std::chrono::milliseconds(1)) != std::future_status::ready) Serve();
    auto port = opened.get();
    if (port.ok()) client = *std::move(port);
  }
  // One turn of a listener that gives clients what they ask for.
  void Serve() {
    char buffer[4096];
    const ReadResult got = listening->Read(buffer);
    heard.append(buffer, got.size);
    for (const LineRequest& request : got.requests) {
      requests.push_back(request);
      if (request.settings) listening->ShowSettings(*request.settings);
    }
  }
  Bytes heard;
  std::vector<LineRequest> requests;
};

Bytes AllValues() {
  Bytes out;
  for (int i = 0; i < 256; ++i) out += static_cast<char>(i);
  return out;
}

class Network : public testing::TestWithParam<const char*> {};

TEST_P(Network, EveryByteValuePassesBothWays) {
  Pair pair(GetParam());
  ASSERT_TRUE(pair.client);
  EXPECT_THAT(pair.note, HasSubstr("client 127.0.0.1:"));
  const Bytes all = AllValues();
  ASSERT_EQ(pair.client->Write(all).value(), all.size());
  ASSERT_EQ(pair.listening->Write(all).value(), all.size());
  Bytes at_client;
  for (int i = 0; i < 100 && at_client.size() < all.size(); ++i) ReadNext(*pair.client, at_client);
  for (int i = 0; i < 100 && pair.heard.size() < all.size(); ++i) {
    pollfd wait = {pair.listening->poll_handle(), POLLIN, 0};
    poll(&wait, 1, 1000);
    pair.Serve();
  }
  EXPECT_EQ(ToHex(at_client), ToHex(all));
  EXPECT_EQ(ToHex(pair.heard), ToHex(all));
}

TEST_P(Network, NextClientCanComeWhenTheFirstHasLeft) {
  Pair pair(GetParam());
  ASSERT_TRUE(pair.client);
  pair.client.reset();
  Bytes none;
  ReadResult got;
  for (int i = 0; i < 100 && got.note.empty(); ++i) got = ReadNext(*pair.listening, none);
  EXPECT_THAT(got.note, HasSubstr("left"));
  EXPECT_EQ(got.outcome, ReadOutcome::kBytes) << "the port itself goes on";
  EXPECT_EQ(pair.listening->Write("nobody hears this").value(), 17u);
  std::string address = pair.listening->address();
  const std::string scheme = GetParam();
  if (!address.starts_with(scheme)) address = scheme + address;
  auto opened = std::async(std::launch::async, [&] { return OpenPort(address); });
  while (opened.wait_for(std::chrono::milliseconds(1)) != std::future_status::ready) pair.Serve();
  EXPECT_TRUE(opened.get().ok());
}

INSTANTIATE_TEST_SUITE_P(Schemes, Network, testing::Values("tcp://", "rfc2217://"),
                         [](const auto& scheme) {
                           return scheme.param[0] == 't' ? "Tcp" : "Rfc2217";
                         });

TEST(Rfc2217, SettingsReachTheServerAndWhatItTookComesBack) {
  Pair pair("rfc2217://");
  ASSERT_TRUE(pair.client);
  LineSettings wanted;
  wanted.baud = 31250;
  ASSERT_TRUE(ParseFormat("7E2", wanted).ok());
  auto configured = std::async(std::launch::async, [&] { return pair.client->Configure(wanted); });
  // This server takes 28800 where 31250 was asked for, as a 16550 does.
  while (configured.wait_for(std::chrono::milliseconds(1)) != std::future_status::ready) {
    char buffer[4096];
    for (const LineRequest& request : pair.listening->Read(buffer).requests) {
      if (!request.settings) continue;
      LineSettings took = *request.settings;
      if (took.baud == 31250) took.baud = 28800;
      pair.listening->ShowSettings(took);
    }
  }
  const Result<LineSettings> got = configured.get();
  ASSERT_TRUE(got.ok()) << got.status().message();
  LineSettings expected = wanted;
  expected.baud = 28800;
  EXPECT_EQ(*got, expected);
}

// What the module says while the client waits for an answer comes at once, not with what it says
// next: at another rate it would be taken for heard at the new one.
TEST(Rfc2217, WhatCameBeforeAnAnswerIsReadBeforeAnythingElseHappens) {
  Pair pair("rfc2217://");
  ASSERT_TRUE(pair.client);
  MonotonicClock clock;
  const std::unique_ptr<Driver> driver = Driver::Create(clock);
  Bytes heard;
  PortHandlers handlers;
  handlers.on_bytes = [&](Instant, ByteView bytes) { heard += bytes; };
  driver->AddPort(*pair.client, std::move(handlers));
  for (const std::uint32_t baud : {19200u, 4800u}) {
    heard.clear();
    ASSERT_EQ(pair.listening->Write("said before").value(), 11u);
    LineSettings wanted;
    wanted.baud = baud;
    auto configured =
        std::async(std::launch::async, [&] { return pair.client->Configure(wanted); });
    while (configured.wait_for(std::chrono::milliseconds(1)) != std::future_status::ready)
      pair.Serve();
    const Result<LineSettings> got = configured.get();
    ASSERT_TRUE(got.ok()) << got.status().message();
    EXPECT_EQ(got->baud, baud) << "an answer to what was asked before is none to this";
    EXPECT_TRUE(pair.client->Holding());
    driver->SetTimer(clock.Now(), [&](Instant) {
      EXPECT_EQ(heard, "said before");
      driver->Stop();
    });
    ASSERT_TRUE(driver->Run().ok());
    EXPECT_FALSE(pair.client->Holding());
  }
}

TEST(Rfc2217, LinesAndBreaksPassBothWays) {
  Pair pair("rfc2217://");
  ASSERT_TRUE(pair.client);
  ASSERT_TRUE(pair.client->SetLines(kDtr | kRts, kDtr).ok());
  ASSERT_TRUE(pair.client->SetBreak(true).ok());
  ASSERT_TRUE(pair.client->SetBreak(false).ok());
  ASSERT_EQ(pair.client->Write("x").value(), 1u);
  for (int i = 0; i < 200 && pair.heard.empty(); ++i) {
    pollfd wait = {pair.listening->poll_handle(), POLLIN, 0};
    poll(&wait, 1, 100);
    pair.Serve();
  }
  std::uint32_t levels = kRts;
  std::string breaks;
  for (const LineRequest& request : pair.requests) {
    levels = (levels & ~request.line_mask) | request.line_levels;
    if (request.break_on) breaks += *request.break_on ? "on " : "off ";
  }
  EXPECT_EQ(levels, kDtr);
  EXPECT_EQ(breaks, "on off ");

  ASSERT_TRUE(pair.client->WatchLines().ok());
  pair.listening->ShowLines(kCts | kDsr, 0);
  ASSERT_TRUE(pair.listening->SetBreak(true).ok());
  ASSERT_EQ(pair.listening->Write("y").value(), 1u);
  Bytes at_client;
  std::vector<ReadMark> marks;
  std::uint32_t lines = 0;
  for (int i = 0; i < 100 && at_client.empty(); ++i) {
    const ReadResult got = ReadNext(*pair.client, at_client);
    marks.insert(marks.end(), got.marks.begin(), got.marks.end());
    for (const LineChange& change : pair.client->TakeLineChanges()) lines = change.asserted;
  }
  EXPECT_EQ(lines, kCts | kDsr);
  EXPECT_EQ(marks, (std::vector<ReadMark>{{ReadMark::Kind::kBreak, 0}}));
  LineCounts counts;
  ASSERT_TRUE(pair.client->Counts(counts));
  EXPECT_EQ(counts.breaks, 1u);
}

TEST(Rfc2217, PlainServerIsNamedForWhatItIs) {
  auto listening = ListeningPort::Create("0");
  ASSERT_TRUE(listening.ok());
  EXPECT_FALSE((*listening)->reachable_from_outside());
  auto opened = std::async(std::launch::async,
                           [&] { return OpenPort("rfc2217://" + (*listening)->address()); });
  Bytes none;
  ReadNext(**listening, none);
  ASSERT_TRUE((*listening)->Write("\xff\xfe\x2c").ok());  // DONT COM-PORT
  const auto port = opened.get();
  ASSERT_FALSE(port.ok());
  EXPECT_EQ(port.status().code(), Code::kUnsupported);
  EXPECT_THAT(port.status().message(), HasSubstr("tcp://"));
}

TEST(NetworkNames, BadAddressesAreRefused) {
  EXPECT_EQ(OpenPort("tcp://localhost").status().code(), Code::kInvalidArgument);
  EXPECT_EQ(OpenPort("tcp://:7000").status().code(), Code::kInvalidArgument);
  EXPECT_EQ(OpenPort("rfc2217://localhost:70000").status().code(), Code::kInvalidArgument);
  EXPECT_EQ(ListeningPort::Create("127.0.0.1:").status().code(), Code::kInvalidArgument);
  EXPECT_EQ(OpenPort("tcp://127.0.0.1:1").status().code(), Code::kIo);
}

}  // namespace
}  // namespace witness
