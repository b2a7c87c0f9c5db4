# mypy: ignore-errors
"""The world around a virtual board: its time, its timers, and the pressure at its sensors.

Runs under the MicroPython Unix port. Two ways of time: "real" follows the host's clock; "virtual" moves only when the
firmware waits, as fast as the machine can, and the same run gives the same bytes. Either way a timer's callback runs
with the clock standing at the moment it was due, as a hard interrupt would find it.
"""

import struct
import sys
import time as host_time
from array import array

import micropython

TICKS_PERIOD = 1 << 30
HALF_PERIOD = TICKS_PERIOD >> 1
FEED_HEADER = 32
FEED_FIELDS = "<QIIQ"  # samples written, fault mask, inputs (bit 0: button), spare
BLOCK = 64
REAL_WAIT_MS = 4
BUTTON = 1
LOOK_US = 15000


class PowerCut(BaseException):
    """The end of the script: not an `Exception`, so that no handler of the firmware takes it."""


class World:
    """One board's surroundings, from a dict (see `virtual_board.py` on the host)."""

    def __init__(self, config):
        self.virtual = config["time"] == "virtual"
        self.drift_ppm = config.get("drift_ppm", 0)
        self.ticks_at_start = config.get("ticks_at_start", 0)
        self.until_us = config.get("until_us", 0)
        self.timer_slow_calls = config.get("timer_slow_calls", 0)
        """A timer loses a microsecond against the clock in so many calls, as one with a clock of its own may."""
        self.fault_script = config.get("faults", [])
        self.press_script = config.get("presses", [])
        self.config = config
        self.timers = []
        self.in_callback = False
        self.in_interrupt = False
        self.callback_problem = None
        self.watchdog_due_us = None
        self._epoch_ns = config.get("epoch_ns", 0)
        self.boot_us = config.get("boot_us", 0)
        self._true_us = self.boot_us
        self._open_feed(config["feed"])

    # time

    def true_us(self):
        """Microseconds of true time since the feed began."""
        if not self.virtual and not self.in_callback:
            self._true_us = (host_time.time_ns() - self._epoch_ns) // 1000
        return self._true_us

    def device_us(self):
        """What the board's drifting crystal makes of it; not wrapped."""
        elapsed = self.true_us() - self.boot_us
        return self.ticks_at_start + elapsed + elapsed * self.drift_ppm // 1000000

    def _true_of_device(self, device_us):
        elapsed = device_us - self.ticks_at_start
        return self.boot_us + elapsed - elapsed * self.drift_ppm // (1000000 + self.drift_ppm)

    def spend_us(self, microseconds):
        """The firmware works: virtual time goes on by so much."""
        if self.virtual and not self.in_callback:
            self._true_us += microseconds

    def run_due(self):
        """Call back every timer that is due, in order."""
        if self.in_callback:
            return
        now = self.device_us()
        resume = self._true_us
        while True:
            first = None
            for timer in self.timers:
                if timer.due_us <= now and (first is None or timer.due_us < first.due_us):
                    first = timer
            if first is None:
                break
            self.in_callback = True
            self._true_us = self._true_of_device(first.due_us)
            first.due_us += first.period_us
            first.calls += 1
            if self.timer_slow_calls and first.calls % self.timer_slow_calls == 0:
                first.due_us += 1
            try:
                if first.hard:
                    self._interrupt(first)
                else:
                    first.callback(first)
            finally:
                self.in_callback = False
        self._true_us = max(resume, self._true_us)
        if self.watchdog_due_us is not None and self.device_us() > self.watchdog_due_us:
            raise SystemExit(43)
        if self.until_us and self._true_us >= self.until_us:
            raise PowerCut()

    def _interrupt(self, timer):
        """As the rp2 port calls a hard callback: no memory to be had; one that raises is never called again."""
        fails_us = self.config.get("callback_fails_us")
        self.in_interrupt = True
        micropython.heap_lock()
        try:
            if fails_us is not None and self._true_us >= fails_us:
                self.config["callback_fails_us"] = None
                raise ValueError
            timer.callback(timer)
        except Exception as problem:
            timer.deinit()
            self.callback_problem = problem
        finally:
            micropython.heap_unlock()
            self.in_interrupt = False
        if self.callback_problem is not None:
            sys.stderr.write("Uncaught exception in IRQ callback handler: %r\n" % self.callback_problem)
            self.callback_problem = None

    def next_due_us(self):
        """True time of the next timer, or None."""
        due = None
        for timer in self.timers:
            if due is None or timer.due_us < due:
                due = timer.due_us
        return None if due is None else self._true_of_device(due)

    def sleep_us(self, microseconds):
        """Let time pass, timers running."""
        if self.in_callback:
            self._true_us += microseconds
            return
        stop = self.true_us() + microseconds
        while True:
            now = self.true_us()
            if now >= stop:
                self.run_due()
                return
            if self.virtual:
                due = self.next_due_us()
                self._true_us = stop if due is None or due > stop else max(now, due)
            else:
                host_time.sleep_us(min(stop - now, REAL_WAIT_MS * 1000))
            self.run_due()

    # pressure

    def _open_feed(self, feed):
        self._file = open(feed["path"], "rb")
        self._rate_hz = feed["rate_hz"]
        self._columns = feed["columns"]
        self._ring = feed["samples"]
        self._head = bytearray(FEED_HEADER)
        self._block = array("i", bytes(4 * BLOCK * self._columns))
        self._view = memoryview(self._block)
        self._first = 0
        self._count = 0
        self.fault_mask = 0
        self.inputs = 0
        self._noise = 1
        self._looked_us = 0

    def look_at_feed(self):
        """Read the feed's head: how much is there, faults and inputs put in by hand."""
        self._file.seek(0)
        self._file.readinto(self._head)
        written, self.fault_mask, self.inputs, _ = struct.unpack(FEED_FIELDS, self._head[:24])
        return written

    def value(self, column, moment_us=None):
        """A column of the feed now (or at a true time not long past), interpolated. Columns: see `virtual_feed`."""
        scaled = (self.true_us() if moment_us is None else max(0, moment_us)) * self._rate_hz
        index = scaled // 1000000
        within = scaled % 1000000
        if not self._first <= index < self._first + self._count - 1:
            self._load(index)
        at = (index - self._first) * self._columns + column
        low = self._block[at]
        return low + (self._block[at + self._columns] - low) * within // 1000000

    def _load(self, index):
        written = self.look_at_feed()
        tries = 0
        while written < index + 2 and tries < 1000 and not self.virtual:
            host_time.sleep_ms(2)  # the feed is late: the reading waits, so that it is never a wrong one
            written = self.look_at_feed()
            tries += 1
        last = min(index + BLOCK, written)
        slot = index % self._ring
        count = max(0, min(last - index, self._ring - slot))
        columns = self._columns
        if count < 2:
            # The end of the feed, or the ring's seam: hold what there is.
            self._load_one(max(0, min(index, written - 1)), 0)
            self._load_one(max(0, min(index + 1, written - 1)), 1)
            self._first, self._count = index, 2
            return
        self._file.seek(FEED_HEADER + 4 * columns * slot)
        self._file.readinto(self._view[: count * columns])
        self._first, self._count = index, count

    def _load_one(self, index, place):
        columns = self._columns
        self._file.seek(FEED_HEADER + 4 * columns * (index % self._ring))
        self._file.readinto(self._view[place * columns : (place + 1) * columns])

    def dither(self):
        """-1, 0 or 1: the last bit of a converter is never quiet. The same row of numbers in each run."""
        self._noise = self._noise * 1103515245 + 12345 & 0x7FFFFFFF
        return (self._noise >> 16) % 3 - 1

    # faults and inputs

    def fault(self, part):
        """The fault that lies on part number `part` now: its kind, or None."""
        if self.fault_mask:
            kind = self.fault_mask >> 4 * part & 15
            if kind:
                return FAULTS[kind]
        if self.fault_script:
            now = self.true_us()
            for begin, end, number, kind in self.fault_script:
                if number == part and begin <= now < end:
                    return kind
        return None

    def pressed(self):
        """Whether the button is down."""
        now = self.true_us()
        if not self.virtual and now - self._looked_us > LOOK_US:
            self._looked_us = now
            self.look_at_feed()
        for begin, end in self.press_script:
            if begin <= now < end:
                return True
        return bool(self.inputs & BUTTON)


FAULTS = ("none", "absent", "bad_checksum", "stuck", "rail_low", "rail_high", "not_ready", "bus_held")

world = None


def open_world(config):
    """Make the one world."""
    global world
    world = World(config)
    return world


def current():
    """The world, for the stand-ins."""
    return world


def leave(status):
    """End the process with a status that the host side reads: 42 the board resets itself, 43 the watchdog did."""
    sys.exit(status)
