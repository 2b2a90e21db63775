// Preloaded into the program under test (LD_PRELOAD), lets a pty play a serial port, so that the
// whole way through libserialport is tested in milliseconds. serial_shim_test.py has the other end.
//
//   SHIM_PORT   the name of the port that is played: /dev/ttyB0
//   SHIM_PTY    the pty's program side
//   SHIM_SYS    a folder that is looked at in place of /sys/class/tty; may be missing
//   SHIM_STATE  a file of kWords 32-bit words, mapped by both: enum Word
//
// The far end writes to the pty's master; after a DLE (10) comes what no byte can say: 'b' a break,
// 'f' or 'p' and a byte: that byte with a framing or parity error, 'o' an overrun, DLE itself.
// Facts of real drivers that it keeps (measured on 8250 and ftdi_sio): after an unplug read gives 0
// and every ioctl EIO; with PARMRK a break is FF 00 00, a bad byte FF 00 and it, FF is FF FF;
// opening raises DTR and RTS, the last close drops them if HUPCL is set; TIOCMIWAIT returns at a
// change.
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <grp.h>
#include <limits.h>
#include <linux/serial.h>
#include <pwd.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

enum Word {
  kInputs,  // TIOCM_CTS and so on
  kOutputs,
  kCtsEdges,
  kDsrEdges,
  kRiEdges,
  kDcdEdges,
  kFraming,
  kOverruns,
  kParity,
  kBreaks,
  kBreaksSent,
  kOpenError,  // errno of open; 0: opens
  kMode,       // as stat tells it; 0: the pty's
  kGroup,
  kMembership,   // 1: the group's list names us; 2: so does this login
  kHighestBaud,  // faster ones are accepted and not set; 0: all are set
  kSlowClose,    // seconds that close waits, unless a signal comes
  kChip,         // type of TIOCGSERIAL; 4: 16550A
  kBaudBase,
  kSerialFlags,
  kOpened,
  kClosed,
  kBreakOn,   // 1 while a break is being sent
  kDtrDrops,  // how often DTR was released while open
  kRtsDrops,
  kWords = 64,
};

enum { kMostDescriptors = 1024, kDle = 0x10 };

// struct termios2 of <asm/termbits.h>, which cannot be included beside <termios.h>.
struct Settings {
  uint32_t iflag, oflag, cflag, lflag;
  uint8_t line, cc[19];
  uint32_t ispeed, ospeed;
};
#define GET_SETTINGS _IOR('T', 0x2A, struct Settings)
#define SET_SETTINGS _IOW('T', 0x2B, struct Settings)
#define MARK_OR_SPACE 010000000000u

static volatile uint32_t* state;
static char mine[kMostDescriptors];
static int open_now;
static uint32_t cflag = CS8 | CREAD | HUPCL | B9600;
static uint32_t iflag;
static uint32_t baud = 9600;
static unsigned char pending[2];  // of a DLE sequence that a read cut off
static int pending_size;

#define REAL(name, type)        \
  static __typeof__(type) real; \
  if (real == NULL) *(void**)(&real) = dlsym(RTLD_NEXT, name)

