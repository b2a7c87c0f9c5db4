"""The board's wrapping tick counter as 64-bit microseconds that never fall back."""

from time import ticks_diff, ticks_us


class Clock:
    """Microseconds since the counter began, unwrapped.

    The counter's period belongs to the port (2^30 us, about 18 minutes, on 32-bit boards), so every difference is left
    to the port's own `ticks_diff`. Ask at least once in half a period.
    """

    def __init__(self, ticks=ticks_us, difference=ticks_diff):
        self._read = ticks
        self._difference = difference
        self._ticks = ticks()
        self._us = self._ticks

    def now_us(self):
        """Now, in microseconds."""
        ticks = self._read()
        self._us += self._difference(ticks, self._ticks)
        self._ticks = ticks
        return self._us

    def at_us(self, ticks):
        """The moment at which the counter showed `ticks`, less than half a period ago (or ahead)."""
        self.now_us()
        return self._us + self._difference(ticks, self._ticks)
