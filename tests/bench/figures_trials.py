#!/usr/bin/python3 -B
"""Figures of trials: many at once against one at a time, and how punctual our sends are.
"""
# builds: bytetrial sample_watch send_timing_bench
import json
import os
import pathlib
import re
import subprocess
import sys

BINARY = pathlib.Path(os.environ["BYTEWITNESS_BINARY_DIR"]) / "bin"
HERE = pathlib.Path(__file__).resolve().parent
QUICK = os.environ.get("BENCH_QUICK") == "1"


def program(name):
    found = [path for path in (BINARY / name, BINARY.parent / "tests" / name) if path.exists()]
    if not found:
        raise SystemExit("%s is not built" % name)
    return str(found[0])


def show(**row):
    print(json.dumps(row), flush=True)


def said(pattern, text):
    found = re.search(pattern, text)
    if not found:
        raise SystemExit("not understood: " + text)
    return found


trials = 60 if QUICK else 500
done = subprocess.run(
    ["/usr/bin/python3", "-B", str(HERE / "trials_bench.py"), program("bytetrial"),
     program("sample_watch"), "--trials", str(trials), "--one-at-a-time", "12" if QUICK else "500",
     "--side-by-side", "1" if QUICK else "8"], capture_output=True, text=True)
sys.stderr.write(done.stdout + done.stderr)
seconds = float(said(r"at once: ([0-9.]+) s", done.stdout).group(1))
ratio = float(said(r"ratio ([0-9.]+)", done.stdout).group(1))
compared = int(said(r", ([0-9]+) of them", done.stdout).group(1))
different = said(r"verdicts (are equal|differ: .*)", done.stdout).group(1)
show(figure="%d trials of a conversation of 2 s, seconds" % trials, value=seconds,
     wanted="<= %.1f" % (40 * trials / 500), note="a row of them lasts %.1f times as long" % ratio)
show(figure="verdicts that one at a time differ, of %d" % compared,
     value=0 if different == "are equal" else different.count("'") // 2, wanted="<= 0")

timing = subprocess.run([program("send_timing_bench"), "400" if QUICK else "4000"],
                        capture_output=True, text=True)
sys.stderr.write(timing.stdout)
show(figure="sends 10 ms apart: 99 % of the live player against a bare loop", wanted="<= 1.5",
     value=float(said(r"ratio of p99: ([0-9.]+)", timing.stdout).group(1)),
     note=re.sub(r"\s+", " ", said(r"live player.*", timing.stdout).group(0)))
