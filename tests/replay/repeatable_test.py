#!/usr/bin/env python3
"""One plan of trials in one worker, in several, and in several runs at once on a machine that is kept
busy by them: every observation is the same, to the cycle. Prints the hash of them all.

  repeatable_test.py BYTETRIAL BYTEWITNESS SKETCHES
"""
import hashlib
import json
import pathlib
import subprocess
import sys
import tempfile

SOURCE = pathlib.Path(__file__).resolve().parents[2]
BYTETRIAL, BYTEWITNESS, SKETCHES = sys.argv[1:4]


def start(folder, sketch, jobs):
    return subprocess.Popen(
        [BYTETRIAL, "run", str(SOURCE / "samples/faults/module.textproto"), "--sketch",
         "%s/%s.elf" % (SKETCHES, sketch), "--module-on", "pins:rx=10,tx=11", "--watch-pin", "13,11",
         "--vary", "ending=none", "--vary", "jitter=10%", "--vary", "rubbish=noise", "--shrink",
         "off", "--jobs", str(jobs), "--json", str(folder / "report.json"), "--keep", str(folder)],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)


def hash_of(folder, process):
    said = process.communicate(timeout=280)[1]
    if process.returncode not in (0, 1):
        raise SystemExit("bytetrial failed: " + said)
    report = json.loads((folder / "report.json").read_text())
    trials = [report["baseline"]] + report["trial"]
    for trial in trials:
        trial.pop("kept", None)
    digest = hashlib.sha256(json.dumps(trials, sort_keys=True).encode())
    kept = sorted(folder.glob("*.witness"))
    if len(kept) != len(trials) or len(trials) != 4:
        raise SystemExit("%d trials, %d conversations" % (len(trials), len(kept)))
    for path in kept:
        digest.update(subprocess.run([BYTEWITNESS, "export", str(path), "--as", "jsonl"],
                                     capture_output=True, check=True).stdout)
    return digest.hexdigest()


with tempfile.TemporaryDirectory() as top:
    for sketch in ("watch",):
        folders = []
        for number in range(3):
            folders.append(pathlib.Path(top) / (sketch + str(number)))
            folders[-1].mkdir()
        found = {hash_of(folders[0], start(folders[0], sketch, 1))}
        beside = [(folder, start(folder, sketch, jobs))
                  for folder, jobs in zip(folders[1:], (2, 1))]
        found |= {hash_of(folder, process) for folder, process in beside}
        if len(found) != 1:
            raise SystemExit("FAILED: %s was observed otherwise: %s" % (sketch, found))
        print("%s: three runs alike, %s" % (sketch, found.pop()))
