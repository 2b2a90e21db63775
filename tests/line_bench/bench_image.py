"""Makes what the line bench's guest boots: Debian's kernel, and a first file system with our
programs, the shared libraries they need, and the drivers.

The kernel comes from the Debian archive by `apt-get download` of the package on which
linux-image-amd64 depends; no root needed, nothing is installed. Only the kernel and six modules
are kept, in a cache folder named by the version.
"""
import gzip
import lzma
import os
import shutil
import struct
import subprocess
import tarfile
import tempfile

# In the order in which they need each other (modules.dep of Debian's 6.1 kernel).
MODULES = [
    "kernel/drivers/usb/common/usb-common.ko",
    "kernel/drivers/usb/core/usbcore.ko",
    "kernel/drivers/usb/usbip/usbip-core.ko",
    "kernel/drivers/usb/usbip/vhci-hcd.ko",
    "kernel/drivers/usb/serial/usbserial.ko",
    "kernel/drivers/usb/serial/ftdi_sio.ko",
]


class BenchError(Exception):
    """One line for the person who runs the bench."""


def cache_folder():
    base = os.environ.get("XDG_CACHE_HOME") or os.path.expanduser("~/.cache")
    return os.path.join(base, "bytewitness-line-bench")


def kernel_package():
    """Name of the package that holds the kernel, or None if apt knows none."""
    found = subprocess.run(["apt-cache", "depends", "linux-image-amd64"], text=True,
                           capture_output=True, check=False)
    for line in found.stdout.splitlines():
        word, _, name = line.strip().partition("Depends: ")
        if word == "" and name.startswith("linux-image-"):
            return name.split()[0]
    return None


def uncompressed_kernel(image):
    """The ELF kernel inside a bzImage (Linux Documentation/x86/boot.rst, protocol 2.08)."""
    if image[0x1FE:0x200] != b"\x55\xaa" or image[0x202:0x206] != b"HdrS":
        raise BenchError("the kernel of the package is no bzImage")
    setup_sectors = image[0x1F1] or 4
    offset, length = struct.unpack_from("<II", image, 0x248)
    start = (setup_sectors + 1) * 512 + offset
    payload = image[start:start + length]
    if payload[:6] == b"\xfd7zXZ\0":
        kernel = lzma.LZMADecompressor(format=lzma.FORMAT_XZ).decompress(payload)
    elif payload[:2] == b"\x1f\x8b":
        kernel = gzip.decompress(payload[:-4])
    else:
        raise BenchError("the kernel's compression %r is not known here" % payload[:6])
    if kernel[:4] != b"\x7fELF":
        raise BenchError("no ELF kernel inside the bzImage")
    return kernel


def unpack_kernel(package_file, folder):
    """Takes the kernel and MODULES out of the .deb."""
    with subprocess.Popen(["dpkg-deb", "--fsys-tarfile", package_file],
                          stdout=subprocess.PIPE) as unpacked:
        left = {os.path.basename(name) for name in MODULES}
        kernel = None
        with tarfile.open(fileobj=unpacked.stdout, mode="r|") as archive:
            for member in archive:
                base = os.path.basename(member.name)
                if base.startswith("vmlinuz-") and member.isfile():
                    kernel = archive.extractfile(member).read()
                elif base in left and any(member.name.endswith(name) for name in MODULES):
                    with open(os.path.join(folder, base), "wb") as out:
                        shutil.copyfileobj(archive.extractfile(member), out)
                    left.discard(base)
    if kernel is None or left:
        raise BenchError("the kernel package lacks %s" % (sorted(left) or "its kernel"))
    with open(os.path.join(folder, "vmlinux"), "wb") as out:
        out.write(uncompressed_kernel(kernel))


