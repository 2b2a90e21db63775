#include "capture/show/exhibit/exhibit.h"

#include <algorithm>
#include <memory>
#include <nlohmann/json.hpp>

#include "capture/base/base64.h"
#include "capture/base/sha256.h"
#include "capture/base/text.h"
#include "capture/base/version.h"
#include "capture/examine/compare.h"
#include "capture/examine/conversation.h"
#include "capture/show/exhibit/columns.h"
#include "capture/show/exhibit/html.h"
#include "capture/show/exhibit/page_parts.h"
#include "capture/show/exhibit/sections.h"
#include "capture/store/byte_source.h"
#include "capture/store/capture_reader.h"
#include "capture/store/file_digest.h"

namespace witness {
namespace {

using page::CaptureFacts;
using Json = nlohmann::json;

constexpr std::size_t kEventsInPart = 32768;
constexpr std::size_t kBytesInPart = std::size_t{4} << 20;
constexpr std::size_t kFilePiece = std::size_t{3} << 19;  // a multiple of three: no padding inside

class PageWriter {
 public:
  PageWriter(const ExhibitRequest& request, const ExhibitOptions& options, const PageSink& sink)
      : request_(request), options_(options), sink_(sink) {}

  Result<ExhibitReport> Write() {
    if (request_.captures.empty() && !request_.trial)
      return Status(Code::kInvalidArgument, "there is nothing to show");
    if (const Status status = Look(); !status.ok()) return status;
    // The template's places in the order in which they stand there.
    std::string_view rest = page::kTemplate;
    for (std::size_t open = rest.find("{{"); open != std::string_view::npos;
         open = rest.find("{{")) {
      const std::size_t close = rest.find("}}", open);
      if (Status status = Say(rest.substr(0, open)); !status.ok()) return status;
      if (Status status = Fill(rest.substr(open + 2, close - open - 2)); !status.ok())
        return status;
      rest.remove_prefix(close + 2);
    }
    if (Status status = Say(rest); !status.ok()) return status;
    return report_;
  }

 private:
  Status Say(std::string_view text) { return sink_(text); }

  void Progress(const std::string& words) const {
    if (options_.progress) options_.progress(words);
  }

  // First reading: what is to be said above the record.
  Status Look() {
    std::uint64_t inside = 0;
    for (const ExhibitCapture& capture : request_.captures) {
      Progress("examining " + SafeName(capture.name));
      auto facts = std::make_unique<CaptureFacts>();
      const auto digest = DigestOfFile(capture.path);
      if (!digest.ok()) return digest.status();
      facts->sha256 = digest->sha256;
      facts->file_bytes = digest->bytes;
      inside += facts->file_bytes;
      if (inside > options_.most_inside)
        return Status(Code::kInvalidArgument,
                      capture.name + ": a page of more than " + FormatSize(options_.most_inside) +
                          " opens in no browser; take a part with --from and --to");
      auto reader = CaptureReader::Open(capture.path);
      if (!reader.ok()) return reader.status();
      facts->info = (*reader)->info();
      ExamineOptions options;
      options.segmenter = OptionsFor(facts->info);
      auto examination = Examine(**reader, options);
      if (!examination.ok()) return examination.status();
      facts->examination = *std::move(examination);
      facts->ending = (*reader)->ending();
      ExhibitReport::Shown shown;
      shown.sha256 = facts->sha256;
      for (const Finding& finding : facts->examination.findings)
        if (finding.name == "secret") shown.secrets = finding.detail;
      report_.captures.push_back(shown);
      facts_.push_back(std::move(facts));
    }
    return OkStatus();
  }

  static Status EachPiece(const std::string& path, const std::function<Status(ByteView)>& take) {
    auto source = OpenFileSource(path);
    if (!source.ok()) return source.status();
    for (std::uint64_t at = 0;;) {
      const auto bytes = (*source)->View(at, kFilePiece);
      if (!bytes.ok()) return bytes.status();
      if (bytes->empty()) return OkStatus();
      if (Status status = take(*bytes); !status.ok()) return status;
      at += bytes->size();
    }
  }

