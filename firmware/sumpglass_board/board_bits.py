"""Bits shifted in from a converter on two pins."""

import machine


class ClockedBits:
    """A converter on a clock and a data pin. Low data means ready. No pulse is longer than an interrupt allows."""

    def __init__(self, clock, data):
        self._clock = machine.Pin(clock, machine.Pin.OUT).value
        self._data = machine.Pin(data, machine.Pin.IN).value
        self._clock(0)

    def ready(self):
        """Whether a conversion waits."""
        return not self._data()

    def read(self, bits, pulses):
        """Shift `bits` in, most significant first, and give `pulses` in all."""
        value = 0
        for number in range(pulses):
            # With the clock held high for over 60 us the part would go to sleep: no interrupt in between.
            state = machine.disable_irq()
            self._clock(1)
            self._clock(0)
            machine.enable_irq(state)
            if number < bits:
                value = value << 1 | self._data()
        return value
