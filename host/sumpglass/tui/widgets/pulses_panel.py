"""Pulses: engine speed, evenness, and a small spectrum with the firing line marked."""

from __future__ import annotations

from collections.abc import Sequence

from sumpglass.tui.widgets.lines import Line, LineWidget, rule
from sumpglass.workflows.live import Pulses

_EIGHTHS = " ▁▂▃▄▅▆▇█"


def speed_words(pulses: Pulses) -> str:
    """Engine speed in words with no more digits than its uncertainty allows."""
    if pulses.engine == "stopped":
        return "engine stopped"
    if pulses.rpm is not None:
        if pulses.rpm_u95:
            return f"{pulses.rpm:.0f} ± {max(1.0, pulses.rpm_u95):.0f} rpm"
        return f"{pulses.rpm:.0f} rpm"
    if pulses.firing_hz is not None:
        return f"firing {pulses.firing_hz:.1f} Hz"
    return "no pulses"


class PulsesPanel(LineWidget):
    """`show` the newest pulses."""

    pulses = Pulses()

    def show(self, pulses: Pulses) -> None:
        """Draw them."""
        self.pulses = pulses
        self.update_lines()

    def lines(self, width: int, height: int) -> Sequence[Line]:
        pulses = self.pulses
        lines: list[Line] = [rule("pulses", width)]
        parts: list[tuple[str, str]] = [(" ", "plain"), (speed_words(pulses), "strong")]
        if pulses.rpm is not None and pulses.firing_hz is not None:
            parts.append((f"   firing {pulses.firing_hz:.1f} Hz", "quiet"))
        if pulses.uneven is not None:
            text, tone = ("uneven: one cylinder blows by more", "alert") if pulses.uneven else ("even", "plain")
            if sum(len(piece) for piece, _ in parts) + len(text) + 3 > width and height > 5:
                lines.append(tuple(parts))
                parts = [(" ", "plain"), (text, tone)]
            else:
                parts.append((f"   {text}", tone))
        lines.append(tuple(parts))
        rows = height - len(lines) - 1
        if rows >= 2:
            lines += self._spectrum(width - 2, rows)
        return lines

    def _spectrum(self, columns: int, rows: int) -> list[Line]:
        bars, top_hz, largest = self._bars(columns)
        if not bars or largest <= 0:
            return [((" no spectrum yet", "quiet"),)]
        lines: list[Line] = []
        firing = self.pulses.firing_hz
        firing_at = None if firing is None or firing >= top_hz else int(firing / top_hz * columns)
        if firing_at is not None:
            # The line may lie on the edge of two columns: it is the higher of them.
            near = range(max(0, firing_at - 1), min(columns, firing_at + 2))
            firing_at = max(near, key=lambda column: bars[column])
        for row in range(rows):
            level = rows - row - 1
            text = "".join(_EIGHTHS[max(0, min(8, round(bar / largest * rows * 8) - level * 8))] for bar in bars)
            if firing_at is None:
                lines.append(((" ", "plain"), (text, "quiet")))
            else:
                lines.append(((" ", "plain"), (text[:firing_at], "quiet"), (text[firing_at], "vacuum"),
                              (text[firing_at + 1 :], "quiet")))  # fmt: skip
        left = "0 Hz"
        axis = [" "] * columns
        axis[: len(left)] = left
        end = f"{top_hz:.0f} Hz"
        axis[columns - len(end) :] = end
        if firing_at is not None:
            label = "▲firing"
            at = min(firing_at, columns - len(label))
            if at > len(left) and at + len(label) < columns - len(end):
                axis[at : at + len(label)] = label
        lines.append(((" ", "plain"), ("".join(axis[:columns]), "quiet")))
        return lines

    def _bars(self, columns: int) -> tuple[list[float], float, float]:
        """Greatest amplitude in each column, the frequency at the right end, the greatest of all. Zero is left out."""
        spectrum, step = self.pulses.spectrum_pa, self.pulses.spectrum_step_hz
        if len(spectrum) < 4:
            return [], 0.0, 0.0
        firing = self.pulses.firing_hz
        top_hz = min(len(spectrum) * step, max(60.0, 20.0 * round((firing or 30.0) * 3.3 / 20.0)))
        bars = []
        for column in range(columns):
            low = int(column * top_hz / columns / step)
            high = max(low + 1, int((column + 1) * top_hz / columns / step))
            bars.append(max(spectrum[max(1, low) : max(2, high)], default=0.0))
        return bars, top_hz, max(bars)
