"""A Pico without a Pico: the real rp2 build of MicroPython on an emulated RP2040, with the firmware in its flash.

The emulator (`rp2040py`, extra `rp2040`) runs the chip's instructions, USB and flash at something like a twelfth of
real time, so whoever waits here waits for the board's clock and not for the wall's.
"""

import importlib.util
import re
import subprocess
import sys
import time
from pathlib import Path

import serial
from build_micropython import images_folder

from sumpglass.link.requests import RequestWriter
from sumpglass_wire import layouts as wire
from sumpglass_wire.frames import FrameReceiver
from sumpglass_wire.messages import decode

ROOT = Path(__file__).resolve().parents[3]
BLOCK_BYTES, BLOCKS, DISK_VERSION = 4096, 352, 0x00020000  # of a Pico's file system; what every rp2 build can mount
WALL_S = 240.0


def images() -> list[Path]:
    """The built images, or none where the emulator is not installed."""
    if not all(importlib.util.find_spec(name) for name in ("rp2040py", "littlefs")):
        return []
    return sorted(images_folder().glob("micropython-*.uf2"))


def write_flash(target: Path) -> None:
    """A file system with the firmware in it, as a person copies it to the board."""
    from littlefs import LittleFS

    files = LittleFS(block_size=BLOCK_BYTES, block_count=BLOCKS, disk_version=DISK_VERSION)
    there = {"main.py": ROOT / "firmware/board_root/main.py"}
    for package in (ROOT / "firmware/sumpglass_board", ROOT / "protocol/sumpglass_wire"):
        there |= {path.relative_to(package.parent).as_posix(): path for path in package.rglob("*.py")}
    for name, path in sorted(there.items()):
        files.makedirs(str(Path(name).parent), exist_ok=True)
        with files.open(name, "wb") as file:
            file.write(path.read_bytes())
    target.write_bytes(bytes(files.context.buffer))


class EmulatedBoard:
    """A running board; `port` is its USB serial as a pseudo-terminal."""

    def __init__(self, image: Path, folder: Path) -> None:
        write_flash(folder / "flash.img")
        self._log = folder / "emulator.log"
        with self._log.open("wb") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "rp2040py", "micropython", "--pty", "--image", image, "--littlefs", "flash.img"],
                cwd=folder, stdin=subprocess.DEVNULL, stdout=log, stderr=subprocess.STDOUT,
            )  # fmt: skip
        self.port = self._wait_for_port()
        self._serial = serial.Serial(self.port, timeout=0.2)
        self._writer = RequestWriter()
        self._receiver = FrameReceiver()

    def _wait_for_port(self) -> str:
        until = time.monotonic() + 60.0
        while time.monotonic() < until and self._process.poll() is None:
            found = re.search(r"listening on (/dev/\S+)", self._log.read_text(errors="replace"))
            if found:
                return found[1]
            time.sleep(0.2)
        raise RuntimeError("the emulator did not start: " + self._log.read_text(errors="replace")[-500:])

    def close(self) -> None:
        """End the emulator."""
        self._serial.close()
        self._process.terminate()
        self._process.wait(timeout=20)

    @property
    def damaged(self) -> int:
        """Frames that did not survive."""
        return self._receiver.damaged

    def release(self) -> None:
        """Let another program have the port."""
        self._serial.close()

    def take(self) -> None:
        """Have it back."""
        self._serial.open()
        self._receiver = FrameReceiver()

    def hear(self, until, wall_s: float = WALL_S) -> list[dict]:
        """Messages until `until(message)` holds for one of them. Raises TimeoutError."""
        begun, heard = time.monotonic(), []
        while time.monotonic() - begun < wall_s:
            for payload in self._receiver.feed(self._serial.read(65536)):
                heard.append(decode(bytes(payload)))
            if any(until(message) for message in heard):
                return heard
        raise TimeoutError(f"nothing of the kind in {wall_s} s, only {sorted({m['name'] for m in heard})}")

    def ask(self, kind: int, fields: dict | None = None) -> dict:
        """The reply to a request."""
        sequence, frame = self._writer.frame(kind, fields or {})
        self._serial.write(frame)
        if kind == wire.IDENTIFY:
            return [m for m in self.hear(lambda m: m["name"] == "identity") if m["name"] == "identity"][-1]
        replies = self.hear(lambda m: m.get("request_sequence") == sequence)
        return next(m for m in replies if m.get("request_sequence") == sequence)

    def identify(self) -> dict:
        """IDENTITY, asked for until the firmware is up."""
        for _ in range(24):
            self._serial.write(self._writer.frame(wire.IDENTIFY, {})[1])
            try:
                heard = self.hear(lambda m: m["name"] == "identity", 10.0)
            except TimeoutError:
                continue
            return next(m for m in heard if m["name"] == "identity")
        raise TimeoutError("the firmware did not come up")

    def stream(self, board_s: float) -> list[dict]:
        """Messages of so many seconds of the board's clock."""
        first = self.hear(lambda m: m["name"] == "samples")
        end_us = first[-1]["time_us"] + board_s * 1e6
        return first + self.hear(lambda m: m["time_us"] > end_us, 60.0 + 60.0 * board_s)

    def type(self, text: bytes, expected: bytes, wall_s: float = 60.0) -> bytes:
        """Type at the prompt and read until `expected` stands there."""
        self._serial.write(text)
        begun, read = time.monotonic(), b""
        while expected not in read:
            if time.monotonic() - begun > wall_s:
                raise TimeoutError(f"{expected!r} did not come, only {read[-300:]!r}")
            read += self._serial.read(4096)
        return read
