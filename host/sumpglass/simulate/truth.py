"""What is true of a simulated recording: settled levels, and the happenings that a perfect ear would tell.

Sizes come from the noise-free pressure at the membrane, averaged over whole engine cycles. Onsets (a tenth of the
change made) come from the same scenario run without pulses, so that averaging does not smear them. Happenings that a
careful judge could see either way (a loss of about half, a level within the zero's uncertainty) are `optional`: a
bench should count them neither as found nor as missed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sumpglass.physics.gas import FloatArray, lpm_from_kg_s
from sumpglass.simulate.cycle_mean import cycle_mean
from sumpglass.simulate.samples import Chunk
from sumpglass.simulate.script import Scenario


@dataclass(frozen=True)
class TrueHappening:
    """One happening as the contract's words have it. `optional`: right to tell, and no fault to leave out."""

    kind: str
    t_s: float
    before_pa: float | None
    after_pa: float | None
    cause: str
    optional: bool = False
    also_causes: tuple[str, ...] = ()
    """Other causes that would be right too."""
    until_s: float | None = None
    """An optional one may be told at any moment from `t_s` to here (None: at `t_s`)."""

    def near(self, kind: str, t_s: float, within_s: float = 1.0) -> bool:
        """Whether a happening told at `t_s` is this one."""
        end_s = self.t_s if self.until_s is None else self.until_s
        return kind == self.kind and self.t_s - within_s <= t_s <= end_s + within_s


@dataclass(frozen=True)
class TrueStretch:
    """Between two steps, from the moment the level has settled."""

    t0_s: float
    t1_s: float
    mean_pa: float
    """At the membrane, without the sensor's errors."""
    sd_pa: float
    flow_level_pa: float
    """Level that drives the flow, at the port."""
    port_mean_pa: float
    rpm: float
    engine: str
    opening_cda_m2: float
    """Everything between crankcase and room: seals, breather, openings."""
    net_draw_lpm: float
    """At zero gauge pressure."""
    half_order_pa: float
    """Amplitude of the once-a-cycle line (rpm/120) at the port; 0 unless the engine runs."""
    pulses_rms_pa: float
    """RMS of the pulses about the cycle mean at the port."""


def _signed_square(root: float) -> float:
    return root * abs(root)


def order_amplitude_pa(samples: Chunk, order: float, rate_hz: float) -> float:
    """Amplitude at the port of the line at `order` times crank speed, followed by crank angle over whole cycles."""
    cycles = (samples.turns - samples.turns[0]) / 2.0
    kept = cycles < np.floor(cycles[-1])
    if np.count_nonzero(kept) < 16 or cycles[-1] < 4.0:
        return 0.0
    window = np.hanning(np.count_nonzero(kept))
    turns = samples.turns[kept]
    swing = (samples.port_mean_pa[kept] - np.mean(samples.port_mean_pa[kept])) * window
    found = 2.0 * abs(np.sum(swing * np.exp(-2j * np.pi * order * turns))) / np.sum(window)
    # `port_mean_pa` is averaged over each sample's period, which takes this much off.
    return float(found / np.sinc(order * float(np.mean(samples.rpm)) / 60.0 / rate_hz))


def _stretches(scenario: Scenario, samples: Chunk, level: FloatArray) -> tuple[TrueStretch, ...]:
    t = samples.t_s
    edges = [0.0, *(s.t_s for s in scenario.steps if 0 < s.t_s < t[-1] and s.action not in ("note", "drift")), t[-1]]
    rate_hz = scenario.rig.rate_hz
    told = []
    for start_s, end_s in zip(edges, edges[1:]):
        begin, end = np.searchsorted(t, [start_s, end_s])
        if end - begin < 10:
            continue
        tail = level[(begin + end) // 2 : end]
        near = max(0.05 * abs(float(np.mean(tail))), 3.0 * float(np.std(tail)), 3.0)
        off = np.abs(level[begin:end] - np.mean(tail)) > near
        unsettled = np.flatnonzero(off[: (end - begin) // 2])
        begin += int(unsettled[-1]) + 1 if len(unsettled) else 0
        cut = slice(begin, end)
        rpm = float(np.mean(samples.rpm[cut]))
        running = bool(np.min(samples.rpm[cut]) > 50.0)
        swing = samples.port_pa[cut] - cycle_mean(t[cut], samples.port_mean_pa[cut], samples.turns[cut])
        told.append(
            TrueStretch(
                t0_s=float(t[begin]),
                t1_s=float(t[end - 1]),
                mean_pa=float(np.mean(samples.sensed_mean_pa[cut])),
                sd_pa=float(np.std(samples.sensed_pa[cut])),
                flow_level_pa=_signed_square(float(np.mean(samples.port_root[cut]))),
                port_mean_pa=float(np.mean(samples.port_mean_pa[cut])),
                rpm=rpm,
                engine="running" if running else "stopped" if rpm < 50.0 else "unknown",
                opening_cda_m2=float(np.mean(samples.opening_cda_m2[cut])),
                net_draw_lpm=float(lpm_from_kg_s(np.mean(samples.suction_kg_s[cut]))),
                half_order_pa=order_amplitude_pa(samples.part(begin, end), 0.5, rate_hz) if running else 0.0,
                pulses_rms_pa=float(np.std(swing)),
            )
        )
    return tuple(told)


def allowed(truth: tuple[TrueHappening, ...], kind: str, t_s: float, within_s: float = 1.0) -> bool:
    """Whether a happening told at `t_s` is true or may pass: what is left is a false alarm."""
    return any(happening.near(kind, t_s, within_s) for happening in truth)


def tell(scenario: Scenario, samples: Chunk) -> tuple[tuple[TrueHappening, ...], tuple[TrueStretch, ...]]:
    """Happenings and settled stretches of a recording that was made from `scenario`."""
    from sumpglass.simulate.script_changes import Levels
    from sumpglass.simulate.true_happenings import Teller

    if len(samples.t_s) < 10:
        return (), ()
    levels = Levels(scenario, samples)
    return Teller(scenario, samples, levels).all(), _stretches(scenario, samples, levels.level)
