// Programs on ptys, really started. Nothing here measures time; programs end by what they are told.
#include "replay/subject/program.h"

#include <gtest/gtest.h>
#include <signal.h>

namespace trial {
namespace {

using witness::Code;

Part SmallPart() {
  Part part;
  part.command_end.terminators = {"\n"};
  part.rules = {{{Match::kIgnoringEnding, "AT", false}, {{{{Duration::Zero(), "OK\n"}}, 1}}}};
  return part;
}

ProgramSetup Shell(const std::string& script, Link link = Link::kPty) {
  ProgramSetup setup;
  setup.arguments = {"sh", "-c", script, "sh", "{port}"};
  setup.link = link;
  return setup;
}

Observations RunIt(const ProgramSetup& setup, Duration within = Duration::Seconds(20)) {
  auto subject = MakeProgramSubject(setup);
  EXPECT_TRUE(subject.ok()) << subject.status().message();
  RunLimits limits;
  limits.within = within;
  auto seen = (*subject)->Run(SmallPart(), limits);
  EXPECT_TRUE(seen.ok()) << seen.status().message();
  return seen.ok() ? std::move(*seen) : Observations{};
}

constexpr char kAsk[] = "exec 3<>$1; echo AT >&3; read answer <&3; echo got $answer; exit 4";

TEST(Program, CommandsAnswersOutputAndExitStatusAreSeen) {
  const Observations seen = RunIt(Shell(kAsk));
  ASSERT_EQ(seen.commands.size(), 1u);
  EXPECT_EQ(seen.commands[0].bytes, "AT\n");
  ASSERT_EQ(seen.said.size(), 1u);
  EXPECT_EQ(PrintedText(seen, false), "got OK\n");
  EXPECT_EQ(seen.ending, SubjectEnding::kExited);
  EXPECT_EQ(seen.exit_status, 4);
  EXPECT_EQ(seen.unread_bytes, 0u);
  EXPECT_EQ(seen.conversation.size(), 2u);
  EXPECT_TRUE(seen.remarks.empty());
}

TEST(Program, StandardStreamsCanBeTheLine) {
  const Observations seen =
      RunIt(Shell("echo AT; read answer; echo got $answer >&2", Link::kStandardStreams));
  ASSERT_EQ(seen.commands.size(), 1u);
  EXPECT_EQ(PrintedText(seen, true), "got OK\n");
}

TEST(Program, TcpCanBeTheLine) {
  ProgramSetup setup;
  setup.link = Link::kTcp;
  setup.arguments = {"bash", "-c",
                     "exec 3<>/dev/tcp/${1%:*}/${1#*:}; echo AT >&3; read a <&3; echo got $a",
                     "bash", "{port}"};
  const Observations seen = RunIt(setup);
  EXPECT_EQ(PrintedText(seen, false), "got OK\n");
}

TEST(Program, UnreadBytesAreCounted) {
  // Waits until the answer is there (its first byte), and leaves the rest.
  const Observations seen =
      RunIt(Shell("exec 3<>$1; echo AT >&3; head -c 1 <&3 >/dev/null; exit 0"));
  EXPECT_EQ(seen.unread_bytes, 2u);
}

TEST(Program, OneThatIgnoresSigtermIsKilled) {
  const Observations seen =
      RunIt(Shell("trap '' TERM; exec 3<>$1; while :; do read x <&3; done"), Duration::Seconds(2));
  EXPECT_EQ(seen.ending, SubjectEnding::kOutOfTime);
  EXPECT_EQ(seen.signal, SIGKILL);
}

TEST(Program, DeathByASignalIsTold) {
  const Observations seen = RunIt(Shell("kill -SEGV $$"));
  EXPECT_EQ(seen.ending, SubjectEnding::kSignalled);
  EXPECT_EQ(seen.signal, SIGSEGV);
}

TEST(Program, DaemonLeftBehindIsNamedAndEnded) {
  const Observations seen = RunIt(Shell("setsid tail -f /dev/null & echo $!; exit 0"));
  ASSERT_EQ(seen.remarks.size(), 1u);
  EXPECT_EQ(seen.remarks[0].kind, "orphan");
  EXPECT_NE(kill(std::stoi(PrintedText(seen, false)), 0), 0) << "still there";
}

TEST(Program, PortDoesNotBecomeItsTerminal) {
  // A program whose terminal the port is would be stopped when another process group reads it.
  const Observations seen = RunIt(Shell("exec 3<>$1; ps -o tty= -p $$ | tr -d ' '"));
  EXPECT_EQ(PrintedText(seen, false), "?\n");
}

TEST(Program, OneThatCannotStartIsNamed) {
  ProgramSetup setup;
  setup.arguments = {"/nonexistent/program", "{port}"};
  auto subject = MakeProgramSubject(setup);
  ASSERT_TRUE(subject.ok());
  const auto seen = (*subject)->Run(SmallPart(), {});
  ASSERT_FALSE(seen.ok());
  EXPECT_EQ(seen.status().code(), Code::kNotFound);
  EXPECT_NE(seen.status().message().find("/nonexistent/program"), std::string::npos);
}

TEST(Program, PortMustBeNamedInTheArguments) {
  ProgramSetup setup;
  setup.arguments = {"true"};
  const auto subject = MakeProgramSubject(setup);
  ASSERT_FALSE(subject.ok());
  EXPECT_NE(subject.status().message().find("{port}"), std::string::npos);
}

TEST(Program, InterruptEndsARun) {
  auto subject = MakeProgramSubject(Shell("exec 3<>$1; read x <&3"));
  ASSERT_TRUE(subject.ok());
  (*subject)->Interrupt();
  const auto seen = (*subject)->Run(SmallPart(), {});
  ASSERT_FALSE(seen.ok());
  EXPECT_EQ(seen.status().code(), Code::kInterrupted);
}

TEST(Program, CommandLineIsQuotedForAShell) {
  auto subject = MakeProgramSubject(Shell("echo it's"));
  ASSERT_TRUE(subject.ok());
  EXPECT_EQ((*subject)->CommandLine(), "-- sh -c 'echo it'\\''s' sh {port}");
  EXPECT_EQ(ShellQuoted("a\nb\x1b'\\"), "$'a\\nb\\x1b\\'\\\\'");
}

}  // namespace
}  // namespace trial
