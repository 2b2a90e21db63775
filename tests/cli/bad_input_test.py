"""What can go wrong on a bench goes wrong here: one clear line, the documented status, nothing lost."""
import os
import pty
import random
import signal
import subprocess
import tempfile
import tty
import unittest

import bench

CRLF_SCRIPT = """import os, sys, tty
port = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
tty.setraw(port)
os.write(port, b"AT\\r\\n")
got = b""
while b"OK" not in got:
    got += os.read(port, 64)
print("answered")
"""

STUBBORN_SCRIPT = """import signal, sys
signal.signal(signal.SIGTERM, signal.SIG_IGN)
signal.signal(signal.SIGINT, signal.SIG_IGN)
print("in", flush=True)
while True:
    signal.pause()
"""


class BadInput(unittest.TestCase):
    def setUp(self):
        self.kept = tempfile.TemporaryDirectory(prefix="bad-input-")
        self.folder = self.kept.name
        self.addCleanup(self.kept.cleanup)

    def path(self, name):
        return os.path.join(self.folder, name)

    def write(self, name, content):
        with open(self.path(name), "wb") as out:
            out.write(content if isinstance(content, bytes) else content.encode())
        return self.path(name)

    def company(self):
        company = bench.Company(self.folder)
        self.addCleanup(company.__exit__)
        return company

    def capture(self, name="sedge-b.witness"):
        """A capture of Sedge B answering two commands."""
        lines = []
        for number, (command, reply) in enumerate(
                (("AT\\r\\n", "\\r\\nOK\\r\\n"), ("AT+CHAN=11\\r\\n", "\\r\\nOK\\r\\n"))):
            at = number * 1_000_000_000
            lines.append('{"at_ns": %d, "side": "host", "text": "%s"}' % (at, command))
            lines.append('{"at_ns": %d, "side": "module", "text": "%s"}' % (at + 9_000_000, reply))
        done = bench.run(bench.BYTEWITNESS, "import", "--from", "jsonl", "-", "-o",
                         self.path(name), stdin="\n".join(lines) + "\n")
        self.assertEqual(done.returncode, 0, done.stderr)
        return self.path(name)

    def exported(self, capture):
        done = bench.run(bench.BYTEWITNESS, "export", capture, "--as", "jsonl")
        return done.returncode, done.stdout.splitlines(), done.stderr

    def check_refusal(self, done, status, *words):
        """One clear line on standard error that has the words in it, and the status."""
        self.assertEqual(done.returncode, status, done.stdout + done.stderr)
        self.assertEqual(len(done.stderr.strip().splitlines()), 1, done.stderr)
        for word in words:
            self.assertIn(word, done.stderr)

    def test_no_such_port(self):
        for command in (("ask", "/dev/ttyNONE7", "AT"), ("record", "/dev/ttyNONE7")):
            done = bench.run(bench.BYTEWITNESS, *command, "-o", self.path("x.witness"))
            self.check_refusal(done, 3, "/dev/ttyNONE7")
            self.assertFalse(os.path.exists(self.path("x.witness")), "no capture of nothing")

    def test_busy_port(self):
        port = self.company().play("sedge-b.textproto", "module")
        with bench.Running(bench.BYTEWITNESS, "record", port, "-o", self.path("a.witness")) as first:
            first.wait_for("recording", "stderr")
            done = bench.run(bench.BYTEWITNESS, "record", port, "-o", self.path("b.witness"))
            self.check_refusal(done, 3, port)
            self.assertIn("bytewitness", done.stderr, "it says who has the port")
            self.assertFalse(os.path.exists(self.path("b.witness")))

    def test_not_a_capture(self):
        other = self.write("notes.txt", "Channel 11 is free in the north corner.\n")
        for command in ("show", "examine"):
            self.check_refusal(bench.run(bench.BYTEWITNESS, command, other), 1, "notes.txt")

    def test_empty_file(self):
        empty = self.write("empty.witness", b"")
        for command in ("show", "examine"):
            self.check_refusal(bench.run(bench.BYTEWITNESS, command, empty), 1, "empty.witness")

    def test_missing_file(self):
        for command in ("show", "examine"):
            done = bench.run(bench.BYTEWITNESS, command, self.path("none.witness"))
            self.check_refusal(done, 3, "none.witness")
        done = bench.run(bench.BYTETRIAL, "run", self.path("none.witness"), "--", "true", "{port}")
        self.check_refusal(done, 3, "none.witness")

    def test_cut_file_shows_what_is_there_and_says_that_it_is_cut(self):
        with open(self.capture(), "rb") as whole:
            content = whole.read()
        status, events, _ = self.exported(self.path("sedge-b.witness"))
        self.assertEqual((status, len(events)), (0, 4))
        for length in range(1, len(content), max(1, len(content) // 40)):
            cut = self.write("cut.witness", content[:length])
            status, kept, said = self.exported(cut)
            self.assertIn(status, (0, 1), said)
            self.assertEqual(kept, events[:len(kept)], "cut at %d" % length)
            if len(kept) < len(events):  # what is cut off behind the trailer is no loss
                self.assertIn("cut.witness", said, "cut at %d: nothing said" % length)

    def test_text_that_is_no_json_line_names_the_line(self):
        done = bench.run(bench.BYTEWITNESS, "import", "--from", "jsonl", "-", "-o",
                         self.path("x.witness"),
                         stdin='{"at_ns": 1, "side": "host", "text": "AT"}\n{"at_ns": 2, "si')
        self.check_refusal(done, 2, "2")
        self.assertFalse(os.path.exists(self.path("x.witness")))

    def test_wrong_part_names_the_place(self):
        part = self.write("wrong.textproto", 'name: "x"\nrule { comand: "AT" }\n')
        self.check_refusal(bench.run(bench.BYTETRIAL, "play", part), 2, "wrong.textproto", "2")

    def test_wrong_plan_names_the_place(self):
        plan = self.write("wrong.textproto", '# proto-message: bytewitness.TrialPlan\n'
                          'capture: "sedge-b.witness"\nvary { factor: "colour" }\n'
                          'program { argument: "true" }\n')
        self.capture()
        self.check_refusal(bench.run(bench.BYTETRIAL, "run", plan), 2, "colour")
        done = bench.run(bench.BYTETRIAL, "run", self.path("sedge-b.witness"), "--vary",
                         "ending=sideways", "--", "true", "{port}")
        self.check_refusal(done, 2, "sideways")

    def test_program_that_cannot_start(self):
        capture = self.capture()
        done = bench.run(bench.BYTETRIAL, "run", capture, "--", "./no-such-program", "{port}")
        self.check_refusal(done, 3, "no-such-program")
        script = self.write("no-rights.py", "print()\n")
        done = bench.run(bench.BYTETRIAL, "run", capture, "--", script, "{port}")
        self.check_refusal(done, 3, "no-rights.py")

    def test_program_that_ignores_being_asked_to_end(self):
        capture = self.capture()
        script = self.write("stubborn.py", STUBBORN_SCRIPT)
        done = bench.run(bench.BYTETRIAL, "run", capture, "--within", "1s", "--", "/usr/bin/python3",
                         script, "{port}")
        self.assertEqual(done.returncode, 1, done.stdout + done.stderr)
        self.assertIn("no contest", done.stdout)
        self.assertEqual(bench.left_over(script), [])

    def test_trial_cut_short_leaves_no_program_behind(self):
        capture = self.capture()
        script = self.write("stubborn.py", STUBBORN_SCRIPT + "#\n")
        with bench.Running(bench.BYTETRIAL, "run", capture, "--within", "50s", "--",
                           "/usr/bin/python3", script, "{port}") as trial:
            while not bench.left_over(script + " /dev/pts"):
                self.assertIsNone(trial.process.poll(), trial.said)
            trial.send(signal.SIGINT)
            self.assertEqual(trial.finish(), 130)
        self.assertEqual(bench.left_over(script), [])

    def test_port_gone_in_the_middle_of_recording_keeps_the_capture(self):
        company = self.company()
        port = company.play("sedge-b.textproto", "module")
        target = self.path("gone.witness")
        with bench.Running(bench.BYTEWITNESS, "record", "--between", port, "--link",
                           self.path("program"), "-o", target) as recorder:
            recorder.wait_for_line()
            said = bench.run("/usr/bin/python3", self.write("host.py", CRLF_SCRIPT),
                             self.path("program"))
            self.assertEqual(said.stdout, "answered\n", said.stderr)
            company.players[0].end()
            self.assertEqual(recorder.finish(), 3, recorder.said)
            self.assertIn(b"gone", recorder.said["stderr"])
        status, events, said = self.exported(target)
        self.assertEqual((status, said), (0, ""))
        self.assertIn("41540d0a", "".join(events))
        self.assertFalse(os.path.lexists(self.path("program")))

    def test_port_gone_while_asking_says_so_and_keeps_the_capture(self):
        company = self.company()
        part = self.write("mute.textproto", 'name: "mute"\ncommand_end { silence: "10ms" }\n')
        port = company.play(part, "module")
        target = self.path("gone.witness")
        with bench.Running(bench.BYTEWITNESS, "ask", port, "AT", "AT", "--wait", "40s", "-o",
                           target) as asker:
            while not os.path.exists(target) or bench.run(
                    bench.BYTEWITNESS, "export", target, "--as", "jsonl").stdout == "":
                self.assertIsNone(asker.process.poll(), asker.said)
            company.players[0].end()
            self.assertEqual(asker.finish(), 3, asker.said)
        status, events, _ = self.exported(target)
        self.assertEqual(status, 0)
        self.assertIn("4154", events[0])

    def test_interrupted_recording_is_closed_properly(self):
        port = self.company().play("sedge-b.textproto", "module")
        target = self.path("talk.witness")
        with bench.Running(bench.BYTEWITNESS, "record", port, "-o", target) as recorder:
            recorder.wait_for("recording", "stderr")
            recorder.send(signal.SIGINT)
            self.assertEqual(recorder.finish(), 130)
        status, _, said = self.exported(target)
        self.assertEqual((status, said), (0, ""))

    def test_interrupted_as_soon_as_the_capture_is_there_it_is_closed_properly(self):
        part = self.write("mute.textproto", 'name: "mute"\ncommand_end { silence: "10ms" }\n')
        port = self.company().play(part, "module")
        for command in (["ask", port, "AT", "--wait", "40s"], ["record", port],
                        ["survey", port, "--line-is-known"]):
            target = self.path(command[0] + ".witness")
            with bench.Running(bench.BYTEWITNESS, *command, "-o", target) as running:
                while not os.path.exists(target):
                    self.assertIsNone(running.process.poll(), running.said)
                running.send(signal.SIGINT)
                self.assertEqual(running.finish(), 130, running.said)
            done = bench.run(bench.BYTEWITNESS, "verify", target)
            self.assertEqual(done.returncode, 0, command[0] + done.stdout)

    def on_small_disk(self, *options):
        """Records more than a disk of 256 KiB can hold: status, what was said, what was sent."""
        disk = self.path("disk")
        os.mkdir(disk)
        module, program = pty.openpty()
        tty.setraw(program)
        self.addCleanup(os.close, module)
        self.addCleanup(os.close, program)
        # A disk of our own; where we aren't root, in a user namespace. What can be read of the
        # capture is copied out before the disk goes.
        script = ('mount -t tmpfs -o size=256k full "$1" && '
                  '{ disk=$1; copy=$4; program=$2; port=$3; shift 4; '
                  '"$program" record "$port" -o "$disk/full.witness" "$@"; status=$?; '
                  'cp "$disk/full.witness" "$copy"; umount "$disk"; exit $status; }')
        namespace = ["unshare", "-m"] if os.getuid() == 0 else ["unshare", "-Urm"]
        with bench.Running(*namespace, "sh", "-c", script, "sh", disk, bench.BYTEWITNESS,
                           os.ttyname(program), self.path("copy.witness"), *options) as recorder:
            recorder.wait_for("recording", "stderr")
            rubbish = random.Random(7)
            sent = b""
            os.set_blocking(module, False)
            while recorder.process.poll() is None and len(sent) < 8 << 20:
                try:
                    piece = rubbish.randbytes(512)
                    sent += piece[:os.write(module, piece)]
                except BlockingIOError:
                    pass
            return recorder.finish(), recorder.said["stderr"], sent

    def test_full_disk_says_so_and_keeps_what_was_written(self):
        ended, said, sent = self.on_small_disk("--keep-free", "0B")
        self.assertEqual(ended, 3, said)
        # Which of the two comes first is a matter of when the recorder looks at the disk.
        self.assertRegex(said, rb"No space left|the disk has only")
        status, events, _ = self.exported(self.path("copy.witness"))
        self.assertIn(status, (0, 1))
        kept = bytes.fromhex("".join(line.split('"hex":')[1].split('"')[1] for line in events
                                     if '"hex":' in line))
        self.assertGreater(len(kept), 100_000, "most of what the disk can hold")
        self.assertEqual(kept, sent[:len(kept)])

    def test_disk_that_fills_up_while_closing_leaves_the_file_whole_and_says_so(self):
        disk, lines = self.path("disk"), self.path("talk.jsonl")
        os.mkdir(disk)
        rubbish = random.Random(8)
        with open(lines, "w", encoding="ascii") as out:
            for i in range(1500):
                out.write('{"at_ns": %d, "side": "module", "hex": "%s"}\n' %
                          (i * 1_000_000, rubbish.randbytes(100).hex()))
        # There is room for the capture but not for the smaller one beside it, neither on closing nor
        # when asked for later.
        script = ('mount -t tmpfs -o size=256k full "$1" && { cd "$1"; '
                  '"$2" import --from jsonl "$3" -o full.witness; echo "closed: $?"; '
                  '"$2" compact --best full.witness; echo "compacted: $?"; '
                  '"$2" verify full.witness; echo "verified: $?"; '
                  '"$2" export full.witness --as jsonl | grep -c hex; ls; cd /; umount "$1"; }')
        namespace = ["unshare", "-m"] if os.getuid() == 0 else ["unshare", "-Urm"]
        done = bench.run(*namespace, "sh", "-c", script, "sh", disk, bench.BYTEWITNESS, lines)
        told = done.stdout + done.stderr
        self.assertIn("closed: 3", done.stdout, told)
        self.assertIn("compacted: 3", done.stdout, told)
        self.assertIn("verified: 0", done.stdout, told)
        self.assertIn("\n1500\nfull.witness\n", done.stdout, "all is there, and nothing beside it")
        self.assertEqual(done.stderr.count("No space left"), 2, told)
        self.assertEqual(done.stderr.count("left as it was"), 2, told)

    def test_disk_about_to_be_full_ends_the_recording_with_a_whole_file(self):
        ended, said, _ = self.on_small_disk()
        self.assertEqual(ended, 3, said)
        self.assertIn(b"the disk has only", said)
        status, _, complaints = self.exported(self.path("copy.witness"))
        self.assertEqual((status, complaints), (0, ""))

    def test_device_bytes_do_not_reach_the_terminal_raw(self):
        done = bench.run(bench.BYTEWITNESS, "import", "--from", "jsonl", "-", "-o",
                         self.path("x.witness"),
                         stdin='{"at_ns": 1, "side": "module", "hex": "1b5d303b6f776e656407"}\n')
        self.assertEqual(done.returncode, 0, done.stderr)
        for command in (("show",), ("show", "--hex"), ("examine",), ("export", "--as", "text")):
            done = subprocess.run([bench.BYTEWITNESS, command[0], self.path("x.witness"),
                                   *command[1:]], capture_output=True, env=bench.environment(),
                                  check=False)
            self.assertNotIn(b"\x1b]", done.stdout + done.stderr, command)


if __name__ == "__main__":
    unittest.main()
