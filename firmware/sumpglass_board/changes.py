"""Requests that change the rig, loaded when the first one comes: a rig that only streams keeps the memory."""

import json
from binascii import crc32
from time import ticks_ms

from sumpglass_board import forget
from sumpglass_board.commands import BAD_VALUE, NOT_NOW, SETTINGS_REFUSED, Refused
from sumpglass_board.rig import parse_settings, save_settings


def set_rate(rig, number, rate_millihertz, decimation, form):
    """Change rate and form of a channel (all analogue ones share their rate), and go on as before."""
    if number >= len(rig.channels):
        raise Refused(BAD_VALUE, "there is no channel %d" % number)
    channel = rig.channels[number]
    most = channel.most_hz()
    if rate_millihertz and not 100 <= rate_millihertz <= most * 1000:
        raise Refused(BAD_VALUE, "rate: from 0.1 to %d Hz" % most)
    if not 1 <= decimation <= 32767 or form > 1:
        raise Refused(BAD_VALUE, "decimation: from 1 to 32767; form: 0 or 1")
    if decimation > 1 and form == 0:
        raise Refused(BAD_VALUE, "decimation needs the form of bins")
    running = rig.running_mask()
    rig.halt()
    for other in rig.channels:
        if rate_millihertz and (other is channel or (other.hard and channel.hard)):
            other.set_rate(rate_millihertz / 1000)
    channel.in_bins = form == 1
    channel.decimation = decimation if form == 1 else 1
    rig.changed(running)


def measure_zero(rig, number, tenths, sequence):
    """Average a channel for a while; the answer comes then."""
    if number >= len(rig.channels) or not 1 <= tenths <= 100:
        raise Refused(BAD_VALUE, "channel 0 to %d, 1 to 100 tenths" % (len(rig.channels) - 1))
    if rig.zero:
        raise Refused(NOT_NOW, "a zero is being measured")
    channel = rig.channels[number]
    if rig.logging():
        rig.halt()
    if channel.in_bins:
        raise Refused(NOT_NOW, "a zero needs full rate: set the form to 0 first")
    if not rig.sampling.groups:
        rig.sample([channel])
    elif channel not in rig.sampling.channels():
        raise Refused(NOT_NOW, "channel %d is not streaming" % number)

    from sumpglass_board.zero import ZeroMeasurement

    rig.zero = ZeroMeasurement(channel, tenths * 100000 // channel.sample_us, sequence)


def finish_zero(rig):
    """Answer the request, and keep the zero in the settings."""
    zero = rig.zero
    rig.zero = None
    number = zero.channel.number
    if not rig.streaming:
        rig.halt()
    kind, fields = zero.reply()
    if "answer" in fields:
        answer = fields["answer"]
        rig.settings["zeros"][str(number)] = [answer["mean_counts"], answer["sd_counts"]]
        rig.zero_measured_us[number] = rig.clock.now_us()
        save_settings(rig.settings)
    rig.sender.message(kind, fields)
    rig.identity_owed = rig.streaming
    forget("zero")
    forget("changes")


def settings_text(rig):
    """The settings as JSON bytes."""
    return json.dumps(rig.settings).encode()


def write_settings(rig, text, crc):
    """Take new settings as a whole, or refuse them."""
    if crc32(text) & 0xFFFFFFFF != crc:
        raise Refused(SETTINGS_REFUSED, "the CRC does not agree")
    before = rig.settings
    running = rig.running_mask()
    rig.halt()
    try:
        rig.settings = parse_settings(bytes(text).decode())
        rig.build()
    except (ValueError, OSError, UnicodeError, MemoryError) as problem:
        rig.settings = before
        rig.build()
        rig.changed(running)
        raise Refused(SETTINGS_REFUSED, str(problem))
    save_settings(rig.settings)
    rig.settings_damaged = False
    rig.changed(running)


def sound(rig, pattern, volume_percent):
    """Play a pattern once (0: none), and change the volume (255: keep; 0 mutes)."""
    if not rig.sounder:
        raise Refused(NOT_NOW, "the settings name no sounder_pin")
    if volume_percent <= 100:
        now = rig.settings
        now["muted"] = rig.signals.muted = volume_percent == 0
        if volume_percent:
            now["volume_percent"] = rig.signals.volume_percent = volume_percent
        save_settings(now)
    elif volume_percent != 255:
        raise Refused(BAD_VALUE, "volume: 0 to 100, or 255 to keep it")
    if pattern:
        from sumpglass_board.patterns import PATTERNS

        if pattern not in PATTERNS:
            raise Refused(BAD_VALUE, "patterns are 1 to %d" % len(PATTERNS))
        rig.signals.play(pattern, ticks_ms())


def journal_list(rig):
    """What the journal holds."""
    return rig.open_logger().journal.listing()


def journal_read(rig, segment, offset):
    """A piece of a segment."""
    length, piece = rig.open_logger().journal.read(segment, offset)
    return {"segment": segment, "offset": offset, "length": length}, piece


def journal_erase(rig, segment, crc):
    """Erase a segment that the host has."""
    journal = rig.open_logger().journal
    if journal.is_open(segment):
        rig.logger.next_segment()
    if not journal.erase(segment, crc):
        raise Refused(BAD_VALUE, "the CRC does not agree: the segment is kept")
