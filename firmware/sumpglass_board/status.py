"""What STATUS and IDENTITY tell, gathered from the rig."""

import gc

from sumpglass_board import VERSION
from sumpglass_wire import layouts as L

COLLECT_SOFT_EVERY = 8
"""Statuses from one memory collection to the next while a bus sensor is read: it makes one of its samples late."""


def identity_fields(rig):
    """Fields of IDENTITY."""
    channels = []
    for channel in rig.channels:
        fields = channel.facts()
        zero = rig.settings["zeros"].get(str(channel.number))
        fields["zero_counts"], fields["zero_sd_counts"] = zero or (float("nan"), float("nan"))
        measured = rig.zero_measured_us.get(channel.number)
        age = L.UNKNOWN_AGE if measured is None else (rig.clock.now_us() - measured) // 1000000
        fields["zero_age_s"] = age
        channels.append(fields)
    flags = (
        (1 if rig.streaming else 0)
        | (2 if rig.settings["button"] else 0)
        | (4 if rig.settings["sounder_pin"] is not None else 0)
        | (8 if rig.settings["journal"]["on"] else 0)
        | (16 if rig.settings_damaged else 0)
    )
    return {
        "minor": L.MINOR,
        "board_id": rig.board.board_id,
        "firmware_digest": rig.digest,
        "boot_id": rig.board.boot_id,
        "firmware_major": VERSION[0],
        "firmware_minor": VERSION[1],
        "firmware_patch": VERSION[2],
        "configuration": rig.configuration,
        "flags": flags,
        "board": rig.board.name,
        "channels": channels,
    }


class Status:
    """Counts what a status needs from one to the next."""

    def __init__(self):
        self._sent = 0
        self._free = gc.mem_free()

    def collect(self, groups):
        """Give memory back, seldom while a soft timer runs."""
        soft = any([not group.hard for group in groups])
        if not soft or self._sent % COLLECT_SOFT_EVERY == 0:
            gc.collect()
            self._free = gc.mem_free()
        self._sent += 1

    def fields(self, rig, groups):
        """Fields of STATUS."""
        late = lost = largest = 0
        faults = []
        for group in groups:
            sampler = group.sampler
            steps = group.channels[0].steps
            late += (sampler.late + steps - 1) // steps
            lost += (sampler.lost + steps - 1) // steps
            largest = max(largest, sampler.largest_us)
            for channel in group.channels:
                faults += channel.faults()
        temperature = rig.slow_mean("temperature")
        supply = rig.slow_mean("supply")
        reference = rig.slow_mean("reference")
        return {
            "late_samples": late,
            "overruns": lost,
            "dropped_frames": rig.sender.dropped,
            "damaged_requests": rig.reader.damaged & 0xFFFF,
            "largest_lateness_us": largest,
            "free_memory_bytes": self._free,  # after the last collection: garbage in between is no want
            "supply_mv": 0 if supply is None else max(0, min(65535, int(supply))),
            "temperature_centidegrees": L.UNKNOWN_TEMPERATURE if temperature is None else int(temperature * 100),
            "reference_counts": L.NO_REFERENCE if reference is None else int(round(reference)),
            "flags": (1 if rig.streaming else 0)
            | (2 if rig.watchdog_on else 0)
            | (4 if rig.settings["muted"] else 0)
            | (8 if rig.journal_full() else 0)
            | (16 if rig.sender.host_lost else 0),
            "faults": faults[:16],
        }
