"""How trials are run: split over machines and merged, interrupted, of programs that run for ever,
from plans that were saved."""
import glob
import json
import os
import signal
import tempfile
import time
import unittest
import xml.etree.ElementTree as ET

import bench

MODULE = os.path.join(bench.SAMPLES, "faults", "module.textproto")
WATCH = os.path.join(bench.SAMPLES, "faults", "watch.py")
PYTHON = "/usr/bin/python3"
VARY = ["--vary", "ending=none,lf", "--vary", "turnaround=0s,60ms", "--vary", "pace=burst"]

# Asks again and again; with "lf" it reads lines only.
POLLS = r'''
import serial, sys, threading
pause = threading.Event()
port = serial.Serial(sys.argv[1], 9600, timeout=1 if sys.argv[2:] == ["lf"] else 0.2)
number = 0
while True:
    number += 1
    port.write(b"AT+SIGNAL?\r\n")
    text = b""
    while not text.endswith(b"OK\r\n") if sys.argv[2:] == ["lf"] else True:
        more = port.readline() if sys.argv[2:] == ["lf"] else port.read(200)
        text += more
        if not more:
            break
    print(number, "-71" in text.decode("latin-1"))
    pause.wait(0.3)
'''


# Breaks with a reply that has no line ending in all three replies; with fewer it stays.
STAYS_WHEN_SMALLER = r'''
import serial, signal, sys
port = serial.Serial(sys.argv[1], 9600, timeout=0.3)
bare = 0
for command in (b"AT", b"AT+FW?", b"AT+SIGNAL?"):
    port.write(command + b"\r\n")
    text = b""
    while more := port.read(1):
        text += more
    bare += not text.endswith(b"\n")
if bare in (1, 2):
    open("smaller", "w").close()
    signal.pause()
print("bare" if bare else "as ever")
'''

# With no line ending it leaves a process behind; without a reply it asks again and again whether one
# is there; what stands behind the first OK it leaves where it is.
USES = r'''
import serial, subprocess, sys, threading, time
port = serial.Serial(sys.argv[1], 9600, timeout=0)
port.write(b"AT\r\n")
port.timeout = 0.4
text = port.read(2)
port.timeout = 0.1
while text and not text.endswith(b"OK\r\n") and (more := port.read(1)):
    text += more
port.timeout, began = 0, time.monotonic()
while not text and time.monotonic() - began < 6:
    port.read(1)
if text and not text.endswith(b"\n"):
    subprocess.Popen(["tail", "-f", "/dev/null", sys.argv[0]])
threading.Event().wait(0.05)
'''


