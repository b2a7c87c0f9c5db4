"""Channels at work: sampler, decimator and form of each, and the moment to which each block belongs."""

from time import ticks_diff

from micropython import const

from sumpglass_board import sensors
from sumpglass_board.ring import Ring, keep
from sumpglass_board.sampler import Lane, Sampler

_MOST_READINGS_HZ = const(4000)
RING_SLOTS = 2048
"""Half a second at the fastest rate: longer than the main loop is ever away, flash writes included."""
_MOST_IN_BLOCK = const(60)
BLOCK_S = 0.06
_BINS_WAIT_US = const(250000)
_FAULT_LASTS_MS = const(500)
LAW = ("transfer", "offset", "scale", "counts_low", "resolution", "range_low")


class Channel:
    """One sensor with its rate and form. `rate_hz` is rounded to what the timer can do."""

    def __init__(self, number, config, settings, board):
        self.number = number
        self.config = config
        try:
            self.sensor = sensors.make(config, board)
        except ValueError as problem:
            raise ValueError("channel %d: %s" % (number, problem))
        self.hard = self.sensor.hard
        self.fault_counts = [0] * 8 if self.hard else self.sensor.fault_counts
        self._seen_counts = [0] * 8
        self._seen_ms = [0] * 8
        self._lasting = 0
        self._law = None
        self.decimation = 1
        self.in_bins = False
        self.oversampling = settings["oversampling"] if self.hard else 1
        # Loaded here and not at the start of sampling, which a host waits for.
        __import__("sumpglass_board." + ("decimator" if self.hard else "bus_decimator"))
        self.set_rate(config.get("rate_hz") or getattr(self.sensor, "usual_hz", settings["rate_hz"]))

    def most_hz(self):
        """The fastest rate that this channel can be set to."""
        return _MOST_READINGS_HZ if self.hard else self.sensor.most_hz

    def ring(self):
        """`(type code, slots)` of its ring: half a second at the channel's fastest rate."""
        if self.hard:
            return "H", RING_SLOTS
        slots = 32
        while slots < self.sensor.most_hz // 2:
            slots *= 2
        return "i", slots

    def set_rate(self, rate_hz):
        """Take the nearest rate that the timer can do, and as much oversampling as fits under it."""
        self._wanted_oversampling = self.oversampling
        period = int(round(1000000 / rate_hz))
        steps = 1
        if self.hard:
            steps = max(1, min(self._wanted_oversampling, int(_MOST_READINGS_HZ / rate_hz)))
            period = max(250, int(round(period / steps)))
        self.steps = steps
        self.period_us = period

    @property
    def sample_us(self):
        """Microseconds from sample to sample."""
        return self.period_us * self.steps

    def facts(self):
        """This channel's fields in IDENTITY."""
        fields = self.sensor.facts()
        quantity = self.config.get("quantity")
        if quantity in sensors.QUANTITIES:
            fields["quantity"] = sensors.QUANTITIES[quantity]
        fields["channel"] = self.number
        fields["decimation"] = self.decimation if self.in_bins else 1
        fields["rate_millihertz"] = int(round(1e9 / (self.sample_us * fields["decimation"])))
        fields["oversampling"] = self.steps
        return fields

    def open(self, sampler, lane):
        """Begin to work on readings of `lane`."""
        self._sampler = sampler
        self._lane = lane
        room = max(1, min(_MOST_IN_BLOCK, int(BLOCK_S * 1000000 / self.sample_us)))
        stuck_after = int(self.sensor.stuck_after_s * 1000000 / self.period_us)
        facts = self.sensor.facts()
        clips = facts["counts_low"], facts["counts_high"]
        if self.hard:
            from sumpglass_board.decimator import AnalogueDecimator

            rails = self.sensor.rail_low, self.sensor.rail_high
            self.decimator = AnalogueDecimator(self.steps, rails, clips, stuck_after, room)
        else:
            from sumpglass_board.bus_decimator import BusDecimator

            self.sensor.open(self.period_us)
            self.decimator = BusDecimator(self.sensor.width, clips, stuck_after, room)
        self.bins = None
        if self.in_bins:
            from sumpglass_board.bins import Bins  # for slow links and the journal

            self.bins = Bins(self.decimator.width, self.decimation)
        self.restart(sampler.head)

    def restart(self, tail):
        """A new time line begins at the reading in slot `tail`."""
        self.tail = tail
        self._base_us = None
        self._sent = 0
        self._binned = 0
        self.decimator.clear()
        if self.bins:
            self.bins.restart()

    def run(self, clock):
        """Move readings from the ring into the block (and on into bins)."""
        if self._base_us is None:
            if self._sampler.head == self.tail:
                return
            self._anchor = self._sampler.anchor
            self._base_us = clock.at_us(self._anchor)
        elif self._sampler.anchor != self._anchor:
            self._base_us += ticks_diff(self._sampler.anchor, self._anchor)
            self._anchor = self._sampler.anchor
        decimator = self.decimator
        self.tail = decimator.run(self._lane, self.tail, self._sampler.head, self._sampler.mask)
        if self.bins and decimator.filled:
            self._fill_bins()

    def _fill_bins(self):
        decimator = self.decimator
        self._binned = self.bins.take(decimator.count, decimator.block, self._binned, decimator.filled)
        if self._binned == decimator.filled:
            decimator.clear()
            self._binned = 0

    def due(self, all_of_it):
        """Whether there is a block to send; `all_of_it`: also one that is not full."""
        if not self.in_bins:
            filled = self.decimator.filled
            return filled == self.decimator.room or (all_of_it and filled > 0)
        filled = self.bins.filled
        waited = filled * self.decimation * self.sample_us >= _BINS_WAIT_US
        return filled > 0 and (self.bins.full or waited or all_of_it)

    def send(self, sender, configuration, quiet):
        """Send the block (or forget it when `quiet`); the sender must not be busy."""
        decimator = self.decimator
        delay_us = decimator.delay_halves * self.period_us // 2 if self.hard else -self.sensor.age_us()
        time_us = self._base_us + self._sent * self.sample_us + delay_us
        if self.in_bins:
            time_us += (self.decimation - 1) * self.sample_us // 2
            if not quiet:
                data, length = self.bins.data, self.bins.filled * self.bins.size
                sender.block(0x12, self.number, decimator.width, configuration, time_us, data, length)
            self._sent += self.bins.filled * self.decimation
            self.bins.clear()
        else:
            filled = decimator.filled
            if not quiet:
                data, length = decimator.block, filled * decimator.width
                sender.block(0x11, self.number, decimator.width, configuration, time_us, data, length)
            self._sent += filled
            decimator.clear()

    def pascals(self, counts, reference=None):
        """Counts as pascals by the facts of IDENTITY; without a reference the nominal supply stands in."""
        if self._law is None:
            facts = self.sensor.facts()
            self._law = [facts[name] for name in LAW]
        transfer, offset, scale, counts_low, resolution, range_low = self._law
        if transfer == 1:
            return (counts - offset) * scale
        if reference is None:
            return (counts - counts_low) * resolution / 16 + range_low
        return ((counts + 32768) / (reference + 32768) - offset) * scale

    def block_mean_pa(self, sampling):
        """Mean of the block that is about to be sent, or None when there is no valid reading in it."""
        if self.in_bins:
            mean = self.bins.mean_of_all()
        else:
            mean = self.decimator.mean()
        return None if mean is None else self.pascals(mean, sampling.last_reference)

    def block_s(self):
        """Seconds of that block."""
        samples = self.bins.filled * self.decimation if self.in_bins else self.decimator.filled
        return samples * self.sample_us / 1000000

    def look_for_faults(self, now_ms):
        """Bits of the fault kinds that last: seen within the last half second. Call a few times a second."""
        self.decimator.take_faults(self.fault_counts)
        for kind in range(1, 8):
            count = self.fault_counts[kind]
            if count != self._seen_counts[kind]:
                self._seen_counts[kind] = count
                self._seen_ms[kind] = now_ms
                self._lasting |= 1 << kind
            elif self._lasting & 1 << kind and ticks_diff(now_ms, self._seen_ms[kind]) > _FAULT_LASTS_MS:
                self._lasting &= ~(1 << kind)
        return self._lasting

    def faults(self):
        """Fields of STATUS for the faults that last."""
        return [
            {"channel": self.number, "kind": kind, "occurrences": self.fault_counts[kind]}
            for kind in range(1, 8)
            if self._lasting & 1 << kind
        ]


