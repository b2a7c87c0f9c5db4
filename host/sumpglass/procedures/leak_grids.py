"""Which values of its nuisance each family of sources is fitted at: closer together where the readings allow it."""

from __future__ import annotations

import numpy as np

from sumpglass.procedures.leak_problem import CHI2_95
from sumpglass.procedures.source_models import SourceModel
from sumpglass.records import FloatArray

COARSE, FINE = 14, 18
"""Values of the nuisance of each family."""
ABOUT_AS_WELL = 6.0
"""Deviance by which a way to read a series has to fit better before it gets values of the nuisance of its own."""
FAR_OFF = 0.3
"""Deviance over a family's least at the end of its values from which the family cannot be said to be looked at."""
Grids = list[tuple[SourceModel, FloatArray]]
"""Families with the values of the nuisance that stand for each."""


def rows_of(grids: Grids) -> list[tuple[SourceModel, float]]:
    """Each family with each of its values."""
    return [(model, float(v)) for model, values in grids for v in values]


def narrowed(
    looked_at: Grids, best_mm2: FloatArray, deviance_of: FloatArray, readings: int, count: int
) -> tuple[Grids, FloatArray]:
    """`count` values of each nuisance about where it fits, with a guess (r,) of the best area of each, after a first
    look at `looked_at`: `best_mm2` and `deviance_of` (r,), of a series of so many `readings`."""
    # A coarse grid may miss the valley: what counts as near it is wide as long as nothing fits.
    least = float(deviance_of.min())
    margin = 2.0 * CHI2_95 + 6.0 + 0.5 * max(0.0, least - 3.0 * readings)
    grids: Grids = []
    guesses, at = [], 0
    for model, values in looked_at:
        areas, deviance = best_mm2[at : at + len(values)], deviance_of[at : at + len(values)]
        at += len(values)
        if model.prior is not None or len(values) == 1:
            grids.append((model, values))
            guesses.append(areas)
            continue
        near = np.flatnonzero(deviance <= max(least + margin, float(deviance.min())))
        low = values[max(int(near[0]) - 1, 0)]
        last = int(near[-1]) + 1
        high = values[last] if last < len(values) else 1.0 - 0.3 * (1.0 - values[-1])
        if model.range[1] <= 0.0:
            high = min(high, -0.005)
        closer = np.array(model.between(float(low), float(high), count))
        grids.append((model, closer))
        guesses.append(np.exp(np.interp(closer, values, np.log(areas))))
    return grids, np.concatenate(guesses)


def moved(
    grids: Grids, best_mm2: FloatArray, deviance_of: FloatArray, margin: float = ABOUT_AS_WELL
) -> tuple[Grids, FloatArray]:
    """The grids, where a family fits well at an end of its values that is not the end of what they may be: moved to
    about where it fits best and beyond. `best_mm2` and `deviance_of` (r,) are as in `narrowed`; it fits well within
    `margin` of its least deviance.

    Values found for another way to read the series would else cut the family off. The same grids if none has to move.
    """
    at, least = 0, float(deviance_of.min())
    found: Grids = []
    guesses = []
    for model, values in grids:
        areas, deviance = best_mm2[at : at + len(values)], deviance_of[at : at + len(values)]
        at += len(values)
        well = float(deviance.min()) + margin
        chosen = values
        if model.prior is None and len(values) > 1 and deviance.min() <= least + ABOUT_AS_WELL:
            lowest, highest = model.values[0], model.values[-1]
            low = values[0] > lowest + 1e-9 and deviance[0] < well
            high = values[-1] < highest - 1e-9 and deviance[-1] < well
            if low or high:
                ends = -np.log(1.0 - values)
                middle, width = float(ends[np.argmin(deviance)]), float(ends[-1] - ends[0])
                first = max(middle - width, -np.log(1.0 - lowest)) if low else float(ends[0])
                last = min(middle + width, -np.log(1.0 - highest)) if high else float(ends[-1])
                chosen = 1.0 - np.exp(-np.linspace(first, last, len(values)))
        found.append((model, chosen))
        guesses.append(areas if chosen is values else np.exp(np.interp(chosen, values, np.log(areas))))
    if all(new is old for (_, new), (_, old) in zip(found, grids)):
        return grids, best_mm2
    return found, np.concatenate(guesses)
