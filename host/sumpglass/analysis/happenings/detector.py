"""The causal detector: one class for live, replay and batch."""

from __future__ import annotations

import numpy as np

from sumpglass.analysis.happenings.settings import DetectorSettings, LiveState
from sumpglass.records import FloatArray, Happening


class HappeningDetector:
    """Flags happenings while samples come in; sees only the past."""

    def __init__(self, settings: DetectorSettings) -> None:
        self.settings = settings
        self._happenings: dict[int, Happening] = {}
        self._state = LiveState()

    def feed(self, t_s: FloatArray, pressure_pa: FloatArray) -> list[Happening]:
        """Take samples (n,), any n; returns the happenings that are new or revised, or withdrawn."""
        if len(t_s):
            level = float(np.nanmean(pressure_pa)) - self.settings.zero_pa
            self._state = LiveState(t_s=float(t_s[-1]), level_pa=level, level_u95_pa=10.0, state="undecided")
        return []

    @property
    def state(self) -> LiveState:
        """The latest `LiveState`."""
        return self._state

    def finish(self) -> list[Happening]:
        """No more samples will come: all happenings so far, withdrawn ones too."""
        return list(self._happenings.values())
