"""The dashboard's keys: what is bound, what the bar at the foot shows, and the keys that move a replay."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any, cast

from textual.binding import Binding
from textual.screen import Screen

if TYPE_CHECKING:
    from sumpglass.tui.app import SumpglassApp

SEEK_S = 10.0
SLOWEST, FASTEST = 0.0625, 64.0
LIVE_KEYS = (
    ("space", "mark", "mark"), ("n", "name", "name_mark"), ("u", "unit", "unit"), ("w", "window", "window"),
    ("h", "hold", "hold"), ("s", "seen", "seen"), ("g", "guide", "guide"), ("f", "fault", "find_fault"),
    ("b", "bell", "bell_key"), ("t", "dark/light", "theme"), ("?", "help", "help"), ("q", "quit", "quit_key"),
)  # fmt: skip
REPLAY_KEYS = (
    ("space", "pause", "mark"), ("←→", "seek", "move(1)"), ("-+", "speed", "speed(2.0)"), (".", "step", "step"),
    ("u", "unit", "unit"), ("w", "window", "window"), ("h", "hold", "hold"), ("s", "seen", "seen"),
    ("g", "guide", "guide"), ("f", "fault", "find_fault"),
    ("b", "bell", "bell_key"), ("t", "dark/light", "theme"), ("?", "help", "help"), ("q", "quit", "quit_key"),
)  # fmt: skip
WATCHING_KEYS = tuple(key for key in LIVE_KEYS if key[1] not in ("mark", "name", "guide", "fault"))
BINDINGS = [
    Binding("space", "mark"), Binding("n", "name_mark"), Binding("u", "unit"), Binding("w", "window"),
    Binding("h", "hold"), Binding("s,enter", "seen"), Binding("g", "guide"), Binding("f", "find_fault"),
    Binding("b", "bell_key"), Binding("t", "theme"), Binding("question_mark,f1", "help"), Binding("q", "quit_key"),
    Binding("c", "cells"), Binding("k", "second_screen"),
    Binding("p", "pause"), Binding("left", "move(-1)"), Binding("right", "move(1)"),
    Binding("full_stop", "step"), Binding("plus,equals_sign", "speed(2.0)"), Binding("minus", "speed(0.5)"),
    Binding("home", "to_start"), Binding("up", "list(-1)"), Binding("down", "list(1)"),
]  # fmt: skip


class ReplayKeys(Screen[None]):
    """Pause, step, speed and seek. A key does nothing where there is no replay."""

    @property
    def host(self) -> SumpglassApp:
        """The application, by its own type."""
        return cast("SumpglassApp", self.app)

    @property
    def replaying(self) -> bool:
        """True where time can be moved."""
        return self.host.live.playing is not None

    def keys_shown(self) -> list[tuple[str, str, str]]:
        """What the bar at the foot shows."""
        if self.replaying:
            return list(REPLAY_KEYS)
        return list(WATCHING_KEYS if self.host.options.watch_only else LIVE_KEYS)

    def _play(self, what: Callable[[Any], object], **known: Any) -> None:
        """Do something with the replay, if it is one. `known` is what it will be like then: a second press of the key
        must not start from what was before the first."""
        playing = self.host.live.playing
        if playing is not None:
            self.host.live.playing = replace(playing, **known)
            self.host.ask(what)
            self.playing_changed()

    def playing_changed(self) -> None:
        """Called when a key changed how the replay goes; the dashboard shows it at once."""

    def action_pause(self) -> None:
        """Stand still or go on; at the end, start again."""
        live = self.host.live
        if live.ended is not None:
            live.ended = None
            self._play(lambda feed: (feed.seek(0.0), feed.pause(False)), paused=False)
        elif live.playing is not None:
            paused = not live.playing.paused
            self._play(lambda feed: feed.pause(paused), paused=paused)

    def action_step(self) -> None:
        """A tenth of a second on."""
        self._play(lambda feed: feed.step(), paused=True)

    def seek_by(self, seconds: float) -> None:
        """So many seconds on or back from where the replay stands when its turn comes."""
        self.host.live.ended = None
        self._play(lambda feed: feed.seek(max(0.0, feed.now_s + seconds)))

    def action_to_start(self) -> None:
        """To the first sample."""
        self.host.live.ended = None
        self._play(lambda feed: feed.seek(0.0))

    def action_speed(self, factor: float) -> None:
        """So many times faster."""
        playing = self.host.live.playing
        if playing is not None:
            speed = min(FASTEST, max(SLOWEST, playing.speed * factor))
            self._play(lambda feed: feed.set_speed(speed), speed=speed)
