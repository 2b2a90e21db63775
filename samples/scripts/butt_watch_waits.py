#!/usr/bin/env python3
"""butt-watch, the way it is often written: every reply is taken to be lines that end with LF.

  butt_watch_waits.py PORT

Sets channel and power of the Sedge module on PORT and reports the signal. It works with Sedge B.
With a module that leaves the LF out, readline() can't know that the line is over: it waits until its
timeout, a whole second each time, and what it then hands over may be two lines in one.
`bytetrial run` shows that; butt_watch_copes.py does better.
"""
import sys

import serial


def ask(port, command):
    """Sends a command; returns the information text, or "" if there is none."""
    port.write(command.encode() + b"\r\n")
    text = ""
    while True:
        line = port.readline()
        if not line:
            sys.exit("no answer to " + command)
        line = line.decode("ascii", "replace").strip()
        if line == "OK":
            return text
        if line == "ERROR":
            sys.exit("the module does not take " + command)
        if line:
            text = line


def main():
    if len(sys.argv) != 2:
        sys.exit("usage: butt_watch_waits.py PORT")
    with serial.Serial(sys.argv[1], 9600, timeout=1) as port:
        ask(port, "AT")
        ask(port, "AT+CHAN=11")
        ask(port, "AT+POWER=2")
        print("signal", ask(port, "AT+SIGNAL?").removeprefix("+SIGNAL: "))


if __name__ == "__main__":
    main()