class Group:
    """Channels that share a timer: all analogue ones, or one bus sensor."""

    def __init__(self, channels, slow=()):
        self.channels = channels
        first = channels[0]
        code, slots = first.ring()
        lanes = [Lane(channel.sensor.read, code, slots, channel.number) for channel in channels]
        self.hard = first.hard
        self.sampler = Sampler(lanes, slots, first.period_us, first.steps, slow)
        for channel, lane in zip(channels, lanes):
            channel.open(self.sampler, lane)

    def run(self, clock, sender, configuration, quiet, take, all_of_it=False):
        """Move readings to blocks and blocks to the sender while it takes them; `take(channel)` sees each block."""
        sampler = self.sampler
        broken = sampler.broken
        for channel in self.channels:
            while not sender.busy:
                channel.run(clock)
                if not channel.due(all_of_it or broken):
                    break
                take(channel)
                channel.send(sender, configuration, quiet)
        self._free_slots()
        if broken and not sender.busy:
            for channel in self.channels:
                channel.restart(sampler.head)
            sampler.restart()

    def _free_slots(self):
        # The slowest channel of the group decides which slots the timer may fill again.
        sampler = self.sampler
        head = sampler.head
        tail = self.channels[0].tail
        for channel in self.channels:
            if (head - channel.tail) & sampler.mask > (head - tail) & sampler.mask:
                tail = channel.tail
        sampler.tail = tail


def reserve(channels):
    """Find memory for the rings of these channels while it is in one piece; other rings are given up."""
    keep([channel.ring() + (channel.number,) for channel in channels])
    for channel in channels:
        code, slots = channel.ring()
        Ring(code, slots, channel.number)


def make_groups(channels, slow):
    """Groups of the channels: one timer for all analogue ones, one for each bus sensor."""
    groups = []
    hard = [channel for channel in channels if channel.hard]
    if hard:
        groups.append(Group(hard, slow))
    for channel in channels:
        if not channel.hard:
            groups.append(Group([channel]))
    return groups
