"""Raw conversions in a ring to samples in a block: anti-alias filter, rails, stuck codes."""

from array import array
from math import cos, pi, sin

import micropython
from micropython import const

from sumpglass_board.counts import count_2, mean_of

SUM_OF_TAPS = 8192  # 65535 * 8192 stays under 2^31 with room for the filter's negative lobes
TAPS_PER_STEP = 8

# Places in the state that the filter shares with Python.
_TAIL = const(0)
_HEAD = const(1)
_MASK = const(2)
_TAPS = const(3)
_STEP = const(4)
_FILLED = const(5)
_ROOM = const(6)
_RAIL_LOW = const(7)
_RAIL_HIGH = const(8)
_COUNT_RAIL_LOW = const(9)
_COUNT_RAIL_HIGH = const(10)
_LAST_RAW = const(11)
_SAME = const(12)
_STUCK_AFTER = const(13)
_COUNT_STUCK = const(14)
_CLIP_LOW = const(15)
_CLIP_HIGH = const(16)
_COUNT_CLIP = const(17)


def design_taps(oversampling):
    """Low-pass taps for `oversampling` readings a sample, as integers whose sum is SUM_OF_TAPS.

    Windowed sinc (Hamming), 8 taps a step, half-amplitude point at 0.4 of the sample rate. For 4 readings a sample at
    1 kHz: within 0.1 dB to 200 Hz, and what would fold back below 400 Hz is at least 50 dB down.
    """
    if oversampling == 1:
        return array("i", [SUM_OF_TAPS])
    length = TAPS_PER_STEP * oversampling
    middle = (length - 1) / 2
    ideal = []
    for k in range(length):
        x = 0.8 * (k - middle) / oversampling
        window = 0.54 - 0.46 * cos(2 * pi * k / (length - 1))
        ideal.append(window * (sin(pi * x) / (pi * x) if x else 1.0))
    total = sum(ideal)
    taps = array("i", [int(round(SUM_OF_TAPS * value / total)) for value in ideal])
    # Rounding leaves a remainder; the two middle taps take it, so that a steady level comes out as it went in.
    short = SUM_OF_TAPS - sum(taps)
    taps[length // 2] += short // 2
    taps[length // 2 - 1] += short - short // 2
    return taps


@micropython.viper
def _filter(ring: ptr16, taps: ptr16, block: ptr16, state: ptr32):  # noqa: F821 - viper's own types
    tail = int(state[_TAIL])
    head = int(state[_HEAD])
    mask = int(state[_MASK])
    length = int(state[_TAPS])
    step = int(state[_STEP])
    filled = int(state[_FILLED])
    room = int(state[_ROOM])
    low = int(state[_RAIL_LOW])
    high = int(state[_RAIL_HIGH])
    last = int(state[_LAST_RAW])
    same = int(state[_SAME])
    while filled < room and ((head - tail) & mask) >= length:
        total = 0
        on_low = 0
        on_high = 0
        for k in range(length):
            raw = int(ring[(tail + k) & mask])
            if raw <= low:
                on_low = 1
            elif raw >= high:
                on_high = 1
            total += raw * (int(taps[k]) - 32768)
        for k in range(step):
            raw = int(ring[(tail + k) & mask])
            if raw == last:
                same += 1
            else:
                same = 0
                last = raw
        value = (total + 4096) >> 13
        if value < 1:
            value = 1
        elif value > 65535:
            value = 65535
        if on_low:
            state[_COUNT_RAIL_LOW] = int(state[_COUNT_RAIL_LOW]) + 1
            value = 0
        elif on_high:
            state[_COUNT_RAIL_HIGH] = int(state[_COUNT_RAIL_HIGH]) + 1
            value = 0
        elif value <= int(state[_CLIP_LOW]) or value >= int(state[_CLIP_HIGH]):
            # Looked at before "stuck": a sensor at its limit stands still too.
            state[_COUNT_CLIP] = int(state[_COUNT_CLIP]) + 1
        elif same > int(state[_STUCK_AFTER]):
            state[_COUNT_STUCK] = int(state[_COUNT_STUCK]) + 1
            same = int(state[_STUCK_AFTER]) + 1
            value = 0
        block[filled] = value - 32768
        filled += 1
        tail = (tail + step) & mask
    state[_TAIL] = tail
    state[_FILLED] = filled
    state[_LAST_RAW] = last
    state[_SAME] = same


class AnalogueDecimator:
    """Raw 16-bit conversions to signed 16-bit counts (shifted down by 32768), `oversampling` to one.

    A sample whose filter touches a rail, or that comes after `stuck_after` equal conversions, is "no valid reading".
    One at or beyond `clips` (counts) is counted as out of range and sent as it is: IDENTITY tells those limits.
    """

    width = 2
    count = staticmethod(count_2)

    def __init__(self, oversampling, rails, clips, stuck_after, room):
        # Shifted to be positive: on a 64-bit port a native 32-bit load would lose the sign.
        self._taps = array("H", [tap + 32768 for tap in design_taps(oversampling)])
        self.block = bytearray(2 * room)
        self.room = room
        self._state = array("i", [0] * 18)
        state = self._state
        state[_TAPS] = len(self._taps)
        state[_STEP] = oversampling
        state[_ROOM] = room
        state[_RAIL_LOW], state[_RAIL_HIGH] = rails
        state[_CLIP_LOW], state[_CLIP_HIGH] = clips[0] + 32768, clips[1] + 32768
        state[_LAST_RAW] = -1
        state[_STUCK_AFTER] = stuck_after
        self.delay_halves = len(self._taps) - 1
        """Readings from the first one of a window to its middle, times two."""

    def run(self, lane, tail, head, mask):
        """Take what is complete; fills `block` up to its room. Returns the new tail."""
        state = self._state
        state[_TAIL] = tail
        state[_HEAD] = head
        state[_MASK] = mask
        _filter(lane.data, self._taps, self.block, state)
        return state[_TAIL]

    def mean(self):
        """Mean of every fourth valid count of the block, or None; for the board's own ears."""
        return mean_of(self)

    @property
    def filled(self):
        """Samples in the block."""
        return self._state[_FILLED]

    def clear(self):
        """The block was sent."""
        self._state[_FILLED] = 0

    def take_faults(self, counts):
        """Add what happened since the last call to `counts` (by kind, see `sensors`)."""
        state = self._state
        counts[3] += state[_COUNT_STUCK]
        counts[4] += state[_COUNT_RAIL_LOW]
        counts[5] += state[_COUNT_RAIL_HIGH]
        counts[6] += state[_COUNT_CLIP]
        state[_COUNT_STUCK] = state[_COUNT_RAIL_LOW] = state[_COUNT_RAIL_HIGH] = state[_COUNT_CLIP] = 0
