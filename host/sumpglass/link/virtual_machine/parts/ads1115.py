# mypy: ignore-errors
"""ADS1115: a pointer, a conversion and a configuration register; single-shot and continuous conversions."""

VOLTS = (6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256)
RATES = (8, 16, 32, 64, 128, 250, 475, 860)
RESET = 0x8583

# part: gain (1/kPa), offset; Vout = supply (gain P + offset), from each part's data sheet
ANALOGUE = {"MPXV7002DP": (0.2, 0.5), "MPXV7007DP": (0.057, 0.5), "MPX5010DP": (0.09, 0.04), "MPX5050DP": (0.018, 0.04)}


class Device:
    """One converter with an analogue sensor on input `input`."""

    def __init__(self, part, world):
        self._world = world
        self.number = part["number"]
        self._column = part["column"]
        gain, offset = ANALOGUE[part.get("part", "MPXV7002DP")]
        volts = part.get("supply_v", 5.0) * part.get("divider", 1.0)
        self._input = part.get("input", 0)
        # microvolts = (offset + gain * hundredths of a pascal) / 2^20
        self._gain = int(gain / 100000 * volts * 1000000 * 1048576)
        self._offset = int(offset * volts * 1000000 * 1048576)
        self._most = int(volts * 980000)
        self._least = int(volts * 20000)
        self._pointer = 0
        self._config = RESET
        self._begun = None
        self._result = 0

    def write(self, data):
        """Pointer, and two bytes for a register."""
        if not data:
            return True
        self._pointer = data[0] & 3
        if len(data) == 3 and self._pointer == 1:
            self._finish()
            self._config = (data[1] << 8 | data[2]) & 0x7FFF
            if data[1] & 0x80 or not self._config & 0x0100:
                self._begun = self._world.true_us()
        return len(data) in (1, 3)

    def read(self, length):
        """The register at the pointer, again and again."""
        self._finish()
        if self._pointer == 0:
            value = self._result & 0xFFFF
        elif self._pointer == 1:
            value = self._config | (0x8000 if self._begun is None else 0)
        else:
            value = 0x8000 if self._pointer == 2 else 0x7FFF
        return bytes([value >> 8, value & 0xFF] * length)[:length]

    def _finish(self):
        if self._begun is None or self._world.fault(self.number) == "not_ready":
            return
        takes = 1000000 // RATES[self._config >> 5 & 7]
        now = self._world.true_us()
        if now - self._begun >= takes:
            if self._world.fault(self.number) != "stuck":
                self._result = self._code(self._begun + takes // 2)
            self._begun = None if self._config & 0x0100 else now

    def _code(self, moment):
        if self._config >> 12 & 7 != 4 + self._input:
            return 0  # nothing is wired to the other inputs
        fault = self._world.fault(self.number)
        microvolts = (self._offset + self._gain * self._world.value(self._column, moment)) >> 20
        microvolts = min(self._most, max(self._least, microvolts))
        if fault == "rail_low":
            microvolts = 0
        elif fault == "rail_high":
            microvolts = 6000000
        step = VOLTS[self._config >> 9 & 7] / 32768
        code = int(microvolts / 1000000 / step) + self._world.dither()
        return min(32767, max(-32768, code))
