"""The board's settings as they come in pieces among its frames: a recording then carries how its rig was built."""

from __future__ import annotations

import json
from typing import Any

from sumpglass.decode.items import Message
from sumpglass.records import SensorLine
from sumpglass_wire import layouts as wire

LINE_LIMITS = {"bore_mm": (0.5, 25.0), "length_mm": (0.0, 10_000.0), "volume_mm3": (0.0, 1e6)}
"""Least and greatest of what a channel's `line` tells: bore and length of the gauge hose, gas volume at the sensor."""


class SettingsReader:
    """Joins the answers to READ_SETTINGS; `settings` is the latest whole set, None before there was one."""

    def __init__(self) -> None:
        self.settings: dict[str, Any] | None = None
        self._text = b""

    def take(self, message: Message) -> None:
        """Any answer of the board; others than pieces of its settings are ignored, and so is what makes no sense."""
        fields = message.fields
        if message.name != "answer" or fields["request_type"] != wire.READ_SETTINGS or "answer" not in fields:
            return
        offset, total = fields["answer"]["offset"], fields["answer"]["total"]
        if offset == 0:
            self._text = b""
        if offset != len(self._text):
            return
        self._text += bytes(fields["data"])
        if len(self._text) != total:
            return
        try:
            found = json.loads(self._text)
        except ValueError:
            return
        if isinstance(found, dict):
            self.settings = found

    def line(self, channel: int) -> SensorLine | None:
        """Hose and volume before the sensor of `channel`, None where the settings do not tell them."""
        channels = self.settings.get("channels") if self.settings is not None else None
        if (
            not isinstance(channels, list)
            or not 0 <= channel < len(channels)
            or not isinstance(channels[channel], dict)
        ):
            return None
        return line_of(channels[channel].get("line"))


def line_of(told: object) -> SensorLine | None:
    """The line of `{"bore_mm": .., "length_mm": .., "volume_mm3": ..}`, None unless all three make sense."""
    if not isinstance(told, dict) or line_problem(told) is not None:
        return None
    return SensorLine(told["bore_mm"] * 1e-3, told["length_mm"] * 1e-3, told["volume_mm3"] * 1e-9)


def line_problem(told: dict[str, Any]) -> str | None:
    """What is wrong with a `line`, as the end of a sentence; None if nothing."""
    for name in told:
        if name not in LINE_LIMITS:
            return f"{name}: there is no such entry, expected bore_mm, length_mm and volume_mm3"
    for name, (low, high) in LINE_LIMITS.items():
        if name not in told:
            return f"{name}: is missing, expected bore_mm, length_mm and volume_mm3 together"
        value = told[name]
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
            return f"{name}: found {value!r}, expected a number from {low:g} to {high:g}"
    return None
