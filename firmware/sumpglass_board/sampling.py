"""Starting and stopping: timers, groups of channels, and the slow inputs that only the analogue timer may touch."""

from time import ticks_diff, ticks_ms

from sumpglass_board.channels import make_groups
from sumpglass_board.sampler import Slow

DEAD_MS = 1000


class Sampling:
    """What runs while the rig samples; empty while it does not."""

    def __init__(self, board):
        self._board = board
        self._timers = []
        self._slow = {}
        self._seen = []
        self.groups = []
        self.last_reference = None

    def begin(self, channels):
        """Start timers for these channels."""
        self.end()
        self.groups = make_groups(channels, self._open_slow(channels))
        now = ticks_ms()
        self._seen = [(group.sampler.head, now) for group in self.groups]
        for group in self.groups:
            self._timers.append(self._start(group))

    def _start(self, group):
        sampler = group.sampler
        return self._board.start_timer(sampler.period_us, sampler.callback, group.hard)

    def revive(self, now_ms):
        """Start a timer again that has stopped calling, as one does whose callback once failed. Call now and then."""
        for index, group in enumerate(self.groups[: len(self._timers)]):
            sampler = group.sampler
            head, since = self._seen[index]
            if head != sampler.head or sampler.broken:
                self._seen[index] = sampler.head, now_ms
            elif ticks_diff(now_ms, since) > DEAD_MS + 4 * sampler.period_us // 1000:
                self._seen[index] = head, now_ms
                self._timers[index].deinit()
                sampler.broken = True  # what is in the ring is sent, then a new time line begins
                self._timers[index] = self._start(group)

    def stop_timers(self):
        """No more readings; what is in the rings stays."""
        for timer in self._timers:
            timer.deinit()
        self._timers = []

    def end(self):
        """Stop and forget."""
        self.stop_timers()
        self.groups = []

    def channels(self):
        """The channels that run."""
        return [channel for group in self.groups for channel in group.channels]

    def slow_mean(self, name):
        """Mean of "reference" (counts), "temperature" (degC) or "supply" (mV) since the last call, or None."""
        pair = self._slow.get(name)
        if not pair:
            return None
        raw = pair[0].take_mean()
        if raw is None:
            return None
        value = pair[1](raw)
        if name == "reference":
            self.last_reference = value
        return value

    def _open_slow(self, channels):
        self._slow = {}
        hard = [channel for channel in channels if channel.hard]
        if not hard:
            return ()
        slow = []
        for channel in hard:
            if channel.sensor.read_reference and not slow:
                slow.append(("reference", channel.sensor.read_reference, _counts))
        for name, source in (("temperature", self._board.temperature()), ("supply", self._board.supply())):
            if source:
                slow.append((name, source[0], source[1]))
        for name, read, convert in slow:
            self._slow[name] = Slow(read), convert
        return tuple([self._slow[name][0] for name, _, _ in slow])


def _counts(raw):
    return raw - 32768
