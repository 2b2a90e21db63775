#!/usr/bin/env python3
"""Every fault of the sample scripts is found and named; no good twin is called broken.

  faults_test.py BYTETRIAL WATCH_BINARY [--only TEXT]

Runs `bytetrial run` with real programs on real ptys, several at once, as trials wait rather than
work. Nothing here waits for a fixed time. A machine too busy to tell is told by the verdict (no
contest); then the same is tried again, some times.
"""
import concurrent.futures
import json
import pathlib
import subprocess
import sys
import tempfile

SOURCE = pathlib.Path(__file__).resolve().parents[2]
FAULTS = SOURCE / "samples/faults"
PYTHON = ["/usr/bin/python3", str(FAULTS / "watch.py"), "{port}"]
SHELL = ["bash", str(FAULTS / "watch.sh"), "{port}"]
BINARY = ["WATCH", "{port}"]
BROKEN = {"VERDICT_BROKE", "VERDICT_SLOW"}
AT_ONCE = 8
TRIES = 4
LATE_NS = 10_000_000

# A program and its fault; for each variation what is to be said of it, and to what it shrinks (the
# beginning of it).
CASES = [
    (PYTHON, "waits-lf", [("ending=none", "waits-for-line-ending", "ending=none@"),
                          ("ending=cr", "waits-for-line-ending", "ending=cr@")]),
    (PYTHON, "exact", [("ending=none", "compares-with-line-ending", "ending=none@1"),
                       ("ending=lf", "compares-with-line-ending", "ending=lf@1")]),
    (PYTHON, "too-early", [("split=bytes:30ms", "reads-too-early", "split=")]),
    (PYTHON, "first-line", [("echo=whole", "takes-echo", "echo=whole"),
                            ("extra=before", "takes-unsolicited", "extra=before@1")]),
    (PYTHON, "keeps-leftover", [("extra=leftover", "takes-leftover", "extra=leftover@")]),
    (PYTHON, "gives-up", [("turnaround=700ms", "gives-up-early", "turnaround=")]),
    (PYTHON, "no-timeout", [("loss=none", "waits-for-ever", "loss=none@1")]),
    (PYTHON, "cuts", [("length=128", "cuts-long-reply", "length=")]),
    (PYTHON, "decodes", [("rubbish=ff", "cannot-decode", "rubbish=ff@1")]),
    (PYTHON, "counts", [("ending=none", "reads-fixed-count", "ending=none@")]),
    (PYTHON, "presumes", [("loss=none", "crashes-without-reply", "loss=none@1")]),
    (SHELL, "waits-lf", [("ending=none", "waits-for-line-ending", "ending=none@1")]),
    (SHELL, "exact", [("ending=none", "compares-with-line-ending", "ending=none@1")]),
    (SHELL, "too-early", [("split=3:900ms", "reads-too-early", "split=3:")]),
    (SHELL, "first-line", [("extra=before", "takes-unsolicited", "extra=before@1")]),
    (BINARY, "waits-lf", [("ending=none", "waits-for-line-ending", "ending=none@")]),
    (BINARY, "exact", [("ending=none", "compares-with-line-ending", "ending=none@1")]),
    (BINARY, "too-early", [("split=3:900ms", "reads-too-early", "split=3:")]),
    (BINARY, "first-line", [("echo=whole", "takes-echo", "echo=whole")]),
    (BINARY, "keeps-leftover", [("extra=leftover", "takes-leftover", "extra=leftover@")]),
    (BINARY, "no-timeout", [("loss=none", "waits-for-ever", "loss=none@1")]),
]
# Variations that every good twin has to hold.
GOOD = ["ending", "split", "pace", "turnaround", "echo", "extra", "loss", "length", "rubbish"]


