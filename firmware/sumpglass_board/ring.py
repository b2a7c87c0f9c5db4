"""A ring of readings between the timer's callback, which puts, and the main loop, which takes."""

from array import array

_kept = {}
"""Memory of rings that were made once: found in one piece at the start, perhaps not later."""

INVALID = {"H": 0xFFFF, "i": -0x80000000}
"""What stands for "no valid reading", by type code. 0xFFFF is also the converter's top rail: no pressure either."""


def keep(keys):
    """Give up the memory of all rings but those of these `(code, slots, place)`."""
    for key in list(_kept):
        if key not in keys:
            del _kept[key]


class Ring:
    """`slots` (a power of two) readings of one channel. `code`: "H" raw 16-bit conversions, "i" counts.

    Rings of the same kind and `place` (the channel's number) share their memory: only one of them is used at a time.
    """

    def __init__(self, code, slots, place=0):
        if slots & (slots - 1):
            raise ValueError("slots must be a power of two")
        key = (code, slots, place)
        if key not in _kept:
            _kept[key] = array(code, bytes(slots * (2 if code == "H" else 4)))
        self.data = _kept[key]
        self.invalid = INVALID[code]
