"""HX710B-type 24-bit converters with a bridge sensor, on two pins.

    {"sensor": "hx710b", "clock_pin": 2, "data_pin": 3, "pa_per_count": 0.0085, "offset_counts": 120000,
     "low_pa": -20000, "high_pa": 20000}

Scale and offset differ from board to board: calibrate. 24-bit two's complement; 25 clock pulses choose 10, 27 choose 40
conversions a second (data sheet; pulses from memory). The clock high for over 60 us would put it to sleep.
"""

from sumpglass_board.sensors import NO_ANSWER, NOT_READY, RAIL_HIGH, RAIL_LOW, BusSensor

PULSES_40_HZ = 27
PATIENCE = 10
"""Readings in a row that find nothing ready before the part counts as absent."""


def check(config):
    """What is wrong with these settings, or None."""
    for name in ("clock_pin", "data_pin"):
        if not isinstance(config.get(name), int) or not 0 <= config[name] <= 48:
            return "an HX710B needs clock_pin and data_pin"
    for name in ("pa_per_count", "low_pa", "high_pa"):
        if not isinstance(config.get(name), (int, float)):
            return "an HX710B needs %s; calibrate it" % name
    if not config["pa_per_count"] or not config["low_pa"] < config["high_pa"]:
        return "pa_per_count must not be 0, and low_pa has to be under high_pa"
    return None


def make(config, board):
    """The converter on its two pins."""
    return Hx710b(board.clocked_bits(config["clock_pin"], config["data_pin"]), config)


class Hx710b(BusSensor):
    """One converter, read half as often as it converts, so that a fresh value is always there."""

    width = 4
    usual_hz = 20
    most_hz = 35

    def __init__(self, bits, config):
        BusSensor.__init__(self, bits, 0)
        self._per_count = config["pa_per_count"]
        self._offset = config.get("offset_counts", 0)
        self._low_pa = config["low_pa"]
        self._high_pa = config["high_pa"]
        self._part = config.get("part", "bridge on HX710B")
        self._waited = 0

    def start(self):
        """The pulses of the first reading choose the rate."""

    def age_us(self):
        """A conversion takes 25 ms and has then waited half a reading in the mean."""
        return 12500 + 12500

    def read_counts(self):
        """The latest conversion."""
        if not self.bus.ready():
            self._waited += 1
            return self.failed(NO_ANSWER if self._waited > PATIENCE else NOT_READY)
        self._waited = 0
        value = self.bus.read(24, PULSES_40_HZ)
        if self.bus.ready():
            return self.failed(NO_ANSWER)  # a part lets go of the line after the pulses; a shorted line does not
        if value & 0x800000:
            value -= 0x1000000
        if value == -0x800000:
            return self.failed(RAIL_LOW)
        if value == 0x7FFFFF:
            return self.failed(RAIL_HIGH)
        return value

    def facts(self):
        """Channel fields of IDENTITY."""
        ends = [int(self._offset + pa / self._per_count) for pa in (self._low_pa, self._high_pa)]
        return {
            "quantity": 1,
            "transfer": 1,
            "width": 4,
            "offset": self._offset,
            "scale": self._per_count,
            "range_low": self._low_pa,
            "range_high": self._high_pa,
            "resolution": abs(self._per_count),
            "counts_low": max(min(ends), -0x7FFFFF),
            "counts_high": min(max(ends), 0x7FFFFE),
            "part": self._part,
        }
