"""What surveys find, leave open and claim wrongly of invented modules, and how long they take.

The modules are drawn from seeds that no test looks at; BENCH_FIRST_SEED takes others. Line time is
virtual, so the figures are the same on any machine.
"""
# builds: survey_table
import json
import os
import pathlib
import re
import subprocess

BINARY = pathlib.Path(os.environ["BYTEWITNESS_BINARY_DIR"])
QUICK = os.environ.get("BENCH_QUICK") == "1"
FIRST = int(os.environ.get("BENCH_FIRST_SEED", "8000001"))
MODULES = 300 if QUICK else 3000
SECONDS = {"ms": 0.001, "s": 1, "min": 60, "h": 3600}


def say(figure, value, wanted=None, note=None):
    row = {"figure": figure, "value": value}
    for key, what in (("wanted", wanted), ("note", note)):
        if what is not None:
            row[key] = what
    print(json.dumps(row), flush=True)


def minutes(text, percent):
    length = re.search(r"^%d %%: (.*) of line time$" % percent, text, re.MULTILINE).group(1)
    words = length.split()
    return sum(float(n) * SECONDS[unit] for n, unit in zip(words[::2], words[1::2])) / 60


for family, median in (("usual", "<= 4"), ("strange", None), ("mannered", None)):
    done = subprocess.run([str(BINARY / "bin/survey_table"), family, str(FIRST),
                           str(FIRST + MODULES - 1)], stdout=subprocess.PIPE)
    text = done.stdout.decode(errors="replace")
    if done.returncode not in (0, 1):
        raise SystemExit("survey_table failed")
    found, unclaimed, wrong = map(int, re.search(r"^all +(\d+) +(\d+) +(\d+)$", text,
                                                 re.MULTILINE).groups())
    claims = found + unclaimed + wrong
    lines = text.splitlines()
    wrong_modules = len({line.split(":")[1] for line in lines if line.startswith("wrong: ")})
    unidentified = sum(line.startswith("open: ") for line in lines)
    what = "survey, %s modules: " % family
    say(what + "properties found, of all", found / claims, note="%d of %d" % (found, claims))
    say(what + "left open, of all", unclaimed / claims, note="%d" % unclaimed)
    say(what + "claimed wrongly, in 1000", 1000 * wrong / claims, "<= 0.5",
        "%d, of %d modules in %d" % (wrong, wrong_modules, MODULES))
    say(what + "not identified, of all modules", unidentified / MODULES, note="%d" % unidentified)
    say(what + "minutes of line time, median", minutes(text, 50), median)
    say(what + "minutes of line time, 90 % take at most", minutes(text, 90))
