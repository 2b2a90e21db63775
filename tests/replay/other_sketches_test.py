#!/usr/bin/env python3
"""Sketches written in many manners: no good one is called broken, every faulty one is found, and named
for what it is or not at all.

  other_sketches_test.py BYTETRIAL SKETCHES [NAME...]
"""
import json
import pathlib
import subprocess
import sys
import tempfile

SOURCE = pathlib.Path(__file__).resolve().parents[2]
BYTETRIAL, SKETCHES = sys.argv[1:3]
ONLY = sys.argv[3:]
# Their module is on the hardware port.
HARD = {"find", "event", "shows_raw", "rate_change", "transmitter_off"}
# So too, and where they print has to be found out.
FOUND = {"leaves", "clears"}

GOOD = ["heartbeat", "blink", "find", "interrupts", "twoports", "silent", "stamped", "uptime",
        "event", "sleep", "retry", "reads_along", "by_the_reply", "shows_raw", "clears"]
GOOD_TRIES = ["ending=none pace=burst", "split=5:60ms extra=leftover", "turnaround=250ms ending=cr",
              "loss=drop"]
# Sketch, variation, what may be said of it.
FAULTY = [
    ("fixedbytes", "ending=none", {"reads-fixed-count"}),
    ("crstays", "ending=lf", {"compares-with-line-ending"}),
    ("smallbuffer", "length=128", {"crashes", "crashes-on-other-reply", "fails-on-long-reply"}),
    ("delayread", "turnaround=250ms", {"gives-up-early"}),
    ("offset", "ending=lf", {"compares-with-line-ending"}),
    ("offset", "echo=whole", {"takes-echo"}),
    ("wait", "loss=none", {"waits-for-ever"}),
    ("silentfault", "ending=lf", {"compares-with-line-ending"}),
    ("firstline", "extra=before", {"takes-unsolicited"}),
    ("overflows", "length=128", {"loses-bytes"}),
    ("by_the_clock", "turnaround=next", {"sends-while-receiving"}),
    ("leaves", "extra=leftover", {"takes-leftover"}),
    ("leaves", "extra=after", {"takes-leftover"}),
    ("dots", "turnaround=250ms", {"sends-while-receiving"}),
    ("pieces", "pace=pause:50ms", {"reads-too-early"}),
    ("gives_back", "ending=none", {"sends-line-ending", "waits-for-line-ending"}),
]
# Those that fail with the replies as recorded.
FAILING = [("rate_change", "cuts-own-command"), ("transmitter_off", "cuts-own-command")]


def run(name, tries, folder):
    place = (["--module-on", "uart0"] if name in FOUND else
             ["--module-on", "uart0", "--talk-on", "pins:rx=8,tx=9"] if name in HARD else
             ["--module-on", "pins:rx=10,tx=11"])
    report = pathlib.Path(folder) / "report.json"
    done = subprocess.run(
        [BYTETRIAL, "run", str(SOURCE / "samples/sedge-b.textproto"), "--sketch",
         "%s/other_%s.elf" % (SKETCHES, name), *place, "--shrink", "off", "--json", str(report),
         *[word for one in tries for word in ("--try", one)]],
        capture_output=True, text=True, timeout=280)
    if done.returncode not in (0, 1):
        raise SystemExit("bytetrial failed: " + done.stderr)
    return json.loads(report.read_text()), done


failures = 0
with tempfile.TemporaryDirectory() as folder:
    for name in GOOD:
        if ONLY and name not in ONLY:
            continue
        report, done = run(name, GOOD_TRIES, folder)
        good = done.returncode == 0 and len(report["trial"]) == len(GOOD_TRIES)
        failures += not good
        print("ok    " if good else "FAILED", name, "" if good else done.stdout, flush=True)
    tries = {}
    for name, variation, _ in FAULTY:
        tries.setdefault(name, []).append(variation)
    for name, variations in tries.items():
        if ONLY and name not in ONLY:
            continue
        report, done = run(name, variations, folder)
        for trial in report.get("trial", []):
            allowed = next(a for n, v, a in FAULTY if n == name and v == trial["name"])
            said = {d["name"] for d in trial.get("diagnosis", [])[:1]}
            good = trial["verdict"] in ("VERDICT_BROKE", "VERDICT_SLOW") and said <= allowed
            failures += not good
            print("ok    " if good else "FAILED", name, trial["name"], " ".join(said) or "not known",
                  "" if good else done.stdout, flush=True)
        if report["baseline"]["verdict"] != "VERDICT_HELD":
            failures += 1
            print("FAILED", name, done.stdout, flush=True)
    for name, diagnosis in FAILING:
        if ONLY and name not in ONLY:
            continue
        report, done = run(name, ["ending=none"], folder)
        baseline = report["baseline"]
        said = {d["name"] for d in baseline.get("diagnosis", [])[:1]}
        good = baseline["verdict"] == "VERDICT_NO_CONTEST" and said == {diagnosis}
        failures += not good
        print("ok    " if good else "FAILED", name, " ".join(said), "" if good else done.stdout,
              flush=True)
sys.exit(1 if failures else 0)
