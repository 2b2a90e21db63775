// The bench itself: that its ports are there and carry bytes, on the drivers alone.
#include <fcntl.h>
#include <gtest/gtest.h>
#include <poll.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>

#include <string>

#include "tests/line_bench/emulated_adapter.h"

namespace witness::line_bench {
namespace {

int OpenRaw(const std::string& path) {
  const int fd = open(path.c_str(), O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
  termios line = {};
  if (fd < 0 || tcgetattr(fd, &line) != 0) return -1;
  cfmakeraw(&line);
  line.c_cflag |= CLOCAL | CREAD;
  cfsetspeed(&line, B115200);
  tcsetattr(fd, TCSANOW, &line);
  return fd;
}

std::string ReadAtLeast(int fd, std::size_t size) {
  std::string got;
  pollfd watch = {fd, POLLIN, 0};
  while (got.size() < size && poll(&watch, 1, 3000) == 1) {
    char buffer[4096];
    const ssize_t n = read(fd, buffer, sizeof buffer);
    if (n <= 0) break;
    got.append(buffer, static_cast<std::size_t>(n));
  }
  return got;
}

TEST(Bench, UartsAreWiredToEachOther) {
  const int a = OpenRaw("/dev/ttyS4");
  const int b = OpenRaw("/dev/ttyS5");
  ASSERT_GE(a, 0);
  ASSERT_GE(b, 0);
  ASSERT_EQ(write(a, "AT\r\n", 4), 4);
  EXPECT_EQ(ReadAtLeast(b, 4), "AT\r\n");
  ASSERT_EQ(write(b, "OK", 2), 2);
  EXPECT_EQ(ReadAtLeast(a, 2), "OK");
  close(a);
  close(b);
}

TEST(Bench, AdapterCarriesBytesBothWaysAndShowsItsSettings) {
  EmulatedAdapter adapter("BENCH0001", 0);
  ASSERT_TRUE(adapter.Plug());
  const std::string node = WaitForNode("BENCH0001");
  ASSERT_NE(node, "");
  const int fd = OpenRaw(node);
  ASSERT_GE(fd, 0);
  adapter.Deliver("OK\r\n");
  EXPECT_EQ(ReadAtLeast(fd, 4), "OK\r\n");
  ASSERT_EQ(write(fd, "AT", 2), 2);
  EXPECT_TRUE(adapter.WaitFor([](const auto& s) { return s.written == "AT"; }, 2000));
  const EmulatedAdapter::State state = adapter.state();
  EXPECT_EQ(state.data_bits, 8);
  // 3 MHz / 26 (ftdi_sio's rounding of 115200)
  EXPECT_EQ(state.baud, 115385u);
  EXPECT_TRUE(state.dtr);
  close(fd);
  adapter.Unplug();
  EXPECT_TRUE(WaitUntilGone(node, 2000));
}

}  // namespace
}  // namespace witness::line_bench
