"""Head, foot and key bar: where the data comes from, whether the rig is well, and what each key does."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from textual.events import Click

from sumpglass.report.terminal_text import safe
from sumpglass.tui.widgets.lines import Line, LineWidget, Piece
from sumpglass.tui.words import clock
from sumpglass.workflows.live import Playing, RigHealth

LOW_DISK_BYTES = 500_000_000
OLD_ZERO_S = 1800.0


def troubles(health: RigHealth) -> list[str]:
    """Each item that is not well, with what to do, the worst first."""
    found = []
    if health.trouble:
        found.append(safe(health.trouble))
    if health.disk_free_bytes is not None and health.disk_free_bytes < LOW_DISK_BYTES and health.recording:
        found.append(f"disk nearly full, {size_words(health.disk_free_bytes)} left: make room")
    if health.clipped_share > 0.001:
        found.append(f"clipped {health.clipped_share * 100:.1f} % of the last seconds: fit a snubber or a wider sensor")
    if health.samples_overrun:
        found.append(f"{health.samples_overrun} samples overrun on the board: lower its rate")
    if health.frames_lost or health.frames_damaged:
        found.append(f"{health.frames_lost} frames lost, {health.frames_damaged} damaged: check cable and plug")
    if health.samples_late:
        found.append(f"{health.samples_late} samples late: the board is busy, lower its rate")
    if health.zero_known and health.zero_age_s is not None and health.zero_age_s > OLD_ZERO_S:
        found.append(f"zero is {health.zero_age_s / 60:.0f} min old: open the hose to the room and zero again")
    return found


def size_words(size: int) -> str:
    """Bytes as MB or GB."""
    return f"{size / 1e9:.0f} GB" if size >= 1e10 else f"{size / 1e9:.1f} GB" if size >= 1e9 else f"{size / 1e6:.0f} MB"


class RigLine(LineWidget):
    """One line: quiet while all is well, else what is wrong and what to do."""

    health: RigHealth | None = None
    """None until the feed has told: nothing is called well that nobody has looked at."""

    def show(self, health: RigHealth) -> None:
        """Draw it."""
        self.health = health
        self.update_lines()

    def lines(self, width: int, height: int) -> Sequence[Line]:
        health = self.health
        if health is None:
            return [((" opening ...", "quiet"),)]
        wrong = troubles(health)
        if wrong:
            more = f"  (and {len(wrong) - 1} more)" if len(wrong) > 1 else ""
            room = max(10, width - len(more) - 4)
            text = wrong[0] if len(wrong[0]) <= room else wrong[0][: room - 1] + "…"
            return [((" ", "plain"), (" ! ", "badge"), (f" {text}{more}", "alert"))]
        return [(((" " + "  ·  ".join(self._quiet(health, width)))[:width], "quiet"),)]

    @staticmethod
    def _quiet(health: RigHealth, width: int) -> list[str]:
        items = ["rig well"]
        if health.rate_hz:
            items.append(f"{health.rate_hz:.0f} Hz")
        items.append("none lost, late or clipped")
        if health.zero_known:
            age = "" if health.zero_age_s is None else f" {_minutes(health.zero_age_s)} old"
            items.append(f"zero{age}")
        else:
            items.append("not zeroed")
        if health.disk_free_bytes is not None and health.recording:
            items.append(f"{size_words(health.disk_free_bytes)} free")
        if health.source:
            items.insert(1, safe(health.source, 40))
        while len(items) > 1 and len("  ·  ".join(items)) + 2 > width:
            items.pop(1 if len(items) > 4 else -1)
        return items


def _minutes(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 90 else f"{seconds / 60:.0f} min"


class HeadLine(LineWidget):
    """Name, LIVE or REPLAY with its speed, what is being watched, and the file that is being written."""

    def __init__(self, mode: str = "LIVE", subject: str = "", **options: Any) -> None:
        super().__init__(**options)
        self.mode = mode
        self.subject = subject
        self.playing: Playing | None = None
        self.recording: str | None = None
        self.elapsed_s = 0.0
        self.note = ""
        self.muted = False
        self.watchers: int | None = None

    def lines(self, width: int, height: int) -> Sequence[Line]:
        mode, tone = self.mode, "badge"
        if self.playing is not None:
            playing = self.playing
            state = "PAUSED" if playing.paused else f"{playing.speed:g}x"
            mode = f"REPLAY {state}"
            right = f"{clock(playing.t_s)} of {clock(playing.duration_s)}"
        elif self.recording:
            path = safe(self.recording, 200)
            if len(path) > width // 2:  # the name is what tells it from others, not the folder
                path = "…/" + re.split(r"[/\\]", path)[-1]
            right = f"● {path}  {clock(self.elapsed_s)}"
        else:
            right = "not recorded" + (f"  {clock(self.elapsed_s)}" if self.elapsed_s else "")
        if self.watchers:
            right = f"{self.watchers} watching  " + right
        if self.muted:
            right = "muted  " + right
        if mode == "LIVE":
            tone = "key"
        left = [(" sumpglass ", "title"), (f" {mode} ", tone), (" ", "plain")]
        room = width - sum(len(text) for text, _ in left) - 1
        middle = self.note or safe(self.subject, 80)
        middle_tone = "alert" if self.note else "plain"
        if len(middle) + len(right) + 2 > room:
            if self.note:
                right = ""
            else:
                middle = middle[: max(0, room - len(right) - 2)]
        right = right[-room:] if room > 0 else ""
        gap = max(1, room - len(middle[:room]) - len(right))
        return [(*left, (middle[:room], middle_tone), (" " * gap, "plain"), (right, "quiet"))]


class KeyBar(LineWidget):
    """Keys and what they do; as many as fit, the help key always. A click does what the key does."""

    def __init__(self, keys: Sequence[tuple[str, str, str]] = (), **options: Any) -> None:
        super().__init__(**options)
        self.keys = list(keys)
        """(key shown, word, action), the most wanted first; the last two are always shown."""
        self._spans: list[tuple[int, int, str]] = []

    def lines(self, width: int, height: int) -> Sequence[Line]:
        shown = list(self.keys)
        pad = " " if self._length(shown, 4) <= width else ""
        while len(shown) > 2 and self._length(shown, 2 if not pad else 4) > width:
            shown.pop(-3)
        pieces: list[Piece] = []
        self._spans = []
        at = 0
        for key, word, action in shown:
            start = at
            for text, tone in ((f"{pad}{key}{pad}", "key"), (f" {word}", "quiet"), (" ", "plain")):
                pieces.append((text, tone))
                at += len(text)
            self._spans.append((start, at, action))
        return [tuple(pieces)]

    @staticmethod
    def _length(keys: Sequence[tuple[str, str, str]], extra: int) -> int:
        return sum(len(key) + len(word) + extra for key, word, _ in keys) - 1

    async def on_click(self, event: Click) -> None:
        for start, end, action in self._spans:
            if start <= event.x < end:
                await self.screen.run_action(action)
