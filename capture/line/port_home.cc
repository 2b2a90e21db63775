#include "capture/line/port_home.h"

#include <filesystem>

#include "capture/line/network_port.h"

namespace witness {
namespace {

// The same make, and the same port of an adapter that has several.
bool SameKind(const PortFacts& a, const PortFacts& b) {
  return a.usb_vendor == b.usb_vendor && a.usb_product == b.usb_product &&
         a.usb_interface == b.usb_interface && a.usb_port == b.usb_port;
}

bool SameSerialNumber(const PortFacts& a, const PortFacts& b) {
  return SameKind(a, b) && !a.serial_number.empty() && a.serial_number == b.serial_number;
}

}  // namespace

PortHome HomeOf(const std::string& name, const SystemFolders& folders) {
  PortHome out;
  out.name = name;
  if (IsNetworkName(name)) return out;
  out.facts = FactsOf(name, folders);
  int same = 0;
  for (const PortFacts& port : ListPorts(folders, false))
    if (SameSerialNumber(port, out.facts)) ++same;
  out.serial_number_tells = same == 1;
  return out;
}

std::string FindAgain(const PortHome& home, const SystemFolders& folders) {
  if (home.facts.usb_vendor < 0) {
    std::error_code error;
    return IsNetworkName(home.name) || std::filesystem::exists(home.name, error) ? home.name : "";
  }
  for (const PortFacts& port : ListPorts(folders, false)) {
    const bool same = home.serial_number_tells
                          ? SameSerialNumber(port, home.facts)
                          : SameKind(port, home.facts) && port.usb_place == home.facts.usb_place;
    if (same) return port.name;
  }
  return "";
}

}  // namespace witness
