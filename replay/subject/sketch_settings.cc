#include "replay/subject/sketch_settings.h"

#include <charconv>
#include <cmath>

#include "capture/base/text.h"

namespace trial {
namespace {

using witness::Code;
using witness::Result;
using witness::SafeName;
using witness::Status;

std::vector<std::string> Parts(std::string_view text, char separator) {
  std::vector<std::string> parts;
  while (!text.empty()) {
    const std::size_t end = text.find(separator);
    parts.emplace_back(text.substr(0, end));
    text = end == std::string_view::npos ? std::string_view() : text.substr(end + 1);
  }
  return parts;
}

bool ReadNumber(std::string_view text, std::uint32_t& number) {
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), number);
  return error == std::errc() && end == text.data() + text.size();
}

// "16MHz", "8000kHz", "1000000", "7.3728MHz".
bool ReadClock(std::string_view text, std::uint32_t& hz) {
  double factor = 1;
  for (const auto& [unit, times] :
       {std::pair<std::string_view, double>{"MHz", 1e6}, {"kHz", 1e3}, {"Hz", 1}})
    if (text.size() > unit.size() && text.substr(text.size() - unit.size()) == unit) {
      text.remove_suffix(unit.size());
      factor = times;
      break;
    }
  double value = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (error != std::errc() || end != text.data() + text.size() || !(value > 0)) return false;
  if (value * factor > 4e9) return false;
  hz = static_cast<std::uint32_t>(std::llround(value * factor));
  return hz > 0;
}

}  // namespace

Result<SketchPlace> ParseSketchPlace(std::string_view text) {
  const Status wrong(Code::kInvalidArgument,
                     "\"" + SafeName(text) +
                         "\" is no place on a board: give uart0, uart0:baud=9600 or "
                         "pins:rx=10,tx=11,baud=9600");
  SketchPlace place;
  const std::size_t colon = text.find(':');
  const std::string_view what = text.substr(0, colon);
  if (what == "pins") {
    place.pins = true;
  } else if (what.size() == 5 && what.substr(0, 4) == "uart" && what[4] >= '0' && what[4] <= '3') {
    place.uart = what[4] - '0';
  } else {
    return wrong;
  }
  if (colon != std::string_view::npos) {
    for (const std::string& item : Parts(text.substr(colon + 1), ',')) {
      const std::size_t equals = item.find('=');
      if (equals == std::string::npos) return wrong;
      const std::string key = item.substr(0, equals);
      const std::string value = item.substr(equals + 1);
      if (key == "rx" && place.pins) {
        place.receive = value;
      } else if (key == "tx" && place.pins) {
        place.transmit = value;
      } else if (key == "baud") {
        if (!ReadNumber(value, place.baud) || place.baud < 50 || place.baud > 4'000'000)
          return wrong;
      } else {
        return wrong;
      }
    }
  }
  if (place.pins && (place.receive.empty() || place.transmit.empty())) return wrong;
  return place;
}

std::string FormatSketchPlace(const SketchPlace& place) {
  if (place.pins)
    return "pins:rx=" + place.receive + ",tx=" + place.transmit +
           (place.baud != 0 ? ",baud=" + std::to_string(place.baud) : "");
  std::string text = "uart" + std::to_string(place.uart);
  if (place.baud != 0) text += ":baud=" + std::to_string(place.baud);
  return text;
}

Result<SketchSettings> MakeSketchSettings(const std::string& elf,
                                          const std::map<std::string, std::string>& given) {
  SketchSettings settings;
  settings.elf = elf;
  if (elf.empty()) return Status(Code::kInvalidArgument, "no ELF file is named");
  for (const auto& [key, value] : given) {
    if (key == "module-on" || key == "talk-on") {
      if (value.empty()) continue;
      Result<SketchPlace> place = ParseSketchPlace(value);
      if (!place.ok()) return place.status().In(key);
      if (key == "module-on")
        settings.module = *place;
      else
        settings.talk = *place;
    } else if (key == "mcu") {
      settings.mcu = value;
    } else if (key == "clock") {
      if (!value.empty() && !ReadClock(value, settings.clock_hz))
        return Status(Code::kInvalidArgument,
                      "clock: \"" + SafeName(value) + "\" is no rate: give 16MHz or 16000000");
    } else if (key == "watch-pin") {
      settings.watch_pins = Parts(value, ',');
    } else if (key == "brown-out") {
      for (const std::string& at : Parts(value, ',')) {
        Result<witness::Duration> time = witness::ParseDuration(at);
        if (!time.ok()) return time.status().In(key);
        settings.brown_outs.push_back(*time);
      }
    } else {
      return Status(Code::kInvalidArgument,
                    "a sketch has no setting \"" + SafeName(key) +
                        "\"; there are module-on, talk-on, mcu, clock, watch-pin and brown-out");
    }
  }
  return settings;
}

std::map<std::string, std::string> SketchSettingsMap(const SketchSettings& settings) {
  std::map<std::string, std::string> map;
  map["module-on"] = FormatSketchPlace(settings.module);
  if (settings.talk) map["talk-on"] = FormatSketchPlace(*settings.talk);
  if (!settings.mcu.empty()) map["mcu"] = settings.mcu;
  if (settings.clock_hz != 0) map["clock"] = std::to_string(settings.clock_hz);
  std::string pins;
  for (const std::string& pin : settings.watch_pins) pins += (pins.empty() ? "" : ",") + pin;
  if (!pins.empty()) map["watch-pin"] = pins;
  std::string dips;
  for (const witness::Duration at : settings.brown_outs)
    dips += (dips.empty() ? "" : ",") + std::to_string(at.ns()) + "ns";
  if (!dips.empty()) map["brown-out"] = dips;
  return map;
}

}  // namespace trial
