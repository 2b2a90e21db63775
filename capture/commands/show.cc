// bytewitness show: the account of a capture.
#include <CLI/CLI.hpp>

#include "capture/base/text.h"
#include "capture/commands/capture_input.h"
#include "capture/commands/commands.h"
#include "capture/commands/hearing.h"
#include "capture/commands/time_range.h"
#include "capture/show/account.h"

namespace witness {
namespace {

constexpr const char* kProgram = "bytewitness show";

struct ShowOptions {
  std::string capture;
  bool hex = false;
  TimeRange range;
  std::string silence = "100ms";
};

// What is shown is all that was heard; only the best part of it is talk.
std::string HeardWords(const Hearing& hearing) {
  std::string out = "# heard at " + std::to_string(hearing.settings.size()) +
                    " settings, one by one, as the notes say: " + SettingsHeard(hearing) + "\n";
  if (hearing.best.empty()) return out + "# none of them fitted: it is mostly rubbish\n";
  return out + "# fits best: " + SafeText(hearing.best) + ", longest with --from " +
         FormatInstant(hearing.from) + " --to " +
         FormatInstant(hearing.to + Duration::Microseconds(1)) + "\n";  // shown shortened
}

std::string Opening(const CaptureInfo& info) {
  std::string out;
  if (!info.title.empty()) out += "# " + SafeName(info.title) + "\n";
  for (const Tap& tap : info.taps) {
    out += std::string("# ") + SideName(tap.hears) + ": " + SafeName(tap.port);
    if (tap.got.baud != 0) out += ", " + FormatLineSettings(tap.got);
    out += "\n";
  }
  if (info.stamp_uncertainty > Duration::Zero())
    out += "# a time may be late by up to " + FormatDuration(info.stamp_uncertainty) + "\n";
  return out;
}

int Run(const ShowOptions& options) {
  const auto fail = [](const Status& status) { return Fail(kProgram, status); };
  ReaderOptions reading;
  AccountOptions looks;
  looks.hex = options.hex;
  looks.color = ColorsWanted();
  const auto silence = ParseDuration(options.silence);
  if (!silence.ok()) return fail(silence.status().In("--silence"));
  looks.silence = *silence;
  Status status = options.range.Apply(reading);
  if (!status.ok()) return fail(status);

  const auto hearing = FindHearing(options.capture);
  if (!hearing.ok()) return fail(hearing.status());
  const bool several = hearing->settings.size() > 1;
  if (several) reading.heard_at = LineSettings{.baud = 0};
  auto reader = CaptureReader::Open(options.capture, reading);
  if (!reader.ok()) return fail(reader.status());
  auto output = TextOutput::Open("");
  if (!output.ok()) return fail(output.status());
  status = (*output)->Write(Opening((*reader)->info()));
  if (status.ok() && several) status = (*output)->Write(HeardWords(*hearing));
  Account account(looks, [&](std::string_view line) {
    if (status.ok()) status = (*output)->Write(line);
  });
  Event event;
  while (status.ok()) {
    const CaptureReader::Outcome outcome = (*reader)->Next(event);
    if (outcome == CaptureReader::Outcome::kFailed) return fail((*reader)->status());
    if (outcome == CaptureReader::Outcome::kEnd) {
      account.Finish();
      break;
    }
    account.Take(event);
  }
  if (status.ok()) status = (*output)->Close();
  if (!status.ok()) return fail(status);
  return SayHowItEnded(kProgram, options.capture, (*reader)->ending());
}

}  // namespace

void AddShow(CLI::App& app, Outcome& outcome) {
  CLI::App* command = app.add_subcommand(
      "show", "Prints the conversation: times, sides, line endings made visible, silences");
  auto options = std::make_shared<ShowOptions>();
  command->add_option("CAPTURE", options->capture, "The capture to show")->required();
  command->add_flag("--hex", options->hex, "Every byte in hexadecimal too");
  options->range.AddTo(*command);
  command->add_option("--silence", options->silence, "Show pauses longer than this")
      ->capture_default_str();
  command->footer("Example:\n  bytewitness show talk.witness --hex");
  command->callback([options, &outcome] { outcome.exit_status = Run(*options); });
}

}  // namespace witness
