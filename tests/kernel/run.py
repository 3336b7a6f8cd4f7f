#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""An emulated machine with the distribution's own kernel runs tests/kernel/guest: GPIO lines, the warden's output, a UART, a CAN interface, and a
USB adapter that is pulled and plugged in again. Its time goes by its instructions (icount), so that a busy machine does not make it late.
No root is needed, and nothing of this machine's devices is touched.

    run.py GUEST WARDEN FOLDER     # FOLDER keeps kernel and module from one run to the next

Where emulator, kernel or headers are not there, the test is skipped with the reason."""
import glob
import gzip
import io
import json
import lzma
import os
import pathlib
import re
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time

HERE = pathlib.Path(__file__).resolve().parent
MODULES = ("usb-common", "usbcore", "xhci-hcd", "xhci-pci", "usbserial", "ftdi_sio", "can", "can-raw", "can-dev", "vcan")
PATIENCE_S = 220


class Missing(Exception):
    """What the test needs is not there; the words say what."""


def call(*args, **kwargs):
    done = subprocess.run(list(map(str, args)), capture_output=True, text=True, check=False, **kwargs)
    if done.returncode != 0:
        raise Missing(f"{' '.join(map(str, args[:3]))}: {(done.stderr or done.stdout).strip()[-300:]}")
    return done.stdout


def version():
    """Of the newest kernel whose headers are installed."""
    found = sorted((p.parent.name for p in map(pathlib.Path, glob.glob("/lib/modules/*/build")) if "cloud" not in p.parent.name and "rt" not in
                    p.parent.name.split("-")), key=lambda v: [int(n) for n in re.findall(r"\d+", v)])
    if not found:
        raise Missing("no kernel headers (package linux-headers-amd64)")
    return found[-1]


def kernel(name, folder):
    """Where boot/ and the modules of that kernel are: this machine's own, or its package unpacked beside."""
    if os.path.exists(f"/boot/vmlinuz-{name}") and os.access(f"/boot/vmlinuz-{name}", os.R_OK):
        return pathlib.Path("/")
    root = folder / f"kernel-{name}"
    if not list(root.glob("boot/vmlinuz-*")):
        with tempfile.TemporaryDirectory() as home:
            call("apt-get", "download", "-q", f"linux-image-{name}", cwd=home, timeout=300)
            root.mkdir(parents=True, exist_ok=True)
            call("dpkg-deb", "-x", next(pathlib.Path(home).glob("*.deb")), root)
    return root


def module(name, folder):
    """rig_lines.ko for that kernel."""
    work = folder / f"module-{name}"
    made = work / "rig_lines.ko"
    if not made.exists() or made.stat().st_mtime < (HERE / "rig_lines.c").stat().st_mtime:
        work.mkdir(parents=True, exist_ok=True)
        shutil.copy(HERE / "rig_lines.c", work)
        (work / "Kbuild").write_text("obj-m := rig_lines.o\n")
        call("make", "-s", "-C", f"/lib/modules/{name}/build", f"M={work}", "modules", timeout=600)
    return made


def find_module(root, name, word):
    for base in (root / "lib/modules" / name, root / "usr/lib/modules" / name):
        for path in base.glob(f"kernel/**/{word}.ko*"):
            return lzma.decompress(path.read_bytes()) if path.suffix == ".xz" else path.read_bytes()
    return None  # built in


def libraries(*programs):
    """The files that they are linked to, by the paths that the loader asks for."""
    found = set()
    for program in programs:
        for line in call("ldd", program).splitlines():
            path = re.search(r"(/\S+) \(0x", line)
            if path:
                found.add(path.group(1))
    return sorted(found)


def entry(path, data, mode):
    """One file of an archive in the new ASCII form of cpio (initramfs buffer format of the kernel's documentation)."""
    name = path.encode() + b"\0"
    head = b"070701" + b"".join(b"%08X" % n for n in (entry.number, mode, 0, 0, 1, 0, len(data), 0, 0, 0, 0, len(name), 0))
    entry.number += 1
    return b"".join(part + b"\0" * (-len(part) % 4) for part in (head + name, data))


entry.number = 1


