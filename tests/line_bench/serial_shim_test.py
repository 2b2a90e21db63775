"""Ports of the library for real serial ports, with the program as a person runs it, on a pty that
plays a port (serial_shim.c says how). port_guest_test.cc has the same on real drivers."""
import errno
import fcntl
import json
import mmap
import os
import pty
import select
import signal
import struct
import sys
import tempfile
import termios
import time
import tty
import unittest

import serial

HERE = os.path.dirname(os.path.abspath(__file__))
sys.path.insert(0, os.path.join(os.path.dirname(HERE), "cli"))
import bench  # noqa: E402

PORT = "/dev/ttyB0"
EVERY_BYTE = bytes(range(256))
# enum Word of serial_shim.c.
(INPUTS, OUTPUTS, CTS_EDGES, DSR_EDGES, RI_EDGES, DCD_EDGES, FRAMING, OVERRUNS, PARITY, BREAKS,
 BREAKS_SENT, OPEN_ERROR, MODE, GROUP, MEMBERSHIP, HIGHEST_BAUD, SLOW_CLOSE, CHIP, BAUD_BASE,
 SERIAL_FLAGS, OPENED, CLOSED, BREAK_ON, DTR_DROPS, RTS_DROPS) = range(25)
WORDS = 64
LOW_LATENCY = 1 << 13  # ASYNC_LOW_LATENCY of <linux/tty_flags.h>
BREAK = b"\x10b"


def as_said(text):
    """Bytes as the far end writes them."""
    return text.replace(b"\x10", b"\x10\x10")


