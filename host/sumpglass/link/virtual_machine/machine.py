# mypy: ignore-errors
"""Stand-in for MicroPython's `machine` on a Pico: what the firmware calls, as the rp2 port documents it."""

import micropython
import world as surroundings

world = surroundings.current()


class _Memory:
    # RP2040 datasheet 2.1.2 and 4.7: the watchdog's CTRL and its clear alias, bit 30 ENABLE.
    def __setitem__(self, address, value):
        if address == 0x40058000 + 0x3000 and value & 1 << 30 and not world.config.get("watchdog_sticks"):
            world.watchdog_due_us = None

    def __getitem__(self, address):
        return 1 << 30 if address == 0x40058000 and world.watchdog_due_us is not None else 0


mem32 = _Memory()


def unique_id():
    """Eight bytes that name the board."""
    return bytes(world.config.get("board_id", [0x53, 0x47, 0, 0, 0, 0, 0, 1]))


def reset():
    """Start anew: the host side restarts the process."""
    surroundings.leave(42)


def disable_irq():
    """Nothing interrupts a stand-in anyway."""
    return 0


def enable_irq(state):
    """See `disable_irq`."""


def idle():
    """Nothing to do for a moment."""
    world.sleep_us(100)


PINS = 30


class Pin:
    """Input pins read the scripted button; output pins remember."""

    IN = 0
    OUT = 1
    PULL_UP = 1
    PULL_DOWN = 2

    def __init__(self, name, mode=0, pull=None):
        if name != "LED" and not 0 <= name < PINS:
            raise ValueError("invalid pin")
        self.name = name
        self._mode = mode
        self._pull = pull
        self._level = 0

    def value(self, level=None):
        """Read, or set."""
        if level is not None:
            if level and not self._level and self._clocked():
                self._clocked().clock()
            self._level = level
            return None
        if self._mode == Pin.IN:
            clocked = self._clocked()
            if clocked:
                return clocked.data()
            button = world.config.get("button_pin", 22)
            down = self.name == button and world.pressed()
            return (0 if down else 1) if self._pull == Pin.PULL_UP else (1 if down else 0)
        return self._level

    def _clocked(self):
        if not world.config.get("clocked"):
            return None
        import machine_clocked

        return machine_clocked.clocked_device(self.name)


class ADC:
    """The chip's converter: 12 bits of 3.3 V, spread over 16 as the rp2 port does."""

    CORE_TEMP = 4

    def __init__(self, pin):
        if not (0 <= pin <= 4 or 26 <= pin <= 29):
            raise ValueError("Pin doesn't have ADC capabilities")
        self._part = None
        for part in world.config["analogue"]:
            if part["pin"] == pin:
                self._part = part
        self._constant = {4: 876, 29: 2068}.get(pin, 0)  # 27 degC: 0.706 V; VSYS 5 V through a divider by 3
        if self._part:
            # code = (offset + gain * hundredths of a pascal) / 2^20, all in integers
            self._offset = self._part["offset"]
            self._gain = self._part["gain"]
            self._low = self._part["low"]
            self._high = self._part["high"]
            self._column = self._part["column"]
            self._number = self._part["number"]
            self._held = None

    def read_u16(self):
        """One conversion."""
        if world.in_interrupt:
            # What the real converter does allocates nothing; the stand-in has a file to read.
            micropython.heap_unlock()
            try:
                return self._convert()
            finally:
                micropython.heap_lock()
        return self._convert()

    def _convert(self):
        if not self._part:
            code = self._constant
            return code << 4 | code >> 8
        fault = world.fault(self._number)
        if fault:
            return self._faulty(fault)
        code = (self._offset + self._gain * world.value(self._column)) >> 20
        code += world.dither()
        if code < self._low:
            code = self._low
        elif code > self._high:
            code = self._high
        self._held = code
        return code << 4 | code >> 8

    def _faulty(self, fault):
        if fault == "rail_high":
            return 65535
        if fault == "stuck" and self._held is not None:
            return self._held << 4 | self._held >> 8
        return 0


class Timer:
    """A timer whose callback the world calls when it is due."""

    ONE_SHOT = 0
    PERIODIC = 1

    def __init__(self, number=-1):
        if number != -1:
            raise ValueError("Timer doesn't exist")
        self.hard = False
        self.period_us = 0
        self.due_us = 0
        self.calls = 0
        self.callback = None

    def init(self, mode=1, period=0, tick_hz=1000, callback=None, hard=False):
        """Begin to call back every `period` of `tick_hz`."""
        self.deinit()
        self.hard = hard
        self.period_us = period * 1000000 // tick_hz
        self.callback = callback
        self.due_us = world.device_us() + self.period_us
        world.timers.append(self)

    def deinit(self):
        """No more calls."""
        if self in world.timers:
            world.timers.remove(self)


class WDT:
    """A watchdog: the process ends with status 43 if it is not fed."""

    def __init__(self, timeout=5000):
        if timeout > 8388:
            raise ValueError("timeout exceeds 8388")
        self._timeout_us = timeout * 1000
        self.feed()

    def feed(self):
        """Still alive."""
        world.watchdog_due_us = world.device_us() + self._timeout_us


def __getattr__(name):
    """Parts of the module that few boards use, loaded when they are first asked for."""
    if name in ("I2C", "PWM"):
        return getattr(__import__("machine_" + name.lower()), name)
    raise AttributeError(name)
