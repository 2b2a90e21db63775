#!/usr/bin/env python3
"""Every fault of a sketch is found and named; no good twin is called broken.

  sketch_faults_test.py BYTETRIAL SKETCHES [--only TEXT]

Puts the ELF files in SKETCHES (built from tests/replay/subject/sketch/sketches/watch.ino) on trial in
virtual time: nothing here depends on how fast the machine is.
"""
import json
import pathlib
import subprocess
import sys
import tempfile

SOURCE = pathlib.Path(__file__).resolve().parents[2]
MODULE = str(SOURCE / "samples/faults/module.textproto")
BARE = str(SOURCE / "samples/faults/bare.textproto")
SOFT = ["--module-on", "pins:rx=10,tx=11"]
HARD = ["--module-on", "uart0", "--talk-on", "pins:rx=8,tx=9"]
BROKEN = {"VERDICT_BROKE", "VERDICT_SLOW"}

# Sketch, where the module is, variation (none: as recorded), what is to be said of it.
CASES = [
    ("lf", "ending=none", "waits-for-line-ending"),
    ("lf", "ending=cr", "waits-for-line-ending"),
    ("exact", "ending=none", "compares-with-line-ending"),
    ("exact", "ending=lf", "compares-with-line-ending"),
    ("early", "split=5:60ms", "reads-too-early"),
    ("first", "extra=before", "takes-unsolicited"),
    ("first", "echo=late:50ms", "takes-echo"),
    ("busy", "length=128", "loses-bytes"),
    ("forever", "loss=none", "waits-for-ever"),
    ("dog", "loss=none", "restarts"),
    ("talks", "turnaround=130ms", "gives-up-early"),
]
ONE_SIDED = [
    ("watch_deaf", SOFT, "", "listens-elsewhere"),
    # (At a software port what is left of a reply is lost while the next command goes out.)
    ("watch_hard_leftover", HARD, "extra=leftover", "takes-leftover"),
    ("watch_hasty", SOFT, "", "sends-while-receiving"),
    ("watch_talks", SOFT, "turnaround=105ms", "reads-too-early"),
    ("watch_hard_flush", HARD, "", "cuts-own-command"),
    ("watch", ["--module-on", "uart0"], "", "module-elsewhere"),
    ("watch_hard", ["--module-on", "uart0:baud=19200", "--talk-on", "pins:rx=8,tx=9"], "",
     "wrong-rate"),
]
SHRUNK = {"watch_lf", "watch_hard_busy"}  # the others save time
# Variations that every good twin has to hold, on either kind of port.
GOOD = ["ending", "split", "pace", "turnaround", "echo", "extra=before,after,leftover,banner",
        "loss", "length=64,128", "rubbish", "rate", "jitter", "stop", "glitch", "break"]


def main():
    bytetrial, sketches = sys.argv[1:3]
    only = sys.argv[4] if len(sys.argv) > 4 else ""
    failures = 0

    def check(good, what, detail):
        nonlocal failures
        print("ok    " if good else "FAILED", what, flush=True)
        if not good:
            failures += 1
            print(detail, flush=True)

    def run(folder, file, name, place, arguments):
        report = pathlib.Path(folder) / "report.json"
        done = subprocess.run(
            [bytetrial, "run", file, "--sketch", f"{sketches}/{name}.elf", *place, *arguments,
             "--json", str(report), "--keep", folder], capture_output=True, text=True, timeout=280)
        if done.returncode not in (0, 1):
            raise SystemExit("bytetrial failed: " + done.stderr)
        return json.loads(report.read_text()), done

    def named(trial):
        return [d["name"] for d in trial.get("diagnosis", [])]

    with tempfile.TemporaryDirectory() as folder:
        cases = ONE_SIDED.copy()
        for fault, variation, name in CASES:
            cases.append(("watch_" + fault, SOFT, variation, name))
            cases.append(("watch_hard_" + fault, HARD, variation, name))
        for sketch, place, variation, name in cases:
            what = f"{sketch} {variation or 'as recorded'}: {name}"
            if only not in what:
                continue
            report, done = run(folder, MODULE, sketch, place,
                               ["--vary", variation or "ending=none", "--shrink",
                                "first" if sketch in SHRUNK else "off"])
            said = done.stdout + done.stderr
            if not variation:
                check(report["baseline"]["verdict"] == "VERDICT_NO_CONTEST" and
                      named(report["baseline"])[:1] == [name], what, said)
                continue
            trial = report["trial"][0]
            check(report["baseline"]["verdict"] == "VERDICT_HELD" and trial["verdict"] in BROKEN and
                  named(trial)[:1] == [name], what, said)
            if "plan" in trial:
                again = subprocess.run([bytetrial, "run", trial["plan"], "--shrink", "off"],
                                       capture_output=True, text=True, timeout=280)
                check(again.returncode == 1, what + ": the saved plan reproduces it",
                      again.stdout + again.stderr)
        good = [word for factor in GOOD for word in ("--vary", factor)]
        for sketch, place in (("watch", SOFT), ("watch_hard", HARD)):
            if only in "good twin " + sketch:
                report, done = run(folder, MODULE, sketch, place, good)
                check(done.returncode == 0, "good twin " + sketch, done.stdout + done.stderr)
        # A module that takes a command bare: with CR LF in it, it is another command.
        if only in "CR in the name":
            report, done = run(folder, BARE, "watch", SOFT, ["--vary", "ending=none"])
            check(report["baseline"]["verdict"] == "VERDICT_NO_CONTEST" and
                  named(report["baseline"])[:1] == ["wrong-command-ending"], "CR in the name",
                  done.stdout)
            report, done = run(folder, BARE, "watch_bare", SOFT, ["--vary", "ending=crlf"])
            check(done.returncode == 0, "good twin that sends none", done.stdout + done.stderr)
    raise SystemExit(1 if failures else 0)


main()
