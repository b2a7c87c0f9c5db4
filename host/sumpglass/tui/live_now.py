"""The newest of everything that the feed told, kept on the screen's thread for whoever draws it."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

from sumpglass.tui.widgets.history import History
from sumpglass.tui.widgets.tail import Tail
from sumpglass.workflows.live import (
    Ended,
    LiveEvent,
    MarkNow,
    Playing,
    Pulses,
    Reading,
    Restarted,
    RigHealth,
    Samples,
)

Listener = Callable[[list[LiveEvent]], None]


class LiveNow:
    """The newest of everything, and who wants to hear of it. Lives on the screen's thread."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self.clock = clock
        self.history = History()
        self._tail = Tail()
        self.pulses = Pulses()
        self.health = RigHealth()
        self.playing: Playing | None = None
        self.ended: Ended | None = None
        self.last_t_s = 0.0
        self.last_mark: MarkNow | None = None
        self.arrived: float | None = None
        self._reading = Reading()
        self._listeners: list[Listener] = []

    @property
    def reading(self) -> Reading:
        """The newest reading with its age now, by our own clock: a feed that hangs must not look alive. In a replay
        the age is that within the recording, which the feed tells."""
        if self.arrived is None or self.playing is not None:
            return self._reading
        return replace(self._reading, age_s=self.clock() - self.arrived)

    def subscribe(self, listener: Listener) -> Callable[[], None]:
        """Call `listener` with every batch of events; returns what ends that."""
        self._listeners.append(listener)
        return lambda: self._listeners.remove(listener) if listener in self._listeners else None

    def take(self, events: list[LiveEvent]) -> None:
        """A batch from the feed."""
        for event in events:
            if isinstance(event, Samples):
                if len(event.t_s):
                    self.history.add(event.t_s, event.pressure_pa, event.low_pa, event.high_pa)
                    self._tail.add(event.t_s, event.pressure_pa)
                    self.last_t_s = float(event.t_s[-1])
                    self.arrived = self.clock()
            elif isinstance(event, Reading):
                self._reading = event
            elif isinstance(event, Pulses):
                self.pulses = event if event.spectrum_pa else replace(event, **self._tail.spectrum())
            elif isinstance(event, RigHealth):
                self.health = event
            elif isinstance(event, Playing):
                self.playing = event
            elif isinstance(event, MarkNow):
                self.last_mark = event
            elif isinstance(event, Ended):
                self.ended = event
            elif isinstance(event, Restarted):
                self._restart()
        for listener in list(self._listeners):
            listener(events)

    def _restart(self) -> None:
        self.history.clear()
        self._tail = Tail()
        self.arrived = self.ended = self.last_mark = None
        self._reading, self.pulses, self.last_t_s = Reading(), Pulses(), 0.0
