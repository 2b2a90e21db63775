// bytewitness listen: at which rate and format a line runs, from listening alone.
#include <CLI/CLI.hpp>
#include <cstdio>
#include <filesystem>
#include <nlohmann/json.hpp>

#include "capture/base/text.h"
#include "capture/commands/commands.h"
#include "capture/commands/hearing.h"
#include "capture/commands/line_options.h"
#include "capture/commands/screen.h"
#include "capture/examine/rate_finder.h"
#include "capture/record/recorder.h"

namespace witness {
namespace {

constexpr const char* kProgram = "bytewitness listen";
// What the adapter still holds was heard as it was set before; longer than any latency timer of
// the drivers we know (16 ms for FTDI's; common practice, no source).
constexpr Duration kSettle = Duration::Milliseconds(40);
constexpr Duration kLook = Duration::Milliseconds(20);

struct ListenOptions {
  std::string port;
  std::string out;
  std::vector<std::uint32_t> rates;
  std::vector<std::string> formats;
  std::string length = "1m";
  std::string side = "unknown";
  bool json = false;
  bool replace = false;
  OpenOptions open;
};

std::string Percent(std::uint64_t part, std::uint64_t whole) {
  return std::to_string(whole == 0 ? 0 : (100 * part + whole / 2) / whole) + " %";
}

const char* AnswerName(RateAnswer answer) {
  switch (answer) {
    case RateAnswer::kNothingHeard:
      return "nothing heard";
    case RateAnswer::kTooLittle:
      return "too little heard";
    case RateAnswer::kNotSure:
      return "not sure";
    case RateAnswer::kLikely:
      return "likely";
    case RateAnswer::kSure:
      return "sure";
  }
  return "";
}

// "112 bytes, none with errors, 100 % text; NMEA 0183 sentences".
std::string EvidenceWords(const RateEvidence& evidence) {
  std::string out = Counted(evidence.heard, "byte") + ", ";
  out += evidence.errors == 0 ? "none with errors"
                              : Percent(evidence.errors, evidence.heard) + " with errors";
  out += ", " + Percent(evidence.text, evidence.heard) + " text";
  for (std::size_t i = 0; i < evidence.known.size(); ++i)
    out += (i == 0 ? "; " : ", ") + evidence.known[i];
  return out;
}

std::string Words(const RateJudgement& judged, const std::string& port) {
  std::string out;
  if (judged.answer >= RateAnswer::kLikely) {
    const RateFit& best = judged.fits.front();
    char line[80];
    std::snprintf(line, sizeof line, "%-8s %s", AnswerName(judged.answer),
                  FormatLineSettings(best.settings).c_str());
    out = line;
    out += "\n         " + EvidenceWords(best.evidence) + "\n         " + judged.reason;
    if (judged.parity_unknown)
      out +=
          "\n         this adapter reports no errors: there may be a parity bit (8E1, 8O1) that "
          "cannot be heard";
    for (const std::uint32_t rate : judged.sounds_alike)
      out += "\n         " + std::to_string(rate) + " baud sounds the same";
    if (best.settings.parity == Parity::kNone && best.settings.data_bits == 8)
      out += "\n         two stop bits sound as one: to send, 8N2 is on the safe side";
    std::string format = FormatLineSettings(best.settings);
    format = format.substr(format.find(' ') + 1);
    out += "\nnext: bytewitness record " + SafeName(port) + " --baud " +
           std::to_string(best.settings.baud) + (format == "8N1" ? "" : " --format " + format);
    return out;
  }
  out = std::string(AnswerName(judged.answer)) + ": " + judged.reason;
  for (std::size_t i = 0; i < std::min<std::size_t>(3, judged.fits.size()); ++i)
    out += "\n  " + FormatLineSettings(judged.fits[i].settings) + ": " +
           EvidenceWords(judged.fits[i].evidence);
  if (judged.answer == RateAnswer::kNothingHeard)
    out +=
        "\nis the module powered, its ground joined, its TX at the adapter's RX? Many modules only "
        "speak when asked: listen while it starts or is talked to, or let `bytewitness survey` ask";
  else if (judged.answer == RateAnswer::kTooLittle)
    out += "\nlisten longer (--for 5m), or while more is said";
  return out;
}

nlohmann::json ToJson(const RateFit& fit) {
  const std::string words = FormatLineSettings(fit.settings);
  return {{"baud", fit.settings.baud},         {"format", words.substr(words.find(' ') + 1)},
          {"bytes", fit.evidence.heard},       {"errors", fit.evidence.errors},
          {"text", fit.evidence.text},         {"known", fit.evidence.known},
          {"weight_bits", fit.evidence.bits()}};
}

std::string Json(const RateJudgement& judged, const std::string& capture) {
  nlohmann::json out;
  out["answer"] = AnswerName(judged.answer);
  out["reason"] = judged.reason;
  out["heard_bytes"] = judged.heard;
  out["parity_unknown"] = judged.parity_unknown;
  out["sounds_alike"] = judged.sounds_alike;
  out["capture"] = SafeName(capture);
  out["fits"] = nlohmann::json::array();
  for (const RateFit& fit : judged.fits) out["fits"].push_back(ToJson(fit));
  return out.dump();
}

class Listening {
 public:
  Listening(const ListenOptions& options, std::vector<LineSettings> formats, Duration length)
      : options_(options),
        length_(length),
        finder_(options.rates.empty() ? LikelyRates() : options.rates, std::move(formats)) {}

