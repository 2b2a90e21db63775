"""What a sketch on trial costs: the observers, two hundred variations, memory, and that none leaks."""
# builds: sketch_bench bytetrial bytetrial-sketch test_sketches
import json
import os
import pathlib
import statistics
import subprocess
import sys
import tempfile
import threading
import time

BINARY = pathlib.Path(os.environ["BYTEWITNESS_BINARY_DIR"])
SOURCE = pathlib.Path(os.environ["BYTEWITNESS_SOURCE_DIR"])
QUICK = os.environ.get("BENCH_QUICK") == "1"
SKETCH = str(BINARY / "sketches/butt_watch_copes.elf")
PART = str(SOURCE / "samples/sedge-b.textproto")
PLACE = "pins:rx=10,tx=11"


def say(figure, value, wanted=None, spread=None, note=None):
    row = {"figure": figure, "value": value}
    for key, what in (("wanted", wanted), ("spread", spread), ("note", note)):
        if what is not None:
            row[key] = what
    print(json.dumps(row), flush=True)


def spread(values):
    quartiles = statistics.quantiles(values, n=4)
    return (quartiles[2] - quartiles[0]) / 2


def workers(parent):
    """Process ids of the workers that bytetrial has started, not of what they fork."""
    found = []
    for entry in pathlib.Path("/proc").iterdir():
        if not entry.name.isdigit():
            continue
        try:
            fields = (entry / "stat").read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        if int(fields[1]) == parent:
            found.append(entry)
    return found


def field(entry, name):
    for line in (entry / "status").read_text().splitlines():
        if line.startswith(name + ":"):
            return int(line.split()[1])
    return 0


def observers():
    rounds, trials = ("5", "200") if QUICK else ("11", "1000")
    done = subprocess.run([str(BINARY / "bin/sketch_bench"), SKETCH, PART, PLACE, rounds, trials],
                          capture_output=True, text=True, check=True)
    seen = json.loads(done.stdout)
    say("a sketch's trial with all observers: speed, against the bare emulator's",
        statistics.median(seen["ratio"]), ">= 0.9", spread(seen["ratio"]),
        "%.1f times real time a processor" % statistics.median(seen["times_real"]))
    few, many = seen["resident_kb"]
    say("boards made and ended in one process: growth from the 50th on, kB each",
        max(0, many - few) / (int(trials) - 50), "<= 0.1", note="%s trials" % trials)


def many_variations():
    """A conversation of about 3 s: four commands and the loop that asks again."""
    repeat = 1 if QUICK else 5
    count = 40 if QUICK else 200
    with tempfile.TemporaryDirectory() as folder:
        report = pathlib.Path(folder) / "report.json"
        memory = {}
        grown = {}
        over = threading.Event()

        def watch(process):
            while not over.wait(0.1):
                for entry in workers(process.pid):
                    try:
                        memory[entry.name] = max(memory.get(entry.name, 0), field(entry, "VmHWM"))
                        grown.setdefault(entry.name, []).append(field(entry, "VmRSS"))
                        for child in workers(int(entry.name)):
                            memory[child.name] = field(child, "VmHWM")
                    except OSError:
                        pass

        def run(times):
            began = time.monotonic()
            process = subprocess.Popen(
                [str(BINARY / "bin/bytetrial"), "run", PART, "--sketch", SKETCH, "--module-on",
                 PLACE, "--random", str(count), "--vary", "ending", "--vary", "split=each:5ms",
                 "--vary", "pace", "--vary", "turnaround", "--shrink", "off", "--repeat", str(times),
                 "--jobs", "2", "--json", str(report)], stdout=subprocess.DEVNULL)
            watcher = threading.Thread(target=watch, args=(process,))
            over.clear()
            watcher.start()
            _, status, usage = os.wait4(process.pid, 0)
            process.returncode = os.waitstatus_to_exitcode(status)
            over.set()
            watcher.join()
            if process.returncode not in (0, 1):
                raise SystemExit("bytetrial failed")
            return time.monotonic() - began, usage.ru_utime + usage.ru_stime

        run(1)
        trials = json.loads(report.read_text())["trial"]
        length = statistics.median(int(t["took_ns"]) for t in trials) / 1e9
        began = os.times()
        wall, _ = run(1)
        used = os.times()
        processor = (used.children_user + used.children_system - began.children_user -
                     began.children_system)
        say("%d variations of a conversation of %.1f s (virtual): seconds on two processors" %
            (len(trials), length), max(processor / 2, 0.0), "<= 60",
            note="processor time / 2; wall %.1f s on this machine as busy as it was" % wall)
        memory.clear()
        grown.clear()
        run(repeat)
        say("a sketch's worker: memory at most, MB", max(memory.values()) / 1000, "<= 32")
        growth = max(values[-1] - values[len(values) // 4] for values in grown.values())
        say("the same worker after %d trials: growth over the last three quarters, kB" %
            (repeat * len(trials)), growth, "<= 200")


observers()
many_variations()
