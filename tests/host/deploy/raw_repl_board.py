"""A stand-in for a board at its prompt: the raw REPL as MicroPython documents it, on a pty, a real interpreter behind.

Code runs under MicroPython's Unix port with a littlefs on a file as its only file system, so that files, renames and
power cuts behave as on flash. Failures are set by number: power gone at the n-th block write, line dead after n bytes,
one byte of file content changed on its way.
"""

from __future__ import annotations

import os
import pty
import select
import shutil
import struct
import subprocess
import sys
import tempfile
import threading
import tty
from pathlib import Path

MICROPYTHON = shutil.which("micropython") or str(Path(sys.executable).parent / "micropython")
BLOCK = 4096

DRIVER = r"""
import sys, os, vfs
class PowerCut(BaseException):
    pass
class Flash:
    def __init__(self, f, cut):
        self.f, self.cut, self.blocks = f, cut, os.stat(sys.argv[1])[6] // 4096
    def readblocks(self, n, buf, off=0):
        self.f.seek(n * 4096 + off)
        self.f.readinto(buf)
    def writeblocks(self, n, buf, off=None):
        if self.cut == 0:
            raise PowerCut()
        self.cut -= 1
        self.f.seek(n * 4096 + (off or 0))
        self.f.write(buf)
        self.f.flush()
    def ioctl(self, op, arg):
        if op == 4:
            return self.blocks
        if op == 5:
            return 4096
        if op == 6:
            return 0
flash = Flash(open(sys.argv[1], "r+b"), int(sys.argv[2]))
vfs.umount("/")
try:
    disk = vfs.VfsLfs2(flash)
except OSError:
    vfs.VfsLfs2.mkfs(flash)
    disk = vfs.VfsLfs2(flash)
vfs.mount(disk, "/")
os.chdir("/")
sys.path[:] = ["", "/lib"]
class machine:
    @staticmethod
    def reset():
        raise SystemExit
sys.modules["machine"] = machine
scope = {"__name__": "__main__"}
out, err = sys.stdout.buffer, sys.stderr.buffer
while True:
    size = sys.stdin.buffer.read(4)
    if len(size) < 4:
        break
    source = sys.stdin.buffer.read(int.from_bytes(size, "little"))
    try:
        exec(source.decode(), scope)
        out.write(b"\x04")
    except PowerCut:
        break
    except SystemExit:
        break
    except BaseException as e:
        out.write(b"\x04")
        sys.print_exception(e)
    out.write(b"\x04")
"""


