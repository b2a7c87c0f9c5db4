"""Counts to pascals, as the board's identity message tells for each channel."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from sumpglass.decode.items import Bins, Samples
from sumpglass.records import SensorFacts, Zero
from sumpglass_wire import layouts as wire

FloatArray = npt.NDArray[np.floating]
SHIFT_2 = 32768
"""Unsigned converters of 16 bits are sent shifted down by this; a ratio needs counts and reference shifted back."""
NO_READING = {2: wire.NO_READING_2, 4: wire.NO_READING_4}
TABLE_PAYS = 1 << 17
"""From so many samples on, a table of all 65536 counts is worth making although the next reference voids it."""
FEW = 512
"""Of so few counts plain Python finds the ends as fast as numpy, whose code a program that has waited finds cold."""
MOST_A_COUNT_PA, MOST_OFFSET_PA = 1e20, 1e30
"""Below these every count of 32 bits is a finite pressure in single precision."""
MOST_ZERO_PA = 1e6
"""A zero beyond this is nonsense, and left out."""
ZERO_EFFECTIVE_SAMPLES = 50
"""A board tells a zero's standard deviation, not its count: its mean rests on so many independent samples."""


@dataclass(frozen=True)
class ScaledBlock:
    """Pressures of one item: `pressure_pa` (f, n) float32 with NaN for no reading, and how many of them are clipped.

    The other three are None but for bins, where they are (1, n): least, greatest, mean square about zero gauge.
    """

    pressure_pa: FloatArray
    clipped: int
    low_pa: FloatArray | None = None
    high_pa: FloatArray | None = None
    mean_square_pa2: FloatArray | None = None


