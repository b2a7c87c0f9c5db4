"""Measuring the zero: mean and standard deviation of a channel over a while."""

from math import sqrt

from sumpglass_board.commands import SENSOR_FAULT
from sumpglass_wire import layouts as L


class ZeroMeasurement:
    """Sums the valid samples of `channel` until `wanted` samples went by."""

    def __init__(self, channel, wanted, sequence):
        self.channel = channel
        self._wanted = max(1, wanted)
        self._sequence = sequence
        self._seen = 0
        self._valid = 0
        self._first = 0
        self._sum = 0
        self._squares = 0

    def take(self, channel):
        """See a block of any channel (its decimator's block, or its bins)."""
        if channel is not self.channel:
            return
        decimator = channel.decimator
        nothing = -0x8000 if decimator.width == 2 else -0x80000000
        for index in range(decimator.filled):
            value = decimator.count(decimator.block, index)
            self._seen += 1
            if value != nothing:
                if not self._valid:
                    self._first = value
                distance = value - self._first
                self._valid += 1
                self._sum += distance
                self._squares += distance * distance

    def done(self):
        """Whether enough was seen."""
        return self._seen >= self._wanted

    def reply(self):
        """ANSWER, or ERROR when less than nine in ten samples were valid."""
        fields = {"request_sequence": self._sequence, "request_type": L.MEASURE_ZERO}
        count = self._valid
        if count * 10 < self._seen * 9:
            fields["code"] = SENSOR_FAULT
            fields["text"] = "%d of %d samples were no valid reading" % (self._seen - count, self._seen)
            return L.ERROR, fields
        mean = self._sum / count
        # In whole numbers: a board's floats have 24 bits, too few for the difference of two large sums.
        spread = (self._squares * count - self._sum * self._sum) / (count * (count - 1)) if count > 1 else 0.0
        fields["answer"] = {
            "mean_counts": self._first + mean,
            "sd_counts": sqrt(spread) if spread > 0 else 0.0,
            "samples": count,
        }
        fields["data"] = b""
        return L.ANSWER, fields
