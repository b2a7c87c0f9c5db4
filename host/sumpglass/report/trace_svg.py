"""An assessed trace as one SVG picture: level and pulse envelope, settled stretches, happenings by letter, spectrum."""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.floating]

WIDTH, TRACE_HEIGHT, SPECTRUM_HEIGHT = 1000, 300, 190
LEFT, RIGHT, TOP, GAP = 70, 20, 46, 66
INK, FAINT, VACUUM, PRESSURE, LEVEL, STRETCH = "#1c2833", "#d5d8dc", "#2e6da4", "#c46210", "#12385b", "#8e44ad"
LINE_HEIGHT = 19
LEVEL_S = 0.4
"""The line is the mean over so long, which the pulses do not shake."""


@dataclass(frozen=True)
class Flag:
    """A happening to draw: when, its letter's sentence, and whether it is a fault of the rig."""

    t_s: float
    words: str
    rig: bool = False


@dataclass(frozen=True)
class Envelope:
    """Least, mean and greatest (columns,) of the pressure in pascals in each column of times `t_s` (columns,)."""

    t_s: FloatArray
    low_pa: FloatArray
    mean_pa: FloatArray
    high_pa: FloatArray


def envelope(t_s: FloatArray, pressure_pa: FloatArray, columns: int = WIDTH - LEFT - RIGHT) -> Envelope:
    """Columns of equal time over samples (n,); those without a sample are NaN."""
    begin, end = float(t_s[0]), float(t_s[-1])
    if end <= begin:
        one = np.array([float(np.nanmean(pressure_pa))])
        return Envelope(np.array([begin]), one, one, one)
    columns = min(columns, len(t_s))
    edges = np.searchsorted(t_s, np.linspace(begin, end, columns + 1))
    edges[-1] = len(t_s)
    low, mean, high = (np.full(columns, np.nan) for _ in range(3))
    for k in range(columns):
        part = pressure_pa[edges[k] : edges[k + 1]]
        part = part[np.isfinite(part)]
        if len(part):
            low[k], mean[k], high[k] = part.min(), part.mean(), part.max()
    width = int(LEVEL_S / ((end - begin) / columns))
    if width > 1:
        known = np.isfinite(mean)
        window = np.sin(np.pi * (np.arange(width) + 0.5) / width) ** 2
        weight = np.convolve(known.astype(float), window, "same")
        smooth = np.convolve(np.where(known, mean, 0.0), window, "same")
        mean = np.where(known, smooth / np.maximum(weight, 1e-9), np.nan)
    return Envelope(begin + (np.arange(columns) + 0.5) * (end - begin) / columns, low, mean, high)


def nice_step(span: float, most: int = 6) -> float:
    """Step of 1, 2 or 5 times a power of ten that cuts `span` into at most `most` parts."""
    rough = max(span, 1e-12) / most
    power = 10.0 ** np.floor(np.log10(rough))
    return float(next(m * power for m in (1, 2, 5, 10) if m * power >= rough * (1 - 1e-9)))


def trace_svg(
    title: str,
    band: Envelope,
    stretches: Sequence[tuple[float, float, float]],
    flags: Sequence[Flag],
    spectrum: tuple[FloatArray, FloatArray] | None,
    firing_hz: float | None,
    cycle_hz: float | None = None,
) -> str:
    """The picture. `stretches`: (t0_s, t1_s, mean_pa); `spectrum`: (hz, amplitude_pa), or None where there is none."""
    lines = len(flags)
    spectrum_top = TOP + TRACE_HEIGHT + GAP + 14 + lines * LINE_HEIGHT
    height = spectrum_top + (SPECTRUM_HEIGHT + 60 if spectrum is not None else 0)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" '
        f'font-family="sans-serif" font-size="13" fill="{INK}" role="img">',
        f"<title>{html.escape(title)}</title>",
        f'<rect width="{WIDTH}" height="{height}" fill="white"/>',
        f'<text x="{LEFT}" y="22" font-size="16" font-weight="bold">{html.escape(title)}</text>',
    ]
    parts += _trace(band, stretches, flags)
    parts += _legend(flags)
    if spectrum is not None:
        parts += _spectrum(spectrum, firing_hz, cycle_hz, spectrum_top)
    parts.append("</svg>\n")
    return "\n".join(parts)


