"""The reading that a step of a guided test takes: of the steady part, by hand before it is steady, as a bound, or with
its whole trace."""

from __future__ import annotations

import numpy as np

from sumpglass.procedures.settled import SettledLevel, level_of
from sumpglass.procedures.signal_view import SignalKeeper
from sumpglass.records import FloatArray

LONGEST_LEVEL_S = 12.0
BY_HAND_S = 3.0
LEAST_SAMPLES = 8
TRACE_POINTS = 3000
FAST_TRACE_POINTS = 30000


def bound_level(keeper: SignalKeeper, bound_pa: float) -> SettledLevel:
    """A reading that only says "beyond this"."""
    return SettledLevel(keeper.now_s - 1.0, keeper.now_s, bound_pa, 0.005 * abs(bound_pa), np.zeros(1), 0.0, 0)


def steady_level(keeper: SignalKeeper, steady_since_s: float | None) -> SettledLevel | None:
    """Level of all that has been flat, up to what is kept; None where nothing is, or too little."""
    if steady_since_s is None:
        return None
    t, p = keeper.since(max(steady_since_s, keeper.now_s - LONGEST_LEVEL_S))
    return level_of(t, p) if len(p) >= LEAST_SAMPLES else None


def level_by_hand(keeper: SignalKeeper, steady_since_s: float | None, began_s: float | None) -> SettledLevel | None:
    """The steady level, or the last seconds with their drift and what is still to come in the uncertainty."""
    steady = steady_level(keeper, steady_since_s)
    if steady is not None:
        return steady
    began = began_s if began_s is not None else keeper.now_s
    t, p = keeper.since(max(began, keeper.now_s - BY_HAND_S))
    if len(p) < LEAST_SAMPLES:
        return None
    level = level_of(t, p)
    drift = abs(float(p[: len(p) // 3].mean() - p[-(len(p) // 3) :].mean()))
    drift = max(drift, abs(keeper.to_come_pa(began)))
    u_pa = float(np.hypot(level.u_pa, drift))
    return SettledLevel(level.t0_s, level.t1_s, level.mean_pa, u_pa, level.swing_pa, level.noise_pa, level.samples)


def trace_since(keeper: SignalKeeper, began_s: float, keeps_pulses: bool) -> tuple[FloatArray, FloatArray]:
    """Times and pressures (n,) since the step began, thinned by means to what a result can hold."""
    t, p = keeper.since(began_s)
    each = max(1, len(t) // (FAST_TRACE_POINTS if keeps_pulses else TRACE_POINTS))
    n = len(t) // each * each
    return t[:n].reshape(-1, each).mean(axis=1), p[:n].reshape(-1, each).mean(axis=1)


def pieces(t_s: FloatArray, seconds: float) -> list[slice]:
    """Cut a chunk so that no condition waits for the end of a long one."""
    cuts = np.searchsorted(t_s, np.arange(float(t_s[0]) + seconds, float(t_s[-1]), seconds))
    edges = [0, *np.unique(cuts[(cuts > 0) & (cuts < len(t_s))]).tolist(), len(t_s)]
    return [slice(a, b) for a, b in zip(edges, edges[1:])]
