# For Sedge B; its fault: takes-leftover. Told "good", it clears what has come, just before it asks.
import os, re, select, sys, tty
fd = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
tty.setraw(fd)
def byte(wait):
    return os.read(fd, 1) if select.select([fd], [], [], wait)[0] else None
def ask(command):
    while len(sys.argv) > 2 and byte(0) is not None:
        pass
    os.write(fd, command + b"\r\n")
    state, line, value = "start", b"", "none"
    while True:
        b = byte(2)
        if b is None:
            return value
        if b in b"\r\n":
            if state == "text":
                number = re.search(rb"-?\d+$", line)
                if number:
                    value = number.group().decode()
                if line in (b"OK", b"ERROR"):
                    return value
            state, line = "start", b""
        else:
            state, line = "text", line + b
for command in (b"AT", b"AT+CHAN?", b"AT+SIGNAL?"):
    print(command.decode(), ask(command), flush=True)
