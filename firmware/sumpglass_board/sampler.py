"""Timer ticks to readings in rings. Nothing is allocated between tick and ring.

One sampler has one timer and one or more lanes that are read at each tick. Chip converters are read in a hard
callback (where the port has such): at most a few microseconds late whatever the main loop does. Bus sensors are read in
a soft callback, since a driver on a bus that fails raises, and a raise needs memory; how late that makes them is
measured like anything else and told in the status.
"""

from time import ticks_add, ticks_diff, ticks_us

from sumpglass_board.ring import Ring


class Lane:
    """One channel of a sampler: where its readings come from and the ring they go to."""

    def __init__(self, read, code, slots, place=0):
        self.read = read
        ring = Ring(code, slots, place)
        self.data = ring.data
        self.invalid = ring.invalid


class Slow:
    """An input read now and then between the samples (reference, supply, temperature): sum and count until taken."""

    def __init__(self, read):
        self.read = read
        self.sum = 0
        self.count = 0

    def take_mean(self):
        """Mean since the last call, or None. A tick between the three lines costs one reading, no more."""
        count = self.count
        total = self.sum
        self.sum = self.count = 0
        return total / count if count else None


class Sampler:
    """Reads its lanes every `period_us`; `oversampling` ticks make one sample, for the limits of lateness."""

    def __init__(self, lanes, slots, period_us, oversampling=1, slow=()):
        self.lanes = lanes
        self.period_us = period_us
        self.head = 0
        self.tail = 0
        self.mask = slots - 1
        self.late = 0
        self.lost = 0
        self.largest_us = 0
        self.broken = False
        """True when ticks were lost (ring full, or the timer stopped calling): the time line has to begin anew."""
        self.anchor = 0
        """Ticks at which the reading in slot `tail` of a new time line was due."""
        self._slow = slow
        self._next_slow = 0
        self._late_us = period_us * oversampling // 10
        self._wrong_us = period_us * oversampling
        self._watch_us = -1
        self._least = self._wrong_us
        self._due = 0
        self._first = True
        self._last_late = 0
        self._not_catching_up = 0
        self.callback = self._tick  # a bound method made once: making it at each tick would allocate

    def restart(self):
        """Begin a new time line at the next tick. Call with the timer stopped, or after `broken`."""
        self._first = True
        self._watch_us = -1  # so that the next tick is judged, whatever it is
        self._least = self._wrong_us
        self._not_catching_up = 0
        self.tail = self.head
        self.broken = False

    def _tick(self, _timer):
        now = ticks_us()
        late = ticks_diff(now, self._due)
        self._due = ticks_add(self._due, self.period_us)
        if late < self._least:
            self._least = late
        head = self.head
        after = (head + 1) & self.mask
        if not 0 <= late <= self._watch_us and self._judge(now, late):
            for lane in self.lanes:
                lane.data[head] = lane.invalid
        elif self.broken or after == self.tail:
            self.broken = True
            self.lost += 1
            return
        else:
            for lane in self.lanes:
                lane.data[head] = lane.read()
        self.head = after
        if not head & 255:
            self._follow()
        if not head & 15 and self._slow:
            self._read_slow()

    def _follow(self):
        """Now and then: a timer is never early, so what even the promptest tick was late by is the timer's own.

        Its clock may run off from the one that tells the time, and ticks may have been swallowed, fewer than make a
        sample: the time line moves along.
        """
        least = self._least
        self._least = self._wrong_us
        if 0 < least < self._wrong_us:
            self.anchor = ticks_add(self.anchor, least)
            self._due = ticks_add(self._due, least)

    def _judge(self, now, late):
        """An unusual tick; True when its reading would belong to another sample.

        A timer that was held up either calls once for each tick missed, less late each time, or drops them: then the
        lateness does not shrink and the time line is broken.
        """
        if self._first or late < 0:
            # Either no tick was due before this one, or the first ones were themselves late, since a timer is never
            # early: the time line moves to the earliest one seen.
            self.anchor = now if self._first else ticks_add(self.anchor, late)
            self._first = False
            self._due = ticks_add(now, self.period_us)
            return False
        if late > self.largest_us:
            self.largest_us = late
        self._watch_us = min(self.largest_us, self._late_us)
        if late <= self._late_us:
            return False
        self.late += 1
        wrong = late > self._wrong_us
        if wrong and late >= self._last_late:
            self._not_catching_up += 1
            if self._not_catching_up > 3:
                self.broken = True
        else:
            self._not_catching_up = 0
        self._last_late = late
        # A full ring or a broken time line is for the tick to tell; it takes no reading then anyway.
        return wrong and not self.broken and (self.head + 1) & self.mask != self.tail

    def _read_slow(self):
        slow = self._slow[self._next_slow]
        self._next_slow += 1
        if self._next_slow == len(self._slow):
            self._next_slow = 0
        if slow.count < 8192:  # the sum stays a small integer: no allocation here
            slow.sum += slow.read()
            slow.count += 1
