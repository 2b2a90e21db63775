// A USB serial adapter made in user space: an FT232R as the kernel's ftdi_sio driver sees it.
//
// It is plugged into this machine's kernel through vhci-hcd (USB/IP over a socket pair), so that
// the real drivers, the real tty layer and the real sysfs stand between it and the program under
// test; and it does what no real adapter does on demand: breaks, parity, framing and overrun
// errors, modem lines, unplugging. For the guest of the line bench only (needs root and vhci-hcd).
//
// Sources of the figures: Linux Documentation/usb/usbip_protocol.rst (messages),
// drivers/usb/serial/ftdi_sio.h (requests, status bits, divisors).
// All methods may be called from any thread. Unplug() is done by the destructor too.
#pragma once

#include <condition_variable>
#include <cstdint>
#include <deque>
#include <functional>
#include <mutex>
#include <string>
#include <string_view>
#include <thread>
#include <vector>

namespace witness::line_bench {

// Bits of the second status byte that come with received data.
enum FaultBit : std::uint8_t {
  kOverrunFault = 0x02,
  kParityFault = 0x04,
  kFramingFault = 0x08,
  kBreakFault = 0x10,
};

// Bits of the first status byte.
enum InputLine : std::uint8_t {
  kCtsInput = 0x10,
  kDsrInput = 0x20,
  kRiInput = 0x40,
  kDcdInput = 0x80,
};

class EmulatedAdapter {
 public:
  // `serial_number` is its USB serial number; `slot` the port of the virtual hub, 0 to 7.
  EmulatedAdapter(std::string serial_number, int slot);
  ~EmulatedAdapter();
  EmulatedAdapter(const EmulatedAdapter&) = delete;
  EmulatedAdapter& operator=(const EmulatedAdapter&) = delete;

  // False if the kernel refused; the device node appears some milliseconds later.
  bool Plug();
  void Unplug();

  // The far end of the wire speaks: bytes for the host, with `fault` on each of them.
  void Deliver(std::string_view bytes, std::uint8_t fault = 0);
  // As Deliver, in one USB transfer per 8 packets at most; returns when the host has taken all or
  // `within_ms` has passed.
  bool DeliverAndWait(std::string_view bytes, int within_ms);
  // A break as the chip reports it: one NUL with the break bit.
  void DeliverBreak();
  // Sets the inputs (InputLine bits) and reports them.
  void SetInputs(std::uint8_t asserted);

  // Called with what the host wrote, on the adapter's thread. Set before Plug().
  std::function<void(std::string_view)> on_written;
  // While true the chip takes nothing: writes stay unfinished, as with a peer that holds CTS off.
  void HoldWrites(bool hold);

  // What the host has asked the chip for.
  struct State {
    std::string written;
    std::uint32_t baud = 0;  // what the chip makes of the divisor, rounded
    int data_bits = 0;
    int parity = 0;     // 0 none, 1 odd, 2 even, 3 mark, 4 space
    int stop_bits = 0;  // 0: 1, 1: 1.5, 2: 2
    bool break_on = false;
    int breaks = 0;  // how often it was switched on
    bool dtr = false;
    bool rts = false;
    int line_requests = 0;  // how often the host set DTR or RTS
    int dtr_edges = 0;      // how often DTR changed: on either of them boards may reset
    int latency_ms = 16;
    std::vector<int> latencies;  // every latency that was asked for
  };
  State state();
  void ClearWritten();
  // Waits until `done(state)`; false after `within_ms`.
  bool WaitFor(const std::function<bool(const State&)>& done, int within_ms);

 private:
  struct Pending {
    std::uint32_t sequence;
    std::uint32_t length;
  };
  void Serve(int socket);
  void Control(std::uint32_t sequence, bool in, std::uint32_t length, const std::uint8_t* setup);
  void VendorWrite(const std::uint8_t* setup);
  void Reply(std::uint32_t command, std::uint32_t sequence, std::int32_t status,
             std::string_view data, std::uint32_t actual, bool with_data);
  void QueueStatus();  // mutex held
  void Pump();         // mutex held
  std::string Descriptor(int type, int index) const;

  const std::string serial_number_;
  const int slot_;
  std::mutex mutex_;
  std::condition_variable changed_;
  std::thread thread_;
  int socket_ = -1;
  std::deque<Pending> waiting_in_;
  std::deque<Pending> held_out_;
  std::deque<std::string> packets_;  // with their two status bytes
  std::uint8_t inputs_ = kCtsInput | kDsrInput;
  bool hold_writes_ = false;
  State state_;
};

// The tty that the kernel made for an adapter, "/dev/ttyUSB0"; waits for it, empty after 5 s.
std::string WaitForNode(const std::string& serial_number);
// True once `path` is gone; false after `within_ms`.
bool WaitUntilGone(const std::string& path, int within_ms);

}  // namespace witness::line_bench
