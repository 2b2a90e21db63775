# For Sedge C; its fault: takes-unsolicited / needs echo
import serial, sys, re, time
p = serial.Serial(sys.argv[1], 9600, timeout=0.25)
good = len(sys.argv) > 2
for c in ("AT+FW?", "AT+SIGNAL?"):
    p.write(c.encode() + b"\r")
    r = b""; t = time.time()
    while time.time() - t < 2.5:
        d = p.read(200); r += d
        if r and not d: break
    lines = [x for x in re.split(rb"[\r\n]+", r) if x]
    if good:
        key = c[2:-1].encode() + b": "
        v = [x for x in lines if key in x]
        print(c, "=", v[0].split(key)[1].replace(b"OK", b"").decode("latin1") if v else "?")
    else:
        v = lines[1] if len(lines) > 1 else b"?"
        print(c, "=", v.decode("latin1"))