def letter(number: int) -> str:
    """A, B, ... Z, AA, AB ..."""
    word = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        word = chr(65 + rest) + word
    return word


def _scale(low: float, high: float, size: float, offset: float) -> tuple[float, float]:
    span = high - low if high > low else 1.0
    return size / span, offset - low * size / span


def _trace(band: Envelope, stretches: Sequence[tuple[float, float, float]], flags: Sequence[Flag]) -> list[str]:
    known = np.isfinite(band.low_pa)
    low = min(0.0, float(band.low_pa[known].min(initial=0.0)))
    high = max(0.0, float(band.high_pa[known].max(initial=0.0)))
    margin = 0.06 * max(high - low, 1.0)
    low, high = low - margin, high + margin
    t0, t1 = float(band.t_s[0]), float(band.t_s[-1])
    sx, ox = _scale(t0, t1, WIDTH - LEFT - RIGHT, LEFT)
    # Vacuum is drawn downwards, as it is felt.
    sy, oy = -TRACE_HEIGHT / (high - low), TOP + high * TRACE_HEIGHT / (high - low)
    out = []
    unit, factor = ("kPa", 1000.0) if max(-low, high) >= 2000 else ("Pa", 1.0)
    step = nice_step((high - low) / factor) * factor
    for value in np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step:
        y = sy * value + oy
        heavy = abs(value) < 1e-9
        out.append(
            f'<line x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}" stroke="{INK if heavy else FAINT}" '
            f'stroke-width="{2 if heavy else 1}"/>'
        )
        out.append(f'<text x="{LEFT - 8}" y="{y + 4:.1f}" text-anchor="end">{abs(value) / factor:g}</text>')
    for word, y, colour in (("pressure", TOP + 12, PRESSURE), ("vacuum", TOP + TRACE_HEIGHT - 4, VACUUM)):
        anchor = "end" if word == "pressure" else "start"
        out.append(f'<text transform="translate(16 {y}) rotate(-90)" text-anchor="{anchor}" '
                   f'fill="{colour}">{word}, {unit}</text>')  # fmt: skip
    out += _time_axis(t0, t1, sx, ox)
    x = sx * band.t_s + ox
    runs = np.flatnonzero(np.diff(np.concatenate([[0], known.astype(np.int8), [0]]))).reshape(-1, 2)
    for a, b in runs:
        top = " ".join(f"{x[k]:.1f},{sy * band.high_pa[k] + oy:.1f}" for k in range(a, b))
        bottom = " ".join(f"{x[k]:.1f},{sy * band.low_pa[k] + oy:.1f}" for k in range(b - 1, a - 1, -1))
        out.append(f'<polygon points="{top} {bottom}" fill="{VACUUM}" fill-opacity="0.28"/>')
        line = " ".join(f"{x[k]:.1f},{sy * band.mean_pa[k] + oy:.1f}" for k in range(a, b))
        out.append(f'<polyline points="{line}" fill="none" stroke="{LEVEL}" stroke-width="1"/>')
    for begin, end, mean in stretches:
        y = sy * mean + oy
        out.append(f'<line x1="{sx * begin + ox:.1f}" x2="{sx * end + ox:.1f}" y1="{y:.1f}" y2="{y:.1f}" '
                   f'stroke="{STRETCH}" stroke-width="3" stroke-dasharray="8 3"/>')  # fmt: skip
    out += _flags(flags, sx, ox)
    return out


