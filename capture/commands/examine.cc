// bytewitness examine: what a capture shows.
#include <CLI/CLI.hpp>

#include "capture/base/text.h"
#include "capture/commands/capture_input.h"
#include "capture/commands/commands.h"
#include "capture/commands/hearing.h"
#include "capture/commands/screen.h"
#include "capture/commands/time_range.h"
#include "capture/examine/examination.h"
#include "capture/show/examination_message.h"
#include "capture/show/examination_text.h"
#include "capture/show/frame_rule_text.h"

namespace witness {
namespace {

constexpr const char* kProgram = "bytewitness examine";
constexpr std::size_t kExchangesShown = 20;

struct ExamineArguments {
  std::string capture;
  bool json = false;
  bool segments = false;
  std::string silence;
  std::string framing;
  std::size_t buffer = 64;
  TimeRange range;
};

Status PrintText(CaptureReader& reader, ExamineOptions options, bool segments, TextOutput& output) {
  Status status;
  const auto write = [&](const std::string& text) {
    if (status.ok()) status = output.Write(text);
  };
  ConversationHandlers handlers;
  std::size_t shown = 0;
  if (segments) {
    handlers.on_segment = [&](const Segment& s) { write(SegmentLine(s)); };
  } else {
    handlers.on_exchange = [&](const Exchange& e) {
      if (shown == 0) write("Exchanges\n");
      ++shown;
      write(ExchangeLine(e));
    };
    options.exchanges_watched = kExchangesShown;
  }
  handlers.stop = [&] { return !status.ok(); };
  const auto examination = Examine(reader, options, handlers);
  if (!examination.ok()) return examination.status();
  if (shown > 0 && examination->exchanges > shown)
    write("  and " + std::to_string(examination->exchanges - shown) +
          " more; --json has them all, --segments every part\n");
  write(ExaminationText(*examination));
  return status;
}

// The message field by field, segments and exchanges as they come: two readings of the capture, so
// that nothing has to be kept.
Status PrintJson(const std::string& path, const ReaderOptions& reading, CaptureReader& reader,
                 const ExamineOptions& options, TextOutput& output) {
  Status status = output.Write("{\"segment\":[");
  const char* between = "\n";
  const auto write = [&](const std::string& text) {
    if (status.ok()) status = output.Write(between);
    if (status.ok()) status = output.Write(text);
    between = ",\n";
  };
  ConversationHandlers handlers;
  handlers.on_segment = [&](const Segment& s) { write(SegmentJson(s)); };
  handlers.stop = [&] { return !status.ok(); };
  const auto examination = Examine(reader, options, handlers);
  if (!examination.ok()) return examination.status();
  if (status.ok()) status = output.Write("],\n\"exchange\":[");
  between = "\n";
  auto again = CaptureReader::Open(path, reading);
  if (!again.ok()) return again.status();
  ConversationHandlers exchanges;
  exchanges.on_exchange = [&](const Exchange& e) { write(ExchangeJson(e)); };
  exchanges.stop = handlers.stop;
  const Status streamed = StreamConversation(**again, options.segmenter, exchanges);
  if (!streamed.ok()) return streamed;
  if (status.ok()) status = output.Write("],\n");
  if (status.ok()) status = output.Write(SummaryJson(*examination, reader.info(), path));
  return status.ok() ? output.Write("}\n") : status;
}

int Run(const ExamineArguments& arguments) {
  const auto fail = [](const Status& status) { return Fail(kProgram, status); };
  ReaderOptions reading;
  if (const Status range = arguments.range.Apply(reading); !range.ok()) return fail(range);
  const bool chosen = arguments.range.given();
  const auto one_line = OneLineOf(arguments.capture, reading, chosen);
  if (!one_line.ok()) return fail(one_line.status());
  reading = one_line->reading;
  reading.make_ahead = true;
  if (!chosen && !one_line->words.empty()) Screen().Talk(one_line->words);
  auto reader = CaptureReader::Open(arguments.capture, reading);
  if (!reader.ok()) return fail(reader.status());
  ExamineOptions options;
  options.segmenter = OptionsFor((*reader)->info());
  options.buffer_size = arguments.buffer;
  if (!arguments.silence.empty()) {
    const auto silence = ParseDuration(arguments.silence);
    if (!silence.ok()) return fail(silence.status().In("--silence"));
    options.segmenter.silence = *silence;
  }
  if (!arguments.framing.empty()) {
    auto rule = LoadFrameRule(arguments.framing);
    if (!rule.ok()) return fail(rule.status());
    options.segmenter.framing = *std::move(rule);
  }
  auto output = TextOutput::Open("");
  if (!output.ok()) return fail(output.status());
  Status status = arguments.json
                      ? PrintJson(arguments.capture, reading, **reader, options, **output)
                      : PrintText(**reader, options, arguments.segments, **output);
  if (status.ok()) status = (*output)->Close();
  if (!status.ok()) return fail(status);
  return SayHowItEnded(kProgram, arguments.capture, (*reader)->ending());
}

}  // namespace

void AddExamine(CLI::App& app, Outcome& outcome) {
  CLI::App* command = app.add_subcommand(
      "examine", "Says how the module answers: exchanges, line endings, timing, findings");
  auto arguments = std::make_shared<ExamineArguments>();
  command->add_option("CAPTURE", arguments->capture, "The capture")->required();
  command->add_flag("--json", arguments->json, "The whole examination (proto/examination.proto)");
  command->add_flag("--segments", arguments->segments,
                    "Every segment, how sure it is and why it ended");
  command->add_option("--silence", arguments->silence,
                      "Nobody speaks for longer: a boundary; else found out");
  command->add_option("--framing", arguments->framing,
                      "A framing to cut by, as textproto (FrameRule in examination.proto)");
  command->add_option("--buffer", arguments->buffer, "Size of the receive buffer to judge by")
      ->capture_default_str();
  arguments->range.AddTo(*command);
  command->footer("Example:\n  bytewitness examine talk.witness --segments");
  command->callback([arguments, &outcome] { outcome.exit_status = Run(*arguments); });
}

}  // namespace witness
