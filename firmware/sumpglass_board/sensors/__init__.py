"""Sensors: one file a part. A new one is a new file here; its name is what the settings call it.

Each module has `make(config, board)`, which returns a sensor, and `check(config)`, which returns a sentence that says
what is wrong with the settings of this channel, or None. Buses and pins come from the board, never from here.

An analogue sensor has `hard = True` and `read()`, a raw 16-bit conversion. A bus sensor has `hard = False` and
`read()`: counts, or NO_READING with the reason in `fault`. Both have `facts()`: fields of a channel in IDENTITY.
"""

import sys

from sumpglass_board import forget

MAKING = ("check", "probe", "make", "check_part", "part_facts", "factor", "FACTORS", "GAINS", "ADDRESSES")
"""Names in a driver that its sensors no longer look at once they are made."""

NO_READING = -0x80000000
NO_ANSWER = 1
BAD_CHECKSUM = 2
STUCK = 3
RAIL_LOW = 4
RAIL_HIGH = 5
OUT_OF_RANGE = 6
NOT_READY = 7

QUANTITIES = {
    "differential_pressure": 1,
    "absolute_pressure": 2,
    "manifold_pressure": 3,
    "temperature": 4,
    "reference_voltage": 5,
}


def module(name):
    """The driver called `name`. Raises ValueError when there is none."""
    if not isinstance(name, str) or not _plain(name):
        raise ValueError("sensor %r is no name" % (name,))
    try:
        __import__("sumpglass_board.sensors." + name)
    except ImportError:
        raise ValueError("there is no sensor %r" % name)
    return sys.modules["sumpglass_board.sensors." + name]


def make(config, board):
    """The sensor of a channel's settings. Raises ValueError with what is wrong with them."""
    driver = module(config["sensor"])
    problem = driver.check(config)
    if problem:
        raise ValueError(problem)
    return driver.make(config, board)


def shed():
    """Give back the memory of what drivers need only to find and to make their sensors. The next `make` loads anew."""
    for path in list(sys.modules):
        if path.startswith("sumpglass_board.sensors."):
            driver = sys.modules.pop(path)
            globals().pop(path.rsplit(".", 1)[1], None)
            for name in MAKING:
                if hasattr(driver, name):
                    delattr(driver, name)
    forget("analogue_parts")


def _plain(name):
    for letter in name:
        if not (letter.isalpha() or letter.isdigit() or letter == "_"):
            return False
    return bool(name)


class BusSensor:
    """What all bus sensors share: a fault with its kind, and patience with a bus that does not answer."""

    hard = False
    width = 2
    stuck_after_s = 2
    usual_hz = 500
    most_hz = 1000
    warm_up_us = 0
    averages = False

    def __init__(self, bus, address):
        self.bus = bus
        self.address = address
        self.fault = 0
        self.fault_counts = [0] * 8
        self._skip = 0
        self._failures = 0
        self.period_us = 2000
        self._warming = 0

    def open(self, period_us):
        """Start the part; it will be read every `period_us`. A part that does not answer is told, not raised."""
        self.period_us = period_us
        self._skip = self._failures = 0
        self.begin_again()

    def age_us(self):
        """How long before the reading the moment lies to which it belongs."""
        return 0

    def read(self):
        """Counts, or NO_READING with the reason in `fault`. Never raises."""
        if self._skip:
            # A bus that is held down costs its whole timeout at each try: ten tries a second are enough.
            self._skip -= 1
            return self.failed(self.fault)
        try:
            value = self.read_counts()
        except OSError:
            if self._warming > 0:
                self._warming -= 1
                return self.failed(NOT_READY)
            self._failures += 1
            if self._failures >= 3:
                self._skip = 100000 // self.period_us
                self.begin_again()
            return self.failed(NO_ANSWER)
        if self.averages and (self._failures or self._warming):
            value = self.failed(NOT_READY)  # its average reaches back to before it was ready
        self._failures = 0
        self._warming = 0
        if value != NO_READING:
            self.fault = 0
        return value

    def begin_again(self):
        """Start the part as after power-on; refusals of the first `warm_up_us` then count as "not ready"."""
        try:
            self.start()
            self._warming = self.warm_up_us // self.period_us + 1
        except OSError:
            self.fault = NO_ANSWER

    def failed(self, kind):
        """Note the kind of fault; returns NO_READING."""
        self.fault = kind
        self.fault_counts[kind] += 1
        return NO_READING