def main():
    bytetrial, watch = sys.argv[1:3]
    only = sys.argv[4] if len(sys.argv) > 4 else ""

    def run(words, program, folder):
        program = [watch if word == "WATCH" else word for word in program]
        report = pathlib.Path(folder) / "report.json"
        for _ in range(TRIES):
            done = subprocess.run(
                [bytetrial, "run", *words, "--json", str(report), *(["--", *program] if program else [])],
                capture_output=True, text=True, timeout=280)
            if done.returncode not in (0, 1):
                raise SystemExit("bytetrial failed: " + done.stderr)
            found = json.loads(report.read_text())
            # A baseline that is no contest for a reason that is named is what was found.
            told = [t for t in [found["baseline"], *found.get("trial", [])]
                    if t["verdict"] == "VERDICT_NO_CONTEST" and not t.get("diagnosis")]
            if not told:
                break
        return found, done

    def one_fault(program, fault, wanted):
        results = []
        with tempfile.TemporaryDirectory() as folder:
            words = [str(FAULTS / "module.textproto"), "--keep", folder, "--shrink", "every",
                     "--within", "8s"]
            for variation, _, _ in wanted:
                words += ["--vary", variation]
            report, done = run(words, program + [fault], folder)
            seen = done.stdout + done.stderr
            for (variation, name, smallest), trial in zip(wanted, report.get("trial", [])):
                what = "%s %s %s" % (pathlib.Path(program[0]).name, fault, variation)
                named = [d["name"] for d in trial.get("diagnosis", [])]
                results.append((report["baseline"]["verdict"] == "VERDICT_HELD" and
                                trial["verdict"] in BROKEN and named[:1] == [name],
                                "%s: %s" % (what, name), seen))
                results.append(([s for s in trial.get("smallest", []) if s.startswith(smallest)] ==
                                trial.get("smallest", [0]), "%s shrinks to %s" % (what, smallest), seen))
                if not trial.get("plan"):
                    continue
                for _ in range(TRIES):
                    again, done = run([trial["plan"], "--shrink", "off"], [], folder)
                    # What we sent late ourselves, as a busy machine makes us, was not the plan.
                    late = int(again.get("timing", {}).get("max_ns", 0))
                    if again["trial"][0]["verdict"] in BROKEN or late < LATE_NS:
                        break
                results.append((again["trial"][0]["verdict"] in BROKEN,
                                what + ": the saved plan reproduces it", done.stdout + done.stderr))
            if len(results) < 2 * len(wanted):
                results.append((False, fault + ": trials are missing", seen))
        return results

    def good_twin(program):
        with tempfile.TemporaryDirectory() as folder:
            words = [str(FAULTS / "module.textproto")]
            for factor in GOOD:
                words += ["--vary", factor]
            report, done = run(words, program, folder)
        return [(done.returncode == 0 and len(report["trial"]) > 30,
                 "good twin " + pathlib.Path(program[0]).name, done.stdout + done.stderr)]

    def command_ending():
        with tempfile.TemporaryDirectory() as folder:
            bare = [str(FAULTS / "bare.textproto")]
            report, done = run(bare, PYTHON + ["--ending", "crlf"], folder)
            named = [d["name"] for d in report["baseline"].get("diagnosis", [])]
            results = [(report["baseline"]["verdict"] == "VERDICT_NO_CONTEST" and
                        named == ["wrong-command-ending"],
                        "sends CR LF to a module that takes none", done.stdout)]
            report, done = run(bare, PYTHON + ["--ending", "none"], folder)
            results.append((done.returncode == 0, "good twin that sends none", done.stdout))
        return results

    # The long ones first.
    work = [("good twin " + program[0], good_twin, (program,)) for program in (PYTHON, SHELL, BINARY)]
    work += [("%s %s" % (program[0], fault), one_fault, (program, fault, wanted))
             for program, fault, wanted in CASES]
    work.append(("command ending", command_ending, ()))
    failures = 0
    with concurrent.futures.ThreadPoolExecutor(AT_ONCE) as pool:
        running = [pool.submit(call, *arguments) for name, call, arguments in work if only in name]
        for one in running:
            for good, what, detail in one.result():
                print("ok    " if good else "FAILED", what, flush=True)
                if not good:
                    failures += 1
                    print(detail, flush=True)
    raise SystemExit(1 if failures or not running else 0)


main()
