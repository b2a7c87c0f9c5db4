"""Assess one recording: level, stretches, happenings, pulses, and what to beware of."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np

from sumpglass.analysis.clipping import Clipping, find_clipping, resolution_of, sample_noise
from sumpglass.analysis.happenings.detector import HappeningDetector
from sumpglass.analysis.happenings.settings import DetectorSettings
from sumpglass.analysis.level import NO_LEVEL, LevelReading, mean_in_time, read_level
from sumpglass.analysis.pulses import PulseReading, find_pulses
from sumpglass.analysis.pulses_together import pulses_together
from sumpglass.analysis.stretches import Settled, settled_stretches
from sumpglass.errors import InputError
from sumpglass.records import FloatArray, Happening, Recording
from sumpglass.workflows.assess_warnings import Beware, warnings_of

ASSUMED_ZERO_U95_PA = 10.0
"""Half-width assumed for a zero that nobody took: a trimmed membrane part, warm (common practice, no source)."""
ASSUMED_ZERO_SHARE = 0.0025
"""The same as a share of a range that is told: a part for larger pressures is off by more (common practice)."""
ZERO_AVERAGED_S = 5.0
"""A zero given by hand is taken to be the mean of so many seconds of this rig's noise."""
MOST_STRETCHES_READ = 60
LONGEST_READ_S = 120.0
STOPPED_BELOW_PA = 1.0


@dataclass(frozen=True)
class RecordingFacts:
    """How much was recorded, and how well."""

    duration_s: float
    samples: int
    rate_hz: float | None
    missing: int
    clipped_share: float


@dataclass(frozen=True)
class Stretch:
    """A stretch in which the level had settled."""

    t0_s: float
    t1_s: float
    mean_pa: float | None
    sd_pa: float | None
    engine: str
    firing_hz: float | None
    rpm: float | None


@dataclass(frozen=True)
class Assessment:
    """What `sumpglass assess` tells."""

    recording: RecordingFacts
    level: LevelReading
    stretches: tuple[Stretch, ...] = ()
    happenings: tuple[Happening, ...] = ()
    pulses: PulseReading = field(default_factory=PulseReading)
    warnings: tuple[str, ...] = ()
    zero_pa: float = 0.0
    """What was subtracted from the readings."""

    @property
    def fault(self) -> bool:
        """Pressure where a vacuum is wanted, a loss that was not made good, or a fault of the rig."""
        kinds = [h.kind for h in self.happenings]
        lost = kinds.count("sudden_loss") > kinds.count("recovery")
        return lost or self.level.state == "pressure" or "rig_fault" in kinds

    def as_fields(self) -> dict[str, Any]:
        """Fields of the JSON object `assessment`, `schema` and `version` apart."""
        pulses = self.pulses
        return {
            "recording": dict(vars(self.recording)),
            "level": {"mean_pa": self.level.mean_pa, "u95_pa": self.level.u95_pa, "state": self.level.state},
            "stretches": [dict(vars(stretch)) for stretch in self.stretches],
            "events": [
                {
                    "kind": h.kind, "t_s": h.t_s, "t_raised_s": h.t_raised_s, "before_pa": h.before_pa,
                    "after_pa": h.after_pa, "cause": h.cause, "p_cause": h.p_cause,
                }
                for h in self.happenings
            ],
            "pulses": {
                "firing_hz": pulses.firing_hz, "rpm": pulses.rpm, "rpm_u95": pulses.rpm_u95,
                "half_order_pa": pulses.half_order_pa, "half_order_ratio": pulses.half_order_ratio,
                "uneven": pulses.uneven,
            },
            "warnings": list(self.warnings),
        }  # fmt: skip


@dataclass(frozen=True)
class _Rig:
    """What is known or assumed of zero, range and gain."""

    zero_pa: float
    zero_u95_pa: float
    zero_assumed: bool
    low_pa: float | None
    high_pa: float | None
    gain_relative_u95: float
    gain_known: bool
    code_pa: float
    drift_u95_pa: float = 0.0


