"""What may be on trial besides a program on a pty: standard streams, a TCP connection, a board at a
port (reset by DTR, watched at a second port), a module that is asked. Each with one that copes and
one that does not."""
import base64
import json
import os
import select
import socket
import tempfile
import threading
import time
import unittest

import bench

MODULE = os.path.join(bench.SAMPLES, "faults", "module.textproto")
PYTHON = "/usr/bin/python3"

# Asks two things on whatever `descriptor_in` and `descriptor_out` are; with "lf" it reads lines only.
HOST = r'''
import os, select, socket, sys
link, fault = sys.argv[1], (sys.argv + [""])[2]
if link == "stdio":
    source, sink, out = 0, 1, sys.stderr
else:
    host, port = link.rsplit(":", 1)
    line = socket.create_connection((host, int(port)))
    source = sink = line.fileno()
    out = sys.stdout
def reply():
    text = b""
    while select.select([source], [], [], 1.0 if not text or fault == "lf" else 0.15)[0]:
        text += os.read(source, 100)
        if fault == "lf" and text.endswith(b"OK\r\n"):
            break
    return text
for command in ("AT", "AT+SIGNAL?"):
    os.write(sink, command.encode() + b"\r\n")
    text = reply()
    print(command, "answered" if b"OK" in text else "silent", file=out, flush=True)
'''


class Board(threading.Thread):
    """A board at a port of this test: when DTR has been dropped and is raised again it starts anew,
    asks the module for its signal, and tells at a second port what it made of the answer. The port
    is a network port with settings (RFC 2217), for a pty has no DTR."""

    IAC, SB, SE, WILL, DO = 255, 250, 240, 251, 253
    COM_PORT = 44

    def __init__(self, fault, watched):
        super().__init__(daemon=True)
        self.fault, self.watched = fault, watched
        self.listening = socket.create_server(("127.0.0.1", 0))
        self.name = "rfc2217://127.0.0.1:%d" % self.listening.getsockname()[1]
        self.over = False
        self.starts = 0

    def run(self):
        while not self.over:
            try:
                line, _ = self.listening.accept()
            except OSError:
                return
            try:
                self.serve(line)
            except OSError:
                pass
            line.close()

    def end(self):
        self.over = True
        self.listening.shutdown(socket.SHUT_RDWR)
        self.listening.close()

    def serve(self, line):
        line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        raw, heard, asked, last = b"", b"", False, 0.0
        while True:
            wait = 0.1 if asked else None
            if not select.select([line], [], [], wait)[0]:
                if asked and (heard and time.monotonic() - last > 0.1):
                    self.tell(line, heard)
                    asked = False
                continue
            got = line.recv(4096)
            if not got:
                return
            raw, plain, orders = self.split(raw + got)
            heard += plain
            if plain:
                last = time.monotonic()
            for order in orders:
                line.sendall(self.answer(order))
                # SET-CONTROL 8: DTR on (RFC 2217).
                if order[:1] == bytes([self.SB]) and order[2:4] == bytes([5, 8]) and not asked:
                    self.starts += 1
                    heard, asked = b"", True
                    line.sendall(b"AT+SIGNAL?\r\n")
            if asked and self.fault == "early" and heard.strip():
                self.tell(line, heard)
                asked = False

    def tell(self, line, heard):
        found = heard.split(b"SIGNAL: ")[-1].split()[:1] if b"SIGNAL: " in heard else [b"none"]
        words = b"signal %s\r\n" % found[0].replace(b"OK", b"")
        if self.watched is None:
            line.sendall(words)
        else:
            os.write(self.watched, words)

    def split(self, raw):
        """What is not yet whole, plain bytes, Telnet orders without their IAC."""
        plain, orders, at = b"", [], 0
        while at < len(raw):
            if raw[at] != self.IAC:
                plain += raw[at:at + 1]
                at += 1
            elif at + 1 == len(raw):
                break
            elif raw[at + 1] == self.IAC:
                plain += raw[at:at + 1]
                at += 2
            elif raw[at + 1] == self.SB:
                end = raw.find(bytes([self.IAC, self.SE]), at)
                if end < 0:
                    break
                orders.append(raw[at + 1:end])
                at = end + 2
            elif at + 2 < len(raw):
                orders.append(raw[at + 1:at + 3])
                at += 3
            else:
                break
        return raw[at:], plain, orders

    def answer(self, order):
        if order[0] == self.SB and order[1] == self.COM_PORT:  # done as told: the order plus 100
            return bytes([self.IAC, self.SB, self.COM_PORT, order[2] + 100]) + order[3:] + bytes(
                [self.IAC, self.SE])
        if order[0] == self.WILL:
            return bytes([self.IAC, self.DO, order[1]])
        if order[0] == self.DO:
            return bytes([self.IAC, self.WILL, order[1]])
        return b""


