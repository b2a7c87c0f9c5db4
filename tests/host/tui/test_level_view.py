"""The word is never left out, and no figure has more digits than its uncertainty allows."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sumpglass.tui.level_view import decimals_shown, level_view
from sumpglass.units import PASCALS_PER_UNIT
from sumpglass.workflows.live import Reading

VACUUM = Reading(level_pa=-412.0, u95_pa=21.0, state="vacuum", age_s=0.1)


def changed(**more):
    return Reading(**{**vars(VACUUM), **more})


@pytest.mark.parametrize(
    ("reading", "word", "number", "note"),
    [
        (VACUUM, "VACUUM", "0.41", "0.391 to 0.433 kPa, 95 %"),
        (changed(level_pa=104.0, state="pressure"), "PRESSURE", "0.10", "0.083 to 0.125 kPa, 95 %"),
        (changed(level_pa=-8.0, state="undecided"), "UNDECIDED", "0.01", "vacuum 0.029 to pressure 0.013 kPa, 95 %"),
        (changed(age_s=0.51), "OLD", "0.41", "last reading 0.5 s old"),
        (changed(age_s=75.0), "OLD", "0.41", "last reading 75 s old"),
        (changed(connected=False), "NO RIG", "", "the port is gone: plug the rig in again"),
        (changed(clipped=True, level_pa=-2000.0), "CLIPPED", ">2.00", "vacuum deeper than the sensor reads"),
        (changed(clipped=True, level_pa=2000.0), "CLIPPED", ">2.00", "pressure more than the sensor reads"),
        (changed(state="no_reading", level_pa=None), "NO READING", "", "the sensor gives no reading"),
        (changed(sensor_fault="the sensor does not answer"), "NO READING", "", "the sensor does not answer"),
        (Reading(), "WAITING", "", "no reading yet"),
    ],
)
def test_words(reading, word, number, note):
    view = level_view(reading, "kPa", 2)
    assert (view.word, view.number, view.note) == (word, number, note)


def test_an_old_or_missing_rig_goes_before_everything():
    assert level_view(changed(age_s=3.0, clipped=True), "kPa", 2).word == "OLD"
    assert level_view(changed(age_s=3.0, connected=False), "kPa", 2).word == "NO RIG"


@given(
    st.floats(-1e5, 1e5), st.floats(0.001, 1e4), st.sampled_from(["vacuum", "pressure", "undecided", "no_reading"]),
    st.booleans(), st.one_of(st.none(), st.floats(0, 1e6)), st.booleans(), st.sampled_from(list(PASCALS_PER_UNIT)),
)  # fmt: skip
def test_there_is_always_a_word_and_never_a_bare_minus(level, u95, state, clipped, age, connected, unit):
    view = level_view(Reading(1.0, level, u95, state, clipped, age, connected), unit, 2)
    assert view.word and "-" not in view.number and "-" not in view.note.replace("- ", "")


@pytest.mark.parametrize(
    ("u95_pa", "unit", "decimals"),
    [(21, "kPa", 2), (9, "kPa", 3), (120, "kPa", 1), (21, "Pa", 0), (2, "Pa", 0), (21, "psi", 3), (1500, "kPa", 0)],
)
def test_decimals(u95_pa, unit, decimals):
    assert decimals_shown(u95_pa / PASCALS_PER_UNIT[unit], unit, None) == decimals


def test_decimals_stay_put_near_a_change():
    shown, seen = None, set()
    for u95 in (0.0101, 0.0099, 0.0102, 0.0097, 0.0105, 0.0098):
        shown = decimals_shown(u95, "kPa", shown)
        seen.add(shown)
    assert len(seen) == 1
