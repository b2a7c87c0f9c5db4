"""What the search for a fault shows: the suspects with bars, the test to make and why, and what each reading did."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

from sumpglass.faults.finding import Finding
from sumpglass.faults.layout import Layout, LayoutTest
from sumpglass.procedures.trade_test import CAUTIONS, SEARCH_CAUTIONS
from sumpglass.report.fault_text import bar, shift_lines, verdict_sentence, why_sentence
from sumpglass.report.happening_words import percent
from sumpglass.report.layout_picture import marks_of
from sumpglass.report.layout_text import layout_drawing, legend_lines
from sumpglass.report.terminal_text import safe
from sumpglass.tui.widgets.beside_level import SIDE, SIDE_ROWS, alarm_lines
from sumpglass.tui.widgets.cautions import CautionPages
from sumpglass.tui.widgets.lines import Line, LineWidget, rule

LEAST_LABEL = 16
UNREAD = "Acknowledge the cautions first: y"


class LayoutList(LineWidget):
    """The layouts to choose from."""

    def __init__(self, layouts: Sequence[Layout], **options: Any) -> None:
        super().__init__(**options)
        self._layouts = list(layouts)
        self._at = 0

    @property
    def chosen(self) -> Layout:
        """The layout under the pointer."""
        return self._layouts[self._at]

    def choose(self, way: int) -> None:
        """Move the pointer."""
        self._at = (self._at + way) % len(self._layouts)
        self.update_lines()

    def lines(self, width: int, height: int) -> Sequence[Line]:
        lines: list[Line] = [rule("find the fault: which engine is it like?", width - SIDE)]
        for number, layout in enumerate(self._layouts):
            pointer, tone = ("▶ ", "mark") if number == self._at else ("  ", "plain")
            room = (width if number + 1 >= SIDE_ROWS else width - SIDE) - 4
            title = textwrap.shorten(safe(layout.title), room, placeholder=" …")
            lines.append(((pointer, "strong"), (f" {title} ", tone)))
        lines.append(())
        drawing = layout_drawing(self.chosen)
        if len(lines) + len(drawing) <= height and max(map(len, drawing)) <= width:
            lines += [((row, "plain"),) for row in drawing]
        return lines


class FaultPane(LineWidget):
    """Draws a finding. `chosen` is the test that the next reading is for: the advised one unless another was chosen."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self._layout: Layout | None = None
        self._finding: Finding | None = None
        self._refused: tuple[str, ...] = ()
        self._offers: list[LayoutTest] = []
        self._at = 0
        self._waiting = False
        self._drawing = False
        self._note = ""
        self._stop = ""
        self._pages = CautionPages()
        self.cautions_read = False

    @property
    def chosen(self) -> LayoutTest | None:
        """The test that a reading would be taken for now; None while there is none, or cautions are unread."""
        return self._offers[self._at] if self.cautions_read and self._offers and not self._waiting else None

    def begin(self, layout: Layout) -> None:
        """A new search on this layout."""
        self._layout, self._finding, self._offers, self._at, self._note = layout, None, [], 0, ""
        self.update_lines()

    def wait(self) -> None:
        """The weighing is under way."""
        self._waiting = True
        self.update_lines()

    def show(self, finding: Finding, refused: Sequence[str]) -> None:
        """Draw a finding."""
        self._finding, self._refused, self._waiting, self._at = finding, tuple(refused), False, 0
        self._offers = [prospect.test for prospect in finding.prospects]
        self.update_lines()

    def say(self, words: str) -> None:
        """A line at the foot."""
        self._note = words
        self.update_lines()

    @property
    def stopped(self) -> bool:
        """Whether a stop call stands."""
        return bool(self._stop)

    def call_stop(self, words: str) -> None:
        """Stand large until it is taken back with no words: "why: what to do now"."""
        if words != self._stop:
            self._stop = words
            self.update_lines()

    def choose(self, way: int) -> None:
        """Another test than the advised one."""
        if self._offers:
            self._at = (self._at + way) % len(self._offers)
            self.update_lines()

    def acknowledge(self) -> None:
        """The cautions that are shown have been read; those that found no room come next."""
        if not self._pages.turn():
            self.cautions_read = True
            self._note = "" if self._note == UNREAD else self._note
        self.update_lines()

    def turn(self) -> None:
        """Between the words and the drawing."""
        self._drawing = not self._drawing
        self.update_lines()

    def lines(self, width: int, height: int) -> Sequence[Line]:
        layout, finding = self._layout, self._finding
        if layout is None:
            return []
        title = textwrap.shorten(safe(layout.title), max(20, width - SIDE - 8), placeholder=" …")
        lines: list[Line] = [rule(title, width - SIDE)]
        if self._stop:
            return [*lines, *alarm_lines("STOP", self._stop, width, height)][:height]
        if not self.cautions_read:
            return self._cautions(lines, width, height)
        if finding is None:
            return [*lines, (("  weighing ...", "quiet"),)]
        lines += self._suspects(finding, width)
        if not self._drawing:
            lines += self._advice(layout, finding, width)
        rest = height - len(lines) - 2
        picture = self._picture(layout, finding, width)
        more = picture if self._drawing else self._story(layout, finding, width)
        if rest > 0:
            lines += more[:rest] if self._drawing else more[-rest:]
        if not self._drawing and len(more) + 1 + len(layout_drawing(layout)) <= rest:
            # what is left of a tall terminal shows where the suspect sits, with as much of the legend as fits
            lines += [(), *picture][: rest - len(more)]
        lines += [()] * max(0, height - len(lines) - 1)
        return [*lines[: height - 1], ((f" {self._note}"[:width], "alert"),)]

    def _cautions(self, lines: list[Line], width: int, height: int) -> list[Line]:
        words = textwrap.wrap("Read the cautions, then say that you have", width - SIDE - 2)
        lines += [(), *(((f" {row}", "strong"),) for row in words)]
        lines += [()] * (SIDE_ROWS - len(lines))
        cautions = [CAUTIONS[name] for name in SEARCH_CAUTIONS]
        lines += self._pages.lines(cautions, width, height - len(lines) - 1)
        lines += [()] * max(0, height - len(lines) - 1)
        return [*lines, ((f" {self._note}"[:width], "alert"),)]

    def _suspects(self, finding: Finding, width: int) -> list[Line]:
        labels = {fault.id: safe(fault.label) for fault in finding.layout.faults}
        cells = 12 if width < 100 else 20
        narrow = width - SIDE - cells - 12 < LEAST_LABEL
        # Where no name would find room beside the level, they stand below it.
        lines: list[Line] = [()] * (SIDE_ROWS - 1) if narrow else []
        for number, (name, p) in enumerate(finding.ranking[: 3 if narrow else SIDE_ROWS - 1]):
            tone = "strong" if number == 0 else "plain" if p >= 0.05 else "quiet"
            room = width - cells - 12 - (0 if narrow else SIDE)
            label = textwrap.shorten(labels[name], room, placeholder=" …")
            lines.append(
                (
                    (f" {percent(p):>6} ", tone),
                    (bar(p, cells), "vacuum" if number == 0 else "faint"),
                    (f"  {label}", tone),
                )
            )
        return lines

    def _advice(self, layout: Layout, finding: Finding, width: int) -> list[Line]:
        lines: list[Line] = [rule("weighing ..." if self._waiting else verdict_sentence(finding), width)]
        test = self._offers[self._at] if self._offers else None
        if test is None:
            return [*lines, ((" No test is left.", "quiet"),)]
        prospect = finding.prospects[self._at]
        advised = finding.next is not None and prospect.test.id == finding.next.test.id
        head = "NEXT" if advised else "INSTEAD" if finding.next is not None else "NOT NEEDED"
        lines += [((f" {row}", "strong"),) for row in textwrap.wrap(f"{head}: {safe(test.label)}", width - 2)]
        lines.append(((f" {test.minutes:g} min of work, {prospect.gain_bits:.2f} bits expected", "quiet"),))
        why = f"Why: {why_sentence(layout, finding.split)}" if advised else ""
        return lines + [((f" {row}", "plain"),) for row in textwrap.wrap(why, width - 2)]

    def _story(self, layout: Layout, finding: Finding, width: int) -> list[Line]:
        lines: list[Line] = [rule("what each reading did", width)] if finding.shifts else []
        for shift in finding.shifts:
            head, *changes = shift_lines(layout, shift)
            lines += [((f" {row}", "plain"),) for row in textwrap.wrap(head, width - 2)]
            lines += [((f"  {row}"[:width], "quiet"),) for row in changes]
        for warning in finding.warnings:
            lines += [((f" {row}", "alert"),) for row in textwrap.wrap(safe(warning, 400), width - 2)]
        if self._refused:
            lines.append(((f" refused: {', '.join(self._refused)}"[:width], "quiet"),))
        return lines

    def _picture(self, layout: Layout, finding: Finding, width: int) -> list[Line]:
        marks = marks_of(layout, finding.ranking[0][0])
        rows = [*layout_drawing(layout, marks), *legend_lines(layout, marks)]
        return [((row[:width], "strong" if "!" in row or "SUSPECTED" in row else "plain"),) for row in rows]
