// The exhibit's page: nothing in it runs or is left out, whatever a capture holds.
#include "capture/show/exhibit/exhibit.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <cstdio>
#include <fstream>

#include "capture/base/base64.h"
#include "capture/base/sha256.h"
#include "capture/show/exhibit/html.h"
#include "capture/show/exhibit/trial_result.h"
#include "tests/support/capture_samples.h"
#include "tests/support/temporary_path.h"

namespace witness {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

// One file for all pages of this process, gone with it.
struct PageFile {
  const std::string path = TemporaryPath("exhibit_test.html");
  ~PageFile() { std::remove(path.c_str()); }
};
const std::string& PagePath() {
  static const PageFile file;
  return file.path;
}

struct Made {
  Bytes capture;
  std::string page;
  std::string page_path;
};

Made PageOf(const std::vector<Event>& events, const CaptureInfo& info, const std::string& name) {
  Made made;
  made.capture = WriteCapture(events, info);
  const std::string path = TemporaryPath("exhibit_test.witness");
  std::ofstream(path, std::ios::binary) << made.capture;
  ExhibitRequest request;
  request.captures.push_back({path, name, std::nullopt});
  const auto report = WriteExhibit(request, {}, [&](std::string_view text) {
    made.page += text;
    return OkStatus();
  });
  EXPECT_TRUE(report.ok()) << report.status().message();
  std::remove(path.c_str());
  made.page_path = PagePath();
  std::ofstream(made.page_path, std::ios::binary) << made.page;
  return made;
}

// Digests and strings of FIPS 180-4 (example "abc") and RFC 4648 section 10.
TEST(Exhibit, DigestAndBase64AsTheStandardsHaveThem) {
  EXPECT_EQ(ToHex(Sha256::Of("abc")),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
  EXPECT_EQ(ToBase64("foob"), "Zm9vYg==");
  EXPECT_EQ(ToBase64("foobar"), "Zm9vYmFy");
  EXPECT_EQ(*FromBase64("Zm9vYg=="), "foob");
  EXPECT_FALSE(FromBase64("Zm9v\n").ok());
  EXPECT_FALSE(FromBase64("Zm=vYg==").ok());
}

TEST(Exhibit, OfAReportOfSeveralHearingsOneIsShown) {
  const std::string report =
      R"({"hearing": [{"capture": "a.witness", "baseline": {"verdict": "VERDICT_HELD"}},)"
      R"({"capture": "b.witness", "baseline": {"verdict": "VERDICT_BROKE"}}]})";
  const auto second = ParseTrialResult(report, 2);
  ASSERT_TRUE(second.ok()) << second.status().message();
  EXPECT_EQ(second->capture, "b.witness");
  for (const std::size_t hearing : {0u, 3u}) {
    const auto none = ParseTrialResult(report, hearing);
    ASSERT_FALSE(none.ok());
    EXPECT_THAT(none.status().message(), HasSubstr("2 hearings: say which with --hearing"));
  }
  EXPECT_TRUE(ParseTrialResult(R"({"baseline": {}})", 0).ok());
  EXPECT_FALSE(ParseTrialResult(R"({"baseline": {}})", 1).ok());
  EXPECT_FALSE(ParseTrialResult("[]", 0).ok());
}

TEST(Exhibit, TheCaptureInsideIsTheFile) {
  const Made made = PageOf(EventsOfEveryKind(), FullInfo(), "every.witness");
  const auto inside = ReadExhibit(made.page_path);
  ASSERT_TRUE(inside.ok()) << inside.status().message();
  ASSERT_EQ(inside->captures.size(), 1u);
  EXPECT_EQ(inside->captures[0], made.capture);
  EXPECT_EQ(inside->printed_sha256[0], ToHex(Sha256::Of(made.capture)));
  EXPECT_TRUE(LooksLikeExhibit(made.page_path));
}

TEST(Exhibit, HostileTextsAreShownAndNeverMarkup) {
  const std::string evil = "</script><script>alert(1)</script><img src=x onerror=alert(2)>\"'";
  CaptureInfo info = FullInfo();
  info.title = evil + "\xE2\x80\xAE\x1b[31m\xFF";
  info.host_name = evil;
  info.taps[0].port = evil;
  info.taps[0].adapter.description = evil;
  std::vector<Event> events;
  const Bytes command = "AT" + evil + "\r\n";
  events.push_back(BytesEvent(1000, Side::kHost, command));
  events.push_back(BytesEvent(2'000'000, Side::kModule, evil));
  Event note;
  note.at = Instant::FromNanoseconds(3'000'000);
  note.kind = EventKind::kNote;
  note.bytes = evil;
  events.push_back(note);
  const Made made = PageOf(events, info, evil);
  EXPECT_THAT(made.page, Not(HasSubstr("alert(1)</script>")));
  EXPECT_THAT(made.page, Not(HasSubstr("<img")));
  EXPECT_THAT(made.page, HasSubstr("&lt;img src=x onerror=alert(2)&gt;"));
  EXPECT_THAT(made.page, Not(HasSubstr("\xE2\x80\xAE")));
  EXPECT_THAT(made.page, Not(HasSubstr("\x1b")));
  // The facts, the script and the data elements: no other script opens.
  std::size_t plain = 0;
  for (std::size_t at = made.page.find("<script>"); at != std::string::npos;
       at = made.page.find("<script>", at + 1))
    ++plain;
  EXPECT_EQ(plain, 1u);
}

TEST(Exhibit, WhatIsTooMuchIsLeftOutAndTold) {
  const Bytes capture = WriteCapture(EventsOfEveryKind());
  const std::string path = TemporaryPath("long.witness");
  std::ofstream(path, std::ios::binary) << capture;
  ExhibitRequest request;
  request.captures.push_back({path, "long.witness", std::nullopt});
  ExhibitOptions options;
  options.most_events = 5;
  std::string page;
  const auto report = WriteExhibit(request, options, [&](std::string_view text) {
    page += text;
    return OkStatus();
  });
  ASSERT_TRUE(report.ok()) << report.status().message();
  EXPECT_EQ(report->captures[0].events, 5u);
  EXPECT_EQ(report->captures[0].left_out, EventsOfEveryKind().size() - 5);
  EXPECT_THAT(page, HasSubstr("\"left_out\":" + std::to_string(EventsOfEveryKind().size() - 5)));
  // A page that no browser would take is not made.
  options.most_inside = 10;
  EXPECT_EQ(
      WriteExhibit(request, options, [](std::string_view) { return OkStatus(); }).status().code(),
      Code::kInvalidArgument);
  std::remove(path.c_str());
}

TEST(Exhibit, OnlyItsOwnScriptAndStyleMayRun) {
  const Made made = PageOf(EventsOfEveryKind(), FullInfo(), "every.witness");
  const std::size_t open = made.page.rfind("<script>") + 8;
  const std::string script = made.page.substr(open, made.page.rfind("</script>") - open);
  EXPECT_THAT(made.page, HasSubstr("default-src 'none'; script-src 'sha256-" +
                                   ToBase64(Sha256::Of(script)) + "'"));
  EXPECT_THAT(made.page, Not(HasSubstr("http://")));
  EXPECT_THAT(made.page, Not(HasSubstr("https://")));
}

// Changes `from` to `to` where it stands last in the page.
ExhibitCheck CheckChanged(const Made& made, const std::string& from, const std::string& to) {
  std::string page = made.page;
  const std::size_t at = page.rfind(from);
  EXPECT_NE(at, std::string::npos) << from;
  if (at != std::string::npos) page.replace(at, from.size(), to);
  std::ofstream(made.page_path, std::ios::binary) << page;
  const auto inside = ReadExhibit(made.page_path);
  EXPECT_TRUE(inside.ok()) << inside.status().message();
  char folder[] = "/tmp/exhibit-check-XXXXXX";
  EXPECT_NE(::mkdtemp(folder), nullptr);
  const auto check = CheckExhibit(made.page_path, *inside, folder);
  EXPECT_TRUE(check.ok()) << check.status().message();
  for (std::size_t i = 0; i < inside->captures.size(); ++i)
    std::remove((std::string(folder) + "/" + std::to_string(i)).c_str());
  ::rmdir(folder);
  return check.ok() ? *check : ExhibitCheck{};
}

TEST(Exhibit, VerifyTellsAPageThatShowsSomethingElse) {
  const std::string name = "ev\x1bil \xFF \\ <b>.witness";
  const Made made = PageOf(EventsOfEveryKind(), FullInfo(), name);
  const std::string holds = "data-holds=\"events\" data-of=\"0\">";
  EXPECT_EQ(CheckChanged(made, "", "").differs, "");
  EXPECT_TRUE(CheckChanged(made, "", "").same_tool);
  EXPECT_THAT(CheckChanged(made, "Findings</h2>", "No findings</h2>").differs,
              HasSubstr("its words"));
  // The events of another capture.
  std::vector<Event> others = EventsOfEveryKind();
  others[1].bytes = "AT+FX?\r\n";
  const Made other = PageOf(others, FullInfo(), name);
  const auto events_of = [&](const std::string& page) {
    const std::size_t at = page.find(holds) + holds.size();
    return page.substr(at, page.find('<', at) - at);
  };
  std::ofstream(made.page_path, std::ios::binary) << made.page;
  EXPECT_THAT(CheckChanged(made, events_of(made.page), events_of(other.page)).differs,
              HasSubstr("bytes and times"));
  // By another version: what is shown is compared all the same.
  const std::string by = "\"tool\":\"bytewitness ";
  EXPECT_EQ(CheckChanged(made, by, by + "9").differs, "");
  EXPECT_FALSE(CheckChanged(made, by, by + "9").same_tool);
}

TEST(Exhibit, ACutPageIsDamagedAndAnotherFileIsNone) {
  const Made made = PageOf(EventsOfEveryKind(), FullInfo(), "every.witness");
  std::ofstream(made.page_path, std::ios::binary) << made.page.substr(0, made.page.size() / 2);
  EXPECT_EQ(ReadExhibit(made.page_path).status().code(), Code::kDamaged);
  std::ofstream(made.page_path, std::ios::binary) << "<html>";
  EXPECT_EQ(ReadExhibit(made.page_path).status().code(), Code::kInvalidArgument);
}

}  // namespace
}  // namespace witness
