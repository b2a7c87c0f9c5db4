"""Lost frames, repeated frames and board resets from the frames' sequence numbers and times."""

from __future__ import annotations

from collections import deque
from enum import IntEnum

import numpy as np
import numpy.typing as npt

MODULUS = 65536
REMEMBERED = 64
"""A frame with the sequence number and the time of one of so many before it is that frame again."""
FAR_BACK_US = 120_000_000
"""Times of good frames are not quite in order (a block bears the time of its first sample), but never out by this."""

MOST_FRAMES_A_US = 2e-3
"""No board sends more than so many frames: a gap that says otherwise is a reset, not a loss."""


class Verdict(IntEnum):
    """What a frame is, seen after those before it."""

    NEW = 0
    REPEATED = 1
    AFTER_RESET = 2


class SequenceKeeper:
    """Follows one sender's sequence numbers; `lost` counts the frames that are missing so far."""

    def __init__(self) -> None:
        self.lost = 0
        self._last: tuple[int, int] | None = None
        self._recent: deque[tuple[int, int]] = deque(maxlen=REMEMBERED)

    def forget(self) -> None:
        """Start anew, as after the port was opened again: whatever comes next is no loss."""
        self._last = None
        self._recent.clear()

    def take(self, sequence: int, time_us: int) -> Verdict:
        """Judge one frame and count what is missing before it."""
        now = (sequence, time_us)
        if self._last is None:
            self._keep(now)
            return Verdict.NEW
        step = (sequence - self._last[0]) % MODULUS
        back_us = self._last[1] - time_us
        if step == 1 and back_us <= FAR_BACK_US:
            self._last = now
            self._recent.append(now)
            return Verdict.NEW
        if now in self._recent:
            return Verdict.REPEATED
        too_many = step - 1 > REMEMBERED - back_us * MOST_FRAMES_A_US
        if back_us > FAR_BACK_US or (back_us > 0 and step >= MODULUS // 2) or too_many:
            self._recent.clear()
            self._keep(now)
            return Verdict.AFTER_RESET
        if step == 0:
            # The same number with another time: a whole turn of the numbers was lost, or one frame was sent twice
            # with a new time. Nothing tells them apart; the data are taken, nothing is counted.
            self._keep(now)
            return Verdict.NEW
        self.lost += step - 1
        self._keep(now)
        return Verdict.NEW

    def take_many(self, sequences: npt.NDArray[np.int64], times_us: npt.NDArray[np.int64]) -> npt.NDArray[np.int8]:
        """`take` for (n,) frames at once; the same verdicts, but only irregular frames are looked at one by one."""
        n = len(sequences)
        verdicts = np.zeros(n, np.int8)
        if n == 0:
            return verdicts
        odd = np.ones(n, bool)
        odd[1:] = ((sequences[1:] - sequences[:-1]) % MODULUS != 1) | (times_us[:-1] - times_us[1:] > FAR_BACK_US)
        if self._last is not None:
            odd[0] = (sequences[0] - self._last[0]) % MODULUS != 1 or self._last[1] - times_us[0] > FAR_BACK_US
        done = 0
        for at in np.flatnonzero(odd).tolist():
            if at < done:
                continue
            self._keep_many(sequences, times_us, done, at)
            done = at
            while done < n:
                verdict = self.take(int(sequences[done]), int(times_us[done]))
                verdicts[done] = verdict
                done += 1
                if verdict != Verdict.REPEATED:
                    break
            else:
                break
            # In step again: what follows until the next odd frame is regular.
        self._keep_many(sequences, times_us, done, n)
        return verdicts

    def _keep(self, now: tuple[int, int]) -> None:
        self._last = now
        self._recent.append(now)

    def _keep_many(
        self, sequences: npt.NDArray[np.int64], times_us: npt.NDArray[np.int64], start: int, stop: int
    ) -> None:
        if stop > start:
            first = max(start, stop - REMEMBERED)
            self._recent.extend(zip(sequences[first:stop].tolist(), times_us[first:stop].tolist()))
            self._last = self._recent[-1]
