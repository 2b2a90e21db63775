"""`bytewitness listen` as a person runs it: an RFC 2217 server is the port, and hears a line that runs
at one rate as the rate that it was set to makes it sound."""
import json
import os
import re
import socket
import struct
import subprocess
import tempfile
import threading
import unittest

import bench

IAC, WILL, DO, SB, SE = 255, 251, 253, 250, 240
BINARY, COM_PORT = 0, 44  # RFC 856, RFC 2217
SET_BAUD, SERVER = 1, 100


def heard(said, rate, receiver):
    """What a receiver at another rate makes of 8N1: bytes and whether each had a framing error."""
    bits = []
    for byte in said:
        bits += [0] + [byte >> i & 1 for i in range(8)] + [1]
    at = lambda t: bits[int(t)] if t < len(bits) else 1
    bit, out, i = rate / receiver, [], 0.0
    while i < len(bits):
        if bits[int(i)]:
            i = int(i) + 1
            continue
        i = int(i)
        if at(i + bit / 2):
            i += 1
            continue
        samples = [at(i + bit * (k + 1.5)) for k in range(9)]
        out.append((sum(b << k for k, b in enumerate(samples[:8])), not samples[8]))
        i += bit * 9.5
        while i < len(bits) and not bits[int(i)]:
            i += 1
    return out


class Server:
    """Enough of RFC 2217 to be a port of another machine."""

    def __init__(self, rate, said):
        self.rate, self.said, self.sent = rate, said, b""
        self.baud = 9600
        self.lock = threading.Lock()  # what is heard after an answer is heard at the new rate
        self.listening = socket.create_server(("127.0.0.1", 0))
        self.port = "rfc2217://127.0.0.1:%d" % self.listening.getsockname()[1]
        threading.Thread(target=self.serve, daemon=True).start()

    def serve(self):
        self.client, _ = self.listening.accept()
        self.client.sendall(bytes([IAC, WILL, COM_PORT, IAC, DO, COM_PORT, IAC, WILL, BINARY,
                                   IAC, DO, BINARY]))
        self.speaker = threading.Thread(target=self.speak, daemon=True)
        self.speaker.start()
        pending = b""
        while True:
            try:
                data = self.client.recv(4096)
            except OSError:
                return
            if not data:
                return
            pending += data
            while pending:
                if pending[0] != IAC:
                    self.sent += pending[:1]
                    pending = pending[1:]
                elif len(pending) > 1 and pending[1] == SB:
                    end = pending.find(bytes([IAC, SE]))
                    if end < 0:
                        break
                    self.answer(pending[2:end])
                    pending = pending[end + 2:]
                elif len(pending) < 3:
                    break
                else:
                    pending = pending[3:]

    def answer(self, words):
        if words[0] != COM_PORT or len(words) < 2:
            return
        value = words[2:].replace(b"\xff\xff", b"\xff")
        with self.lock:
            self.set(words[1], value)

    def set(self, command, value):
        if command == SET_BAUD and len(value) == 4:
            if asked := struct.unpack(">I", value)[0]:
                self.baud = asked
            value = struct.pack(">I", self.baud)
        self.client.sendall(bytes([IAC, SB, COM_PORT, command + SERVER]) +
                            value.replace(b"\xff", b"\xff\xff") + bytes([IAC, SE]))

    def speak(self):
        quiet = threading.Event()
        while not quiet.wait(0.02):
            with self.lock:
                line = b""
                for byte, _ in heard(self.said, self.rate, self.baud):
                    line += b"\xff\xff" if byte == IAC else bytes([byte])
                try:
                    self.client.sendall(line)
                except OSError:
                    return