class Shim(unittest.TestCase):
    def setUp(self):
        kept = tempfile.TemporaryDirectory(prefix="shim-")
        self.addCleanup(kept.cleanup)
        self.folder = kept.name
        self.capture = os.path.join(self.folder, "talk.witness")
        self.master, self.side = pty.openpty()
        self.addCleanup(self.unplug)
        tty.setraw(self.side)
        self.pty = os.ttyname(self.side)
        with open(os.path.join(self.folder, "state"), "w+b") as state:
            state.truncate(4 * WORDS)
            self.state = mmap.mmap(state.fileno(), 4 * WORDS)
        self.set(INPUTS, termios.TIOCM_CTS | termios.TIOCM_DSR)
        self.preloaded = {"LD_PRELOAD": os.environ["SERIAL_SHIM"], "SHIM_PORT": PORT,
                          "SHIM_PTY": self.pty, "SHIM_STATE": os.path.join(self.folder, "state"),
                          # A sanitizer's library need not come first.
                          "ASAN_OPTIONS": "verify_asan_link_order=0:" +
                                          os.environ.get("ASAN_OPTIONS", "")}

    def set(self, word, value):
        self.state[4 * word:4 * word + 4] = struct.pack("=I", value)

    def get(self, word):
        return struct.unpack("=I", self.state[4 * word:4 * word + 4])[0]

    def unplug(self):
        for name in ("side", "master"):
            if getattr(self, name) is not None:
                os.close(getattr(self, name))
                setattr(self, name, None)

    def say(self, text):
        os.write(self.master, text)

    def hear(self, size):
        got = b""
        while len(got) < size and select.select([self.master], [], [], bench.PATIENCE)[0]:
            got += os.read(self.master, 65536)
        return got

    def record(self, *arguments, port=PORT):
        running = bench.Running(bench.BYTEWITNESS, "record", *arguments, port, "-o", self.capture,
                                "--replace", "--live", "on", cwd=self.folder, **self.preloaded)
        self.addCleanup(running.end)
        running.wait_for("Ctrl-C ends", "stderr")
        return running

    def fails(self, status, *arguments):
        done = bench.run(bench.BYTEWITNESS, "record", PORT, "-o", self.capture, *arguments,
                         cwd=self.folder, **self.preloaded)
        self.assertEqual(done.returncode, status, done.stderr)
        self.assertFalse(os.path.exists(self.capture))
        return done.stderr

    def end(self, running, status=130):
        running.send(signal.SIGINT)
        self.assertEqual(running.finish(), status, running.said)

    def events(self):
        done = bench.run(bench.BYTEWITNESS, "export", self.capture, "--as", "jsonl")
        self.assertEqual(done.returncode, 0, done.stderr)
        return [json.loads(line) for line in done.stdout.splitlines()]

    def said(self):
        return b"".join(bytes.fromhex(event["hex"]) for event in self.events() if "hex" in event)

    def wait_until(self, done):
        until = time.monotonic() + bench.PATIENCE
        while not done():
            self.assertLess(time.monotonic(), until)
            select.select([], [], [], 0.002)

    def change(self, inputs, *edges):
        self.set(INPUTS, inputs)
        for edge in edges:
            self.set(edge, self.get(edge) + 1)

    def test_every_byte_comes_and_settings_are_read_back(self):
        running = self.record("--baud", "19200", "--format", "7E2")
        self.assertIn("19200 7E2", running.said["stderr"].decode())
        self.end(running)
        running = self.record("--baud", "115200")
        self.assertIn("115200 8N1", running.said["stderr"].decode())
        self.say(as_said(EVERY_BYTE) + b"end")
        running.wait_for("end")
        self.end(running)
        self.assertEqual(self.said(), EVERY_BYTE + b"end")

    def test_odd_rates_reach_the_line(self):
        for baud in (31250, 74880, 250000):
            running = self.record("--baud", str(baud))
            self.assertIn("%d 8N1" % baud, running.said["stderr"].decode())
            got = fcntl.ioctl(self.side, 0x802C542A, bytes(44))  # TCGETS2
            self.assertEqual(struct.unpack("=4I20s2I", got)[6], baud)
            self.end(running)

    def test_a_rate_that_was_not_taken_is_told(self):
        self.set(HIGHEST_BAUD, 115200)
        running = self.record("--baud", "250000")
        self.assertIn("did not take 250000 baud", running.said["stderr"].decode())
        self.end(running)

    def test_a_16550_divides_and_it_is_told(self):
        self.set(CHIP, 4)
        self.set(BAUD_BASE, 115200)
        running = self.record("--baud", "31250")
        # 115200 / 31250 = 3.69, divisor 4
        self.assertIn("did not take 31250 baud, it runs at 28800", running.said["stderr"].decode())
        self.end(running)

    def test_breaks_and_errors_stand_where_they_came(self):
        running = self.record()
        self.say(b"a" + BREAK + b"b\x10pP\x10f\xffc\xff\x10f\x00\x10od")
        running.wait_for("d")
        self.end(running)
        items = []
        for event in self.events():
            kind = event.get("kind", "bytes")
            if kind == "bytes" and items and items[-1][0] == "bytes":
                items[-1] = (kind, items[-1][1] + event["hex"])  # reads may come in any pieces
            elif kind in ("bytes", "break", "bad-byte"):
                items.append((kind, event.get("hex", "")))
        self.assertEqual(items, [("bytes", "61"), ("break", ""), ("bytes", "62"),
                                 ("bad-byte", "50"), ("bad-byte", "ff"), ("bytes", "63ff"),
                                 ("bad-byte", "00"), ("bytes", "64")])
        counts = [event for event in self.events() if event.get("kind") == "errors"]
        for name, wanted in (("framing", 2), ("parity", 1), ("overrun", 1), ("breaks", 1)):
            self.assertEqual(sum(event.get(name, 0) for event in counts), wanted, counts)

    def test_line_changes_come_as_they_happen(self):
        running = self.record()
        self.change(termios.TIOCM_CTS, DSR_EDGES)
        running.wait_for("DSR")
        self.change(termios.TIOCM_CTS | termios.TIOCM_CD, DCD_EDGES)
        running.wait_for("DCD")
        self.change(termios.TIOCM_CD, CTS_EDGES)
        running.wait_for("CTS")
        self.end(running)
        # LineBit: CTS 2, DSR 8, DCD 16.
        self.assertEqual([(event["asserted"], event["changed"]) for event in self.events()
                          if event.get("kind") == "lines"], [(2, 8), (18, 16), (16, 2)])

    def test_ringing_is_recorded_ring_by_ring(self):
        running = self.record()
        at_rest = self.get(INPUTS)
        seen = 0
        for _ in range(2):
            for inputs in (at_rest | termios.TIOCM_RI, at_rest):
                self.change(inputs, RI_EDGES)
                seen += 1
                running.wait_for("RI", times=seen)
        self.end(running)
        # LineBit: CTS 2, DSR 8, RI 32.
        self.assertEqual([(event["asserted"], event["changed"]) for event in self.events()
                          if event.get("kind") == "lines"], [(42, 32), (10, 32)] * 2)

    def test_lines_and_breaks_of_a_program_reach_the_port(self):
        running = self.record("--between", "--listen", "rfc2217://127.0.0.1:0")
        client = serial.serial_for_url(running.wait_for_line(), 57600, timeout=bench.PATIENCE)
        self.addCleanup(client.close)
        both = termios.TIOCM_DTR | termios.TIOCM_RTS
        self.wait_until(lambda: self.get(OUTPUTS) == both)
        client.rts = False
        self.wait_until(lambda: self.get(OUTPUTS) == termios.TIOCM_DTR)
        client.rts = True
        self.wait_until(lambda: self.get(OUTPUTS) == both)
        client.dtr = False
        self.wait_until(lambda: self.get(OUTPUTS) == termios.TIOCM_RTS)
        client.break_condition = True
        self.wait_until(lambda: self.get(BREAK_ON) == 1)
        client.break_condition = False
        self.wait_until(lambda: self.get(BREAK_ON) == 0)
        self.assertEqual(self.get(BREAKS_SENT), 1)
        client.write(b"after")
        self.assertEqual(self.hear(5), b"after")
        client.close()
        self.end(running)
        self.assertIn("break", [event.get("kind") for event in self.events()])
        # LineBit: RTS 1, DTR 4.
        moved = [(event.get("asserted", 0) & event["changed"], event["changed"])
                 for event in self.events()
                 if event.get("kind") == "lines" and event["side"] == "host"]
        self.assertEqual([one for one in moved if one[1] in (1, 4)][-3:], [(0, 1), (1, 1), (0, 4)])

    def test_reset_releases_the_line_that_was_named_and_no_other(self):
        for line, wanted in (("dtr", (1, 0)), ("rts", (1, 1))):
            done = bench.run(bench.BYTEWITNESS, "ask", PORT, "AT", "--ending", "cr", "--reset",
                             line, "--wait", "50ms", "--quiet", "20ms", "-o", self.capture,
                             "--replace", cwd=self.folder, **self.preloaded)
            self.assertNotIn(done.returncode, (2, 3), done.stderr)
            self.assertEqual(self.hear(3), b"AT\r")
            self.assertEqual((self.get(DTR_DROPS), self.get(RTS_DROPS)), wanted)
            bit = {"dtr": 4, "rts": 1}[line]
            moved = [event.get("asserted", 0) & bit for event in self.events()
                     if event.get("kind") == "lines" and event["changed"] == bit]
            self.assertEqual(moved, [0, bit])

    def test_opening_raises_the_lines_and_hold_lines_keeps_them(self):
        running = self.record()
        self.assertEqual(self.get(OUTPUTS), termios.TIOCM_DTR | termios.TIOCM_RTS)
        self.end(running)
        self.assertEqual(self.get(OUTPUTS), 0)
        running = self.record("--hold-lines")
        self.end(running)
        self.assertEqual(self.get(OUTPUTS), termios.TIOCM_DTR | termios.TIOCM_RTS)

    def test_low_latency_is_asked_for_and_put_back(self):
        running = self.record("--low-latency")
        self.assertEqual(self.get(SERIAL_FLAGS), LOW_LATENCY)
        self.end(running)
        self.assertEqual(self.get(SERIAL_FLAGS), 0)

    def test_between_passes_every_byte_both_ways(self):
        running = self.record("--between")
        name = running.wait_for_line()
        program = os.open(name, os.O_RDWR | os.O_NOCTTY)
        self.addCleanup(os.close, program)
        tty.setraw(program)
        os.write(program, EVERY_BYTE)
        self.assertEqual(self.hear(256), EVERY_BYTE)
        self.say(as_said(EVERY_BYTE))
        got = b""
        while len(got) < 256:
            got += os.read(program, 4096)
        self.assertEqual(got, EVERY_BYTE)
        self.end(running)

    def test_unplug_is_a_gap_and_what_came_before_is_kept(self):
        running = self.record()
        self.say(b"before")
        running.wait_for("before")
        self.unplug()
        self.assertEqual(running.finish(), 3)
        self.assertIn("unplugged", running.said["stderr"].decode())
        self.assertEqual(self.said(), b"before")
        self.assertEqual(self.events()[-1].get("kind"), "gap")

    def test_a_close_that_takes_an_hour_does_not_hang_the_program(self):
        running = self.record()
        self.set(SLOW_CLOSE, 3600)
        self.end(running)
        self.assertEqual(self.get(OPENED), self.get(CLOSED))

    def plug_in(self, **facts):
        """The port as sysfs has a USB adapter's: device and driver are links to other folders."""
        system = os.path.join(self.folder, "sys")
        usb = os.path.join(system, "devices", "usb1", "1-2")
        device = os.path.join(usb, "1-2:1.0", "ttyB0")
        driver = os.path.join(system, "bus", "drivers", "bench_sio")
        listed = os.path.join(system, "class", "tty")
        for folder in (device, driver, os.path.join(listed, "ttyB0"), os.path.join(listed, "ttyB1"),
                       os.path.join(listed, "console")):
            os.makedirs(folder)
        os.symlink(driver, os.path.join(device, "driver"))
        for name in ("ttyB0", "ttyB1"):  # there is no /dev/ttyB1
            os.symlink(device, os.path.join(listed, name, "device"))
        for folder, name, text in ((device, "latency_timer", "16"),
                                   (usb, "idVendor", "1209"), (usb, "idProduct", "0a01"),
                                   (usb, "manufacturer", facts.get("maker", "Allotment Society")),
                                   (usb, "product", facts.get("product", "Bench Adapter")),
                                   (usb, "serial", "SB-0007")):
            with open(os.path.join(folder, name), "w", encoding="utf-8") as file:
                file.write(text + "\n")
        self.preloaded["SHIM_SYS"] = listed

    def ports(self, *arguments):
        done = bench.run(bench.BYTEWITNESS, "ports", *arguments, **self.preloaded)
        self.assertEqual((done.returncode, done.stderr), (0, ""))
        return done.stdout

    def test_ports_tells_what_the_system_knows_and_opens_nothing(self):
        self.plug_in()
        self.assertEqual(self.ports(), """/dev/ttyB0
    Allotment Society, Bench Adapter
    USB ids        1209:0a01
    serial number  SB-0007
    driver         bench_sio
    latency timer  16 ms (bytes may be stamped late by so much)
    busy           python3 (process %d)
""" % os.getpid())  # which has the pty open
        self.assertEqual((self.get(OPENED), self.get(OUTPUTS)), (0, 0))

    def test_ports_says_who_records_at_one(self):
        self.plug_in()
        running = self.record()
        running.wait_for("up to 16 ms late", "stderr")
        opened = self.get(OPENED)
        [port] = json.loads(self.ports("--json"))
        self.assertTrue(port["busy"])
        self.assertIn("bytewitness (process %d)" % running.process.pid, port.pop("held_by"))
        self.assertEqual(port, {"port": PORT, "busy": True, "maker": "Allotment Society",
                                "description": "Bench Adapter", "usb_ids": "1209:0a01",
                                "serial_number": "SB-0007", "driver": "bench_sio",
                                "latency_timer_ms": 16})
        self.assertEqual(self.get(OPENED), opened)
        self.end(running)

    def test_ports_lets_no_name_of_a_device_reach_the_terminal_unescaped(self):
        self.plug_in(product="a\x1b[31mb\x07", maker="\u202egnp")
        shown = self.ports()
        self.assertIn("\\x1b[31mb\\x07", shown)
        for bad in ("\x1b", "\x07", "\u202e"):
            self.assertNotIn(bad, shown)

    def test_busy_says_who_holds_it(self):
        self.set(OPEN_ERROR, errno.EBUSY)
        words = self.fails(3)
        self.assertRegex(words, r"busy, held by python3\S* \(process %d\)" % os.getpid())

    def test_a_port_that_we_hold_ourselves_is_busy_too(self):
        running = self.record()
        other = os.path.join(self.folder, "other.witness")
        done = bench.run(bench.BYTEWITNESS, "record", PORT, "-o", other, **self.preloaded)
        self.assertEqual(done.returncode, 3)
        self.assertIn("bytewitness (process %d)" % running.process.pid, done.stderr)
        self.end(running)

    def test_no_permission_says_which_group_or_rule_is_missing(self):
        self.set(OPEN_ERROR, errno.EACCES)
        self.set(MODE, 0o660)
        self.set(GROUP, 20)
        self.assertIn("join the group dialout (sudo usermod -aG dialout $USER) and log in again",
                      self.fails(3))
        self.set(MEMBERSHIP, 1)
        self.assertIn("you have joined the group dialout, but not in this login", self.fails(3))
        self.set(MEMBERSHIP, 3)
        self.assertIn("though you are in its group dialout", self.fails(3))
        self.set(MODE, 0o600)
        words = self.fails(3)
        self.assertIn("only its owner may", words)
        self.assertIn('SUBSYSTEM=="tty", GROUP="dialout", MODE="0660"', words)


if __name__ == "__main__":
    unittest.main()
