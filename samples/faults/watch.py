#!/usr/bin/env python3
"""Asks a Sedge module for firmware and signal; with a fault, if one is named.

  watch.py PORT [FAULT] [--ending none|crlf]

Without FAULT it copes: the good twin of every faulty one, which differs from it in that one thing.
`bytetrial run` is to tell them apart.
"""
import re
import sys
import time

import serial

FAULTS = ("waits-lf", "exact", "too-early", "first-line", "keeps-leftover", "gives-up", "no-timeout",
          "cuts", "decodes", "counts", "presumes")
# What is looked for in the reply to each command. The line ending may be any, or none.
WANTED = {
    "AT": rb"(OK|ERROR)",
    "AT+FW?": rb"\+FW: ([^\r\n]*?)(?=OK[\r\n]*$|[\r\n]|$)",
    "AT+SIGNAL?": rb"\+SIGNAL: ([^\r\n]*?)(?=OK[\r\n]*$|[\r\n]|$)",
}
WAIT = 1.5   # for the first byte of a reply
QUIET = 0.15  # a reply is over after this long silence


def until_silent(port, fault):
    """All that comes until the line is silent."""
    reply = b""
    began = last = time.monotonic()
    while True:
        piece = port.read(port.in_waiting or 1)  # 20 ms at most
        now = time.monotonic()
        if piece:
            reply += piece
            last = now
        elif reply:
            if now - last > QUIET:
                return reply
        elif fault != "no-timeout" and now - began > (0.1 if fault == "gives-up" else WAIT):
            return reply


def until_result_code(port, fault):
    """Lines, the last of them OK or ERROR. A line is over when its LF is there, or after a second."""
    reply = b""
    port.timeout = 1
    while True:
        line = port.readline()
        reply += line
        if not line or line.strip() in (b"OK", b"ERROR"):
            return reply


# How many bytes module.textproto says to each command.
SIZES = {"AT": 6, "AT+FW?": 26, "AT+SIGNAL?": 22}


def as_many_as_ever(port, fault):
    """As many bytes as the reply to the command has always had, or what comes within a second."""
    port.timeout = 1
    return port.read(SIZES[port.asked])


def what_is_there(port, fault):
    """One read: what has come with the first byte."""
    port.timeout = WAIT
    first = port.read(1)
    port.timeout = 0
    return first + port.read(256)


def up_to_ok(port, fault):
    """Nothing behind the first OK is read, nor thrown away."""
    reply = b""
    began = time.monotonic()
    while not re.search(rb"OK|ERROR", reply) and time.monotonic() - began < WAIT:
        reply += port.read(1)
    return reply


def text_of(reply, command, fault):
    """What the module said to `command`; nothing if it is not in `reply`."""
    if fault == "cuts":
        reply = reply[:64]
    if fault == "decodes":
        reply = reply.decode("ascii").encode()
    if fault == "first-line":
        return (reply.split() or [b""])[0].decode("ascii", "backslashreplace")
    if fault == "presumes":
        reply.split()[0]  # there always was one
    if fault == "exact" and not reply.endswith(b"\r\nOK\r\n"):
        return ""
    found = re.search(WANTED[command], reply)
    return found.group(1).decode("ascii", "backslashreplace") if found else ""


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
    read = {"waits-lf": until_result_code, "too-early": what_is_there,
            "keeps-leftover": up_to_ok, "counts": as_many_as_ever}.get(fault, until_silent)
    with serial.Serial(words[0], 9600, timeout=0.02) as port:
        for command in WANTED:
            if fault != "keeps-leftover":
                port.reset_input_buffer()
            port.asked = command
            port.write(command.encode() + ending)
            text = text_of(read(port, fault), command, fault)
            if not text:
                print("no reply that I know to", command)
                sys.exit(1)
            print(command, "->", text)


main()
