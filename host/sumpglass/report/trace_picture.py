"""A recording as a picture: bold zero line, vacuum below it, pulses as a band with the level in it, flags, marks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from sumpglass.records import FloatArray, Happening, Mark
from sumpglass.report.happening_words import clock, sentence
from sumpglass.report.terminal_text import safe
from sumpglass.units import PASCALS_PER_UNIT, from_pascals

DAY_S = 86400
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
TIME_STEPS_S = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400)
WORD_ALONE, WORD_AND_UNIT = 52, 84
"""Room that the words beside the scale need, in units of the drawing."""
LEVEL_COLUMNS = 3
"""The level in the band is the mean over so many columns, so that it does not follow the pulses."""


@dataclass(frozen=True)
class TraceSize:
    """Size of the drawing in its own units; text is 12 of them high, so the width decides how large it looks."""

    width: int = 960
    height: int = 340
    left: int = 62
    right: int = 12
    top: int = 34
    bottom: int = 34

    @property
    def columns(self) -> int:
        """Columns of two units that the trace is drawn in."""
        return (self.width - self.left - self.right) // 2


WIDE, NARROW = TraceSize(), TraceSize(width=372, height=300, left=50, right=6)


def flag_letter(index: int) -> str:
    """A, B ... Z, A2, B2 ..."""
    turn, letter = divmod(index, len(LETTERS))
    return LETTERS[letter] + (str(turn + 1) if turn else "")


def trace_picture(
    t_s: FloatArray,
    pressure_pa: FloatArray,
    happenings: Sequence[Happening] = (),
    marks: Sequence[Mark] = (),
    *,
    low_pa: FloatArray | None = None,
    high_pa: FloatArray | None = None,
    unit: str = "kPa",
    size: TraceSize = WIDE,
) -> str:
    """An inline SVG of readings (n,), zero subtracted. Colours are CSS classes; all text from files is escaped.

    `low_pa`, `high_pa`: least and greatest of each bin where the board decimated. Gaps and faults leave the band open.
    """
    good = np.isfinite(pressure_pa)
    t_s, pressure_pa = t_s[good], pressure_pa[good]
    low = pressure_pa if low_pa is None else low_pa[good]
    high = pressure_pa if high_pa is None else high_pa[good]
    if not len(t_s):
        return '<p class="none">No reading to draw.</p>'
    t0, t1 = float(t_s[0]), float(max(t_s[-1], t_s[0] + 1e-3))
    columns = _columns(t_s, pressure_pa, low, high, t0, t1, size.columns)
    ends = _scale_ends(float(np.nanmin(columns[1])), float(np.nanmax(columns[2])), unit)
    draw = _Drawing(size, t0, t1, *ends)
    parts = [draw.frame(unit), draw.band(columns), draw.level(columns), draw.zero_line()]
    parts += [draw.mark(number, mark) for number, mark in enumerate(marks) if t0 - 1 <= mark.t_s <= t1 + 1]
    parts += [draw.flag(number, happening) for number, happening in enumerate(happenings)]
    words = f"Trace of {clock(t1 - t0)} minutes and seconds, {len(happenings)} flags, {len(marks)} marks"
    return (
        f'<svg class="trace" viewBox="0 0 {size.width} {size.height}" role="img" aria-label="{escape(words)}" '
        f'xmlns="http://www.w3.org/2000/svg"><title>{escape(words)}</title>{"".join(parts)}</svg>'
    )


def _columns(
    t_s: FloatArray, mean: FloatArray, low: FloatArray, high: FloatArray, t0: float, t1: float, count: int
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """(mid times, least, greatest, mean), (count,) each, NaN where a column holds no reading."""
    edges = np.linspace(t0, t1, count + 1)
    firsts = np.searchsorted(t_s, edges[:-1])
    stops = np.append(firsts[1:], len(t_s))
    filled = np.flatnonzero(stops > firsts)
    at = firsts[filled]
    least, greatest, middle = (np.full(count, np.nan) for _ in range(3))
    least[filled] = np.minimum.reduceat(low, at)
    greatest[filled] = np.maximum.reduceat(high, at)
    middle[filled] = np.add.reduceat(mean, at, dtype=np.float64) / (stops - firsts)[filled]
    if len(t_s) < 2 * count:
        # Fewer readings than columns: empty columns between neighbours are no gap in the recording.
        gap = 4 * float(np.median(np.diff(t_s))) if len(t_s) > 1 else 0.0
        middles = (edges[:-1] + edges[1:]) / 2
        before = np.clip(np.searchsorted(t_s, middles) - 1, 0, len(t_s) - 1)
        close = np.isnan(middle) & (middles - t_s[before] <= gap)
        for values, source in ((least, low), (greatest, high), (middle, mean)):
            values[close] = source[before[close]]
    return (edges[:-1] + edges[1:]) / 2, least, greatest, middle


def _scale_ends(least_pa: float, greatest_pa: float, unit: str) -> tuple[float, float, float]:
    """(low end, high end, step) in pascals; zero always inside, steps of 1, 2 or 5."""
    low, high = min(least_pa, 0.0), max(greatest_pa, 0.0)
    span = max(high - low, 1.0)
    low, high = low - 0.06 * span, high + 0.06 * span
    size = PASCALS_PER_UNIT[unit]
    raw = (high - low) / size / 5
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(factor for factor in (1, 2, 5, 10) if factor * power >= raw) * power * size
    return low, high, step


class _Drawing:
    """Places in the picture."""

    def __init__(self, size: TraceSize, t0: float, t1: float, low: float, high: float, step: float) -> None:
        self.size, self.t0, self.t1, self.low, self.high, self.step = size, t0, t1, low, high, step

    def x(self, t_s: float) -> float:
        inside = self.size.width - self.size.left - self.size.right
        return self.size.left + inside * (t_s - self.t0) / (self.t1 - self.t0)

    def y(self, pressure_pa: float) -> float:
        inside = self.size.height - self.size.top - self.size.bottom
        return self.size.top + inside * (self.high - pressure_pa) / (self.high - self.low)

    def frame(self, unit: str) -> str:
        """Scales: sizes without a minus sign, VACUUM and PRESSURE as words."""
        size, parts = self.size, []
        first = math.ceil(self.low / self.step)
        decimals = max(0, -math.floor(math.log10(from_pascals(self.step, unit)) + 1e-9))
        for k in range(first, math.floor(self.high / self.step) + 1):
            y = self.y(k * self.step)
            label = f"{abs(from_pascals(k * self.step, unit)):.{decimals}f}" if k else "0"
            parts.append(
                f'<line class="grid" x1="{size.left}" x2="{size.width - size.right}" y1="{y:.1f}" y2="{y:.1f}"/>'
            )
            parts.append(f'<text class="scale" x="{size.left - 5}" y="{y + 4:.1f}" text-anchor="end">{label}</text>')
        zero, foot = self.y(0.0), size.height - size.bottom
        for word, head, feet in (("pressure", size.top, zero), ("vacuum", zero, foot)):
            told = f"{word}, {unit}" if feet - head > WORD_AND_UNIT else word
            if feet - head > WORD_ALONE:
                place = f'transform="translate(13 {(head + feet) / 2:.1f}) rotate(-90)" text-anchor="middle"'
                parts.append(f'<text class="word {word}" {place}>{escape(told)}</text>')
        wanted = (self.t1 - self.t0) / (8 if size.width > 600 else 4)
        step: float = next((s for s in TIME_STEPS_S if s >= wanted), DAY_S * math.ceil(wanted / DAY_S))
        for k in range(math.ceil(self.t0 / step), math.floor(self.t1 / step) + 1):
            x = self.x(k * step)
            parts.append(f'<line class="tick" x1="{x:.1f}" x2="{x:.1f}" y1="{foot}" y2="{foot + 5}"/>')
            parts.append(
                f'<text class="scale" x="{x:.1f}" y="{foot + 19}" text-anchor="middle">{_time(k * step, step)}</text>'
            )
        return "".join(parts)

    def zero_line(self) -> str:
        y, left, right = self.y(0.0), self.size.left, self.size.width - self.size.right
        return f'<line class="zero" x1="{left}" x2="{right}" y1="{y:.1f}" y2="{y:.1f}"/>'

    def band(self, columns: tuple[FloatArray, ...]) -> str:
        """Least to greatest of each column, one shape for each stretch without a gap."""
        times, least, greatest, _ = columns
        parts = []
        for first, stop in _stretches(np.isfinite(least)):
            tops = [
                f"{self.x(t):.1f},{self.y(p):.1f}" for t, p in zip(times[first:stop], greatest[first:stop], strict=True)
            ]
            feet = [
                f"{self.x(t):.1f},{self.y(p):.1f}" for t, p in zip(times[first:stop], least[first:stop], strict=True)
            ]
            parts.append(f'<polygon class="band" points="{" ".join(tops + feet[::-1])}"/>')
        return "".join(parts)

    def level(self, columns: tuple[FloatArray, ...]) -> str:
        times, _, _, mean = columns
        parts = []
        for first, stop in _stretches(np.isfinite(mean)):
            smooth = _smoothed(mean[first:stop], LEVEL_COLUMNS)
            points = " ".join(
                f"{self.x(t):.1f},{self.y(p):.1f}" for t, p in zip(times[first:stop], smooth, strict=True)
            )
            parts.append(f'<polyline class="level" points="{points}"/>')
        return "".join(parts)

    def flag(self, number: int, happening: Happening) -> str:
        x, size = self.x(min(max(happening.t_s, self.t0), self.t1)), self.size
        head = size.top - 10 - 11 * (number % 2)
        return (
            f'<g class="flag"><title>{escape(sentence(happening))}</title>'
            f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{size.top - 6}" y2="{size.height - size.bottom}"/>'
            f'<text x="{x:.1f}" y="{head}" text-anchor="middle">{flag_letter(number)}</text></g>'
        )

    def mark(self, number: int, mark: Mark) -> str:
        x, foot = self.x(min(max(mark.t_s, self.t0), self.t1)), self.size.height - self.size.bottom
        return (
            f'<g class="mark"><title>{number + 1}: {escape(safe(mark.text))}</title>'
            f'<path d="M{x:.1f} {foot - 9} l4 9 h-8 z"/>'
            f'<text x="{x:.1f}" y="{foot - 12}" text-anchor="middle">{number + 1}</text></g>'
        )


def _stretches(filled: np.ndarray) -> list[tuple[int, int]]:
    """(first, stop) of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], filled, [False]]).astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _smoothed(values: FloatArray, width: int) -> FloatArray:
    if len(values) < width:
        return values
    padded = np.pad(values, width // 2, mode="edge")
    return np.convolve(padded, np.full(width, 1.0 / width), "valid")


def _time(t_s: float, step_s: float) -> str:
    if step_s < 1:
        return clock(t_s)
    hours, rest = divmod(round(t_s), 3600)
    return f"{hours}:{rest // 60:02d}:{rest % 60:02d}" if hours else f"{rest // 60}:{rest % 60:02d}"