def kernel_folder():
    """Folder with `vmlinux` and the modules, from the cache or from the archive."""
    cache = cache_folder()
    package = kernel_package()
    if package and os.path.isfile(os.path.join(cache, package, "vmlinux")):
        return os.path.join(cache, package)
    why = "apt knows no linux-image-amd64 (apt-get update?)"
    if package:
        os.makedirs(cache, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=cache) as work:
            got = subprocess.run(["apt-get", "-q", "download", package], cwd=work, text=True,
                                 capture_output=True, check=False)
            debs = [name for name in os.listdir(work) if name.endswith(".deb")]
            if debs:
                ready = os.path.join(work, "ready")
                os.mkdir(ready)
                unpack_kernel(os.path.join(work, debs[0]), ready)
                target = os.path.join(cache, package)
                try:
                    os.rename(ready, target)
                except OSError:
                    if not os.path.isfile(os.path.join(target, "vmlinux")):
                        raise
                return target
            why = "apt-get download %s: %s" % (package, got.stderr.strip().replace("\n", "; "))
    # Better an older kernel than no test.
    older = sorted(name for name in (os.listdir(cache) if os.path.isdir(cache) else [])
                   if os.path.isfile(os.path.join(cache, name, "vmlinux")))
    if older:
        print("line bench: %s; taking %s of the cache" % (why, older[-1]))
        return os.path.join(cache, older[-1])
    raise BenchError("no kernel for the guest: %s" % why)


def shared_libraries(program):
    listed = subprocess.run(["ldd", program], text=True, capture_output=True, check=False)
    for line in listed.stdout.splitlines():
        words = line.split()
        path = words[2] if "=>" in words and len(words) > 2 else words[0]
        if path.startswith("/"):
            yield path


class Archive:
    """Writes the "newc" cpio format (Linux Documentation/driver-api/early-userspace/
    buffer-format.rst), which the kernel unpacks as its first file system."""

    def __init__(self, out):
        self._out = out
        self._inode = 1
        self._folders = set()

    def _entry(self, name, mode, data=b"", major=0, minor=0):
        name_bytes = name.encode() + b"\0"
        fields = [self._inode, mode, 0, 0, 1, 0, len(data), 0, 0, major, minor, len(name_bytes), 0]
        self._inode += 1
        header = b"070701" + b"".join(b"%08X" % field for field in fields)
        self._out.write(header + name_bytes + b"\0" * (-(len(header) + len(name_bytes)) % 4))
        self._out.write(data + b"\0" * (-len(data) % 4))

    def folder(self, path):
        if path and path not in self._folders:
            self.folder(os.path.dirname(path))
            self._folders.add(path)
            self._entry(path, 0o040755)

    def file(self, path, data, mode=0o100755):
        path = path.lstrip("/")
        self.folder(os.path.dirname(path))
        self._entry(path, mode, data)

    def character_device(self, path, major, minor):
        self.folder(os.path.dirname(path))
        self._entry(path, 0o020600, b"", major, minor)

    def end(self):
        self._entry("TRAILER!!!", 0)


def stripped(program, work):
    copy = os.path.join(work, os.path.basename(program))
    subprocess.run(["strip", "--strip-unneeded", "-o", copy, program], check=True)
    with open(copy, "rb") as file:
        return file.read()


def write_image(path, kernel, init, programs, arguments):
    """`programs` land in /bench under their own names; libraries where the loader looks."""
    libraries = {}
    with tempfile.TemporaryDirectory() as work, open(path, "wb") as out:
        archive = Archive(out)
        archive.folder("dev")
        archive.character_device("dev/console", 5, 1)
        archive.file("init", stripped(init, work))
        for program in programs:
            data = stripped(program, work)
            archive.file("bench/" + os.path.basename(program), data)
        for program in [init] + programs:
            for library in shared_libraries(program):
                libraries.setdefault(library, None)
        for library in sorted(libraries):
            with open(os.path.realpath(library), "rb") as file:
                archive.file(library, file.read())
        for module in MODULES:
            name = os.path.basename(module)
            with open(os.path.join(kernel, name), "rb") as file:
                archive.file("modules/" + name, file.read(), 0o100644)
        order = "".join(os.path.basename(name) + "\n" for name in MODULES)
        archive.file("modules/order", order.encode(), 0o100644)
        archive.file("bench/arguments", "".join(a + "\n" for a in arguments).encode(), 0o100644)
        archive.end()