  int Run() {
    if (Status s = Open(); !s.ok()) return Fail(kProgram, s);
    began_ = clock_.Now();
    recorder_ = std::make_unique<Recorder>(*driver_, *writer_, began_);
    recorder_->OnFailure([this](const Status& status) { End(status); });
    recorder_->Watch([this](const Event& event) { Hear(event); });
    driver_->AddPort(
        *port_, recorder_->Handlers(side_, {}, [this](Instant, ReadOutcome why, const Status& s) {
          End(why == ReadOutcome::kFinished
                  ? Status(Code::kDisconnected, port_->name() + ": closed")
                  : s);
        }));
    screen_.Talk("listening at " + SafeName(options_.port) + ", sending nothing; recording into " +
                 SafeName(out_) + "; Ctrl-C ends");
    driver_->SetTimer(began_ + length_, [this](Instant) { End({}); });
    Begin(began_, settings_);
    const Status loop = driver_->Run();
    return Finish(loop);
  }

 private:
  Status Open() {
    side_ = options_.side == "host"     ? Side::kHost
            : options_.side == "module" ? Side::kModule
                                        : Side::kUnknown;
    out_ = options_.out.empty() ? FreeCaptureName("listen") : options_.out;
    if (Status s = RefuseExisting(out_, options_.replace); !s.ok()) return s;
    OpenReport report;
    Result<std::unique_ptr<Port>> port = OpenPort(options_.port, options_.open, &report);
    if (!port.ok()) return port.status();
    port_ = std::move(*port);
    settings_ = finder_.Next();
    Result<LineSettings> got = port_->Configure(settings_);
    // A first rate that the port cannot take is no reason to give up; to have none is. A
    // pseudo-terminal keeps whatever rate it is told, and hears the same at each.
    std::error_code error;
    const std::string device = std::filesystem::canonical(options_.port, error).string();
    if ((got.ok() && got->baud == 0) || device.starts_with("/dev/pts/"))
      return Status(Code::kUnsupported,
                    options_.port +
                        ": has no rate of its own (a pseudo-terminal or a bare network "
                        "connection), so there is none to find");
    driver_ = Driver::Create(clock_);
    // From here on Ctrl-C closes the file instead of leaving it cut off.
    driver_->OnInterrupt([this](Instant) { End(Status(Code::kInterrupted, "interrupted")); });
    WriterOptions writer_options;
    writer_options.replace = options_.replace;
    const CaptureInfo info = DescribeCapture(
        Origin::kListen, {DescribeTap(*port_, side_, settings_, got.ok() ? *got : settings_)});
    Result<std::unique_ptr<CaptureWriter>> writer =
        CaptureWriter::Create(out_, info, writer_options);
    if (!writer.ok()) return writer.status();
    writer_ = std::move(*writer);
    return OkStatus();
  }