def assess_recording(
    recording: Recording,
    cylinders: int | None = None,
    zero_pa: float | None = None,
    range_pa: float | None = None,
) -> Assessment:
    """Assess `recording`. `range_pa` R means a sensor of -R to +R; `zero_pa` is subtracted in place of its own zero.

    Raises InputError for a range that is not above 0 or a number of cylinders outside 1 to 8.
    """
    if range_pa is not None and not range_pa > 0:
        raise InputError(f"found --range-pa {range_pa:g}, expected a number above 0")
    cylinders = cylinders if cylinders is not None else recording.cylinders
    valid = np.isfinite(recording.pressure_pa)
    t, p = recording.t_s, recording.pressure_pa
    if not valid.all():
        t, p = t[valid], p[valid]
    rig = _rig(recording, p, zero_pa, range_pa)
    clipping = find_clipping(p, rig.low_pa, rig.high_pa)
    facts = RecordingFacts(
        recording.duration_s, len(recording.t_s), recording.rate_hz, recording.missing, float(clipping.share)
    )
    if not len(p):
        beware = Beware(
            recording, facts, NO_LEVEL, clipping, rig.zero_assumed, rig.zero_u95_pa, rig.gain_known, cylinders
        )
        return Assessment(facts, NO_LEVEL, warnings=warnings_of(beware))
    happenings = _happenings(recording, rig, cylinders)
    settled = _settled(t, p, recording.rate_hz, happenings)
    level = _level(t, p, settled, rig, recording.rate_hz)
    gain = _line_gain(recording)
    readings = [_pulses_of(t, p, piece, recording.rate_hz, cylinders, gain) for piece in settled[:MOST_STRETCHES_READ]]
    readings += [PulseReading()] * (len(settled) - len(readings))

    def again(number: int, expected_hz: float) -> PulseReading:
        return _pulses_of(t, p, settled[number], recording.rate_hz, cylinders, gain, expected_hz)

    pulses, readings = pulses_together([piece.t1_s - piece.t0_s for piece in settled], readings, again)
    stretches = tuple(_stretch(piece, reading, rig) for piece, reading in zip(settled, readings))
    beware = Beware(
        recording, facts, level, clipping, rig.zero_assumed, rig.zero_u95_pa, rig.gain_known, cylinders, pulses,
        flow_level_pa=_flow_level(p, rig), unsettled=not settled, stretches=len(settled),
    )  # fmt: skip
    return Assessment(facts, level, stretches, happenings, pulses, warnings_of(beware), rig.zero_pa)


def _rig(recording: Recording, p: FloatArray, zero_pa: float | None, range_pa: float | None) -> _Rig:
    sensor = recording.sensor
    code = sensor.resolution_pa if sensor.resolution_pa is not None else resolution_of(p) if len(p) else 0.0
    low, high = (-range_pa, range_pa) if range_pa is not None else (sensor.range_low_pa, sensor.range_high_pa)
    known = sensor.part != "unknown"
    gain = sensor.gain_relative_u95 if known else 0.0
    rate = recording.rate_hz or 1.0
    if zero_pa is not None:
        noise = sample_noise(p) if len(p) > 8 else 0.0
        u95 = float(np.hypot(0.3 * code, 2.0 * noise / np.sqrt(max(1.0, ZERO_AVERAGED_S * rate))))
        return _Rig(zero_pa, u95, False, low, high, gain, known, code)
    if recording.zero is not None:
        zero = recording.zero
        drift = 2.0 * zero.drift_pa_per_s * ((zero.age_s or 0.0) + recording.duration_s / 2)
        return _Rig(zero.pressure_pa, zero.u95_pa, False, low, high, gain, known, code, drift)
    reach = max((abs(end) for end in (low, high) if end is not None), default=0.0)
    assumed = sensor.offset_u95_pa if known else max(ASSUMED_ZERO_U95_PA, ASSUMED_ZERO_SHARE * reach)
    return _Rig(0.0, assumed, True, low, high, gain, known, code)


