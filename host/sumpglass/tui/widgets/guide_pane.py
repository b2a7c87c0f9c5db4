"""What a guided test shows: the step in large type, the condition with its sign, clock, limit, estimate, verdict."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

from sumpglass.procedures.guide_events import GuideEvent, GuideStatus, Paused, ReadingTaken, Resumed, Told
from sumpglass.procedures.trade_test import Step, TradeTest, Verdict
from sumpglass.report.figure_words import figure_name, figure_words
from sumpglass.report.terminal_text import safe
from sumpglass.tui.widgets.beside_level import SIDE, SIDE_ROWS, alarm_lines
from sumpglass.tui.widgets.cautions import CautionPages, caution_lines
from sumpglass.tui.widgets.large_text import large_lines
from sumpglass.tui.widgets.lines import Line, LineWidget, rule
from sumpglass.units import in_words

_STATES = {"good": "GOOD", "fault": "FAULT", "undecided": "UNDECIDED", "told": "RESULT"}


class TestList(LineWidget):
    """The tests with what each is for."""

    __test__ = False

    def __init__(self, tests: Sequence[TradeTest], **options: Any) -> None:
        super().__init__(**options)
        self._tests = list(tests)
        self._at = 0

    @property
    def chosen(self) -> TradeTest:
        """The test under the pointer."""
        return self._tests[self._at]

    def choose(self, way: int) -> None:
        """Move the pointer."""
        self._at = (self._at + way) % len(self._tests)
        self.update_lines()

    def lines(self, width: int, height: int) -> Sequence[Line]:
        lines: list[Line] = [rule("guided tests", width - SIDE)]
        room = max(20, width - SIDE - 4)
        names = max(len(t.title) for t in self._tests)
        for number, test in enumerate(self._tests):
            pointer = number == self._at
            mark, tone = ("▶ ", "mark") if pointer else ("  ", "plain")
            columns = width - 2 if number + 1 >= SIDE_ROWS else width - SIDE
            text = f" {test.title:<{names}} "
            space = columns - len(text) - 3
            why = textwrap.shorten(test.why, space, placeholder=" …") if space >= 24 else ""
            lines.append(((mark, "strong"), (text[: columns - 2], tone), (why, "quiet")))
        lines.append(())
        test = self.chosen
        for words, tone in (
            (test.why, "strong"),
            (f"Set-up: {test.set_up}", "plain"),
            (f"About {test.minutes:g} min. It does not prove: {test.does_not_prove}", "quiet"),
        ):
            lines += [((f" {row}", tone),) for row in textwrap.wrap(words, max(room, width - 4))]
        return lines


class GuidePane(LineWidget):
    """Draws a guide's status; `note` keeps the last few things that were told."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self._test: TradeTest | None = None
        self._status: GuideStatus | None = None
        self._notes: list[str] = []
        self._pages = CautionPages()

    def show(self, test: TradeTest, status: GuideStatus) -> None:
        """Draw it."""
        before = self._status
        if before and before.step and before.step.id == "cautions" and before.step != status.step:
            self._notes = []  # what was said of unread cautions is done with
        if before is None or before.step != status.step:
            self._pages.begin()
        self._test, self._status = test, status
        self.update_lines()

    def turn_page(self) -> bool:
        """Show the cautions that found no room yet. False when all have been shown."""
        step = self._status.step if self._status is not None else None
        if step is None or step.id != "cautions" or not self._pages.turn():
            return False
        self.update_lines()
        return True

    def say(self, words: str) -> None:
        """Add a line to what was told."""
        self._notes = [*self._notes[-4:], words]
        self.update_lines()

    def note(self, event: GuideEvent) -> None:
        """Keep what an event says."""
        if isinstance(event, (Told, Paused, Resumed)):
            self.say(safe(event.words, 200))
        elif isinstance(event, ReadingTaken):
            t = event.taken
            words = f"deeper than {in_words(t.mean_pa)}" if t.bound == "deeper" else in_words(t.mean_pa)
            self.say(f"Taken, {safe(t.name, 40)}: {words}" + ("" if t.bound else f" ± {t.u95_pa / 1000:.2g} kPa"))

    def lines(self, width: int, height: int) -> Sequence[Line]:
        status, test = self._status, self._test
        if status is None or test is None:
            return []
        count = "" if status.step is None else f"step {status.number} of {status.of}: "
        title = count + test.title
        head = rule(title if len(title) + 6 <= width - SIDE else title[: width - SIDE - 7] + "…", width - SIDE)
        body = (
            self._verdict(status.verdict, width, height)
            if status.verdict is not None
            else self._step(status, width, height)
        )
        return [head, *body]

    def _step(self, status: GuideStatus, width: int, height: int) -> list[Line]:
        step = status.step
        if step is None:
            return []
        if status.stop or status.paused:
            return self._alarm(status, width, height)
        # The cautions themselves are what is to be read at the first step, so its own words stand small.
        small = step.id == "cautions"
        words = safe(step.words, 160)
        plain = [(), *_wrapped(words, width - SIDE - 2, "strong"), ()]
        cautions = caution_lines(status.cautions, width)
        lines = self._told(plain if small else self._large(words, width, height, "strong"), status, step, width)
        if not small and len(lines) + len(cautions) > height - 1:
            lines = self._told(plain, status, step, width)  # no letter is worth a caution that is cut off
        lines += self._pages.lines(status.cautions, width, height - 1 - len(lines)) if small else cautions
        if status.estimate:
            lines += [((" so far: ", "quiet"), (status.estimate, "strong"))]
        return self._with_notes(lines, width, height)

    def _told(self, words: list[Line], status: GuideStatus, step: Step, width: int) -> list[Line]:
        """The step's words, what belongs to them, and its condition."""
        lines = [*words, *self._beside(step.detail, width, len(words), "plain")]
        lines += [()] * (SIDE_ROWS - len(lines))
        return [*lines, *self._condition(status, step, width), ()]

    def _large(self, words: str, width: int, height: int, tone: str) -> list[Line]:
        """Large type beside the level where it fits, else under it."""
        beside = large_lines(words, width - SIDE - 2, SIDE_ROWS)
        if len(beside) > 1 and any(c in "".join(beside) for c in "▀▄█"):
            return [((f" {row}", tone),) for row in beside]
        below = large_lines(words, width - 2, max(3, min(12, height - SIDE_ROWS - 9)))
        if any(c in "".join(below) for c in "▀▄█"):
            return [()] * (SIDE_ROWS - 1) + [((f" {row}", tone),) for row in below]
        return [(), *(((f" {row}", tone),) for row in textwrap.wrap(words.upper(), width - SIDE - 2))]

    def _beside(self, words: str, width: int, rows: int, tone: str) -> list[Line]:
        if not words:
            return []
        columns = width - 3 if rows >= SIDE_ROWS else width - SIDE - 2
        return [((f" {row}", tone),) for row in textwrap.wrap(safe(words, 300), columns)]

    def _condition(self, status: GuideStatus, step: Step, width: int) -> list[Line]:
        sign, tone, word = ("[x]", "strong", "seen") if status.condition.met else ("[ ]", "plain", "waiting for")
        wanted = step.condition_words or "press when done"
        lines: list[Line] = [((f" {sign} {word}: ", tone), (safe(wanted, 80), "strong"))]
        if status.condition.words and status.condition.words != wanted:
            rows = textwrap.wrap(safe(status.condition.words, 2 * (width - 12)), width - 12)
            heads = ["     now: ", *["          "] * (len(rows) - 1)]
            lines += [((head, "quiet"), (row, "plain")) for head, row in zip(heads, rows)]
        view = status.view
        facts = []
        if step.settle_s and view is not None:
            facts.append(
                f"flat for {min(view.steady_s, 99):.0f} s, in the step for {view.in_step_s:.0f} s; settling "
                f"should take about {step.settle_s:g} s"
            )
        lines += [((f"     {row}", "quiet"),) for fact in facts for row in textwrap.wrap(fact, width - 6)]
        limit = f"limit {status.limit_pa / 1000:g} kPa either way"
        if status.dead_end_left_s is not None:
            left = max(status.dead_end_left_s, 0.0)
            tone = "alert" if left < 10 else "strong"
            lines.append((("     dead-ended: ", "plain"), (f"{left:.0f} s left", tone), (f"; {limit}", "quiet")))
        else:
            lines.append(((f"     {limit}", "quiet"),))
        return lines

    def _alarm(self, status: GuideStatus, width: int, height: int) -> list[Line]:
        title, words = ("STOP", status.stop) if status.stop else ("WAIT", status.paused)
        return self._with_notes([(), *alarm_lines(title, words, width, height), ()], width, height)

    def _verdict(self, verdict: Verdict, width: int, height: int) -> list[Line]:
        lines: list[Line] = [
            ((f" {row}", "alert" if verdict.state == "fault" else "strong"),)
            for row in large_lines(_STATES[verdict.state], width - SIDE - 2, 6)
        ]
        while len(lines) < SIDE_ROWS:
            lines.append(())
        lines += [((f" {row}", "strong"),) for row in textwrap.wrap(safe(verdict.sentence, 800), width - 3)]
        lines.append(())
        for f in verdict.figures:
            words = figure_words(f.name, f.value, f.lo95, f.hi95, f.unit)
            lines.append(((f"   {figure_name(f.name):<24}"[: width - len(words) - 1], "quiet"), (words, "plain")))
        lines.append(())
        for label, words in (("Next: ", verdict.next_step), ("It does not prove: ", verdict.does_not_prove)):
            if words:
                lines += [((f" {row}", "plain"),) for row in textwrap.wrap(label + safe(words, 400), width - 3)]
        if self._notes:
            lines.append(((f" {self._notes[-1]}"[: width - 1], "strong"),))
        lines += [
            ((f" {row}", "quiet"),)
            for w in verdict.warnings
            for row in textwrap.wrap("Note: " + safe(w, 400), width - 3)
        ]
        return lines

    def _with_notes(self, lines: list[Line], width: int, height: int) -> list[Line]:
        room = height - 1 - len(lines)
        if room < 2:
            return lines
        rows = [row for note in self._notes for row in textwrap.wrap(note, width - 2)][-(room - 1) :]
        return [*lines, *[()] * (room - len(rows)), *(((f" {row}", "quiet"),) for row in rows)]


def _wrapped(words: str, columns: int, tone: str) -> list[Line]:
    return [((f" {row}", tone),) for row in textwrap.wrap(words, columns)]
