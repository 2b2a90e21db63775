#include "capture/commands/line_options.h"

#include <CLI/CLI.hpp>
#include <cstdio>
#include <cstdlib>
#include <filesystem>

#include "capture/base/text.h"
#include "capture/line/open_port.h"

namespace witness {

void AddLineOptions(CLI::App& command, LineOptions& options) {
  command.add_option("--baud", options.baud, "Rate in bits per second")
      ->check(CLI::Range(1u, 20'000'000u))
      ->capture_default_str();
  command
      .add_option("--format", options.format, "Data bits, parity, stop bits: 8N1, 7E1, 8N2, ...")
      ->capture_default_str();
  command.add_option("--flow", options.flow, "Flow control: none, rts-cts or xon-xoff")
      ->check(CLI::IsMember({"none", "rts-cts", "xon-xoff"}))
      ->capture_default_str();
  command.add_flag("--hold-lines", options.open.hold_lines,
                   "Leave DTR and RTS alone, now and at the end: many boards reset on DTR");
  command.add_flag("--low-latency", options.open.low_latency,
                   "Ask the adapter to hand on bytes sooner; put back at the end");
}

Result<LineSettings> ToSettings(const LineOptions& options) {
  LineSettings out;
  out.baud = options.baud;
  if (Status s = ParseFormat(options.format, out); !s.ok()) return s.In("--format");
  out.flow = options.flow == "rts-cts"    ? FlowControl::kRtsCts
             : options.flow == "xon-xoff" ? FlowControl::kXonXoff
                                          : FlowControl::kNone;
  return out;
}

Result<OpenedPort> OpenAndSet(const std::string& name, const LineSettings& settings,
                              const OpenOptions& options) {
  OpenReport report;
  Result<std::unique_ptr<Port>> port = OpenPort(name, options, &report);
  if (!port.ok()) return port.status();
  Result<LineSettings> got = (*port)->Configure(settings);
  if (!got.ok()) return got.status();
  const auto asked = static_cast<std::int64_t>(settings.baud);
  const std::int64_t off = std::llabs(static_cast<std::int64_t>(got->baud) - asked);
  if (got->baud != 0 && off * 100 > asked) {
    std::fprintf(stderr,
                 "%s: the port did not take %u baud, it runs at %u, %.1f %% off: more than 2 %% "
                 "gives wrong characters, more than 5 %% rubbish\n",
                 SafeName(name).c_str(), settings.baud, got->baud,
                 100.0 * static_cast<double>(off) / static_cast<double>(asked));
  }
  if (options.hold_lines && report.has_lines && !report.lines_were_held) {
    std::fprintf(stderr,
                 "%s: Linux raised DTR and RTS on opening, on which a board may have reset; from "
                 "now on they are left as they are\n",
                 SafeName(name).c_str());
  }
  if (!report.low_latency.ok())
    std::fprintf(stderr, "%s\n", SafeName(report.low_latency.message()).c_str());
  return OpenedPort{std::move(*port), *got, report};
}

Result<std::optional<Duration>> OptionalDuration(const char* option, const std::string& text) {
  if (text.empty()) return std::optional<Duration>();
  Result<Duration> parsed = ParseDuration(text);
  if (!parsed.ok()) return parsed.status().In(option);
  return std::optional<Duration>(*parsed);
}

std::string FreeCaptureName(const std::string& stem) {
  std::string name = stem + ".witness";
  std::error_code error;
  for (int i = 2; std::filesystem::exists(name, error); ++i)
    name = stem + "-" + std::to_string(i) + ".witness";
  return name;
}

}  // namespace witness
