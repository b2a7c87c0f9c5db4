"""A board without a board: the unchanged firmware under the MicroPython Unix port, behind a pseudo-terminal.

    with VirtualBoard(scenario, seed=1) as board:
        port = serial.Serial(board.port)
        board.apply(opening(0.0, 2.0))

The firmware's `machine` is a stand-in (`virtual_machine/`) whose sensors answer as their data sheets say, fed with the
simulator's pressure. `capture_virtual` does the same in virtual time: faster than real time, and the same bytes for the
same arguments.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import shutil
import signal
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from importlib import resources
from pathlib import Path
from typing import Any

from sumpglass.link.pseudo_port import open_port, shorten_pipe, somebody_listens
from sumpglass.link.virtual_capture import capture_virtual
from sumpglass.link.virtual_feed import RATE_HZ, SENSOR_MODES, Feed, PressureSource
from sumpglass.link.virtual_parts import settings_for
from sumpglass.link.virtual_setup import HEAP, SensorScript, configuration, interpreter, package_folder, source_of
from sumpglass.simulate.script import Scenario, Step

__all__ = ["VirtualBoard", "capture_virtual", "interpreter", "package_folder"]

LEAD_S = 0.25
RESET_STATUS, WATCHDOG_STATUS, SOFT_RESET_STATUS, RAW_RESET_STATUS = 42, 43, 44, 45
BOOT_S = 0.3


class VirtualBoard:
    """A live board on `port` (a path that pyserial opens). Use as a context manager.

    `what`: a scenario, any PressureSource, or a steady pressure in pascals. `settings` is what the board's
    settings.json holds at first; `firmware=False` gives a blank board that boots to the prompt. `mangle` may change the
    bytes on their way to the host (noise on the line).
    """

    def __init__(
        self,
        what: Scenario | PressureSource | float | None = None,
        seed: int = 0,
        *,
        settings: dict[str, Any] | None = None,
        drift_ppm: int = 0,
        ticks_at_start: int = 0,
        firmware: bool = True,
        mangle: Callable[[bytes], bytes] | None = None,
        extra: dict[str, Any] | None = None,
    ) -> None:
        self._scenario = what if isinstance(what, Scenario) else None
        self._what, self._seed = what, seed
        self._settings = settings_for(self._scenario) | (settings or {})
        self._extra = {"time": "real", "drift_ppm": drift_ppm, "ticks_at_start": ticks_at_start} | (extra or {})
        if self._scenario:
            self._extra.setdefault("faults", SensorScript(self._scenario).spans())
        self._firmware = firmware
        self.mangle = mangle
        self.starts = 0
        """How often the board has started: 1 after power-on, more after resets."""
        self.last_status: int | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self._master: int | None = None
        self._lock = threading.RLock()
        self._stop = threading.Event()
        self._unplugged = False
        self._restart_at: float | None = None
        self._raw_boot = False

    # A board's life.

    def __enter__(self) -> VirtualBoard:
        self._folder = Path(tempfile.mkdtemp(prefix="sumpglass-board-"))
        self._feed = Feed(self._folder / "feed")
        self._source = source_of(self._what, self._seed)
        config = configuration(self._folder, self._feed, self._settings, self._firmware, self._extra)
        self._config = config
        self.flash = Path(config["flash"])
        """The board's file system, as a folder of this machine."""
        if self._firmware:
            (self.flash / "settings.json").write_text(json.dumps(self._settings))
        self.port = str(self._folder / "port")
        self._epoch_ns = time.time_ns()
        self._top_up()
        self._open_port()
        self._boot()
        self._thread = threading.Thread(target=self._work, name="virtual board", daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(timeout=5.0)
        with self._lock:
            self._kill()
            self._close_port()
        self._feed.close()
        shutil.rmtree(self._folder, ignore_errors=True)

    def close(self) -> None:
        """The same as leaving the context."""
        self.__exit__()

    # What a person may do to it.

    @property
    def true_time_s(self) -> float:
        """Seconds of true time since the board was first powered, the time of the pressure source."""
        return (time.time_ns() - self._epoch_ns) / 1e9

    @property
    def source(self) -> PressureSource:
        """Where its pressure comes from."""
        return self._source

    def apply(self, step: Step) -> Step:
        """Something happens at the engine or the rig, now or at `step.t_s`; returns the step with the time it got."""
        with self._lock:
            if step.action == "sensor":
                self._feed.set_fault(0, SENSOR_MODES[step.name])
                return step
            return self._source.apply(step)

    def set_fault(self, kind: str, part: int = 0) -> None:
        """Lay a fault on a sensor (see `virtual_feed.FAULT_KINDS`), or "none"."""
        with self._lock:
            self._feed.set_fault(part, kind)

    def press(self, seconds: float = 0.2) -> None:
        """Press the board's button so long."""
        with self._lock:
            self._feed.set_button(True)
        time.sleep(seconds)
        with self._lock:
            self._feed.set_button(False)

    def unplug(self) -> None:
        """Pull the cable: the port goes, and with it the power."""
        with self._lock:
            self._unplugged = True
            self._kill()
            self._close_port()

    def replug(self) -> None:
        """Put the cable back: the board starts and its port comes."""
        with self._lock:
            self._unplugged = False
            self._open_port()
            self._boot()

    def reset(self) -> None:
        """The board resets in mid-stream, as by its watchdog: the port goes for a moment."""
        with self._lock:
            self._kill()
            self._after_end(RESET_STATUS)

    def inject(self, noise: bytes) -> None:
        """Put bytes into the stream to the host that the firmware did not send."""
        with self._lock:
            if self._master is not None:
                os.write(self._master, noise)

    # How it works.

    def _top_up(self) -> None:
        wanted = int((self.true_time_s + LEAD_S) * RATE_HZ)
        if wanted > self._feed.written:
            self._feed.write(self._source.advance(wanted - self._feed.written))

    def _boot(self) -> None:
        self.starts += 1
        config = self._config | {
            "epoch_ns": self._epoch_ns,
            "boot_us": round(self.true_time_s * 1e6),
            "raw_boot": self._raw_boot,
        }
        if self.starts > 1:
            config["ticks_at_start"] = 0
        self._raw_boot = False
        path = self._folder / "board.json"
        path.write_text(json.dumps(config))
        with resources.as_file(resources.files("sumpglass.link") / "virtual_machine") as folder:
            self._process = subprocess.Popen(
                [interpreter(), "-X", f"heapsize={HEAP}", str(folder / "start.py"), str(path)],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=self.flash, start_new_session=True,
            )  # fmt: skip
        assert self._process.stdout is not None
        shorten_pipe(self._process.stdout.fileno())
        os.set_blocking(self._process.stdout.fileno(), False)

    def _kill(self) -> None:
        process, self._process = self._process, None
        if process is not None:
            if process.poll() is None:
                process.send_signal(signal.SIGKILL)
            process.wait()
            for pipe in (process.stdin, process.stdout):
                if pipe is not None:
                    with contextlib.suppress(OSError):  # what was still to be written has no reader any more
                        pipe.close()

    def _open_port(self) -> None:
        self._master = open_port(self.port)
        self._pending = b""
        self._to_board = b""

    def _close_port(self) -> None:
        Path(self.port).unlink(missing_ok=True)
        if self._master is not None:
            os.close(self._master)
            self._master = None

    def _work(self) -> None:
        while not self._stop.is_set():
            with self._lock:
                self._top_up()
                self._mind_process()
                watched = self._watched()
            readable: Sequence[int] = ()
            if watched:
                try:
                    readable, _, _ = select.select(watched, [], [], 0.02)
                except (OSError, ValueError):
                    continue  # the port was closed meanwhile
            else:
                time.sleep(0.02)
            with self._lock:
                self._relay(readable)

    def _watched(self) -> list[int]:
        watched = []
        if self._process is not None and self._process.stdout is not None and not self._pending:
            watched.append(self._process.stdout.fileno())
        if self._master is not None and somebody_listens(self._master):
            watched.append(self._master)
        return watched

    def _relay(self, readable: Sequence[int]) -> None:
        process, master = self._process, self._master
        if master is None or process is None or process.stdout is None or process.stdin is None:
            return
        if master in readable:
            try:
                process.stdin.write(os.read(master, 4096))
                process.stdin.flush()
            except OSError:
                pass  # nobody has the port open any more, or the board has just ended
        if not self._pending and process.stdout.fileno() in readable:
            data = process.stdout.read(65536) or b""
            self._pending = self.mangle(data) if self.mangle else data
        if self._pending:
            if not somebody_listens(master):
                self._pending = b""  # a real board's port drops what nobody reads
                return
            try:
                self._pending = self._pending[os.write(master, self._pending) :]
            except BlockingIOError:
                time.sleep(0.005)  # the host has it open and does not read: the board will notice
            except OSError:
                self._pending = b""

    def _mind_process(self) -> None:
        if self._process is not None and self._process.poll() is not None:
            status = self._process.returncode
            if self._process.stdout is not None and self._master is not None:
                self._pending += self._process.stdout.read() or b""
                self._relay(())
            self._kill()
            self._after_end(status)
        if self._restart_at is not None and time.monotonic() >= self._restart_at and not self._unplugged:
            self._restart_at = None
            if self._master is None:
                self._open_port()
            self._boot()

    def _after_end(self, status: int) -> None:
        self.last_status = status
        self._raw_boot = status == RAW_RESET_STATUS
        if status in (SOFT_RESET_STATUS, RAW_RESET_STATUS):
            self._restart_at = time.monotonic()
            return
        self._close_port()
        self._restart_at = time.monotonic() + BOOT_S
