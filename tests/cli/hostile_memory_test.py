"""Captures made to take a reader's memory: whatever is done with one, the program stays small.

Each is a few megabytes and is handled by a process of its own, whose peak memory is looked at.
"""
import os
import struct
import subprocess
import tempfile
import unittest

import bench

MOST_MB = 64
MIB = 1 << 20
SKIPPABLE = 0x184D2A5B
# A process begins with the peak of the one it came from: here that of a small one.
MEASURED = """
import resource, subprocess, sys
nothing = subprocess.DEVNULL
status = subprocess.call(sys.argv[1:], stdin=nothing, stdout=nothing, stderr=nothing)
print(status, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)
"""


def sanitized():
    with open(os.path.join(bench.BINARY, "CMakeCache.txt"), encoding="utf-8") as cache:
        return any(line.startswith("BYTEWITNESS_SANITIZE:") and line.strip().split("=", 1)[1]
                   for line in cache)


def table():
    """CRC-32C: RFC 3720 section 12.1, the polynomial 1EDC6F41 reflected."""
    for n in range(256):
        for _ in range(8):
            n = n >> 1 ^ (0x82F63B78 if n & 1 else 0)
        yield n


TABLE = list(table())


def crc32c(data):
    crc = 0xFFFFFFFF
    for byte in data:
        crc = crc >> 8 ^ TABLE[(crc ^ byte) & 0xFF]
    return crc ^ 0xFFFFFFFF


assert crc32c(b"123456789") == 0xE3069283  # the check value of CRC catalogues for CRC-32C


def varint(value):
    out = bytearray()
    while value >= 0x80:
        out.append(value & 0x7F | 0x80)
        value >>= 7
    return bytes(out) + bytes([value])


def field(number, content):
    return varint(number << 3 | 2) + varint(len(content)) + content


def checked(message):
    return message + b"\x7d" + struct.pack("<I", crc32c(message))


def block_head(size, kind, last):
    return struct.pack("<I", size << 3 | kind << 1 | last)[:3]


def frame(*pieces, window=0x38):
    """A zstd frame without a checksum (RFC 8878 section 3.1.1). A piece is bytes, which are stored as
    they are, or a number: so many zeros, in blocks that repeat one byte."""
    out = bytearray(b"\x28\xb5\x2f\xfd\x00" + bytes([window]))
    for piece in pieces:
        if isinstance(piece, int):
            while piece > 0:
                size = min(piece, 128 << 10)
                out += block_head(size, 1, 0) + b"\0"
                piece -= size
        else:
            for at in range(0, len(piece), 128 << 10):
                part = piece[at:at + (128 << 10)]
                out += block_head(len(part), 0, 0) + part
    return bytes(out + block_head(0, 0, 1))


# Format 1.0, nothing else.
HEADER = checked(b"\x08\x01")


def one_event(seq):
    """A block of one event, an "x" from the host, at time 0 of a capture."""
    return checked(b"\x08" + varint(seq) + b"\x10" + varint(seq) + b"\x18\0" + b"\x20\x01" +
                   field(5, b"\x10") + field(6, b"\x10\x01\x18\x01") + field(7, b"x") +
                   field(8, b"\0") + field(9, b"\x01"))


START = frame(field(1, HEADER))
BEHIND = frame(field(2, one_event(0)))


def many_events():
    count = 1 << 20
    return checked(b"\x08\0\x10\0\x18\0\x20" + varint(count) + field(5, varint(count << 4)) +
                   field(6, b"\x18" + varint(count)))


