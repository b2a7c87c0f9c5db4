"""The board: pins, converter, buses, timers, port. The only file that imports `machine`."""

import os
import select
import sys
from time import sleep_ms

import machine
import micropython

if sys.platform == "esp32":
    from sumpglass_board import board_esp32 as chip
else:
    from sumpglass_board import board_rp2 as chip

WATCHDOG_MS = 8000
I2C_TIMEOUT_US = 3000
"""A bus that is held down costs this at each try."""
I2C_LONGEST_BITS = 400
"""Of one transfer (25 bytes), with a good half to spare: a slow bus needs longer than that."""
FEED_MS = 2000


class Console:
    """The port that carries frames: bytes in one at a time, bytes out as many as it takes."""

    def __init__(self):
        self._in = sys.stdin.buffer
        self._out = sys.stdout.buffer
        self._one = bytearray(1)
        self._poll_in = select.poll()
        self._poll_in.register(sys.stdin, select.POLLIN)
        self._poll_out = select.poll()
        self._poll_out.register(sys.stdout, select.POLLOUT)

    def binary(self):
        """No byte interrupts from now on: 0x03 is data. Whoever reads has to watch for Ctrl-C."""
        micropython.kbd_intr(-1)

    def prompt(self):
        """Ctrl-C interrupts again."""
        micropython.kbd_intr(3)

    def wait(self, timeout_ms):
        """Wait until a byte is there, at most so long. Returns whether there is one."""
        for _ in self._poll_in.ipoll(timeout_ms):
            return True
        return False

    def read_byte(self):
        """The next byte; call after `wait` said that there is one."""
        self._in.readinto(self._one, 1)
        return self._one[0]

    def ready(self):
        """Whether the port takes bytes now."""
        for _ in self._poll_out.ipoll(0):
            return True
        return False

    def wait_out(self, timeout_ms):
        """Wait until the port takes bytes, at most so long."""
        for _ in self._poll_out.ipoll(timeout_ms):
            return

    def write(self, data, start, length):
        """Write `length` bytes from `start`; returns how many were taken."""
        return self._out.write(data, start, length) or 0


