"""An analogue sensor on an ADS1115 converter, 16 bits over I2C.

    {"sensor": "ads1115", "part": "MPXV7002DP", "input": 0, "supply_v": 5.0, "divider": 1.0, "address": 72}

One conversion is begun at each tick and its result read at the next one: so its moment is known, which a free-running
converter of 860 a second (give or take a tenth) does not offer. Registers, bits and steps: ADS1115 data sheet.
"""

import struct

from sumpglass_board.analogue_parts import RAIL_SHARE, check_part, part_facts
from sumpglass_board.sensors import NOT_READY, RAIL_HIGH, RAIL_LOW, BusSensor

ADDRESSES = (0x48, 0x49, 0x4A, 0x4B)
CONVERSION = b"\x00"
CONFIG = 1
READY = 0x8000  # read: no conversion under way; written: begin one
SINGLE_ENDED = 0x4000  # MUX 100 to 111: AIN0 to AIN3 against ground
SINGLE_SHOT = 0x0100
RATE_860 = 7 << 5
NO_COMPARATOR = 0x0003
CONVERSION_US = 1163
GAINS = {6.144: 0, 4.096: 1, 2.048: 2, 1.024: 3, 0.512: 4, 0.256: 5}  # full scale in volts: PGA bits


def check(config):
    """What is wrong with these settings, or None."""
    if config.get("input", 0) not in (0, 1, 2, 3):
        return "input is %r, expected 0 to 3" % (config.get("input"),)
    if config.get("range_v", 6.144) not in GAINS:
        return "range_v is %r, expected one of %s" % (config.get("range_v"), sorted(GAINS))
    if config.get("address", 0x48) not in ADDRESSES:
        return "address of an ADS1115 is 72 to 75"
    return check_part(config)


def probe(bus, address):
    """Settings for a converter at that address, its sensor left to be filled in; None if it is none."""
    # Lo_thresh and Hi_thresh stand at these values after power-on, and no other part of this address does that.
    two = bytearray(2)
    bus.readfrom_mem_into(address, 2, two)
    low = bytes(two)
    bus.readfrom_mem_into(address, 3, two)
    known = low == b"\x80\x00" and bytes(two) == b"\x7f\xff"
    return {"sensor": "ads1115", "address": address} if known else None


def make(config, board):
    """The sensor on the board's bus."""
    return Ads1115(board.bus(config.get("bus")), config)


class Ads1115(BusSensor):
    """One input of the converter."""

    most_hz = 700  # the slowest that calls itself 860 a second needs 1.3 ms

    def __init__(self, bus, config):
        BusSensor.__init__(self, bus, config.get("address", 0x48))
        self.part, self._gain, self._offset, self._low_kpa, self._high_kpa = part_facts(config)
        range_v = config.get("range_v", 6.144)
        word = READY | SINGLE_ENDED | config.get("input", 0) << 12 | GAINS[range_v] << 9
        word |= SINGLE_SHOT | RATE_860 | NO_COMPARATOR
        self._begin = struct.pack(">BH", CONFIG, word)
        self._volts = config.get("supply_v", 5.0) * config.get("divider", 1.0)
        self._step_v = range_v / 32768
        self._two = bytearray(2)
        self._rail_low = int(RAIL_SHARE * self._volts / self._step_v)
        self._rail_high = min(32767, int((1 - RAIL_SHARE) * self._volts / self._step_v))

    def start(self):
        """Begin the first conversion."""
        self.bus.writeto(self.address, self._begin)

    def age_us(self):
        """The conversion began one tick ago and took its sample over 1.16 ms."""
        return self.period_us - CONVERSION_US // 2

    def read_counts(self):
        """The result of the conversion begun at the last tick; begins the next one."""
        two = self._two
        # The pointer still stands at the configuration that the last tick wrote: its top bit tells "ready".
        self.bus.readfrom_into(self.address, two)
        if not two[0] & 0x80:
            return self.failed(NOT_READY)
        self.bus.writeto(self.address, CONVERSION)
        self.bus.readfrom_into(self.address, two)
        self.bus.writeto(self.address, self._begin)
        value = two[0] << 8 | two[1]
        if value > 32767:
            value -= 65536
        if value <= self._rail_low:
            return self.failed(RAIL_LOW)
        if value >= self._rail_high:
            return self.failed(RAIL_HIGH)
        return value

    def facts(self):
        """Channel fields of IDENTITY."""
        per_pa = self._gain / 1000 * self._volts / self._step_v
        zero = self._offset * self._volts / self._step_v
        return {
            "quantity": 1,
            "transfer": 1,
            "width": 2,
            "offset": zero,
            "scale": 1 / per_pa,
            "range_low": self._low_kpa * 1000,
            "range_high": self._high_kpa * 1000,
            "resolution": 1 / per_pa,
            "counts_low": int(zero + self._low_kpa * 1000 * per_pa),
            "counts_high": int(zero + self._high_kpa * 1000 * per_pa),
            "part": self.part + " on ADS1115",
        }
