"""Sounder, light and button. Patterns are in `patterns`; what they answer to is in `listener`, `rig` and `app`."""

from math import log
from time import ticks_add, ticks_diff

from sumpglass_board import patterns as P

LONG_PRESS_MS = 1000
DEBOUNCE_MS = 20
SHORT = 1
LONG = 2


def pitch_hz(level_pa):
    """The tone of a level; 0 around zero."""
    size = abs(level_pa)
    if size < P.SILENT_PA:
        return 0
    return min(P.HIGHEST_HZ, int(P.LOWEST_HZ * 2 ** (log(size / P.SILENT_PA) / log(P.OCTAVE_PA))))


class Signals:
    """Plays patterns and the level's tone. `sound(hz, duty)` and `light(on)` are the board's."""

    def __init__(self, sound, light, volume_percent, muted):
        self._sound = sound
        self._light = light
        self.volume_percent = volume_percent
        self.muted = muted
        self.level_pa = None
        self.base_light = P.IDLE_LIGHT
        self._notes = None
        self._note = 0
        self._note_until = 0
        self._hz = 0
        self._flash = None
        self._flash_until = 0
        self._light_step = 0
        self._light_until = 0

    def play(self, number, now):
        """Begin pattern `number`, cutting off what plays."""
        self._notes, flash = P.PATTERNS[number]
        self._note = -2
        self._note_until = now
        self._flash = flash
        self._flash_until = ticks_add(now, P.FLASHES_MS)
        self._light_step = -2
        self._light_until = now

    def tick(self, now):
        """Move on; call about every 20 ms."""
        self._tick_sound(now)
        self._tick_light(now)

    def quiet(self):
        """Silence and dark."""
        self._notes = None
        self.level_pa = None
        self._tone(0)
        self._light(False)

    def _tick_sound(self, now):
        if self._notes:
            if ticks_diff(now, self._note_until) < 0:
                return
            self._note += 2
            if self._note < len(self._notes):
                self._note_until = ticks_add(now, 10 * self._notes[self._note + 1])
                self._tone(10 * self._notes[self._note])
                return
            self._notes = None
        if self.level_pa is None:
            self._tone(0)
            return
        beat_off = self.level_pa > 0 and now // P.BEAT_MS & 1
        self._tone(0 if beat_off else pitch_hz(self.level_pa))

    def _tone(self, hz):
        if self.muted:
            hz = 0
        if hz != self._hz:
            self._hz = hz
            # Loudness goes about with the square root of the duty at small duties: the square makes steps even.
            self._sound(hz, 32768 * self.volume_percent * self.volume_percent // 10000)

    def _tick_light(self, now):
        if self._flash and ticks_diff(now, self._flash_until) >= 0:
            self._flash = None
            self._light_step = -2
            self._light_until = now
        if ticks_diff(now, self._light_until) < 0:
            return
        steps = self._flash or self.base_light
        self._light_step = (self._light_step + 2) % len(steps)
        self._light_until = ticks_add(now, 10 * steps[self._light_step + 1])
        self._light(steps[self._light_step])


class Button:
    """Presses of a button, counted: short ones told at release, long ones after a second."""

    def __init__(self, pressed):
        self._pressed = pressed
        self._down = pressed()
        self._told = self._down
        self._since = 0
        self._changing = None
        self._pressed_us = 0
        self.number = 0

    def look(self, now, clock):
        """`(number, kind, time_us)` when a press is complete, else None; call about every 10 ms."""
        down = self._pressed()
        if down != self._down:
            if self._changing is None:
                self._changing = now
                if down:
                    self._pressed_us = clock.now_us()
                return None
            if ticks_diff(now, self._changing) < DEBOUNCE_MS:
                return None
            self._down = down
            self._changing = None
            if down:
                self._since = now
                self._told = False
                return None
            return None if self._told else self._tell(SHORT)
        self._changing = None
        if down and not self._told and ticks_diff(now, self._since) >= LONG_PRESS_MS:
            return self._tell(LONG)
        return None

    def _tell(self, kind):
        self._told = True
        self.number = (self.number + 1) & 0xFFFF
        return self.number, kind, self._pressed_us
