"""What a capture costs: room, time to write, to read and to seek, memory, and a recorder's share of a
processor."""
# builds: store_bench pty_bench bytewitness
import json
import os
import pathlib
import statistics
import subprocess
import sys
import tempfile
import time

PROGRAMS = pathlib.Path(os.environ["BYTEWITNESS_BINARY_DIR"]) / "bin"
QUICK = os.environ.get("BENCH_QUICK") == "1"
BYTEWITNESS = str(PROGRAMS / "bytewitness")


def say(figure, value, wanted=None, spread=None, note=None):
    row = {"figure": figure, "value": value}
    for key, what in (("wanted", wanted), ("spread", spread), ("note", note)):
        if what is not None:
            row[key] = what
    print(json.dumps(row), flush=True)


def talk(what):
    print(what, file=sys.stderr, flush=True)


def spread(values):
    if len(values) < 4:
        return (max(values) - min(values)) / 2
    quartiles = statistics.quantiles(values, n=4)
    return (quartiles[2] - quartiles[0]) / 2


def run(*arguments, to=subprocess.DEVNULL, statuses=(0,)):
    """Runs a program to its end: wall and CPU seconds, peak memory in MB."""
    began = time.monotonic()
    process = subprocess.Popen(arguments, stdout=to, stderr=subprocess.DEVNULL,
                               stdin=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in statuses:
        sys.exit("%s: exit status %d" % (" ".join(arguments), process.returncode))
    return time.monotonic() - began, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def classes():
    talk("traffic classes: size, writing, reading")
    events, rounds = ("50000", "2") if QUICK else ("1000000", "5")
    out = subprocess.run([PROGRAMS / "store_bench", events, rounds], stdout=subprocess.PIPE,
                         text=True, check=True).stdout
    found = [json.loads(line) for line in out.splitlines()]
    for c in found:
        burst = c["class"] == "firmware burst"
        say("size, compacted ÷ CSV and zstd -3: %s" % c["class"], c["everyday"] / c["csv"],
            "<= 0.60" if burst else "<= 0.45")
        say("size, --best ÷ CSV and zstd -3: %s" % c["class"], c["best"] / c["csv"],
            "<= 0.50" if burst else "<= 0.40")
        say("size, --best ÷ entropy estimate: %s" % c["class"], c["best"] / c["estimate"],
            "<= 1.5" if burst else "<= 1.06")
        say("size, live ÷ compacted: %s" % c["class"], c["live"] / c["everyday"],
            "<= 2.7" if c["class"] == "NMEA 1 Hz" else "<= 2.0")
    for c in found:
        say("write, bare loop to file, million events/s: %s" % c["class"], c["write_per_s"] / 1e6,
            ">= 3.5", c["write_spread"] * c["write_per_s"] / 1e6, "CPU seconds of all threads")
    for c in found:
        say("in one process, read to events ÷ decompress, by all threads' CPU: %s" % c["class"],
            c["read_cpu"], note="by the wall: %.2f ± %.2f; by the busier thread's CPU: %.2f" % (
                c["read_wall"], c["read_wall_spread"] * c["read_wall"], c["read_threads"]))
    return [c["class"] for c in found]


def reading(folder, names):
    """Whole programs, in turn: one that reads a file to events, and `zstd -dc`."""
    events = 200_000 if QUICK else 2_000_000
    for number, name in enumerate(names):
        talk("reading: %s" % name)
        path = os.path.join(folder, "read.witness")
        run(PROGRAMS / "store_bench", "write", path, str(number), str(events))
        by_wall, by_cpu = [], []
        for _ in range(3 if QUICK else 21):
            ours = run(PROGRAMS / "store_bench", "events", path)
            zstd = run("zstd", "-dcq", path)
            by_wall.append(zstd[0] / ours[0])
            by_cpu.append(zstd[1] / ours[1])
        say("full read to events ÷ zstd -dc, by the wall: %s" % name, statistics.median(by_wall),
            ">= 0.75", spread(by_wall),
            "%d events; by all CPU: %.2f" % (events, statistics.median(by_cpu)))
        os.unlink(path)


def clock(ns):
    seconds, ns = divmod(ns, 10**9)
    return "%d:%02d:%02d.%09d" % (seconds // 3600, seconds // 60 % 60, seconds % 60, ns)


def large(folder):
    """Seeking in a long capture, and the memory that it takes to handle one."""
    size = 50_000_000 if QUICK else 2_147_483_648
    path = os.path.join(folder, "large.witness")
    talk("a capture of %d bytes decompressed" % size)
    grown = subprocess.run([PROGRAMS / "store_bench", "grow", path, str(size)],
                           stdout=subprocess.PIPE, text=True, check=True).stdout
    end = json.loads(grown)["end_ns"]
    window = ["--from", clock(end // 2), "--to", clock(end // 2 + 200_000_000)]
    seek, start = [], []
    for _ in range(5 if QUICK else 41):
        seek.append(run(BYTEWITNESS, "show", path, *window))
        start.append(run(BYTEWITNESS, "--version"))
    over = [(a[0] - b[0]) * 1e3 for a, b in zip(seek, start)]
    cpu = [(a[1] - b[1]) * 1e3 for a, b in zip(seek, start)]
    say("seek to the middle of 2 GB, ms over the start-up", statistics.median(over), "<= 5",
        spread(over), "CPU: %.1f ms; start-up %.1f ms" %
        (statistics.median(cpu), statistics.median(one[0] * 1e3 for one in start)))
    say("memory of verify on 2 GB, MB", run(BYTEWITNESS, "verify", path)[2], "<= 64")
    say("memory of show on 2 GB, MB", run(BYTEWITNESS, "show", path)[2], "<= 64")
    for form in ("jsonl", "csv", "text", "vcd"):
        talk("export as %s" % form)
        say("memory of export --as %s on 2 GB, MB" % form,
            run(BYTEWITNESS, "export", path, "--as", form)[2], "<= 64")


def cpu_of(process):
    """CPU seconds of all threads so far."""
    used = 0
    for thread in pathlib.Path("/proc/%d/task" % process.pid).iterdir():
        used += int((thread / "schedstat").read_text().split()[0])
    return used / 1e9


def recorder(folder):
    """A recorder's share of a processor at 12 Mbaud over that of a bare loop of reads."""
    seconds = 1 if QUICK else 6
    path = os.path.join(folder, "recorded.witness")
    bare, over, reads = [], [], []
    for turn in range(2 if QUICK else 7):
        talk("12 Mbaud, %d" % turn)
        shares = []
        for program in ([PROGRAMS / "pty_bench", "listen"],
                        [BYTEWITNESS, "record", "--baud", "12000000", "--replace", "--live", "off",
                         "-o", path]):
            feeder = subprocess.Popen([PROGRAMS / "pty_bench", "feed", "12000000", str(seconds)],
                                      stdout=subprocess.PIPE, text=True)
            port = feeder.stdout.readline().strip()
            listener = subprocess.Popen(program + [port], stdout=subprocess.PIPE,
                                        stderr=subprocess.DEVNULL, stdin=subprocess.DEVNULL)
            feeder.stdout.readline()  # it begins
            before = cpu_of(listener)
            feeder.stdout.readline()  # all is said; it rests before it hangs up
            shares.append((cpu_of(listener) - before) / seconds * 100)
            said = listener.communicate()[0]
            feeder.wait()
            if not reads or len(shares) == 1:
                reads.append(json.loads(said)["reads"] / seconds)
        bare.append(shares[0])
        over.append(shares[1] - shares[0])
    say("recorder's CPU at 12 Mbaud over a bare read(), % of a core", statistics.median(over),
        "<= 1.5", spread(over), "bare loop %.1f %%, %d reads/s" %
        (statistics.median(bare), statistics.median(reads)))

    size = 20_000_000 if QUICK else 2_147_483_648
    talk("recording %d bytes" % size)
    feeder = subprocess.Popen([PROGRAMS / "pty_bench", "pour", str(size)], stdout=subprocess.PIPE,
                              text=True)
    port = feeder.stdout.readline().strip()
    say("memory of record on 2 GB, MB",
        run(BYTEWITNESS, "record", port, "--replace", "--live", "off", "-o", path,
            statuses=(3,))[2],  # since the port hangs up
        "<= 64", note="with closing")
    feeder.wait()


def main():
    with tempfile.TemporaryDirectory() as folder:
        reading(folder, classes())
        recorder(folder)
        large(folder)


main()
