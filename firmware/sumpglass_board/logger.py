"""Logging alone: while no host streams, all channels go to the journal in bins, with marks and statuses."""

from time import ticks_add, ticks_diff, ticks_ms

from sumpglass_board.journal import Journal
from sumpglass_board.sender import Sender
from sumpglass_wire import layouts as L

FLUSH_MS = 2000
STATUS_MS = 10000
DECIMATION = 100


class _Port:
    """The journal as a port for a sender."""

    def __init__(self, journal):
        self.journal = journal
        self.write = journal.write

    def ready(self):
        """Always: what the flash refuses is dropped by the sender."""
        return True

    def wait_out(self, timeout_ms):
        """Never busy."""


class Logger:
    """Runs the rig for the journal. `flush_ms`: from flush to flush, what a power cut can lose."""

    def __init__(self, rig, limit_bytes, flush_ms=FLUSH_MS):
        self._rig = rig
        self.journal = Journal(limit_bytes=limit_bytes)
        self.sender = Sender(_Port(self.journal), rig.clock, rig.sender.payload)
        self.running = False
        self._flush_ms = flush_ms
        self._next_flush = self._next_status = ticks_ms()
        self._forms = []

    def begin(self):
        """All channels, in bins."""
        rig = self._rig
        decimation = rig.settings["journal"].get("decimation", DECIMATION)
        self._forms = [(channel.in_bins, channel.decimation) for channel in rig.channels]
        for channel in rig.channels:
            slow = channel.sample_us * decimation > 1000000
            channel.decimation = max(1, 1000000 // channel.sample_us) if slow else decimation
            channel.in_bins = True
        rig.configuration = (rig.configuration + 1) & 0xFF
        self.running = True
        self.next_segment()
        rig.sample(rig.channels)

    def end(self):
        """Close the segment; the channels get back the form that the host set."""
        self.running = False
        self.journal.close()
        for channel, form in zip(self._rig.channels, self._forms):
            channel.in_bins, channel.decimation = form
        self._rig.configuration = (self._rig.configuration + 1) & 0xFF

    def next_segment(self):
        """Begin a segment, with the identity that its blocks need."""
        self.journal.begin_segment()
        self.sender.mark_start()
        self.sender.message(L.IDENTITY, self._rig.identity())

    def mark(self, fields, time_us):
        """A press of the button; safe on flash at once."""
        self.sender.message(L.MARK, fields, time_us)
        self.journal.flush()

    def tick(self, now):
        """Call in every turn of the main loop."""
        if self.journal.segment_full and not self.journal.failed:
            self.next_segment()
        if ticks_diff(now, self._next_status) >= 0:
            self._next_status = ticks_add(now, STATUS_MS)
            self.sender.message(L.STATUS, self._rig.status.fields(self._rig, self._rig.sampling.groups))
        if ticks_diff(now, self._next_flush) >= 0:
            self._next_flush = ticks_add(now, self._flush_ms)
            self.journal.flush()
