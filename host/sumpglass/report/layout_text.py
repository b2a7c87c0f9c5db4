"""A layout for a terminal: a drawing in box characters with numbered passages and lettered seals, and its legend."""

from __future__ import annotations

from sumpglass.faults.layout import ROOM, Layout
from sumpglass.report.layout_picture import (
    Marks,
    Place,
    lines_of,
    node_words,
    places_of,
    range_words,
    seal_letters,
)
from sumpglass.report.terminal_text import safe

BOX_WIDTH = 15
COLUMN = 21
ROW = 6
_JOIN = {
    frozenset(ways): sign
    for ways, sign in zip(
        ("lr", "ud", "rd", "ld", "ru", "lu", "lrd", "lru", "rud", "lud", "lrud", "l", "r", "u", "d"), "─│┌┐└┘┬┴├┤┼──││"
    )
}
"""Box character by the ways that meet in a cell: left, right, up, down."""


def layout_text(layout: Layout, marks: Marks | None = None) -> str:
    """The drawing, its legend, the faults and the tests, as text."""
    marks = marks or Marks()
    lines = [safe(layout.title), "", *layout_drawing(layout, marks), "", *legend_lines(layout, marks), "", "Faults:"]
    lines += [f"  {100 * fault.prior:>4.0f} %  {safe(fault.label)} ({fault.id})" for fault in layout.faults]
    lines += ["", "Tests:"]
    lines += [f"  {test.minutes:>4g} min  {safe(test.label)} ({test.id})" for test in layout.tests]
    return "\n".join(lines) + "\n"


def layout_drawing(layout: Layout, marks: Marks | None = None) -> list[str]:
    """The drawing alone: about 80 columns wide for four columns of nodes."""
    marks = marks or Marks()
    places = places_of(layout)
    left, top = min(x for x, _ in places.values()), min(y for _, y in places.values())

    def cell(place: Place) -> tuple[int, int]:
        return round((place[0] - left) * COLUMN) + BOX_WIDTH // 2, round((place[1] - top) * ROW) + 3

    canvas = _Canvas()
    badges = []
    for line in lines_of(layout, places):
        whole = [cell(p) for p in line.corners]
        canvas.trace(whole)
        label = ",".join(str(number) for number in line.numbers)
        ids = {layout.edges[number - 1].id for number in line.numbers}
        if ids & marks.suspected:
            label = f"!{label}!"
        elif ids <= marks.stopped:
            label = f"x{label}x"
        badges.append((cell(line.badge), f"({label}>)" if line.one_way else f"({label})"))
    letters = seal_letters(layout)
    for node, place in places.items():
        own = [_seal_sign(letters.get(seal.id, ""), seal.id, marks) for seal in layout.seals if seal.node == node]
        _box(canvas, cell(place), node, own, marks)
    for (x, y), label in badges:
        canvas.write(x - len(label) // 2, y, label)
    return canvas.rows()


def legend_lines(layout: Layout, marks: Marks) -> list[str]:
    """What the numbers and letters stand for; suspected parts carry the word."""
    letters = seal_letters(layout)
    parts = [(str(n), edge.id, edge.label, edge.cda_mm2) for n, edge in enumerate(layout.edges, start=1)]
    parts += [(letters.get(seal.id, ""), seal.id, seal.label, seal.cda_mm2) for seal in layout.seals]
    lines = []
    for sign, part, label, area in parts:
        state = "  <- SUSPECTED" if part in marks.suspected else "  (stopped up)" if part in marks.stopped else ""
        lines.append(f"  {sign:>2}  {safe(label)}, {range_words(*area)}{state}")
    if marks.tap is not None:
        lines.append(f"   G  gauge at {node_words(marks.tap)}")
    return lines


def _seal_sign(letter: str, seal: str, marks: Marks) -> str:
    if seal in marks.suspected:
        return f"!{letter}!"
    return f"x{letter}x" if seal in marks.stopped else letter


def _box(canvas: _Canvas, centre: tuple[int, int], node: str, seals: list[str], marks: Marks) -> None:
    x, y = centre[0] - BOX_WIDTH // 2, centre[1]
    bad = node in marks.suspected
    edge = "═" if bad else "─"
    words = node_words(node)[: BOX_WIDTH - 2]
    if bad:
        words = f"!{words}!"[: BOX_WIDTH - 2]
    if node == marks.tap:
        words = f"{words[: BOX_WIDTH - 4]} G"
    if node in marks.opened:
        words = f"{words[: BOX_WIDTH - 4]} o"
    canvas.write(x, y - 1, "┌" + edge * (BOX_WIDTH - 2) + "┐")
    canvas.write(x, y, "│" + words.center(BOX_WIDTH - 2) + "│")
    foot = " ".join(seals)[: BOX_WIDTH - 4]
    canvas.write(x, y + 1, "└" + (f" {foot} " if foot and node != ROOM else "").center(BOX_WIDTH - 2, edge) + "┘")


class _Canvas:
    """Characters by place; lines are traced first, boxes and words written over them."""

    def __init__(self) -> None:
        self._ways: dict[tuple[int, int], set[str]] = {}
        self._signs: dict[tuple[int, int], str] = {}

    def trace(self, corners: list[tuple[int, int]]) -> None:
        for (ax, ay), (bx, by) in zip(corners, corners[1:]):
            if ay == by:
                for x in range(min(ax, bx), max(ax, bx) + 1):
                    self._ways.setdefault((x, ay), set()).update(
                        ({"l"} if x > min(ax, bx) else set()) | ({"r"} if x < max(ax, bx) else set())
                    )
            else:
                for y in range(min(ay, by), max(ay, by) + 1):
                    self._ways.setdefault((ax, y), set()).update(
                        ({"u"} if y > min(ay, by) else set()) | ({"d"} if y < max(ay, by) else set())
                    )

    def write(self, x: int, y: int, words: str) -> None:
        for n, sign in enumerate(words):
            self._signs[(x + n, y)] = sign

    def rows(self) -> list[str]:
        signs = {place: _JOIN.get(frozenset(ways), " ") for place, ways in self._ways.items()} | self._signs
        shift = min(0, min(x for x, _ in signs))
        first, last = min(y for _, y in signs), max(y for _, y in signs)
        rows = []
        for y in range(first, last + 1):
            row = {x - shift: sign for (x, at), sign in signs.items() if at == y}
            rows.append("".join(row.get(x, " ") for x in range(max(row, default=-1) + 1)).rstrip())
        return rows
