"""Every way to tap a line that needs no hardware, with the program as a person runs it. Serial ports
of programs on trial are python3-serial's, whose RFC 2217 client is no work of ours."""
import fcntl
import json
import os
import pty
import select
import signal
import socket
import struct
import tempfile
import time
import tty
import unittest

import serial
import serial.rfc2217

import bench

EVERY_BYTE = bytes(range(256))


class Line:
    """A pty that plays a port: what the program opens is `port`, the far end of the wire is ours."""

    def __init__(self, link=None):
        self.master, side = pty.openpty()
        tty.setraw(side)
        self.port = os.ttyname(side)
        self.side = side
        self.link = link
        if link:
            os.symlink(self.port, link)
            self.port = link

    def say(self, text):
        while text:
            select.select([], [self.master], [], bench.PATIENCE)
            text = text[os.write(self.master, text):]

    def hear(self, size, patience=bench.PATIENCE):
        got = b""
        until = time.monotonic() + patience
        while len(got) < size:
            ready, _, _ = select.select([self.master], [], [], max(0.0, until - time.monotonic()))
            if not ready:
                break
            got += os.read(self.master, 65536)
        return got

    def let_go(self):
        """Our own hold on the program's side, so that closing the master is an unplug."""
        os.close(self.side)
        self.side = None

    def unplug(self):
        os.close(self.master)
        self.master = None
        if self.link:
            os.unlink(self.link)

    def baud(self):
        """The rate that was set, whatever it is (struct termios2 of <asm/termbits.h>)."""
        return struct.unpack("=4I20s2I", fcntl.ioctl(self.side, 0x802C542A, bytes(44)))[6]

    def close(self):
        for descriptor in (self.master, self.side):
            if descriptor is not None:
                os.close(descriptor)


