"""What requests ask of the rig: identity, streaming, rates, zero, settings, sounds, journal."""

import gc
import json
from binascii import crc32
from time import ticks_ms

from sumpglass_board import forget
from sumpglass_board.channels import Channel
from sumpglass_board.clock import Clock
from sumpglass_board.commands import BAD_VALUE, NOT_NOW, SETTINGS_REFUSED, Commands, Refused, RequestReader
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
        self.reader = RequestReader()
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
        self.started_ms = None
        self.last_request_ms = ticks_ms()
        self.build()

    def build(self):
        """Channels and signals from the settings. Raises ValueError or OSError when they cannot be made."""
        now = self.settings
        self.channels = []
        for config in now["channels"]:
            self.channels.append(Channel(len(self.channels), config, now, self.board))
        self.board.open_button(now["button"])
        self.board.open_light(now["light_pin"])
        self.sounder = self.board.open_sounder(now["sounder_pin"])
        self.signals = Signals(self.board.sound, self.board.light, now["volume_percent"], now["muted"])
        self.button = Button(self.board.pressed)
        self.listener = None
        if self.sounder:
            from sumpglass_board.listener import Listener

            self.listener = Listener()
        if now["journal"]["on"]:
            self.open_logger()
        gc.collect()

    def open_logger(self):
        """Make the logger, which is loaded only on boards that use it."""
        if self.logger is None:
            from sumpglass_board.logger import Logger

            self.logger = Logger(self, self.settings["journal"].get("limit_kb", 512) * 1024)
        return self.logger

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

    def set_rate(self, number, rate_millihertz, decimation, form):
        """Change rate and form of a channel (all analogue ones share their rate), and go on as before."""
        if number >= len(self.channels):
            raise Refused(BAD_VALUE, "there is no channel %d" % number)
        channel = self.channels[number]
        most = channel.most_hz()
        if rate_millihertz and not 100 <= rate_millihertz <= most * 1000:
            raise Refused(BAD_VALUE, "rate: from 0.1 to %d Hz" % most)
        if not 1 <= decimation <= 32767 or form > 1:
            raise Refused(BAD_VALUE, "decimation: from 1 to 32767; form: 0 or 1")
        if decimation > 1 and form == 0:
            raise Refused(BAD_VALUE, "decimation needs the form of bins")
        running = self._running_mask()
        self.halt()
        for other in self.channels:
            if rate_millihertz and (other is channel or (other.hard and channel.hard)):
                other.set_rate(rate_millihertz / 1000)
        channel.in_bins = form == 1
        channel.decimation = decimation if form == 1 else 1
        self._changed(running)

    def measure_zero(self, number, tenths, sequence):
        """Average a channel for a while; the answer comes then."""
        if number >= len(self.channels) or not 1 <= tenths <= 100:
            raise Refused(BAD_VALUE, "channel 0 to %d, 1 to 100 tenths" % (len(self.channels) - 1))
        if self.zero:
            raise Refused(NOT_NOW, "a zero is being measured")
        channel = self.channels[number]
        if self.logging():
            self.halt()
        if channel.in_bins:
            raise Refused(NOT_NOW, "a zero needs full rate: set the form to 0 first")
        if not self.sampling.groups:
            self.sample([channel])
        elif channel not in self.sampling.channels():
            raise Refused(NOT_NOW, "channel %d is not streaming" % number)
        from sumpglass_board.zero import ZeroMeasurement

        self.zero = ZeroMeasurement(channel, tenths * 100000 // channel.sample_us, sequence)

    def finish_zero(self):
        """Answer the request, and keep the zero in the settings."""
        zero = self.zero
        self.zero = None
        number = zero.channel.number
        if not self.streaming:
            self.halt()
        kind, fields = zero.reply()
        if "answer" in fields:
            answer = fields["answer"]
            self.settings["zeros"][str(number)] = [answer["mean_counts"], answer["sd_counts"]]
            self.zero_measured_us[number] = self.clock.now_us()
            save_settings(self.settings)
        self.sender.message(kind, fields)
        self.identity_owed = self.streaming

    def settings_text(self):
        """The settings as JSON bytes."""
        return json.dumps(self.settings).encode()

    def write_settings(self, text, crc):
        """Take new settings as a whole, or refuse them."""
        if crc32(text) & 0xFFFFFFFF != crc:
            raise Refused(SETTINGS_REFUSED, "the CRC does not agree")
        before = self.settings
        running = self._running_mask()
        self.halt()
        try:
            self.settings = parse_settings(bytes(text).decode())
            self.build()
        except (ValueError, OSError, UnicodeError) as problem:
            self.settings = before
            self.build()
            self._changed(running)
            raise Refused(SETTINGS_REFUSED, str(problem))
        save_settings(self.settings)
        self.settings_damaged = False
        self._changed(running)

    def leave(self, reason):
        """After the answer: "prompt" or "reset"."""
        self.leaving = reason

    def sound(self, pattern, volume_percent):
        """Play a pattern once (0: none), and change the volume (255: keep; 0 mutes)."""
        if not self.sounder:
            raise Refused(NOT_NOW, "the settings name no sounder_pin")
        if volume_percent <= 100:
            now = self.settings
            now["muted"] = self.signals.muted = volume_percent == 0
            if volume_percent:
                now["volume_percent"] = self.signals.volume_percent = volume_percent
            save_settings(now)
        elif volume_percent != 255:
            raise Refused(BAD_VALUE, "volume: 0 to 100, or 255 to keep it")
        if pattern:
            from sumpglass_board.patterns import PATTERNS

            if pattern not in PATTERNS:
                raise Refused(BAD_VALUE, "patterns are 1 to %d" % len(PATTERNS))
            self.signals.play(pattern, ticks_ms())

    def journal_list(self):
        """What the journal holds."""
        return self.open_logger().journal.listing()

    def journal_read(self, segment, offset):
        """A piece of a segment."""
        length, piece = self.open_logger().journal.read(segment, offset)
        return {"segment": segment, "offset": offset, "length": length}, piece

    def journal_erase(self, segment, crc):
        """Erase a segment that the host has."""
        journal = self.open_logger().journal
        if journal.is_open(segment):
            self.logger.next_segment()
        if not journal.erase(segment, crc):
            raise Refused(BAD_VALUE, "the CRC does not agree: the segment is kept")

    def journal_full(self):
        """Whether the journal had to give up its oldest segments."""
        return self.logger is not None and self.logger.journal.full

    def logging(self):
        """Whether the rig samples for the journal."""
        return self.logger is not None and self.logger.running

    def slow_mean(self, name):
        """See `Sampling.slow_mean`."""
        return self.sampling.slow_mean(name)

    # Sampling.

    def sample(self, channels):
        """Start the timers, and the watchdog with them."""
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

    def _running_mask(self):
        if not self.streaming:
            return None
        mask = 0
        for channel in self.sampling.channels():
            mask |= 1 << channel.number
        return mask

    def _changed(self, running):
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

    digest = firmware_digest()
    forget("identity")
    return digest
