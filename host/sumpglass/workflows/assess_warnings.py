"""What to beware of in an assessment, one sentence each."""

from __future__ import annotations

from dataclasses import dataclass, field

from sumpglass.analysis.clipping import Clipping
from sumpglass.analysis.level import LevelReading
from sumpglass.analysis.pulses import UNEVEN_LIMITS, PulseReading
from sumpglass.procedures.marks import state_of
from sumpglass.records import Recording
from sumpglass.units import in_words

FEW_SAMPLES = 8
PASSES_FOR_LEVEL_HZ = 1.0
"""Pulses that sampling folds below this go with the level, whose mean is taken over about a second."""


@dataclass(frozen=True)
class Beware:
    """All that the warnings depend on."""

    recording: Recording
    facts: object
    level: LevelReading
    clipping: Clipping
    zero_assumed: bool
    zero_u95_pa: float
    gain_known: bool
    cylinders: int | None
    pulses: PulseReading = field(default_factory=PulseReading)
    flow_level_pa: float | None = None
    unsettled: bool = False
    stretches: int = 0


def warnings_of(b: Beware) -> tuple[str, ...]:
    """Sentences, the gravest first."""
    found: list[str] = []
    samples = len(b.recording.t_s)
    if b.level.mean_pa is None:
        found.append("there is no valid sample, so no level and no pulses")
    if b.recording.rate_hz is None and not any("rate" in warning for warning in b.recording.warnings):
        found.append("one sample has no rate, so nothing is told of pulses and happenings")
    found += list(b.recording.warnings)
    found += _clipping(b)
    if b.level.mean_pa is not None:
        found += _level(b)
        found += _pulses(b)
    told = any(f"{b.recording.missing} samples are missing" in warning for warning in b.recording.warnings)
    if b.recording.missing and samples and not told:
        share = b.recording.missing / (samples + b.recording.missing)
        found.append(f"{b.recording.missing} samples ({100 * share:.1f} %) are missing")
    return tuple(dict.fromkeys(found))


def _clipping(b: Beware) -> list[str]:
    if not b.clipping.share:
        return []
    low, high = b.clipping.low, b.clipping.high
    side = "beyond both ends" if low and high else "deeper in vacuum" if low else "higher in pressure"
    share = f"{100 * b.clipping.share:.1f} %"
    told = f"{share} of the samples rest on the sensor's limit: what it should have read lies {side}"
    if low != high:
        told += f", so the level is {'at least as deep as told' if low else 'at least as high as told'}"
    return [told]


def _level(b: Beware) -> list[str]:
    found = []
    if b.zero_assumed:
        found.append(f"no zero was given: the rig is taken to read 0 Pa open to the room, within {b.zero_u95_pa:g} Pa")
    else:
        found.append(f"the zero is taken as known within {b.zero_u95_pa:.2g} Pa")
    if not b.gain_known:
        found.append("nothing is known of the sensor's gain: the interval of the level leaves it out")
    if b.level.u95_pa is None:
        found.append(
            "too few samples for an interval of the level"
            if len(b.recording.t_s) < FEW_SAMPLES
            else "every reading is the same: the sensor is frozen or at its limit, or its step, which is not told, is "
            "too coarse for what is there; so the level has no interval"
        )
    if b.unsettled and len(b.recording.t_s) > 1:
        found.append("no stretch of a second or more in which the level had settled")
    mean, flow = b.level.mean_pa, b.flow_level_pa
    if mean is not None and flow is not None and abs(flow - mean) > max(0.1 * abs(mean), 15.0) and b.stretches <= 1:
        found.append(
            f"the reading swings widely: the steady level that would draw the same flow through an opening is "
            f"{in_words(flow, 'Pa')}, the mean {in_words(mean, 'Pa')}"
        )
    return found


def _folded(recording: Recording, rate_hz: float, cylinders: int) -> list[str]:
    """Told speeds at which the pulses fold to a swing so slow that nothing tells it from the level."""
    states = [state_of(mark.text) for mark in recording.marks]
    told = dict.fromkeys(state.value for state in states if state is not None and state.kind == "rpm")
    found = []
    for rpm in told:
        firing_hz = rpm * cylinders / 120.0
        folded_hz = abs(firing_hz - round(firing_hz / rate_hz) * rate_hz)
        if firing_hz > rate_hz / 2.0 and folded_hz < PASSES_FOR_LEVEL_HZ:
            found.append(
                f"at {rpm:g} rpm, which a mark tells, pulses of {firing_hz:.1f} Hz pass for the level at {rate_hz:g} "
                "samples a second: its mean and its changes cannot be trusted; sample faster"
            )
    return found


def _pulses(b: Beware) -> list[str]:
    found = list(b.pulses.warnings)
    rate = b.recording.rate_hz
    if b.pulses.firing_hz is None:
        found.append("no pulses were found, so no engine speed is told")
    elif b.cylinders is None:
        found.append(
            "the number of cylinders is not known, so no rpm is told, and the firing frequency is the likeliest"
        )
    if rate is not None and rate < 300.0:
        found.append(
            f"at {rate:g} samples a second pulses above {rate / 2:g} Hz fold back: a speed whose firing lies beyond "
            f"that is not told, or told wrong, and pulses near a multiple of {rate:g} Hz pass for the level"
        )
    if rate is not None and b.cylinders is not None:
        found += _folded(b.recording, rate, b.cylinders)
    if b.pulses.firing_hz is not None and b.pulses.uneven is None:
        if b.cylinders == 1:
            found.append("a single cylinder has no neighbour to be uneven with")
        elif b.cylinders == 2:
            found.append("this twin does not fire at even spacing, so nothing is told of its evenness")
        elif b.cylinders is None:
            found.append("evenness needs the number of cylinders")
    if b.pulses.uneven and b.cylinders is not None:
        found.append(
            f"uneven: the half order exceeds the {100 * UNEVEN_LIMITS[b.cylinders]:.0f} % of the pulses that even "
            f"engines of {b.cylinders} cylinders stay below in 99 of 100 cases"
        )
    if b.pulses.half_order_pa is not None and b.recording.line is None:
        found.append("the hose between port and sensor is not known: pulse sizes are as the sensor saw them")
    return found