def _time_axis(t0: float, t1: float, sx: float, ox: float) -> list[str]:
    out = []
    step = nice_step(t1 - t0, 10)
    bottom = TOP + TRACE_HEIGHT
    for value in np.arange(np.ceil(t0 / step), np.floor(t1 / step) + 1) * step:
        at = sx * value + ox
        out.append(f'<line x1="{at:.1f}" x2="{at:.1f}" y1="{bottom}" y2="{bottom + 5}" stroke="{INK}"/>')
        out.append(f'<text x="{at:.1f}" y="{bottom + 19}" text-anchor="middle">{value:g}</text>')
    out.append(f'<text x="{WIDTH - RIGHT}" y="{bottom + 36}" text-anchor="end">time, s. Band: pulses; line: level; '
               f"dashed: settled stretches</text>")  # fmt: skip
    return out


def _flags(flags: Sequence[Flag], sx: float, ox: float) -> list[str]:
    out = []
    last, row = -1e9, 0
    for number, flag in enumerate(flags):
        at = sx * flag.t_s + ox
        row = (row + 1) % 2 if at - last < 16 else 0
        last = at
        colour = PRESSURE if flag.rig else INK
        out.append(f'<line x1="{at:.1f}" x2="{at:.1f}" y1="{TOP}" y2="{TOP + TRACE_HEIGHT}" stroke="{colour}" '
                   f'stroke-dasharray="3 3"/>')  # fmt: skip
        out.append(
            f'<text x="{at + 3:.1f}" y="{TOP + 13 + 15 * row}" font-weight="bold" fill="{colour}">'
            f"{letter(number)}</text>"
        )
    return out


def _legend(flags: Sequence[Flag]) -> list[str]:
    top = TOP + TRACE_HEIGHT + GAP - 6
    return [
        f'<text x="{LEFT}" y="{top + k * LINE_HEIGHT}"><tspan font-weight="bold">{letter(k)}</tspan>  '
        f"{html.escape(flag.words)}</text>"
        for k, flag in enumerate(flags)
    ]


def _spectrum(
    spectrum: tuple[FloatArray, FloatArray], firing_hz: float | None, cycle_hz: float | None, top: int
) -> list[str]:
    hz, amplitude = spectrum
    keep = (hz > 0) & np.isfinite(amplitude)
    hz, amplitude = hz[keep], amplitude[keep]
    if not len(hz):
        return []
    end = float(hz[-1])
    if firing_hz is not None:
        end = min(end, 4.5 * firing_hz)
    inside = hz <= end
    hz, amplitude = hz[inside], amplitude[inside]
    most = max(float(amplitude.max()), 1e-6) * 1.1
    sx, ox = _scale(0.0, end, WIDTH - LEFT - RIGHT, LEFT)
    base = top + SPECTRUM_HEIGHT
    sy = SPECTRUM_HEIGHT / most
    out = [f'<text x="{LEFT}" y="{top - 8}" font-weight="bold">Spectrum of the longest settled stretch, in Pa</text>']
    step = nice_step(most, 4)
    for value in np.arange(0, most, step):
        y = base - sy * value
        out.append(f'<line x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}" stroke="{FAINT}"/>')
        out.append(f'<text x="{LEFT - 8}" y="{y + 4:.1f}" text-anchor="end">{value:g}</text>')
    for value in np.arange(0, end, nice_step(end, 10)):
        out.append(f'<text x="{sx * value + ox:.1f}" y="{base + 18}" text-anchor="middle">{value:g}</text>')
    out.append(f'<text x="{WIDTH - RIGHT}" y="{base + 36}" text-anchor="end">frequency, Hz</text>')
    for row, (at, word) in enumerate(
        ((firing_hz, "firing"), (cycle_hz if cycle_hz != firing_hz else None, "half order"))
    ):
        if at is not None and at <= end:
            x = sx * at + ox
            out.append(
                f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{top}" y2="{base}" stroke="{PRESSURE}" stroke-dasharray="4 3"/>'
            )
            out.append(f'<text x="{x + 4:.1f}" y="{top + 12 + 16 * row}" fill="{PRESSURE}">{word} {at:.1f} Hz</text>')
    line = " ".join(f"{sx * f + ox:.1f},{base - sy * a:.1f}" for f, a in zip(hz, amplitude))
    out.append(f'<polyline points="{line}" fill="none" stroke="{VACUUM}" stroke-width="1.3"/>')
    return out
