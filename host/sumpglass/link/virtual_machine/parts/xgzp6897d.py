# mypy: ignore-errors
"""XGZP6897D: register 0x30 begins a conversion and tells when it is done; 24 bits of pressure from 0x06."""

CONVERSION_US = 10000


class Device:
    """One sensor."""

    def __init__(self, part, world):
        self._world = world
        self.number = part["number"]
        self._column = part["column"]
        top = part["range_kpa"]
        self._factor = 8192
        for above, factor in ((1, 4096), (2, 2048), (4, 1024), (8, 512), (16, 256), (32, 128), (65, 64), (131, 32)):
            if top > above or (above == 1 and top == 1):
                self._factor = factor
        self._pointer = 0
        self._begun = None
        self._counts = 0

    def write(self, data):
        """A register's number, and perhaps a value for it."""
        self._pointer = data[0]
        if len(data) == 2 and data[0] == 0x30 and data[1] & 0x08:
            self._finish()
            self._begun = self._world.true_us()
        return True

    def read(self, length):
        """Registers from the pointer on."""
        self._finish()
        answer = []
        for register in range(self._pointer, self._pointer + length):
            if register == 0x30:
                answer.append(0x0A if self._begun is not None else 0x02)
            elif 0x06 <= register <= 0x08:
                answer.append(self._counts >> 8 * (0x08 - register) & 0xFF)
            else:
                answer.append(0)
        return bytes(answer)

    def _finish(self):
        fault = self._world.fault(self.number)
        if self._begun is None or fault == "not_ready":
            return
        if self._world.true_us() - self._begun < CONVERSION_US:
            return
        if fault == "rail_low":
            self._counts = -0x800000
        elif fault == "rail_high":
            self._counts = 0x7FFFFF
        elif fault != "stuck":
            middle = self._begun + CONVERSION_US // 2
            self._counts = self._world.value(self._column, middle) * self._factor // 100 + self._world.dither()
        self._begun = None
