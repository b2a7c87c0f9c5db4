"""How well anybody could tell a bent line from a straight one: the power of an oracle, to stand beside the program's.

The oracle is told the leak, the source, the pulses and the bores' tolerance; it only has to say which of two made the
readings: this bent line, or the straight line that comes nearest to it. With normal errors that is a shift by
sqrt(separation) standard deviations, and by Neyman and Pearson (Philosophical Transactions of the Royal Society A 231
(1933) 289) no test does better than the likelihood ratio held against one limit, set for so many false calls over all
cases. A program knows none of those things and cannot reach it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from leak_sources import CD, P0, Row, Series, room_flow
from scipy.optimize import brentq, least_squares
from scipy.special import ndtr

BLOW_BYS = (1.0, 1.4, 1.8)
"""Suction over net draw of the straight lines that come into question: a choked suction goes with the absolute
pressure."""


def separation(
    bores_mm: Sequence[float], vacuum_pa: Sequence[float], u_pa: Sequence[float], waves_pa: Sequence[np.ndarray],
    leak_mm2: float, deeper_than_pa: Sequence[float | None], bore_u95_mm: float = 0.0,
) -> float:  # fmt: skip
    """Squared distance, in standard uncertainties, from a line's true vacua (n,) to the nearest straight line.

    A censored reading counts by how far the straight line falls short of it.
    """
    known = math.pi / 4 * np.square(np.asarray(bores_mm, float))
    vacuum = np.asarray(vacuum_pa, float)
    step = np.maximum(1.0, 0.002 * np.abs(vacuum))
    low, here, high = (
        np.array([float(np.mean(room_flow(1.0, v + s * d + w))) for v, d, w in zip(vacuum, step, waves_pa)])
        for s in (-1, 0, 1)
    )
    slope = (high - low) / (2 * step)
    bore_pa = np.pi / 2 * np.asarray(bores_mm, float) * bore_u95_mm / 1.96 / (leak_mm2 + known) * here / slope
    u = np.hypot(np.asarray(u_pa, float), bore_pa)
    cut = np.array([limit is not None for limit in deeper_than_pa])
    limits = np.array([limit or 0.0 for limit in deeper_than_pa])

    def straight(leak: float, draw: float, suction: float) -> np.ndarray:
        """Residuals (n,): the balance of a straight line, solved by a step from the true vacuum."""
        per_area = draw / (CD * 1e-6 * (leak + known))
        off = (per_area * (1 - suction * vacuum / P0) - here) / (slope + per_area * suction / P0)
        return np.where(cut, np.minimum(vacuum + off - limits, 0.0), off) / u

    draw = float(np.median(here * CD * 1e-6 * (leak_mm2 + known)))
    return min(
        2
        * least_squares(lambda x, n=n: straight(math.exp(x[0]), math.exp(x[1]), n), [math.log(a), math.log(draw)]).cost
        for n in BLOW_BYS
        for a in (leak_mm2, 0.3 * leak_mm2)
    )


def separation_of(series: Series, rows: Sequence[Row]) -> float:
    """The same of a table out of `leak_sources`."""
    limits = [None if r.deeper_than_pa is None else -r.deeper_than_pa for r in rows]
    return separation(
        series.bores_mm,
        series.vacuum_pa,
        [r.u95_pa / 1.96 for r in rows],
        series.waves_pa,
        series.leak_mm2,
        limits,
        0.01,
    )


def oracle_power(separations: Sequence[float], false_calls: float) -> float:
    """Share of these cases that the oracle recognises where it calls so many straight lines bent."""
    shift = np.sqrt(np.maximum(separations, 1e-9))

    def false_calls_above(limit: float) -> float:
        return float(np.mean(ndtr(-shift / 2 - limit / shift)))

    limit = brentq(lambda x: false_calls_above(x) - false_calls, -50.0, 50.0)
    return float(np.mean(ndtr(shift / 2 - limit / shift)))


def oracle_words(separations: Sequence[float], false_calls: float | None = None) -> str:
    """For a bench: the oracle's power at these false calls (the program's own), and at 8 and 10 %."""
    shares = [0.08, 0.10] if false_calls is None else [max(false_calls, 0.005), 0.08, 0.10]
    told = ", ".join(f"{100 * oracle_power(separations, a):.1f} % at {100 * a:.1f} %" for a in shares)
    return f"an oracle that is told leak and source recognises of the bent lines, at so many false calls: {told}"
