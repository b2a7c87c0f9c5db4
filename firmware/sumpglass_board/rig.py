"""What requests ask of the rig: identity, streaming, rates, zero, settings, sounds, journal."""

import gc
from time import ticks_ms

from sumpglass_board import forget, sensors
from sumpglass_board.channels import Channel, reserve
from sumpglass_board.clock import Clock
from sumpglass_board.commands import BAD_VALUE, Commands, Refused, RequestReader
from sumpglass_board.patterns import START
from sumpglass_board.sampling import Sampling
from sumpglass_board.sender import Sender
from sumpglass_board.signals import Button, Signals
from sumpglass_board.status import Status, identity_fields

LOST_HOST_MS = 30000
"""A host that streams asks for the time now and then; silent for so long, it is gone and the journal goes on."""


class Rig:
    """State of the rig and the actions of `commands`; the main loop is in `app`."""

    def __init__(self, board):
        self.board = board
        self.settings, self.settings_damaged = load_settings()
        self.clock = Clock()
        self.sender = Sender(board.console, self.clock)
        self.reader = RequestReader(self.sender.payload)
        self.commands = Commands(self)
        self.sampling = Sampling(board)
        self.status = Status()
        self.digest = _digest()
        self.configuration = 0
        self.streaming = False
        self.watchdog_on = False
        self.zero = None
        self.zero_measured_us = {}
        self.leaving = None
        self.identity_owed = False
        self.logger = None
        self.journal_filled = False
        self.started_ms = None
        self.last_request_ms = ticks_ms()
        try:
            self.build()
        except (ValueError, OSError, TypeError):
            # Put on the board by hand, perhaps for another one: it is to answer, and to tell that they are damaged.
            self.settings, self.settings_damaged = default_settings(), True
            self.build()
        gc.threshold(-1)  # from here on memory is collected with the statuses, not in between

    def build(self):
        """Channels and signals from the settings. Raises ValueError or OSError when they cannot be made."""
        now = self.settings
        self.channels = []  # what was there goes first: old and new drivers together may be more than there is room for
        gc.collect()
        for config in now["channels"]:
            self.channels.append(Channel(len(self.channels), config, now, self.board))
        sensors.shed()
        reserve(self.channels)
        self.board.open_button(now["button"])
        self.board.open_light(now["light_pin"])
        self.sounder = self.board.open_sounder(now["sounder_pin"])
        self.signals = Signals(self.board.sound, self.board.light, now["volume_percent"], now["muted"])
        self.button = Button(self.board.pressed)
        self.listener = None
        if self.sounder:
            from sumpglass_board.listener import Listener

            self.listener = Listener()
        gc.collect()

    def open_logger(self):
        """Make the logger, which is loaded only when it is needed: see `close_logger`."""
        if self.logger is None:
            from sumpglass_board.logger import Logger

            self.logger = Logger(self, self.settings["journal"].get("limit_kb", 512) * 1024)
        return self.logger

    def close_logger(self):
        """A host streams now: the logger's memory is given back until that host is gone."""
        if self.logger is not None:
            self.journal_filled = self.logger.journal.full
            self.logger = None
            forget("logger")
            forget("journal")

    # Requests, in the order of `commands`.

    def identity(self):
        """Fields of IDENTITY."""
        return identity_fields(self)

    def start(self, mask):
        """Sample and stream the channels of the mask (0: all)."""
        self.halt()
        chosen = [channel for channel in self.channels if not mask or mask & 1 << channel.number]
        if not chosen:
            raise Refused(BAD_VALUE, "there is no such channel")
        self.streaming = True
        self.close_logger()
        self.sample(chosen)
        self.signals.play(START, ticks_ms())
        self.identity_owed = True

    def stop(self):
        """Stop; what is in the rings is sent first."""
        self.sampling.stop_timers()
        self.sender.flush(500)
        for group in self.sampling.groups:
            for _ in range(200):
                group.run(self.clock, self.sender, self.configuration, not self.streaming, self.take, True)
                if not self.sender.busy:
                    break
                self.sender.flush(500)
        self.halt()

    def leave(self, reason):
        """After the answer: "prompt" or "reset"."""
        self.leaving = reason

    def journal_full(self):
        """Whether the journal had to give up its oldest segments."""
        return self.journal_filled if self.logger is None else self.logger.journal.full

    def logging(self):
        """Whether the rig samples for the journal."""
        return self.logger is not None and self.logger.running

    def slow_mean(self, name):
        """See `Sampling.slow_mean`."""
        return self.sampling.slow_mean(name)

    # Sampling.

    def sample(self, channels):
        """Start the timers, and the watchdog with them."""
        forget("changes")  # what only changes the rig is loaded again when it is asked for
        gc.collect()
        self.sampling.begin(channels)
        if self.settings["watchdog"]:
            self.watchdog_on = self.board.watchdog_start()
        self.started_ms = ticks_ms()

    def halt(self):
        """Stop sampling, for whomever."""
        if self.logging():
            self.logger.end()
        self.sampling.end()
        self.zero = None
        self.streaming = False
        self.board.watchdog_stop()
        self.watchdog_on = False

    def take(self, channel):
        """Sees each block before it is sent."""
        if self.zero:
            self.zero.take(channel)
        if self.listener and channel.number == 0:
            level = channel.block_mean_pa(self.sampling)
            if level is not None:
                zero = self.settings["zeros"].get("0")
                if zero:
                    level -= channel.pascals(zero[0])
                happened = self.listener.hear(level, channel.block_s())
                self.signals.level_pa = self.listener.level_pa
                if happened:
                    self.signals.play(happened, ticks_ms())

    def running_mask(self):
        if not self.streaming:
            return None
        mask = 0
        for channel in self.sampling.channels():
            mask |= 1 << channel.number
        return mask

    def changed(self, running):
        self.configuration = (self.configuration + 1) & 0xFF
        if running is not None:
            self.start(running)
        self.identity_owed = True


def load_settings():
    """`(settings, damaged)`, the module forgotten again."""
    from sumpglass_board import settings

    loaded = settings.load()
    forget("settings")
    return loaded


def default_settings():
    """What a board without a file of settings goes by."""
    from sumpglass_board import settings

    found = settings.defaults()
    forget("settings")
    return found


def parse_settings(text):
    """Checked settings from text. Raises ValueError."""
    from sumpglass_board import settings

    try:
        return settings.parse(text)
    finally:
        forget("settings")


def save_settings(changed):
    """Replace the file on the board."""
    from sumpglass_board import settings

    settings.save(changed)
    forget("settings")


def _digest():
    from sumpglass_board.identity import firmware_digest

    try:
        digest = firmware_digest()
    except OSError:  # files that cannot be listed, as in a read-only image
        digest = bytes(8)
    forget("identity")
    return digest
