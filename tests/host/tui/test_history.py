"""The strip's bins against a slow second way, gaps and faults included; an old column never changes."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpglass.tui.widgets.history import BASE_S, History


def slowly(t_s, values, first, count, width):
    """Least, greatest and mean of each column, one sample at a time."""
    columns = [[] for _ in range(count)]
    for t, value in zip(t_s, values):
        column = int(np.floor(t / BASE_S + 1e-3)) // width - first
        if 0 <= column < count and np.isfinite(value):
            columns[column].append(value)
    nan = float("nan")
    return [(min(c), max(c), sum(c) / len(c)) if c else (nan, nan, nan) for c in columns]


@settings(max_examples=20, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    rate=st.sampled_from([7.0, 100.0, 333.0, 1000.0]),
    block=st.integers(1, 300),
    width=st.integers(1, 20),
)
def test_columns_agree_with_the_slow_way(seed, rate, block, width):
    rng = np.random.default_rng(seed)
    t = np.arange(int(12 * rate)) / rate
    t = t[(t < 6.0) | (t > 9.5)]
    values = rng.normal(-400, 100, len(t))
    values[rng.random(len(t)) < 0.02] = np.nan
    history = History()
    for start in range(0, len(t), block):
        history.add(t[start : start + block], values[start : start + block])
    last = history.last // width
    found = np.array(history.columns(last - 30, 31, width)).T
    np.testing.assert_allclose(found, slowly(t, values, last - 30, 31, width), rtol=1e-12)


def test_complete_columns_never_change():
    history, rng = History(), np.random.default_rng(3)
    before = None
    for k in range(400):
        t = (k * 50 + np.arange(50)) / 1000.0
        history.add(t, rng.normal(0, 1, 50))
        complete = (history.last // 8) - 1
        if complete < 1:
            continue
        low, high, mean = history.columns(0, complete + 1, 8)
        if before is not None:
            for now, then in zip((low, high, mean), before):
                np.testing.assert_array_equal(now[: len(then)], then)
        before = (low, high, mean)


def test_memory_is_a_ring():
    history = History(kept_bins=100)
    t = np.arange(0, 10, 0.01)
    history.add(t, np.sin(t))
    assert history.last - history.first == 99
    low, _, _ = history.columns(0, 10, 1)
    assert np.isnan(low).all()
    low, _, _ = history.columns(history.last - 9, 10, 1)
    assert not np.isnan(low).any()


def test_a_long_pause_forgets_what_is_between():
    history = History(kept_bins=64)
    history.add(np.array([0.0]), np.array([5.0]))
    history.add(np.array([1000.0]), np.array([7.0]))
    low, high, mean = history.columns(history.last - 63, 64, 1)
    assert np.isfinite(low).sum() == 1
    assert high[-1] == mean[-1] == 7.0


def test_bins_of_the_board_keep_their_peaks():
    history = History()
    history.add(np.array([0.01]), np.array([-400.0]), np.array([-900.0]), np.array([100.0]))
    assert [float(x[0]) for x in history.columns(0, 1, 1)] == [-900.0, 100.0, -400.0]


@pytest.mark.parametrize("t", [[0.0, -5.0], [3.0, 1.0]])
def test_time_running_backwards_is_skipped_not_fatal(t):
    history = History()
    history.add(np.array(t), np.array([1.0, 2.0]))
    assert history.last >= 0


def test_time_goes_on_while_the_sensor_is_at_fault():
    history = History()
    history.add(np.array([0.0, 0.1]), np.array([-5.0, -5.0]))
    history.add(np.array([5.0, 6.0]), np.array([np.nan, np.nan]))
    assert history.last == int(6.0 / BASE_S)
    low, _, _ = history.columns(history.last - 9, 10, 1)
    assert np.isnan(low).all()
