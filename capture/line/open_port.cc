#include "capture/line/open_port.h"

#include <sys/stat.h>

#include <algorithm>
#include <cerrno>
#include <charconv>
#include <climits>
#include <cstdlib>
#include <filesystem>
#include <fstream>

#include "capture/line/network_port.h"
#include "capture/line/posix_line.h"
#include "capture/line/pty.h"
#include "capture/line/serial_port.h"

namespace witness {
namespace {

namespace fs = std::filesystem;

std::string FirstLine(const fs::path& path) {
  std::ifstream in(path);
  std::string line;
  std::getline(in, line);
  return line;
}

int Number(const std::string& text, int base) {
  int value = -1;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value, base);
  return error == std::errc() && end == text.data() + text.size() ? value : -1;
}

PortFacts FactsFromFolder(const fs::path& folder, const std::string& name) {
  PortFacts out;
  out.name = name;
  std::error_code error;
  const fs::path device = fs::canonical(folder / "device", error);
  if (error) return out;
  // Newer kernels put two layers of the serial core ("port", "ctrl") between port and hardware.
  fs::path hardware = device;
  for (int level = 0; level < 3; ++level, hardware = hardware.parent_path()) {
    const fs::path driver = fs::canonical(hardware / "driver", error);
    if (error || driver.filename() == "port" || driver.filename() == "ctrl") continue;
    out.driver = driver.filename().string();
    break;
  }
  out.latency_timer_ms = Number(FirstLine(device / "latency_timer"), 10);
  out.usb_port = Number(FirstLine(device / "port_number"), 10);
  // The USB device stands a few folders above the port: the first with an idVendor.
  fs::path up = device;
  for (int level = 0; level < 6 && up.has_relative_path(); ++level, up = up.parent_path()) {
    if (out.usb_interface < 0) out.usb_interface = Number(FirstLine(up / "bInterfaceNumber"), 16);
    if (!fs::exists(up / "idVendor", error)) continue;
    out.usb_place = up.filename().string();
    out.usb_vendor = Number(FirstLine(up / "idVendor"), 16);
    out.usb_product = Number(FirstLine(up / "idProduct"), 16);
    out.description = FirstLine(up / "product");
    out.maker = FirstLine(up / "manufacturer");
    out.serial_number = FirstLine(up / "serial");
    break;
  }
  return out;
}

// "ttyUSB10" behind "ttyUSB9".
bool ByNameAndNumber(const PortFacts& a, const PortFacts& b) {
  const auto split = [](const std::string& name) {
    const std::size_t digits = name.find_last_not_of("0123456789") + 1;
    return std::pair(name.substr(0, digits), Number(name.substr(digits), 10));
  };
  return split(a.name) < split(b.name);
}

}  // namespace

Result<std::unique_ptr<Port>> OpenPort(const std::string& name, const OpenOptions& options,
                                       OpenReport* report) {
  OpenReport unread;
  OpenReport& out = report != nullptr ? *report : unread;
  if (IsNetworkName(name)) {
    out.has_rate = name.starts_with("rfc2217:");
    return ConnectPort(name);
  }
  char resolved[PATH_MAX] = {};
  if (realpath(name.c_str(), resolved) == nullptr) return OpenError(name, errno);
  struct stat there = {};
  if (stat(resolved, &there) != 0) return OpenError(name, errno);
  if (!S_ISCHR(there.st_mode))
    return Status(Code::kInvalidArgument,
                  name + ": not a serial port; `bytewitness ports` lists those that are there");
  const std::string device = resolved;
  if (device.starts_with("/dev/pts/")) {
    out.has_rate = false;
    return OpenPtySide(name);
  }
  return OpenSerialPort(device, name, options, out);
}

std::vector<PortFacts> ListPorts(const SystemFolders& folders, bool held_by) {
  std::vector<PortFacts> out;
  std::error_code error;
  for (const fs::directory_entry& entry :
       fs::directory_iterator(fs::path(folders.sys) / "class/tty", error)) {
    const fs::path folder = entry.path();
    std::error_code missing;
    if (!fs::exists(folder / "device", missing)) continue;
    // A 16550 place without a chip behind it has the type "unknown", 0.
    if (FirstLine(folder / "type") == "0") continue;
    const fs::path device = fs::path(folders.dev) / folder.filename();
    if (!fs::exists(device, missing)) continue;
    PortFacts facts = FactsFromFolder(folder, device.string());
    if (held_by) facts.held_by = WhoHas(facts.name);
    out.push_back(std::move(facts));
  }
  std::sort(out.begin(), out.end(), ByNameAndNumber);
  return out;
}

PortFacts FactsOf(const std::string& name, const SystemFolders& folders) {
  std::error_code error;
  const fs::path device = fs::canonical(name, error);
  if (error) {
    PortFacts out;
    out.name = name;
    return out;
  }
  return FactsFromFolder(fs::path(folders.sys) / "class/tty" / device.filename(), name);
}

}  // namespace witness
