"""Counts to pascals, times, gaps, marks and faults of a whole recording, live and in batch alike."""

import numpy as np
import pytest
from wire_making import CHANNEL, identity, message, samples, status, stream

from sumpglass.decode.assemble import RecordingBuilder
from sumpglass.decode.interpret import Interpreter, PressureBlock
from sumpglass.decode.stream import StreamDecoder
from sumpglass.errors import InputError, VersionError
from sumpglass.records import Mark, SensorFault
from sumpglass_wire import layouts as wire


def built(data, received_s=None, **more):
    decoder, builder = StreamDecoder(), RecordingBuilder(more.pop("channel", None))
    builder.add(decoder.feed(data), received_s)
    return builder.build("here", decoder.counts, decoder.refusal, **more)


def joined(*frames):
    return b"\0" + b"".join(frames)


def test_linear_counts_become_pascals_and_the_sentinel_nan():
    recording = built(joined(identity(0, 0), samples(1, 500, [100, 108, -32768, 92])))
    assert recording.pressure_pa[[0, 1, 3]].tolist() == [0.0, 1.0, -1.0]
    assert np.isnan(recording.pressure_pa[2]) and recording.missing == 1
    assert recording.t_s == pytest.approx([0, 0.001, 0.002, 0.003])
    assert recording.sensor.part == "MPXV7002DP" and recording.sensor.range_low_pa == -2000.0


def test_ratiometric_counts_need_the_reference_and_wait_for_it():
    # MPXV7002: Vout = Vs (0.2 P[kPa] + 0.5), so P = (ratio - 0.5) * 5000 Pa (data sheet); converter and reference
    # both 16 bits unsigned, sent shifted down by 32768.
    board = identity(0, 0, transfer=2, offset=0.5, scale=5000.0)
    data = joined(
        board,
        samples(1, 0, [round(0.6 * 40000) - 32768, round(0.3 * 40000) - 32768]),
        status(2, 2000, reference_counts=40000 - 32768),
        samples(3, 2000, [20000 - 32768] * 2),
        status(4, 4000, reference_counts=50000 - 32768),
        samples(5, 4000, [20000 - 32768] * 2),
    )
    recording = built(data)
    assert recording.pressure_pa == pytest.approx([500.0, -1000.0, 0.0, 0.0, -500.0, -500.0], abs=1e-3)


def test_blocks_before_the_identity_wait_for_it():
    recording = built(joined(samples(5, 1000, [100, 108]), samples(6, 3000, [116, 124]), identity(7, 4000)))
    assert recording.pressure_pa.tolist() == [0.0, 1.0, 2.0, 3.0]


def test_blocks_of_another_configuration_use_its_own_scale_and_rate():
    data = joined(
        identity(0, 0),
        samples(1, 0, [108] * 4),
        identity(2, 4000, configuration=2, scale=0.25, rate_millihertz=500_000),
        samples(3, 4000, [108] * 4, configuration=2),
    )
    recording = built(data)
    assert recording.pressure_pa.tolist() == [1.0] * 4 + [2.0] * 4
    assert np.diff(recording.t_s)[4:] == pytest.approx([0.002] * 3)


def test_bins_keep_least_greatest_and_mean_square_about_zero():
    bins = [{"mean": 116.0, "least": 92, "greatest": 140, "mean_square": 64.0},
            {"mean": float("nan"), "least": -32768, "greatest": -32768, "mean_square": float("nan")}]  # fmt: skip
    fields = {"channel": 0, "width": 2, "configuration": 1, "bins": bins}
    board = identity(0, 0, rate_millihertz=20_000, decimation=50, scale=-0.125)
    recording = built(joined(board, message(wire.BINS, 1, 0, fields)))
    assert recording.pressure_pa[0] == -2.0 and np.isnan(recording.pressure_pa[1])
    assert (recording.pressure_low_pa[0], recording.pressure_high_pa[0]) == (-5.0, 1.0)
    assert recording.mean_square_pa2[0] == pytest.approx(64.0 * 0.125**2 + 4.0)
    assert recording.t_s == pytest.approx([0.0, 0.05])


def test_lost_blocks_leave_a_gap_that_is_counted():
    frames = stream(50)
    recording = built(b"".join(frames[:10] + frames[12:]))
    assert recording.missing == 120 and recording.losses.frames_lost == 2
    assert float(np.diff(recording.t_s).max()) == pytest.approx(0.121)
    assert len(recording.t_s) == 48 * 60 and recording.rate_hz == 1000.0


def test_times_follow_a_board_whose_pace_is_not_quite_what_it_says():
    frames = [identity(0, 0)] + [samples(k + 1, k * 60_300, [0] * 60) for k in range(20)]
    recording = built(joined(*frames))
    assert recording.missing == 0
    assert float(np.diff(recording.t_s)[200:].std()) < 1e-9
    assert recording.rate_hz == pytest.approx(1000 / 1.005, rel=1e-6)


