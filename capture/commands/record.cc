// bytewitness record: listen at a port or two, or between a program and a port.
#include <CLI/CLI.hpp>

#include "capture/commands/commands.h"
#include "capture/commands/recording.h"

namespace witness {

void AddRecord(CLI::App& app, Outcome& outcome) {
  CLI::App* command = app.add_subcommand(
      "record", "Records what is said on a line: listening at a port, or between program and port");
  auto options = std::make_shared<RecordOptions>();
  command
      ->add_option("PORT", options->port,
                   "Port to record: /dev/ttyUSB0, rfc2217://HOST:PORT or tcp://HOST:PORT")
      ->required();
  command->add_option("PORT2", options->port2,
                      "With --between: the port at which PORT's partner is, instead of a program");
  command->add_option("--far", options->far,
                      "Listen at this port too: two receive-only taps, PORT on the module's TX, "
                      "this on the host's (--side host: the other way round)");
  command->add_flag("--between", options->between,
                    "Stand between your program and PORT: prints the port to open instead");
  command->add_option("--link", options->link,
                      "With --between: make this a link to the program's port");
  command->add_option("--listen", options->listen,
                      "With --between: wait for the program here by TCP, e.g. 127.0.0.1:7000, or "
                      "rfc2217://127.0.0.1:7000 with line settings");
  command->add_option("-o,--out", options->out,
                      "Capture file (default: record.witness, record-2...)");
  command
      ->add_option("--side", options->side,
                   "Whose bytes PORT hears when only listening: host, module or unknown")
      ->check(CLI::IsMember({"host", "module", "unknown"}))
      ->capture_default_str();
  command->add_option("--for", options->length, "End after so long, e.g. 30s");
  command->add_option("--until-silent", options->until_silent,
                      "End after so long a silence, e.g. 5s");
  command->add_option("--split-every", options->split_every,
                      "Begin a new file after so long or so much, e.g. 1h or 100MB");
  command
      ->add_option("--keep-free", options->keep_free,
                   "End before the disk has less left than this and what closing needs")
      ->capture_default_str();
  command
      ->add_option("--on-unplug", options->on_unplug,
                   "When a port goes away: stop, or wait until it is back under any name")
      ->check(CLI::IsMember({"stop", "wait"}))
      ->capture_default_str();
  command->add_option("--live", options->live, "Show what is said as it comes: auto, on or off")
      ->check(CLI::IsMember({"auto", "on", "off"}))
      ->capture_default_str();
  command->add_flag("--quiet-live", options->quiet_live,
                    "Show only what else happens: breaks, errors, line changes, gaps, notes");
  command->add_flag("--replace", options->replace, "Replace an existing capture file");
  command
      ->add_option("--durability", options->durability,
                   "How soon the file is brought to the disk: relaxed (at the end), normal (each "
                   "second) or strict (each 250 ms)")
      ->check(CLI::IsMember({"relaxed", "normal", "strict"}))
      ->capture_default_str();
  AddLineOptions(*command, options->line);
  command->footer(
      "If the program is killed at most the last 250 ms are lost; if the power fails, what was\n"
      "not yet brought to the disk (see --durability).\n"
      "Notes typed while recording go into the capture. Listening never sends, but opening a port\n"
      "raises DTR and RTS: leave the tap's other wires off (RX and ground only).\n"
      "5 V and RS-232 levels destroy 3.3 V inputs: shift levels, join grounds, see the README.\n"
      "Examples: bytewitness record --between /dev/ttyUSB0 -o talk.witness\n"
      "          bytewitness record /dev/ttyUSB0 --far /dev/ttyUSB1 -o talk.witness\n"
      "          bytewitness record --between /dev/ttyUSB0 --listen 127.0.0.1:7000");
  command->callback([options, &outcome] { outcome.exit_status = RunRecording(*options); });
}

}  // namespace witness
