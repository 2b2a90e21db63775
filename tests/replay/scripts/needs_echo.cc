// For Sedge C; its fault: waits for the echo
#include <fcntl.h>
#include <poll.h>
#include <termios.h>
#include <unistd.h>
#include <cstdio>
#include <cstring>
#include <string>
static int fd;
static bool byte(char& c, int ms) {
  pollfd p{fd, POLLIN, 0};
  return poll(&p, 1, ms) > 0 && read(fd, &c, 1) == 1;
}
int main(int n, char** a) {
  bool good = n > 2;
  fd = open(a[1], O_RDWR | O_NOCTTY);
  termios t;
  tcgetattr(fd, &t);
  cfmakeraw(&t);
  tcsetattr(fd, TCSANOW, &t);
  for (std::string c : {"AT", "AT+FW?", "AT+CHAN=11", "AT+SIGNAL?"}) {
    std::string e;
    char x;
    tcflush(fd, TCIFLUSH);
    if (!good) {
      for (char k : c + "\r") {  // send each when the one before has come back
        if (write(fd, &k, 1) != 1) return 3;
        if (!byte(x, 1000)) {
          printf("%s: module does not echo\n", c.c_str());
          return 2;
        }
        if (x != k) {
          printf("%s: wrong echo\n", c.c_str());
          return 2;
        }
      }
    } else {
      std::string s = c + "\r";
      if (write(fd, s.data(), s.size()) < 0) return 3;
    }
    int w = 2500;
    while (byte(x, w)) {
      e += x;
      w = 300;
    }
    printf("%s: %s\n", c.c_str(), e.find("OK") != std::string::npos ? "ok" : "failed");
  }
}