def initramfs(guest, warden, root, name, lines, to):
    files = {"init": HERE / "init", "guest": guest, "bridle-warden": warden, "bin/busybox": shutil.which("busybox"), "mod/rig_lines.ko": lines}
    for path in libraries(guest, warden):
        files[path.lstrip("/")] = path
    content = {path: (pathlib.Path(at).read_bytes(), 0o100755) for path, at in files.items()}
    loaded = []
    for word in MODULES:
        data = find_module(root, name, word)
        if data is not None:
            content[f"mod/{word}.ko"] = (data, 0o100644)
            loaded.append(word)
    content["modules"] = (" ".join([*loaded, "rig_lines"]).encode(), 0o100644)
    folders = {str(parent) for path in content for parent in pathlib.PurePath(path).parents if str(parent) != "."} | {"dev", "tmp", "proc", "sys"}
    made = io.BytesIO()
    for path in sorted(folders, key=len):
        made.write(entry(path, b"", 0o040755))
    for path, (data, mode) in content.items():
        made.write(entry(path, data, mode))
    made.write(entry("TRAILER!!!", b"", 0))
    to.write_bytes(gzip.compress(made.getvalue(), 1))


def echo_server(path):
    """The far end of a serial port: gives back what it reads, on each connection."""
    listening = socket.socket(socket.AF_UNIX)
    listening.bind(path)
    listening.listen(2)

    def serve():
        while True:
            end, _ = listening.accept()
            try:
                while data := end.recv(256):
                    end.sendall(data)
            except OSError:
                pass

    threading.Thread(target=serve, daemon=True).start()


class Monitor:
    """The emulator's control socket."""

    def __init__(self, path):
        self.socket = socket.socket(socket.AF_UNIX)
        for _ in range(200):
            try:
                self.socket.connect(path)
                break
            except OSError:
                time.sleep(0.05)
        self.file = self.socket.makefile("rw")
        self.file.readline()
        self.do("qmp_capabilities")

    def do(self, command, **arguments):
        self.file.write(json.dumps({"execute": command, "arguments": arguments}) + "\n")
        self.file.flush()
        while not {"return", "error"} & (answer := json.loads(self.file.readline())).keys():
            pass
        if "error" in answer:
            raise RuntimeError(f"{command}: {answer['error']}")


    def plug(self, **device):
        """Once the one that was pulled is gone in full."""
        for left in range(100, -1, -1):
            try:
                return self.do("device_add", **device)
            except RuntimeError:
                if left == 0:
                    raise
                time.sleep(0.05)


def boot(image, initrd, home):
    uart, usb, control = (f"{home}/{word}" for word in ("uart", "usb", "control"))
    echo_server(uart)
    echo_server(usb)
    adapter = {"driver": "usb-serial", "chardev": "c2", "always-plugged": True}
    machine = subprocess.Popen(
        ["qemu-system-x86_64", "-accel", "tcg", "-icount", "shift=0", "-cpu", "max", "-m", "512", "-nodefaults", "-no-user-config", "-display", "none",
         "-no-reboot", "-kernel", image, "-initrd", initrd, "-append", "console=ttyS0 quiet panic=-1", "-serial", "stdio",
         "-chardev", f"socket,id=c1,path={uart}", "-serial", "chardev:c1", "-device", "qemu-xhci,id=x",
         "-chardev", f"socket,id=c2,path={usb}", "-device", "usb-serial,chardev=c2,id=u1,serial=RIG0001,always-plugged=on",
         "-qmp", f"unix:{control},server=on,wait=off"],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, errors="replace")
    late = threading.Timer(PATIENCE_S, machine.kill)
    late.start()
    monitor = Monitor(control)
    for line in machine.stdout:
        line = line.rstrip()
        if line.endswith("# PULL"):
            monitor.do("device_del", id="u1")
        elif line.endswith("# PLUG"):
            monitor.plug(id="u2", serial="RIG0001", **adapter)
        yield line
    late.cancel()
    if machine.wait() < 0:
        yield f"not ok - the machine was ended after {PATIENCE_S} s"


def main():
    guest, warden, folder = (pathlib.Path(word).resolve() for word in sys.argv[1:4])
    try:
        for program in ("qemu-system-x86_64", "busybox", "make"):
            if not shutil.which(program):
                raise Missing(f"no {program}")
        name = version()
        folder.mkdir(parents=True, exist_ok=True)
        root, lines = kernel(name, folder), module(name, folder)
    except (Missing, subprocess.TimeoutExpired, StopIteration) as missing:
        print(f"1..0 # SKIP {' '.join(str(missing).split())}")
        return 0
    with tempfile.TemporaryDirectory(prefix="bridle-") as home:
        initramfs(guest, warden, root, name, lines, pathlib.Path(home) / "initrd")
        ended = False
        print(f"# Linux {name}", flush=True)
        for line in boot(root / f"boot/vmlinuz-{name}", f"{home}/initrd", home):
            ended |= line == "# EXIT 0"
            if re.match(r"(ok|not ok|1\.\.|#)", line):
                print(line, flush=True)
            elif line:
                print(f"# {line}", flush=True)
    os._exit(0 if ended else 1)


if __name__ == "__main__":
    sys.exit(main())