@dataclass(frozen=True)
class ChannelScale:
    """One channel of one identity message. All the computations of WIRE.md's `transfer` are here."""

    channel: int
    quantity: str
    ratiometric: bool
    width: int
    rate_hz: float
    decimation: int
    offset: float
    scale: float
    range_low: float
    range_high: float
    resolution: float
    counts_low: int
    counts_high: int
    part: str
    zero_counts: float = field(compare=False)
    zero_sd_counts: float = field(compare=False)
    zero_age_s: float | None = field(compare=False)
    """The zero does not change what a count means, so two scales that differ in it alone are equal."""

    @classmethod
    def of(cls, fields: dict[str, Any]) -> ChannelScale:
        """From one of the `channels` of an identity message."""
        age = fields["zero_age_s"]
        return cls(
            channel=fields["channel"],
            quantity=wire.QUANTITIES.get(fields["quantity"], "unknown"),
            ratiometric=fields["transfer"] == 2,
            width=fields["width"],
            rate_hz=fields["rate_millihertz"] / 1000.0,
            decimation=fields["decimation"],
            offset=fields["offset"],
            scale=fields["scale"],
            range_low=_one_nan(fields["range_low"]),
            range_high=_one_nan(fields["range_high"]),
            resolution=_one_nan(fields["resolution"]),
            counts_low=fields["counts_low"],
            counts_high=fields["counts_high"],
            zero_counts=fields["zero_counts"],
            zero_sd_counts=fields["zero_sd_counts"],
            zero_age_s=None if age == wire.UNKNOWN_AGE else float(age),
            part=fields["part"],
        )

    def needs_reference(self) -> bool:
        """True when counts mean nothing without the reference channel's."""
        return self.ratiometric

    def line(self, reference_counts: int | None) -> tuple[float, float]:
        """(a, b) of value = a * counts + b, counts as sent. NaN where a reference is needed and there is none."""
        if not self.ratiometric:
            return self.scale, -self.offset * self.scale
        if reference_counts is None or reference_counts == wire.NO_REFERENCE:
            return math.nan, math.nan
        shift = SHIFT_2 if self.width == 2 else 0
        reference = reference_counts + shift
        if reference <= 0:
            return math.nan, math.nan
        return self.scale / reference, (shift / reference - self.offset) * self.scale

    @cached_property
    def _table(self) -> FloatArray:
        """Where no reference moves it; at hand without a step, as a live stream wants it."""
        return _table(*self.line(None))

    def samples(self, item: Samples, reference_counts: int | None) -> ScaledBlock:
        """Pressures of full-rate blocks."""
        return ScaledBlock(*self.pressures(item.counts, reference_counts))

    def pressures(self, counts: npt.NDArray[np.signedinteger], reference_counts: int | None) -> tuple[FloatArray, int]:
        """Pressures (f, n) of counts (f, n), NaN for no reading, and how many of them are clipped."""
        size = counts.dtype.itemsize
        if size == 2 and not self.ratiometric:
            # Negative numbers count from the table's end.
            pressure = self._table.take(counts)
        elif size == 2 and counts.size >= TABLE_PAYS:
            pressure = _table(*self.line(reference_counts)).take(counts)
        else:
            pressure = _pascals(counts, *self.line(reference_counts))
        clipped = 0
        if counts.size < FEW:
            plain = counts.tolist()
            least, most = min(map(min, plain)), max(map(max, plain))
        else:
            least, most = int(counts.min()), int(counts.max())
        if least <= self.counts_low or most >= self.counts_high:
            rail = (counts <= self.counts_low) | (counts >= self.counts_high)
            clipped = int(np.count_nonzero(rail & (counts != NO_READING[size])))
        return pressure, clipped

    def bins(self, item: Bins, reference_counts: int | None) -> ScaledBlock:
        """Pressures of one block of bins."""
        a, b = self.line(reference_counts)
        with np.errstate(invalid="ignore", over="ignore"):
            return self._bins(item, a, b)

    def _bins(self, item: Bins, a: float, b: float) -> ScaledBlock:
        mean = item.mean.astype(np.float64) * a + b
        ends = np.stack([item.least.astype(np.float64), item.greatest.astype(np.float64)])
        none = item.least == NO_READING[item.width]
        clipped = int(np.count_nonzero(((ends[0] <= self.counts_low) | (ends[1] >= self.counts_high)) & ~none))
        ends = ends * a + b
        ends[:, none] = np.nan
        mean[none] = np.nan
        square = item.mean_square.astype(np.float64) * a * a + mean**2
        mean, ends = mean.astype(np.float32), ends.astype(np.float32)
        # A board that tells nonsense of its sensor gives no reading, not an infinite one.
        for values in (mean, square, ends):
            values[~np.isfinite(values)] = np.nan
        return ScaledBlock(
            mean[None, :], clipped, ends.min(axis=0)[None, :], ends.max(axis=0)[None, :], square[None, :]
        )

    def facts(self) -> SensorFacts:
        """What the identity tells of the sensor; NaN becomes None."""

        def known(value: float) -> float | None:
            return value if math.isfinite(value) else None

        return SensorFacts(
            self.part or "unknown", known(self.range_low), known(self.range_high), known(self.resolution)
        )

    def zero(self, reference_counts: int | None) -> Zero | None:
        """The zero that the board holds, or None. The board never subtracts it."""
        a, b = self.line(reference_counts)
        value = self.zero_counts * a + b
        if not abs(value) < MOST_ZERO_PA:
            return None
        spread = abs(self.zero_sd_counts * a) if math.isfinite(self.zero_sd_counts) else 0.0
        step = self.resolution if math.isfinite(self.resolution) else 0.0
        u95 = 2.0 * math.hypot(spread / math.sqrt(ZERO_EFFECTIVE_SAMPLES), step / math.sqrt(12.0))
        return Zero(value, u95, self.zero_age_s)


@lru_cache(maxsize=8)
def _table(a: float, b: float) -> FloatArray:
    """(65536,) pascals of every 16-bit count, by the count as an unsigned number: cheaper than to compute."""
    return np.roll(_pascals(np.arange(-32768, 32768, dtype=np.int16), a, b), -32768)


def _pascals(counts: npt.NDArray[np.signedinteger], a: float, b: float) -> FloatArray:
    """a * counts + b rounded once to single precision, NaN for no reading."""
    with np.errstate(invalid="ignore", over="ignore"):
        pressure = np.multiply(counts, a, dtype=np.float64)
        pressure += b
        single = pressure.astype(np.float32)
    if not (abs(a) < MOST_A_COUNT_PA and abs(b) < MOST_OFFSET_PA):
        # A board that tells nonsense of its sensor gives no reading, not an infinite one.
        single[~np.isfinite(single)] = np.nan
    single[counts == NO_READING[counts.dtype.itemsize]] = np.nan
    return single


def _one_nan(value: float) -> float:
    """`value`, every NaN as one and the same object, so that fields with it compare equal."""
    return math.nan if math.isnan(value) else value
