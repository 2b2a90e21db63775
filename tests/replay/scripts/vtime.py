# For Sedge A; its fault: compares-with-line-ending
import os, sys, termios
fd = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
a = termios.tcgetattr(fd); a[0] = a[1] = a[3] = 0; a[2] |= termios.CS8 | termios.CREAD | termios.CLOCAL
a[6][termios.VMIN] = 0; a[6][termios.VTIME] = 3; termios.tcsetattr(fd, termios.TCSANOW, a)
def ask(c):
    os.write(fd, c); r = b""; n = 0
    while n < 8:
        d = os.read(fd, 100)
        if d: r += d; n = 7
        else: n += 1
    return r
for c in (b"AT", b"AT+CHAN=11"):
    r = ask(c)
    if len(sys.argv) > 2: r = r[r.find(b"OK"):][:2] if b"OK" in r else r
    if r == b"OK": print(c.decode(), "went well")
    else: print(c.decode(), "went wrong"); sys.exit(1)
r = ask(b"AT+SIGNAL?")
if len(sys.argv) > 2:
    import re
    m = re.search(rb"OK\s*(-?\d+)", r); print("signal", m.group(1).decode() if m else "?")
else: print("signal", r[2:].decode("latin1") if r.startswith(b"OK-") and r[3:].isdigit() else "?")