  Status Fill(std::string_view place) {
    if (place == "script-digest") return Say("sha256-" + ToBase64(Sha256::Of(page::kScript)));
    if (place == "style-digest") return Say("sha256-" + ToBase64(Sha256::Of(page::kStyle)));
    if (place == "style") return Say(page::kStyle);
    if (place == "script") return Say(page::kScript);
    if (place == "tool") return Say(page::Text(std::string("bytewitness ") + kToolVersion));
    if (place == "title") return Say(page::Name(Title()));
    if (place == "lede") return Say(Lede());
    if (place == "above") return Above();
    if (place == "below") return Below();
    if (place == "data") return Data();
    return Status(Code::kIo,
                  "the page's template has a place of no meaning: " + std::string(place));
  }

  std::string Title() const {
    if (request_.trial) return "Trial of " + request_.trial->subject;
    std::string out;
    for (std::size_t i = 0; i < facts_.size(); ++i) {
      const std::string& title = facts_[i]->info.title;
      out += (i == 0 ? "" : " and ") + (title.empty() ? request_.captures[i].name : title);
    }
    return out;
  }

  std::string Lede() const {
    if (request_.trial)
      return page::Text(
          "What it said and what it was told, with the replies as recorded and with "
          "others.");
    std::string out;
    for (const auto& facts : facts_) {
      std::string where;
      for (const Tap& tap : facts->info.taps) {
        const std::string port = "<code>" + page::Name(tap.port) + "</code>";
        if (where.find(port) == std::string::npos)
          where += (where.empty() ? " at " : " and ") + port;
      }
      const std::string when = page::WallClock(facts->info.began_unix_ns);
      out += (out.empty() ? "" : " Beside it: ") + std::string("what was said") + where;
      if (!when.empty()) out += " on " + page::Text(when);
      out += ", " +
             page::Text(page::Count(facts->examination.events, "event") + " in " +
                        FormatDuration(facts->examination.length)) +
             ".";
    }
    if (!out.empty()) out[0] = 'W';
    return out;
  }

  Status Above() {
    if (request_.trial) return Say(page::TrialSection(*request_.trial));
    std::string out = "<div class=\"beside\">\n";
    for (std::size_t i = 0; i < facts_.size(); ++i) {
      out += "<div class=\"capture\">\n";
      if (facts_.size() > 1)
        out += "<h2>" + std::string(i == 0 ? "First" : "Second") + ": <code>" +
               page::Name(request_.captures[i].name) + "</code></h2>\n";
      out += page::RecordedSection(*facts_[i], request_.captures[i], i, facts_.size() > 1 ? 3 : 2);
      out += page::FindingsSection(*facts_[i], i, facts_.size() > 1 ? 3 : 2);
      out += "</div>\n";
    }
    out += "</div>\n";
    if (facts_.size() == 2) {
      WholeConversation read[2];
      for (std::size_t i = 0; i < 2; ++i) {
        auto reader = CaptureReader::Open(request_.captures[i].path);
        if (!reader.ok()) return reader.status();
        auto conversation = ReadConversation(**reader, OptionsFor((*reader)->info()));
        if (!conversation.ok()) return conversation.status();
        read[i] = *std::move(conversation);
      }
      out += page::ComparisonSection(Compare(read[0], read[1], {}), read[0], read[1]);
    }
    return Say(out);
  }

  Status Below() {
    std::string out;
    for (std::size_t i = 0; i < facts_.size(); ++i) {
      if (request_.trial) {
        out += "<details class=\"capture\"><summary>What was recorded: <code>" +
               page::Name(request_.captures[i].name) + "</code>" +
               (facts_[i]->info.title.empty() ? "" : ", " + page::Name(facts_[i]->info.title)) +
               "</summary>\n" + page::RecordedSection(*facts_[i], request_.captures[i], i, 3) +
               page::FindingsSection(*facts_[i], i, 3) + page::TimingSection(*facts_[i], i, 3) +
               "</details>\n";
      } else {
        if (facts_.size() > 1 && i == 0) out += "<div class=\"beside\">\n";
        out += "<div class=\"capture\">\n" +
               page::TimingSection(*facts_[i], i, facts_.size() > 1 ? 3 : 2) + "</div>\n";
        if (facts_.size() > 1 && i + 1 == facts_.size()) out += "</div>\n";
      }
    }
    return Say(out);
  }

  Status Blob(const char* holds, std::size_t of, ByteView bytes) {
    Status status = Say("<script type=\"application/x-base64\" data-holds=\"" + std::string(holds) +
                        "\" data-of=\"" + std::to_string(of) + "\">");
    if (status.ok()) status = Say(ToBase64(bytes));
    return status.ok() ? Say("</script>\n") : status;
  }

