#!/usr/bin/env python3
"""Asks a Sedge module for firmware and signal; with a fault, if one is named.

  watch.py PORT [FAULT] [--ending none|crlf]

Without FAULT it copes: the good twin of every faulty one. `bytetrial run` is to tell them apart.
"""
import re
import sys
import time

import serial

FAULTS = ("waits-lf", "exact", "too-early", "first-line", "keeps-leftover", "gives-up", "no-timeout",
          "cuts", "decodes")
WAIT = 1.5
QUIET = 0.12


def all_of_it(port, fault):
    """What comes until the line is silent."""
    reply = b""
    began = last = time.monotonic()
    while True:
        piece = port.read(port.in_waiting or 1)  # 20 ms at most
        now = time.monotonic()
        if piece:
            reply += piece
            last = now
        if fault == "no-timeout" and not reply:
            continue
        if reply and not piece and now - last > QUIET:
            return reply
        if not reply and now - began > (0.1 if fault == "gives-up" else WAIT):
            return reply


def read_reply(port, fault):
    if fault == "waits-lf":
        port.timeout = 1  # readline() waits so long if no LF comes
        reply = b""
        while True:
            line = port.readline()
            reply += line
            if not line or line.strip() in (b"OK", b"ERROR"):
                return reply
    if fault == "too-early":
        port.timeout = WAIT
        first = port.read(1)
        return first + port.read(port.in_waiting)
    if fault == "keeps-leftover":
        reply = b""
        began = time.monotonic()
        while not re.search(rb"OK|ERROR", reply) and time.monotonic() - began < WAIT:
            reply += port.read(1)
        return reply
    if fault == "cuts":
        return all_of_it(port, fault)[:64]
    return all_of_it(port, fault)


def text_of(reply, command, fault):
    """The information text of a reply, or its result code if it has none."""
    if fault == "exact":
        if not reply.endswith(b"\r\nOK\r\n"):
            sys.exit("not the reply that I know: %r" % reply)
        return reply.decode("ascii", "replace").strip().split("\r\n")[0]
    text = reply.decode("ascii") if fault == "decodes" else reply.decode("ascii", "replace")
    if fault == "first-line":
        return (text.strip().splitlines() or [""])[0]
    found = re.search(r"\+(?:FW|SIGNAL): ([ -~]*?)(?:OK|ERROR)?[\r\n]", text + "\n")
    if found:
        return found.group(1)
    found = re.search(r"OK|ERROR", text)
    return found.group(0) if found else ""


def main():
    words = sys.argv[1:]
    ending = b"\r\n"
    if "--ending" in words:
        at = words.index("--ending")
        ending = b"" if words[at + 1] == "none" else b"\r\n"
        del words[at:at + 2]
    fault = words[1] if len(words) > 1 else None
    if not words or (fault and fault not in FAULTS):
        sys.exit(__doc__)
    with serial.Serial(words[0], 9600, timeout=0.02) as port:
        for command in ("AT", "AT+FW?", "AT+SIGNAL?"):
            if fault != "keeps-leftover":
                time.sleep(0.02)
                port.reset_input_buffer()
            port.write(command.encode() + ending)
            reply = read_reply(port, fault)
            if not reply:
                print("no reply to", command)
                sys.exit(1)
            print(command, "->", text_of(reply, command, fault))


main()
