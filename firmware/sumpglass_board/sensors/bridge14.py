"""Bridge sensors with 14 bits over I2C, 10 to 90 % of the counts over the range, two status bits on top.

    {"sensor": "bridge14", "address": 40, "low_pa": -1600, "high_pa": 1600, "part": "bridge 1600 Pa"}

Counts, status and transfer: data sheets of parts of that kind ("10 % to 90 % of 2^14 counts").
"""

from sumpglass_board.sensors import NOT_READY, RAIL_HIGH, RAIL_LOW, BusSensor

LEAST = 1638.4  # 10 % of 2^14
MOST = 14745.6
ADDRESSES = (0x28, 0x18, 0x38, 0x48, 0x58, 0x68, 0x78)
STALE = 2
COMMAND_MODE = 1
DIAGNOSTIC = 3


def check(config):
    """What is wrong with these settings, or None."""
    for name in ("low_pa", "high_pa"):
        if not isinstance(config.get(name), (int, float)):
            return "a 14-bit bridge sensor needs low_pa and high_pa, as its part number says"
    if not config["low_pa"] < config["high_pa"]:
        return "low_pa has to be under high_pa"
    return None


def probe(bus, address):
    """Settings for a part of this kind at that address, its range left to be filled in; None if it is none."""
    two = bytearray(2)
    for _ in range(5):
        bus.readfrom_into(address, two)
        if two[0] >> 6 == 0:
            counts = (two[0] & 0x3F) << 8 | two[1]
            # Open to the room such a part stands at 10 or 50 % of its counts; anything far outside is something else.
            return {"sensor": "bridge14", "address": address} if 1000 < counts < 15400 else None
    return None


def make(config, board):
    """The sensor on the board's bus."""
    return Bridge14(board.bus(config.get("bus")), config)


class Bridge14(BusSensor):
    """One sensor."""

    def __init__(self, bus, config):
        BusSensor.__init__(self, bus, config.get("address", 0x28))
        self._low_pa = config["low_pa"]
        self._high_pa = config["high_pa"]
        self._part = config.get("part", "14-bit bridge")
        self._two = bytearray(2)
        self._stale = 0

    def start(self):
        """It measures by itself; an answer is all that is asked."""
        self.bus.readfrom_into(self.address, self._two)

    def age_us(self):
        """It measures by itself, about every half millisecond: a reading is half of that old in the mean."""
        return 230

    def read_counts(self):
        """The latest measurement, 0 to 16383."""
        two = self._two
        self.bus.readfrom_into(self.address, two)
        status = two[0] >> 6
        counts = (two[0] & 0x3F) << 8 | two[1]
        if status == STALE or status == COMMAND_MODE:
            return self.failed(NOT_READY)
        if status == DIAGNOSTIC or counts == 0 or counts == 16383:
            return self.failed(RAIL_LOW if counts < 8192 else RAIL_HIGH)
        return counts

    def facts(self):
        """Channel fields of IDENTITY."""
        scale = (self._high_pa - self._low_pa) / (MOST - LEAST)
        return {
            "quantity": 1,
            "transfer": 1,
            "width": 2,
            "offset": LEAST - self._low_pa / scale,
            "scale": scale,
            "range_low": self._low_pa,
            "range_high": self._high_pa,
            "resolution": scale,
            "counts_low": 1638,
            "counts_high": 14746,
            "part": self._part,
        }
