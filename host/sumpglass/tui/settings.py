"""Settings of the dashboard, from the command line."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ScreenOptions:
    """How the dashboard begins; most of it can be changed by a key."""

    unit: str = "kPa"
    light: bool = False
    braille: bool = True
    muted: bool = False
    watch_only: bool = False
    """A second screen that may not set marks or start tests."""
    redraws_hz: float = 20.0
