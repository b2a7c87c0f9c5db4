"""A reading that a person types from a dial gauge: a size, a unit, a word, and how coarse the gauge is."""

from __future__ import annotations

import re

from sumpglass.errors import InputError
from sumpglass.faults.reading import Reading
from sumpglass.units import PASCALS_PER_UNIT, to_pascals

FORMS = "such as 0.42 kPa vacuum, 12 mmH2O pressure ± 1, -850 Pa, > 7 kPa vacuum"
_UNITS = {name.lower(): name for name in PASCALS_PER_UNIT}
_PATTERN = re.compile(
    r"(?P<beyond>>|deeper\s+than|more\s+than|above|over)?\s*(?P<sign>[-+−])?\s*(?P<size>\d+(?:[.,]\d+)?)\s*"
    r"(?P<unit>[a-z]+(?:2o)?)?\s*(?P<word>vacuum|pressure|v|p)?\s*(?:(?:±|\+-|\+/-)\s*(?P<u95>\d+(?:[.,]\d+)?))?\s*"
    r"(?P<late>vacuum|pressure|v|p)?",
    re.IGNORECASE,
)


def typed_reading(text: str, test: str, unit: str = "kPa") -> Reading:
    """The reading in `text`, in `unit` unless the text names one. Raises InputError that says what was expected.

    A size alone is refused: whether it is vacuum or pressure has to be said, by a word or a sign; 0 needs neither.
    """
    found = _PATTERN.fullmatch(" ".join(text.split()))
    if found is None:
        raise InputError(f"found {text.strip()[:40]!r}, expected a reading {FORMS}")
    given = (found["unit"] or unit).lower()
    word = (found["word"] or found["late"] or "").lower()
    if given in ("v", "p", "vacuum", "pressure") and not word:
        given, word = unit.lower(), given
    if given not in _UNITS:
        raise InputError(f"found the unit {given[:20]!r}, expected one of {', '.join(PASCALS_PER_UNIT)}")
    size = to_pascals(float(found["size"].replace(",", ".")), _UNITS[given])
    sign = {"-": -1, "−": -1, "+": 1, None: 0}[found["sign"]]
    by_word = {"v": -1, "p": 1, "": 0}[word[:1]]
    if sign and by_word and sign != by_word:
        raise InputError(f"found {text.strip()[:40]!r}, expected the word and the sign to agree")
    way = sign or by_word
    if way == 0 and size > 0:
        raise InputError(f"found {text.strip()[:40]!r}, expected the word vacuum or pressure with it")
    if size > (101325.0 if way < 0 else 1e6):
        raise InputError(f"found {text.strip()[:40]!r}, expected a pressure that can be")
    if found["beyond"]:
        return Reading(test, deeper_than_pa=-size) if way <= 0 else Reading(test, above_pa=size)
    u95 = None if found["u95"] is None else to_pascals(float(found["u95"].replace(",", ".")), _UNITS[given])
    if u95 is not None and u95 <= 0:
        raise InputError("found ± 0, expected how coarse the gauge is, above 0")
    return Reading(test, pressure_pa=way * size, u95_pa=u95)
