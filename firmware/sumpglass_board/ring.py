"""A ring of readings between the timer's callback, which puts, and the main loop, which takes."""

from array import array

INVALID = {"H": 0xFFFF, "i": -0x80000000}
"""What stands for "no valid reading", by type code. 0xFFFF is also the converter's top rail: no pressure either."""


class Ring:
    """`slots` (a power of two) readings of one channel. `code`: "H" raw 16-bit conversions, "i" counts."""

    def __init__(self, code, slots):
        if slots & (slots - 1):
            raise ValueError("slots must be a power of two")
        self.data = array(code, bytes(slots * (2 if code == "H" else 4)))
        self.invalid = INVALID[code]
