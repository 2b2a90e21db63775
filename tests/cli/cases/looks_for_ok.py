"""A program for trial.case: a reply is good if it ends with OK and CR, as Sedge C says it."""
import sys

import serial

port = serial.Serial(sys.argv[1], 9600, timeout=0.4)
for command in (b"AT", b"AT+FW?"):
    port.write(command + b"\r")
    reply = port.read(64)
    print(command.decode(), "good" if reply.endswith(b"OK\r") else "bad")
