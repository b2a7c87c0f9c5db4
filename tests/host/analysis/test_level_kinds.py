"""The level of readings that come slowly, or that are all the same."""

from __future__ import annotations

import numpy as np
import pytest

from sumpglass.records import Recording
from sumpglass.workflows.assess import assess_recording


@pytest.mark.parametrize("rate_hz", [0.5, 1.0, 2.0, 5.0])
def test_a_gauge_read_now_and_then_is_assessed(rate_hz: float) -> None:
    """A loss among readings once a second or so must not stop the detector."""
    rng = np.random.default_rng(3)
    t = np.arange(200) / rate_hz
    p = np.where((t > t[80]) & (t < t[140]), -20.0, -600.0) + rng.normal(0, 5, len(t))
    found = assess_recording(Recording(t, p, rate_hz=rate_hz), None, 0.0, 2000.0)
    assert found.level.mean_pa == pytest.approx(p.mean())


@pytest.mark.parametrize("value_pa", [-600.0, -412.73, 0.1])
def test_readings_that_are_all_one_value_have_no_interval(value_pa: float) -> None:
    """A value that binary fractions cannot hold gives a variance a rounding error above nought."""
    t = np.arange(2000) / 100.0
    found = assess_recording(Recording(t, np.full(2000, value_pa), rate_hz=100.0), None, 0.0, 2000.0)
    assert found.level.u95_pa is None and any("every reading is the same" in words for words in found.warnings)
