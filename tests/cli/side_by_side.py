"""side_by_side.py TEST.py...: runs tests that nearly always wait at the same time, and shows what
each said, one behind the other. Exit status 1 if one failed or
skipped something."""
import os
import subprocess
import sys
import tempfile


def main():
    started = []
    for path in sys.argv[1:]:
        said = tempfile.TemporaryFile()
        started.append((path, said, subprocess.Popen(
            [sys.executable, "-B", path, "-v"], stdin=subprocess.DEVNULL, stdout=said,
            stderr=subprocess.STDOUT)))
    failed = []
    for path, said, process in started:
        status = process.wait()
        said.seek(0)
        text = said.read().decode(errors="replace")
        if status != 0 or "skipped=" in text:
            failed.append(os.path.basename(path))
        print("== %s\n%s" % (os.path.basename(path), text), flush=True)
    if failed:
        print("failed or skipped something: " + ", ".join(failed))
    return 1 if failed or not started else 0


if __name__ == "__main__":
    sys.exit(main())
