"""The main job, end to end on ptys: record what the sample modules answer, examine it, put the
sample scripts on trial."""
import json
import os
import pty
import re
import signal
import tempfile
import unittest
import xml.etree.ElementTree as ET
from concurrent.futures import ThreadPoolExecutor

import bench

# What each variant says to each command, as its part in samples/ has it.
COMMANDS = ["AT", "AT+FW?", "AT+CHAN=11", "AT+POWER=2", "AT+SIGNAL?"]
REPLIES = {
    "a": [b"OK", b"OKsedge-a 1.8", b"OK", b"OK", b"OK-71"],
    "b": [b"\r\nOK\r\n", b"\r\n+FW: sedge-b 2.3\r\n\r\nOK\r\n", b"\r\nOK\r\n", b"\r\nOK\r\n",
          b"\r\n+SIGNAL: -71\r\n\r\nOK\r\n"],
    "c": [b"AT\rOK\r", b"AT+FW?\r+FW: sedge-c 3.0\r\nOK\r", b"AT+CHAN=11\rOK\r+JOIN: 3\r\n",
          b"AT+POWER=2\rOK\r", b"AT+SIGNAL?\r+SIGNAL: -71\r\nOK\r"],
}
ENDINGS = {"a": ("none", b""), "b": ("crlf", b"\r\n"), "c": ("cr", b"\r")}
WAITS = os.path.join(bench.SAMPLES, "scripts", "butt_watch_waits.py")
COPES = os.path.join(bench.SAMPLES, "scripts", "butt_watch_copes.py")

# The trials that the tests look at, each of Sedge B's capture. They spend their time waiting, as
# their scripts do, so they run side by side; `program` is what stands behind --.
WAITING = ["python3", WAITS, "{port}"]
COPING = ["python3", COPES, "{port}"]
TRIALS = {
    "waits": (["--vary", "ending=recorded,none,cr,lf,crlf"], WAITING),
    "copes": (["--vary", "ending=recorded,none,bare,cr,lf,crlf"], COPING),
    "copes split": (["--vary", "split"], COPING),
    "junit": (["--vary", "ending=none,crlf"], WAITING),
    "reproduced": (["--vary", "ending=cr"], WAITING),
    "says": (["--must-say", r"signal -\d+", "--exit", "0"], COPING),
    "says another": (["--must-say", "signal unknown"], COPING),
    "must not": (["--must-not-say", "signal"], COPING),
    "other status": (["--exit", "4"], COPING),
    "fails": (["--vary", "ending=none"], ["python3", "-c", "import sys; sys.exit(5)", "{port}"]),
}
AT_ONCE = 5


