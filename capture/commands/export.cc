// bytewitness export: a capture as other programs take it.
#include <CLI/CLI.hpp>

#include "capture/commands/capture_input.h"
#include "capture/commands/commands.h"
#include "capture/commands/time_range.h"
#include "capture/show/export/export.h"

namespace witness {
namespace {

constexpr const char* kProgram = "bytewitness export";

struct ExportOptions {
  std::string capture;
  std::string as;
  std::string output;
  TimeRange range;
};

int Run(const ExportOptions& options) {
  const auto fail = [](const Status& status) { return Fail(kProgram, status); };
  ReaderOptions reading;
  if (const Status status = options.range.Apply(reading); !status.ok()) return fail(status);
  auto reader = CaptureReader::Open(options.capture, reading);
  if (!reader.ok()) return fail(reader.status());
  auto output = TextOutput::Open(options.output);
  if (!output.ok()) return fail(output.status());
  const TextSink sink = [&](std::string_view text) { return (*output)->Write(text); };
  Status status;
  if (options.as == "jsonl")
    status = ExportJsonLines(**reader, sink);
  else if (options.as == "csv")
    status = ExportCsv(**reader, sink);
  else if (options.as == "vcd")
    status = ExportValueChanges(**reader, sink);
  else
    status = ExportAccount(**reader, options.as == "hex", sink);
  if (status.ok()) status = (*output)->Close();
  if (!status.ok()) return fail(status);
  return SayHowItEnded(kProgram, options.capture, (*reader)->ending());
}

}  // namespace

void AddExport(CLI::App& app, Outcome& outcome) {
  CLI::App* command = app.add_subcommand("export", "Writes a capture in another form");
  auto options = std::make_shared<ExportOptions>();
  command->add_option("CAPTURE", options->capture, "The capture")->required();
  command->add_option("--as", options->as, "jsonl, text, hex, csv or vcd")
      ->required()
      ->check(CLI::IsMember({"jsonl", "text", "hex", "csv", "vcd"}));
  command->add_option("-o,--out", options->output, "Where to; else standard output");
  options->range.AddTo(*command);
  command->footer("Example:\n  bytewitness export talk.witness --as jsonl -o talk.jsonl");
  command->callback([options, &outcome] { outcome.exit_status = Run(*options); });
}

}  // namespace witness
