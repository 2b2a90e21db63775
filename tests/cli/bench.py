"""What end-to-end tests need: the programs under test, sample modules at ptys, and a way to wait for
what a program says that never waits longer than it must."""
import os
import select
import signal
import subprocess
import sys
import time

HERE = os.path.dirname(os.path.abspath(__file__))
SOURCE = os.environ.get("BYTEWITNESS_SOURCE_DIR", os.path.dirname(os.path.dirname(HERE)))
BINARY = os.environ.get("BYTEWITNESS_BINARY_DIR", os.path.join(SOURCE, "build"))
PROGRAMS = os.path.join(BINARY, "bin")
SAMPLES = os.path.join(SOURCE, "samples")
BYTEWITNESS = os.path.join(PROGRAMS, "bytewitness")
BYTETRIAL = os.path.join(PROGRAMS, "bytetrial")

# Long enough for a sanitizer build on a busy machine; what is waited for comes much sooner.
PATIENCE = 60.0


class BenchError(Exception):
    pass


def environment(**more):
    env = dict(os.environ, PATH=PROGRAMS + os.pathsep + os.environ["PATH"], LC_ALL="C.UTF-8",
               TZ="UTC", NO_COLOR="1", SAMPLES=SAMPLES, SOURCE=SOURCE)
    # Debian's interpreter, which has python3-serial, comes first wherever a sample asks for one.
    env["PATH"] = "/usr/bin" + os.pathsep + env["PATH"]
    env.update(more)
    return env


def run(*arguments, cwd=None, stdin="", patience=PATIENCE, **more):
    """Runs a program to its end; the result has returncode, stdout and stderr as texts."""
    return subprocess.run(arguments, cwd=cwd, env=environment(**more), input=stdin, text=True,
                          encoding="utf-8", errors="replace", capture_output=True,
                          timeout=patience)


class Running:
    """A program that goes on while the test does: own process group, outputs read as they come."""

    def __init__(self, *arguments, cwd=None, stdin=subprocess.DEVNULL, **more):
        self.process = subprocess.Popen(arguments, cwd=cwd, env=environment(**more), stdin=stdin,
                                        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                                        start_new_session=True)
        self.said = {"stdout": b"", "stderr": b""}
        self.open = {self.process.stdout.fileno(): "stdout",
                     self.process.stderr.fileno(): "stderr"}

    def _read_once(self, until):
        ready, _, _ = select.select(list(self.open), [], [], max(0.0, until - time.monotonic()))
        for descriptor in ready:
            piece = os.read(descriptor, 65536)
            if piece:
                self.said[self.open[descriptor]] += piece
            else:
                del self.open[descriptor]
        return bool(ready)

    def wait_for(self, text, stream="stdout", patience=PATIENCE, times=1):
        """Returns all of `stream` as soon as `text` is in it, so often."""
        until = time.monotonic() + patience
        while self.said[stream].count(text.encode()) < times:
            if not self.open or not self._read_once(until):
                raise BenchError("waited for %r on %s of %s; it said %r" %
                                 (text, stream, self.process.args, self.said))
        return self.said[stream].decode("utf-8", "replace")

    def wait_for_line(self, stream="stdout"):
        return self.wait_for("\n", stream).splitlines()[0]

    def send(self, number):
        self.process.send_signal(number)

    def finish(self, patience=PATIENCE):
        """Waits for its end; returns the exit status (-N for signal N)."""
        until = time.monotonic() + patience
        while self.open:
            if not self._read_once(until):
                break
        return self.process.wait(max(0.1, until - time.monotonic()))

    def end(self):
        """Ends it as a person would; by force if that does not help."""
        if self.process.poll() is None:
            self.send(signal.SIGINT)
            try:
                self.finish(10)
            except subprocess.TimeoutExpired:
                os.killpg(self.process.pid, signal.SIGKILL)
                self.process.wait()
        self.process.stdout.close()
        self.process.stderr.close()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.end()


class Company:
    """Sample modules that stand behind ports while the test runs. Ports are links in `folder`."""

    def __init__(self, folder):
        self.folder = folder
        self.players = []

    def play(self, part, name):
        """Starts `bytetrial play` with a part of samples/ (or a path); returns the port's name."""
        path = part if os.path.isabs(part) else os.path.join(SAMPLES, part)
        link = os.path.join(self.folder, name)
        player = Running(BYTETRIAL, "play", path, "--pty", "--link", link)
        self.players.append(player)
        player.wait_for_line()  # it stands ready from then on
        return link

    def __enter__(self):
        return self

    def __exit__(self, *_):
        for player in self.players:
            player.end()


def left_over(mark):
    """Processes of ours whose command line has `mark` in it: what a test must not leave behind."""
    found = []
    for entry in os.listdir("/proc"):
        if not entry.isdigit() or int(entry) == os.getpid():
            continue
        try:
            with open("/proc/%s/cmdline" % entry, "rb") as line:
                words = line.read().replace(b"\0", b" ").decode("utf-8", "replace")
        except OSError:
            continue
        if mark in words:
            found.append("%s %s" % (entry, words))
    return found


if __name__ == "__main__":
    sys.exit("bench.py is for tests to import")