class RawReplBoard:
    """Context manager; `port` is the pty to open. The flash survives `power_on` after `power_off`."""

    def __init__(self, flash_kb: int = 1024, raw_paste: bool = True) -> None:
        self._folder = tempfile.mkdtemp(prefix="board")
        self.flash = Path(self._folder) / "flash.bin"
        self.flash.write_bytes(b"\xff" * (flash_kb * 1024))
        (Path(self._folder) / "driver.py").write_text(DRIVER)
        self.raw_paste = raw_paste
        self.cut_at_write = -1
        self.mute_after_bytes = -1
        self.corrupt: tuple[bytes, bytes] | None = None
        """First code that contains the first text gets the second in its place: noise on the line."""
        self.programs: list[str] = []
        self.died = False
        self._handles: tuple[int, ...] = ()
        self._process: subprocess.Popen[bytes] | None = None
        self._stop = threading.Event()

    def __enter__(self) -> RawReplBoard:
        self.power_on()
        return self

    def __exit__(self, *_: object) -> None:
        self.power_off()
        shutil.rmtree(self._folder)

    def power_on(self) -> None:
        self._master, self._slave = pty.openpty()
        self._handles = (self._master, self._slave)
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)
        self._stop.clear()
        self.died = False
        self._received = 0
        self._start_interpreter()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def power_off(self) -> None:
        self._stop.set()
        self._thread.join(5)
        self._end_interpreter()
        self._unplug()

    def _unplug(self) -> None:
        for handle in self._handles:
            os.close(handle)
        self._handles = ()

    def run(self, code: str) -> str:
        """Run code on the board's interpreter directly, while no one else is connected."""
        out, error = self._execute(code.encode())
        if error:
            raise AssertionError(error.decode())
        return out.decode()

    def _start_interpreter(self) -> None:
        self._process = subprocess.Popen(
            [MICROPYTHON, str(Path(self._folder) / "driver.py"), str(self.flash), str(self.cut_at_write)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        )  # fmt: skip

    def _end_interpreter(self) -> None:
        if self._process:
            assert self._process.stdin
            self._process.stdin.close()
            self._process.kill()
            self._process.wait()
            assert self._process.stdout
            self._process.stdout.close()

    def _serve(self) -> None:
        """One byte at a time, as the documentation of the raw REPL describes its states."""
        raw = False
        line = bytearray()
        while not self._stop.is_set() and not self.died:
            byte = self._byte()
            if byte is None:
                continue
            if byte == b"\x03":
                line.clear()
                self._say(b"\r\n>" if raw else b"\r\n>>> ")
            elif byte == b"\x01":
                raw, line = True, bytearray()
                self._say(b"raw REPL; CTRL-B to exit\r\n>")
            elif byte == b"\x02":
                raw, line = False, bytearray()
                self._say(b'\r\nMicroPython v1.28.0 on a stand-in\r\nType "help()" for more information.\r\n>>> ')
            elif raw and byte == b"\x05" and not line:
                self._raw_paste()
            elif raw and byte == b"\x04":
                if line:
                    self._say(b"OK")
                    self._answer(bytes(line))
                    line.clear()
                else:
                    self._say(b"OK\r\nMPY: soft reboot\r\n")
                    self._end_interpreter()
                    self._start_interpreter()
                    self._say(b"raw REPL; CTRL-B to exit\r\n>")
            elif raw:
                line += byte

    def _raw_paste(self) -> None:
        if self._wait_byte() != b"A" or self._wait_byte() != b"\x01":
            return
        if not self.raw_paste:
            self._say(b"R\x00")
            return
        window = 128
        self._say(b"R\x01" + struct.pack("<H", window) + b"\x01")
        code, room = bytearray(), window
        while not self._stop.is_set() and not self.died:
            byte = self._wait_byte()
            if byte is None:
                return
            if byte == b"\x04":
                break
            code += byte
            room -= 1
            if room == 0:
                room = window
                self._say(b"\x01")
        self._say(b"\x04")
        self._answer(bytes(code))

    def _answer(self, code: bytes) -> None:
        if self.corrupt and self.corrupt[0] in code:
            code, self.corrupt = code.replace(*self.corrupt, 1), None
        self.programs.append(code.decode())
        out, error = self._execute(code)
        if not self.died:
            self._say(out.replace(b"\n", b"\r\n") + b"\x04" + error.replace(b"\n", b"\r\n") + b"\x04>")

    def _execute(self, code: bytes) -> tuple[bytes, bytes]:
        assert self._process and self._process.stdin and self._process.stdout
        parts: list[bytes] = []
        try:
            self._process.stdin.write(len(code).to_bytes(4, "little") + code)
            self._process.stdin.flush()
            for _ in range(2):
                part = bytearray()
                while (byte := self._process.stdout.read(1)) != b"\x04":
                    if not byte:
                        raise BrokenPipeError
                    part += byte
                parts.append(bytes(part))
        except OSError:
            self.died = True
            # The USB port goes away with the power: whoever has it open is told at once.
            self._unplug()
            return b"", b""
        return parts[0], parts[1]

    def _byte(self) -> bytes | None:
        if not select.select([self._master], [], [], 0.02)[0]:
            return None
        self._received += 1
        byte = os.read(self._master, 1)
        if 0 <= self.mute_after_bytes < self._received:
            self.died = True
        return byte

    def _wait_byte(self) -> bytes | None:
        while not self._stop.is_set() and not self.died:
            byte = self._byte()
            if byte is not None:
                return byte
        return None

    def _say(self, text: bytes) -> None:
        os.write(self._master, text)
