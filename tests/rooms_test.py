"""Reads every include under capture/ and replay/ and checks it against the order of rooms and the
walls that DEVELOPERS.md draws. Run by ctest; `rooms_test.py` alone works too."""
import fnmatch
import os
import re
import tempfile
import unittest

SOURCE = os.environ.get("BYTEWITNESS_SOURCE_DIR",
                        os.path.dirname(os.path.dirname(os.path.abspath(__file__))))

# A room includes itself and what stands here beside it; nothing else of ours.
CAPTURE_BELOW = ["capture/base", "capture/store", "capture/examine"]
MAY_INCLUDE = {
    "capture/base": [],
    "capture/line": ["capture/base"],
    "capture/store": ["capture/base"],
    "capture/profile": ["capture/base"],
    "capture/record": ["capture/base", "capture/line", "capture/store", "capture/profile"],
    "capture/examine": ["capture/base", "capture/store"],
    "capture/show": ["capture/base", "capture/store", "capture/examine"],
    "capture/commands": ["capture/*"],
    "capture": ["capture/*"],  # main.cc
    "replay/part": CAPTURE_BELOW + ["capture/profile"],
    "replay/vary": CAPTURE_BELOW + ["replay/part"],
    "replay/play": CAPTURE_BELOW + ["capture/line", "replay/part", "replay/vary"],
    "replay/subject": CAPTURE_BELOW + ["capture/line", "replay/part", "replay/vary",
                                       "replay/play"],
    "replay/judge": CAPTURE_BELOW + ["capture/line", "replay/part", "replay/vary", "replay/play",
                                     "replay/subject"],
    "replay/commands": ["capture/*", "replay/*"],
    "replay": ["capture/*", "replay/*"],  # main.cc
}

# An include that matches the pattern is allowed in these files only.
WALLS = [
    (r"proto/capture\.pb\.h$", ["capture/store/*"]),
    (r"proto/examination\.pb\.h$", ["capture/show/*"]),
    (r"proto/trial\.pb\.h$", ["replay/part/*", "replay/judge/*", "replay/subject/sketch*",
                             "replay/subject/observations*"]),
    (r"proto/profile\.pb\.h$", ["capture/profile/*"]),
    (r"\.pb\.h$|^google/protobuf/",
     ["capture/store/*", "capture/show/*", "capture/profile/*", "replay/part/*", "replay/judge/*",
      "replay/subject/sketch*", "replay/subject/observations*"]),
    (r"^zstd|^zdict", ["capture/store/*"]),
    (r"^libserialport\.h$", ["capture/line/serial_port*"]),
    (r"^(termios|poll|pty|sys/(ioctl|epoll|socket|select|eventfd|signalfd|timerfd)|netinet/.*"
     r"|arpa/inet|asm/termbits|linux/serial)\.h$", ["capture/line/*", "replay/subject/*",
                                        "capture/commands/terminal_columns.cc"]),  # how wide is the screen
    (r"^(simavr/|sim_|avr_)", ["replay/subject/sketch*"]),
    (r"^CLI/", ["capture/commands/*", "replay/commands/*", "capture/main.cc", "replay/main.cc"]),
]

# The same for what a line of code says. Comments are left out.
SAYINGS = [
    ("library code prints nothing", r"std::(cout|cerr|clog)|\b(f?printf|puts|putchar|perror)\s*\(",
     ["*/commands/*", "*/main.cc", "replay/subject/sketch/*_main.cc"]),
    ("library code does not exit", r"(?<![\w:>.])(std::)?(exit|quick_exit|terminate)\s*\(",
     ["*/main.cc", "replay/subject/sketch/*_main.cc"]),
    ("the clock is read in one place", r"(steady|system|high_resolution)_clock::now"
     r"|\bclock_gettime\s*\(|\bgettimeofday\s*\(", ["capture/base/clock.cc", "capture/line/*"]),
    ("pages are made in one place", r"<(html|body|div|svg|span|table)\b", ["capture/show/exhibit*"]),
]


def allowed(path, patterns):
    return any(fnmatch.fnmatch(path, p) for p in patterns)


def room_of(path):
    parts = path.split("/")
    return "/".join(parts[:2]) if len(parts) > 2 else parts[0]


def faults(root):
    """Every offence under `root` as "FILE:LINE: what", in order."""
    found = []
    for top in ("capture", "replay"):
        for folder, _, names in sorted(os.walk(os.path.join(root, top))):
            for name in sorted(names):
                if not name.endswith((".cc", ".h")):
                    continue
                path = os.path.relpath(os.path.join(folder, name), root)
                with open(os.path.join(root, path), encoding="utf-8") as source:
                    found += faults_of(path, source.read())
    return found


