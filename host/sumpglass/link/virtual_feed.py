"""Pressure for a virtual board: a file that the host writes ahead of time and the board's sensors read by time.

One row a sample, four columns of 32-bit integers: hundredths of a pascal at the first sensor, the same at a second
port, room pressure in pascals, room temperature in hundredths of a degree Celsius.
"""

from __future__ import annotations

import math
import struct
from dataclasses import replace
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from sumpglass.simulate.script import Scenario, Step

RATE_HZ = 4000
COLUMNS = 4
HEADER = 32
HEADER_FIELDS = "<QIIQ"
RING_SAMPLES = RATE_HZ * 64
FAULT_KINDS = ("none", "absent", "bad_checksum", "stuck", "rail_low", "rail_high", "not_ready", "bus_held")
SENSOR_MODES = {
    "well": "none", "stuck": "stuck", "rail_low": "rail_low", "rail_high": "rail_high", "dead": "rail_low",
    "missing": "absent", "dropouts": "not_ready",
}  # fmt: skip
"""What the simulator's ways to fail are for a board."""
ROOM_CENTIDEGREES = 2000

Rows = npt.NDArray[np.int32]


class PressureSource(Protocol):
    """Where the pressure comes from."""

    def advance(self, samples: int) -> Rows:
        """The next `samples` rows (samples, 4) at 4 kHz."""

    def apply(self, step: Step) -> Step:
        """Something happens while running."""


class ScenarioSource:
    """The engine simulator, at the sensor's membrane with its errors and noise, before range and converter."""

    def __init__(self, scenario: Scenario, seed: int = 0) -> None:
        from sumpglass.simulate.engine import EngineSimulator

        fast = replace(scenario, rig=replace(scenario.rig, rate_hz=float(RATE_HZ)))
        self.simulator = EngineSimulator(fast, seed)
        self._room_pa = round(scenario.ventilation.room_pa)

    def advance(self, samples: int) -> Rows:
        """See PressureSource."""
        chunk = self.simulator.take(samples)
        return rows(chunk.analogue_pa, chunk.port_pa, self._room_pa)

    def apply(self, step: Step) -> Step:
        """See PressureSource."""
        return self.simulator.apply(step)


class ArraySource:
    """Any pressures (n,) in pascals at 4 kHz, the last one held after the end."""

    def __init__(self, pressure_pa: npt.ArrayLike, second_pa: npt.ArrayLike = 0.0, room_pa: int = 101325) -> None:
        self._first = np.atleast_1d(np.asarray(pressure_pa, dtype=float))
        self._second = np.broadcast_to(np.asarray(second_pa, dtype=float), self._first.shape)
        self._room_pa = room_pa
        self._at = 0

    def advance(self, samples: int) -> Rows:
        """See PressureSource."""
        index = np.minimum(self._at + np.arange(samples), len(self._first) - 1)
        self._at += samples
        return rows(self._first[index], self._second[index], self._room_pa)

    def apply(self, step: Step) -> Step:
        """Not to be had: the pressures are given."""
        raise NotImplementedError("an array of pressures has no happenings")


class SineSource:
    """A steady level with one sine, for tests of timing: level + amplitude sin(2 pi f t)."""

    def __init__(self, level_pa: float = -400.0, amplitude_pa: float = 200.0, frequency_hz: float = 26.7) -> None:
        self._level_pa, self._amplitude_pa, self._frequency_hz = level_pa, amplitude_pa, frequency_hz
        self._at = 0

    def at(self, t_s: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """True pressure at true times."""
        angle = 2.0 * math.pi * self._frequency_hz * np.asarray(t_s, dtype=float)
        return self._level_pa + self._amplitude_pa * np.sin(angle)

    def advance(self, samples: int) -> Rows:
        """See PressureSource."""
        t_s = (self._at + np.arange(samples)) / RATE_HZ
        self._at += samples
        return rows(self.at(t_s), self.at(t_s), 101325)

    def apply(self, step: Step) -> Step:
        """Not to be had: the pressure is given."""
        raise NotImplementedError("a sine has no happenings")


def rows(first_pa: npt.NDArray[Any], second_pa: npt.NDArray[Any], room_pa: int) -> Rows:
    """Pressures (n,) as rows of the feed."""
    table = np.empty((len(first_pa), COLUMNS), dtype="<i4")
    table[:, 0] = np.rint(np.clip(first_pa, -2e7, 2e7) * 100.0)
    table[:, 1] = np.rint(np.clip(second_pa, -2e7, 2e7) * 100.0)
    table[:, 2] = room_pa
    table[:, 3] = ROOM_CENTIDEGREES
    return table


class Feed:
    """The file. A ring for a live board, so that it does not grow; long enough for the whole run otherwise."""

    def __init__(self, path: Path, ring_samples: int = RING_SAMPLES) -> None:
        self.path = path
        self.ring_samples = ring_samples
        self.written = 0
        self._fault_mask = 0
        self._inputs = 0
        self._file = path.open("w+b", buffering=0)
        self._put_header()

    def write(self, table: Rows) -> None:
        """Append rows; the header, which tells how many there are, is written last."""
        done = 0
        while done < len(table):
            slot = self.written % self.ring_samples
            count = min(len(table) - done, self.ring_samples - slot)
            self._file.seek(HEADER + 4 * COLUMNS * slot)
            self._file.write(table[done : done + count].tobytes())
            done += count
            self.written += count
        self._put_header()

    def set_fault(self, part: int, kind: str) -> None:
        """Lay a fault (see FAULT_KINDS) on part number `part` (0 to 7), or "none" to take it away."""
        shift = 4 * part
        self._fault_mask = self._fault_mask & ~(15 << shift) | FAULT_KINDS.index(kind) << shift
        self._put_header()

    def set_button(self, pressed: bool) -> None:
        """Hold the button down, or let it go."""
        self._inputs = 1 if pressed else 0
        self._put_header()

    def description(self) -> dict[str, Any]:
        """For the board's side."""
        return {
            "path": str(self.path), "rate_hz": RATE_HZ, "columns": COLUMNS, "samples": self.ring_samples,
        }  # fmt: skip

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()

    def _put_header(self) -> None:
        self._file.seek(0)
        self._file.write(
            struct.pack(HEADER_FIELDS, self.written, self._fault_mask, self._inputs, 0).ljust(HEADER, b"\0")
        )
