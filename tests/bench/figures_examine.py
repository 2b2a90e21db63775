"""What examining a capture costs: speed against reading its events, and memory."""
# builds: examine_bench store_bench bytewitness
import json
import os
import pathlib
import subprocess
import sys
import tempfile

PROGRAMS = pathlib.Path(os.environ["BYTEWITNESS_BINARY_DIR"]) / "bin"
QUICK = os.environ.get("BENCH_QUICK") == "1"


def say(figure, value, wanted=None, spread=None, note=None):
    row = {"figure": figure, "value": value}
    for key, what in (("wanted", wanted), ("spread", spread), ("note", note)):
        if what is not None:
            row[key] = what
    print(json.dumps(row), flush=True)


def speed():
    for events, wanted in ((4_000_000, ">= 0.5"), (1_000_000, None)):
        rounds = "2" if QUICK else "7"
        out = subprocess.run([PROGRAMS / "examine_bench", "50000" if QUICK else str(events), rounds],
                             stdout=subprocess.PIPE, text=True, check=True).stdout
        for c in map(json.loads, out.splitlines()):
            say("speed of examine ÷ that of reading the events: %s, %d million" %
                (c["class"], events // 1_000_000), c["speed_of_reading"], wanted,
                c["noise"] * c["speed_of_reading"],
                "%.1f million events/s" % (c["events_per_second"] / 1e6))


def memory(folder):
    size = 50_000_000 if QUICK else 1_200_000_000
    path = os.path.join(folder, "large.witness")
    print("a capture of %d bytes decompressed" % size, file=sys.stderr)
    subprocess.run([PROGRAMS / "store_bench", "grow", path, str(size)], stdout=subprocess.DEVNULL,
                   check=True)
    process = subprocess.Popen([PROGRAMS / "bytewitness", "examine", path],
                               stdout=subprocess.DEVNULL, stdin=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        sys.exit("examine: exit status %d" % process.returncode)
    say("memory of examine on 1.2 GB, MB", usage.ru_maxrss / 1024, "<= 64")


def main():
    speed()
    with tempfile.TemporaryDirectory() as folder:
        memory(folder)


main()
