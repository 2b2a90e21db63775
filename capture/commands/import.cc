// bytewitness import: a capture from what another program wrote.
#include <CLI/CLI.hpp>
#include <cerrno>
#include <cstdio>
#include <cstring>
#include <fstream>
#include <iostream>

#include "capture/base/text.h"
#include "capture/base/version.h"
#include "capture/commands/capture_input.h"
#include "capture/commands/commands.h"
#include "capture/show/import/jsonl.h"
#include "capture/store/capture_writer.h"

namespace witness {
namespace {

constexpr const char* kProgram = "bytewitness import";

struct ImportOptions {
  std::string from;
  std::string input;
  std::string output;
  std::string title;
  std::uint32_t baud = 0;
  std::string format = "8N1";
  std::string late;
  bool replace = false;
};

Result<CaptureInfo> InfoOf(const ImportOptions& options) {
  CaptureInfo info;
  info.tool = std::string("bytewitness ") + kToolVersion;
  info.origin = Origin::kImport;
  info.title = options.title;
  LineSettings line;
  line.baud = options.baud;
  const Status status = ParseFormat(options.format, line);
  if (!status.ok()) return status.In("--format");
  for (const Side side : {Side::kHost, Side::kModule}) {
    Tap tap;
    tap.hears = side;
    tap.port = options.input;
    tap.asked = tap.got = line;
    info.taps.push_back(tap);
  }
  if (!options.late.empty()) {
    auto late = ParseDuration(options.late);
    if (!late.ok()) return late.status().In("--late");
    info.stamp_uncertainty = *late;
  }
  return info;
}

int Run(const ImportOptions& options) {
  const auto fail = [](const Status& status) { return Fail(kProgram, status); };
  auto info = InfoOf(options);
  if (!info.ok()) return fail(info.status());
  std::ifstream file;
  std::istream* in = &std::cin;
  if (options.input != "-") {
    file.open(options.input, std::ios::binary);
    if (!file.is_open())
      return fail(
          Status(Code::kNotFound, options.input + ": cannot be opened; is the name right?"));
    in = &file;
  }
  if (Status s = RefuseExisting(options.output, options.replace); !s.ok()) return fail(s);
  // The capture before is replaced only by a whole one.
  const std::string making = options.replace ? options.output + ".making" : options.output;
  WriterOptions writing;
  writing.replace = options.replace;
  auto writer = CaptureWriter::Create(making, *info, writing);
  if (!writer.ok()) return fail(writer.status());
  Instant last;
  Status status = ImportJsonLines(*in, [&](const Event& event) {
    last = event.at;
    const Status appended = (*writer)->Append(event);
    return appended.ok() ? (*writer)->Tick(event.at) : appended;
  });
  if (!status.ok()) {
    status = status.code() == Code::kInvalidArgument
                 ? status.In(options.input == "-" ? "standard input" : options.input)
                 : status;
    (*writer)->Close(last).Ignore();
    std::remove(making.c_str());
    return fail(status);
  }
  status = (*writer)->Close(last);
  if (!status.ok()) return fail(status);
  if (making != options.output && std::rename(making.c_str(), options.output.c_str()) != 0)
    return fail(Status(Code::kIo, options.output + ": " + std::strerror(errno)));
  std::fprintf(stderr, "%s: %s, %s\n", SafeName(options.output).c_str(),
               Counted((*writer)->events(), "event").c_str(),
               FormatSize((*writer)->payload_bytes()).c_str());
  return kExitDone;
}

}  // namespace

void AddImport(CLI::App& app, Outcome& outcome) {
  CLI::App* command = app.add_subcommand("import", "Makes a capture from another form");
  auto options = std::make_shared<ImportOptions>();
  command->add_option("INPUT", options->input, "What to read; - for standard input")->required();
  command->add_option("--from", options->from, "jsonl: one JSON object a line")
      ->required()
      ->check(CLI::IsMember({"jsonl"}));
  command->add_option("-o,--out", options->output, "The capture to write")->required();
  command->add_option("--title", options->title, "What the capture is of");
  command->add_option("--baud", options->baud, "The line's rate, if it had one");
  command->add_option("--format", options->format, "The line's character format")
      ->capture_default_str();
  command->add_option("--late", options->late, "Stamps may be late by up to this: 16ms");
  command->add_flag("--replace", options->replace, "Replace an existing capture file");
  command->footer(
      "Example:\n"
      "  echo '{\"at_ns\": 1500000, \"side\": \"module\", \"text\": \"OK\\r\\n\"}' |\n"
      "    bytewitness import --from jsonl - -o talk.witness");
  command->callback([options, &outcome] { outcome.exit_status = Run(*options); });
}

}  // namespace witness
