"""What the samples before a happening say by themselves: known once, while what came after is looked at again."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from sumpglass.analysis.happenings.spectra import tapered_mean
from sumpglass.analysis.statistics import distinct
from sumpglass.records import FloatArray


@dataclass(frozen=True)
class Before:
    """What the samples before a happening say by themselves."""

    before_pa: float
    """Tapered mean of the last seconds."""
    base_pa: float
    """The same of the settled stretch, which ends a second earlier where so much is known."""
    mean_pa: float
    """Plain mean of the settled stretch."""
    usual_pa: float | None
    """How far short means go below it there; None where there are too few samples."""
    noise_pa: float
    """From third differences of the last seconds."""
    code_pa: float
    """Least step between readings."""
    lull_pa2: float
    """Least variance of its pieces."""


@lru_cache(maxsize=8)
def known_before(base: bytes, before: bytes, width: int, lull: int) -> Before:
    """Kept: a happening is judged again and again, and what was before it stays the same."""
    settled, last = np.frombuffer(base), np.frombuffer(before)
    mean = float(settled.mean())
    usual = mean - float(_means(settled, width).min()) if len(settled) >= 2 * width else None
    return Before(
        tapered_mean(last),
        tapered_mean(settled),
        mean,
        usual,
        third_differences_pa(last),
        _code(last),
        _least_scatter(settled, lull),
    )


def way_down(was: Before, ahead: FloatArray, width: int) -> tuple[float | None, float]:
    """How far means of `width` samples of `ahead` go below the mean before, over it and over what they do there."""
    if len(ahead) < width or was.usual_pa is None:
        return None, 0.0
    deepest = was.mean_pa - float(_means(ahead, width).min())
    return deepest / max(abs(was.mean_pa), 1e-9), deepest / max(was.usual_pa, 1e-9)


def _means(values: FloatArray, width: int) -> FloatArray:
    """Mean (n - width + 1,) of every `width` samples in a row."""
    total = np.cumsum(np.concatenate([np.zeros(1), values - values[0]]))
    return values[0] + (total[width:] - total[:-width]) / width


def _least_scatter(values: FloatArray, length: int) -> float:
    """Least variance of pieces of `length` samples: small where what scattered came in bumps, as a hand on the hose."""
    if length < 4 or len(values) < 2 * length:
        return 0.0
    return float(values[-(len(values) // length * length) :].reshape(-1, length).var(axis=1).min())


def third_differences_pa(values: FloatArray) -> float:
    """Size of the noise from sample to sample: third differences pass the pulses by."""
    return float(np.sqrt(np.mean(np.diff(values, 3) ** 2))) if len(values) > 4 else 0.0


def _code(values: FloatArray) -> float:
    """Least step between readings."""
    steps = np.diff(distinct(values[:2000]))
    return float(steps.min()) if len(steps) else 1.0
