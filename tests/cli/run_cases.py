"""Runs case files: commands with the exit status, stdout and stderr that are expected.

  run_cases.py CASE...            compares; exit status 1 and the differences if anything differs
  run_cases.py --accept CASE...   writes what was seen into the case files instead

A case file says, line by line:

  # for the reader
  play: PART [AS NAME]    from here on, `bytetrial play PART` stands behind the port NAME ("module")
  run: COMMAND            run by bash in an empty folder of the case's own
  stdin: TEXT             a line of the command's standard input (else it has none)
  status: N               its exit status; 0 if not said
  | TEXT                  a line of its standard output
  ! TEXT                  a line of its standard error; not looked at where no such line stands,
                          but a command that fails must have one

PATH begins with the programs under test; $SAMPLES and $SOURCE are folders of the project. What
differs from run to run is masked on both sides before comparing: times as <time>, dates as <date>,
names of ptys as <pty>, the folder of the case as <folder>, the project's as <source>.
"""
import argparse
import difflib
import os
import re
import subprocess
import sys
import tempfile

import bench


class Step:
    def __init__(self, command):
        self.command = command
        self.before = []  # comments and plays in front of it, as they stand
        self.plays = []
        self.stdin = None
        self.status = 0
        self.stdout = []
        self.stderr = []


class CaseError(Exception):
    pass


def read_case(path):
    steps, before, plays = [], [], []
    with open(path, encoding="utf-8") as lines:
        for number, line in enumerate(lines, 1):
            line = line.rstrip("\n")
            key, _, rest = line.partition(": ")
            if line == "" or line.startswith("#"):
                before.append(line)
            elif key == "play":
                before.append(line)
                plays.append(rest)
            elif key == "run":
                step = Step(rest)
                step.before, step.plays = before, plays
                before, plays = [], []
                steps.append(step)
            elif not steps:
                raise CaseError("%s:%d: nothing is run yet" % (path, number))
            elif key == "stdin":
                steps[-1].stdin = (steps[-1].stdin or "") + rest + "\n"
            elif key == "status":
                steps[-1].status = int(rest)
            elif line[0] == "|":
                steps[-1].stdout.append(line[2:])
            elif line[0] == "!":
                steps[-1].stderr.append(line[2:])
            else:
                raise CaseError("%s:%d: not understood: %s" % (path, number, line))
    if not steps:
        raise CaseError("%s: runs nothing" % path)
    return steps, before


def written(steps, tail):
    lines = []
    for step in steps:
        lines += step.before + ["run: " + step.command]
        lines += ["stdin: " + said for said in (step.stdin or "").splitlines()]
        lines += ["status: %d" % step.status] if step.status else []
        lines += [("| " + said).rstrip() for said in step.stdout]
        lines += [("! " + said).rstrip() for said in step.stderr]
    return "\n".join(lines + tail) + "\n"


MASKS = [
    (r"\d{4}-\d\d-\d\d[ T]\d\d:\d\d(:\d\d(\.\d+)?)?( ?UTC|Z)?", "<date>"),
    (r"/dev/pts/\d+", "<pty>"),
    (r"\b\d+(\.\d+)? ?(ns|us|µs|ms|s|min)\b", "<time>"),
    (r"\b\d+:\d\d(:\d\d)?\.\d+\b|\b\d+\.\d{3,9}\b", "<time>"),
    # Columns of times are as wide as the times are long.
    (r" *<time>", " <time>"),
]


def masked(text, folder):
    text = text.replace(folder, "<folder>").replace(bench.SOURCE, "<source>")
    for pattern, mask in MASKS:
        text = re.sub(pattern, mask, text)
    return [line.rstrip() for line in text.splitlines()]


def run_step(step, folder):
    done = subprocess.run(["bash", "-c", step.command], cwd=folder, env=bench.environment(),
                          input=(step.stdin or "").encode(), capture_output=True, timeout=60)
    return (done.returncode, masked(done.stdout.decode("utf-8", "replace"), folder),
            masked(done.stderr.decode("utf-8", "replace"), folder))


def differences(step, status, stdout, stderr):
    found = []
    if status != step.status:
        found.append("status %d, expected %d" % (status, step.status))
    for name, expected, seen in (("stdout", step.stdout, stdout), ("stderr", step.stderr, stderr)):
        expected = masked("".join(line + "\n" for line in expected), "<folder>")
        if name == "stderr" and not expected and step.status == 0:
            continue
        if expected != seen:
            found += difflib.unified_diff(expected, seen, "expected " + name, "seen", lineterm="")
    if step.status > 1 and not step.stderr:
        found.append("a command that fails must say why: the case needs a line with !")
    return found


def run_case(path, accept):
    steps, tail = read_case(path)
    failed = False
    with tempfile.TemporaryDirectory(prefix="case-") as folder, bench.Company(folder) as company:
        for step in steps:
            for play in step.plays:
                part, _, name = play.partition(" AS ")
                company.play(part, name or "module")
            status, stdout, stderr = run_step(step, folder)
            if accept:
                step.stderr = stderr if step.stderr or status else []
                step.status, step.stdout = status, stdout
                continue
            found = differences(step, status, stdout, stderr)
            if found:
                failed = True
                print("%s: %s" % (path, step.command))
                print("\n".join("  " + line for line in found))
                if stderr and not step.stderr:
                    print("\n".join("  stderr: " + line for line in stderr))
    if accept:
        with open(path, "w", encoding="utf-8") as out:
            out.write(written(steps, tail))
    return failed


def main():
    parser = argparse.ArgumentParser(description="Runs case files.")
    parser.add_argument("--accept", action="store_true", help="write what was seen into the files")
    parser.add_argument("case", nargs="+")
    choice = parser.parse_args()
    try:
        failed = [path for path in choice.case if run_case(path, choice.accept)]
    except (CaseError, bench.BenchError) as why:
        print(why)
        return 1
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
