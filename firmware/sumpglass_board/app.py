"""The rig: wires board, channels, sender and commands together, and the main loop."""

import gc
import json
import sys
from binascii import crc32
from time import sleep_ms, ticks_add, ticks_diff, ticks_ms

from sumpglass_board import VERSION, settings
from sumpglass_board.board import Board
from sumpglass_board.channels import Channel, make_groups
from sumpglass_board.clock import Clock
from sumpglass_board.commands import (
    BAD_VALUE,
    NOT_NOW,
    PROMPT,
    REQUEST,
    SETTINGS_REFUSED,
    Commands,
    Refused,
    RequestReader,
)
from sumpglass_board.identity import firmware_digest
from sumpglass_board.sampler import Slow
from sumpglass_board.sender import Sender
from sumpglass_board.zero import ZeroMeasurement
from sumpglass_wire import layouts as L

STATUS_MS = 2000
IDENTITY_MS = 10000
LOOK_MS = 100
REQUEST_IDLE_MS = 300
WAIT_STREAMING_MS = 2
WAIT_IDLE_MS = 20
COLLECT_SOFT_EVERY = 8
"""Statuses from one memory collection to the next while a bus sensor is read: it makes one of its samples late."""


class Rig:
    """Everything between the port and the sensors."""

    def __init__(self, board):
        self.board = board
        self.settings, self.settings_damaged = settings.load()
        self.clock = Clock()
        self.sender = Sender(board.console, self.clock)
        self.reader = RequestReader()
        self.commands = Commands(self)
        self.digest = firmware_digest()
        self.configuration = 0
        self.streaming = False
        self._groups = []
        self._timers = []
        self._zero = None
        self._zero_age = {}
        self._leave = None
        self._statuses = 0
        self._watchdog = False
        self._identity_owed = False
        self._next_identity = self._next_status = self._next_look = ticks_ms()
        self._faults_told = 0
        self._build()

    # What requests ask for (see `commands`).

    def identity(self):
        """Fields of IDENTITY."""
        channels = []
        for channel in self.channels:
            fields = channel.facts()
            zero = self.settings["zeros"].get(str(channel.number))
            fields["zero_counts"], fields["zero_sd_counts"] = zero or (float("nan"), float("nan"))
            measured = self._zero_age.get(channel.number)
            age = L.UNKNOWN_AGE if measured is None else (self.clock.now_us() - measured) // 1000000
            fields["zero_age_s"] = age
            channels.append(fields)
        flags = (
            (1 if self.streaming else 0)
            | (2 if self.settings["button"] else 0)
            | (4 if self.settings["sounder_pin"] is not None else 0)
            | (8 if self.settings["journal"]["on"] else 0)
            | (16 if self.settings_damaged else 0)
        )
        return {
            "minor": L.MINOR,
            "board_id": self.board.board_id,
            "firmware_digest": self.digest,
            "boot_id": self.board.boot_id,
            "firmware_major": VERSION[0],
            "firmware_minor": VERSION[1],
            "firmware_patch": VERSION[2],
            "configuration": self.configuration,
            "flags": flags,
            "board": self.board.name,
            "channels": channels,
        }

    def start(self, mask):
        """Sample and stream the channels of the mask (0: all)."""
        self._halt()
        chosen = [channel for channel in self.channels if not mask or mask & 1 << channel.number]
        if not chosen:
            raise Refused(BAD_VALUE, "there is no such channel")
        self.streaming = True
        self._sample(chosen)
        self._identity_soon()
        if self.settings["watchdog"]:
            self._watchdog = self.board.watchdog_start()

    def stop(self):
        """Stop; what is in the rings is sent first."""
        self._stop_timers()
        self.sender.flush(500)
        for group in self._groups:
            for _ in range(200):
                group.run(self.clock, self.sender, self.configuration, not self.streaming, self._take, True)
                if not self.sender.busy:
                    break
                self.sender.flush(500)
        self._halt()

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
        self._halt()
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
        if self._zero:
            raise Refused(NOT_NOW, "a zero is being measured")
        channel = self.channels[number]
        if channel.in_bins:
            raise Refused(NOT_NOW, "a zero needs full rate: set the form to 0 first")
        if not self._groups:
            self._sample([channel])
        elif not any(channel in group.channels for group in self._groups):
            raise Refused(NOT_NOW, "channel %d is not streaming" % number)
        self._zero = ZeroMeasurement(channel, tenths * 100000 // channel.sample_us, sequence)

    def settings_text(self):
        """The settings as JSON bytes."""
        return json.dumps(self.settings).encode()

    def write_settings(self, text, crc):
        """Take new settings as a whole, or refuse them."""
        if crc32(text) & 0xFFFFFFFF != crc:
            raise Refused(SETTINGS_REFUSED, "the CRC does not agree")
        before = self.settings
        running = self._running_mask()
        self._halt()
        try:
            self.settings = settings.parse(bytes(text).decode())
            self._build()
        except (ValueError, OSError, UnicodeError) as problem:
            self.settings = before
            self._build()
            self._changed(running)
            raise Refused(SETTINGS_REFUSED, str(problem))
        settings.save(self.settings)
        self.settings_damaged = False
        self._changed(running)

    def leave(self, reason):
        """After the answer: "prompt" or "reset"."""
        self._leave = reason

    def sound(self, pattern, volume_percent):
        """Play a pattern once, or change the volume."""
        raise Refused(NOT_NOW, "there is no sounder")

    def journal_list(self):
        """What the journal holds."""
        raise Refused(NOT_NOW, "the journal is off")

    def journal_read(self, segment, offset):
        """A piece of a segment."""
        raise Refused(NOT_NOW, "the journal is off")

    def journal_erase(self, segment, crc):
        """Erase a segment that the host has."""
        raise Refused(NOT_NOW, "the journal is off")

    # The main loop.

    def run(self):
        """Serve the port until someone asks for the prompt or for a reset; returns which."""
        self.board.console.binary()
        self.sender.mark_start()
        self._last_byte = ticks_ms()
        if self.settings["stream_at_boot"]:
            self.start(0)
        while True:
            self._read_requests()
            if self._leave:
                self.sender.flush(500)
                return self._leave
            self.sender.pump()
            for group in self._groups:
                group.run(self.clock, self.sender, self.configuration, not self.streaming, self._take)
            if self._zero and self._zero.done():
                self._finish_zero()
            self._on_schedule()

    def close(self):
        """Leave the board as a person expects it: nothing runs, no watchdog, Ctrl-C works."""
        self._halt()
        self.board.watchdog_stop()
        self.board.light(False)
        self.board.sound(0, 0)
        self.board.console.prompt()

    def _read_requests(self):
        console = self.board.console
        wait = WAIT_STREAMING_MS if self._groups else WAIT_IDLE_MS
        if not console.wait(wait):
            if self.reader.unfinished and ticks_diff(ticks_ms(), self._last_byte) > REQUEST_IDLE_MS:
                self.reader.idle()
            return
        for _ in range(64):
            got = self.reader.take(console.read_byte())
            self._last_byte = ticks_ms()
            if got == PROMPT:
                self._leave = "prompt"
                return
            if got == REQUEST:
                received_us = self.clock.now_us()
                payload = bytes(memoryview(self.reader.payload)[: self.reader.length])
                reply = self.commands.handle(payload, received_us)
                if reply:
                    self.sender.message(*reply)
                    self.sender.pump()
                return
            if not console.wait(0):
                return

    def _on_schedule(self):
        now = ticks_ms()
        if ticks_diff(now, self._next_identity) >= 0:
            self._next_identity = ticks_add(now, IDENTITY_MS)
            self.clock.now_us()  # often enough for the unwrapping, also when nothing else asks
            if self.streaming or self._identity_owed:
                self._identity_owed = False
                self.sender.message(L.IDENTITY, self.identity())
        if not self._groups:
            return
        if self._watchdog:
            self.board.watchdog_feed()
        if ticks_diff(now, self._next_look) >= 0:
            self._next_look = ticks_add(now, LOOK_MS)
            self._look_for_faults(now)
        if ticks_diff(now, self._next_status) >= 0:
            self._next_status = ticks_add(now, STATUS_MS)
            self._send_status()

    def _look_for_faults(self, now):
        """A fault that begins or ends is told at once."""
        bits = 0
        for group in self._groups:
            for channel in group.channels:
                bits = bits << 8 | channel.look_for_faults(now)
        if bits != self._faults_told:
            self._faults_told = bits
            self._next_status = now

    def _send_status(self):
        soft = any(not group.hard for group in self._groups)
        if not soft or self._statuses % COLLECT_SOFT_EVERY == 0:
            gc.collect()
        self._statuses += 1
        late = lost = largest = 0
        for group in self._groups:
            sampler = group.sampler
            steps = group.channels[0].steps
            late += (sampler.late + steps - 1) // steps
            lost += (sampler.lost + steps - 1) // steps
            largest = max(largest, sampler.largest_us)
        faults = []
        for group in self._groups:
            for channel in group.channels:
                faults += channel.faults()
        if not self.streaming:
            return
        reference = self._mean(self._reference)
        temperature = self._mean(self._temperature)
        supply = self._mean(self._supply)
        self.board.light(not faults)
        fields = {
            "late_samples": late,
            "overruns": lost,
            "dropped_frames": self.sender.dropped,
            "damaged_requests": self.reader.damaged & 0xFFFF,
            "largest_lateness_us": largest,
            "free_memory_bytes": gc.mem_free(),
            "supply_mv": 0 if supply is None else max(0, min(65535, int(supply))),
            "temperature_centidegrees": L.UNKNOWN_TEMPERATURE if temperature is None else int(temperature * 100),
            "reference_counts": L.NO_REFERENCE if reference is None else int(round(reference)),
            "flags": (
                1
                | (2 if self._watchdog else 0)
                | (16 if self.sender.host_lost else 0)
                | (4 if self.settings["muted"] else 0)
            ),
            "faults": faults[:16],
        }
        self.sender.message(L.STATUS, fields)

    @staticmethod
    def _mean(slow):
        if not slow:
            return None
        raw = slow[0].take_mean()
        return None if raw is None else slow[1](raw)

    # Building and sampling.

    def _build(self):
        """Channels from the settings. Raises ValueError or OSError when they cannot be made."""
        self.channels = []
        number = 0
        for config in self.settings["channels"]:
            channel = Channel(number, config, self.settings, self.board)
            self.channels.append(channel)
            number += 1
        self.board.open_button(self.settings["button"])
        self.board.open_light(self.settings["light_pin"])
        self.board.open_sounder(self.settings["sounder_pin"])
        gc.collect()

    def _changed(self, running):
        self.configuration = (self.configuration + 1) & 0xFF
        if running is not None:
            self.start(running)
        self._identity_soon()

    def _identity_soon(self):
        self._next_identity = ticks_ms()
        self._identity_owed = True

    def _running_mask(self):
        if not self.streaming:
            return None
        mask = 0
        for group in self._groups:
            for channel in group.channels:
                mask |= 1 << channel.number
        return mask

    def _sample(self, channels):
        slow = self._open_slow(channels)
        self._groups = make_groups(channels, slow)
        gc.collect()
        for group in self._groups:
            sampler = group.sampler
            self._timers.append(self.board.start_timer(sampler.period_us, sampler.callback, group.hard))
        self._next_status = ticks_add(ticks_ms(), STATUS_MS)

    def _open_slow(self, channels):
        """Inputs that the analogue timer reads now and then, since only it may touch the converter."""
        self._reference = self._temperature = self._supply = None
        slow = []
        hard = [channel for channel in channels if channel.hard]
        for channel in hard:
            if channel.sensor.read_reference and not self._reference:
                self._reference = Slow(channel.sensor.read_reference), lambda raw: raw - 32768
                slow.append(self._reference[0])
        if hard:
            for name, source in (("_temperature", self.board.temperature()), ("_supply", self.board.supply())):
                if source:
                    pair = Slow(source[0]), source[1]
                    setattr(self, name, pair)
                    slow.append(pair[0])
        return tuple(slow)

    def _stop_timers(self):
        for timer in self._timers:
            timer.deinit()
        self._timers = []

    def _halt(self):
        self._stop_timers()
        self._groups = []
        self._zero = None
        self.streaming = False
        self.board.watchdog_stop()
        self._watchdog = False

    def _take(self, channel):
        """Sees each block before it is sent."""
        if self._zero:
            self._zero.take(channel)

    def _finish_zero(self):
        zero = self._zero
        self._zero = None
        number = zero.channel.number
        if not self.streaming:
            self._halt()
        reply = zero.reply()
        if reply[0] == L.ANSWER:
            answer = reply[1]["answer"]
            self.settings["zeros"][str(number)] = [answer["mean_counts"], answer["sd_counts"]]
            self._zero_age[number] = self.clock.now_us()
            settings.save(self.settings)
        self.sender.message(*reply)
        if self.streaming:
            self._identity_soon()


def main():
    """Called by main.py: serve until the prompt is asked for. A button held at power-on asks at once."""
    board = Board()
    button = settings.load()[0]["button"]
    board.open_button(button)
    if board.held_at_start():
        sys.stdout.write("sumpglass: the button is held, here is the prompt\n")
        return
    for _ in range(3):
        rig = None
        try:
            rig = Rig(board)
            reason = rig.run()
        except Exception as problem:  # whatever it is, the port must not stay binary and silent
            if rig:
                rig.close()
            sys.stdout.write("sumpglass: stopped by an error, which is a defect of the firmware\n")
            sys.print_exception(problem)
            sleep_ms(1000)
            continue
        rig.close()
        if reason == "reset":
            board.reset()
        return
