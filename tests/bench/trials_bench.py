#!/usr/bin/env python3
"""Many trials at once: 500 trials of a conversation of two seconds, and the same ones one at a time.

  trials_bench.py BYTETRIAL WATCH_BINARY [--trials 500] [--one-at-a-time 12] [--side-by-side 1]

Prints wall time, the ratio to the time that the trials take in a row, and whether the verdicts of
both ways are equal. `--one-at-a-time 500` compares them all; that takes as long as it says, or, with
`--side-by-side 4`, a quarter of it: four runs that each make their trials one at a time.
"""
import argparse
import concurrent.futures
import json
import pathlib
import subprocess
import tempfile
import time

MODULE = """command_end { terminator: "\\r\\n" }
rule { command: "AT" answer { piece { after: "550ms" say: "\\r\\nOK\\r\\n" } } }
rule { command: "AT+FW?" answer { piece { after: "550ms" say: "\\r\\n+FW: sedge-b 1.8\\r\\n\\r\\nOK\\r\\n" } } }
rule { command: "AT+SIGNAL?" answer { piece { after: "550ms" say: "\\r\\n+SIGNAL: -71\\r\\n\\r\\nOK\\r\\n" } } }
"""


def run(options, folder, tries, jobs, name="plan"):
    plan = folder / (name + ".textproto")
    text = 'part_file: "module.textproto"\n'
    text += "program { %s }\n" % " ".join('argument: "%s"' % word
                                         for word in (options.watch, "{port}", "exact"))
    for names in tries:
        text += "try { %s }\n" % " ".join('variation: "%s"' % name for name in names)
    plan.write_text(text)
    report = folder / (name + ".json")
    began = time.monotonic()
    done = subprocess.run([options.bytetrial, "run", str(plan), "--jobs", str(jobs), "--shrink", "off",
                           "--json", str(report)], capture_output=True, text=True)
    took = time.monotonic() - began
    if done.returncode not in (0, 1):
        raise SystemExit(done.stderr)
    trials = json.loads(report.read_text())["trial"]
    return took, {t["name"]: t["verdict"] for t in trials}, sum(int(t["took_ns"]) for t in trials) / 1e9


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("bytetrial")
    parser.add_argument("watch")
    parser.add_argument("--trials", type=int, default=500)
    parser.add_argument("--one-at-a-time", type=int, default=12)
    parser.add_argument("--jobs", type=int, default=64)
    parser.add_argument("--side-by-side", type=int, default=1)
    options = parser.parse_args()
    # Mostly trials that hold; one in a hundred breaks ("exact" knows one ending only).
    tries = [["turnaround=%dms" % (500 + i)] + (["ending=none"] if i % 100 == 50 else [])
             for i in range(options.trials)]
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        (folder / "module.textproto").write_text(MODULE)
        took, together, in_a_row = run(options, folder, tries, options.jobs)
        print("%d trials, %d at once: %.1f s; one after the other they last %.0f s: ratio %.1f"
              % (len(tries), options.jobs, took, in_a_row, in_a_row / took))
        print("verdicts together:", {v: list(together.values()).count(v) for v in set(together.values())})
        some = tries if options.one_at_a_time >= len(tries) else (
            tries[50::100] + [one for one in tries if one not in tries[50::100]])[:options.one_at_a_time]
        began, alone, rows = time.monotonic(), {}, options.side_by_side
        with concurrent.futures.ThreadPoolExecutor(rows) as pool:
            for _, verdicts, _ in pool.map(
                    lambda row: run(options, folder, some[row::rows], 1, "row-%d" % row), range(rows)):
                alone.update(verdicts)
        print("one at a time%s, %d of them: %.1f s" % (
            ", in %d rows" % rows if rows > 1 else "", len(some), time.monotonic() - began))
        print("verdicts alone:", {v: list(alone.values()).count(v) for v in set(alone.values())})
        different = [n for n in alone if alone[n] != together[n]]
        print("verdicts are equal" if not different else "verdicts differ: %s" % different)
        raise SystemExit(1 if different else 0)


main()
