#!/usr/bin/env python3
"""Programs written in many manners, each with one fault: what is said of it is true, or "not known".

  other_scripts_test.py BYTETRIAL CXX FOLDER

FOLDER is where those in C++ are compiled to. Told "good", a program copes with what the same row
names; so no verdict rests on how it is written.
"""
import concurrent.futures
import json
import pathlib
import subprocess
import sys
import tempfile

SOURCE = pathlib.Path(__file__).resolve().parents[2]
SCRIPTS = pathlib.Path(__file__).resolve().parent / "scripts"
BYTETRIAL, CXX, FOLDER = sys.argv[1:4]
TRIES = 4

# Program, module, variation, what is to be said first, whether its good twin holds then.
CASES = [
    ("second_line.py", "sedge-c", "echo=off", "counts-on-echo", True),
    ("second_line.py", "sedge-c", "extra=before", "takes-unsolicited", True),
    ("skip_echo.py", "sedge-c", "echo=off", "counts-on-echo", True),
    ("vtime.py", "sedge-a", "ending=cr", "compares-with-line-ending", True),
    ("count.py", "sedge-a", "ending=crlf", "reads-fixed-count", True),
    ("states.py", "sedge-b", "extra=leftover", "takes-leftover", True),
    ("awaits.py", "sedge-c", "extra=after", "takes-unsolicited", True),
    ("chunks.py", "sedge-b", "split=lines", "reads-too-early", True),
    ("chunks.py", "sedge-b", "extra=before", "takes-unsolicited", True),
    ("ring.cc", "sedge-b", "length=128", "fails-on-long-reply", True),
    ("needs_echo.cc", "sedge-c", "echo=off", "counts-on-echo", True),
]


def trial(words, module, variation, folder):
    report = pathlib.Path(folder) / "report.json"
    for _ in range(TRIES):
        done = subprocess.run(
            [BYTETRIAL, "run", str(SOURCE / "samples" / (module + ".textproto")), "--vary", variation,
             "--shrink", "off", "--json", str(report), "--", *words],
            capture_output=True, text=True, timeout=200)
        if done.returncode not in (0, 1):
            return None, done.stdout + done.stderr
        found = json.loads(report.read_text())
        if "VERDICT_NO_CONTEST" not in (found["baseline"]["verdict"],
                                        *[t["verdict"] for t in found.get("trial", [])]):
            break
    return found, done.stdout + done.stderr


def one(name, module, variation, wanted, twin_holds):
    words = ["/usr/bin/python3", str(SCRIPTS / name), "{port}"]
    if name.endswith(".cc"):
        words = [str(pathlib.Path(FOLDER) / name[:-3]), "{port}"]
    results = []
    with tempfile.TemporaryDirectory() as folder:
        found, told = trial(words, module, variation, folder)
        bad = found["trial"][0] if found and found.get("trial") else {"verdict": "none"}
        named = [d["name"] for d in bad.get("diagnosis", [])][:1]
        results.append((bad["verdict"] in ("VERDICT_BROKE", "VERDICT_SLOW") and named == [wanted],
                        "%s %s: %s" % (name, variation, wanted), told))
        if twin_holds:
            found, told = trial(words + ["good"], module, variation, folder)
            good = found and found.get("trial") and found["trial"][0]["verdict"] == "VERDICT_HELD"
            results.append((good, "%s %s: its good twin holds" % (name, variation), told))
    return results


def main():
    for source in sorted(SCRIPTS.glob("*.cc")):
        subprocess.run([CXX, "-std=c++20", "-O1", "-o", str(pathlib.Path(FOLDER) / source.stem),
                        str(source)], check=True)
    failures = 0
    with concurrent.futures.ThreadPoolExecutor(4) as pool:
        for results in pool.map(lambda case: one(*case), CASES):
            for good, what, detail in results:
                print("ok    " if good else "FAILED", what, flush=True)
                if not good:
                    failures += 1
                    print(detail, flush=True)
    raise SystemExit(1 if failures else 0)


main()
