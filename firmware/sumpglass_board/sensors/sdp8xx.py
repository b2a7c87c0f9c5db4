"""SDP8xx flow-through differential pressure sensors, 16 bits over I2C with a checksum.

    {"sensor": "sdp8xx", "address": 37}

Continuous measurement averaged from reading to reading, so nothing folds back. Commands, scales, product numbers:
SDP8xx data sheet. A flow-through sensor is fouled by oil mist: for clean air (breather side, bench), not for long in
crankcase gas (common practice, no source).
"""

import struct
from time import sleep_ms

from sumpglass_board.crc8 import crc8
from sumpglass_board.sensors import BAD_CHECKSUM, BusSensor

ADDRESSES = (0x25, 0x26)
STOP = b"\x3f\xf9"
AVERAGED = b"\x36\x15"
READ_NUMBER = (b"\x36\x7c", b"\xe1\x02")
SCALES = {0x0A: (60, 500), 0x0B: (240, 125)}  # third byte of the product number: counts a pascal, range in Pa


def check(config):
    """What is wrong with these settings, or None."""
    if config.get("address", 0x25) not in ADDRESSES:
        return "address of an SDP8xx is 37 or 38"
    if config.get("range_pa") not in (None, 125, 500):
        return "range_pa is %r, expected 125 or 500" % (config.get("range_pa"),)
    return None


def probe(bus, address):
    """Settings for a part of this kind; None if it is none."""
    sensor = Sdp8xx(bus, {"address": address})
    if sensor.number is None:
        return None
    return {"sensor": "sdp8xx", "address": address, "range_pa": sensor.facts()["range_high"]}


def make(config, board):
    """The sensor on the board's bus."""
    return Sdp8xx(board.bus(config.get("bus")), config)


class Sdp8xx(BusSensor):
    """One sensor. Its range is what its product number says; until it has answered, what the settings say."""

    averages = True
    warm_up_us = 20000  # first result after 8 ms, with some to spare

    def __init__(self, bus, config):
        BusSensor.__init__(self, bus, config.get("address", 0x25))
        self._range_pa = config.get("range_pa", 500)
        self._per_pa = 240 if self._range_pa == 125 else 60
        self._three = bytearray(3)
        self.number = None
        try:
            self.identify()
        except OSError:
            pass  # told as "no answer" once it is read

    def identify(self):
        """Read the product number. Raises OSError when there is no such sensor."""
        try:
            self.bus.writeto(self.address, STOP)
        except OSError:
            pass  # it refuses a stop while it is idle
        sleep_ms(1)
        for command in READ_NUMBER:
            self.bus.writeto(self.address, command)
        answer = bytearray(18)
        self.bus.readfrom_into(self.address, answer)
        for start in (0, 3):
            if crc8(answer, start) != answer[start + 2]:
                raise OSError(5)
        self.number = struct.unpack(">H", answer[0:2])[0] << 16 | struct.unpack(">H", answer[3:5])[0]
        kind = self.number >> 8 & 0xFF
        if kind in SCALES:
            self._per_pa, self._range_pa = SCALES[kind]

    def start(self):
        """Begin to measure, also when it was measuring before."""
        try:
            self.bus.writeto(self.address, STOP)
        except OSError:
            pass
        sleep_ms(1)
        self.bus.writeto(self.address, AVERAGED)

    def age_us(self):
        """An average from the reading before to this one."""
        return self.period_us // 2

    def read_counts(self):
        """The mean since the last reading."""
        three = self._three
        self.bus.readfrom_into(self.address, three)
        if crc8(three, 0) != three[2]:
            return self.failed(BAD_CHECKSUM)
        value = three[0] << 8 | three[1]
        if value > 32767:
            value -= 65536
        return max(value, -32767)

    def facts(self):
        """Channel fields of IDENTITY."""
        return {
            "quantity": 1,
            "transfer": 1,
            "width": 2,
            "offset": 0.0,
            "scale": 1 / self._per_pa,
            "range_low": -self._range_pa,
            "range_high": self._range_pa,
            "resolution": 1 / self._per_pa,
            "counts_low": -self._range_pa * self._per_pa,
            "counts_high": self._range_pa * self._per_pa,
            "part": "SDP8xx-%dPa" % self._range_pa,
        }
