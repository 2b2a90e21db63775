// For Sedge B; its fault: cuts-long-reply (ring of 64, kept between commands)
#include <fcntl.h>
#include <poll.h>
#include <termios.h>
#include <unistd.h>
#include <cstdio>
#include <string>
struct Ring {
  unsigned char b[64];
  unsigned h = 0, t = 0;
  bool put(unsigned char c) {
    unsigned n = (h + 1) % 64;
    if (n == t) return false;
    b[h] = c;
    h = n;
    return true;
  }
  int get() {
    if (h == t) return -1;
    int c = b[t];
    t = (t + 1) % 64;
    return c;
  }
};
int main(int n, char** a) {
  int fd = open(a[1], O_RDWR | O_NOCTTY);
  termios t;
  tcgetattr(fd, &t);
  cfmakeraw(&t);
  tcsetattr(fd, TCSANOW, &t);
  for (std::string c : {"AT", "AT+FW?", "AT+SIGNAL?"}) {
    std::string s = c + "\r\n";
    if (write(fd, s.data(), s.size()) < 0) return 1;
    Ring ring;
    std::string r;
    pollfd p{fd, POLLIN, 0};
    int w = 2500;
    while (poll(&p, 1, w) > 0) {
      unsigned char x;
      if (read(fd, &x, 1) != 1) break;
      if (n > 2)
        r += (char)x;
      else
        ring.put(x);
      w = 250;
    }
    int g;
    if (n == 2)
      while ((g = ring.get()) >= 0) r += (char)g;
    printf("%s %s\n", c.c_str(), r.find("OK") != r.npos ? "complete" : "not complete");
  }
}
