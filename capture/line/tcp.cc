#include "capture/line/tcp.h"

#include <arpa/inet.h>
#include <netdb.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <sys/socket.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <memory>
#include <utility>

namespace witness {
namespace {

struct AddressesDeleter {
  void operator()(addrinfo* list) const { freeaddrinfo(list); }
};
using Addresses = std::unique_ptr<addrinfo, AddressesDeleter>;

Result<Addresses> Resolve(const NetworkAddress& address, bool to_listen) {
  addrinfo hints = {};
  hints.ai_socktype = SOCK_STREAM;
  hints.ai_flags = AI_NUMERICSERV | (to_listen ? AI_PASSIVE : 0);
  addrinfo* list = nullptr;
  const int error = getaddrinfo(address.host.c_str(), address.port.c_str(), &hints, &list);
  if (error != 0)
    return Status(Code::kNotFound, address.Text() + ": no such address: " + gai_strerror(error));
  return Addresses(list);
}

Socket NewSocket(const addrinfo& where) {
  return Socket(
      socket(where.ai_family, where.ai_socktype | SOCK_NONBLOCK | SOCK_CLOEXEC, where.ai_protocol));
}

void NoDelay(int descriptor) {
  const int yes = 1;
  setsockopt(descriptor, IPPROTO_TCP, TCP_NODELAY, &yes, sizeof yes);
}

std::string TextOf(const sockaddr_storage& address) {
  char host[NI_MAXHOST] = {};
  char port[NI_MAXSERV] = {};
  if (getnameinfo(reinterpret_cast<const sockaddr*>(&address), sizeof address, host, sizeof host,
                  port, sizeof port, NI_NUMERICHOST | NI_NUMERICSERV) != 0)
    return "?";
  return NetworkAddress{host, port}.Text();
}

}  // namespace

std::string NetworkAddress::Text() const {
  return host.find(':') == std::string::npos ? host + ":" + port : "[" + host + "]:" + port;
}

Result<NetworkAddress> ParseAddress(const std::string& text, bool port_alone) {
  NetworkAddress out;
  const std::size_t colon = text.rfind(':');
  if (colon == std::string::npos) {
    if (!port_alone)
      return Status(Code::kInvalidArgument,
                    text + ": an address is HOST:PORT, e.g. 127.0.0.1:7000");
    out.host = "127.0.0.1";
    out.port = text;
  } else {
    out.host = text.substr(0, colon);
    out.port = text.substr(colon + 1);
    if (out.host.size() >= 2 && out.host.front() == '[' && out.host.back() == ']')
      out.host = out.host.substr(1, out.host.size() - 2);
  }
  const bool number = !out.port.empty() && out.port.size() <= 5 &&
                      out.port.find_first_not_of("0123456789") == std::string::npos &&
                      std::stoi(out.port) <= 65535;
  if (out.host.empty() || !number)
    return Status(Code::kInvalidArgument, text + ": an address is HOST:PORT, e.g. 127.0.0.1:7000");
  return out;
}

Socket& Socket::operator=(Socket&& other) noexcept {
  if (this != &other) {
    Close();
    descriptor_ = other.Release();
  }
  return *this;
}

void Socket::Close() {
  if (descriptor_ >= 0) close(descriptor_);
  descriptor_ = -1;
}

int Socket::Release() { return std::exchange(descriptor_, -1); }

Result<Socket> ConnectTo(const NetworkAddress& address, Duration limit) {
  const Result<Addresses> list = Resolve(address, false);
  if (!list.ok()) return list.status();
  std::string why = "no address";
  for (const addrinfo* one = list->get(); one != nullptr; one = one->ai_next) {
    Socket candidate = NewSocket(*one);
    if (!candidate.open()) continue;
    int error = 0;
    if (connect(candidate.get(), one->ai_addr, one->ai_addrlen) != 0) error = errno;
    if (error == EINPROGRESS) {
      pollfd wait = {candidate.get(), POLLOUT, 0};
      socklen_t size = sizeof error;
      if (poll(&wait, 1, static_cast<int>(limit.ns() / 1'000'000)) != 1)
        error = ETIMEDOUT;
      else
        getsockopt(candidate.get(), SOL_SOCKET, SO_ERROR, &error, &size);
    }
    if (error == 0) {
      NoDelay(candidate.get());
      return candidate;
    }
    why = std::strerror(error);
  }
  return Status(Code::kIo, address.Text() + ": cannot connect: " + why);
}

Result<Socket> ListenAt(const NetworkAddress& address, std::string& bound) {
  const Result<Addresses> list = Resolve(address, true);
  if (!list.ok()) return list.status();
  std::string why = "no address";
  for (const addrinfo* one = list->get(); one != nullptr; one = one->ai_next) {
    Socket candidate = NewSocket(*one);
    const int yes = 1;
    if (!candidate.open()) continue;
    setsockopt(candidate.get(), SOL_SOCKET, SO_REUSEADDR, &yes, sizeof yes);
    if (bind(candidate.get(), one->ai_addr, one->ai_addrlen) == 0 &&
        listen(candidate.get(), 1) == 0) {
      sockaddr_storage here = {};
      socklen_t size = sizeof here;
      getsockname(candidate.get(), reinterpret_cast<sockaddr*>(&here), &size);
      bound = TextOf(here);
      return candidate;
    }
    why = std::strerror(errno);
  }
  return Status(Code::kIo, address.Text() + ": cannot listen there: " + why);
}

Result<Socket> AcceptFrom(int listener, std::string& who) {
  sockaddr_storage peer = {};
  socklen_t size = sizeof peer;
  Socket out(
      accept4(listener, reinterpret_cast<sockaddr*>(&peer), &size, SOCK_NONBLOCK | SOCK_CLOEXEC));
  if (!out.open()) {
    if (errno == EAGAIN || errno == EWOULDBLOCK || errno == EINTR || errno == ECONNABORTED)
      return Socket();
    return Status(Code::kIo, std::string("cannot accept a client: ") + std::strerror(errno));
  }
  NoDelay(out.get());
  who = TextOf(peer);
  return out;
}

bool IsLoopback(int socket) {
  sockaddr_storage here = {};
  socklen_t size = sizeof here;
  if (getsockname(socket, reinterpret_cast<sockaddr*>(&here), &size) != 0) return false;
  if (here.ss_family == AF_INET)
    return ntohl(reinterpret_cast<const sockaddr_in&>(here).sin_addr.s_addr) >> 24 == 127;
  return here.ss_family == AF_INET6 &&
         IN6_IS_ADDR_LOOPBACK(&reinterpret_cast<const sockaddr_in6&>(here).sin6_addr);
}

}  // namespace witness
