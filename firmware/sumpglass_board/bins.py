"""Bins for slow links: mean, least, greatest and mean square of each `decimation` samples."""

import struct

MOST_BINS = 16


class Bins:
    """Gathers samples of `width` bytes into bins. Sums are of the distance to the bin's first reading, so that they
    stay small integers on a 32-bit board for 16-bit counts that do not jump."""

    def __init__(self, width, decimation):
        self.form = "<fhhf" if width == 2 else "<fiif"
        self.size = struct.calcsize(self.form)
        self.decimation = decimation
        self._nothing = -0x8000 if width == 2 else -0x80000000
        self.data = bytearray(self.size * MOST_BINS)
        self.filled = 0
        self.since_first = 0
        """Samples from the first one of the first bin held to the next one to come."""
        self._begin()

    def _begin(self):
        self._samples = 0
        self._valid = 0
        self._first = 0
        self._sum = 0
        self._squares = 0
        self._least = 0
        self._greatest = 0

    def clear(self):
        """The bins were sent."""
        self.filled = 0
        self.since_first = self._samples

    def restart(self):
        """Forget the bin that is under way: its time line broke."""
        self._begin()
        self.clear()

    def mean_of_all(self):
        """Mean of the bins held, or None; for the board's own ears."""
        total = count = 0
        for index in range(self.filled):
            mean = struct.unpack_from("<f", self.data, index * self.size)[0]
            if mean == mean:
                total += mean
                count += 1
        return total / count if count else None

    @property
    def full(self):
        """No room for another bin."""
        return self.filled == MOST_BINS

    def take(self, count, block, start, stop):
        """Take samples `start` to `stop` of a block, read by `count(block, index)`, until the bins are full.

        Returns the index of the next one to take.
        """
        while start < stop and self.filled < MOST_BINS:
            value = count(block, start)
            start += 1
            self._samples += 1
            self.since_first += 1
            if value != self._nothing:
                if not self._valid:
                    self._first = self._least = self._greatest = value
                elif value < self._least:
                    self._least = value
                elif value > self._greatest:
                    self._greatest = value
                self._valid += 1
                distance = value - self._first
                self._sum += distance
                self._squares += distance * distance
            if self._samples == self.decimation:
                self._close()
        return start

    def _close(self):
        at = self.filled * self.size
        count = self._valid
        if count:
            mean = self._sum / count
            # In whole numbers: a board's floats have 24 bits, too few for the difference of two large sums.
            spread = (self._squares * count - self._sum * self._sum) / (count * count)
            struct.pack_into(
                self.form, self.data, at, self._first + mean, self._least, self._greatest, spread if spread > 0 else 0.0
            )
        else:
            nan = float("nan")
            struct.pack_into(self.form, self.data, at, nan, self._nothing, self._nothing, nan)
        self.filled += 1
        self._begin()