def _happenings(recording: Recording, rig: _Rig, cylinders: int | None) -> tuple[Happening, ...]:
    """What the causal detector flagged and did not take back."""
    detector = HappeningDetector(
        DetectorSettings(
            rate_hz=recording.rate_hz,
            range_low_pa=rig.low_pa,
            range_high_pa=rig.high_pa,
            resolution_pa=rig.code_pa,
            zero_pa=rig.zero_pa,
            zero_u95_pa=rig.zero_u95_pa,
            cylinders=cylinders,
        )  # fmt: skip
    )
    detector.feed(recording.t_s, recording.pressure_pa)
    return tuple(h for h in detector.finish() if h.withdrawn_s is None)


def _settled(t: FloatArray, p: FloatArray, rate_hz: float | None, happenings: tuple[Happening, ...]) -> list[Settled]:
    if rate_hz is None or len(t) < 8:
        return []
    return settled_stretches(t, p, rate_hz, [h.t_s for h in happenings])


def _level(t: FloatArray, p: FloatArray, settled: list[Settled], rig: _Rig, rate_hz: float | None) -> LevelReading:
    mean = mean_in_time(t, p, 1.0 / rate_hz) if rate_hz else float(np.mean(p, dtype=np.float64))
    mean -= rig.zero_pa
    covered = sum(piece.end - piece.begin for piece in settled)
    pieces, variances = [p], None
    if covered > 0.5 * len(p):
        pieces = [p[piece.begin : piece.end] for piece in settled]
        variances = [piece.variance_pa2 for piece in settled]
    seconds = float(t[-1] - t[0])
    return read_level(
        mean, pieces, rig.zero_u95_pa, rig.gain_relative_u95, rig.code_pa, rig.drift_u95_pa, seconds, variances
    )


def _line_gain(recording: Recording) -> Callable[[FloatArray], FloatArray] | None:
    if recording.line is None:
        return None
    from sumpglass.physics.line import gain

    return partial(gain, line=recording.line)


def evenly_sampled(t: FloatArray, p: FloatArray, rate_hz: float) -> FloatArray:
    """Readings (m,) at even times; interpolated where samples are missing or came at uneven times."""
    steps = np.diff(t)
    if not len(steps) or float(np.abs(steps - 1.0 / rate_hz).max()) < 0.3 / rate_hz:
        return p
    return np.interp(np.arange(t[0], t[-1], 1.0 / rate_hz), t, p)


def _pulses_of(
    t: FloatArray, p: FloatArray, piece: Settled, rate_hz: float | None, cylinders: int | None,
    gain: Callable[[FloatArray], FloatArray] | None, expected_hz: float | None = None,
) -> PulseReading:  # fmt: skip
    if rate_hz is None:
        return PulseReading()
    end = min(piece.end, piece.begin + int(LONGEST_READ_S * rate_hz))
    even = evenly_sampled(t[piece.begin : end], p[piece.begin : end], rate_hz)
    return find_pulses(even, rate_hz, cylinders, gain, expected_hz)


def _stretch(piece: Settled, reading: PulseReading, rig: _Rig) -> Stretch:
    mean, sd = piece.mean_pa - rig.zero_pa, math.sqrt(piece.variance_pa2)
    engine = "unknown"
    if reading.firing_hz is not None:
        engine = "running"
    elif abs(mean) <= max(rig.zero_u95_pa, ASSUMED_ZERO_U95_PA, 3 * rig.code_pa):
        # No pulses and no suction: nothing turns. A vacuum without pulses may hang in a blocked gauge line.
        engine = "stopped"
    return Stretch(piece.t0_s, piece.t1_s, mean, sd, engine, reading.firing_hz, reading.rpm)


def _flow_level(p: FloatArray, rig: _Rig) -> float:
    """Steady pressure that would drive the same flow through an opening: of mean(sign(p) sqrt|p|)."""
    some = p[:: max(1, len(p) // 50_000)] - rig.zero_pa
    root = float(np.mean(np.sign(some) * np.sqrt(np.abs(some))))
    return float(np.sign(root) * root * root)


__all__ = ["Assessment", "Clipping", "RecordingFacts", "Stretch", "assess_recording", "evenly_sampled"]
