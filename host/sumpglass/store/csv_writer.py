"""Recordings to CSV: every time and pressure with as many digits as give the same number back."""

from __future__ import annotations

import csv
import io
from bisect import bisect_left
from typing import IO, Any

import numpy as np

from sumpglass.records import Mark, Recording

ROWS_A_WRITE = 1 << 14


def write_csv(recording: Recording, out: IO[Any]) -> list[str]:
    """Write `t_s,pressure_pa,mark` (and the bins' own columns); returns warnings. `out` must keep line ends.

    A mark stands in the row of the first sample at or after it (the last row if there is none); several marks of one
    row would not come back apart, so the later ones go to the next free rows. Rows without a reading are left out.
    """
    good = ~np.isnan(recording.pressure_pa)
    t_s, pressure = recording.t_s[good], recording.pressure_pa[good]
    placed, moved = place_marks(t_s, recording.marks)
    extra = {
        name: values[good]
        for name, values in (
            ("low_pa", recording.pressure_low_pa),
            ("high_pa", recording.pressure_high_pa),
            ("mean_square_pa2", recording.mean_square_pa2),
        )
        if values is not None
    }
    out.write(",".join(["t_s", "pressure_pa", "mark", *extra]) + "\n")
    rows = sorted(placed)
    for at in range(0, len(t_s), ROWS_A_WRITE):
        stop = min(at + ROWS_A_WRITE, len(t_s))
        texts = [""] * (stop - at)
        for row in rows[bisect_left(rows, at) : bisect_left(rows, stop)]:
            texts[row - at] = _field(placed[row].text)
        columns = [[repr(t) for t in t_s[at:stop].tolist()], _texts(pressure[at:stop]), texts]
        columns += [_texts(values[at:stop]) for values in extra.values()]
        out.write("".join(",".join(row) + "\n" for row in zip(*columns, strict=True)))
    warnings = []
    if len(good) != len(t_s):
        warnings.append(f"{len(good) - len(t_s)} rows without a reading (sensor at fault) are left out of the CSV.")
    if moved:
        warnings.append(f"{moved} marks are moved in time by more than one sample: CSV keeps one mark a row.")
    return warnings


def place_marks(t_s: np.ndarray, marks: tuple[Mark, ...]) -> tuple[dict[int, Mark], int]:
    """Row of each mark, and how many are further than two samples from their time."""
    placed: dict[int, Mark] = {}
    moved = 0
    for mark in marks:
        wanted = min(int(np.searchsorted(t_s, mark.t_s)), len(t_s) - 1)
        row = wanted
        while row in placed and row < len(t_s) - 1:
            row += 1
        while row in placed and row > 0:
            row -= 1
        placed[row] = mark
        moved += abs(row - wanted) > 1
    return placed, moved


def _texts(values: np.ndarray) -> list[str]:
    """Shortest texts that give the same numbers back, in the precision of `values`."""
    if values.dtype == np.float32:
        return values.astype("U24").tolist()
    return [repr(value) for value in values.tolist()]


def _field(text: str) -> str:
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="").writerow(["", text])
    return buffer.getvalue()[1:]
