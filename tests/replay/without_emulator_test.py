#!/usr/bin/env python3
"""Without libsimavr the rest builds, and --sketch says what to install.

  without_emulator_test.py SOURCE BYTETRIAL SKETCH.elf
"""
import pathlib
import shutil
import subprocess
import sys
import tempfile

SOURCE, BYTETRIAL, SKETCH = sys.argv[1:4]


def demand(good, what, detail=""):
    if not good:
        raise SystemExit("FAILED: %s\n%s" % (what, detail))
    print("ok    " + what)


with tempfile.TemporaryDirectory() as folder:
    made = {}
    for emulator in ("OFF", "ON"):
        build = folder + "/" + emulator
        configured = subprocess.run(
            ["cmake", "-S", SOURCE, "-B", build, "-G", "Ninja", "-DBYTEWITNESS_TESTS=OFF",
             "-DBYTEWITNESS_EMULATOR=" + emulator], capture_output=True, text=True)
        demand(configured.returncode == 0, "it is configured, emulator " + emulator,
               configured.stdout + configured.stderr)
        targets = subprocess.run(["ninja", "-C", build, "-t", "targets", "all"],
                                 capture_output=True, text=True, check=True).stdout
        demand("bin/bytetrial:" in targets and "bin/bytewitness:" in targets,
               "the programs are built")
        demand(("bytetrial-sketch" in targets) == (emulator == "ON"), "the worker is or is not")
        commands = subprocess.run(["ninja", "-C", build, "-t", "commands", "bin/bytetrial"],
                                  capture_output=True, text=True, check=True).stdout
        made[emulator] = commands.replace(build, "BUILD").splitlines()
    # The switch leaves out the worker and touches nothing else: so what is compiled and linked in all
    # other tests is the program that such a build has.
    demand(made["OFF"] == made["ON"] and len(made["OFF"]) > 50,
           "bytetrial is compiled and linked by the same %d commands" % len(made["OFF"]))
    # The program looks for its worker beside itself: here is none.
    alone = pathlib.Path(folder) / "bytetrial"
    shutil.copy(BYTETRIAL, alone)
    done = subprocess.run([str(alone), "run", SOURCE + "/samples/sedge-b.textproto", "--sketch",
                           SKETCH], capture_output=True, text=True)
    demand(done.returncode == 3 or done.returncode == 2, "--sketch is refused", str(done))
    demand("libsimavr-dev" in done.stderr and done.stderr.count("\n") == 1,
           "and says in one line what to install", done.stderr)
