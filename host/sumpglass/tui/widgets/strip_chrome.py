"""What stands around the strip: its title, the lane of flags, the labels at its side, the axis of time. Text only."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from sumpglass.tui.widgets.scale import Span, step_up
from sumpglass.tui.widgets.strip_cells import Rows

GUTTER = 10
"""Columns of the labels at the left."""
Piece = tuple[str, str]
"""Text and the name of its tone."""


@dataclass(frozen=True)
class Flag:
    """A letter on the strip: a happening (capital) or a mark (small letter)."""

    key: str
    t_s: float
    letter: str
    kind: str
    """"happening", "mark" or "withdrawn"."""


def title(width: int, window: str, span: Span, unit: str, unit_pa: float, held: bool, moved: bool) -> list[Piece]:
    """The window's name in a rule, and the scale, or what is unusual, at its right end."""
    left = f" {window} "
    scale = f"vacuum to {span.vacuum_pa / unit_pa:.4g}, pressure to {span.pressure_pa / unit_pa:.4g} {unit}"
    note, tone = f" {scale} ", "quiet"
    if held:
        note, tone = " STANDS STILL, recording goes on ", "alert"
    elif moved:
        note, tone = f" scale moved: {scale} ", "alert"
    note = note[: max(0, width - len(left) - 4)]
    rule = "─" * max(0, width - len(left) - len(note) - 3)
    return [("──", "quiet"), (left, "title"), (rule, "quiet"), (note, tone), ("─", "quiet")]


def flag_lane(flags: Iterable[Flag], column_of: Callable[[float], int], columns: int) -> list[Piece]:
    """Letters above their columns; those that would fall on each other stand side by side."""
    lane: list[Piece] = [(" ", "quiet")] * columns
    ordered = sorted(flags, key=lambda flag: (flag.kind == "withdrawn", flag.t_s, flag.letter))
    for flag in ordered:
        at = column_of(flag.t_s)
        if not 0 <= at < columns:
            continue
        if flag.kind == "withdrawn":
            # What was taken back stays where there is room, and pushes nothing aside.
            if lane[at][0] == " ":
                lane[at] = (flag.letter, flag.kind)
            continue
        while at < columns - 1 and lane[at][0] != " ":
            at += 1
        lane[at] = (flag.letter, flag.kind)
    return [(" " * GUTTER, "quiet"), *lane]


def grid_labels(place: Rows, span: Span, unit_pa: float) -> dict[int, str]:
    """Rows with a line of the grid, and the size written beside each; the same step on both sides of zero."""
    labels: dict[int, str] = {}
    step_pa = step_up(2.5 * place.pa_per_row / unit_pa) * unit_pa
    for end_pa, sign in ((span.vacuum_pa, -1), (span.pressure_pa, 1)):
        for number in range(1, 1 + math.floor(end_pa / step_pa * 1.001)):
            row = math.floor(place.y(sign * number * step_pa) - (1e-6 if sign < 0 else 0))
            if 0 <= row < place.rows and abs(row - place.zero_row) > 1:
                labels[row] = f"{number * step_pa / unit_pa:.4g}"
    return labels


def gutter(row: int, place: Rows, labels: dict[int, str]) -> Piece:
    """The label of one row; the words beside the zero line tell the sides apart without colour."""
    if row == place.zero_row:
        return f"{'0':>{GUTTER - 2}} ┣", "title"
    word = {place.zero_row - 1: "pressure", place.zero_row + 1: "vacuum"}.get(row, labels.get(row, ""))
    return f"{word:>{GUTTER - 2}} ┃"[:GUTTER], "quiet"


def time_axis(columns: int, cell_s: float, window_s: float, behind_s: float) -> str:
    """Round ages under their columns. `behind_s`: how far a held strip's right end lies back."""
    line = [" "] * columns
    steps = 4 if columns >= 60 else 2
    for number in range(steps, 0, -1):
        back = window_s * number / steps
        label = "╵" + _ago(back + behind_s)
        at = columns - 1 - round(back / cell_s)
        if at >= 0:
            line[at : at + len(label)] = label
    end = "now╵" if behind_s < 1 else f"{_ago(behind_s)}╵"
    line[columns - len(end) :] = end
    return " " * GUTTER + "".join(line[:columns])


def _ago(seconds: float) -> str:
    return f"{seconds:.0f} s ago" if seconds < 100 else f"{seconds / 60:.1f} min ago".replace(".0 ", " ")
