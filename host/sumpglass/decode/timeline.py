"""One running time in seconds from the first sample, across resets of the board's clock."""

from __future__ import annotations

UNKNOWN_GAP_S = 1.0
"""Where the board started anew and nothing tells how long it was away, this is assumed, and said."""


class Timeline:
    """Board microseconds to seconds from the start of the recording. The board's own pace; drift is applied later."""

    def __init__(self) -> None:
        self.runs: list[tuple[int, float]] = []
        """(board_us, t_s) at which each run of the board begins in this recording."""
        self.unknown_gaps = 0
        self._pending = True
        self._end_s = 0.0
        self._end_received_s: float | None = None

    @property
    def started(self) -> bool:
        """True once a first sample has set the origin."""
        return bool(self.runs)

    def reset(self) -> None:
        """The board's clock begins anew with the next sample."""
        self._pending = True

    def t_s(self, board_us: int) -> float:
        """Seconds of a moment of the board's present run; before the first sample it counts from that moment."""
        if not self.runs:
            return 0.0
        origin_us, base_s = self.runs[-1]
        return base_s + (board_us - origin_us) * 1e-6

    def board_us(self, t_s: float) -> int:
        """The inverse of `t_s`, in the run that holds this moment."""
        origin_us, base_s = next((run for run in reversed(self.runs) if run[1] <= t_s), self.runs[0])
        return origin_us + round((t_s - base_s) * 1e6)

    def place(self, first_us: int, last_us: int, received_s: float | None) -> float:
        """To be told of every block's first and last sample, in order; the seconds of the first."""
        if self._pending:
            self._begin(first_us, received_s)
        origin_us, base_s = self.runs[-1]
        last_s = base_s + (last_us - origin_us) * 1e-6
        if last_s > self._end_s:
            self._end_s = last_s
        self._end_received_s = received_s
        return base_s + (first_us - origin_us) * 1e-6

    def _begin(self, first_us: int, received_s: float | None) -> None:
        self._pending = False
        if not self.runs:
            self.runs.append((first_us, 0.0))
            return
        gap = UNKNOWN_GAP_S
        if received_s is not None and self._end_received_s is not None:
            gap = max(received_s - self._end_received_s, 1e-3)
        else:
            self.unknown_gaps += 1
        self.runs.append((first_us, self._end_s + gap))
