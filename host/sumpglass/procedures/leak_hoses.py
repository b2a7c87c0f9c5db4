"""What a hose of which nothing is told makes of a series: the readings behind a few groups of likely hoses."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from sumpglass.procedures.openings import Reading, Room, flow_shift_pa

GROUPS = 3
"""Groups of hoses that drive about the same flow."""
REACH = 0.5
"""Share of the way to the hoses beside a group, as one standard deviation."""
SLIGHT = 0.3
"""A hose that shifts no reading by more than this share of its standard uncertainty is as good as none."""


def hoses_of(readings: Sequence[Reading], room: Room) -> list[tuple[list[Reading], float]]:
    """The readings as they would be behind the middle hose of each group, with the group's share of all hoses.

    How the hoses of a group differ from it is an error of the flow that all readings share. Hoses that change next to
    nothing are left out, so that their share is missing from the sum. Empty where the hose is known.
    """
    told = [i for i, r in enumerate(readings) if len(r.hose_shapes_pa) and r.vacuum_pa is not None]
    if not told:
        return []
    shifts_pa = np.array([_shifts_pa(readings[i], room) for i in told]).T
    u_pa = np.array([readings[i].u_pa for i in told])
    size = (shifts_pa / u_pa).sum(axis=1)
    order = np.argsort(size)
    matters = np.abs(shifts_pa / u_pa).max(axis=1) > SLIGHT
    order = order[matters[order]]
    found = []
    for group in _groups(order, size):
        middle = int(group[len(group) // 2])
        others = np.delete(shifts_pa[group] - shifts_pa[middle], len(group) // 2, axis=0) / math.sqrt(
            max(len(group) - 1.0, 1.0)
        )
        # Hoses in between are as likely: the group reaches halfway to the hoses beside it.
        first = int(np.flatnonzero(order == group[0])[0])
        beside = [order[k] for k in (first - 1, first + len(group)) if 0 <= k < len(order)]
        others = np.concatenate([others, REACH * (shifts_pa[beside] - shifts_pa[middle])])
        behind = list(readings)
        for column, i in enumerate(told):
            r = readings[i]
            behind[i] = replace(r, shape_pa=r.hose_shapes_pa[middle], shared_pa=others[:, column])
        found.append((behind, len(group) / len(shifts_pa)))
    return found


def _groups(order: npt.NDArray[np.intp], size: np.ndarray) -> list[npt.NDArray[np.intp]]:
    """Hoses in the order of the flow that they drive, in groups of which none is much wider than the others: the one
    that spreads most is halved at its widest gap until there are enough."""
    groups = [order] if len(order) else []
    while 0 < len(groups) < GROUPS:
        widest = max(range(len(groups)), key=lambda i: float(np.var(size[groups[i]]) * len(groups[i])))
        group = groups[widest]
        if len(group) < 2:
            break
        cut = 1 + int(np.argmax(np.diff(size[group])))
        groups[widest : widest + 1] = [group[:cut], group[cut:]]
    return groups


def _shifts_pa(reading: Reading, room: Room) -> np.ndarray:
    assert reading.vacuum_pa is not None
    return flow_shift_pa(reading.vacuum_pa, reading.shape_pa, list(reading.hose_shapes_pa), room)
