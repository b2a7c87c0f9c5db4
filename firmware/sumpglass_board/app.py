"""The main loop: requests in, blocks out, and everything that is due now and then."""

import sys
from time import sleep_ms, ticks_add, ticks_diff, ticks_ms

from micropython import const

from sumpglass_board import patterns
from sumpglass_board.board import Board
from sumpglass_board.commands import PROMPT, REQUEST
from sumpglass_board.rig import LOST_HOST_MS, Rig, load_settings
from sumpglass_wire import layouts as L

_STATUS_MS = const(2000)
_FIRST_STATUS_MS = const(200)
_IDENTITY_MS = const(10000)
_LOOK_MS = const(100)
_REQUEST_IDLE_MS = const(300)
_WAIT_STREAMING_MS = const(2)
_WAIT_IDLE_MS = const(10)
_OUT_OF_RANGE = const(6)


class App:
    """Serves one rig until someone asks for the prompt or for a reset."""

    def __init__(self, board):
        self.board = board
        self.rig = Rig(board)
        now = ticks_ms()
        self._next_identity = self._next_status = self._next_look = self._last_byte = now
        self._faults_told = 0

    def run(self, early=b""):
        """Returns what was asked for: "prompt" or "reset". `early`: bytes that came before."""
        rig = self.rig
        self.board.console.binary()
        rig.sender.mark_start()
        if rig.settings["stream_at_boot"]:
            rig.start(0)
        for byte in early:
            if self._take(byte) == REQUEST:
                self._answer(rig.clock.now_us())
        while True:
            # Answered here and not further down: what a request makes the board load and compile needs its stack.
            if self._read_requests() == REQUEST:
                self._answer(rig.clock.now_us())
            if rig.leaving:
                rig.halt()
                rig.sender.flush(500)
                return rig.leaving
            rig.sender.pump()
            self._move()
            if rig.zero and rig.zero.done():
                self._finish_zero()
            self._on_schedule(ticks_ms())

    def close(self):
        """Leave the board as a person expects it: nothing runs, no watchdog, Ctrl-C works."""
        self.rig.halt()
        self.rig.signals.quiet()
        self.board.console.prompt()

    def _finish_zero(self):
        from sumpglass_board import changes  # it is there already: it began the measurement

        changes.finish_zero(self.rig)

    def _move(self):
        rig = self.rig
        logging = rig.logging()
        sender = rig.logger.sender if logging else rig.sender
        quiet = not (rig.streaming or logging)
        for group in rig.sampling.groups:
            group.run(rig.clock, sender, rig.configuration, quiet, rig.take)

    def _read_requests(self):
        """Bytes from the host up to the end of a request or of what has come; REQUEST if one is whole."""
        console = self.board.console
        rig = self.rig
        if not console.wait(_WAIT_STREAMING_MS if rig.sampling.groups else _WAIT_IDLE_MS):
            if rig.reader.unfinished and ticks_diff(ticks_ms(), self._last_byte) > _REQUEST_IDLE_MS:
                rig.reader.idle()
            return None
        for _ in range(64):
            got = self._take(console.read_byte())
            if got or not console.wait(0):
                return got
        return None

    def _take(self, byte):
        """One byte from the host: NOTHING, REQUEST or PROMPT."""
        rig = self.rig
        got = rig.reader.take(byte)
        self._last_byte = ticks_ms()
        if got == PROMPT:
            rig.leave("prompt")
        return got

    def _answer(self, received_us):
        rig = self.rig
        rig.last_request_ms = ticks_ms()
        payload = bytes(memoryview(rig.reader.payload)[: rig.reader.length])
        reply = rig.commands.handle(payload, received_us)
        if reply:
            rig.sender.message(*reply)
            rig.sender.pump()

    def _on_schedule(self, now):
        rig = self.rig
        rig.signals.tick(now)
        press = rig.button.look(now, rig.clock)
        if press:
            self._tell_press(press, now)
        if rig.identity_owed or ticks_diff(now, self._next_identity) >= 0:
            self._next_identity = ticks_add(now, _IDENTITY_MS)
            rig.clock.now_us()  # often enough for the unwrapping, also when nothing else asks
            if rig.identity_owed or rig.streaming:
                rig.sender.message(L.IDENTITY, rig.identity())
                rig.identity_owed = False
        if ticks_diff(now, self._next_look) >= 0:
            self._next_look = ticks_add(now, _LOOK_MS)
            self._look(now)
        if not rig.sampling.groups:
            return
        if rig.started_ms is not None:
            # The first status soon: a ratiometric channel cannot be read before its reference is told.
            self._next_status = ticks_add(rig.started_ms, _FIRST_STATUS_MS)
            rig.started_ms = None
        if rig.watchdog_on:
            self.board.watchdog_feed()
        if rig.logging():
            rig.logger.tick(now)
        if ticks_diff(now, self._next_status) >= 0:
            self._next_status = ticks_add(now, _STATUS_MS)
            rig.status.collect(rig.sampling.groups)
            if rig.streaming:
                rig.sender.message(L.STATUS, rig.status.fields(rig, rig.sampling.groups))

    def _tell_press(self, press, now):
        number, kind, time_us = press
        fields = {"number": number, "kind": kind}
        self.rig.sender.message(L.MARK, fields, time_us)
        if self.rig.logging():
            self.rig.logger.mark(fields, time_us)
        self.rig.signals.play(patterns.MARK, now)

    def _look(self, now):
        """A few times a second: faults that begin or end are told at once; whom the sampling is for."""
        rig = self.rig
        rig.sampling.revive(now)
        bits = 0
        for channel in rig.sampling.channels():
            bits = bits << 8 | channel.look_for_faults(now)
        if bits != self._faults_told:
            began = bits & ~self._faults_told
            self._faults_told = bits
            self._next_status = now
            if began & ~(0x01010101 << _OUT_OF_RANGE):
                rig.signals.play(patterns.RIG_FAULT, now)
        rig.signals.base_light = patterns.STREAMING_LIGHT if rig.sampling.groups else patterns.IDLE_LIGHT
        if not rig.settings["journal"]["on"] or rig.logging() or rig.zero:
            return
        if not rig.sampling.groups or ticks_diff(now, rig.last_request_ms) > LOST_HOST_MS:
            rig.halt()
            rig.open_logger().begin()


def main(early=b""):
    """Called by `boot`: serve until the prompt is asked for. A button held at power-on asks at once."""
    board = Board()
    try:
        board.open_button(load_settings()[0]["button"])
    except (ValueError, TypeError):
        pass  # no such pin here: the rig falls back to the defaults and says so
    if board.held_at_start():
        sys.stdout.write("sumpglass: the button is held, here is the prompt\n")
        return
    for _ in range(3):
        app = None
        try:
            app = App(board)
            reason = app.run(early)
        except Exception as problem:  # whatever it is, the port must not stay binary and silent
            if app:
                app.close()
            else:
                board.console.prompt()
            sys.stdout.write("sumpglass: stopped by an error, which is a defect of the firmware\n")
            sys.print_exception(problem)
            sleep_ms(1000)
            continue
        app.close()
        if reason == "reset":
            board.reset()
        return
