# mypy: ignore-errors
"""Stand-in for `machine.PWM`."""

import world as surroundings

world = surroundings.current()


class PWM:
    """A sounder's pin: remembers, and notes each change for the host side."""

    def __init__(self, pin):
        self.pin = pin
        self._hz = 0
        self._duty = 0

    def freq(self, hz):
        """Set the frequency."""
        if not 8 <= hz <= 62500000:
            raise ValueError("freq not possible")
        self._hz = hz

    def duty_u16(self, duty):
        """Set the duty; 0 is silence."""
        if duty != self._duty or duty:
            self._duty = duty
            log = world.config.get("sound_log")
            if log:
                with open(log, "a") as file:
                    file.write("%d %d %d\n" % (world.true_us(), self._hz if duty else 0, duty))

    def deinit(self):
        """Silence."""
        self._duty = 0
