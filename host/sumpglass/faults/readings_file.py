"""Readings as JSON: strict, so that an error names the entry, what was found and what was expected."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Any, NoReturn

from sumpglass.errors import InputError
from sumpglass.faults.layout import Layout, LayoutTest
from sumpglass.faults.reading import Reading

DEEPEST_PA = -101325.0
HIGHEST_PA = 1e7


def checked_tests(layout: Layout, names: Sequence[str], what: str) -> list[str]:
    """`names` if all are tests of the layout. Raises InputError."""
    for name in names:
        _known_test(layout, name, what)
    return list(names)


def _known_test(layout: Layout, name: Any, where: str) -> LayoutTest:
    for test in layout.tests:
        if test.id == name:
            return test
    known = ", ".join(test.id for test in layout.tests)
    raise InputError(f"{where}: {layout.name} has no test {str(name)[:60]!r}, expected one of {known}")


def parse_readings(text: str, layout: Layout, origin: str = "readings") -> list[Reading]:
    """Readings from JSON text; `origin` is what messages call it. Raises InputError."""
    try:
        items = json.loads(
            text, parse_constant=lambda name: _refuse_constant(origin, name), object_pairs_hook=_PairList
        )
    except json.JSONDecodeError as error:
        raise InputError(f"{origin}, line {error.lineno}: {error.msg.lower()}, expected readings as JSON") from error
    except (RecursionError, ValueError) as error:
        raise InputError(f"{origin}: {str(error)[:80].lower()}, expected readings as JSON") from error
    return _readings(items, layout, origin)


def readings_from(items: Any, layout: Layout, origin: str = "readings") -> list[Reading]:
    """Readings from plain values, as JSON gives them. Raises InputError."""
    pairs = (
        [_PairList(item.items()) if isinstance(item, dict) else item for item in items]
        if isinstance(items, list)
        else items
    )
    return _readings(pairs, layout, origin)


def reading_fields(reading: Reading) -> dict[str, Any]:
    """A reading as the contract's plain values, without those that it does not have."""
    return {key: getattr(reading, key) for key in _KEYS if getattr(reading, key) is not None}


def _readings(items: Any, layout: Layout, origin: str) -> list[Reading]:
    if isinstance(items, _PairList) or not isinstance(items, list):
        raise InputError(f'{origin}: found no list, expected a list of readings [{{"test": ..., "pressure_pa": ...}}]')
    readings = [_reading(item, layout, f"{origin}, reading {number}") for number, item in enumerate(items, start=1)]
    for number, reading in enumerate(readings, start=1):
        if reading.test in [earlier.test for earlier in readings[: number - 1]]:
            raise InputError(
                f"{origin}, reading {number}: test {reading.test!r} a second time, expected one reading a test"
            )
    return readings


class _PairList(list[tuple[str, Any]]):
    """A JSON object kept as its pairs, so that a key given twice is seen."""


def _refuse_constant(origin: str, name: str) -> NoReturn:
    raise InputError(f"{origin}: found {name}, expected plain decimal numbers")


_KEYS = ("test", "pressure_pa", "u95_pa", "deeper_than_pa", "above_pa")


def _reading(item: Any, layout: Layout, where: str) -> Reading:
    if not isinstance(item, _PairList):
        raise InputError(f"{where}: found {str(item)[:40]!r}, expected an object with test and pressure_pa")
    keys = [key for key, _ in item]
    for key in keys:
        if key not in _KEYS or keys.count(key) > 1:
            found = f"{key[:40]!r} twice" if key in _KEYS else f"the key {key[:40]!r}"
            raise InputError(f"{where}: found {found}, expected the keys {', '.join(_KEYS)}, each at most once")
    values = {key: value for key, value in item if value is not None}
    test = _known_test(layout, values.get("test"), where)
    given = [key for key in ("pressure_pa", "deeper_than_pa", "above_pa") if key in values]
    if len(given) != 1:
        raise InputError(
            f"{where}: found {' and '.join(given) or 'no value'}, expected one of pressure_pa, deeper_than_pa, above_pa"
        )
    return Reading(
        test.id,
        pressure_pa=_number(values, "pressure_pa", where, DEEPEST_PA, HIGHEST_PA),
        u95_pa=_number(values, "u95_pa", where, 1e-6, HIGHEST_PA),
        deeper_than_pa=_number(values, "deeper_than_pa", where, DEEPEST_PA, 0.0),
        above_pa=_number(values, "above_pa", where, 0.0, HIGHEST_PA),
    )


def _number(values: dict[str, Any], key: str, where: str, low: float, high: float) -> float | None:
    if key not in values:
        return None
    value = values[key]
    if (
        isinstance(value, bool)
        or not isinstance(value, (int, float))
        or not math.isfinite(value)
        or not low <= value <= high
    ):
        raise InputError(f"{where}: {key} is {str(value)[:40]!r}, expected a number from {low:g} to {high:g}")
    return float(value)
