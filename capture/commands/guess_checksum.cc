// bytewitness guess-checksum: which checksum the frames of a capture carry.
#include <CLI/CLI.hpp>
#include <algorithm>
#include <fstream>
#include <iostream>

#include "capture/base/text.h"
#include "capture/commands/capture_input.h"
#include "capture/commands/commands.h"
#include "capture/examine/conversation.h"
#include "capture/examine/protocols/guess_checksum.h"

namespace witness {
namespace {

constexpr const char* kProgram = "bytewitness guess-checksum";
constexpr std::size_t kMostFrames = 4096;

struct GuessArguments {
  std::string input;
  bool hex = false, list = false;
  std::string side;
};

Result<std::vector<Bytes>> FramesFromHex(const std::string& path) {
  std::ifstream file;
  std::istream* in = &std::cin;
  if (path != "-") {
    file.open(path);
    if (!file.is_open()) return Status(Code::kNotFound, path + ": cannot be opened");
    in = &file;
  }
  std::vector<Bytes> out;
  std::string line;
  for (std::size_t number = 1; std::getline(*in, line); ++number) {
    while (!line.empty() && (line.back() == '\r' || line.back() == ' ')) line.pop_back();
    if (line.empty()) continue;
    auto bytes = FromHex(line);
    if (!bytes.ok()) return bytes.status().In(path + ": line " + std::to_string(number));
    if (out.size() < kMostFrames) out.push_back(*std::move(bytes));
  }
  return out;
}

Result<std::vector<Bytes>> FramesFromCapture(const GuessArguments& arguments) {
  auto reader = CaptureReader::Open(arguments.input);
  if (!reader.ok()) return reader.status();
  std::vector<Bytes> out;
  ConversationHandlers handlers;
  handlers.on_segment = [&](const Segment& s) {
    if (s.bytes.empty() || out.size() >= kMostFrames) return;
    if (!arguments.side.empty() && arguments.side != SideName(s.side)) return;
    out.push_back(s.bytes);
  };
  handlers.stop = [&] { return out.size() >= kMostFrames; };
  const Status status = StreamConversation(**reader, OptionsFor((*reader)->info()), handlers);
  if (!status.ok()) return status;
  return out;
}

std::string Line(const ChecksumGuess& guess, std::size_t frames) {
  std::string out = std::string(guess.checksum->name);
  if (guess.checksum->bytes > 1) out += guess.big_endian ? ", high byte first" : ", low byte first";
  out += guess.from == 0 ? ", over all before it"
                         : ", over all before it but the first " + std::to_string(guess.from);
  if (guess.behind > 0) out += ", " + std::to_string(guess.behind) + " bytes behind it";
  return out + ": fits " + std::to_string(guess.frames) + " of " + std::to_string(frames) +
         " different frames\n";
}

int Run(const GuessArguments& arguments) {
  const auto fail = [](const Status& status) { return Fail(kProgram, status); };
  auto output = TextOutput::Open("");
  if (!output.ok()) return fail(output.status());
  if (arguments.list) {
    Status status;
    for (const Checksum& checksum : AllChecksums())
      if (status.ok()) status = (*output)->Write(std::string(checksum.name) + "\n");
    if (status.ok()) status = (*output)->Close();
    return status.ok() ? kExitDone : fail(status);
  }
  if (arguments.input.empty())
    return fail(Status(Code::kInvalidArgument, "name a capture, or --hex and a file of frames"));
  auto frames = arguments.hex ? FramesFromHex(arguments.input) : FramesFromCapture(arguments);
  if (!frames.ok()) return fail(frames.status());
  const auto guesses = GuessChecksum(*frames);
  std::vector<Bytes> different = *frames;
  std::sort(different.begin(), different.end());
  different.erase(std::unique(different.begin(), different.end()), different.end());
  Status status;
  for (std::size_t i = 0; i < std::min<std::size_t>(guesses.size(), 10) && status.ok(); ++i)
    status = (*output)->Write(Line(guesses[i], std::min<std::size_t>(different.size(), 256)));
  if (status.ok()) status = (*output)->Close();
  if (!status.ok()) return fail(status);
  if (!guesses.empty()) return kExitDone;
  if (different.size() < 2)
    std::fprintf(stderr, "%s: %s; at least two different ones are needed to tell\n", kProgram,
                 different.empty() ? "there is no frame" : "there is one frame only");
  else
    std::fprintf(stderr, "%s: no checksum fits %zu different frames\n", kProgram, different.size());
  return kExitNo;
}

}  // namespace

void AddGuessChecksum(CLI::App& app, Outcome& outcome) {
  CLI::App* command = app.add_subcommand(
      "guess-checksum", "Tries which checksum fits the frames of a capture; status 1 if none");
  auto arguments = std::make_shared<GuessArguments>();
  command->add_option("INPUT", arguments->input, "A capture; with --hex a file, or -");
  command->add_flag("--hex", arguments->hex, "INPUT holds a frame a line, in hexadecimal");
  command->add_option("--side", arguments->side, "Only frames of this side")
      ->check(CLI::IsMember({"host", "module", "unknown"}));
  command->add_flag("--list", arguments->list, "The names of all checksums that are known");
  command->footer("Example:\n  bytewitness guess-checksum brook.witness --side module");
  command->callback([arguments, &outcome] { outcome.exit_status = Run(*arguments); });
}

}  // namespace witness
