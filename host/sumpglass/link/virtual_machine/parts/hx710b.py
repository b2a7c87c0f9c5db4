# mypy: ignore-errors
"""HX710B: data low when a conversion is ready, 24 bits out on the clock, 25 to 27 pulses choose the next conversion."""

PERIODS_US = {25: 100000, 26: 100000, 27: 25000}


class Device:
    """One converter with a bridge on its input."""

    def __init__(self, part, world):
        self._world = world
        self.number = part["number"]
        self._column = part["column"]
        self._per_count = part["pa_per_count"]
        self._offset = part.get("offset_counts", 0)
        self._period = 100000
        self._done = world.true_us() + self._period
        self._pulses = 0
        self._word = 0
        self._held = 0

    def clock(self):
        """A pulse."""
        if self._pulses == 0:
            self._word = self._value()
        self._pulses += 1

    def data(self):
        """The data line."""
        fault = self._world.fault(self.number)
        if fault == "absent" or fault == "not_ready":
            self._pulses = 0
            return 1  # pulled up, nobody there
        if fault == "bus_held":
            return 0
        if 0 < self._pulses <= 24:
            return self._word >> 24 - self._pulses & 1
        if self._pulses > 24:
            # What follows the last pulse is the wait for the next conversion.
            self._period = PERIODS_US.get(self._pulses, 100000)
            self._done = self._world.true_us() + self._period
            self._pulses = 0
        return 0 if self._world.true_us() >= self._done else 1

    def _value(self):
        fault = self._world.fault(self.number)
        if fault == "rail_low":
            return 0x800000
        if fault == "rail_high":
            return 0x7FFFFF
        if fault != "stuck":
            # The conversion that ended last: free-running, so up to a period old.
            age = (self._world.true_us() - self._done) % self._period
            moment = self._world.true_us() - age - self._period // 2
            self._held = int(self._offset + self._world.value(self._column, moment) / 100 / self._per_count)
            self._held += self._world.dither()
        return self._held & 0xFFFFFF