class HostileMemory(unittest.TestCase):
    def setUp(self):
        self.kept = tempfile.TemporaryDirectory(prefix="bombs-")
        self.addCleanup(self.kept.cleanup)
        self.most = 1 << 30 if sanitized() else MOST_MB * MIB

    def peak(self, *words):
        """Its exit status and peak memory in bytes."""
        said = subprocess.run(["/usr/bin/python3", "-c", MEASURED, bench.BYTEWITNESS, *words],
                              env=bench.environment(), stdout=subprocess.PIPE, check=True).stdout
        status, kilobytes = said.split()
        return int(status), int(kilobytes) * 1024

    def stays_small(self, content, events=None):
        path = os.path.join(self.kept.name, "bomb.witness")
        mended = os.path.join(self.kept.name, "mended.witness")
        with open(path, "wb") as file:
            file.write(content)
        for words in (["verify", path], ["show", path], ["show", path, "--from", "1s"],
                      ["mend", path, "-o", mended], ["export", path, "--as", "jsonl"]):
            if os.path.exists(mended):
                os.unlink(mended)
            status, peak = self.peak(*words)
            print("%-7s %5.1f MB, status %d" % (words[0], peak / MIB, status))
            self.assertIn(status, (0, 1, 3), words)
            self.assertLess(peak, self.most, words)
        if events is not None:
            done = bench.run(bench.BYTEWITNESS, "export", path, "--as", "jsonl")
            self.assertEqual(done.stdout.count('"hex":"78"'), events, done.stdout[:500])

    def test_a_frame_of_128_gib(self):
        self.stays_small(START + frame(128 << 30) + BEHIND, events=1)

    def test_frames_as_large_as_they_may_be(self):
        unknown = (varint(70 << 3 | 2) + varint(4 * MIB - 8), 4 * MIB - 8)
        self.stays_small(START + frame(*(15 * unknown)) * 20 + BEHIND, events=1)

    def test_fields_larger_than_they_may_be(self):
        self.stays_small(START + frame(b"\x12\xff\xff\xff\xff\x0f", os.urandom(4 * MIB)) + BEHIND,
                         events=1)

    def test_the_widest_windows(self):
        for window in (14 << 3, 15 << 3, 21 << 3, 31 << 3 | 7):
            self.stays_small(START + frame(os.urandom(3 * MIB), window=window) + BEHIND, events=1)

    def test_a_header_of_two_million_taps(self):
        self.stays_small(frame(field(1, checked(b"\x08\x01" + b"\x42\0" * (2 * MIB - 99)))) + BEHIND,
                         events=1)

    def test_a_header_of_two_million_unknown_fields(self):
        self.stays_small(frame(field(1, checked(b"\x08\x01" + b"\x78\0" * (2 * MIB - 99)))) + BEHIND,
                         events=1)

    def test_a_tap_of_two_million_unknown_fields(self):
        tap = b"\x78\0" * (2 * MIB - 99)
        self.stays_small(frame(field(1, checked(b"\x08\x01" + field(8, tap)))) + BEHIND, events=1)
        tap = field(3, tap)
        self.stays_small(frame(field(1, checked(b"\x08\x01" + field(8, tap)))) + BEHIND, events=1)

    def test_a_trailer_of_two_million_unknown_fields(self):
        self.stays_small(START + BEHIND + frame(field(4, checked(b"\x78\0" * (2 * MIB - 99)))),
                         events=1)

    def test_a_block_of_two_million_lanes(self):
        self.stays_small(START + frame(field(2, checked(b"\x32\0" * (2 * MIB - 99)))) + BEHIND,
                         events=1)

    def test_a_million_events_in_a_few_bytes(self):
        self.stays_small(START + frame(field(2, many_events())))

    def test_an_index_larger_than_it_may_be(self):
        size = 6 * MIB
        index = struct.pack("<II", SKIPPABLE, size - 8)
        for number in (1, 2, 3):
            index += field(number, bytes(size // 3 - 20))
        index += bytes(size - 16 - len(index))
        index += struct.pack("<II", crc32c(index), size) + b"BWINDEX\x01"
        self.stays_small(START + BEHIND + index, events=1)

    def test_starts_of_frames_and_nothing_else(self):
        self.stays_small(START + b"\x28\xb5\x2f\xfd" * (MIB // 4) + BEHIND, events=1)
        self.stays_small(START + BEHIND * (4 * MIB // len(BEHIND)))


if __name__ == "__main__":
    unittest.main()
