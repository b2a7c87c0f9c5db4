"""Hold test from recordings: the decay with the engine off, and one with a known opening to compare."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sumpglass.analysis.pulses import find_pulses
from sumpglass.errors import InputError, RefusedError
from sumpglass.procedures.decay_judge import judge_hold
from sumpglass.procedures.hold_result import Hold
from sumpglass.procedures.openings import Room
from sumpglass.records import Recording
from sumpglass.workflows.assess import evenly_sampled
from sumpglass.workflows.load_recording import load_recording

PIECE_S, MOST_PIECES, SHORT_S = 4.0, 8, 20.0
"""Pieces from the start of the decay, or so long before the end, to the end that are listened to for an engine."""
RUNNING_SHARE = 0.05
"""Pulses stronger (RMS) than this share of the vacuum at which the decay starts are no hum: an engine turns."""


def hold_of_file(
    path: str,
    volume_l: float | None = None,
    zero_pa: float | None = None,
    room: Room | None = None,
    volume_u95_l: float = 0.0,
    reference_path: str | None = None,
    reference_opening_mm: float | None = None,
) -> Hold:
    """Judge the decay in `path`. Raises InputError or RefusedError with the file's name in front."""
    if (reference_path is None) != (reference_opening_mm is None):
        raise InputError("--reference and --reference-opening-mm belong together, found one of them")
    recording = load_recording(path)
    reference = load_recording(reference_path) if reference_path is not None else None
    try:
        hold = judge_hold(recording, volume_l, zero_pa, room, volume_u95_l, reference, reference_opening_mm)
        return _engine_off(recording, hold)
    except (InputError, RefusedError) as error:
        raise type(error)(f"{path}: {error}") from None


def _engine_off(recording: Recording, hold: Hold) -> Hold:
    """The hold, with a warning where it has the sound of an engine in it: an engine that draws keeps a vacuum up, and
    the leakiest crankcase would pass for tight. Raises RefusedError where one turns beyond doubt."""
    rate_hz = recording.rate_hz
    # To the end: strong pulses look like a hose that is opened, and cut what is taken for the decay short.
    begin_s = min(hold.t0_s, float(recording.t_s[-1]) - SHORT_S)
    inside = (recording.t_s >= begin_s) & np.isfinite(recording.pressure_pa)
    t, p = recording.t_s[inside], recording.pressure_pa[inside]
    if rate_hz is None or len(t) < 2 or not t[-1] > t[0]:
        return hold
    even = evenly_sampled(t, p, rate_hz)
    size = int(PIECE_S * rate_hz)
    begins = np.unique(np.linspace(0, max(len(even) - size, 0), MOST_PIECES).astype(int))
    heard = [find_pulses(even[begin : begin + size], rate_hz) for begin in begins]
    found = sorted((h.rms_pa, h.firing_hz) for h in heard if h.firing_hz is not None and h.rms_pa is not None)
    if 2 * len(found) <= len(heard):
        return hold
    rms_pa, firing_hz = found[len(found) // 2]
    words = f"engine pulses ({rms_pa:.0f} Pa at {firing_hz:.1f} Hz)"
    if rms_pa > RUNNING_SHARE * abs(hold.start_pa):
        raise RefusedError(f"found {words} in what should be the decay, expected a hold with the engine off")
    warning = f"There may be {words} in the decay: a hold is made with the engine off."
    return replace(hold, warnings=(warning, *hold.warnings))
