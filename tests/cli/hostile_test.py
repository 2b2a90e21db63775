"""Nothing that a capture, a name or a note holds reaches the terminal as anything but printable text."""
import json
import os
import tempfile
import unittest

import bench

EVIL = ("\x1b[2J\x1b]0;title\x07\x1b[31m</script><script>alert(1)</script>\u202egnp.exe\u2066\u200b"
        "\x9b2J\x08\x7f\"'`$(id)")
# C0 but line feed (and the tabs of our own tables), DEL, C1, zero width and bidirectional controls.
FORBIDDEN = [*range(0, 9), *range(11, 32), *range(0x7F, 0xA0), *range(0x200B, 0x2010),
             *range(0x202A, 0x202F), *range(0x2066, 0x206A), 0xFEFF, 0xFFFD]


class Hostile(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.kept = tempfile.TemporaryDirectory(prefix="hostile-")
        cls.addClassCleanup(cls.kept.cleanup)
        cls.folder = cls.kept.name
        events = [
            {"at_ns": 1_000_000, "side": "host", "hex": ("AT" + EVIL + "\r\n").encode().hex()},
            {"at_ns": 9_000_000, "side": "module", "hex": bytes(range(256)).hex()},
            {"at_ns": 900_000_000, "side": "host", "hex": b"AT+KEY=\x1b[31mred\r".hex()},
            {"at_ns": 950_000_000, "side": "module", "hex": "c328fffe80bf1b5b324a9b32410d0a"},
            {"at_ns": 1_950_000_000, "kind": "note", "text": EVIL},
        ]
        cls.capture = os.path.join(cls.folder, "evil\x1b[31m\u202e\udcff.witness")
        cls.title = ["--title", EVIL]
        done = bench.run(bench.BYTEWITNESS, "import", "--from", "jsonl", "-", "-o", cls.capture,
                         *cls.title, stdin="\n".join(map(json.dumps, events)) + "\n")
        assert done.returncode == 0, done.stderr

    def harmless(self, *words, status=(0, 1, 2, 3)):
        done = bench.run(bench.BYTEWITNESS, *words)
        self.assertIn(done.returncode, status, done.stderr)
        for name, text in (("stdout", done.stdout), ("stderr", done.stderr)):
            found = sorted({hex(ord(c)) for c in text if ord(c) in FORBIDDEN or ord(c) >= 0xD800
                            and ord(c) < 0xE000})
            self.assertEqual(found, [], f"{words} on {name}")
        return done.stdout + done.stderr

    def out(self, name):
        return os.path.join(self.folder, name)

    def test_accounts(self):
        said = self.harmless("show", self.capture, status=(0,))
        self.assertIn("\\x1b[2J", said)
        self.harmless("show", self.capture, "--hex", status=(0,))
        self.harmless("export", self.capture, "--as", "text", status=(0,))
        self.harmless("export", self.capture, "--as", "hex", status=(0,))

    def test_examine_find_compare(self):
        self.harmless("examine", self.capture, status=(0,))
        self.harmless("examine", self.capture, "--segments", status=(0,))
        self.harmless("examine", self.capture, "--json", status=(0,))
        self.harmless("find", self.capture, "--expression", "AT.*", status=(0,))
        self.harmless("find", self.capture, "--hex", "1b", "--json", status=(0,))
        self.harmless("compare", self.capture, self.capture)
        self.harmless("guess-checksum", self.capture)

    def test_files(self):
        self.harmless("verify", self.capture, status=(0,))
        self.harmless("verify", self.capture, "--json", status=(0,))
        self.harmless("mend", self.capture, "-o", self.out("mended\x1b[31m.witness"), status=(0,))
        self.harmless("compact", self.out("mended\x1b[31m.witness"), status=(0,))

    def test_exhibit_and_redact(self):
        page = self.out("page\x1b[31m.html")
        self.harmless("exhibit", self.capture, "-o", page, status=(0,))
        self.harmless("verify", page, status=(0,))
        self.harmless("exhibit", self.capture, "--as", "text", status=(0,))
        self.harmless("exhibit", self.capture, "--as", "markdown", status=(0,))
        with open(page, encoding="utf-8") as file:  # strictly UTF-8, and nothing forbidden in it
            text = file.read()
        self.assertEqual(sorted({hex(ord(c)) for c in text if ord(c) in FORBIDDEN}), [])
        said = self.harmless("redact", self.capture, "-o", self.out("r\x1b[31m.witness"),
                             "--value-of", "AT+KEY=", "--found", status=(0,))
        self.assertNotIn("red\r", said)

    def test_errors_name_files_safely(self):
        self.harmless("show", "not there \x1b[31m\u202e", status=(3, 2))
        self.harmless("find", self.capture, "--expression", "(\x1b[31m", status=(2,))
        self.harmless("redact", self.capture, "-o", self.capture, "--found", status=(2,))
        self.harmless("redact", self.capture, "-o", self.out("x"), "--pattern", "(\x1b[31m",
                      status=(2,))


if __name__ == "__main__":
    unittest.main()
