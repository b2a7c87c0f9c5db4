"""Plain decimal numbers out of bytes, many at once.

A field of up to eight digits before and eight after its point is read as two 64-bit words, eight digits in three
multiplications (D. Lemire, "Quickly parsing eight digits", 2018), so that a column costs a few array operations. Since
numerator and denominator are exact below 2**53, the one division rounds correctly: the result equals `float(text)`.
Longer fields and those with an exponent are read one by one.
"""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt

U64 = np.uint64
Bytes = npt.NDArray[np.uint8]
Indices = npt.NDArray[np.intp]

PLAIN_DECIMAL = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?", re.ASCII)
PAD = 16
"""Bytes that must stand before the first and after the last field, so that a word can be read there."""

_ZEROS = U64(0x3030303030303030)
_KEEP_LAST = np.array(
    [0] + [(0xFFFFFFFFFFFFFFFF << (8 * (8 - k))) & 0xFFFFFFFFFFFFFFFF for k in range(1, 9)], np.uint64
)
_KEEP_FIRST = np.array([(1 << (8 * k)) - 1 for k in range(9)], np.uint64)
_EXACT = 1 << 53
_E8 = U64(100_000_000)


def plain_decimal(text: str) -> float | None:
    """The value of a plain decimal such as "-412.5" or "1e3", spaces around it allowed; None for anything else."""
    stripped = text.strip(" ")
    if not PLAIN_DECIMAL.fullmatch(stripped):
        return None
    value = float(stripped)
    return value if abs(value) < float("inf") else None


def parse_decimals(
    padded: Bytes, starts: Indices, ends: Indices, points: Indices | None = None
) -> npt.NDArray[np.float64] | None:
    """Values (n,) of the fields padded[starts[i]:ends[i]], or None if any of them is no plain decimal.

    `padded` has `PAD` bytes that belong to no field at both ends. `points` (n,) may say where the decimal points
    seem to stand; it is believed only where it fits. The caller finds out which field is wrong.
    """
    if len(starts) == 0:
        return np.empty(0)
    signed = padded[starts]
    negative = signed == 45
    first = starts + (negative | (signed == 43))
    words = np.ndarray((len(padded) - 7,), "<u8", padded.data, 0, (1,))
    if points is not None:
        value = _usual(words, first, ends, points)
        if value is not None:
            return np.negative(value, out=value, where=negative)
    return _any(padded, words, starts, first, ends, negative)


def _usual(
    words: npt.NDArray[np.uint64], first: Indices, ends: Indices, points: Indices
) -> npt.NDArray[np.float64] | None:
    """Sizes of fields that all have one to eight digits before their point and at most eight behind; else None."""
    whole, fraction = points - first, ends - points - 1
    most, last = int(fraction.max()), int(fraction.min())
    if whole.min() < 1 or whole.max() > 8 or last < 0 or most > 8:
        return None
    low, good = _eight_digits(_masked(words[points - 8], _KEEP_LAST[whole]))
    keep = _KEEP_FIRST[fraction] if most > last else _KEEP_FIRST[most]
    tail, also_good = _eight_digits(_masked(words[points + 1], keep))
    if not (good & also_good).all():
        return None
    low *= _E8
    low += tail
    return low / 1e8 if int(low.max()) < _EXACT else None


def _any(
    padded: Bytes,
    words: npt.NDArray[np.uint64],
    starts: Indices,
    first: Indices,
    ends: Indices,
    negative: npt.NDArray[np.bool_],
) -> npt.NDArray[np.float64] | None:
    """Values of fields of any length, with or without a point; those with an exponent are read one by one."""
    dots, has_dot = _dots(padded, starts, ends)
    whole = dots - first
    fraction = ends - dots - has_dot
    simple = (whole >= 0) & (whole <= 16) & (fraction >= 0) & (fraction <= 8) & (whole + fraction > 0)
    np.clip(whole, 0, 16, out=whole)
    low, good = _eight_digits(_masked(words[dots - 8], _KEEP_LAST[np.minimum(whole, 8)]))
    simple &= good
    tail, good = _eight_digits(
        _masked(words[np.minimum(dots + has_dot, len(words) - 1)], _KEEP_FIRST[np.clip(fraction, 0, 8)])
    )
    simple &= good
    high, good = _eight_digits(_masked(words[np.maximum(dots - 16, 0)], _KEEP_LAST[np.maximum(whole - 8, 0)]))
    # With more than eight digits before the point there is no room for digits behind it.
    simple &= good & ((high == 0) | (fraction == 0)) & (high < U64(90_000_000))
    numerator = low * _E8 + tail
    simple &= (numerator < _EXACT) | (high != 0)
    value = np.where(high == 0, numerator / 1e8, (high * _E8 + low).astype(np.float64))
    np.negative(value, out=value, where=negative)
    hard = np.flatnonzero(~simple)
    return value if len(hard) == 0 else _one_by_one(padded, starts, ends, hard, value)


def _dots(padded: Bytes, starts: Indices, ends: Indices) -> tuple[Indices, Indices]:
    """Where each field's first point stands (its end if it has none), and 1 or 0 for having one."""
    at = np.flatnonzero(padded == 46)
    if len(at) == 0:
        return ends.copy(), np.zeros(len(ends), np.intp)
    following = np.searchsorted(at, starts)
    candidate = at[np.minimum(following, len(at) - 1)]
    has = (candidate >= starts) & (candidate < ends)
    return np.where(has, candidate, ends), has.astype(np.intp)


def _masked(words: npt.NDArray[np.uint64], keep: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    words = words & keep
    words |= ~keep & _ZEROS
    return words


def _eight_digits(x: npt.NDArray[np.uint64]) -> tuple[npt.NDArray[np.uint64], npt.NDArray[np.bool_]]:
    """Value of eight ASCII digits, first digit in the lowest byte, and whether all eight are digits."""
    above = U64(0xF0F0F0F0F0F0F0F0)
    good = ((x & above) | (((x + U64(0x0606060606060606)) & above) >> U64(4))) == U64(0x3333333333333333)
    v = x - _ZEROS
    v = v * U64(10) + (v >> U64(8))
    pairs = U64(0x000000FF000000FF)
    v = ((v & pairs) * U64(0x000F424000000064) + ((v >> U64(16)) & pairs) * U64(0x0000271000000001)) >> U64(32)
    return v, good


def _one_by_one(
    padded: Bytes, starts: Indices, ends: Indices, which: Indices, value: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64] | None:
    buffer = padded.tobytes()
    for i, start, end in zip(which.tolist(), starts[which].tolist(), ends[which].tolist()):
        number = plain_decimal(buffer[start:end].decode("latin-1"))
        if number is None:
            return None
        value[i] = number
    return value
