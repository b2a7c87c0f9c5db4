"""Counts of a bus sensor in a ring to samples in a block: stuck codes and limits."""

import struct

from sumpglass_board.counts import NO_READING_2, NO_READING_4, count_2, count_4, mean_of


class BusDecimator:
    """Counts from a bus sensor, one to one; equal counts for `stuck_after` samples are "no valid reading"."""

    def __init__(self, width, clips, stuck_after, room):
        self.width = width
        self.count = count_2 if width == 2 else count_4
        self.block = bytearray(width * room)
        self.room = room
        self.filled = 0
        self.delay_halves = 0
        self._form = "<h" if width == 2 else "<i"
        self._stuck_after = stuck_after
        self._clip_low, self._clip_high = clips
        self._last = None
        self._same = 0
        self._stuck = 0
        self._clipped = 0

    def run(self, lane, tail, head, mask):
        """Take what is there; fills `block` up to its room. Returns the new tail."""
        data = lane.data
        nothing = NO_READING_2 if self.width == 2 else NO_READING_4
        while tail != head and self.filled < self.room:
            value = data[tail]
            if value == NO_READING_4:
                value = nothing
                self._same = 0
            elif not self._clip_low < value < self._clip_high:
                self._clipped += 1
            elif value != self._last:
                self._last = value
                self._same = 0
            elif self._stuck_after:
                self._same += 1
                if self._same > self._stuck_after:
                    self._stuck += 1
                    value = nothing
            struct.pack_into(self._form, self.block, self.width * self.filled, value)
            self.filled += 1
            tail = (tail + 1) & mask
        return tail

    def clear(self):
        """The block was sent."""
        self.filled = 0

    def take_faults(self, counts):
        """Add what happened since the last call to `counts` (by kind, see `sensors`)."""
        counts[3] += self._stuck
        counts[6] += self._clipped
        self._stuck = self._clipped = 0

    def mean(self):
        """Mean of every fourth valid count of the block, or None; for the board's own ears."""
        return mean_of(self)