class MainJob(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.kept = tempfile.TemporaryDirectory(prefix="main-job-")
        cls.folder = cls.kept.name
        cls.addClassCleanup(cls.kept.cleanup)
        cls.pool = ThreadPoolExecutor(AT_ONCE)
        cls.addClassCleanup(cls.pool.shutdown)
        with bench.Company(cls.folder) as company:
            ports = {variant: company.play("sedge-%s.textproto" % variant, "port-" + variant)
                     for variant in "abc"}
            asked = {variant: cls.pool.submit(cls.ask, port, variant)
                     for variant, port in ports.items()}
            cls.asked = {variant: future.result() for variant, future in asked.items()}
        cls.trials = {name: cls.pool.submit(cls.hold, name) for name in TRIALS}

    @classmethod
    def ask(cls, port, variant):
        return bench.run(bench.BYTEWITNESS, "ask", port, *COMMANDS, "--ending", ENDINGS[variant][0],
                         "--quiet", "700ms", "-o", cls.capture(variant))

    @classmethod
    def hold(cls, name):
        options, program = TRIALS[name]
        return bench.run(bench.BYTETRIAL, "run", cls.capture("b"), *options, "--json",
                         cls.report(name), "--junit", cls.report(name) + ".xml", "--", *program,
                         patience=250)

    @classmethod
    def report(cls, name):
        return os.path.join(cls.folder, "report of " + name)

    @classmethod
    def capture(cls, variant):
        return os.path.join(cls.folder, "sedge-%s.witness" % variant)

    def path(self, name):
        return os.path.join(self.folder, name)

    def events(self, capture):
        done = bench.run(bench.BYTEWITNESS, "export", capture, "--as", "jsonl")
        self.assertEqual(done.returncode, 0, done.stderr)
        return [json.loads(line) for line in done.stdout.splitlines()]

    def said(self, capture, side):
        return b"".join(bytes.fromhex(event["hex"]) for event in self.events(capture)
                        if event.get("side") == side and "hex" in event)

    def trial(self, name):
        done = self.trials[name].result()
        self.assertTrue(os.path.exists(self.report(name)), done.stdout + done.stderr)
        with open(self.report(name), encoding="utf-8") as read:
            return done, json.load(read)

    def verdicts(self, report):
        return {trial["name"]: trial["verdict"].replace("VERDICT_", "").lower()
                for trial in report["trial"]}

    def test_asking_shows_each_exchange(self):
        for variant in "abc":
            done = self.asked[variant]
            self.assertEqual(done.returncode, 0, done.stderr)
            for command in COMMANDS:
                self.assertIn(command, done.stdout)
        self.assertIn("OKsedge-a 1.8∅", self.asked["a"].stdout)
        self.assertIn("␍␊OK␍␊", self.asked["b"].stdout)

    def test_captures_equal_the_parts(self):
        for variant in "abc":
            ending = ENDINGS[variant][1]
            self.assertEqual(self.said(self.capture(variant), "host"),
                             b"".join(c.encode() + ending for c in COMMANDS), variant)
            self.assertEqual(self.said(self.capture(variant), "module"),
                             b"".join(REPLIES[variant]), variant)

    def decoded(self, capture):
        """What README says: the file, read with zstd and protoc, and nothing of ours."""
        return bench.run("bash", "-c",
                         'zstd -dcq "$0" | protoc --decode=bytewitness.Capture -I "$SOURCE/proto" '
                         'capture.proto', capture)

    def test_standard_tools_alone_decode_a_capture(self):
        for variant in "abc":
            done = self.decoded(self.capture(variant))
            self.assertEqual((done.returncode, done.stderr), (0, ""))
            self.assertIn("header {", done.stdout)
            self.assertIn("trailer {", done.stdout)

    def test_standard_tools_alone_decode_a_capture_that_grows_and_one_that_was_cut_off(self):
        capture = self.path("live.witness")
        module, far = pty.openpty()
        self.addCleanup(os.close, module)
        self.addCleanup(os.close, far)
        with bench.Running(bench.BYTEWITNESS, "record", os.ttyname(far), "--side", "module", "-o",
                           capture) as recorder:
            recorder.wait_for("recording", "stderr")
            os.write(module, b"+JOIN: 3\r\n")
            # zstd says that the file has no end yet; what there is of it comes out whole.
            done = self.decoded(capture)
            while "+JOIN: 3\\r\\n" not in done.stdout:
                self.assertIsNone(recorder.process.poll(), recorder.said)
                done = self.decoded(capture)
            self.assertEqual(done.returncode, 0, done.stderr)
            self.assertNotIn("trailer {", done.stdout)
            recorder.send(signal.SIGKILL)
            recorder.finish()
        done = self.decoded(capture)
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertIn("+JOIN: 3\\r\\n", done.stdout)
        self.assertNotIn("trailer {", done.stdout)

    def test_export_then_import_gives_the_same_events(self):
        for variant in "abc":
            out = self.path("again-%s.witness" % variant)
            lines = self.path("again.jsonl")
            for command in (("export", self.capture(variant), "--as", "jsonl", "-o", lines),
                            ("import", lines, "--from", "jsonl", "-o", out)):
                done = bench.run(bench.BYTEWITNESS, *command)
                self.assertEqual(done.returncode, 0, done.stderr)
                if command[0] == "export":
                    self.assertTrue(os.path.exists(lines))
            self.assertEqual(self.events(out), self.events(self.capture(variant)))
            os.remove(lines)

    def test_show_has_sides_endings_and_silences(self):
        shown = bench.run(bench.BYTEWITNESS, "show", self.capture("c"))
        self.assertEqual(shown.returncode, 0, shown.stderr)
        for words in ("AT+FW?␍", "+JOIN: 3␍␊", "OK␍", "host", "module"):
            self.assertIn(words, shown.stdout)
        shown = bench.run(bench.BYTEWITNESS, "show", "--hex", self.capture("a"))
        self.assertIn("4f 4b", shown.stdout.lower())

    def test_examine_finds_how_each_variant_answers(self):
        found = {}
        for variant in "abc":
            done = bench.run(bench.BYTEWITNESS, "examine", self.capture(variant))
            self.assertEqual(done.returncode, 0, done.stderr)
            found[variant] = done.stdout
            done = bench.run(bench.BYTEWITNESS, "examine", "--json", self.capture(variant))
            self.assertEqual(done.returncode, 0, done.stderr)
            self.assertEqual(len(json.loads(done.stdout)["exchange"]), len(COMMANDS), variant)
        self.assertIn("none", found["a"])
        self.assertIn("CR LF", found["b"])
        self.assertRegex(found["c"], "(?i)echo")

    def test_part_made_of_a_capture_answers_alike(self):
        part = self.path("from-b.textproto")
        done = bench.run(bench.BYTETRIAL, "part", self.capture("b"), "-o", part)
        self.assertEqual(done.returncode, 0, done.stderr)
        with bench.Company(self.folder) as company:
            port = company.play(part, "again")
            done = bench.run(bench.BYTEWITNESS, "ask", port, *COMMANDS, "--ending", "crlf", "-o",
                             self.path("again.witness"))
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertEqual(self.said(self.path("again.witness"), "module"), b"".join(REPLIES["b"]))

    def test_script_that_waits_for_line_feeds(self):
        done, report = self.trial("waits")
        self.assertEqual(done.returncode, 1, done.stdout + done.stderr)
        verdicts = self.verdicts(report)
        self.assertIn(verdicts["ending=none"], ("slow", "broke"), done.stdout)
        self.assertIn(verdicts["ending=cr"], ("slow", "broke"), done.stdout)
        self.assertEqual(verdicts["ending=lf"], "held", done.stdout)
        self.assertEqual(verdicts["ending=crlf"], "held", done.stdout)

    def test_script_that_copes(self):
        done, report = self.trial("copes")
        self.assertEqual(done.returncode, 0, done.stdout + done.stderr)
        self.assertEqual(set(self.verdicts(report).values()), {"held"}, done.stdout)

    def test_script_that_copes_takes_replies_in_pieces(self):
        done, report = self.trial("copes split")
        self.assertEqual(done.returncode, 0, done.stdout + done.stderr)
        self.assertGreater(len(report["trial"]), 1)

    def test_junit_says_what_the_table_says(self):
        done, _ = self.trial("junit")
        self.assertEqual(done.returncode, 1, done.stderr)
        cases = list(ET.parse(self.report("junit") + ".xml").getroot().iter("testcase"))
        self.assertGreaterEqual(len(cases), 2)
        failed = [case.get("name") for case in cases if case.find("failure") is not None]
        self.assertTrue(any("none" in name for name in failed), failed)
        self.assertFalse(any("crlf" in name for name in failed), failed)

    def test_what_broke_can_be_run_again_by_the_line_that_is_shown(self):
        done, report = self.trial("reproduced")
        broke = [t for t in report["trial"] if t["verdict"] in ("VERDICT_BROKE", "VERDICT_SLOW")]
        self.assertTrue(broke, done.stdout)
        again = bench.run("bash", "-c", broke[0]["reproduce"], cwd=self.folder, patience=200)
        self.assertEqual(again.returncode, 1, again.stdout + again.stderr)

    def test_demands(self):
        for name, status in (("says", 0), ("says another", 1), ("must not", 1),
                             ("other status", 1)):
            done, _ = self.trial(name)
            self.assertEqual(done.returncode, status, name + done.stdout)

    def test_no_contest_when_the_baseline_fails(self):
        done, report = self.trial("fails")
        self.assertEqual(done.returncode, 1, done.stdout + done.stderr)
        self.assertIn("no contest", re.sub("_", " ", done.stdout.lower()))
        self.assertEqual(report["baseline"]["verdict"], "VERDICT_NO_CONTEST")
        self.assertNotIn("trial", report, "nothing is tried where the baseline fails")

    def test_nothing_is_left_behind(self):
        for trial in self.trials.values():
            trial.result()
        self.assertEqual(bench.left_over(self.folder + "/"), [])


if __name__ == "__main__":
    unittest.main()
