"""What an exhibit of a large capture costs: the page's size, time and memory to make it, and how quick
it is in a browser; each against the same of a small capture."""
# builds: bytewitness
import json
import os
import pathlib
import statistics
import subprocess
import sys
import tempfile
import time

PROGRAM = str(pathlib.Path(os.environ["BYTEWITNESS_BINARY_DIR"]) / "bin" / "bytewitness")
BROWSER = pathlib.Path(__file__).resolve().parent.parent / "browser" / "large.mjs"
QUICK = os.environ.get("BENCH_QUICK") == "1"
LARGE, SMALL = (40_000, 4_000) if QUICK else (1_000_000, 10_000)


def say(figure, value, wanted=None, spread=None, note=None):
    row = {"figure": figure, "value": value}
    for key, what in (("wanted", wanted), ("spread", spread), ("note", note)):
        if what is not None:
            row[key] = what
    print(json.dumps(row), flush=True)


def spread(values):
    return (max(values) - min(values)) / 2


def run(*words):
    """Wall seconds and peak memory in MB."""
    began = time.monotonic()
    process = subprocess.Popen([PROGRAM, *words], stdout=subprocess.DEVNULL,
                               stderr=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        sys.exit("%s: exit status %d" % (" ".join(words), process.returncode))
    return time.monotonic() - began, usage.ru_maxrss / 1024


def capture(path, events):
    """A long dialogue in the demo scenario, with pauses from milliseconds to hours."""
    feeder = subprocess.Popen([PROGRAM, "import", "--from", "jsonl", "-", "-o", path, "--baud", "9600"],
                              stdin=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    at = 0
    for i in range(events // 4):
        at += 900_000_000 if i % 5000 else 3_600_000_000_000
        command = ("AT+SIGNAL?", "AT+CHAN?", "AT")[i % 3]
        feeder.stdin.write('{"at_ns": %d, "side": "host", "text": "%s\\r\\n"}\n' % (at, command))
        feeder.stdin.write('{"at_ns": %d, "side": "module", "text": "\\r\\n+SIGNAL: -%d\\r\\n"}\n' %
                           (at + 18_000_000 + i % 977 * 1000, i % 113))
        feeder.stdin.write('{"at_ns": %d, "side": "module", "text": "\\r\\nOK\\r\\n"}\n' %
                           (at + 21_000_000 + i % 977 * 1000))
        feeder.stdin.write('{"at_ns": %d, "side": "module", "text": "+JOIN: %d\\r\\n"}\n' %
                           (at + 400_000_000, i % 1000))
    feeder.stdin.close()
    if feeder.wait() != 0:
        sys.exit("the capture could not be made")


def main():
    with tempfile.TemporaryDirectory(prefix="exhibit-") as folder:
        name = {n: os.path.join(folder, "%d" % n) for n in (SMALL, LARGE)}
        for n, path in name.items():
            print("capture of %d events" % n, file=sys.stderr)
            capture(path + ".witness", n)
        ratios, memory = [], {}
        for _ in range(1 if QUICK else 3):
            examined, _ = run("examine", name[LARGE] + ".witness")
            for n, path in name.items():
                took, memory[n] = run("exhibit", path + ".witness", "-o", path + ".html")
            ratios.append(took / examined)
        size = {n: os.path.getsize(path + ".html") for n, path in name.items()}
        say("page of %d events, MB" % LARGE, size[LARGE] / 1e6, note="capture %.1f MB, in base64 inside" %
            (os.path.getsize(name[LARGE] + ".witness") / 1e6))
        say("making the page ÷ examining", statistics.median(ratios), "<= 4", spread(ratios))
        say("memory to make it, MB", memory[LARGE], "<= 128",
            note="of %d events %.0f" % (SMALL, memory[SMALL]))
        views = {n: [] for n in name}
        for _ in range(1 if QUICK else 3):
            out = subprocess.run(["node", BROWSER, name[SMALL] + ".html", name[LARGE] + ".html"],
                                 stdout=subprocess.PIPE, text=True, check=True).stdout
            for n, line in zip((SMALL, LARGE), out.splitlines()):
                views[n].append(json.loads(line))
        for key, words, wanted in (
                ("first_view", "opening to first view", "<= 50"),
                ("zoom_median", "a step of zoom (half of them within)", "<= 2"),
                ("zoom_95", "a step of zoom (95 % within)", "<= 3"),
                ("scroll_median", "a leap in the list (half of them within)", "<= 2"),
                ("scroll_95", "a leap in the list (95 % within)", "<= 3"),
                ("search", "searching everything", None)):
            large = [v[key] for v in views[LARGE]]
            small = [v[key] for v in views[SMALL]]
            ratios = [a / b for a, b in zip(large, small)]
            say("%s, %d ÷ %d events" % (words, LARGE, SMALL), statistics.median(ratios), wanted,
                spread(ratios), "%.0f ms ÷ %.0f ms" % (statistics.median(large),
                                                       statistics.median(small)))
        say("memory of the page's script, MB", max(v["heap_mb"] for v in views[LARGE]))


main()
