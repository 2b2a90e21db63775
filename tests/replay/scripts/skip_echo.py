# For Sedge C; its fault: relies on the echo (skips as many bytes)
import serial, sys, time
good = len(sys.argv) > 2
p = serial.Serial(sys.argv[1], 9600, timeout=0.3)
def ask(c):
    p.reset_input_buffer(); p.write(c + b"\r")
    p.timeout = 2.5; r = p.read(1); p.timeout = 0.3
    while True:
        d = p.read(256)
        if not d: break
        r += d
    if good:
        import re
        m = re.search(rb"\+[A-Z]+: ?[^\r\n]*?(?=OK|[\r\n]|$)", r.replace(b"+JOIN: 3", b""))
        return m.group(0) if m else b""
    r = r[len(c) + 1:]
    return r.replace(b"\r", b" ").replace(b"\n", b" ").split(b"OK")[0].split(b"+JOIN")[0].strip()
print("fw:", ask(b"AT+FW?").decode("latin1"))
print("signal:", ask(b"AT+SIGNAL?").decode("latin1"))
