"""A source that a screen watches, run on a thread of its own so that neither port nor disk ever holds the screen up."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Any, Protocol

from sumpglass.errors import SumpglassError
from sumpglass.workflows.live import Ended, LiveEvent

WAIT_S = 0.02
"""Longest that a poll waits for something to come: what the screen asks of the feed is done after at most so long."""


class Feed(Protocol):
    """Live rig, virtual rig or replay. All of it is called on the feed's thread only.

    One that tells `Playing` also has `pause(paused)`, `step()`, `set_speed(speed)`, `seek(t_s)` and `now_s`.
    """

    mode: str
    """"LIVE", "VIRTUAL" or "REPLAY", shown at the head of the screen."""
    subject: str
    """What is being watched, in words."""

    def poll(self, wait_s: float = 0.0) -> list[LiveEvent]:
        """What came since the last call; waits for it up to `wait_s`."""

    def mark(self, text: str = "") -> object:
        """Set a mark now; it comes back as an event."""

    def name_mark(self, key: str, text: str) -> None:
        """Name an earlier mark; it comes back as an event with the same key."""

    def close(self) -> None:
        """Stop, keep what was recorded."""


class Pump(threading.Thread):
    """Opens a feed, polls it and hands its events over; `ask` runs something on the feed's thread.

    `wake` is called on this thread whenever events wait and the reader has drained the ones before.
    """

    def __init__(self, opener: Callable[[], Feed], wake: Callable[[], object]) -> None:
        super().__init__(name="feed", daemon=True)
        self._opener = opener
        self._wake = wake
        self._events: deque[LiveEvent] = deque()
        self._asked: deque[Callable[[Any], object]] = deque()
        self._signalled = False
        self._ending = threading.Event()
        self.feed: Feed | None = None
        self.error: SumpglassError | None = None
        """Why the feed could not be opened, or stopped."""

    def run(self) -> None:
        told = False
        try:
            self.feed = self._opener()
            self._run(self.feed)
            told = True
        except SumpglassError as error:
            self.error = error
            self._hand_over([Ended(str(error))])
            told = True
        finally:
            # A mistake of ours ends this thread alone; the screen must say so, or the last reading would seem to last.
            if not told:
                self._hand_over([Ended("the feed has failed; what was recorded is kept: leave with q and start again")])
            if self.feed is not None:
                self._close(self.feed)

    def _run(self, feed: Feed) -> None:
        self._signal()
        while not self._ending.is_set():
            while self._asked:
                self._asked.popleft()(feed)
            began = time.monotonic()
            events = feed.poll(WAIT_S)
            if events:
                self._hand_over(events)
            rest = WAIT_S / 2 - (time.monotonic() - began)
            if rest > 0:
                # A feed that returns at once (a replay between two cues) must not turn this loop into a busy one.
                self._ending.wait(rest)
        while self._asked:
            self._asked.popleft()(feed)

    def _close(self, feed: Feed) -> None:
        try:
            feed.close()
        except SumpglassError as error:
            self.error = self.error or error

    def _hand_over(self, events: list[LiveEvent]) -> None:
        self._events.extend(events)
        self._signal()

    def _signal(self) -> None:
        if not self._signalled:
            self._signalled = True
            self._wake()

    def drain(self) -> list[LiveEvent]:
        """Everything that waits. Called by the reader, on its own thread."""
        self._signalled = False
        events = []
        while self._events:
            events.append(self._events.popleft())
        return events

    def ask(self, what: Callable[[Any], object]) -> None:
        """Run `what(feed)` on the feed's thread, soon."""
        self._asked.append(what)

    def stop(self, patience_s: float = 5.0) -> None:
        """End the thread; what was recorded is closed properly first."""
        self._ending.set()
        if self.is_alive():
            self.join(patience_s)
