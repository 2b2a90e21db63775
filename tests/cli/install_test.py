"""`cmake --install` into a prefix: what is there works from there and needs nothing of the sources."""
import os
import subprocess
import tempfile
import unittest

import bench


class Install(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.TemporaryDirectory(prefix="install-")
        cls.prefix = os.path.join(cls.folder.name, "prefix")
        subprocess.run(["cmake", "--install", bench.BINARY, "--prefix", cls.prefix], check=True,
                       stdout=subprocess.DEVNULL)

    @classmethod
    def tearDownClass(cls):
        cls.folder.cleanup()

    def path(self, *parts):
        return os.path.join(self.prefix, *parts)

    def test_everything_a_person_needs_is_there(self):
        for parts in (("bin", "bytewitness"), ("bin", "bytetrial"),
                      ("share", "doc", "bytewitness", "LICENSE"),
                      ("share", "doc", "bytewitness", "README.md"),
                      ("share", "bytewitness", "proto", "capture.proto"),
                      ("share", "bytewitness", "proto", "examination.proto"),
                      ("share", "bytewitness", "proto", "trial.proto"),
                      ("share", "bytewitness", "samples", "sedge-a.textproto"),
                      ("share", "bytewitness", "samples", "scripts", "butt_watch_copes.py"),
                      ("share", "bytewitness", "samples", "sketches", "butt_watch_copes.ino"),
                      ("share", "bytewitness", "samples", "stand_in", "signal_test.cc")):
            self.assertTrue(os.path.exists(self.path(*parts)), "/".join(parts))
        for script in ("build", "ci"):
            path = self.path("share", "bytewitness", "samples", "sketches", script)
            self.assertTrue(os.access(path, os.X_OK), path)

    def test_programs_run_from_there(self):
        for program in ("bytewitness", "bytetrial"):
            installed = bench.run(self.path("bin", program), "--version")
            built = bench.run(os.path.join(bench.PROGRAMS, program), "--version")
            self.assertEqual(installed.returncode, 0)
            self.assertEqual(installed.stdout, built.stdout)
            self.assertIn("capture format", installed.stdout)

    def test_installed_part_is_played_by_the_installed_program(self):
        link = os.path.join(self.folder.name, "module")
        with bench.Running(self.path("bin", "bytetrial"), "play",
                           self.path("share", "bytewitness", "samples", "sedge-b.textproto"),
                           "--link", link) as player:
            self.assertEqual(player.wait_for_line(), link)
            self.assertTrue(os.path.islink(link))
            capture = os.path.join(self.folder.name, "asked.witness")
            for arguments, said in (
                    (["ask", link, "AT+FW?", "--ending", "crlf", "-o", capture], "sedge-b 2.3"),
                    (["examine", capture], "CR LF"), (["verify", capture], "closed cleanly")):
                done = bench.run(self.path("bin", "bytewitness"), *arguments)
                self.assertEqual(done.returncode, 0, done.stderr)
                self.assertIn(said, done.stdout)
            # As the installed README says, with the installed schema.
            done = bench.run("bash", "-c",
                             'zstd -dcq "$0" | protoc --decode=bytewitness.Capture -I "$1" '
                             'capture.proto', capture, self.path("share", "bytewitness", "proto"))
            self.assertEqual((done.returncode, done.stderr), (0, ""))
            self.assertIn("+FW: sedge-b 2.3", done.stdout)
        self.assertFalse(os.path.lexists(link), "the link is taken away at the end")


if __name__ == "__main__":
    unittest.main()
