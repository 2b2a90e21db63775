"""A survey in real time on ptys: what is found out about a sample module, and what an interruption
leaves. No length of time is checked: those are tested in virtual time."""
import os
import signal
import tempfile
import unittest

import bench


class Survey(unittest.TestCase):
    def setUp(self):
        self.folder = tempfile.TemporaryDirectory()
        self.addCleanup(self.folder.cleanup)
        self.company = bench.Company(self.folder.name)
        self.addCleanup(self.company.__exit__)

    def path(self, name):
        return os.path.join(self.folder.name, name)

    def survey(self, port, *options):
        with open(self.path("list"), "w", encoding="utf-8") as out:
            out.write("AT+FW?\n!set AT+CHAN=11\n")
        return bench.Running(bench.BYTEWITNESS, "survey", port, "--commands", self.path("list"),
                             "--listen", "500ms", "--repeats", "2", "-o", self.path("s.witness"),
                             *options)

    def test_what_is_found_of_sedge_c(self):
        with self.survey(self.company.play("sedge-c.textproto", "module")) as survey:
            status = survey.finish(240)
            said = survey.said["stdout"].decode("utf-8")
        self.assertEqual(status, 0, survey.said)
        for words in ("speaks at a rate that is not known", "takes a command ended by CR",
                      "echoes commands", "says no with ERROR␍",
                      "AT+FW?: +FW: sedge-c 3.0␍␊OK␍", "AT+CHAN=11: not sent (set)"):
            self.assertIn(words, said)
        verified = bench.run(bench.BYTEWITNESS, "verify", self.path("s.witness"))
        self.assertEqual(verified.returncode, 0, verified.stderr)
        shown = bench.run(bench.BYTEWITNESS, "show", self.path("s.witness")).stdout
        self.assertNotIn("AT+CHAN=11", shown)
        advice = bench.run(bench.BYTEWITNESS, "advise", self.path("s.profile"))
        self.assertEqual(advice.returncode, 0, advice.stderr)
        for words in ("send: the command and CR", "strip: the command's own bytes",
                      "the line with OK or ERROR, ended by CR"):
            self.assertIn(words, advice.stdout)
        part = bench.run(bench.BYTETRIAL, "part", self.path("s.profile"), "-o", self.path("part"))
        self.assertEqual(part.returncode, 0, part.stderr)
        alike = bench.run(bench.BYTEWITNESS, "compare", self.path("s.profile"),
                          self.path("s.profile"))
        self.assertEqual(alike.returncode, 0, alike.stdout)

    def test_an_interruption_leaves_a_complete_capture(self):
        with self.survey(self.company.play("sedge-b.textproto", "module")) as survey:
            survey.wait_for("listening for what it says unasked", "stderr")
            survey.send(signal.SIGINT)
            self.assertEqual(survey.finish(), 130)
            said = survey.said["stdout"].decode("utf-8")
        self.assertIn("speaks at a rate that is not known", said)
        verified = bench.run(bench.BYTEWITNESS, "verify", self.path("s.witness"))
        self.assertEqual(verified.returncode, 0, verified.stderr)
        self.assertEqual(bench.run(bench.BYTEWITNESS, "advise", self.path("s.profile")).returncode, 0)


if __name__ == "__main__":
    unittest.main()