static const char* Port(void) {
  static const char* port;
  if (port == NULL) {
    port = getenv("SHIM_PORT");
    const char* path = getenv("SHIM_STATE");
    REAL("open", int (*)(const char*, int, ...));
    const int fd = path != NULL ? real(path, O_RDWR | O_CLOEXEC) : -1;
    void* map = mmap(NULL, kWords * 4, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    if (port == NULL || getenv("SHIM_PTY") == NULL || map == MAP_FAILED) abort();
    state = map;
  }
  return port;
}

static int IsPort(const char* path) { return path != NULL && strcmp(path, Port()) == 0; }
static int IsMine(int fd) { return fd >= 0 && fd < kMostDescriptors && mine[fd]; }
static int Fail(int error) {
  errno = error;
  return -1;
}

// Where the system's list of ports is looked for; `path` itself if it is none of that list.
static const char* Listed(const char* path, char to[PATH_MAX]) {
  static const char kFolder[] = "/sys/class/tty";
  const char* instead = getenv("SHIM_SYS");
  if (instead == NULL || path == NULL || strncmp(path, kFolder, sizeof kFolder - 1) != 0)
    return path;
  const int size = snprintf(to, PATH_MAX, "%s%s", instead, path + sizeof kFolder - 1);
  if (size < 0 || size >= PATH_MAX) abort();
  return to;
}

int openat(int folder, const char* path, int flags, ...) {
  va_list more;
  va_start(more, flags);
  const unsigned mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(more, unsigned) : 0;
  va_end(more);
  char instead[PATH_MAX];
  REAL("openat", int (*)(int, const char*, int, ...));
  return real(folder, Listed(path, instead), flags, mode);
}

FILE* fopen64(const char* restrict path, const char* restrict mode) {
  char instead[PATH_MAX];
  REAL("fopen64", FILE* (*)(const char*, const char*));
  return real(Listed(path, instead), mode);
}

static int OpenPort(int flags) {
  REAL("open", int (*)(const char*, int, ...));
  if (state[kOpenError] != 0) return Fail((int)state[kOpenError]);
  const int fd = real(getenv("SHIM_PTY"), flags | O_NOCTTY);
  if (fd < 0) return fd;
  if (fd < kMostDescriptors) mine[fd] = 1;
  if (open_now++ == 0) state[kOutputs] |= TIOCM_DTR | TIOCM_RTS;
  ++state[kOpened];
  return fd;
}

int open(const char* path, int flags, ...) {
  va_list more;
  va_start(more, flags);
  const unsigned mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(more, unsigned) : 0;
  va_end(more);
  if (IsPort(path)) return OpenPort(flags);
  REAL("open", int (*)(const char*, int, ...));
  return real(path, flags, mode);
}

int __open_2(const char* path, int flags);
int __open_2(const char* path, int flags) { return open(path, flags); }

int close(int fd) {
  REAL("close", int (*)(int));
  if (!IsMine(fd)) return real(fd);
  mine[fd] = 0;
  if (--open_now == 0) {
    if (state[kSlowClose] > 0) {
      const struct timespec wait = {state[kSlowClose], 0};
      nanosleep(&wait, NULL);  // ended by a signal, as the wait in a driver
    }
    if (cflag & HUPCL) state[kOutputs] = 0;
  }
  ++state[kClosed];
  return real(fd);
}

char* realpath(const char* restrict path, char* restrict to) {
  if (IsPort(path)) return to != NULL ? strcpy(to, path) : strdup(path);
  char instead[PATH_MAX];
  REAL("realpath", char* (*)(const char*, char*));
  return real(Listed(path, instead), to);
}

int stat(const char* restrict path, struct stat* restrict out) {
  char instead[PATH_MAX];
  REAL("stat", int (*)(const char*, struct stat*));
  if (!IsPort(path)) return real(Listed(path, instead), out);
  const int result = real(getenv("SHIM_PTY"), out);
  if (result == 0 && state[kMode] != 0) {
    out->st_mode = (out->st_mode & (mode_t)S_IFMT) | state[kMode];
    out->st_gid = state[kGroup];
  }
  return result;
}

// Where the library asks whether there is such a port.
static int IsSystemEntry(const char* path) {
  static const char kFolder[] = "/sys/class/tty/";
  return path != NULL && strncmp(path, kFolder, sizeof kFolder - 1) == 0 &&
         strcmp(path + sizeof kFolder - 1, strrchr(Port(), '/') + 1) == 0;
}

int __lxstat(int version, const char* path, struct stat* out);
int __lxstat(int version, const char* path, struct stat* out) {
  REAL("__lxstat", int (*)(int, const char*, struct stat*));
  if (!IsSystemEntry(path)) return real(version, path, out);
  memset(out, 0, sizeof *out);
  out->st_mode = S_IFLNK | 0777;
  return 0;
}

ssize_t readlink(const char* restrict path, char* restrict to, size_t size) {
  REAL("readlink", ssize_t(*)(const char*, char*, size_t));
  if (!IsSystemEntry(path)) return real(path, to, size);
  static const char kLeadsTo[] = "../../devices/platform/bench/tty/ttyB0";
  const size_t length = sizeof kLeadsTo - 1 < size ? sizeof kLeadsTo - 1 : size;
  memcpy(to, kLeadsTo, length);
  return (ssize_t)length;
}

struct group* getgrgid(gid_t id) {
  REAL("getgrgid", struct group * (*)(gid_t));
  if (Port() == NULL || state[kMode] == 0 || id != state[kGroup] || id == 0) return real(id);
  static struct group out;
  static char name[] = "dialout";
  static char* members[2];
  const struct passwd* me = getpwuid(geteuid());
  members[0] = state[kMembership] & 1 && me != NULL ? me->pw_name : NULL;
  out.gr_name = name;
  out.gr_gid = id;
  out.gr_mem = members;
  return &out;
}

int getgroups(int size, gid_t list[]) {
  REAL("getgroups", int (*)(int, gid_t*));
  if (Port() == NULL || state[kMode] == 0) return real(size, list);
  if (!(state[kMembership] & 2)) return 0;
  if (size > 0) list[0] = state[kGroup];
  return 1;
}

static const uint32_t kHeld = CSIZE | PARENB | PARODD | CSTOPB | HUPCL | CRTSCTS | MARK_OR_SPACE;

int tcgetattr(int fd, struct termios* out) {
  REAL("tcgetattr", int (*)(int, struct termios*));
  const int result = real(fd, out);
  if (result != 0 || !IsMine(fd)) return result;
  out->c_cflag = (out->c_cflag & ~kHeld) | (cflag & kHeld);
  out->c_iflag |= iflag & (PARMRK | INPCK);
  return 0;
}

int tcsetattr(int fd, int when, const struct termios* wanted) {
  REAL("tcsetattr", int (*)(int, int, const struct termios*));
  if (!IsMine(fd)) return real(fd, when, wanted);
  cflag = wanted->c_cflag;
  iflag = wanted->c_iflag;
  struct termios passed = *wanted;
  passed.c_iflag &= ~(tcflag_t)(PARMRK | INPCK);  // marked by Translate
  // The C library looks whether the kernel took these; of a pty it does not.
  passed.c_cflag = (passed.c_cflag & ~(tcflag_t)(CSIZE | PARENB)) | CS8;
  return real(fd, when, &passed);
}

static int WaitForLines(int fd, int (*real)(int, unsigned long, ...)) {
  const uint32_t before = state[kCtsEdges] + state[kDsrEdges] + state[kRiEdges] + state[kDcdEdges];
  for (;;) {
    int left = 0;
    if (state[kCtsEdges] + state[kDsrEdges] + state[kRiEdges] + state[kDcdEdges] != before)
      return 0;
    if (real(fd, TIOCOUTQ, &left) != 0) return Fail(EIO);
    const struct timespec wait = {0, 500 * 1000};
    if (nanosleep(&wait, NULL) != 0) return Fail(EINTR);
  }
}

static void SetOutputs(uint32_t outputs) {
  const uint32_t released = state[kOutputs] & ~outputs;
  if (released & TIOCM_DTR) ++state[kDtrDrops];
  if (released & TIOCM_RTS) ++state[kRtsDrops];
  state[kOutputs] = outputs & (TIOCM_RTS | TIOCM_DTR);
}

int ioctl(int fd, unsigned long request, ...) {
  va_list more;
  va_start(more, request);
  void* with = va_arg(more, void*);
  va_end(more);
  REAL("ioctl", int (*)(int, unsigned long, ...));
  int left = 0;
  if (!IsMine(fd)) return real(fd, request, with);
  if (real(fd, TIOCOUTQ, &left) != 0) return Fail(EIO);
  switch (request) {
    case TIOCMGET:
      *(int*)with = (int)(state[kInputs] | state[kOutputs]);
      return 0;
    case TIOCMSET:
      SetOutputs(*(unsigned*)with);
      return 0;
    case TIOCMBIS:
      SetOutputs(state[kOutputs] | *(unsigned*)with);
      return 0;
    case TIOCMBIC:
      SetOutputs(state[kOutputs] & ~*(unsigned*)with);
      return 0;
    case TIOCSBRK:
      ++state[kBreaksSent];
      state[kBreakOn] = 1;
      return 0;
    case TIOCCBRK:
      state[kBreakOn] = 0;
      return 0;
    case TIOCMIWAIT:
      return WaitForLines(fd, real);
    case TIOCGICOUNT: {
      struct serial_icounter_struct* out = with;
      memset(out, 0, sizeof *out);
      out->cts = (int)state[kCtsEdges];
      out->dsr = (int)state[kDsrEdges];
      out->rng = (int)state[kRiEdges];
      out->dcd = (int)state[kDcdEdges];
      out->frame = (int)state[kFraming];
      out->overrun = (int)state[kOverruns];
      out->parity = (int)state[kParity];
      out->brk = (int)state[kBreaks];
      return 0;
    }
    case TIOCGSERIAL: {
      struct serial_struct* out = with;
      memset(out, 0, sizeof *out);
      out->type = (int)state[kChip];
      out->baud_base = (int)state[kBaudBase];
      out->flags = (int)state[kSerialFlags];
      return 0;
    }
    case TIOCSSERIAL:
      state[kSerialFlags] = (uint32_t)((struct serial_struct*)with)->flags;
      return 0;
    case GET_SETTINGS: {
      const int result = real(fd, request, with);
      struct Settings* out = with;
      if (result != 0) return result;
      out->cflag = (out->cflag & ~kHeld) | (cflag & kHeld);
      out->iflag |= iflag & (PARMRK | INPCK);
      if (state[kHighestBaud] != 0 && out->ospeed > state[kHighestBaud])
        out->ispeed = out->ospeed = baud;
      return 0;
    }
    case SET_SETTINGS: {
      struct Settings passed = *(struct Settings*)with;
      cflag = passed.cflag;
      iflag = passed.iflag;
      if (state[kHighestBaud] == 0 || passed.ospeed <= state[kHighestBaud]) baud = passed.ospeed;
      passed.iflag &= ~(uint32_t)(PARMRK | INPCK);
      return real(fd, request, &passed);
    }
    default:
      return real(fd, request, with);
  }
}

// What a driver and the line discipline make of what came, in `to`; what a DLE began that has not
// ended waits.
static size_t Translate(const unsigned char* from, size_t size, unsigned char* to) {
  const int marks = (iflag & PARMRK) != 0;
  size_t n = 0;
  for (size_t i = 0; i < size; ++i) {
    const unsigned char c = from[i];
    const int last = pending_size > 0 ? pending[pending_size - 1] : -1;
    if (pending_size == 0 && c == kDle) {
      pending[pending_size++] = c;
    } else if (last == kDle && pending_size == 1 && (c == 'f' || c == 'p')) {
      pending[pending_size++] = c;
    } else {
      const int bad = pending_size == 2;
      const int said = bad || pending_size == 0 || c == kDle;
      if (bad) ++state[last == 'f' ? kFraming : kParity];
      if (!said && c == 'o') ++state[kOverruns];
      if (!said && c == 'b') ++state[kBreaks];
      const int is_break = !said && c == 'b';
      pending_size = 0;
      if (marks && (bad || is_break)) to[n++] = 0xFF, to[n++] = 0;
      if (is_break) to[n++] = 0;
      if (said && marks && !bad && c == 0xFF) to[n++] = 0xFF;
      if (said) to[n++] = c;
    }
  }
  return n;
}

ssize_t read(int fd, void* to, size_t size) {
  REAL("read", ssize_t(*)(int, void*, size_t));
  if (!IsMine(fd) || size < 3) return real(fd, to, size);
  for (;;) {
    unsigned char raw[4096];
    const ssize_t n = real(fd, raw, size / 3 < sizeof raw ? size / 3 : sizeof raw);
    if (n < 0) return errno == EIO ? 0 : n;
    const size_t out = Translate(raw, (size_t)n, to);
    if (out > 0 || n == 0) return (ssize_t)out;
  }
}