class Taps(unittest.TestCase):
    def setUp(self):
        self.kept = tempfile.TemporaryDirectory(prefix="taps-")
        self.addCleanup(self.kept.cleanup)
        self.folder = self.kept.name
        self.capture = self.path("talk.witness")

    def path(self, name):
        return os.path.join(self.folder, name)

    def line(self, link=None):
        out = Line(self.path(link) if link else None)
        self.addCleanup(out.close)
        return out

    def record(self, *arguments, **more):
        running = bench.Running(bench.BYTEWITNESS, "record", *arguments, cwd=self.folder, **more)
        self.addCleanup(running.end)
        running.wait_for("Ctrl-C ends", "stderr")
        return running

    def end(self, running, status=130):
        running.send(signal.SIGINT)
        self.assertEqual(running.finish(), status, running.said)

    def events(self, capture=None):
        done = bench.run(bench.BYTEWITNESS, "export", capture or self.capture, "--as", "jsonl")
        self.assertEqual(done.returncode, 0, done.stderr)
        return [json.loads(line) for line in done.stdout.splitlines()]

    def said(self, side, capture=None):
        return b"".join(bytes.fromhex(event["hex"]) for event in self.events(capture)
                        if event.get("side") == side and "hex" in event)

    def notes(self, capture=None):
        return [event["text"] for event in self.events(capture) if event.get("kind") == "note"]

    def wait_until(self, done):
        until = time.monotonic() + bench.PATIENCE
        while not done():
            self.assertLess(time.monotonic(), until)
            select.select([], [], [], 0.01)

    def test_two_taps_in_one_capture_in_the_order_of_the_clock(self):
        module, host = self.line(), self.line()
        running = self.record(module.port, "--far", host.port, "-o", self.capture)
        for number in range(2):
            host.say(b"AT%d\r" % number)
            self.wait_until(lambda: self.seen(4 * number + (number + 1) * 4))
            module.say(b"OK%d\n" % number)
            self.wait_until(lambda: self.seen((number + 1) * 8))
        self.end(running)
        sides = [event["side"] for event in self.events()]
        self.assertEqual(sides, ["host", "module"] * 2)
        self.assertEqual(self.said("host"), b"AT0\rAT1\r")
        self.assertEqual(self.said("module"), b"OK0\nOK1\n")
        self.assertEqual(module.hear(1, 0), b"", "listening never sends")
        self.assertEqual(host.hear(1, 0), b"")

    def seen(self, size):
        """Whether so many bytes are in the file already (it is flushed four times a second)."""
        done = bench.run(bench.BYTEWITNESS, "export", self.capture, "--as", "jsonl")
        got = sum(len(json.loads(line).get("hex", "")) // 2 for line in done.stdout.splitlines())
        return got >= size

    def test_side_says_which_of_two_taps_is_the_hosts(self):
        first, second = self.line(), self.line()
        running = self.record(first.port, "--far", second.port, "--side", "host", "-o",
                              self.capture)
        first.say(b"asked")
        second.say(b"answered")
        self.wait_until(lambda: self.seen(13))
        self.end(running)
        self.assertEqual(self.said("host"), b"asked")
        self.assertEqual(self.said("module"), b"answered")

    def test_between_two_ports(self):
        module, host = self.line(), self.line()
        running = self.record("--between", module.port, host.port, "-o", self.capture)
        host.say(EVERY_BYTE)
        self.assertEqual(module.hear(256), EVERY_BYTE)
        module.say(EVERY_BYTE[::-1])
        self.assertEqual(host.hear(256), EVERY_BYTE[::-1])
        self.end(running)
        running.wait_for("passed on within", "stderr")
        running.wait_for("99 % within", "stderr")
        self.assertEqual(self.said("host"), EVERY_BYTE)
        self.assertEqual(self.said("module"), EVERY_BYTE[::-1])

    def test_rate_that_the_program_sets_is_set_at_the_port(self):
        module = self.line()
        running = self.record("--between", module.port, "--link", "sketch-port", "-o", self.capture)
        with serial.Serial(self.path("sketch-port"), 115200, timeout=bench.PATIENCE) as program:
            program.write(b"AT\r\n")
            self.assertEqual(module.hear(4), b"AT\r\n")
            self.assertEqual(module.baud(), 115200)
            program.baudrate = 19200
            self.wait_until(lambda: module.baud() == 19200)
            module.say(b"OK\r\n")
            self.assertEqual(program.read(4), b"OK\r\n")
        self.end(running)
        self.assertEqual(self.notes(), ["host asks for 115200 8N1", "host asks for 19200 8N1"])

    def test_a_tcp_client_and_a_port(self):
        module = self.line()
        running = self.record("--between", module.port, "--listen", "0", "-o", self.capture)
        address = running.wait_for_line()
        self.assertRegex(address, r"^127\.0\.0\.1:\d+$", "loopback if nothing else was asked for")
        self.assertNotIn("caution", running.said["stderr"].decode())
        for turn in range(2):  # one client after the other
            with socket.create_connection(("127.0.0.1", int(address.split(":")[1]))) as client:
                client.sendall(EVERY_BYTE)
                self.assertEqual(module.hear(256), EVERY_BYTE)
                module.say(b"OK")
                self.assertEqual(client.recv(2, socket.MSG_WAITALL), b"OK")
        self.end(running)
        self.assertEqual(self.said("host"), EVERY_BYTE * 2)
        self.assertEqual(self.said("module"), b"OKOK")
        self.assertEqual(len([note for note in self.notes() if "connected" in note]), 2)

    def test_whoever_can_reach_it_is_said(self):
        module = self.line()
        running = self.record("--between", module.port, "--listen", "0.0.0.0:0")
        self.assertIn("whoever reaches this machine", running.said["stderr"].decode())
        self.end(running)

    def test_rfc2217_server_for_a_foreign_client(self):
        module = self.line()
        running = self.record("--between", module.port, "--listen", "rfc2217://127.0.0.1:0", "-o",
                              self.capture)
        address = running.wait_for_line()
        client = serial.serial_for_url(address, 57600, timeout=bench.PATIENCE)
        self.addCleanup(client.close)
        client.write(EVERY_BYTE)
        self.assertEqual(module.hear(256), EVERY_BYTE)
        self.assertEqual(module.baud(), 57600)
        module.say(EVERY_BYTE[::-1])
        self.assertEqual(client.read(256), EVERY_BYTE[::-1])
        client.dtr = False
        client.send_break(0.01)
        client.write(b"after")
        self.assertEqual(module.hear(5), b"after")
        client.close()
        self.end(running)
        self.assertEqual(self.said("host"), EVERY_BYTE + b"after")
        kinds = [event.get("kind") for event in self.events()]
        self.assertIn("break", kinds)
        self.assertTrue(any(event.get("kind") == "lines" and event["side"] == "host"
                            for event in self.events()))

    def test_port_of_another_machine_is_recorded(self):
        """Our client at our server: its port is then a PORT like any other."""
        module = self.line()
        server = self.record("--between", module.port, "--listen", "rfc2217://127.0.0.1:0", "-o",
                             self.path("server.witness"))
        address = server.wait_for_line()
        client = self.record("--between", address, "--link", "far-port", "--baud", "38400", "-o",
                             self.capture)
        with serial.Serial(self.path("far-port"), 38400, timeout=bench.PATIENCE) as program:
            program.write(EVERY_BYTE)
            self.assertEqual(module.hear(256), EVERY_BYTE)
            self.assertEqual(module.baud(), 38400)
            module.say(EVERY_BYTE[::-1])
            self.assertEqual(program.read(256), EVERY_BYTE[::-1])
        self.end(client)
        self.end(server)
        for capture in (self.capture, self.path("server.witness")):
            self.assertEqual(self.said("host", capture), EVERY_BYTE)
            self.assertEqual(self.said("module", capture), EVERY_BYTE[::-1])

    def test_port_that_goes_away_is_waited_for(self):
        first = self.line("module")
        running = self.record(first.port, "--side", "module", "--on-unplug", "wait", "-o",
                              self.capture)
        first.let_go()
        first.say(b"before")
        self.wait_until(lambda: self.seen(6))
        first.unplug()
        running.wait_for("is gone; recording goes on when it is back", "stderr")
        again = self.line("module")
        running.wait_for("is back after", "stderr")
        again.say(b"after")
        self.wait_until(lambda: self.seen(11))
        self.end(running)
        events = self.events()
        self.assertEqual([event.get("kind", "bytes") for event in events],
                         ["bytes", "gap", "note", "bytes"])
        self.assertEqual(events[1]["reason"], 2)  # GapReason of proto/capture.proto
        self.assertRegex(events[2]["text"], r"module is back after \d")

    def test_port_that_goes_away_ends_it_if_not_asked_to_wait(self):
        module = self.line()
        running = self.record(module.port, "-o", self.capture)
        module.let_go()
        module.say(b"x")
        self.wait_until(lambda: self.seen(1))
        module.unplug()
        self.assertEqual(running.finish(), 3)
        self.assertIn("unplugged or hung up", running.said["stderr"].decode())
        self.assertEqual(bench.run(bench.BYTEWITNESS, "verify", self.capture).returncode, 0)

    def test_long_run_in_several_files_loses_nothing_between_them(self):
        module = self.line()
        running = self.record(module.port, "--side", "module", "--split-every", "1s", "-o",
                              self.capture)
        sent = b""
        until = time.monotonic() + 3.5
        while time.monotonic() < until:
            sent += b"%06d\n" % (len(sent) // 7)
            module.say(sent[-7:])
            select.select([], [], [], 0.02)
        self.wait_until(lambda: os.path.exists(self.path("talk-0002.witness")))
        select.select([], [], [], 0.3)
        self.end(running)
        files = sorted(name for name in os.listdir(self.folder) if name.startswith("talk-"))
        self.assertGreaterEqual(len(files), 2)
        self.assertEqual(b"".join(self.said("module", self.path(name)) for name in files), sent)
        for name in files:
            self.assertEqual(bench.run(bench.BYTEWITNESS, "verify", self.path(name)).returncode, 0)
        self.assertIn("continues talk-0001.witness", self.notes(self.path(files[1])))

    def test_disk_that_is_nearly_full_ends_it_with_the_file_whole(self):
        module = self.line()
        running = bench.Running(bench.BYTEWITNESS, "record", module.port, "--keep-free",
                                "900000GB", "-o", self.capture)
        self.addCleanup(running.end)
        self.assertEqual(running.finish(), 3)
        self.assertRegex(running.said["stderr"].decode(), r"the disk has only \S+ \S+ left")
        self.assertEqual(bench.run(bench.BYTEWITNESS, "verify", self.capture).returncode, 0)

    def test_quiet_live_shows_what_happens_but_no_bytes(self):
        first = self.line("module")
        running = self.record(first.port, "--quiet-live", "--on-unplug", "wait", "-o", self.capture)
        first.let_go()
        first.say(b"many bytes")
        self.wait_until(lambda: self.seen(10))
        first.unplug()
        running.wait_for("gap: the port went away")
        self.end(running)
        self.assertNotIn("many", running.said["stdout"].decode())

    def test_two_that_do_not_go_together(self):
        one, two = self.line(), self.line()
        for arguments, said in (
                ([one.port, two.port], "--between passes on"),
                ([one.port, "--far", one.port], "same one"),
                (["--between", one.port, "--far", two.port], "give one of them"),
                (["--between", one.port, two.port, "--link", "x"], "one program's side"),
                ([one.port, "--listen", "0"], "give both"),
                ([one.port, "--split-every", "often"], "--split-every"),
                (["--between", one.port, "--listen", "nowhere:x"], "HOST:PORT")):
            done = bench.run(bench.BYTEWITNESS, "record", *arguments, cwd=self.folder)
            self.assertEqual(done.returncode, 2, arguments)
            self.assertIn(said, done.stderr)
        self.assertEqual(os.listdir(self.folder), [])

    def test_busy_port_says_who_has_it(self):
        module = self.line()
        running = self.record(module.port, "-o", self.capture)
        done = bench.run(bench.BYTEWITNESS, "record", module.port, "-o", self.path("second"))
        self.assertEqual(done.returncode, 3)
        self.assertRegex(done.stderr, r"busy, held by .*bytewitness \(process %d\)" %
                         running.process.pid)
        self.end(running)


if __name__ == "__main__":
    unittest.main()
