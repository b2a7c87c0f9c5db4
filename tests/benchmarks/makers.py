"""Recordings with their truth from every maker, in one form, for the bench of happenings and the fit of causes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import orifice_maker
import trace_maker

from sumpglass.analysis.clipping import resolution_of, sample_noise
from sumpglass.analysis.happenings.detector import HappeningDetector
from sumpglass.analysis.happenings.settings import DetectorSettings

MAKERS = ("phenomenological", "orifices", "simulator")


@dataclass(frozen=True)
class Case:
    """One recording: arrays (n,), what the rig is known to be, and what is true. `range_pa`: None where untold."""

    story: str
    about: str
    t_s: np.ndarray
    pressure_pa: np.ndarray
    rate_hz: float
    zero_pa: float
    zero_u95_pa: float
    range_pa: float | None
    truth: list[Any]

    def detector(self) -> HappeningDetector:
        """A detector that has heard all of it and has finished."""
        low, high = (None, None) if self.range_pa is None else (-self.range_pa, self.range_pa)
        code = resolution_of(self.pressure_pa)
        heard = HappeningDetector(DetectorSettings(self.rate_hz, low, high, code, self.zero_pa, self.zero_u95_pa))
        heard.feed(self.t_s, self.pressure_pa)
        heard.finish()
        return heard


def stories(maker: str) -> tuple[str, ...]:
    """Kinds of recording that `maker` (one of `MAKERS`) draws."""
    if maker == "simulator":
        from sumpglass.simulate.drawn import KINDS

        return KINDS
    return trace_maker.STORIES if maker == "phenomenological" else orifice_maker.STORIES


def cases(maker: str, seeds: int, first: int, only: tuple[str, ...] = ()) -> Iterator[Case]:
    """`seeds` recordings of each story of `maker` (or of those in `only`), with seeds from `first` on."""
    draw = {"phenomenological": _phenomenological, "orifices": _orifices, "simulator": _simulated}[maker]
    for name in stories(maker):
        if only and name not in only:
            continue
        for seed in range(first, first + seeds):
            yield draw(name, seed)


def _phenomenological(name: str, seed: int) -> Case:
    made = trace_maker.story(seed, name)
    return Case(
        name, made.about, made.t_s, made.pressure_pa, made.rate_hz, made.zero_pa, 5.0, made.range_pa, made.events
    )


def _orifices(name: str, seed: int) -> Case:
    made = orifice_maker.story(seed, name)
    # A zero that was given is as good as five seconds of this rig's noise; one that was not, is assumed.
    given = 2.0 * sample_noise(made.pressure_pa) / np.sqrt(5.0 * made.rate_hz)
    u95 = 10.0 if made.zero_pa is None else float(np.hypot(0.3 * resolution_of(made.pressure_pa), given))
    return Case(
        name, made.about, made.t_s, made.pressure_pa, made.rate_hz, made.zero_pa or 0.0, u95, made.range_pa, made.events
    )


def _simulated(name: str, seed: int) -> Case:
    from sumpglass.simulate.drawn import draw_scenario
    from sumpglass.simulate.engine import simulate

    scenario = draw_scenario(np.random.default_rng([seed, stories("simulator").index(name)]), kind=name)
    result = simulate(scenario, seed=seed)
    heard, sensor = result.recording(), scenario.rig.sensor
    told = sensor.highest_pa if seed % 2 else None
    return Case(
        name, f"{scenario.name} {seed}", heard.t_s, heard.pressure_pa, heard.rate_hz, sensor.offset_pa, 5.0, told,
        list(result.truth),
    )  # fmt: skip
