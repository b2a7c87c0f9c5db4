# mypy: ignore-errors
"""14-bit bridge sensor: two status bits and 14 bits, then 11 bits of temperature; 10 to 90 % of 2^14 over its range."""

UPDATE_US = 460


class Device:
    """One sensor; measures by itself, and says "stale" when it is asked again before it has measured anew."""

    def __init__(self, part, world):
        self._world = world
        self.number = part["number"]
        self._column = part["column"]
        self._low = int(part["low_pa"] * 100)
        self._span = int((part["high_pa"] - part["low_pa"]) * 100)
        self._fetched = -1
        self._held = 8192

    def write(self, data):
        """It takes no data; a bare address is acknowledged."""
        return not data

    def read(self, length):
        """Status and measurement."""
        now = self._world.true_us()
        fault = self._world.fault(self.number)
        number = now // UPDATE_US
        status = 2 if fault == "not_ready" or number == self._fetched else 0
        if fault != "stuck" and not status:
            # counts = 0.1 * 2^14 + 0.8 * 2^14 * (p - low) / span, rounded
            above = self._world.value(self._column, number * UPDATE_US) - self._low
            counts = (16384 * (self._span + 8 * above) + 5 * self._span) // (10 * self._span)
            self._held = min(16383, max(0, counts + self._world.dither()))
        self._fetched = number
        counts = self._held
        if fault in ("rail_low", "rail_high"):
            status = 3
            counts = 0 if fault == "rail_low" else 16383
        temperature = (self._world.value(3) + 5000) * 2047 // 20000  # T = counts/2047*200 - 50
        answer = bytes([status << 6 | counts >> 8, counts & 0xFF, temperature >> 3, (temperature & 7) << 5])
        return (answer * length)[:length] if length > 4 else answer[:length]
