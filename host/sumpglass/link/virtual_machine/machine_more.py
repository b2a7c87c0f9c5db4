# mypy: ignore-errors
"""Stand-in for the parts of `machine` that few boards use: PWM and I2C."""

import errno

import world as surroundings

world = surroundings.current()


class PWM:
    """A sounder's pin: remembers, and notes each change for the host side."""

    def __init__(self, pin):
        self.pin = pin
        self._hz = 0
        self._duty = 0

    def freq(self, hz):
        """Set the frequency."""
        if not 8 <= hz <= 62500000:
            raise ValueError("freq not possible")
        self._hz = hz

    def duty_u16(self, duty):
        """Set the duty; 0 is silence."""
        if duty != self._duty or duty:
            self._duty = duty
            log = world.config.get("sound_log")
            if log:
                with open(log, "a") as file:
                    file.write("%d %d %d\n" % (world.true_us(), self._hz if duty else 0, duty))

    def deinit(self):
        """Silence."""
        self._duty = 0


class I2C:
    """A bus with the parts of the configuration on it, each answering byte for byte as its data sheet says."""

    def __init__(self, number=0, scl=None, sda=None, freq=400000, timeout=50000):
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

    def readfrom(self, address, length, stop=True):
        """Read so many bytes."""
        buffer = bytearray(length)
        self.readfrom_into(address, buffer, stop)
        return bytes(buffer)

    def writeto_mem(self, address, register, data, addrsize=8):
        """Write a register."""
        self.writeto(address, bytes([register]) + bytes(data))

    def readfrom_mem_into(self, address, register, buffer, addrsize=8):
        """Read from a register on."""
        self.writeto(address, bytes([register]), False)
        self.readfrom_into(address, buffer)

    def readfrom_mem(self, address, register, length, addrsize=8):
        """Read from a register on."""
        buffer = bytearray(length)
        self.readfrom_mem_into(address, register, buffer)
        return bytes(buffer)


_clocked_devices = {}


def clocked_device(pin):
    """The converter that is clocked out over this pin, or None."""
    for part in world.config["bus"]:
        if pin in (part.get("clock_pin"), part.get("data_pin")):
            number = part["number"]
            if number not in _clocked_devices:
                module = __import__("parts." + part["model"], None, None, ["Device"])
                _clocked_devices[number] = module.Device(part, world)
            return _clocked_devices[number]
    return None