class TrialRuns(unittest.TestCase):
    def setUp(self):
        kept = tempfile.TemporaryDirectory(prefix="trial-runs-")
        self.addCleanup(kept.cleanup)
        self.folder = kept.name
        self.polls = self.path("polls.py")
        with open(self.polls, "w") as script:
            script.write(POLLS)

    def path(self, name):
        return os.path.join(self.folder, name)

    def load(self, name):
        with open(self.path(name)) as text:
            return json.load(text)

    def run_trials(self, *arguments, **more):
        return bench.run(bench.BYTETRIAL, "run", *arguments, cwd=self.folder, **more)

    def verdicts(self, report):
        return [(t["name"], t["verdict"]) for t in report.get("trial", [])]

    def test_shards_make_the_whole(self):
        on_trial = ["--shrink", "off", MODULE, *VARY, "--", PYTHON, WATCH, "{port}", "exact"]
        whole = self.run_trials("--json", "whole.json", *on_trial)
        self.assertEqual(whole.returncode, 1, whole.stderr)
        first = self.run_trials("--shard", "1/2", "--json", "1.json", *on_trial)
        self.assertIn("shard 1 of 2, 5 in all", first.stdout)
        # As runners of GoogleTests say it.
        self.run_trials("--json", "2.json", *on_trial, GTEST_TOTAL_SHARDS="2",
                        GTEST_SHARD_INDEX="1")
        merged = bench.run(bench.BYTETRIAL, "merge", "2.json", "1.json", "--json", "merged.json",
                           "--junit", "merged.xml", cwd=self.folder)
        self.assertEqual(merged.returncode, 1, merged.stderr)
        self.assertEqual(self.verdicts(self.load("merged.json")),
                         self.verdicts(self.load("whole.json")))
        self.assertEqual(len(self.load("1.json")["trial"]), 3)
        self.assertEqual(len(self.load("2.json")["trial"]), 2)
        suite = ET.parse(self.path("merged.xml")).getroot().find("testsuite")
        self.assertEqual(suite.get("tests"), "6")  # with the baseline
        self.assertEqual(suite.get("failures"), "2")
        missing = bench.run(bench.BYTETRIAL, "merge", "1.json", cwd=self.folder)
        self.assertEqual(missing.returncode, 2)
        self.assertIn("is missing", missing.stderr)

    def test_one_that_runs_for_ever_is_judged_by_what_was_recorded(self):
        good = self.run_trials("--json", "good.json", MODULE, "--vary", "ending=none,cr", "--",
                               PYTHON, self.polls, "{port}")
        self.assertEqual(good.returncode, 0, good.stdout + good.stderr)
        self.assertIn("does not end by itself: ended after 3 commands", good.stdout)
        self.assertEqual(len(self.load("good.json")["trial"][0]["observations"]["command"]), 3)
        bad = self.run_trials("--json", "bad.json", "--shrink", "off", "--for", "1s", MODULE,
                              "--vary", "ending=none", "--", PYTHON, self.polls, "{port}", "lf",
                              patience=240)
        self.assertEqual(bad.returncode, 1, bad.stdout + bad.stderr)
        trial = self.load("bad.json")["trial"][0]
        self.assertEqual(trial["verdict"], "VERDICT_SLOW")
        self.assertEqual(trial["diagnosis"][0]["name"], "waits-for-line-ending")
        self.assertIn("--for 1s", trial["reproduce"])
        self.assertEqual(bench.left_over(self.polls), [])

    def test_interrupted_hands_over_what_was_done(self):
        # Each trial for itself; the second never ends.
        with bench.Running(bench.BYTETRIAL, "run", "--jobs", "1", "--keep", "kept", "--json",
                           "some.json", "--junit", "some.xml", MODULE, "--vary",
                           "ending=lf,none", "--within", "300s", "--", "bash", "-c",
                           'exec 3<>"$0"; stty raw -echo <&3; printf "AT\\r\\n" >&3; '
                           'IFS= read -r a <&3; IFS= read -r a <&3; touch "run.$$"; echo heard',
                           "{port}", cwd=self.folder) as running:
            # Two baselines and the first trial come to their end; the fourth run never does.
            until = time.monotonic() + bench.PATIENCE
            while not self.fourth_run():
                self.assertLess(time.monotonic(), until, "the trials don't get on")
                running._read_once(time.monotonic() + 0.05)
            running.send(signal.SIGINT)
            status = running.finish()
            told = running.said
        self.assertEqual(status, 130, told)
        report = self.load("some.json")
        self.assertTrue(report["interrupted"])
        self.assertEqual(self.verdicts(report), [("ending=lf", "VERDICT_HELD")])
        self.assertIn(b"Interrupted", told["stdout"])
        self.assertTrue(os.path.exists(self.path("kept/trial-0001.witness")))
        self.assertTrue(os.path.exists(self.path("some.xml")))

    def test_interrupted_while_it_makes_smaller_hands_over_all_verdicts(self):
        # Breaks at once with the split; with anything smaller it stays until it is ended.
        script = self.path("breaks.py")
        with open(script, "w") as text:
            text.write(STAYS_WHEN_SMALLER)
        with bench.Running(bench.BYTETRIAL, "run", "--jobs", "1", "--json", "some.json", MODULE,
                           "--vary", "ending=none", "--vary", "pace=burst", "--within", "300s",
                           "--", PYTHON, script, "{port}", cwd=self.folder) as running:
            until = time.monotonic() + bench.PATIENCE
            while not os.path.exists(self.path("smaller")):
                self.assertLess(time.monotonic(), until, "it makes nothing smaller")
                running._read_once(time.monotonic() + 0.05)
            running.send(signal.SIGINT)
            status = running.finish()
            told = running.said
        self.assertEqual(status, 130, told)
        report = self.load("some.json")
        self.assertTrue(report["interrupted"])
        self.assertEqual(self.verdicts(report), [("ending=none", "VERDICT_BROKE"),
                                                 ("pace=burst", "VERDICT_HELD")])
        self.assertIn(b"Interrupted", told["stdout"])
        self.assertEqual(bench.left_over(script), [])

    def test_what_a_program_leaves_and_uses_is_told(self):
        script = self.path("uses.py")
        with open(script, "w") as text:
            text.write(USES)
        done = self.run_trials("--json", "uses.json", "--shrink", "off", MODULE, "--vary",
                               "ending=none", "--vary", "extra=leftover", "--vary", "loss=none",
                               "--", PYTHON, script, "{port}")
        self.assertEqual(done.returncode, 1, done.stdout + done.stderr)
        trials = {t["name"]: t for t in self.load("uses.json")["trial"]}
        self.assertIn("left a process behind", json.dumps(trials["ending=none"]))
        self.assertEqual(trials["ending=none"]["diagnosis"][0]["name"], "leaves-process")
        self.assertNotIn("ended; left", done.stdout)
        self.assertIn("byte", json.dumps(trials["extra=leftover"].get("note", "")), done.stdout)
        self.assertIn("not read at its end", done.stdout)
        self.assertIn("processor time", json.dumps(trials["loss=none"]), done.stdout)
        self.assertEqual(bench.left_over(script), [])

    def fourth_run(self):
        """A fourth process of the program on trial is there, and three have come to their end."""
        ended = {name.rsplit(".", 1)[1] for name in glob.glob(self.path("run.*"))}
        living = {words.split()[0] for words in bench.left_over("touch \"run.$$\"")
                  if "bytetrial" not in words}
        return len(ended) == 3 and bool(living - ended)

    def test_saved_plan_breaks_again(self):
        done = self.run_trials("--keep", "kept", MODULE, "--vary", "ending=none", "--", PYTHON,
                               WATCH, "{port}", "exact")
        self.assertEqual(done.returncode, 1, done.stderr)
        plan = self.path("kept/broken-1.textproto")
        again = self.run_trials("--shrink", "off", "--json", "again.json", plan)
        self.assertEqual(again.returncode, 1, again.stdout + again.stderr)
        self.assertEqual(self.verdicts(self.load("again.json")),
                         [("ending=none@1", "VERDICT_BROKE")])


if __name__ == "__main__":
    unittest.main()
