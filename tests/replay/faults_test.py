#!/usr/bin/env python3
"""Every fault of the sample scripts is found and named; no good twin is called broken.

  faults_test.py BYTETRIAL WATCH_BINARY [--only TEXT]

Runs `bytetrial run` with real programs on real ptys. Nothing here waits for a fixed time: a busy
machine makes it slower, and trials that look bad are repeated alone.
"""
import json
import pathlib
import subprocess
import sys
import tempfile

SOURCE = pathlib.Path(__file__).resolve().parents[2]
FAULTS = SOURCE / "samples/faults"
PYTHON = ["/usr/bin/python3", str(FAULTS / "watch.py"), "{port}"]
SHELL = ["bash", str(FAULTS / "watch.sh"), "{port}"]
BROKEN = {"VERDICT_BROKE", "VERDICT_SLOW"}

# What a fault's script is given, what is to be said of it, and to what it shrinks (a beginning).
CASES = [
    (PYTHON + ["waits-lf"], "ending=none", "waits-for-line-ending", "ending=none"),
    (PYTHON + ["waits-lf"], "ending=cr", "waits-for-line-ending", "ending=cr"),
    (PYTHON + ["exact"], "ending=none", "compares-with-line-ending", "ending=none"),
    (PYTHON + ["exact"], "ending=lf", "compares-with-line-ending", "ending=lf"),
    (PYTHON + ["too-early"], "split=bytes:30ms", "reads-too-early", "split="),
    (PYTHON + ["first-line"], "echo=whole", "takes-echo", "echo=whole"),
    (PYTHON + ["first-line"], "extra=before", "takes-unsolicited", "extra=before"),
    (PYTHON + ["keeps-leftover"], "extra=leftover", "takes-leftover", "extra=leftover"),
    (PYTHON + ["gives-up"], "turnaround=700ms", "gives-up-early", "turnaround="),
    (PYTHON + ["no-timeout"], "loss=none", "waits-for-ever", "loss=none"),
    (PYTHON + ["cuts"], "length=128", "cuts-long-reply", "length="),
    (PYTHON + ["decodes"], "rubbish=ff", "cannot-decode", "rubbish=ff"),
    (SHELL + ["waits-lf"], "ending=none", "waits-for-line-ending", "ending=none"),
    (SHELL + ["exact"], "ending=none", "compares-with-line-ending", "ending=none"),
    (SHELL + ["too-early"], "split=3:900ms", "reads-too-early", "split="),
    (["WATCH", "{port}", "waits-lf"], "ending=none", "waits-for-line-ending", "ending=none"),
    (["WATCH", "{port}", "exact"], "ending=none", "compares-with-line-ending", "ending=none"),
    (["WATCH", "{port}", "too-early"], "split=3:900ms", "reads-too-early", "split="),
]
# Variations that every good twin has to hold.
GOOD = ["ending", "split", "pace", "turnaround", "echo", "extra=before,after,leftover,banner",
        "loss", "length", "rubbish"]


def run(bytetrial, watch, program, arguments, folder):
    program = [watch if word == "WATCH" else word for word in program]
    report = pathlib.Path(folder) / "report.json"
    done = subprocess.run(
        [bytetrial, "run", *arguments, "--json", str(report), "--keep", folder, "--within", "20s",
         "--", *program], capture_output=True, text=True, timeout=280)
    if done.returncode not in (0, 1):
        raise SystemExit("bytetrial failed: " + done.stderr)
    return json.loads(report.read_text()), done


def main():
    bytetrial, watch = sys.argv[1:3]
    only = sys.argv[4] if len(sys.argv) > 4 else ""
    failures = 0

    def check(good, what, detail):
        nonlocal failures
        print("ok    " if good else "FAILED", what, flush=True)
        if not good:
            failures += 1
            print(detail, flush=True)

    with tempfile.TemporaryDirectory() as folder:
        module = str(FAULTS / "module.textproto")
        for program, variation, name, smallest in CASES:
            what = " ".join(program[-3:]).replace(str(FAULTS) + "/", "") + " " + variation
            if only not in what:
                continue
            report, done = run(bytetrial, watch, program, [module, "--vary", variation], folder)
            trial = report["trial"][0]
            named = [d["name"] for d in trial.get("diagnosis", [])]
            check(report["baseline"]["verdict"] == "VERDICT_HELD" and trial["verdict"] in BROKEN and
                  named[:1] == [name] and
                  any(s.startswith(smallest) for s in trial.get("smallest", [])), what + ": " + name,
                  done.stdout + done.stderr)
            again = subprocess.run([bytetrial, "run", trial["plan"], "--shrink", "off"],
                                   capture_output=True, text=True, timeout=280)
            check(again.returncode == 1, what + ": the saved plan reproduces it",
                  again.stdout + again.stderr)
        for program in (PYTHON, SHELL, ["WATCH", "{port}"]):
            what = "good twin " + " ".join(program[-2:]).replace(str(FAULTS) + "/", "")
            if only not in what:
                continue
            arguments = [module]
            for factor in GOOD:
                arguments += ["--vary", factor]
            report, done = run(bytetrial, watch, program, arguments, folder)
            check(done.returncode == 0, what, done.stdout + done.stderr)
        if only in "sends CR LF":
            report, done = run(bytetrial, watch, PYTHON + ["--ending", "crlf"],
                               [str(FAULTS / "bare.textproto")], folder)
            named = [d["name"] for d in report["baseline"].get("diagnosis", [])]
            check(report["baseline"]["verdict"] == "VERDICT_NO_CONTEST" and
                  named == ["wrong-command-ending"], "sends CR LF to a module that takes none",
                  done.stdout)
            report, done = run(bytetrial, watch, PYTHON + ["--ending", "none"],
                               [str(FAULTS / "bare.textproto")], folder)
            check(done.returncode == 0, "good twin that sends none", done.stdout + done.stderr)
    raise SystemExit(1 if failures else 0)


main()
