// Asks a Sedge module for firmware and signal; with a fault, if one is named.
//
//   watch PORT [waits-lf | exact | too-early]
//
// Without a fault it copes: the good twin of every faulty one.
#include <fcntl.h>
#include <poll.h>
#include <termios.h>
#include <unistd.h>

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
  std::string reply = ReadSome(port, 1500);
  if (fault == "too-early") return reply;
  if (fault == "waits-lf") {
    while (reply.find("OK\r\n") == std::string::npos && reply.find("OK\n") == std::string::npos) {
      const std::string more = ReadSome(port, 1000);
      if (more.empty()) break;
      reply += more;
    }
    return reply;
  }
  for (std::string more = reply; !more.empty(); reply += more) more = ReadSome(port, 150);
  return reply;
}

std::string TextOf(const std::string& reply) {
  const auto plus = reply.find('+');
  if (plus == std::string::npos) return reply.find("OK") != std::string::npos ? "OK" : "ERROR";
  std::string text = reply.substr(plus, reply.find_first_of("\r\n", plus) - plus);
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
    while (!ReadSome(port, 20).empty()) {
    }
    const std::string line = command + "\r\n";
    if (write(port, line.data(), line.size()) < 0) return 3;
    const std::string reply = ReadReply(port, fault);
    if (reply.empty() || (fault == "exact" && !reply.ends_with("\r\nOK\r\n"))) {
      std::printf("%s to %s\n", reply.empty() ? "no reply" : "not the reply that I know",
                  command.c_str());
      return 1;
    }
    std::printf("%s -> %s\n", command.c_str(), TextOf(reply).c_str());
    std::fflush(stdout);
  }
  return 0;
}
