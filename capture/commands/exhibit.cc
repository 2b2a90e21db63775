// bytewitness exhibit: one page of evidence, or its short form.
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <cerrno>
#include <cstdlib>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <optional>
#include <sstream>

#include "capture/base/text.h"
#include "capture/commands/capture_input.h"
#include "capture/commands/commands.h"
#include "capture/commands/hearing.h"
#include "capture/commands/leftover.h"
#include "capture/commands/screen.h"
#include "capture/commands/temporary_folder.h"
#include "capture/commands/time_range.h"
#include "capture/show/exhibit/exhibit.h"
#include "capture/show/exhibit/short_form.h"
#include "capture/store/file_digest.h"
#include "capture/store/packer.h"

namespace witness {
namespace {

namespace fs = std::filesystem;

constexpr const char* kProgram = "bytewitness exhibit";
constexpr std::uintmax_t kLargestReport = 256u << 20;

struct ExhibitArguments {
  std::vector<std::string> files;
  std::string output;
  std::string as = "page";
  std::size_t hearing = 0;  // 0: not given
  TimeRange range;
};

std::string NameOf(const std::string& path) { return fs::path(path).filename().string(); }

// The part as a capture of its own: nothing else of the whole gets into the page.
Status Cut(ExhibitCapture& capture, const OneLine& one_line, const std::string& target) {
  const ReaderOptions& part = one_line.reading;
  const auto digest = DigestOfFile(capture.path);
  if (!digest.ok()) return digest.status();
  auto reader = CaptureReader::Open(capture.path, part);
  if (!reader.ok()) return reader.status();
  auto sink = OpenFileSink(target, true);
  if (!sink.ok()) return sink.status();
  CaptureInfo info = (*reader)->info();
  if (info.title.empty()) info.title = one_line.title;
  if (Status status = Pack(**reader, info, **sink, PackSettings::Everyday()); !status.ok())
    return status;
  if ((*reader)->ending().events == 0)
    return Status(Code::kInvalidArgument, capture.path + ": nothing was said in that part");
  capture.cut = ExhibitCapture::Cut{capture.name, digest->sha256, part.from.ns(),
                                    part.to.never() ? -1 : part.to.ns()};
  const fs::path name(capture.name);
  capture.name = name.stem().string() + "-part" + name.extension().string();
  capture.path = target;
  return OkStatus();
}

bool LooksLikeJson(const std::string& path) {
  std::ifstream in(path, std::ios::binary);
  char c = 0;
  while (in.get(c) && (c == ' ' || c == '\n' || c == '\t' || c == '\r')) {
  }
  return in && c == '{';
}

// The conversations that a report's --keep has left: as named there, else beside the report.
void FindKept(TrialResult::Row& row, const std::string& report,
              std::vector<ExhibitCapture>& captures, std::string& missing) {
  if (row.kept.empty()) return;
  for (const fs::path& path : {fs::path(row.kept), fs::path(report).parent_path() / row.kept,
                               fs::path(report).parent_path() / fs::path(row.kept).filename()}) {
    std::error_code error;
    if (!fs::is_regular_file(path, error)) continue;
    row.capture = static_cast<int>(captures.size());
    captures.push_back({path.string(), NameOf(row.kept), std::nullopt});
    return;
  }
  missing = row.kept;
}

Status LoadTrial(const std::string& path, std::size_t hearing, ExhibitRequest& request,
                 std::string& missing) {
  std::error_code error;
  if (fs::file_size(path, error) > kLargestReport)
    return Status(Code::kInvalidArgument, path + ": too large for a report of trials");
  std::ifstream in(path, std::ios::binary);
  std::ostringstream text;
  text << in.rdbuf();
  if (!in) return Status(Code::kIo, path + ": cannot be read");
  auto trial = ParseTrialResult(text.str(), hearing);
  if (!trial.ok()) return trial.status().In(path);
  FindKept(trial->baseline, path, request.captures, missing);
  for (TrialResult::Row& row : trial->rows)
    if (!trial->held(row)) FindKept(row, path, request.captures, missing);
  request.trial = *std::move(trial);
  return OkStatus();
}

Status Load(const ExhibitArguments& arguments, const ReaderOptions& part,
            const std::string& temporary, ExhibitRequest& request, std::string& missing) {
  if (arguments.files.size() == 1 && LooksLikeJson(arguments.files[0])) {
    if (arguments.range.given())
      return Status(Code::kInvalidArgument, "--from and --to are for captures, not for trials");
    return LoadTrial(arguments.files[0], arguments.hearing, request, missing);
  }
  if (arguments.hearing > 0)
    return Status(Code::kInvalidArgument, "--hearing is for what bytetrial run --json wrote");
  for (const std::string& path : arguments.files) {
    ExhibitCapture capture{path, NameOf(path), std::nullopt};
    const auto one_line = OneLineOf(path, part, arguments.range.given());
    if (!one_line.ok()) return one_line.status();
    if (!one_line->words.empty()) Screen().Talk(one_line->words);
    if (arguments.range.given() || !one_line->words.empty())
      if (Status status =
              Cut(capture, *one_line, temporary + "/" + std::to_string(request.captures.size()));
          !status.ok())
        return status;
    request.captures.push_back(capture);
  }
  return OkStatus();
}

void WarnOfSecrets(const std::string& path, const std::string& secrets) {
  std::fprintf(stderr,
               "%s: %s holds what looks like a secret (%s); whoever gets the exhibit gets it too. "
               "Without it: bytewitness redact %s -o public.witness --found\n",
               kProgram, SafeName(path).c_str(), SafeName(secrets).c_str(), SafeName(path).c_str());
}

// Never onto what the page is made of.
Status CheckTarget(const ExhibitArguments& arguments, const ExhibitRequest& request) {
  std::error_code error;
  std::vector<std::string> sources = arguments.files;
  for (const ExhibitCapture& capture : request.captures) sources.push_back(capture.path);
  for (const std::string& source : sources)
    if (fs::equivalent(source, arguments.output, error))
      return Status(Code::kInvalidArgument,
                    arguments.output + ": is what the exhibit is made of; name another file");
  return OkStatus();
}

int MakePage(const ExhibitArguments& arguments, const ReaderOptions& part) {
  const auto fail = [](const Status& status) { return Fail(kProgram, status); };
  auto temporary = TemporaryFolder::Make();
  if (!temporary.ok()) return fail(temporary.status());
  ExhibitRequest request;
  std::string missing;
  if (Status status = Load(arguments, part, (*temporary)->path(), request, missing); !status.ok())
    return fail(status);
  if (!missing.empty())
    std::fprintf(stderr, "%s: %s: not found, so what was said there is not in the page\n", kProgram,
                 SafeName(missing).c_str());
  if (Status status = CheckTarget(arguments, request); !status.ok()) return fail(status);

  const bool to_file = arguments.output != "-";
  const std::string making = to_file ? arguments.output + ".making" : "-";
  std::optional<Leftover> leftover;
  if (to_file) leftover.emplace(making);
  auto output = TextOutput::Open(making);
  if (!output.ok())
    return fail(
        Status(Code::kIo, arguments.output + ": cannot be written: " + std::strerror(errno)));
  Screen screen;
  ExhibitOptions options;
  options.progress = [&](const std::string& words) { screen.Progress(words); };
  std::uint64_t written = 0;
  const PageSink sink = [&](std::string_view text) {
    written += text.size();
    return (*output)->Write(text);
  };
  const auto report = WriteExhibit(request, options, sink);
  screen.Progress("");
  Status status = report.ok() ? OkStatus() : report.status();
  const Status closing = (*output)->Close();
  if (status.ok()) status = closing;
  if (!to_file) return status.ok() ? kExitDone : fail(status);
  std::error_code error;
  if (status.ok()) {
    fs::rename(making, arguments.output, error);
    if (error) status = Status(Code::kIo, arguments.output + ": " + error.message());
  }
  if (!status.ok()) {
    fs::remove(making, error);
    return fail(status);
  }

  std::printf("%s: %s, opens in any browser\n", SafeName(arguments.output).c_str(),
              FormatSize(written).c_str());
  for (std::size_t i = 0; i < request.captures.size(); ++i) {
    const auto& shown = report->captures[i];
    std::printf("    %s  SHA-256 %s\n", SafeName(request.captures[i].name).c_str(),
                shown.sha256.c_str());
    if (shown.left_out > 0)
      std::printf(
          "    shows the first %llu events; %llu more are only in the capture inside: "
          "--from and --to show another part\n",
          static_cast<unsigned long long>(shown.events),
          static_cast<unsigned long long>(shown.left_out));
    if (!shown.secrets.empty())
      WarnOfSecrets(i < arguments.files.size() && !request.trial ? arguments.files[i]
                                                                 : request.captures[i].path,
                    shown.secrets);
  }
  return kExitDone;
}

int MakeShort(const ExhibitArguments& arguments, const ReaderOptions& part) {
  const auto fail = [](const Status& status) { return Fail(kProgram, status); };
  if (arguments.files.size() != 1)
    return fail(Status(Code::kInvalidArgument, "--as " + arguments.as + " takes one capture"));
  const auto one_line = OneLineOf(arguments.files[0], {}, arguments.range.given());
  if (!one_line.ok()) return fail(one_line.status());
  if (!one_line->words.empty()) Screen().Talk(one_line->words);
  ShortFormOptions options;
  options.of = one_line->reading;
  options.heard = one_line->title;
  options.as = arguments.as == "markdown" ? ShortFormAs::kMarkdown : ShortFormAs::kText;
  options.from = part.from;
  options.to = part.to;
  const auto made = MakeShortForm(arguments.files[0], NameOf(arguments.files[0]), options);
  if (!made.ok()) return fail(made.status());
  std::error_code error;
  if (!arguments.output.empty() && fs::equivalent(arguments.files[0], arguments.output, error))
    return fail(Status(Code::kInvalidArgument, arguments.output + ": is the capture itself"));
  auto output = TextOutput::Open(arguments.output);
  if (!output.ok()) return fail(output.status());
  Status status = (*output)->Write(made->text);
  if (status.ok()) status = (*output)->Close();
  if (!status.ok()) return fail(status);
  if (!made->secrets.empty()) WarnOfSecrets(arguments.files[0], made->secrets);
  return kExitDone;
}

int Run(const ExhibitArguments& arguments) {
  ReaderOptions part;
  if (const Status status = arguments.range.Apply(part); !status.ok())
    return Fail(kProgram, status);
  if (arguments.as != "page") return MakeShort(arguments, part);
  if (arguments.files.size() > 2)
    return Fail(kProgram, Status(Code::kInvalidArgument, "at most two captures, side by side"));
  if (arguments.output.empty())
    return Fail(kProgram,
                Status(Code::kInvalidArgument,
                       "-o PAGE.html: say where the page is to go; - is standard output"));
  return MakePage(arguments, part);
}

}  // namespace

void AddExhibit(CLI::App& app, Outcome& outcome) {
  CLI::App* command = app.add_subcommand(
      "exhibit", "Makes one page of evidence that anyone can open: record, findings, capture");
  auto arguments = std::make_shared<ExhibitArguments>();
  command
      ->add_option("FILE", arguments->files,
                   "A capture; two, to be shown side by side; or what bytetrial run --json wrote")
      ->required();
  command->add_option("-o,--out", arguments->output, "The page; an existing one is replaced");
  command->add_option("--as", arguments->as, "page; or a short form: markdown, text")
      ->check(CLI::IsMember({"page", "markdown", "text"}))
      ->capture_default_str();
  command->add_option("--hearing", arguments->hearing,
                      "Of trials by a plan with several hearings: which one, from 1");
  arguments->range.AddTo(*command);
  command->footer(
      "With --from or --to the page holds that part only, as a capture of its own.\n"
      "Example:\n  bytewitness exhibit talk.witness -o talk.html");
  command->callback([arguments, &outcome] { outcome.exit_status = Run(*arguments); });
}

}  // namespace witness
