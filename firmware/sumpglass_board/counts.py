"""Counts in a block, of either width."""

import struct

import micropython

NO_READING_2 = -0x8000
NO_READING_4 = -0x80000000


@micropython.viper
def count_2(block: ptr16, index: int) -> int:  # noqa: F821 - viper's own types
    """Signed 16-bit count number `index` of a block, without allocating."""
    value = int(block[index])
    return value - 65536 if value > 32767 else value


def count_4(block, index):
    """Signed 32-bit count number `index` of a block."""
    return struct.unpack_from("<i", block, 4 * index)[0]


def mean_of(decimator):
    """Mean of every fourth valid count of a decimator's block, or None."""
    nothing = NO_READING_2 if decimator.width == 2 else NO_READING_4
    total = count = 0
    for index in range(0, decimator.filled, 4):
        value = decimator.count(decimator.block, index)
        if value != nothing:
            total += value
            count += 1
    return total / count if count else None
