"""What just happened, newest on top: a sentence, its time, sizes before and after. It stays until it is seen."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sumpglass.records import Happening, Mark
from sumpglass.report.terminal_text import safe
from sumpglass.tui.widgets.lines import Line, LineWidget, rule
from sumpglass.tui.words import ago, clock, sentence, sizes

KEPT = 500
MANY_WITHDRAWN = 3


@dataclass
class Entry:
    """One line of the list: a happening or a mark, the letter that stands on the strip, whether it was seen."""

    letter: str
    what: Happening | Mark
    seen: bool = False
    order: int = 0


class HappeningsList(LineWidget):
    """`put_happening` and `put_mark` as they come; `see` all of them; `scroll_by` rows."""

    def __init__(self, unit: str = "kPa", **options: Any) -> None:
        super().__init__(**options)
        self.unit = unit
        self.now_s = 0.0
        self._entries: dict[str, Entry] = {}
        self._top = 0
        self._capitals = self._smalls = 0

    def clear(self) -> None:
        """Forget everything (a seek)."""
        self._entries.clear()
        self._top = self._capitals = self._smalls = 0
        self.update_lines()

    def put_happening(self, happening: Happening) -> tuple[Entry, bool]:
        """Add or revise; returns its entry and whether it is new."""
        key = f"h{happening.key}"
        entry = self._entries.get(key)
        if entry is not None:
            entry.what = happening
            return entry, False
        entry = Entry(chr(65 + self._capitals % 26), happening)
        self._capitals += 1
        self._add(key, entry)
        return entry, True

    def put_mark(self, key: str, mark: Mark) -> tuple[Entry, bool]:
        """Add a mark or give it its name; returns its entry and whether it is new."""
        entry = self._entries.get(key)
        if entry is not None:
            entry.what = mark
            return entry, False
        entry = Entry(chr(97 + self._smalls % 26), mark, seen=True)
        self._smalls += 1
        self._add(key, entry)
        return entry, True

    def _add(self, key: str, entry: Entry) -> None:
        entry.order = self._capitals + self._smalls
        self._entries[key] = entry
        if len(self._entries) > KEPT:
            del self._entries[next(iter(self._entries))]

    @property
    def unseen(self) -> int:
        """Happenings not yet seen, withdrawn ones left out."""
        return sum(1 for entry in self._entries.values() if not entry.seen and not _withdrawn(entry))

    def see(self) -> None:
        """The person has seen all of them."""
        for entry in self._entries.values():
            entry.seen = True
        self.update_lines()

    def scroll_by(self, rows: int) -> None:
        """Towards older (positive) or newer ones."""
        self._top = max(0, min(self._top + rows, len(self._entries) - 1))
        self.update_lines()

    def lines(self, width: int, height: int) -> Sequence[Line]:
        unseen = self.unseen
        title = rule("what happened", width, f"{unseen} new, s: seen" if unseen else "", "alert")
        body: list[Line] = []
        entries = sorted(self._entries.values(), key=lambda entry: (entry.what.t_s, entry.order), reverse=True)
        for run in _runs(entries[self._top :]):
            body += self._run_lines(run, width)
            if len(body) >= height:
                break
        if not entries:
            body = [((" nothing yet", "quiet"),)]
        return [title, *body]

    def _run_lines(self, run: list[Entry], width: int) -> list[Line]:
        """A run of withdrawn flags takes one line, so that a doubtful moment does not fill the list."""
        if len(run) < MANY_WITHDRAWN:
            return [line for entry in run for line in self._entry_lines(entry, width)]
        letters = "".join(entry.letter for entry in reversed(run))
        text = f"{len(run)} flags {ago(self.now_s - run[-1].what.t_s)}"
        return [
            (
                (" ", "plain"),
                (letters[: width - 30], "struck"),
                (" ", "plain"),
                (text, "struck"),
                (" withdrawn", "quiet"),
            )
        ]

    def _entry_lines(self, entry: Entry, width: int) -> list[Line]:
        what = entry.what
        if isinstance(what, Mark):
            name = safe(what.text, 120)
            name = "mark" if name in ("", "note") else name.removeprefix("note ")
            origin = {"board": ", button on the rig", "script": ", script"}.get(what.origin, "")
            texts = textwrap.wrap(f"{clock(what.t_s)} {name}{origin}", max(8, width - 4)) or [""]
            return [((" ", "plain"), (entry.letter, "mark"), (f" {texts[0]}", "plain"))] + [
                ((f"   {text}", "plain"),) for text in texts[1:3]
            ]
        if what.withdrawn_s is not None:
            text = sentence(what, self.now_s)
            room = max(8, width - 14)
            text = text if len(text) <= room else text[: room - 1] + "…"
            return [
                ((" ", "plain"), (entry.letter, "quiet"), (" ", "plain"), (text, "struck"), (" withdrawn", "quiet"))
            ]
        tone = "quiet" if entry.seen else "strong"
        texts = textwrap.wrap(sentence(what, self.now_s), max(8, width - 4))
        lines: list[Line] = [((" ", "plain"), (entry.letter, "quiet" if entry.seen else "badge"),
                              (" ", "plain"), (texts[0], tone))]  # fmt: skip
        lines += [(("   ", "plain"), (text, tone)) for text in texts[1:]]
        detail = f"{clock(what.t_s)}  {sizes(what, self.unit)}"
        lines += [((f"   {text}", "quiet"),) for text in textwrap.wrap(detail, max(8, width - 4))]
        return lines


def _runs(entries: list[Entry]) -> list[list[Entry]]:
    """Withdrawn flags in a row together, everything else by itself."""
    runs: list[list[Entry]] = []
    for entry in entries:
        if runs and _withdrawn(entry) and _withdrawn(runs[-1][-1]):
            runs[-1].append(entry)
        else:
            runs.append([entry])
    return runs


def _withdrawn(entry: Entry) -> bool:
    return isinstance(entry.what, Happening) and entry.what.withdrawn_s is not None
