# For Sedge C; its fault: takes-unsolicited (last information line counts)
import asyncio, os, sys, tty, re
good = len(sys.argv) > 2
fd = os.open(sys.argv[1], os.O_RDWR | os.O_NONBLOCK | os.O_NOCTTY); tty.setraw(fd)
async def main():
    loop = asyncio.get_running_loop(); data = asyncio.Queue()
    loop.add_reader(fd, lambda: data.put_nowait(os.read(fd, 4096)))
    async def ask(c):
        os.write(fd, c.encode() + b"\r"); r = b""; limit = 2
        while True:
            try: r += await asyncio.wait_for(data.get(), limit)
            except asyncio.TimeoutError: return r
            limit = 0.3
    for c in ("AT+FW?", "AT+CHAN=11", "AT+SIGNAL?"):
        r = (await ask(c)).replace(b"OK", b"\r")
        info = re.findall(rb"\+[A-Z]+: ?[^\r\n]+", r.replace(c.encode(), b""))
        if good: info = [i for i in info if i.startswith(c[2:-1].encode()+b":") or i.startswith(b"+" + c[3:-1].encode() + b":")]
        print(c, info[-1].decode("latin1") if info else "-")
asyncio.run(main())
