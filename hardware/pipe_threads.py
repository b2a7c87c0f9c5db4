"""Taper pipe threads by the relations of ASME B1.20.1, from outside diameter, threads per inch and hand engagement.

`E0 = D - (0.05 D + 1.1) p`, `E1 = E0 + L1/16`, `L2 = (0.8 D + 6.8) p`; taper 1 in 16 on the diameter. Outside diameters
and L1 are from memory; E1, L2 and threads per inch were compared with a published table.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

MM_PER_INCH = 25.4
TAPER = 1.0 / 16.0
HALF_ANGLE_DEG = math.degrees(math.atan(TAPER / 2.0))


@dataclass(frozen=True)
class PipeThread:
    """One size. Inches where the name says so, as the standard has them."""

    size: str
    outside_in: float
    threads_per_inch: int
    hand_engagement_in: float
    """L1."""

    @property
    def pitch_in(self) -> float:
        """p."""
        return 1.0 / self.threads_per_inch

    @property
    def pitch_diameter_small_end_in(self) -> float:
        """E0, at the small end of the external thread."""
        return self.outside_in - (0.05 * self.outside_in + 1.1) * self.pitch_in

    @property
    def pitch_diameter_gauge_in(self) -> float:
        """E1, at the gauge notch: the mouth of the internal thread."""
        return self.pitch_diameter_small_end_in + self.hand_engagement_in * TAPER

    @property
    def effective_length_in(self) -> float:
        """L2, of the external thread."""
        return (0.8 * self.outside_in + 6.8) * self.pitch_in

    @property
    def turns_by_hand(self) -> float:
        """Turns until hand tight."""
        return self.hand_engagement_in * self.threads_per_inch


THREADS = (
    PipeThread("1/8 NPT", 0.405, 27, 0.1615),
    PipeThread("1/4 NPT", 0.540, 18, 0.2278),
    PipeThread("3/8 NPT", 0.675, 18, 0.240),
)

DRILLS_MM = {
    "#60": 1.016,
    "#56": 1.1811,
    "1/16": 1.5875,
    "#52": 1.6129,
    "#47": 1.9939,
    "#40": 2.4892,
    "#31": 3.048,
    "1/8": 3.175,
    "3/16": 4.7625,
    "1/4": 6.35,
}
"""Drill sizes of the inch series, mm; numbered sizes from memory."""


def thread_table() -> list[list[str]]:
    """Header and one row a size, lengths in mm."""
    rows = [
        ["thread", "outside mm", "threads per inch", "pitch mm", "E0 mm", "E1 mm", "L1 mm", "L2 mm", "turns by hand"]
    ]
    for thread in THREADS:
        lengths = (
            thread.pitch_in,
            thread.pitch_diameter_small_end_in,
            thread.pitch_diameter_gauge_in,
            thread.hand_engagement_in,
            thread.effective_length_in,
        )
        pitch, e0, e1, l1, l2 = (f"{MM_PER_INCH * value:.3f}" for value in lengths)
        outside = f"{MM_PER_INCH * thread.outside_in:.3f}"
        rows.append(
            [thread.size, outside, str(thread.threads_per_inch), pitch, e0, e1, l1, l2, f"{thread.turns_by_hand:.1f}"]
        )
    return rows


def drill_table() -> list[list[str]]:
    """The nearest inch drill for each metric opening, and what it does to the area."""
    rows = [["wanted mm", "nearest inch drill", "its mm", "area off by %"]]
    for wanted in (1.0, 1.5, 2.0, 2.5, 3.0, 5.0):
        name, size = min(DRILLS_MM.items(), key=lambda item: abs(item[1] - wanted))
        rows.append([f"{wanted:.1f}", name, f"{size:.3f}", f"{100 * ((size / wanted) ** 2 - 1):+.1f}"])
    return rows
