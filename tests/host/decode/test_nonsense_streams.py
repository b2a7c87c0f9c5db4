"""Frames with right checksums and senseless contents: one line or a finite recording, in batch and on the screen."""

import math
import random
import warnings

import numpy as np
import pytest
from wire_making import CHANNEL, identity, message, samples, status

from sumpglass.errors import SumpglassError
from sumpglass.workflows.load_recording import load_recording
from sumpglass.workflows.session import Session
from sumpglass.workflows.sources import open_replay
from sumpglass_wire import layouts as wire

NUMBERS = [0.0, 1.0, -1.0, float("nan"), float("inf"), -float("inf"), 1e30, -1e30, 0.125, 1e-30]


def channel(draw):
    fields = {name: draw.choice(NUMBERS) for name in ("offset", "range_low", "range_high", "resolution")}
    fields |= {name: draw.choice(NUMBERS) for name in ("zero_counts", "zero_sd_counts")}
    return {
        **CHANNEL, **fields, "channel": draw.randint(0, 3), "quantity": draw.randint(0, 6),
        "transfer": draw.randint(0, 3), "width": draw.choice([0, 2, 2, 4]), "decimation": draw.choice([0, 1, 50]),
        "rate_millihertz": draw.choice([0, 1, 1000, 1_000_000, 4_294_967_295]),
        "scale": draw.choice([0.1, 0.2, draw.choice(NUMBERS)]),
    }  # fmt: skip


def frame(draw, channels, sequence, time_us):
    kind = draw.random()
    if kind < 0.12:
        return identity(sequence, time_us, channels=channels, configuration=draw.choice([0, 1, 1, 1, 255]))
    if kind < 0.2:
        fault = {"channel": draw.randint(0, 255), "kind": draw.randint(0, 255), "occurrences": 1}
        reference = draw.choice([0, -32768, 100, wire.NO_REFERENCE])
        return status(sequence, time_us, reference_counts=reference, faults=[fault] * draw.randint(0, 3))
    if kind < 0.26:
        return message(wire.MARK, sequence, time_us, {"number": 1, "kind": draw.randint(0, 3)})
    if kind < 0.36:
        one = {"mean": draw.choice(NUMBERS), "least": draw.choice([-32768, 0]), "greatest": draw.choice([-32768, 9]),
               "mean_square": draw.choice(NUMBERS)}  # fmt: skip
        bins = [one] * draw.randint(1, 5)
        fields = {"channel": draw.randint(0, 3), "width": 2, "configuration": 1, "bins": bins}
        return message(wire.BINS, sequence, time_us, fields)
    counts = [draw.randint(-32768, 32767) for _ in range(draw.choice([1, 60]))]
    return samples(sequence, time_us, counts, draw.choice([0, 0, 0, 1]), draw.choice([2, 2, 4]))


def stream(draw):
    channels = [channel(draw) for _ in range(draw.randint(0, 4))]
    time_us, sequence, frames = draw.choice([0, 10**6, 2**63 - 10**6, 2**64 - 10**7]), draw.randint(0, 65535), [b"\0"]
    for _ in range(draw.randint(1, 60)):
        step = draw.choice([60_000, 60_000, 60_000, 0, 1, 10**9, 10**12, -(10**6)])
        time_us, sequence = (time_us + step) % 2**64, sequence + 1
        frames.append(frame(draw, channels, sequence, time_us))
    return b"".join(frames)


@pytest.mark.parametrize("seed", range(4))
def test_sound_frames_of_nonsense(seed, tmp_path):
    draw, path, read = random.Random(seed), tmp_path / "nonsense.capture", 0
    for _ in range(40):
        path.write_bytes(stream(draw))
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            try:
                recording = load_recording(str(path))
            except SumpglassError as error:
                assert "\n" not in str(error)
                continue
            assert not np.isinf(recording.pressure_pa).any() and np.isfinite(recording.t_s).all()
            assert (np.diff(recording.t_s) > 0).all()
            session = Session(open_replay(str(path), math.inf))
            for _ in range(4):
                session.poll()
            read += 1
    assert read > 3
