"""Hold test from recordings: the decay with the engine off, and one with a known opening to compare."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sumpglass.analysis.pulses import find_pulses
from sumpglass.errors import InputError, RefusedError
from sumpglass.procedures.decay_judge import judge_hold
from sumpglass.procedures.hold_result import Hold
from sumpglass.procedures.marks import State, state_of
from sumpglass.procedures.openings import Room
from sumpglass.records import FloatArray, Recording
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
    good = np.isfinite(recording.pressure_pa)
    t, p = recording.t_s[good], recording.pressure_pa[good]
    if rate_hz is None or len(t) < 2 or not t[-1] > t[0]:
        return hold
    _no_swing_in_bins(recording, hold)
    # To the end: strong pulses look like a hose that is opened, and cut what is taken for the decay short.
    begin_s = min(hold.t0_s, float(t[-1]) - SHORT_S)
    heard = _listen(t, p, rate_hz, begin_s, float(t[-1]))
    found = sorted(h for h in heard if h)
    if 2 * len(found) > len(heard):
        rms_pa, firing_hz = found[len(found) // 2]
        words = _in_words(rms_pa, firing_hz)
        if rms_pa > RUNNING_SHARE * abs(hold.start_pa):
            raise RefusedError(f"found {words} in what should be the decay, expected a hold with the engine off")
        warning = f"There may be {words} in the decay: a hold is made with the engine off."
        return replace(hold, warnings=(warning, *hold.warnings))
    before = [h for h in _listen(t, p, rate_hz, max(float(t[0]), hold.t0_s - SHORT_S), hold.t0_s) if h]
    after = [h for h in found if h[0] > RUNNING_SHARE * abs(hold.start_pa)]
    told_off = any(state_of(mark.text) == State("engine_off") for mark in recording.marks)
    if before and after and not told_off:
        raise RefusedError(
            f"found {_in_words(*after[-1])} before and after what should be the decay, expected a hold with the engine "
            "off: cut the recording to it, or mark 'engine off' where it stopped"
        )
    return hold


def _listen(
    t: FloatArray, p: FloatArray, rate_hz: float, begin_s: float, end_s: float
) -> list[tuple[float, float] | None]:
    """Pieces from `begin_s` to `end_s`: RMS (Pa) and firing frequency (Hz) of the engine that is heard in each."""
    inside = (t >= begin_s) & (t <= end_s)
    if np.count_nonzero(inside) < 2:
        return []
    even = evenly_sampled(t[inside], p[inside], rate_hz)
    size = int(PIECE_S * rate_hz)
    begins = np.unique(np.linspace(0, max(len(even) - size, 0), MOST_PIECES).astype(int))
    heard = [find_pulses(even[begin : begin + size], rate_hz) for begin in begins]
    return [None if h.firing_hz is None or h.rms_pa is None else (h.rms_pa, h.firing_hz) for h in heard]


def _in_words(rms_pa: float, firing_hz: float) -> str:
    return f"engine pulses ({rms_pa:.0f} Pa at {firing_hz:.1f} Hz)"


def _no_swing_in_bins(recording: Recording, hold: Hold) -> None:
    """Raises RefusedError where the bins of a slow link swing as an engine's do: their means show none of it."""
    if recording.mean_square_pa2 is None:
        return
    inside = recording.t_s >= hold.t0_s
    swing = recording.mean_square_pa2[inside] - recording.pressure_pa[inside] ** 2
    if not np.isfinite(swing).any():
        return
    rms_pa = float(np.sqrt(max(float(np.nanmedian(swing)), 0.0)))
    if rms_pa > RUNNING_SHARE * abs(hold.start_pa):
        raise RefusedError(
            f"found readings that swing by {rms_pa:.0f} Pa (RMS) within each bin of what should be the decay, expected "
            "a hold with the engine off"
        )
