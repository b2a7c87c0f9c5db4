"""Frames made for the decoder's tests, framed by outside libraries: `cobs` and `zlib`."""

import struct
import zlib

from cobs import cobs

from sumpglass_wire import layouts as wire
from sumpglass_wire.frames import payload_buffer
from sumpglass_wire.messages import encode

CHANNEL = {
    "channel": 0, "quantity": 1, "transfer": 1, "width": 2, "rate_millihertz": 1_000_000, "decimation": 1,
    "oversampling": 4, "offset": 100.0, "scale": 0.125, "range_low": -2000.0, "range_high": 2000.0,
    "resolution": 0.125, "counts_low": -16000, "counts_high": 16000, "zero_counts": float("nan"),
    "zero_sd_counts": float("nan"), "zero_age_s": wire.UNKNOWN_AGE, "part": "MPXV7002DP",
}  # fmt: skip
STATUS = {
    "late_samples": 0, "overruns": 0, "dropped_frames": 0, "damaged_requests": 0, "largest_lateness_us": 5,
    "free_memory_bytes": 150000, "supply_mv": 5000, "temperature_centidegrees": 2500,
    "reference_counts": wire.NO_REFERENCE, "flags": 1, "faults": [],
}  # fmt: skip


def framed(payload):
    """One frame of any payload."""
    return cobs.encode(payload + struct.pack("<I", zlib.crc32(payload))) + b"\0"


def message(kind, sequence, time_us, fields):
    """One frame of a message."""
    buffer = payload_buffer()
    length = encode(buffer, kind, sequence % 65536, time_us, fields)
    return framed(bytes(buffer[:length]))


def identity(sequence, time_us, boot_id=7, configuration=1, channels=None, **changes):
    """IDENTITY with one channel, some of whose fields may be changed."""
    fields = {
        "minor": 0, "board_id": bytes(8), "firmware_digest": bytes(8), "boot_id": boot_id, "firmware_major": 0,
        "firmware_minor": 1, "firmware_patch": 0, "configuration": configuration, "flags": 1, "board": "pico",
        "channels": channels if channels is not None else [{**CHANNEL, **changes}],
    }  # fmt: skip
    return message(wire.IDENTITY, sequence, time_us, fields)


def status(sequence, time_us, **changes):
    """STATUS, some of whose fields may be changed."""
    return message(wire.STATUS, sequence, time_us, {**STATUS, **changes})


def samples(sequence, time_us, counts, channel=0, width=2, configuration=1):
    """SAMPLES."""
    fields = {"channel": channel, "width": width, "configuration": configuration, "counts": list(counts)}
    return message(wire.SAMPLES, sequence, time_us, fields)


def stream(blocks, start_us=1_000_000, counts=lambda k: range(k * 60, k * 60 + 60), first=0):
    """A whole stream at 1 kHz: identity, then `blocks` blocks of 60, a status every 33."""
    out = [b"\0", identity(first, start_us)]
    sequence = first + 1
    for k in range(blocks):
        if k % 33 == 32:
            out.append(status(sequence, start_us + k * 60_000))
            sequence += 1
        out.append(samples(sequence, start_us + k * 60_000, [c % 20000 - 10000 for c in counts(k)]))
        sequence += 1
    return out
