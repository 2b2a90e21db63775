"""What standing between two ports costs: delay of `record --between` against a bare relay loop."""
# builds: relay_bench bytewitness
import os
import pathlib
import subprocess
import sys

PROGRAMS = pathlib.Path(os.environ["BYTEWITNESS_BINARY_DIR"]) / "bin"
MESSAGES = "600" if os.environ.get("BENCH_QUICK") == "1" else "12000"

sys.exit(subprocess.run([str(PROGRAMS / "relay_bench"), "delay", str(PROGRAMS / "bytewitness"),
                         "--messages", MESSAGES], check=False).returncode)