class Board:
    """Everything outside the chip's memory that the firmware touches."""

    def __init__(self):
        self.name = getattr(sys.implementation, "_machine", sys.platform)
        identity = machine.unique_id() + bytes(8)
        self.board_id = identity[:8]
        self.boot_id = int.from_bytes(os.urandom(4), "little")
        self.console = Console()
        self._buses = {}
        self._timer = -1
        self._watchdog = None
        self._feeder = None
        self._light = None
        self._sounder = None
        self._button = None
        self._pressed_level = 1

    def converter(self, pin):
        """Raw conversions (0 to 65535) of an analogue pin: a function without arguments that allocates nothing."""
        return chip.converter(machine, pin).read_u16

    def temperature(self):
        """`(read, raw -> degC)` or None."""
        return self._optional(chip.temperature, machine)

    def supply(self):
        """`(read, raw -> mV)` or None."""
        return self._optional(chip.supply, machine, self.name)

    def _optional(self, function, *arguments):
        try:
            return function(*arguments)
        except (ValueError, OSError, AttributeError):
            return None

    def bus(self, config):
        """The I2C bus of the settings. Opening it moves no byte. Raises ValueError if the pins cannot be one."""
        config = config or {}
        number = config.get("id", 0)
        if number not in self._buses:
            sda, scl = chip.I2C_PINS.get(number, (None, None))
            pins = machine.Pin(config.get("scl", scl)), machine.Pin(config.get("sda", sda))
            hz = config.get("hz", 400000)
            timeout_us = max(I2C_TIMEOUT_US, I2C_LONGEST_BITS * 1000000 // hz)
            try:
                bus = machine.I2C(number, scl=pins[0], sda=pins[1], freq=hz, timeout=timeout_us)
            except TypeError:
                bus = machine.I2C(number, scl=pins[0], sda=pins[1], freq=hz)
            self._buses[number] = bus
        return self._buses[number]

    def clocked_bits(self, clock_pin, data_pin):
        """A converter that is shifted out bit by bit."""
        from sumpglass_board.board_bits import ClockedBits  # few boards have one

        return ClockedBits(clock_pin, data_pin)

    def start_timer(self, period_us, callback, hard):
        """Call `callback(timer)` every `period_us`; hard: from the interrupt, where nothing may allocate."""
        timer = chip.hard_ticks(machine, period_us, callback) if hard else None
        if timer:
            return timer
        self._timer = (self._timer + 1) % len(chip.TIMERS)
        timer = machine.Timer(chip.TIMERS[self._timer])
        for way in ({"period": period_us, "tick_hz": 1000000}, {"freq": 1000000 / period_us}):
            # Not every port has tick_hz.
            try:
                timer.init(mode=machine.Timer.PERIODIC, callback=callback, **way)
                return timer
            except TypeError:
                pass
        raise OSError(22)

    def watchdog_start(self):
        """Reset the board if it is not fed for 8 s. Returns whether there is such a watchdog."""
        if self._feeder is not None:
            self._feeder.deinit()
            self._feeder = None
        if self._watchdog is None:
            self._watchdog = self._optional(chip.watchdog_start, machine, WATCHDOG_MS)
        return self._watchdog is not None

    def watchdog_feed(self):
        """Still alive."""
        if self._watchdog is not None:
            self._watchdog.feed()

    def watchdog_stop(self):
        """No surprise reset from now on."""
        if self._watchdog is not None:
            self._watchdog.feed()
            if chip.watchdog_stop(machine, self.name):
                self._watchdog = None
            elif self._feeder is None:
                # It does not let itself be stopped: whoever sits at the prompt is not to be thrown out by it.
                self._feeder = machine.Timer(-1)
                feed = self._watchdog.feed
                self._feeder.init(mode=machine.Timer.PERIODIC, period=FEED_MS, callback=lambda _timer: feed())

    def open_button(self, config):
        """Take the button's pin into use: to ground ("low") with a pull-up, to the supply ("high") with a pull-down."""
        self._button = None
        if config:
            low = config["active"] == "low"
            pull = machine.Pin.PULL_UP if low else machine.Pin.PULL_DOWN
            self._pressed_level = 0 if low else 1
            self._button = machine.Pin(config["pin"], machine.Pin.IN, pull)

    def pressed(self):
        """Whether the button is down."""
        return self._button is not None and self._button.value() == self._pressed_level

    def held_at_start(self):
        """Whether the button is held down at power-on: five looks in 50 ms that all say so."""
        for _ in range(5):
            if not self.pressed():
                return False
            sleep_ms(10)
        return True

    def open_light(self, pin):
        """Take the light into use; a board without it goes on without."""
        self._light = None if pin is None else self._optional(machine.Pin, pin, machine.Pin.OUT)

    def light(self, on):
        """Light on or off."""
        if self._light is not None:
            self._light.value(1 if on else 0)

    def open_sounder(self, pin):
        """Take the piezo sounder's pin into use. Returns whether there is one."""
        if self._sounder is not None:
            self._sounder.deinit()
        self._sounder = None if pin is None else self._optional(machine.PWM, machine.Pin(pin))
        if self._sounder is not None:
            self._sounder.freq(1000)  # some ports take no duty before they know a frequency
        self.sound(0, 0)
        return self._sounder is not None

    def sound(self, hz, duty_u16):
        """A tone, or silence for 0."""
        if self._sounder is not None:
            if hz:
                self._sounder.freq(hz)
            self._sounder.duty_u16(duty_u16 if hz else 0)

    def reset(self):
        """Start anew, as after power-on."""
        self.watchdog_stop()
        sleep_ms(50)
        machine.reset()
