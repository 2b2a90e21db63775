// bytewitness ports: what is there.
#include <CLI/CLI.hpp>
#include <cstdio>
#include <nlohmann/json.hpp>

#include "capture/base/text.h"
#include "capture/commands/commands.h"
#include "capture/line/open_port.h"

namespace witness {
namespace {

std::string UsbIds(const PortFacts& port) {
  if (port.usb_vendor < 0) return "";
  char ids[32];
  std::snprintf(ids, sizeof ids, "%04x:%04x", static_cast<unsigned>(port.usb_vendor),
                static_cast<unsigned>(port.usb_product));
  return ids;
}

void PrintText(const std::vector<PortFacts>& ports) {
  for (const PortFacts& port : ports) {
    std::string line = SafeName(port.name);
    const auto add = [&](const char* before, const std::string& text) {
      if (!text.empty()) line += std::string("\n    ") + before + SafeName(text);
    };
    std::string what = port.maker;
    if (!what.empty() && !port.description.empty()) what += ", ";
    add("", what + port.description);
    add("USB ids        ", UsbIds(port));
    add("serial number  ", port.serial_number);
    add("driver         ", port.driver);
    if (port.latency_timer_ms >= 0)
      add("latency timer  ",
          std::to_string(port.latency_timer_ms) + " ms (bytes may be stamped late by so much)");
    add("busy           ", port.held_by);
    std::puts(line.c_str());
  }
}

void PrintJson(const std::vector<PortFacts>& ports) {
  nlohmann::json all = nlohmann::json::array();
  for (const PortFacts& port : ports) {
    nlohmann::json one;
    one["port"] = port.name;
    one["busy"] = !port.held_by.empty();
    const auto add = [&](const char* key, const std::string& text) {
      if (!text.empty()) one[key] = text;
    };
    add("maker", port.maker);
    add("description", port.description);
    add("usb_ids", UsbIds(port));
    add("serial_number", port.serial_number);
    add("driver", port.driver);
    add("held_by", port.held_by);
    if (port.latency_timer_ms >= 0) one["latency_timer_ms"] = port.latency_timer_ms;
    all.push_back(one);
  }
  // Device strings may be no UTF-8.
  std::puts(all.dump(2, ' ', true, nlohmann::json::error_handler_t::replace).c_str());
}

}  // namespace

void AddPorts(CLI::App& app, Outcome& outcome) {
  CLI::App* command = app.add_subcommand("ports", "Lists the serial ports that are there");
  auto json = std::make_shared<bool>(false);
  command->add_flag("--json", *json, "As JSON, for scripts");
  command->footer(
      "Opens no port, so no board is reset by looking.\n"
      "Example: bytewitness ports");
  command->callback([json, &outcome] {
    const std::vector<PortFacts> ports = ListPorts();
    if (*json)
      PrintJson(ports);
    else if (ports.empty())
      std::fputs("no serial ports found; is the adapter plugged in?\n", stderr);
    else
      PrintText(ports);
    outcome.exit_status = kExitDone;
  });
}

}  // namespace witness