def test_a_reset_goes_on_in_time_and_is_told():
    data = b"".join(stream(20, start_us=90_000_000)) + b"".join(stream(20, start_us=400_000))
    recording = built(data)
    assert (np.diff(recording.t_s) > 0).all() and len(recording.t_s) == 2400
    assert any("anew" in warning for warning in recording.warnings)
    decoder, interpreter = StreamDecoder(), Interpreter()
    interpreter.take(decoder.feed(b"".join(stream(20, start_us=90_000_000))), 100.0)
    second = interpreter.take(decoder.feed(b"".join(stream(20, start_us=400_000))), 103.5)
    block = next(thing for thing in second if isinstance(thing, PressureBlock))
    assert block.start_s == pytest.approx(19 * 0.06 + 0.059 + 3.5)


def test_button_marks_and_faults_come_in_board_time():
    faults = [{"channel": 0, "kind": 3, "occurrences": 1}]
    data = joined(
        identity(0, 1_000_000),
        samples(1, 1_000_000, [0] * 60),
        message(wire.MARK, 2, 1_030_000, {"number": 1, "kind": 2}),
        status(3, 1_050_000, faults=faults),
        samples(4, 1_060_000, [0] * 60),
        status(5, 1_100_000),
        status(6, 1_110_000, faults=faults, late_samples=4, overruns=2),
    )
    recording = built(data)
    assert recording.marks == (Mark(pytest.approx(0.03), "note button 1 (long press)", "board"),)
    assert recording.sensor_faults == (
        SensorFault(pytest.approx(0.05), pytest.approx(0.1), "stuck"),
        SensorFault(pytest.approx(0.11), None, "stuck"),
    )
    assert (recording.losses.samples_late, recording.losses.samples_overrun) == (4, 2)


def test_channels_are_told_apart():
    channels = [{**CHANNEL, "channel": 0, "quantity": 3}, {**CHANNEL, "channel": 1, "scale": 1.0}]
    frames = [identity(0, 0, channels=channels)]
    for k in range(40):
        frames += [samples(2 * k + 1, k * 4000, [200] * 4, 0), samples(2 * k + 2, k * 4000, [100 + k] * 4, 1)]
    data = joined(*frames)
    assert built(data).pressure_pa[::4].tolist() == [float(k) for k in range(40)]
    assert built(data, channel=0).pressure_pa.tolist() == [12.5] * 160
    with pytest.raises(InputError, match="channel 3"):
        built(data, channel=3)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("nonsense", [float("nan"), float("inf"), 1e38, -1e38, 0.0])
@pytest.mark.parametrize("field", ["scale", "offset", "range_low", "resolution", "zero_counts", "zero_sd_counts"])
def test_a_board_that_tells_nonsense_of_its_sensor_gives_no_infinite_reading(field, nonsense):
    bins = [{"mean": nonsense, "least": -5, "greatest": 9, "mean_square": nonsense}]
    body = {"channel": 0, "width": 2, "configuration": 1, "bins": bins}
    for more in ({}, {"transfer": 2}, {"width": 4}):
        board = identity(0, 0, **{field: nonsense}, **more)
        width = more.get("width", 2)
        blocks = samples(1, 0, [100, -32768, 5], width=width) + message(wire.BINS, 2, 10**6, body)
        recording = built(joined(board, blocks, status(3, 2 * 10**6, reference_counts=-32767)))
        assert not np.isinf(recording.pressure_pa).any() and (np.diff(recording.t_s) > 0).all()
        assert recording.zero is None or abs(recording.zero.pressure_pa) < 1e6


def test_joined_and_one_by_one_give_the_same_recording():
    frames = stream(150, counts=lambda k: np.random.default_rng(k).integers(0, 20000, 60).tolist())
    data = b"".join(frames[:40] + frames[43:])
    whole = built(data)
    decoder, builder = StreamDecoder(), RecordingBuilder()
    for at in range(0, len(data), 97):
        builder.add(decoder.feed(data[at : at + 97]))
    bitwise = builder.build("here", decoder.counts)
    assert whole.t_s.tolist() == bitwise.t_s.tolist()
    assert whole.pressure_pa.tolist() == bitwise.pressure_pa.tolist()
    assert whole.missing == bitwise.missing and whole.losses == bitwise.losses


def test_a_stream_without_samples_or_of_another_version_is_told_in_one_line():
    with pytest.raises(InputError, match="no samples"):
        built(joined(identity(0, 0), status(1, 1)))
    with pytest.raises(InputError, match="identity"):
        built(joined(samples(1, 0, [1, 2])))
    from wire_making import framed

    with pytest.raises(VersionError, match="version 4"):
        built(framed(bytes([0xA4, wire.SAMPLES]) + bytes(30)))
