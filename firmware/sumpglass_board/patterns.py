"""Sounds and lights, in one table; what each means is in `pattern_words`, and `firmware/SIGNALS.md` is made of both.

A sound is pairs of bytes (tens of hertz, tens of milliseconds), 0 Hz silence; a light is pairs (on, tens of
milliseconds) that repeat.
"""

# number, that of the request SOUND: (sound, light)
PATTERNS = {
    1: (b"\x78\x09\x5a\x09\x3c\x09\x28\x12", b"\x01\x08\x00\x08"),
    2: (b"\x46\x0c\x00\x06\x8c\x0c\x00\x06\x46\x0c\x00\x06\x8c\x0c", b"\x01\x1e\x00\x1e"),
    3: (b"\x16\x19\x00\x0c\x16\x19", b"\x01\x06\x00\x06\x01\x06\x00\x28"),
    4: (b"\x3c\x09\x5a\x09\x78\x12", b"\x01\x08\x00\x08"),
    5: (b"\x64\x06", b"\x00\x0c\x01\x0c"),
    6: (b"\x50\x06\x00\x04\x64\x06", b"\x01\x64"),
}
SUDDEN_LOSS = 1
SIGN_REVERSAL = 2
RIG_FAULT = 3
RECOVERY = 4
MARK = 5
START = 6

IDLE_LIGHT = b"\x01\x04\x00\xc4"
STREAMING_LIGHT = b"\x01\xc4\x00\x04"
FLASHES_MS = 2000
"""How long the light of a pattern lasts before it goes back to what it showed."""

SILENT_PA = 20
LOWEST_HZ = 250
OCTAVE_PA = 4
"""The pitch rises by an octave when the level grows fourfold: 250 Hz at 20 Pa, 500 at 80, 1000 at 320, 2000 at 1280."""
HIGHEST_HZ = 3200
BEAT_MS = 120
"""Vacuum is a steady tone, pressure the same pitch in beats of this length."""
