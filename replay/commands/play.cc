// bytetrial play: plays one side of a conversation at a pty or a port.
#include <CLI/CLI.hpp>
#include <cstdio>
#include <memory>
#include <string>

#include "capture/base/text.h"
#include "capture/line/driver.h"
#include "capture/line/open_port.h"
#include "capture/line/pty.h"
#include "replay/commands/commands.h"
#include "replay/part/part_text.h"
#include "replay/play/live.h"

namespace trial {
namespace {

using witness::Code;
using witness::Status;

struct PlayOptions {
  std::string part;
  bool pty = false;
  std::string link;
  std::string port;
  std::string length;
  bool show = false;
};

constexpr Duration kSpin = Duration::Microseconds(300);

int Run(const PlayOptions& options) {
  const auto fail = [](const Status& status) { return witness::Fail("bytetrial play", status); };
  auto part = LoadPart(options.part);
  if (!part.ok()) return fail(part.status());
  Duration length = Duration::Max();
  if (!options.length.empty()) {
    const auto parsed = witness::ParseDuration(options.length);
    if (!parsed.ok()) return fail(parsed.status().In("--for"));
    length = *parsed;
  }

  std::unique_ptr<witness::Port> port;
  std::string name;
  if (options.port.empty()) {
    auto pty = witness::PtyPort::Create(options.link);
    if (!pty.ok()) return fail(pty.status());
    name = (*pty)->program_side();
    port = std::move(*pty);
  } else {
    auto opened = witness::OpenPort(options.port);
    if (!opened.ok()) return fail(opened.status());
    port = std::move(*opened);
    name = options.port;
  }
  if (part->line.baud != 0) {
    const auto got = port->Configure(part->line);
    if (!got.ok() && !options.port.empty()) return fail(got.status());
  }

  witness::MonotonicClock clock;
  const auto driver = witness::Driver::Create(clock);
  const bool host = part->plays == witness::Side::kHost;
  const std::string title = part->name.empty() ? options.part : part->name;
  Player player(*std::move(part));
  Status ended;
  bool interrupted = false;
  const auto show = [&](Instant at, const char* who, ByteView bytes) {
    if (!options.show) return;
    std::fprintf(stderr, "%12s  %-6s  %s\n", witness::FormatInstant(at).c_str(), who,
                 witness::SafeText(bytes).c_str());
  };
  LiveHooks hooks;
  hooks.on_said = [&](const Send& send, Instant sent) {
    show(sent, host ? "host" : "module", send.bytes);
  };
  hooks.on_heard = [&](Instant at, ByteView bytes) { show(at, host ? "module" : "host", bytes); };
  hooks.on_end = [&](Instant, witness::ReadOutcome, const Status& status) {
    ended = status.ok() ? Status(Code::kDisconnected, port->name() + ": the port is gone") : status;
    driver->Stop();
  };
  hooks.on_step = [&](Instant) {
    if (host && player.Idle()) driver->Stop();
  };
  LivePlayer live(player, *driver, *port, kSpin, hooks);
  driver->OnInterrupt([&](Instant) {
    interrupted = true;
    driver->Stop();
  });
  if (length != Duration::Max())
    driver->SetTimer(clock.Now() + length, [&](Instant) { driver->Stop(); });
  live.Start();
  // Only now: who reads the name may speak to us, or end us, at once.
  std::printf("%s\n", witness::SafeName(name).c_str());
  std::fflush(stdout);
  std::fprintf(stderr, "playing %s, the %s's side; Ctrl-C ends\n", witness::SafeName(title).c_str(),
               host ? "host" : "module");
  const Status loop = driver->Run();
  live.Stop();
  const Status closed = port->Close();
  if (!loop.ok()) return fail(loop);
  if (!ended.ok()) return fail(ended);
  if (!closed.ok()) return fail(closed);
  return interrupted ? witness::kExitInterrupted : witness::kExitDone;
}

}  // namespace

void AddPlay(CLI::App& app, Outcome& outcome) {
  auto options = std::make_shared<PlayOptions>();
  CLI::App* command =
      app.add_subcommand("play", "Plays one side of a conversation, as a part says");
  command->add_option("PART", options->part, "Part as textproto (see proto/trial.proto)")
      ->required();
  auto* pty = command->add_flag("--pty", options->pty,
                                "Play at a pty of our own; its name is printed (the default)");
  command->add_option("--link", options->link, "Make NAME a link to the pty")->type_name("NAME");
  command->add_option("--port", options->port, "Play at this port")
      ->type_name("PORT")
      ->excludes(pty);
  command->add_option("--for", options->length, "End after this time, e.g. 30s")->type_name("TIME");
  command->add_flag("--show", options->show, "Show on standard error what is said");
  command->footer("Example: bytetrial play samples/sedge-b.textproto --pty --link /tmp/sedge");
  command->callback([options, &outcome] { outcome.exit_status = Run(*options); });
}

}  // namespace trial
