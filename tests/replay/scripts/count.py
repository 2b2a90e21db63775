# For Sedge A; its fault: reads-fixed-count
import serial, sys
p = serial.Serial(sys.argv[1], 9600, timeout=3)
def ask(c, n):
    p.write(c)
    if len(sys.argv) > 2:
        p.timeout = 3; r = p.read(1); p.timeout = 0.3
        while True:
            x = p.read(1)
            if not x: break
            r += x
        p.timeout = 3
        i = r.find(b"OK")
        return r[i:].strip() if i >= 0 else r
    return p.read(n)
print(ask(b"AT", 2).decode("latin1"))
print(ask(b"AT+FW?", 13).decode("latin1"))
print(ask(b"AT+SIGNAL?", 5).decode("latin1"))
