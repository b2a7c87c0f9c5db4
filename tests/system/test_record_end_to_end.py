"""From the unchanged firmware through a pseudo-terminal to a recording: nothing lost, times true in spite of drift."""

import time

import numpy as np
import pytest

from sumpglass.link.serial_port import SerialSource
from sumpglass.link.virtual_board import VirtualBoard
from sumpglass.link.virtual_feed import SineSource
from sumpglass.store.casebook_recorder import CasebookRecorder
from sumpglass.workflows.live import Samples
from sumpglass.workflows.load_recording import load_recording
from sumpglass.workflows.session import Session

FREQUENCY_HZ = 10.0


def record(path, seconds, drift_ppm=0, **options):
    """Record a sine of true time; returns the recording, the live session, and seconds by the host's clock."""
    with VirtualBoard(SineSource(-300.0, 900.0, FREQUENCY_HZ), drift_ppm=drift_ppm) as board:
        session = Session(SerialSource(board.port, **options).start(), CasebookRecorder(path))
        live, end = [], time.monotonic() + seconds
        while time.monotonic() < end:
            live += [event for event in session.poll(0.05) if isinstance(event, Samples)]
        session.close()
    return load_recording(path), session, np.concatenate([event.t_s for event in live])


def time_error_s(recording, at_s, span_s=2.0):
    """How far the recording's times are off around `at_s`, from the phase of the sine, up to a constant."""
    inside = np.abs(recording.t_s - at_s) <= span_s / 2
    t_s, p = recording.t_s[inside], recording.pressure_pa[inside]
    turns = 2 * np.pi * FREQUENCY_HZ * t_s
    (a, b, _), *_ = np.linalg.lstsq(np.stack([np.sin(turns), np.cos(turns), np.ones_like(turns)], 1), p, rcond=None)
    return -np.arctan2(b, a) / (2 * np.pi * FREQUENCY_HZ)


def check_times(recording, seconds):
    errors = np.array([time_error_s(recording, at) for at in np.linspace(1.0, seconds - 2.0, 8)])
    errors -= errors.mean()
    assert np.abs(errors).max() < 1e-3, errors


def check_complete(recording, session, live_t_s):
    counts, status = session.analysis.decoder.counts, session.analysis.interpreter.status
    assert (counts.lost, counts.damaged, counts.repeated, counts.resets) == (0, 0, 0, 0)
    assert status.fields["overruns"] == 0 and status.fields["dropped_frames"] == 0
    assert recording.missing == 0 and len(recording.t_s) >= len(live_t_s)


def test_a_quarter_minute_at_1_khz_loses_nothing_and_its_times_are_true(tmp_path):
    recording, session, live = record(str(tmp_path / "run.casebook"), 14.0, drift_ppm=100)
    check_complete(recording, session, live)
    check_times(recording, 14.0)


def test_2_khz_is_complete_or_its_loss_is_told(tmp_path):
    recording, session, live = record(str(tmp_path / "run.casebook"), 4.0, rate_hz=2000.0)
    assert session.health().rate_hz == recording.rate_hz == 2000.0
    span = round((recording.t_s[-1] - recording.t_s[0]) * 2000.0) + 1
    assert abs(len(recording.t_s) + recording.missing - span) <= 2 + 0.001 * span
    told = recording.losses.frames_lost + recording.losses.samples_overrun
    assert (recording.missing > 0) == (told > 0)


@pytest.mark.slow
@pytest.mark.parametrize("drift_ppm", [100, -100])
def test_a_minute_at_1_khz_loses_nothing_and_its_times_are_true(tmp_path, drift_ppm):
    recording, session, live = record(str(tmp_path / "run.casebook"), 62.0, drift_ppm=drift_ppm)
    check_complete(recording, session, live)
    assert len(recording.t_s) >= 60_000
    check_times(recording, 62.0)
    assert session.analysis.clock.fit().rate == pytest.approx(-drift_ppm * 1e-6, abs=10e-6)
