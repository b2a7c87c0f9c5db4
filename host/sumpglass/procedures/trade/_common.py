"""What several tests share: uncertainty with the zero in it, and the words for a level against a limit."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from sumpglass.errors import InputError
from sumpglass.procedures.taken import Taken
from sumpglass.procedures.trade_test import Figure
from sumpglass.units import in_words

GAIN_U95 = 0.02
"""Half-width, relative, of the sensor's gain where no calibration narrows it."""


def u95_with_rig(taken: Taken, settings: Mapping[str, Any]) -> float:
    """Half-width of a level's 95 % interval with zero and gain counted."""
    return math.hypot(taken.u95_pa, math.hypot(float(settings["zero_u95_pa"]), GAIN_U95 * abs(taken.mean_pa)))


def zero_u(settings: Mapping[str, Any]) -> float:
    """Standard uncertainty of the zero."""
    return float(settings["zero_u95_pa"]) / 1.96


def side(taken: Taken, settings: Mapping[str, Any]) -> str:
    """ "vacuum", "pressure" or "undecided"."""
    if taken.bound == "deeper":
        return "vacuum"
    if taken.bound == "above":
        return "pressure"
    if abs(taken.mean_pa) <= u95_with_rig(taken, settings):
        return "undecided"
    return "vacuum" if taken.mean_pa < 0 else "pressure"


def level_words(taken: Taken, settings: Mapping[str, Any]) -> str:
    """A level with its interval, or the bound that it is."""
    if taken.bound == "deeper":
        return f"deeper than {in_words(taken.mean_pa)}"
    if taken.bound == "above":
        return f"more than {in_words(taken.mean_pa)}"
    return f"{in_words(taken.mean_pa)} ± {u95_with_rig(taken, settings) / 1000:.3f}"


def level_figure(taken: Taken, settings: Mapping[str, Any], name: str = "") -> Figure:
    """A level as a figure; a bound has one end only."""
    u95 = u95_with_rig(taken, settings)
    name = name or taken.name
    if taken.bound == "deeper":
        return Figure(name, None, None, taken.mean_pa, "Pa")
    if taken.bound == "above":
        return Figure(name, None, taken.mean_pa, None, "Pa")
    return Figure(name, taken.mean_pa, taken.mean_pa - u95, taken.mean_pa + u95, "Pa")


def need(taken: Taken | None, what: str) -> Taken:
    """That reading. Raises InputError if it was not taken."""
    if taken is None:
        raise InputError(f"the reading {what} was not taken")
    return taken


def newest(taken: list[Taken] | tuple[Taken, ...], name: str) -> Taken | None:
    """The newest reading of that name."""
    return next((t for t in reversed(taken) if t.name == name), None)
