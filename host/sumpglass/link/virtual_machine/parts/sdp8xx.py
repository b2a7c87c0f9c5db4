# mypy: ignore-errors
"""SDP8xx: commands, 18-byte product number, 9-byte results, CRC-8 after each word; no acknowledge while not ready."""

from parts import centipascals_to

FIRST_RESULT_US = 8000
STOP, AVERAGED, MOMENTARY = 0x3FF9, 0x3615, 0x361E


def crc8(data):
    """Polynomial 0x31, initial value 0xFF, bit by bit."""
    value = 0xFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value << 1) ^ 0x31 if value & 0x80 else value << 1
            value &= 0xFF
    return value


def word(value, spoil=0):
    """Two bytes and their checksum."""
    pair = bytes([value >> 8 & 0xFF, value & 0xFF])
    return pair + bytes([crc8(pair) ^ spoil])


class Device:
    """One sensor."""

    def __init__(self, part, world):
        self._world = world
        self.number = part["number"]
        self._column = part["column"]
        wide = part.get("range_pa", 500) == 500
        self._product = 0x03020A01 if wide else 0x03020B01
        self._per_pa = 60 if wide else 240
        self._mode = None
        self._since = 0
        self._last = 0
        self._asked = None
        self._held = 0

    def write(self, data):
        """A command; False: not acknowledged."""
        if len(data) != 2:
            return False
        command = data[0] << 8 | data[1]
        if command in (AVERAGED, MOMENTARY):
            if self._mode is not None:
                return False  # the data sheet: only STOP is taken while measuring
            self._mode = command
            self._since = self._last = self._world.true_us()
        elif command == STOP:
            self._mode = None
        elif command in (0x367C, 0xE102) and self._mode is None:
            self._asked = command
        else:
            return False
        return True

    def read(self, length):
        """A result; None: not acknowledged."""
        if self._asked == 0xE102:
            self._asked = None
            serial = word(0x0000) + word(0x1234) + word(0x5678) + word(0x9ABC)
            return (word(self._product >> 16) + word(self._product & 0xFFFF) + serial)[:length]
        now = self._world.true_us()
        fault = self._world.fault(self.number)
        if self._mode is None or now - self._since < FIRST_RESULT_US or fault == "not_ready":
            return None
        code = self._held if fault == "stuck" else self._code(now)
        self._held = code
        self._last = now
        spoil = 1 if fault == "bad_checksum" else 0
        temperature = self._world.value(3) * 2  # hundredths of a degree to 200 counts a degree
        answer = word(code & 0xFFFF, spoil) + word(temperature & 0xFFFF) + word(self._per_pa)
        return answer[:length]

    def _code(self, now):
        if self._mode == MOMENTARY:
            mean = self._world.value(self._column)
        else:
            # Averaged since the last reading: Simpson's rule over that span.
            span = min(now - self._last, 50000)
            first = self._world.value(self._column, now - span)
            middle = self._world.value(self._column, now - span // 2)
            mean = (first + 4 * middle + self._world.value(self._column, now)) // 6
        code = centipascals_to(mean, self._per_pa, 100, -32768, 32767) + self._world.dither()
        return min(32767, max(-32768, code))
