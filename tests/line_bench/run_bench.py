#!/usr/bin/env python3
"""Runs the line bench: boots a small virtual machine with Debian's kernel (qemu, software
emulation: no special rights needed) and runs our tests on its real 8250 and ftdi_sio drivers.

  run_bench.py --init FILE --tests FILE --program FILE [--filter PATTERN] [--seconds N]

In the guest, /dev/ttyS4 and /dev/ttyS5 are two 16550s wired to each other; /dev/ttyS6 speaks to
qemu's monitor (QMP), so that a test can make a break come in on ttyS4. Adapters on USB are made in
the guest itself (emulated_adapter.h). Exit status: that of the tests; 99 if the guest did not get
to its end. A bench that did not say how many tests it ran has failed.
"""
import argparse
import os
import re
import subprocess
import sys
import tempfile
import threading
import time

import bench_image


def qemu_command(kernel, image, folder, memory):
    wire, monitor = os.path.join(folder, "wire"), os.path.join(folder, "monitor")
    return [
        "qemu-system-x86_64", "-machine", "pc,accel=tcg", "-m", str(memory), "-nodefaults",
        "-display", "none", "-no-reboot", "-kernel", kernel, "-initrd", image,
        "-append", "console=ttyS0 panic=-1 8250.nr_uarts=8 loglevel=3 rdinit=/init",
        "-serial", "stdio",
        "-device", "isa-debug-exit,iobase=0x501,iosize=0x02",
        # Each pair of chardevs: one listens, the other connects to it.
        "-chardev", "socket,id=wire0,path=%s,server=on,wait=off" % wire,
        "-chardev", "socket,id=wire1,path=%s" % wire,
        "-chardev", "socket,id=monitor0,path=%s,server=on,wait=off" % monitor,
        "-chardev", "socket,id=monitor1,path=%s" % monitor,
        "-mon", "chardev=monitor0,mode=control",
        "-device", "pci-serial-4x,chardev1=wire0,chardev2=wire1,chardev3=monitor1",
    ]


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--init", required=True, help="the guest's init program")
    parser.add_argument("--tests", required=True, help="the test program to run in the guest")
    parser.add_argument("--program", action="append", default=[], help="goes to the guest's /bench")
    parser.add_argument("--filter", default="*", help="which tests, in GoogleTest's patterns")
    parser.add_argument("--seconds", type=float, default=150, help="the guest is ended after that")
    parser.add_argument("--memory", type=int, default=320, help="of the guest, in MiB")
    choice = parser.parse_args()

    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="line-bench-") as folder:
        try:
            kernel = bench_image.kernel_folder()
            image = os.path.join(folder, "image")
            bench_image.write_image(image, kernel, choice.init, [choice.tests] + choice.program,
                                    ["--gtest_filter=" + choice.filter, "--gtest_color=no"])
        except bench_image.BenchError as why:
            print("line bench: %s" % why)
            return 99
        print("line bench: image of %.0f MB after %.1f s" %
              (os.path.getsize(image) / 1e6, time.monotonic() - began), flush=True)
        with subprocess.Popen(qemu_command(os.path.join(kernel, "vmlinux"), image, folder,
                                           choice.memory),
                              stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                              stderr=subprocess.STDOUT, text=True, errors="replace") as guest:
            limit = threading.Timer(choice.seconds, guest.kill)
            limit.daemon = True
            limit.start()
            ended, passed = None, 0
            for line in guest.stdout:
                line = line.rstrip()
                print("%7.2f %s" % (time.monotonic() - began, line), flush=True)
                if found := re.match(r"LINE BENCH ENDS WITH (\d+)$", line):
                    ended = int(found.group(1))
                if found := re.match(r"\[  PASSED  \] (\d+) tests?\.$", line):
                    passed = int(found.group(1))
            status = guest.wait()
            limit.cancel()
    print("line bench: %d tests passed, guest ended with %s, qemu with %s, %.1f s in all" %
          (passed, ended, status, time.monotonic() - began))
    if ended is None or status != ended * 2 + 1:
        return 99
    if ended == 0 and passed == 0:
        print("line bench: no test ran")
        return 99
    return ended


if __name__ == "__main__":
    sys.exit(main())
