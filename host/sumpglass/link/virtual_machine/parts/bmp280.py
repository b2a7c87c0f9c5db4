# mypy: ignore-errors
"""BMP280: id, calibration words, 20-bit readings that its compensation turns back into the room's pressure."""

import struct

# The data sheet's own example, 3.12.
WORDS = (27504, 26435, -1000, 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)


def _pressure(adc_t, adc_p):
    """Floating-point compensation of the data sheet's appendix 8.1: another way than the firmware's."""
    t1, t2, t3, p1, p2, p3, p4, p5, p6, p7, p8, p9 = WORDS
    one = (adc_t / 16384.0 - t1 / 1024.0) * t2
    two = (adc_t / 131072.0 - t1 / 8192.0) * (adc_t / 131072.0 - t1 / 8192.0) * t3
    a = (one + two) / 2.0 - 64000.0
    b = a * a * p6 / 32768.0 + a * p5 * 2.0
    b = b / 4.0 + p4 * 65536.0
    a = (p3 * a * a / 524288.0 + p2 * a) / 524288.0
    a = (1.0 + a / 32768.0) * p1
    p = (1048576.0 - adc_p - b / 4096.0) * 6250.0 / a
    return p + (p9 * p * p / 2147483648.0 + p * p8 / 32768.0 + p7) / 16.0


class Device:
    """One barometer at 25.08 degC; `column` is that of the room's pressure."""

    def __init__(self, part, world):
        self._world = world
        self.number = part["number"]
        self._adc_t = 519888
        self._pointer = 0
        self._running = False
        self._held = 0x80000
        self._absolute = part.get("gauge_column")

    def write(self, data):
        """A register's number, then values for it."""
        self._pointer = data[0]
        if len(data) == 2 and data[0] == 0xF4:
            self._running = data[1] & 3 == 3
        return True

    def read(self, length):
        """Registers from the pointer on."""
        memory = {0xD0: 0x58}
        for index, byte in enumerate(struct.pack("<HhhHhhhhhhhh", *WORDS)):
            memory[0x88 + index] = byte
        if 0xF7 <= self._pointer <= 0xFC:
            self._fill(memory)
        return bytes([memory.get(register, 0) for register in range(self._pointer, self._pointer + length)])

    def _fill(self, memory):
        fault = self._world.fault(self.number)
        adc_p, adc_t = 0x80000, 0x80000
        if self._running and fault != "not_ready":
            if fault != "stuck":
                room = self._world.value(2)
                if self._absolute is not None:
                    room += self._world.value(self._absolute) / 100
                self._held = self._find(room) + self._world.dither()
            adc_p, adc_t = self._held, self._adc_t
        for start, value in ((0xF7, adc_p), (0xFA, adc_t)):
            memory[start] = value >> 12 & 0xFF
            memory[start + 1] = value >> 4 & 0xFF
            memory[start + 2] = (value & 15) << 4

    def _find(self, pressure):
        low, high = 0, 0xFFFFF  # a larger reading means less pressure
        while low < high:
            middle = (low + high) // 2
            if _pressure(self._adc_t, middle) > pressure:
                low = middle + 1
            else:
                high = middle
        return low
