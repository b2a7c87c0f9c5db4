"""XGZP6897D-type sensors: 24 bits over I2C, a conversion at a time.

    {"sensor": "xgzp6897d", "range_kpa": 5, "bipolar": true}

Pa = counts / K, K by the upper end of the range in kPa; address 0x6D. Registers and K: second-hand, from two public
libraries, which agree.
"""

from time import sleep_ms

from sumpglass_board.sensors import NOT_READY, RAIL_HIGH, RAIL_LOW, BusSensor

ADDRESSES = (0x6D,)
COMMAND = 0x30
CONVERT = b"\x30\x0a"  # pressure and temperature, once
BUSY = 0x08
DATA = 0x06
# upper range in kPa above which a part has that K
FACTORS = ((131, 32), (65, 64), (32, 128), (16, 256), (8, 512), (4, 1024), (2, 2048), (1, 4096), (0, 8192))


def factor(range_kpa):
    """K of a part whose range ends at `range_kpa`."""
    for above, k in FACTORS:
        if range_kpa > above or (above == 1 and range_kpa == 1):
            return k
    raise ValueError("range_kpa is %r" % range_kpa)


def check(config):
    """What is wrong with these settings, or None."""
    range_kpa = config.get("range_kpa")
    if not isinstance(range_kpa, (int, float)) or not 0 < range_kpa <= 260:
        return "an XGZP6897D needs range_kpa, the upper end of its range, up to 260"
    return None


def probe(bus, address):
    """Settings for a part of this kind, its range left to be filled in; None if it is none."""
    one = bytearray(1)
    bus.writeto(address, CONVERT)
    for _ in range(40):
        sleep_ms(1)
        bus.readfrom_mem_into(address, COMMAND, one)
        if not one[0] & BUSY:
            return {"sensor": "xgzp6897d", "address": address}
    return None


def make(config, board):
    """The sensor on the board's bus."""
    return Xgzp6897d(board.bus(config.get("bus")), config)


class Xgzp6897d(BusSensor):
    """One sensor. A conversion is begun at each reading and fetched at the next."""

    width = 4
    usual_hz = 25
    most_hz = 50

    def __init__(self, bus, config):
        BusSensor.__init__(self, bus, config.get("address", ADDRESSES[0]))
        self._range_pa = config["range_kpa"] * 1000
        self._low_pa = -self._range_pa if config.get("bipolar", True) else 0
        self._factor = factor(config["range_kpa"])
        self._part = "XGZP6897D %s kPa" % config["range_kpa"]
        self._one = bytearray(1)
        self._three = bytearray(3)

    def start(self):
        """Begin the first conversion."""
        self.bus.writeto(self.address, CONVERT)

    def age_us(self):
        """Begun one reading ago; it averages over some ten milliseconds from then on."""
        return self.period_us - 5000

    def read_counts(self):
        """The conversion begun at the last reading; begins the next one."""
        self.bus.readfrom_mem_into(self.address, COMMAND, self._one)
        if self._one[0] & BUSY:
            return self.failed(NOT_READY)
        three = self._three
        self.bus.readfrom_mem_into(self.address, DATA, three)
        self.bus.writeto(self.address, CONVERT)
        value = three[0] << 16 | three[1] << 8 | three[2]
        if value & 0x800000:
            value -= 0x1000000
        if value == -0x800000:
            return self.failed(RAIL_LOW)
        if value == 0x7FFFFF:
            return self.failed(RAIL_HIGH)
        return value

    def facts(self):
        """Channel fields of IDENTITY."""
        return {
            "quantity": 1,
            "transfer": 1,
            "width": 4,
            "offset": 0.0,
            "scale": 1 / self._factor,
            "range_low": self._low_pa,
            "range_high": self._range_pa,
            "resolution": 1 / self._factor,
            "counts_low": int(self._low_pa * self._factor) if self._low_pa else -0x7FFFFF,
            "counts_high": int(self._range_pa * self._factor),
            "part": self._part,
        }
