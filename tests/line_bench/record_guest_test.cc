// `bytewitness record` and `listen` as a person runs them, on real drivers: each capture event by
// event.
//
// The 16550 of the virtual machine knows no parity, no stop bit and no break of its peer: bytes go
// from one socket to the other, not bits. What our program makes of these errors is proven on the
// FT232R here and, with a 16550's counters, by the shim (serial_shim_test.py). Its overruns it does
// count, in its own loop back.
#include <fcntl.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <poll.h>
#include <signal.h>
#include <sys/io.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <fstream>
#include <iterator>

#include "capture/line/open_port.h"
#include "capture/store/capture_reader.h"
#include "tests/line_bench/emulated_adapter.h"

namespace witness::line_bench {
namespace {

using ::testing::AllOf;
using ::testing::Contains;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::StartsWith;

bool Eventually(const std::function<bool()>& done, int within_ms = 8000) {
  for (int waited = 0; waited < within_ms; waited += 5) {
    if (done()) return true;
    poll(nullptr, 0, 5);
  }
  return done();
}

class RecordTest : public testing::Test {
 protected:
  void TearDown() override {
    if (child_ > 0) End();
    unlink(kCapture);
  }

  void Record(std::vector<std::string> arguments) { Start("record", std::move(arguments)); }
  void Start(const char* command, std::vector<std::string> arguments) {
    std::vector<std::string> words = {"/bench/bytewitness", command};
    words.insert(words.end(), arguments.begin(), arguments.end());
    for (const char* more : {"-o", kCapture, "--replace"}) words.push_back(more);
    unlink(kTalk);  // what a run before said is not this one's
    child_ = fork();
    if (child_ == 0) {
      const int talk = open(kTalk, O_WRONLY | O_CREAT | O_TRUNC, 0644);
      dup2(talk, 1);
      dup2(talk, 2);
      std::vector<char*> list;
      for (std::string& word : words) list.push_back(word.data());
      list.push_back(nullptr);
      execv(list[0], list.data());
      _exit(98);
    }
    ASSERT_TRUE(Said("Ctrl-C ends")) << Talk();
  }
  static std::string Talk() {
    std::ifstream in(kTalk);
    return std::string(std::istreambuf_iterator<char>(in), {});
  }
  static bool Said(const std::string& text) {
    return Eventually([&] { return Talk().find(text) != std::string::npos; });
  }
  int End() {
    kill(child_, SIGINT);
    int status = 0;
    waitpid(child_, &status, 0);
    child_ = -1;
    return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
  }
  // One line an event; bytes of one side next to each other are joined, counts left out.
  static std::vector<std::string> Events() {
    std::vector<std::string> out;
    auto reader = CaptureReader::Open(kCapture);
    if (!reader.ok()) return {reader.status().message()};
    Event event;
    while ((*reader)->Next(event) == CaptureReader::Outcome::kEvent) {
      const std::string side = SideName(event.side);
      switch (event.kind) {
        case EventKind::kBytes:
          if (!out.empty() && out.back().starts_with(side + " said "))
            out.back() += Bytes(event.bytes);
          else
            out.push_back(side + " said " + Bytes(event.bytes));
          break;
        case EventKind::kBadByte:
          out.push_back(side + " bad " + Bytes(event.bytes));
          break;
        case EventKind::kBreak:
          out.push_back(side + " break");
          break;
        case EventKind::kGap:
          out.push_back(side + " gap " + std::to_string(static_cast<int>(event.gap.reason)));
          break;
        case EventKind::kNote:
          out.push_back("note " + Bytes(event.bytes));
          break;
        case EventKind::kLineChange:
          out.push_back(side + " lines " + std::to_string(event.lines) + " of " +
                        std::to_string(event.changed));
          break;
        default:
          break;
      }
    }
    if (!(*reader)->ending().closed_cleanly) out.push_back("not closed cleanly");
    return out;
  }
  // All counts of the capture, added up.
  static ErrorCounts Counts() {
    ErrorCounts out;
    auto reader = CaptureReader::Open(kCapture);
    Event event;
    while (reader.ok() && (*reader)->Next(event) == CaptureReader::Outcome::kEvent) {
      if (event.kind != EventKind::kErrorCounts) continue;
      out.framing += event.counts.framing;
      out.parity += event.counts.parity;
      out.overrun += event.counts.overrun;
      out.buffer_overrun += event.counts.buffer_overrun;
      out.breaks += event.counts.breaks;
    }
    return out;
  }
  // So much is in the file already.
  static bool Recorded(std::size_t events) {
    return Eventually([&] { return Events().size() > events; });  // with "not closed cleanly"
  }

