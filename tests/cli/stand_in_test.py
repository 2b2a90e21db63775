"""The stand-in as a person meets it: installed into a prefix, found with find_package, used by the
sample tests, each of which is built there and run."""
import os
import re
import subprocess
import tempfile
import unittest

import bench


class StandIn(unittest.TestCase):
    def run_or_fail(self, *command):
        done = subprocess.run(command, capture_output=True, text=True)
        self.assertEqual(done.returncode, 0, done.stdout + done.stderr)
        return done.stdout

    def test_sample_tests_build_against_the_installed_package_and_pass(self):
        flags = ""
        compiler = []
        with open(os.path.join(bench.BINARY, "CMakeCache.txt"), encoding="utf-8") as cache:
            for line in cache:
                if line.startswith("BYTEWITNESS_SANITIZE:") and line.strip().split("=", 1)[1]:
                    # Then the person's program has to be built alike.
                    flags = "-fsanitize=" + line.strip().split("=", 1)[1]
                if re.match(r"CMAKE_C(XX)?_COMPILER(_LAUNCHER)?:", line):
                    compiler.append("-D" + line.strip())
        with tempfile.TemporaryDirectory(prefix="stand-in-") as folder:
            prefix = os.path.join(folder, "prefix")
            build = os.path.join(folder, "build")
            self.run_or_fail("cmake", "--install", bench.BINARY, "--prefix", prefix)
            self.run_or_fail("cmake", "-S", os.path.join(bench.SOURCE, "samples/stand_in"),
                             "-B", build, "-G", "Ninja", "-DCMAKE_PREFIX_PATH=" + prefix,
                             "-DCMAKE_CXX_FLAGS=-O0 -Wall -Wextra -Werror " + flags, *compiler)
            self.run_or_fail("cmake", "--build", build)
            said = self.run_or_fail("ctest", "--test-dir", build, "--output-on-failure")
            passed = re.search(r"100% tests passed, 0 tests failed out of (\d+)", said)
            self.assertIsNotNone(passed, said)
            # One test for each variation of each module, and the sketch's.
            self.assertGreater(int(passed.group(1)), 60, said)
            self.assertIn("SedgeC/Signal.IsRead/", said)
            # No header or target of the package leads back to the sources.
            for path, _, names in os.walk(prefix):
                for name in names:
                    if name.endswith((".cmake", ".h")):
                        with open(os.path.join(path, name), encoding="utf-8") as text:
                            self.assertNotIn(bench.SOURCE, text.read(), name)


if __name__ == "__main__":
    unittest.main()
