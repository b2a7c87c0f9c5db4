# mypy: ignore-errors
"""Stand-in for `machine.I2C`: what the firmware calls of it."""

import errno

import world as surroundings

world = surroundings.current()


class I2C:
    """A bus with the parts of the configuration on it, each answering byte for byte as its data sheet says."""

    def __init__(self, number=0, scl=None, sda=None, freq=400000, timeout=50000):
        # As the rp2 port: SDA on even, SCL on odd pins, in pairs that go to the two controllers in turn.
        for pin, odd in ((scl, 1), (sda, 0)):
            if pin is not None and (pin.name & 1 != odd or pin.name >> 1 & 1 != number):
                raise ValueError("bad SCL pin" if odd else "bad SDA pin")
        self._timeout = timeout
        self._us_per_byte = 9000000 // freq
        self._devices = {}
        for part in world.config.get("bus", []):
            if part.get("bus", 0) == number and "clock_pin" not in part:
                module = __import__("parts." + part["model"], None, None, ["Device"])
                self._devices[part["address"]] = module.Device(part, world)

    def _device(self, address, length):
        for device in self._devices.values():
            if world.fault(device.number) == "bus_held":
                world.spend_us(self._timeout)
                raise OSError(errno.ETIMEDOUT)
        world.spend_us((length + 1) * self._us_per_byte)
        device = self._devices.get(address)
        if device is None or world.fault(device.number) == "absent":
            raise OSError(errno.EIO)
        return device

    def scan(self):
        """Addresses that answer."""
        found = []
        for address in sorted(self._devices):
            try:
                self._device(address, 0)
                found.append(address)
            except OSError:
                pass
        return found

    def writeto(self, address, data, stop=True):
        """Write; OSError if the part does not acknowledge."""
        device = self._device(address, len(data))
        if device.write(bytes(data)) is False:
            raise OSError(errno.EIO)
        return len(data)

    def readfrom_into(self, address, buffer, stop=True):
        """Read as many bytes as the buffer holds."""
        device = self._device(address, len(buffer))
        data = device.read(len(buffer))
        if data is None:
            raise OSError(errno.EIO)
        for index in range(len(buffer)):
            buffer[index] = data[index]

    def readfrom_mem_into(self, address, register, buffer, addrsize=8):
        """Read from a register on."""
        self.writeto(address, bytes([register]), False)
        self.readfrom_into(address, buffer)
