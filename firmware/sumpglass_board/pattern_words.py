"""What the patterns mean, by number. For the table in `firmware/SIGNALS.md`; a board never loads it."""

WORDS = {
    1: ("sudden loss", "a vacuum lost more than half of its level within two seconds"),
    2: ("sign reversal", "the level crossed zero, either way"),
    3: ("rig fault", "a sensor does not answer, is stuck, or stands on a rail"),
    4: ("recovery", "after a loss the vacuum came back"),
    5: ("mark", "the button was pressed and the mark is taken"),
    6: ("start", "streaming or logging begins"),
}
