# For Sedge B; its fault: reads-too-early (a chunk is taken for a message)
import os, sys, selectors, termios, tty, time
fd = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY); tty.setraw(fd)
sel = selectors.DefaultSelector(); sel.register(fd, selectors.EVENT_READ)
def chunk(limit): return os.read(fd, 64) if sel.select(limit) else b""
for c in (b"AT", b"AT+FW?", b"AT+CHAN=11", b"AT+SIGNAL?"):
    os.write(fd, c + b"\r\n")
    msg = chunk(2.0)
    if len(sys.argv) > 2:
        while True:
            m = chunk(0.25)
            if not m: break
            msg += m
    state = "ok" if b"OK" in msg else ("error" if b"ERROR" in msg else "no result")
    print(c.decode(), state)
