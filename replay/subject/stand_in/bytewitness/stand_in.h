// A stand-in for the serial port that a sketch has its module on, for tests compiled on this
// computer: the module's replies come from a part or a capture, changed by a variation, in virtual
// time. The sketch's own code takes it as a Stream:
//
//   bytewitness::StandIn module("sedge-b.textproto", "ending=none");
//   EXPECT_EQ(SignalStrength(module), -71);           // int SignalStrength(Stream& module);
//   EXPECT_EQ(module.commands().back(), "AT+SIGNAL?\r");
//
// Each byte takes its time on the line; what is not read in time is lost, as on a board: 63 bytes
// fit (the core's receive buffer has 64 places, one stays empty). Errors are exceptions, since the
// code under test stands between the test and us: std::invalid_argument for a part or variation
// that can't be used, OutOfTime for a sketch that never comes back.
//
// Stand-ins of one thread share one clock, which begins at 0 when there was none. Not copyable; use
// it in the thread that made it.
#pragma once

#include <cstddef>
#include <cstdint>
#include <memory>
#include <stdexcept>
#include <string>
#include <string_view>
#include <vector>

#include "bytewitness/stream.h"

namespace bytewitness {

// Longer than the limit in virtual time. what() says in which call.
class OutOfTime : public std::runtime_error {
 public:
  using std::runtime_error::runtime_error;
};

// From here on in virtual time, for this thread: 60 s if nothing is said.
void limit_time(unsigned long milliseconds);

// A part (textproto, capture or profile) and the variations that are put on it: one test.
struct VariedPart {
  std::string path;
  std::string variation;  // "ending=none split=bytes"; empty: as recorded
  std::uint64_t seed = 1;
  std::string problem;  // why there are no variations; a stand-in made of it says so
};

// Every variation that `vary` asks for ("ending", "split=bytes,lines"; none: those that are tried
// by default), one at a time, as recorded first. Those of a wire (rate, jitter, ...) are not to be
// had here: a stand-in has no bits.
std::vector<VariedPart> variations_of(const std::string& path,
                                      const std::vector<std::string>& vary = {});
// With every pair of levels of two factors in some test.
std::vector<VariedPart> pairs_of_variations_of(const std::string& path,
                                               const std::vector<std::string>& vary = {});

class StandIn : public Stream {
 public:
  // A module that says nothing: a port to print to.
  StandIn();
  explicit StandIn(const VariedPart& part);
  explicit StandIn(const std::string& path, const std::string& variation = "");
  ~StandIn() override;
  StandIn(const StandIn&) = delete;
  StandIn& operator=(const StandIn&) = delete;

  // What the sketch calls, besides those of Stream. It need not: the port is open at the module's
  // rate. With another rate nothing gets through.
  void begin(unsigned long baud, std::uint8_t format = 0x06);
  void end();
  int available() override;
  int read() override;
  int peek() override;
  std::size_t write(std::uint8_t byte) override;
  using Print::write;
  int availableForWrite() override;
  void flush() override;
  explicit operator bool() const { return true; }

  // As a software port: write() waits until the byte is out, and hears nothing meanwhile.
  void like_software_port(bool software = true);
  // Several software ports: what comes while another one listens is lost.
  void set_listening(bool listening);

  // For the test. Commands as the module took them, with their endings.
  std::vector<std::string> commands() const;
  std::vector<std::string> unknown_commands() const;  // that the module didn't know
  std::string written() const;                        // every byte that the sketch wrote
  std::size_t lost() const;    // bytes of the module that the sketch never got, so far
  std::size_t unread() const;  // that lie in the receive buffer
  // The variation leaves what the sketch shows as it was. False for those with which the most that
  // may be asked is that it ends in time.
  bool same_output() const;
  // What was said so far, line by line with times, safe to print.
  std::string account() const;
  // As a capture. Throws std::runtime_error if it can't be written.
  void keep(const std::string& path) const;

 private:
  class Inside;
  std::unique_ptr<Inside> inside_;
};

}  // namespace bytewitness
