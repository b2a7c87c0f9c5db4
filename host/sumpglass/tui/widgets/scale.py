"""The chart's scale: steps of 1, 2 and 5 in the unit shown; it grows at once, shrinks late, and says when it moved."""

from __future__ import annotations

import math
from dataclasses import dataclass

SHRINK_AFTER_S = 10.0
"""Everything shown must have fitted the smaller step for so long before it shrinks: a scale must not breathe."""
OTHER_SIDE = 0.2
"""The side of zero with less on it gets at least this share of the other, so that zero is never at the edge."""
MOVED_SHOWN_S = 6.0


def step_up(size: float) -> float:
    """Least of 1, 2, 5 times a power of ten that is not below `size` (> 0)."""
    power = 10.0 ** math.floor(math.log10(size))
    for factor in (1.0, 2.0, 5.0, 10.0):
        if factor * power >= size * (1 - 1e-9):
            return factor * power
    return 10.0 * power


@dataclass(frozen=True)
class Span:
    """What the chart reaches, in pascals: `vacuum_pa` below the zero line, `pressure_pa` above it, both positive."""

    vacuum_pa: float
    pressure_pa: float


class Scale:
    """Chooses the span. `update` is told what is visible and the time; `moved_s` is when the span last changed."""

    def __init__(self, unit_pa: float = 1000.0, least_pa: float = 50.0) -> None:
        self._unit_pa = unit_pa
        self._least_pa = least_pa
        self._fits_since: float | None = None
        self.span = Span(0.0, 0.0)
        self.moved_s = -math.inf
        self._updated_s = -math.inf
        self._chosen = False

    def set_unit(self, unit_pa: float) -> None:
        """Steps are round in the unit shown, so another unit starts the choice again."""
        self._unit_pa = unit_pa
        self.restart()

    def restart(self) -> None:
        """Choose anew from the next data: another unit, another source, a seek."""
        self._chosen = False

    def stand_in(self, span: Span) -> None:
        """What the chart reaches before there is any data."""
        if not self._chosen:
            self.span = span

    def wanted(self, low_pa: float, high_pa: float) -> Span:
        """The span for data from `low_pa` to `high_pa`, with a tenth to spare."""
        vacuum = self._step(max(0.0, -low_pa))
        pressure = self._step(max(0.0, high_pa))
        return Span(max(vacuum, OTHER_SIDE * pressure), max(pressure, OTHER_SIDE * vacuum))

    def _step(self, size_pa: float) -> float:
        if size_pa * 1.1 <= self._least_pa * OTHER_SIDE:
            return self._least_pa * OTHER_SIDE
        return step_up(max(size_pa * 1.1, self._least_pa) / self._unit_pa) * self._unit_pa

    def update(self, low_pa: float, high_pa: float, now_s: float) -> bool:
        """True when the span moved, which calls for a whole redraw. After a jump in time it is chosen anew."""
        wanted = self.wanted(low_pa, high_pa)
        span = self.span
        jumped = not 0 <= now_s - self._updated_s < SHRINK_AFTER_S
        self._updated_s = now_s
        if not self._chosen or (jumped and wanted != span):
            self._chosen = True
            self._move(wanted, -math.inf)
            return True
        if wanted.vacuum_pa > span.vacuum_pa or wanted.pressure_pa > span.pressure_pa:
            grown = Span(max(wanted.vacuum_pa, span.vacuum_pa), max(wanted.pressure_pa, span.pressure_pa))
            self._move(grown, now_s)
            return True
        if wanted == span:
            self._fits_since = None
            return False
        if self._fits_since is None:
            self._fits_since = now_s
        if now_s - self._fits_since < SHRINK_AFTER_S:
            return False
        self._move(wanted, now_s)
        return True

    def _move(self, span: Span, now_s: float) -> None:
        self.span = span
        self._fits_since = None
        self.moved_s = now_s

    def just_moved(self, now_s: float) -> bool:
        """True for a few seconds after a move, while the chart's title says so."""
        return 0 <= now_s - self.moved_s < MOVED_SHOWN_S
