"""BMP280-type barometer over I2C, compensated on the board: absolute pressure of the room (or of a manifold).

    {"sensor": "bmp280", "address": 118}

Registers, calibration and the 64-bit integer compensation: BMP280 data sheet 3.11 and 8.1. Counts are eighths of a
pascal.
"""

import struct

from sumpglass_board.sensors import NO_ANSWER, NOT_READY, OUT_OF_RANGE, BusSensor

ADDRESSES = (0x76, 0x77)
CHIP_ID = 0xD0
IDS = (0x56, 0x57, 0x58, 0x60)  # samples, production, and the BME280, which measures pressure the same way
CALIBRATION = 0x88
DATA = 0xF7
MEASURE = b"\xf4\x2f"  # temperature once, pressure four times, normal mode
CONFIG = b"\xf5\x00"  # shortest standby, no filter
SKIPPED = 0x80000
PER_PA = 8


def check(config):
    """What is wrong with these settings, or None."""
    if config.get("address", 0x76) not in ADDRESSES:
        return "address of a BMP280 is 118 or 119"
    return None


def probe(bus, address):
    """Settings for a part of this kind; None if it is none."""
    one = bytearray(1)
    bus.readfrom_mem_into(address, CHIP_ID, one)
    return {"sensor": "bmp280", "address": address} if one[0] in IDS else None


def make(config, board):
    """The sensor on the board's bus."""
    return Bmp280(board.bus(config.get("bus")), config)


def compensate(calibration, adc_t, adc_p):
    """`(t_fine, pressure in 1/256 Pa)` from raw readings and the twelve words of calibration. Data sheet 3.11.3."""
    t1, t2, t3, p1, p2, p3, p4, p5, p6, p7, p8, p9 = calibration
    one = (((adc_t >> 3) - (t1 << 1)) * t2) >> 11
    half = (adc_t >> 4) - t1
    t_fine = one + ((((half * half) >> 12) * t3) >> 14)
    a = t_fine - 128000
    b = a * a * p6 + ((a * p5) << 17) + (p4 << 35)
    a = ((a * a * p3) >> 8) + ((a * p2) << 12)
    a = (((1 << 47) + a) * p1) >> 33
    if a == 0:
        return t_fine, 0
    p = 1048576 - adc_p
    # The data sheet's language cuts towards zero where Python's // goes down.
    top = ((p << 31) - b) * 3125
    p = top // a if (top < 0) == (a < 0) else -(-top // a)
    a = (p9 * (p >> 13) * (p >> 13)) >> 25
    b = (p8 * p) >> 19
    return t_fine, ((p + a + b) >> 8) + (p7 << 4)


class Bmp280(BusSensor):
    """One barometer."""

    width = 4
    usual_hz = 10
    most_hz = 25
    stuck_after_s = 20

    def __init__(self, bus, config):
        BusSensor.__init__(self, bus, config.get("address", ADDRESSES[0]))
        self._six = bytearray(6)
        self._words = None

    def start(self):
        """Check the id, read the calibration, begin to measure. Raises OSError."""
        one = bytearray(1)
        self.bus.readfrom_mem_into(self.address, CHIP_ID, one)
        if one[0] not in IDS:
            raise OSError(5)
        words = bytearray(24)
        self.bus.readfrom_mem_into(self.address, CALIBRATION, words)
        self._words = struct.unpack("<HhhHhhhhhhhh", words)
        self.bus.writeto(self.address, CONFIG)
        self.bus.writeto(self.address, MEASURE)

    def age_us(self):
        """A measurement takes some 12 ms, one after the other."""
        return 12000

    def read_counts(self):
        """Eighths of a pascal."""
        if self._words is None:
            return self.failed(NO_ANSWER)
        six = self._six
        self.bus.readfrom_mem_into(self.address, DATA, six)
        adc_p = six[0] << 12 | six[1] << 4 | six[2] >> 4
        adc_t = six[3] << 12 | six[4] << 4 | six[5] >> 4
        if adc_p == SKIPPED or adc_t == SKIPPED:
            return self.failed(NOT_READY)
        pressure = compensate(self._words, adc_t, adc_p)[1]
        if not 7680000 < pressure < 28160000:  # 30 to 110 kPa in 1/256 Pa
            return self.failed(OUT_OF_RANGE)
        return (pressure + 16) >> 5

    def facts(self):
        """Channel fields of IDENTITY."""
        return {
            "quantity": 2,
            "transfer": 1,
            "width": 4,
            "offset": 0.0,
            "scale": 1 / PER_PA,
            "range_low": 30000.0,
            "range_high": 110000.0,
            "resolution": 1 / PER_PA,
            "counts_low": 30000 * PER_PA,
            "counts_high": 110000 * PER_PA,
            "part": "BMP280",
        }
