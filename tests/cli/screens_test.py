"""What a person sees and types at a terminal: talk, and the live account of record."""
import fcntl
import os
import pty
import re
import select
import signal
import struct
import subprocess
import tempfile
import termios
import time
import unittest

import bench


class Terminal:
    """A program at a terminal of 100 columns; `seen` is all that it wrote there."""

    def __init__(self, *arguments, cwd):
        self.keys, side = pty.openpty()
        fcntl.ioctl(side, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 100, 0, 0))
        self.process = subprocess.Popen(arguments, cwd=cwd, env=bench.environment(), stdin=side,
                                        stdout=side, stderr=side, start_new_session=True,
                                        preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0))
        os.close(side)
        self.seen = ""

    def _read(self, until):
        ready, _, _ = select.select([self.keys], [], [], max(0.0, until - time.monotonic()))
        try:
            piece = os.read(self.keys, 65536) if ready else b""
        except OSError:  # the program has closed the other side
            piece = b""
        self.seen += piece.decode("utf-8", "replace")
        return piece != b""

    def wait_for(self, pattern, patience=bench.PATIENCE):
        until = time.monotonic() + patience
        while not re.search(pattern, self.seen):
            if not self._read(until):
                raise bench.BenchError("waited for %s; seen: %s" % (pattern, self.seen))

    def type(self, text):
        os.write(self.keys, text.encode())

    def finish(self, patience=bench.PATIENCE):
        until = time.monotonic() + patience
        while self._read(until):
            pass
        return self.process.wait(max(0.1, until - time.monotonic()))

    def __enter__(self):
        return self

    def __exit__(self, *_):
        if self.process.poll() is None:
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait()
        os.close(self.keys)


class Screens(unittest.TestCase):
    def setUp(self):
        kept = tempfile.TemporaryDirectory(prefix="screens-")
        self.addCleanup(kept.cleanup)
        self.folder = kept.name
        company = bench.Company(self.folder)
        self.addCleanup(company.__exit__)
        self.port = company.play("sedge-c.textproto", "module")

    def path(self, name):
        return os.path.join(self.folder, name)

    def at_terminal(self, *arguments):
        return Terminal(bench.BYTEWITNESS, *arguments, "-o", self.path("t.witness"),
                        cwd=self.folder)

    def events(self):
        done = bench.run(bench.BYTEWITNESS, "verify", self.path("t.witness"))
        self.assertEqual(done.returncode, 0, done.stdout)
        return bench.run(bench.BYTEWITNESS, "export", self.path("t.witness"), "--as",
                         "text").stdout

    def test_talking(self):
        with self.at_terminal("talk", self.port, "--ending", "cr") as talk:
            talk.wait_for(r"\[cr\]")
            talk.type("AT\r")
            talk.wait_for("module  OK␍")
            talk.type(":lf AT+FW?\r")
            talk.wait_for(r"host +AT\+FW\?␊")
            talk.type(":note the red wire is loose\r")
            talk.wait_for(r"\(the red wire is loose\)")
            talk.type("AT\\q\r")
            talk.wait_for("not sent")
            talk.type(":nonsense\r")
            talk.wait_for("there is no :nonsense")
            talk.type("\x03")  # Ctrl-C
            self.assertEqual(talk.finish(), 130, talk.seen)
        said = self.events()
        for words in ("host    AT␍", "host    AT+FW?␊", "the red wire is loose"):
            self.assertIn(words, said)
        self.assertNotIn("nonsense", said)

    def test_talk_ends_when_told(self):
        with self.at_terminal("talk", self.port) as talk:
            talk.wait_for(r"\[none\]")
            talk.type(":end\r")
            self.assertEqual(talk.finish(), 0, talk.seen)
        self.assertEqual(self.events(), "")

    def test_recording_shows_what_is_said_and_takes_notes(self):
        with self.at_terminal("record", "--between", self.port, "--link", "program") as recorder:
            recorder.wait_for("type a note")
            program = os.open(self.path("program"), os.O_RDWR | os.O_NOCTTY)
            self.addCleanup(os.close, program)
            os.write(program, b"AT+FW?\r")
            recorder.wait_for(r"host +AT\+FW\?␍")
            recorder.wait_for(r"module +\+FW: sedge-c 3.0␍␊")
            recorder.wait_for("module +OK␍")
            recorder.wait_for(r"\d s  host 7 B  module 28 B")  # the progress line
            recorder.type("moved the antenna")
            recorder.wait_for("note: moved the antenna")  # as it is typed
            recorder.type("\r")
            recorder.wait_for(r"\(moved the antenna\)")
            recorder.type("\x03")
            self.assertEqual(recorder.finish(), 130, recorder.seen)
        self.assertRegex(recorder.seen, r"recorded [\d.]+ s, \d+ events, 35 B into")
        self.assertIn("moved the antenna", self.events())
        self.assertFalse(os.path.lexists(self.path("program")))

    def test_no_progress_line_and_no_colour_where_nobody_looks(self):
        done = bench.run(bench.BYTEWITNESS, "record", self.port, "--for", "400ms", "--live", "on",
                         "-o", self.path("t.witness"))
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertNotIn("\x1b", done.stdout + done.stderr)
        self.assertNotIn("\r", done.stdout + done.stderr)


if __name__ == "__main__":
    unittest.main()