def doubled_names(root):
    """Types that two headers define under one name: the linker would take one for both."""
    places = {}
    for top in ("capture", "replay"):
        for folder, _, names in sorted(os.walk(os.path.join(root, top))):
            for name in sorted(n for n in names if n.endswith(".h")):
                path = os.path.relpath(os.path.join(folder, name), root)
                space = ""
                with open(os.path.join(root, path), encoding="utf-8") as source:
                    for line in source:
                        opened = re.match(r"namespace ([\w:]+) \{", line)
                        defined = re.match(r"(?:struct|class|enum class) (\w+)[^;]*$", line)
                        if opened:
                            space = opened.group(1)
                        elif defined:
                            places.setdefault(space + "::" + defined.group(1), []).append(path)
    return ["%s is defined in %s" % (name, " and ".join(where))
            for name, where in sorted(places.items()) if len(where) > 1]


def faults_of(path, text):
    found = []
    room = room_of(path)
    if room not in MAY_INCLUDE:
        return ["%s:1: no such room: add it to DEVELOPERS.md and to rooms_test.py" % path]
    for number, line in enumerate(text.split("\n"), 1):
        where = "%s:%d: " % (path, number)
        include = re.match(r'\s*#\s*include\s*[<"]([^">]+)[">]', line)
        if include:
            target = include.group(1)
            other = room_of(target)
            if target.startswith(("capture/", "replay/")) and other != room:
                if not allowed(other, MAY_INCLUDE[room]):
                    found.append(where + "%s may not include %s" % (room, target))
            if target.startswith("..") or target.startswith("tests/"):
                found.append(where + "%s is no include from the top" % target)
            for pattern, places in WALLS:
                if re.search(pattern, target) and not allowed(path, places):
                    found.append(where + "%s belongs in %s" % (target, ", ".join(places)))
            continue
        code = re.sub(r"(^|\s)//.*", "", line)
        for what, pattern, places in SAYINGS:
            if re.search(pattern, code) and not allowed(path, places):
                found.append(where + what + ": " + code.strip())
    return found


class Rooms(unittest.TestCase):
    maxDiff = None

    def test_sources_keep_to_their_rooms(self):
        self.assertEqual("\n".join(faults(SOURCE)), "")

    def test_no_type_is_defined_twice(self):
        self.assertEqual(doubled_names(SOURCE), [])

    def test_type_defined_twice_is_found(self):
        with tempfile.TemporaryDirectory() as root:
            for folder in ("capture/store", "capture/examine"):
                os.makedirs(os.path.join(root, folder))
                with open(os.path.join(root, folder, "a.h"), "w", encoding="utf-8") as out:
                    out.write("namespace witness {\nstruct Twice {\n};\n}\n")
            self.assertEqual(len(doubled_names(root)), 1)

    def test_offences_are_found(self):
        offences = {
            "capture/line/a.cc": '#include "capture/store/event.h"',
            "capture/base/a.h": '#include "replay/part/part.h"',
            "replay/part/a.cc": '#include "replay/vary/variation.h"',
            "capture/record/a.cc": '#include "proto/capture.pb.h"',
            "capture/examine/a.cc": "#include <zstd.h>",
            "capture/line/pty2.cc": "#include <libserialport.h>",
            "replay/play/a.cc": "#include <poll.h>",
            "replay/judge/a.cc": "#include <simavr/sim_avr.h>",
            "capture/show/a.cc": '  std::cout << "x";',
            "capture/store/a.cc": "  exit(1);",
            "replay/vary/a.cc": "auto t = std::chrono::steady_clock::now();",
            "replay/judge/b.cc": 'out += "<div>";',
            "capture/attic/a.cc": "",
        }
        with tempfile.TemporaryDirectory() as root:
            for path, text in offences.items():
                os.makedirs(os.path.join(root, os.path.dirname(path)), exist_ok=True)
                with open(os.path.join(root, path), "w", encoding="utf-8") as out:
                    out.write(text + "\n")
            found = {fault.split(":")[0] for fault in faults(root)}
        self.assertEqual(found, set(offences))

    def test_what_is_allowed_is_not_found(self):
        fine = {
            "capture/record/a.cc": '#include "capture/line/port.h"',
            "replay/judge/a.cc": '#include "replay/subject/subject.h"',
            "capture/store/a.cc": "#include <zstd.h>\nstd::snprintf(b, 3, x);",
            "capture/commands/a.cc": 'std::printf("x");',
            "capture/show/exhibit.cc": 'out += "<div>";',
            "capture/examine/a.cc": "// printf(x) is said elsewhere",
        }
        for path, text in fine.items():
            self.assertEqual(faults_of(path, text), [], path)


if __name__ == "__main__":
    unittest.main()
