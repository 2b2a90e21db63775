// Asks a Sedge module for firmware and signal; with a fault, if one is named.
//
//   watch PORT [waits-lf | exact | too-early | first-line | keeps-leftover | no-timeout]
//
// Without a fault it copes: the good twin of every faulty one, which differs from it in that one
// thing.
#include <fcntl.h>
#include <poll.h>
#include <termios.h>
#include <unistd.h>

#include <algorithm>
#include <cstdio>
#include <string>

namespace {

// Reads what is there within `milliseconds`; empty: nothing came.
std::string ReadSome(int port, int milliseconds) {
  pollfd wanted = {port, POLLIN, 0};
  if (poll(&wanted, 1, milliseconds) <= 0) return "";
  char buffer[256];
  const ssize_t n = read(port, buffer, sizeof buffer);
  return n > 0 ? std::string(buffer, static_cast<std::size_t>(n)) : "";
}

std::string ReadReply(int port, const std::string& fault) {
  std::string reply;
  if (fault == "keeps-leftover") {
    // Byte by byte up to the first OK; what stands behind it is left for the next.
    char byte = 0;
    pollfd wanted = {port, POLLIN, 0};
    while (reply.find("OK") == std::string::npos && reply.find("ERROR") == std::string::npos &&
           poll(&wanted, 1, 1500) > 0 && read(port, &byte, 1) == 1)
      reply += byte;
    return reply;
  }
  reply = ReadSome(port, fault == "no-timeout" ? -1 : 1500);
  if (fault == "too-early") return reply;
  if (fault == "waits-lf") {
    // Lines, the last of them OK or ERROR; a line is over when its LF is there, or after a second.
    while (reply.find("OK\n") == std::string::npos && reply.find("OK\r\n") == std::string::npos &&
           reply.find("ERROR") == std::string::npos) {
      const std::string more = ReadSome(port, 1000);
      if (more.empty()) break;
      reply += more;
    }
    return reply;
  }
  for (std::string more = reply; !more.empty(); reply += more) more = ReadSome(port, 150);
  return reply;
}

// What the module said to `command`, whatever its line ending; empty if it is not in `reply`.
std::string TextOf(const std::string& command, const std::string& reply, const std::string& fault) {
  if (fault == "first-line") {
    const auto first = reply.find_first_not_of("\r\n");
    if (first == std::string::npos) return "";
    const std::string line = reply.substr(first, reply.find_first_of("\r\n", first) - first);
    return line.size() > 2 && line.ends_with("OK") ? line.substr(0, line.size() - 2) : line;
  }
  if (fault == "exact" && !reply.ends_with("\r\nOK\r\n")) return "";
  if (command == "AT") {
    const auto good = reply.find("OK");
    const auto bad = reply.find("ERROR");
    if (good == bad) return "";
    return good < bad ? "OK" : "ERROR";
  }
  const std::string name = command.substr(2, command.size() - 3) + ": ";  // "+FW: " for "AT+FW?"
  const auto at = reply.find(name);
  if (at == std::string::npos) return "";
  const auto from = at + name.size();
  std::string text =
      reply.substr(from, std::min(reply.find_first_of("\r\n", from), reply.size()) - from);
  if (text.size() > 2 && text.ends_with("OK")) text.resize(text.size() - 2);
  return text;
}

}  // namespace

int main(int argc, char** argv) {
  if (argc < 2) return 2;
  const std::string fault = argc > 2 ? argv[2] : "";
  const int port = open(argv[1], O_RDWR | O_NOCTTY);
  if (port < 0) return 3;
  termios settings = {};
  tcgetattr(port, &settings);
  cfmakeraw(&settings);
  tcsetattr(port, TCSANOW, &settings);
  for (const std::string command : {"AT", "AT+FW?", "AT+SIGNAL?"}) {
    while (fault != "keeps-leftover" && !ReadSome(port, 20).empty()) {
    }
    const std::string line = command + "\r\n";
    if (write(port, line.data(), line.size()) < 0) return 3;
    const std::string text = TextOf(command, ReadReply(port, fault), fault);
    if (text.empty()) {
      std::printf("no reply that I know to %s\n", command.c_str());
      return 1;
    }
    std::printf("%s -> %s\n", command.c_str(), text.c_str());
    std::fflush(stdout);
  }
  return 0;
}