  static constexpr const char* kCapture = "/tmp/record.witness";
  static constexpr const char* kTalk = "/tmp/record.talk";
  pid_t child_ = -1;
};

TEST_F(RecordTest, TwoTapsHearBothSidesAndWriteToNone) {
  EmulatedAdapter module("BENCH0001", 0);
  EmulatedAdapter host("BENCH0002", 1);
  ASSERT_TRUE(module.Plug() && host.Plug());
  Record({WaitForNode("BENCH0001"), "--far", WaitForNode("BENCH0002")});
  EXPECT_TRUE(Said("up to 16 ms late")) << Talk();
  host.Deliver("AT+FW?\r");
  ASSERT_TRUE(Recorded(1));
  module.Deliver("OK");
  module.DeliverBreak();
  module.Deliver("F", kFramingFault);
  ASSERT_TRUE(Recorded(4));
  module.SetInputs(kCtsInput);  // DSR off
  ASSERT_TRUE(Recorded(5));
  EXPECT_EQ(End(), 130);
  EXPECT_THAT(Events(), ElementsAre("host said AT+FW?\r", "module said OK", "module break",
                                    "module bad F", "module lines 2 of 8"));
  EXPECT_EQ(module.state().written, "");
  EXPECT_EQ(host.state().written, "");
}

TEST_F(RecordTest, ErrorsStandAtTheirBytesAndTheDriversCountsBesides) {
  EmulatedAdapter adapter("BENCH0001", 0);
  ASSERT_TRUE(adapter.Plug());
  Record({WaitForNode("BENCH0001"), "--side", "module", "--format", "8E1"});
  adapter.Deliver("a");
  adapter.Deliver("PQ", kParityFault);
  adapter.Deliver("b");
  adapter.Deliver("F", kFramingFault);
  adapter.Deliver("y", kOverrunFault);
  adapter.Deliver("z", kOverrunFault);
  adapter.DeliverBreak();
  adapter.Deliver("end");
  const ErrorCounts wanted = {
      .framing = 1, .parity = 2, .overrun = 2, .buffer_overrun = 0, .breaks = 1};
  EXPECT_TRUE(Eventually([&] { return Counts() == wanted; }));
  ASSERT_TRUE(Recorded(7));
  EXPECT_EQ(End(), 130);
  EXPECT_THAT(Events(),
              ElementsAre("module said a", "module bad P", "module bad Q", "module said b",
                          "module bad F", "module said yz", "module break", "module said end"));
  EXPECT_EQ(Counts(), wanted) << "each is counted once";
}

TEST_F(RecordTest, OverrunOfA16550IsCounted) {
  Record({"/dev/ttyS4", "--side", "module"});
  // While its interrupts are off, the chip sends itself more than its queue of 16 holds (registers:
  // data sheet of the PC16550D, section 8).
  constexpr unsigned short kInterrupts = 1, kModemControl = 4;
  constexpr unsigned char kLoop = 0x10;
  unsigned long where = 0;
  std::ifstream("/sys/class/tty/ttyS4/port") >> std::hex >> where;
  ASSERT_NE(where, 0u);
  ASSERT_EQ(iopl(3), 0);
  const auto base = static_cast<unsigned short>(where);
  const auto interrupts = static_cast<unsigned short>(base + kInterrupts);
  const auto control = static_cast<unsigned short>(base + kModemControl);
  const unsigned char enabled = inb(interrupts);
  const unsigned char lines = inb(control);
  outb(0, interrupts);
  outb(lines | kLoop, control);
  for (int i = 0; i < 20; ++i) outb(static_cast<unsigned char>('a' + i), base);
  outb(lines, control);
  outb(enabled, interrupts);
  EXPECT_EQ(iopl(0), 0);
  EXPECT_TRUE(Eventually([] { return Counts().overrun > 0; }));
  ASSERT_TRUE(Recorded(1));
  EXPECT_EQ(End(), 130);
  EXPECT_THAT(Events(), ElementsAre("module said abcdefghijklmnop"));
  EXPECT_EQ(Counts().overrun, 1u) << "the chip tells that there was one, not how many bytes";
}

TEST_F(RecordTest, ReplugUnderAnotherNameIsFoundBySerialNumber) {
  auto adapter = std::make_unique<EmulatedAdapter>("BENCH0001", 0);
  ASSERT_TRUE(adapter->Plug());
  const std::string first = WaitForNode("BENCH0001");
  Record({first, "--side", "module", "--on-unplug", "wait", "--baud", "74880"});
  adapter->Deliver("before");
  ASSERT_TRUE(Recorded(1));
  adapter->Unplug();
  ASSERT_TRUE(WaitUntilGone(first, 3000));
  EmulatedAdapter other("BENCH0002", 1);  // takes the name
  ASSERT_TRUE(other.Plug());
  ASSERT_EQ(WaitForNode("BENCH0002"), first);
  other.Deliver("not ours");
  ASSERT_TRUE(adapter->Plug());
  const std::string second = WaitForNode("BENCH0001");
  ASSERT_NE(second, first);
  ASSERT_TRUE(Said("is back as " + second)) << Talk();
  EXPECT_NEAR(adapter->state().baud, 74880, 250);
  adapter->Deliver("after");
  ASSERT_TRUE(Recorded(4));
  EXPECT_EQ(End(), 130);
  const std::vector<std::string> events = Events();
  ASSERT_EQ(events.size(), 4u);
  EXPECT_EQ(events[0], "module said before");
  EXPECT_EQ(events[1], "module gap 2");
  EXPECT_THAT(events[2], HasSubstr("note " + first + " is back as " + second));
  EXPECT_EQ(events[3], "module said after");
}

TEST_F(RecordTest, HeldLinesStayAsTheyAreOverCloseAndReopen) {
  EmulatedAdapter adapter("BENCH0001", 0);
  ASSERT_TRUE(adapter.Plug());
  const std::string node = WaitForNode("BENCH0001");
  Record({node, "--hold-lines"});
  EXPECT_TRUE(Said("Linux raised DTR and RTS")) << Talk();
  EXPECT_EQ(End(), 130);
  EXPECT_TRUE(adapter.state().dtr);
  const int edges = adapter.state().dtr_edges;
  Record({node, "--hold-lines"});
  EXPECT_THAT(Talk(), Not(HasSubstr("Linux raised")));
  EXPECT_EQ(End(), 130);
  EXPECT_EQ(adapter.state().dtr_edges, edges);
  // Without it the lines fall at the end, as usual.
  Record({node});
  EXPECT_EQ(End(), 130);
  EXPECT_TRUE(adapter.WaitFor([](const auto& s) { return !s.dtr; }, 2000));
}

TEST_F(RecordTest, LowLatencyIsAskedForAndPutBack) {
  EmulatedAdapter adapter("BENCH0001", 0);
  ASSERT_TRUE(adapter.Plug());
  const std::string node = WaitForNode("BENCH0001");
  Record({node, "--low-latency"});
  EXPECT_EQ(adapter.state().latency_ms, 1);
  EXPECT_EQ(FactsOf(node).latency_timer_ms, 1);
  EXPECT_TRUE(Said("up to 1 ms late")) << Talk();
  EXPECT_EQ(End(), 130);
  EXPECT_EQ(adapter.state().latency_ms, 16);
  EXPECT_EQ(FactsOf(node).latency_timer_ms, 16);
}

TEST_F(RecordTest, DividedRateOfA16550IsTold) {
  Record({"/dev/ttyS4", "--baud", "31250"});
  // 115200 / 31250 = 3.69, divisor 4
  EXPECT_TRUE(Said("did not take 31250 baud, it runs at 28800")) << Talk();
  EXPECT_EQ(End(), 130);
}

TEST_F(RecordTest, BetweenTwoAdaptersPassesBytesLinesAndBreaks) {
  EmulatedAdapter module("BENCH0001", 0);
  EmulatedAdapter host("BENCH0002", 1);
  ASSERT_TRUE(module.Plug() && host.Plug());
  Record({"--between", WaitForNode("BENCH0001"), WaitForNode("BENCH0002")});
  std::string all;
  for (int i = 0; i < 256; ++i) all += static_cast<char>(i);
  host.Deliver(all);
  EXPECT_TRUE(module.WaitFor([&](const auto& s) { return s.written == all; }, 5000));
  module.Deliver(all);
  EXPECT_TRUE(host.WaitFor([&](const auto& s) { return s.written == all; }, 5000));
  host.SetInputs(kDsrInput);  // CTS off: its RTS across
  EXPECT_TRUE(module.WaitFor([](const auto& s) { return !s.rts && s.dtr; }, 5000));
  host.DeliverBreak();
  EXPECT_TRUE(module.WaitFor([](const auto& s) { return s.breaks == 1 && !s.break_on; }, 5000));
  EXPECT_EQ(End(), 130);
  EXPECT_THAT(Events(), ElementsAre("host said " + all, "module said " + all, "host lines 8 of 2",
                                    "host break"));
}

TEST_F(RecordTest, ListenFindsTheRateOfTheLineAndSendsNothing) {
  EmulatedAdapter adapter("BENCH0001", 0);
  ASSERT_TRUE(adapter.Plug());
  Start("listen", {WaitForNode("BENCH0001"), "--rates", "9600,19200,115200", "--formats", "8N1,8E1",
                   "--side", "module"});
  // The module says this at 19200 8N1, and at any other setting it sounds broken.
  int status = 0;
  for (int i = 0; i < 4000 && waitpid(child_, &status, WNOHANG) == 0; ++i) {
    const EmulatedAdapter::State state = adapter.state();
    if (state.baud > 19000 && state.baud < 19400 && state.parity == 0)
      adapter.DeliverAndWait("\r\n+CREG: 1,5\r\n\r\nOK\r\n", 500);
    else
      adapter.Deliver("\xf8\x80\xe6", state.parity == 0 ? kFramingFault : kParityFault);
    poll(nullptr, 0, 10);
  }
  ASSERT_TRUE(WIFEXITED(status)) << Talk();
  child_ = -1;
  EXPECT_EQ(WEXITSTATUS(status), 0) << Talk();
  EXPECT_THAT(Talk(), HasSubstr("sure     19200 8N1"));
  EXPECT_EQ(adapter.state().written, "");
  const std::vector<std::string> events = Events();
  EXPECT_THAT(events, Contains("note listening at 9600 8N1"));
  EXPECT_THAT(events, Contains("module bad \xe6"));
  EXPECT_THAT(events, Contains(AllOf(StartsWith("module said "),
                                     HasSubstr("\r\n+CREG: 1,5\r\n\r\nOK\r\n"))));
  EXPECT_EQ(events.back(), "note fits best: 19200 8N1");
  EXPECT_GT(Counts().framing, 0u);
}

}  // namespace
}  // namespace witness::line_bench