class Subjects(unittest.TestCase):
    def setUp(self):
        kept = tempfile.TemporaryDirectory(prefix="subjects-")
        self.addCleanup(kept.cleanup)
        self.folder = kept.name
        self.host = os.path.join(self.folder, "host.py")
        with open(self.host, "w") as script:
            script.write(HOST)

    def trials(self, *arguments):
        report = os.path.join(self.folder, "report.json")
        done = bench.run(bench.BYTETRIAL, "run", "--shrink", "off", "--json", report, *arguments,
                         cwd=self.folder)
        self.assertIn(done.returncode, (0, 1), done.stderr)
        with open(report) as text:
            found = json.load(text)
        self.told = done.stdout + done.stderr
        return done.returncode, found

    def verdicts(self, found):
        return [trial["verdict"][8:] for trial in found.get("trial", [])]

    def both(self, link, words):
        vary = ["--vary", "ending=none,lf", "--vary", "split=bytes"]
        status, found = self.trials(MODULE, link, *vary, "--", PYTHON, self.host, words)
        self.assertEqual(found["baseline"]["verdict"], "VERDICT_HELD", self.told)
        self.assertEqual(status, 0, self.told)
        self.assertEqual(self.verdicts(found), ["HELD"] * 3)
        status, found = self.trials(MODULE, link, *vary, "--", PYTHON, self.host, words, "lf")
        self.assertEqual(status, 1, self.told)
        self.assertEqual(self.verdicts(found), ["SLOW", "SLOW", "HELD"], self.told)
        self.assertEqual(found["trial"][0]["diagnosis"][0]["name"], "waits-for-line-ending")
        self.assertIn(link, found["trial"][0]["reproduce"])

    def test_standard_streams(self):
        self.both("--stdio", "stdio")

    def test_tcp(self):
        self.both("--tcp", "{port}")

    def board(self, fault, same_port=False):
        ours, theirs = os.openpty()
        self.addCleanup(os.close, theirs)
        self.addCleanup(os.close, ours)
        board = Board(fault, None if same_port else ours)
        board.start()
        self.addCleanup(board.end)
        module = os.path.join(self.folder, "one.textproto")
        with open(module, "w") as part:
            part.write('# proto-message: bytewitness.Part\ncommand_end { terminator: "\\r\\n" }\n'
                       'rule { command: "AT+SIGNAL?" answer { piece { after: "15ms" say: '
                       '"\\r\\n+SIGNAL: -71\\r\\n\\r\\nOK\\r\\n" } } }\n'
                       'unknown { piece { after: "15ms" say: "\\r\\nERROR\\r\\n" } }\n')
        result = self.trials(module, "--port", board.name, "--reset-by-dtr", "--watch",
                             board.name if same_port else os.ttyname(theirs), "--vary", "split=5:60ms", "--vary", "ending=cr")
        # Started anew for each run: the baseline more than once, and two trials.
        self.assertGreaterEqual(board.starts, 4, self.told)
        return result

    def test_board_that_copes(self):
        status, found = self.board("")
        self.assertEqual(found["baseline"]["verdict"], "VERDICT_HELD", self.told)
        self.assertEqual(status, 0, self.told)
        self.assertEqual(self.verdicts(found), ["HELD", "HELD"])
        printed = b"".join(base64.b64decode(p["bytes"]) for p in
                           found["baseline"]["observations"]["printed"])
        self.assertIn(b"signal -71", printed)

    def test_board_that_prints_where_it_asks(self):
        status, found = self.board("", same_port=True)
        self.assertEqual(found["baseline"]["verdict"], "VERDICT_HELD", self.told)
        self.assertEqual(status, 0, self.told)
        seen = found["baseline"]["observations"]
        self.assertEqual(len(seen["command"]), 1, self.told)
        printed = b"".join(base64.b64decode(p["bytes"]) for p in seen["printed"])
        self.assertIn(b"signal -71", printed)
        status, found = self.board("early", same_port=True)
        self.assertEqual(status, 1, self.told)
        self.assertEqual(self.verdicts(found)[0], "BROKE", self.told)

    def test_board_that_reads_too_early(self):
        status, found = self.board("early")
        self.assertEqual(status, 1, self.told)
        self.assertEqual(self.verdicts(found)[0], "BROKE", self.told)
        self.assertEqual(found["trial"][0]["diagnosis"][0]["name"], "reads-too-early", self.told)

    def test_module_that_is_asked(self):
        capture = os.path.join(self.folder, "b.witness")
        with bench.Company(self.folder) as company:
            port = company.play("sedge-b.textproto", "batch-one")
            asked = bench.run(bench.BYTEWITNESS, "ask", port, "AT", "AT+FW?", "--ending", "crlf",
                              "--quiet", "300ms", "-o", capture)
            self.assertEqual(asked.returncode, 0, asked.stderr)
            status, found = self.trials(capture, "--as", "host", "--port", port)
            self.assertEqual(status, 0, self.told)
            other = os.path.join(self.folder, "other.textproto")
            with open(os.path.join(bench.SAMPLES, "sedge-b.textproto")) as part:
                text = part.read()
            with open(other, "w") as part:
                part.write(text.replace("sedge-b 2.3", "sedge-b 2.4"))
            status, found = self.trials(capture, "--as", "host", "--port",
                                        company.play(other, "batch-two"))
        self.assertEqual(status, 1, self.told)
        self.assertIn("2.4", found["baseline"]["divergence"]["got"])


if __name__ == "__main__":
    unittest.main()