  // Sits down at the next setting; those that the port does not take are passed over.
  void Begin(Instant now, LineSettings settings) {
    for (;;) {
      const Result<LineSettings> got = port_->Configure(settings);
      if (!got.ok() && got.status().code() == Code::kDisconnected) return End(got.status());
      if (got.ok() && Near(got->baud, settings.baud)) break;
      Sitting none;
      none.settings = settings;
      recorder_->Note(now, FormatLineSettings(settings) + " is not possible here");
      if (std::find(refused_.begin(), refused_.end(), settings.baud) == refused_.end())
        refused_.push_back(settings.baud);
      finder_.Take(none);
      if (finder_.Done()) return End({});
      settings = finder_.Next();
    }
    sitting_ = Sitting();
    sitting_.settings = settings_ = settings;
    sitting_began_ = now;
    settled_ = false;
    // Twice: a busy machine may have left unread until now what came before.
    driver_->SetTimer(now + kSettle, [this](Instant later) {
      driver_->SetTimer(later, [this](Instant at) {
        settled_ = true;
        settled_at_ = at;
        recorder_->Note(at, kListeningAt + FormatLineSettings(settings_));
        Look();
      });
    });
    recorder_->Note(now, kChangingTo + FormatLineSettings(settings));
  }

  static bool Near(std::uint32_t got, std::uint32_t asked) {
    const auto off = std::int64_t{got} - std::int64_t{asked};
    return (off < 0 ? -off : off) * 100 <= std::int64_t{asked} * 3;
  }

  void Hear(const Event& event) {
    if (!settled_) return;
    switch (event.kind) {
      case EventKind::kBytes:
        sitting_.Add(event.bytes, false);
        break;
      case EventKind::kBadByte:
        sitting_.Add(event.bytes, true);
        marked_ += 1;
        break;
      case EventKind::kBreak:
        sitting_.Add(Bytes(1, '\0'), true);
        break;
      case EventKind::kErrorCounts:
        counted_ += event.counts.framing + event.counts.parity;
        break;
      default:
        break;
    }
  }

  void Look() {
    screen_.Progress(FormatDuration(clock_.Now() - began_) + "  at " +
                     FormatLineSettings(settings_) + "  heard here " +
                     FormatSize(sitting_.bytes.size()) + "  Ctrl-C ends");
    driver_->SetTimer(clock_.Now() + kLook, [this](Instant now) {
      if (ending_) return;
      if (!finder_.Over(now - settled_at_, sitting_.bytes.size())) return Look();
      Close(now);
      if (finder_.Done()) return End({});
      Begin(now, finder_.Next());
    });
  }

  void Close(Instant now) {
    sitting_.length = now - sitting_began_;
    // Some drivers count errors without marking the bytes.
    if (counted_ > marked_) sitting_.more_errors = static_cast<std::uint32_t>(counted_ - marked_);
    counted_ = marked_ = 0;
    if (!sitting_.bytes.empty() && !options_.json) {
      std::size_t bad = 0;
      for (const bool one : sitting_.bad) bad += one ? 1u : 0u;
      char line[100];
      std::snprintf(line, sizeof line, "  %-12s %4zu heard, %3zu with errors  ",
                    FormatLineSettings(sitting_.settings).c_str(), sitting_.bytes.size(), bad);
      screen_.Talk(line + SafeText(ByteView(sitting_.bytes).substr(0, 24)));
    }
    finder_.Take(sitting_);
    sitting_ = Sitting();
  }

  void End(const Status& why) {
    if (ending_) return;
    ending_ = true;
    ended_ = why;
    driver_->Stop();
  }

