#!/usr/bin/env python3
"""butt-watch, written to cope: no reply is taken to end with any byte in particular.

  butt_watch_copes.py PORT [--ending none|cr|lf|crlf]

Sets channel and power of the Sedge module on PORT and reports the signal. A reply is over when the
result is in it and the line has then been silent for a while, whatever stands between and behind:
line endings, none, an echo, an event in the middle, a pause between two pieces.
"""
import argparse
import re
import sys
import time

import serial

ENDINGS = {"none": b"", "cr": b"\r", "lf": b"\n", "crlf": b"\r\n"}
WAIT = 2.0    # for a reply to begin
QUIET = 0.15  # a reply that has its result is over after this long without a byte
STUCK = 0.6   # ... and one that hasn't, after this long


def read_reply(port):
    reply = b""
    began = last = time.monotonic()
    while True:
        piece = port.read(64)  # what has come, 20 ms at most
        now = time.monotonic()
        if piece:
            reply += piece
            last = now
        elif not reply:
            if now - began > WAIT:
                return reply
        elif now - last > (QUIET if re.search(rb"OK|ERROR", reply) else STUCK):
            return reply


def ask(port, command, ending):
    """Sends a command; returns the whole reply as text."""
    port.reset_input_buffer()  # what is left of before is no answer to this
    port.write(command.encode() + ENDINGS[ending])
    reply = read_reply(port).decode("ascii", "replace").replace(command, "", 1)
    if not reply:
        sys.exit("no answer to " + command)
    if "OK" not in reply:
        sys.exit("the module does not take " + command)
    return reply


def main():
    parser = argparse.ArgumentParser(description="Sets up a Sedge module and reports the signal.")
    parser.add_argument("port")
    parser.add_argument("--ending", choices=sorted(ENDINGS), default="crlf",
                        help="what a command ends with; none: Sedge A takes it after a silence")
    choice = parser.parse_args()
    with serial.Serial(choice.port, 9600, timeout=0.02) as port:
        for command in ("AT", "AT+CHAN=11", "AT+POWER=2"):
            ask(port, command, choice.ending)
        signal = re.search(r"-\d+", ask(port, "AT+SIGNAL?", choice.ending))
        print("signal", signal.group() if signal else "unknown")


if __name__ == "__main__":
    main()