class Listen(unittest.TestCase):
    def setUp(self):
        self.folder = tempfile.TemporaryDirectory()
        self.addCleanup(self.folder.cleanup)
        self.capture = os.path.join(self.folder.name, "heard.witness")

    def listen(self, port, *more):
        return subprocess.run([bench.BYTEWITNESS, "listen", port, "-o", self.capture, *more],
                              capture_output=True, text=True, timeout=120, check=False)

    def test_rate_is_found_and_nothing_is_sent(self):
        server = Server(19200, b"level 214 mm, butt 3\r\n\r\n+SIGNAL: -71\r\n\r\nOK\r\n")
        done = self.listen(server.port)
        self.assertEqual(done.returncode, 0, done.stdout + done.stderr)
        self.assertIn("19200 8N1", done.stdout.splitlines()[0])
        self.assertIn("--baud 19200", done.stdout)
        self.assertEqual(server.sent, b"")
        shown = subprocess.run([bench.BYTEWITNESS, "show", self.capture], capture_output=True,
                               text=True, check=True).stdout
        self.assertIn("listening at 9600 8N1", shown)
        self.assertIn("+SIGNAL: -71", shown)

    def test_examine_looks_at_what_was_heard_at_the_best_rate_alone(self):
        server = Server(19200, b"level 214 mm, butt 3\r\n\r\n+SIGNAL: -71\r\n\r\nOK\r\n")
        self.assertEqual(self.listen(server.port, "--rates", "9600,19200").returncode, 0)
        done = subprocess.run([bench.BYTEWITNESS, "examine", self.capture, "--segments"],
                              capture_output=True, text=True, timeout=120, check=False)
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertRegex(done.stderr, "was heard at [0-9]+ settings, one by one; this is of the "
                                      "longest time at the best, 19200 8N1")
        self.assertIn("+SIGNAL: -71", done.stdout)
        self.assertNotIn("\\x", done.stdout)
        whole = subprocess.run([bench.BYTEWITNESS, "examine", self.capture, "--segments", "--from",
                                "0s"], capture_output=True, text=True, timeout=120, check=False)
        self.assertNotIn("one by one", whole.stderr)
        self.assertIn("\\x", whole.stdout)

    def test_who_takes_it_for_one_line_looks_at_the_best_rate_alone_and_says_so(self):
        server = Server(19200, b"level 214 mm, butt 3\r\n\r\n+SIGNAL: -71\r\n\r\nOK\r\n")
        self.assertEqual(self.listen(server.port, "--rates", "9600,19200,38400").returncode, 0)

        def run(*words, status=0):
            done = subprocess.run([bench.BYTEWITNESS, *words], capture_output=True, text=True,
                                  timeout=120, check=False)
            self.assertEqual(done.returncode, status, done.stderr)
            return done

        said = ("was heard at [0-9]+ settings, one by one; this is of the longest time at the best, "
                r"19200 8N1 \(the others: .*9600 8N1")
        # All that was heard, with what is to be thought of it; the part that it names is talk.
        shown = run("show", self.capture).stdout
        self.assertRegex(shown, r"# heard at [0-9]+ settings, one by one.*: .*9600 8N1.*19200 8N1")
        part = re.search("# fits best: 19200 8N1, longest with --from ([0-9.:]+) --to ([0-9.:]+)",
                         shown)
        self.assertIsNotNone(part, shown)
        self.assertNotRegex(shown, "# (module|host|unknown).* baud|# [^\n]*ttyUSB?[^\n]*, 9600")
        self.assertIn("\\x", shown)
        best = run("show", self.capture, "--from", part[1], "--to", part[2]).stdout
        self.assertIn("+SIGNAL: -71", best)
        self.assertNotIn("\\x", best)

        page = os.path.join(self.folder.name, "heard.html")
        made = run("exhibit", self.capture, "-o", page)
        self.assertRegex(made.stderr, said)
        with open(page, encoding="utf-8") as file:
            html = file.read()
        self.assertRegex(html, "heard at 19200 8N1, the best of [0-9]+ settings")
        self.assertIn("a part of <code>heard.witness</code>", html)
        run("verify", page)
        text = run("exhibit", self.capture, "--as", "text")
        self.assertRegex(text.stderr, said)
        self.assertRegex(text.stdout, "part +heard at 19200 8N1, the best of [0-9]+ settings")
        self.assertRegex(text.stdout, "port.*19200 8N1")
        self.assertNotIn("\\x", text.stdout)

        twice = run("compare", self.capture, self.capture)
        self.assertEqual(len(re.findall(said, twice.stderr)), 2)
        self.assertNotIn("--from", twice.stderr)

    def test_json_and_only_the_rates_that_are_asked_for(self):
        server = Server(31250, b"level 214 mm, butt 3\r\n\r\n+SIGNAL: -71\r\n\r\nOK\r\n")
        done = self.listen(server.port, "--json", "--rates", "9600,31250")
        answer = json.loads(done.stdout)
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertEqual((answer["fits"][0]["baud"], answer["fits"][0]["format"]), (31250, "8N1"))
        self.assertIn(answer["answer"], ("sure", "likely"))

    def test_says_when_nothing_is_heard(self):
        done = self.listen(Server(9600, b"").port, "--for", "2s")
        self.assertEqual(done.returncode, 1, done.stderr)
        self.assertIn("nothing heard", done.stdout)
        self.assertIn("powered", done.stdout)

    def test_a_pseudo_terminal_has_no_rate_to_find(self):
        master, side = os.openpty()
        done = self.listen(os.ttyname(side))
        os.close(master)
        os.close(side)
        self.assertEqual(done.returncode, 3, done.stdout)
        self.assertIn("no rate", done.stderr)
        self.assertFalse(os.path.exists(self.capture))

    def test_wrong_words(self):
        for words, what in ((["--formats", "9Z9"], "--formats"), (["--for", "soon"], "--for"),
                            (["--rates", "0"], "--rates")):
            done = self.listen("/dev/null", *words)
            self.assertEqual(done.returncode, 2, words)
            self.assertIn(what, done.stderr)


if __name__ == "__main__":
    unittest.main()