  int Finish(const Status& loop) {
    if (!sitting_.bytes.empty()) {
      sitting_.settings = settings_;
      Close(clock_.Now());
    }
    screen_.Progress("");
    const RateJudgement judged = finder_.Judge();
    if (judged.answer >= RateAnswer::kLikely)
      recorder_->Note(clock_.Now(), kFitsBest + FormatLineSettings(judged.fits.front().settings));
    const Status written = recorder_->Close();
    const Status closed = port_->Close();
    if (!refused_.empty()) {
      std::string rates;
      for (const std::uint32_t rate : refused_)
        rates += (rates.empty() ? "" : ", ") + std::to_string(rate);
      screen_.Talk("not tried, since the port does not take them: " + rates + " baud");
    }
    screen_.Data(options_.json ? Json(judged, out_) : Words(judged, options_.port));
    screen_.Talk("heard " + FormatSize(judged.heard) + " in " +
                 FormatDuration(clock_.Now() - began_) + "; recorded in " + SafeName(out_));
    for (const Status& s : {written, loop})
      if (!s.ok()) return Fail(kProgram, s);
    if (ended_.code() == Code::kInterrupted) return kExitInterrupted;
    if (!ended_.ok()) return Fail(kProgram, ended_);
    if (!closed.ok()) return Fail(kProgram, closed);
    return judged.answer >= RateAnswer::kLikely ? kExitDone : kExitNo;
  }

  const ListenOptions& options_;
  Duration length_;
  RateFinder finder_;
  Side side_ = Side::kUnknown;
  Screen screen_;
  MonotonicClock clock_;
  std::string out_;
  std::unique_ptr<Port> port_;
  std::unique_ptr<CaptureWriter> writer_;
  std::unique_ptr<Driver> driver_;
  std::unique_ptr<Recorder> recorder_;
  LineSettings settings_;
  Sitting sitting_;
  std::uint64_t counted_ = 0;  // errors since the sitting began: by the driver
  std::uint64_t marked_ = 0;   // and marked in what was read
  std::vector<std::uint32_t> refused_;
  Instant began_;
  Instant sitting_began_;
  bool settled_ = false;  // what was heard before the change has been read
  Instant settled_at_;
  bool ending_ = false;
  Status ended_;
};

int RunListen(const ListenOptions& options) {
  const Result<Duration> length = ParseDuration(options.length);
  if (!length.ok()) return Fail(kProgram, length.status().In("--for"));
  std::vector<LineSettings> formats;
  for (const std::string& text : options.formats) {
    LineSettings one;
    if (Status s = ParseFormat(text, one); !s.ok()) return Fail(kProgram, s.In("--formats"));
    formats.push_back(one);
  }
  if (formats.empty()) formats = LikelyFormats();
  return Listening(options, std::move(formats), *length).Run();
}

}  // namespace

void AddListen(CLI::App& app, Outcome& outcome) {
  CLI::App* command = app.add_subcommand(
      "listen", "Finds out at which rate and format a line runs, by listening alone");
  auto options = std::make_shared<ListenOptions>();
  command->add_option("PORT", options->port, "Port to listen at: /dev/ttyUSB0, rfc2217://HOST:PORT")
      ->required();
  command->add_option("-o,--out", options->out,
                      "Capture file of what was heard (default: listen.witness, listen-2...)");
  command->add_option("--rates", options->rates, "Try these rates, not the usual ones: 9600,31250")
      ->delimiter(',')
      ->check(CLI::Range(1u, 20'000'000u));
  command
      ->add_option("--formats", options->formats,
                   "Try these formats (default: 8N1,7E1,8E1,7O1,8O1; 8N2 sounds like 8N1)")
      ->delimiter(',');
  command->add_option("--for", options->length, "Listen at most so long")->capture_default_str();
  command->add_option("--side", options->side, "Whose bytes PORT hears: host, module or unknown")
      ->check(CLI::IsMember({"host", "module", "unknown"}))
      ->capture_default_str();
  command->add_flag("--hold-lines", options->open.hold_lines,
                    "Leave DTR and RTS alone, now and at the end: many boards reset on DTR");
  command->add_flag("--json", options->json, "One JSON object, for scripts");
  command->add_flag("--replace", options->replace, "Replace an existing capture file");
  command->footer(
      "Sends nothing, but opening a port raises DTR and RTS: leave the tap's other wires off (RX "
      "and\n"
      "ground only). 5 V and RS-232 levels destroy 3.3 V inputs: see the README.\n"
      "Exit status 0: the rate is sure or likely; 1: not sure, or nothing to judge by.\n"
      "Example: bytewitness listen /dev/ttyUSB0 -o heard.witness");
  command->callback([options, &outcome] { outcome.exit_status = RunListen(*options); });
}

}  // namespace witness
