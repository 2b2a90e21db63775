// One serial line as a program sees it: a real port, a pty, a TCP connection, or a test's script.
//
// Nothing here blocks but Open and Close, and those are bounded (Close: 1 s). A Port is used by one
// thread. Bytes read are valid as long as the caller's buffer.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "capture/base/bytes.h"
#include "capture/base/line_settings.h"
#include "capture/base/result.h"

namespace witness {

enum class ReadOutcome {
  kBytes,  // `size` bytes were put into the buffer
  kNothingYet,
  kFinished,  // the other side closed in good order (a pipe, a TCP connection)
  kGone,      // unplugged or hung up
  kFailed,    // see `status`
};

// Something that came with the bytes of one read, where the port can tell. A framing and a parity
// error look the same in the byte stream of Linux (termios(3), PARMRK); the counts tell them apart.
struct ReadMark {
  enum class Kind : std::uint8_t {
    kBadByte,  // the byte at `offset` came with a parity or framing error
    kBreak,    // a break came before the byte at `offset`; `offset` may be the size of the read
  };
  Kind kind = Kind::kBadByte;
  std::size_t offset = 0;

  bool operator==(const ReadMark&) const = default;
};

// What the other side of a port has asked of the line, where it can: a program of its pty, a client
// by RFC 2217.
struct LineRequest {
  std::optional<LineSettings> settings;  // complete: what was not asked for is as before
  std::uint32_t line_mask = 0;           // LineBit: of kRts and kDtr, those to be set
  std::uint32_t line_levels = 0;         // LineBit: asserted
  std::optional<bool> break_on;

  bool operator==(const LineRequest&) const = default;
};

struct ReadResult {
  ReadOutcome outcome = ReadOutcome::kNothingYet;
  std::size_t size = 0;  // may be 0 with kBytes: then there are marks, requests or a note
  Status status = {};
  std::vector<ReadMark> marks = {};  // by offset; nearly always empty
  std::string note = {};  // what happened at the port, for the record: "client ... connected"
  std::vector<LineRequest> requests = {};  // came before the bytes; nearly always empty
  bool more = false;  // the port holds more that polling does not tell of: read again at once
};

// What the driver has counted since the port was opened.
struct LineCounts {
  std::uint32_t framing = 0;
  std::uint32_t parity = 0;
  std::uint32_t overrun = 0;         // in the UART
  std::uint32_t buffer_overrun = 0;  // in the driver
  std::uint32_t breaks = 0;

  bool operator==(const LineCounts&) const = default;
};

// LineBit (store/event.h) values, kept apart so that line/ does not need store/.
struct ModemLines {
  std::uint32_t asserted = 0;
  std::uint32_t known = 0;  // which of them this port has
};

// A change of modem lines that was noticed `ago` before it was asked for.
struct LineChange {
  Duration ago;
  std::uint32_t asserted = 0;  // LineBit: of the lines that the port hears, after the change
  std::uint32_t changed = 0;
};

class Port {
 public:
  virtual ~Port() = default;

  // As a person knows it: "/dev/ttyUSB0". Hostile text.
  virtual std::string name() const = 0;

  // Sets the line and reads back what was taken.
  virtual Result<LineSettings> Configure(const LineSettings& settings) = 0;

  virtual ReadResult Read(std::span<char> buffer) = 0;
  // True if a read would give something that polling the handle does not tell of: what came while
  // the port waited for something else, an answer to Configure() say.
  virtual bool Holding() const { return false; }

  // How many bytes were taken; 0: none now, try again when the port is writable.
  virtual Result<std::size_t> Write(ByteView bytes) = 0;

  // Bytes that were taken and wait inside the port, and sends what can be sent of them now. Only
  // ports that dress up what they send hold any.
  virtual std::size_t Unsent() const { return 0; }
  virtual Status SendUnsent() { return OkStatus(); }

  virtual Result<ModemLines> Lines() = 0;
  virtual Status SetLines(std::uint32_t mask, std::uint32_t asserted) = 0;
  virtual Status SendBreak(Duration length) = 0;
  // Begins or ends a break, without waiting. Bytes that are still on their way may be spoilt: see
  // Draining().
  virtual Status SetBreak(bool) {
    return Status(Code::kUnsupported, name() + ": no breaks can be sent");
  }
  // How many bytes the driver still has to send; 0 where that cannot be told.
  virtual std::size_t Draining() { return 0; }

  // For the port at which a program or client sits: what became of its request for settings, and
  // how the module's lines stand (LineBit: kCts kDsr kDcd kRi). Shown to it as far as the port can.
  virtual void ShowSettings(const LineSettings&) {}
  // `changed`: which have just changed; only these are set on a port that has lines of its own.
  virtual void ShowLines(std::uint32_t /*asserted*/, std::uint32_t /*changed*/) {}
  // What it has asked for other than by reads, oldest first: a program sets its side of a pty.
  virtual std::vector<LineRequest> TakeRequests() { return {}; }

  // False where the driver counts nothing (ptys, TCP). Cheap: called after every read.
  virtual bool Counts(LineCounts&) { return false; }

  // Begins to watch the modem lines that the port hears: returns a descriptor that is readable when
  // TakeLineChanges() has something, or -1 if they come with reads. kUnsupported where there are
  // none.
  virtual Result<int> WatchLines() {
    return Status(Code::kUnsupported, name() + ": no modem lines to watch");
  }
  // Changes since the call before, oldest first.
  virtual std::vector<LineChange> TakeLineChanges() { return {}; }

  // Descriptor to poll; -1 for ports that a test's virtual driver serves. Only line/ uses it.
  virtual int poll_handle() const = 0;

  virtual Status Close() = 0;
};

}  // namespace witness
