"""Are two set-ups alike enough to compare their readings? Names the condition that differs."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

TOLERANCES: dict[str, tuple[float, float]] = {
    "rpm": (0.0, 0.05),
    "firing_hz": (0.0, 0.05),
    "oil_c": (10.0, 0.0),
    "room_c": (10.0, 0.0),
    "room_kpa": (2.0, 0.0),
    "opening_mm": (0.02, 0.0),
    "hose_m": (0.05, 0.1),
    "manifold_kpa": (2.0, 0.05),
}
"""Greatest difference, absolute and relative, that is still the same: common practice, no source."""


def unlike(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    """Sentences that name each condition which differs, or which only one of the two states. [] if none does."""
    differing = []
    for name in sorted(set(before) | set(after)):
        words = name.replace("_", " ")
        if name not in before or name not in after:
            if name == "firing_hz":
                continue  # Seen by the detector only; its lack is no difference of the set-up.
            which = "before" if name in before else "after"
            differing.append(f"{words} is known {which} only")
            continue
        first, second = before[name], after[name]
        numbers = all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in (first, second))
        if numbers:
            absolute, relative = TOLERANCES.get(name, (1e-9, 0.0))
            if abs(first - second) > absolute + relative * max(abs(first), abs(second)):
                differing.append(f"{words} was {first:g} before and {second:g} after")
        elif first != second:
            differing.append(f"{words} was {first!s} before and {second!s} after")
    return differing