  // Second reading: the events and rows in columns, then the file itself.
  Status Columns(std::size_t number, Json& out) {
    const CaptureFacts& facts = *facts_[number];
    auto reader = CaptureReader::Open(request_.captures[number].path);
    if (!reader.ok()) return reader.status();
    EventColumns events;
    RowColumns rows;
    std::uint64_t event_count = 0, row_count = 0, payload = 0;
    Instant last;
    bool full = false;
    Status status;
    const auto put = [&](const char* what, ByteView part) {
      if (status.ok()) status = Blob(what, number, Deflated(part));
    };
    ConversationHandlers handlers;
    handlers.on_event = [&](const Event& event, std::uint64_t index) {
      events.Add(event);
      rows.Note(event, index);
      payload += event.bytes.size();
      last = event.at;
      ++event_count;
      full = event_count >= options_.most_events || payload >= options_.most_payload;
      if (events.count() >= kEventsInPart || events.bytes() >= kBytesInPart) {
        put("events", events.Take());
        Progress("writing " + SafeName(request_.captures[number].name) + ": " +
                 std::to_string(event_count) + " events");
      }
    };
    handlers.on_segment = [&](const Segment& segment) {
      rows.Add(segment);
      ++row_count;
      if (rows.count() >= kEventsInPart || rows.bytes() >= kBytesInPart) put("rows", rows.Take());
    };
    handlers.stop = [&] { return full || !status.ok(); };
    const Status streamed = StreamConversation(**reader, OptionsFor((*reader)->info()), handlers);
    if (!streamed.ok()) return streamed;
    if (events.count() > 0) put("events", events.Take());
    if (rows.count() > 0) put("rows", rows.Take());
    if (status.ok())
      status = EachPiece(request_.captures[number].path,
                         [&](ByteView bytes) { return Blob("capture", number, bytes); });
    ExhibitReport::Shown& shown = report_.captures[number];
    shown.events = event_count;
    shown.left_out = facts.examination.events - std::min(facts.examination.events, event_count);
    std::int64_t character_ns = OptionsFor(facts.info).character_time.ns();
    out["name"] = SafeName(request_.captures[number].name);
    out["title"] = SafeName(facts.info.title);
    out["sha256"] = facts.sha256;
    out["file_bytes"] = facts.file_bytes;
    out["events"] = event_count;
    out["rows"] = row_count;
    out["left_out"] = shown.left_out;
    out["last_ns"] = last.ns();
    out["character_ns"] = character_ns;
    out["uncertainty_ns"] = facts.info.stamp_uncertainty.ns();
    out["redacted"] = facts.info.redacted;
    return status;
  }

  Status Data() {
    Json captures = Json::array();
    for (std::size_t i = 0; i < facts_.size(); ++i) {
      Json one;
      if (Status status = Columns(i, one); !status.ok()) return status;
      captures.push_back(one);
    }
    // What the page was made of, so that it can be made again.
    Json names = Json::array();
    for (const ExhibitCapture& capture : request_.captures) {
      Json one{{"name", SafeName(capture.name)}, {"name_hex", ToHex(capture.name)}};
      if (capture.cut)
        one["cut"] = {{"of", SafeName(capture.cut->of)},
                      {"of_hex", ToHex(capture.cut->of)},
                      {"sha256", capture.cut->sha256},
                      {"from_ns", capture.cut->from_ns},
                      {"to_ns", capture.cut->to_ns}};
      names.push_back(one);
    }
    Json facts{{"tool", std::string("bytewitness ") + kToolVersion},
               {"captures", captures},
               {"made_of", {{"captures", names}}}};
    if (request_.trial) facts["made_of"]["trial"] = TrialToJson(*request_.trial);
    return Say("<script type=\"application/json\" id=\"facts\">" + page::Json(facts) +
               "</script>\n");
  }

  const ExhibitRequest& request_;
  const ExhibitOptions& options_;
  const PageSink& sink_;
  std::vector<std::unique_ptr<CaptureFacts>> facts_;
  ExhibitReport report_;
};

}  // namespace

Result<ExhibitReport> WriteExhibit(const ExhibitRequest& request, const ExhibitOptions& options,
                                   const PageSink& sink) {
  return PageWriter(request, options, sink).Write();
}

}  // namespace witness
