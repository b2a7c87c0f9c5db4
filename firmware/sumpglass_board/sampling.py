"""Starting and stopping: timers, groups of channels, and the slow inputs that only the analogue timer may touch."""

from sumpglass_board.channels import make_groups
from sumpglass_board.sampler import Slow


class Sampling:
    """What runs while the rig samples; empty while it does not."""

    def __init__(self, board):
        self._board = board
        self._timers = []
        self._slow = {}
        self.groups = []
        self.last_reference = None

    def begin(self, channels):
        """Start timers for these channels."""
        self.end()
        self.groups = make_groups(channels, self._open_slow(channels))
        for group in self.groups:
            sampler = group.sampler
            self._timers.append(self._board.start_timer(sampler.period_us, sampler.callback, group.hard))

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
