"""Numbers and layouts of all messages: the tables of WIRE.md as code. Little-endian throughout."""

MAJOR = 1
MINOR = 0
VERSION_BYTE = 0xA0 | MAJOR

HEADER = "<BBHQ"
HEADER_LENGTH = 12

# board to host
IDENTITY = 0x10
SAMPLES = 0x11
BINS = 0x12
STATUS = 0x13
MARK = 0x14
ANSWER = 0x15
ERROR = 0x16
TIME_ECHO_ANSWER = 0x17

# host to board
IDENTIFY = 0x40
START = 0x41
STOP = 0x42
SET_RATE = 0x43
MEASURE_ZERO = 0x44
READ_SETTINGS = 0x45
WRITE_SETTINGS = 0x46
TIME_ECHO = 0x47
GIVE_PROMPT = 0x48
JOURNAL_LIST = 0x49
JOURNAL_READ = 0x4A
JOURNAL_ERASE = 0x4B
SOUND = 0x4C
RESET = 0x4D

# Fixed part of each body, after the header: struct format and names.
BODIES = {
    IDENTITY: (
        "<B8s8sI3BBB",
        (
            "minor",
            "board_id",
            "firmware_digest",
            "boot_id",
            "firmware_major",
            "firmware_minor",
            "firmware_patch",
            "configuration",
            "flags",
        ),
    ),
    SAMPLES: ("<BB", ("channel_and_width", "configuration")),
    BINS: ("<BB", ("channel_and_width", "configuration")),
    STATUS: (
        "<IIIHIIHhiB",
        (
            "late_samples",
            "overruns",
            "dropped_frames",
            "damaged_requests",
            "largest_lateness_us",
            "free_memory_bytes",
            "supply_mv",
            "temperature_centidegrees",
            "reference_counts",
            "flags",
        ),
    ),
    MARK: ("<HB", ("number", "kind")),
    ANSWER: ("<HB", ("request_sequence", "request_type")),
    ERROR: ("<HBB", ("request_sequence", "request_type", "code")),
    TIME_ECHO_ANSWER: ("<HQQ", ("request_sequence", "token", "received_us")),
    IDENTIFY: ("<", ()),
    START: ("<B", ("channel_mask",)),
    STOP: ("<", ()),
    SET_RATE: ("<BIHB", ("channel", "rate_millihertz", "decimation", "form")),
    MEASURE_ZERO: ("<BB", ("channel", "tenths_of_seconds")),
    READ_SETTINGS: ("<H", ("offset",)),
    WRITE_SETTINGS: ("<HHI", ("total", "offset", "crc")),
    TIME_ECHO: ("<Q", ("token",)),
    GIVE_PROMPT: ("<", ()),
    JOURNAL_LIST: ("<", ()),
    JOURNAL_READ: ("<II", ("segment", "offset")),
    JOURNAL_ERASE: ("<II", ("segment", "crc")),
    SOUND: ("<BB", ("pattern", "volume_percent")),
    RESET: ("<", ()),
}

# Fixed part of what follows in an ANSWER, by the type of the request that it answers; a tail of bytes may follow.
ANSWER_BODIES = {
    MEASURE_ZERO: ("<ffI", ("mean_counts", "sd_counts", "samples")),
    READ_SETTINGS: ("<HH", ("total", "offset")),
    JOURNAL_LIST: ("<IIIIH", ("oldest", "newest", "bytes_used", "bytes_lost", "segments")),
    JOURNAL_READ: ("<III", ("segment", "offset", "length")),
}

WITH_TAIL = (SAMPLES, BINS, IDENTITY, STATUS, ERROR, ANSWER)
"""Messages of a board that end in text, data or a list."""

CHANNEL = "<BBBBIHHfffffiiffI"
CHANNEL_FIELDS = (
    "channel",
    "quantity",
    "transfer",
    "width",
    "rate_millihertz",
    "decimation",
    "oversampling",
    "offset",
    "scale",
    "range_low",
    "range_high",
    "resolution",
    "counts_low",
    "counts_high",
    "zero_counts",
    "zero_sd_counts",
    "zero_age_s",
)
FAULT = "<BBI"
FAULT_FIELDS = ("channel", "kind", "occurrences")

MOST_CHANNELS = 4
LONGEST_TEXT = 80
LONGEST_DATA = 256
UNKNOWN_AGE = 0xFFFFFFFF
UNKNOWN_TEMPERATURE = -0x8000
NO_REFERENCE = -0x80000000


def __getattr__(name):
    """The tables of `names`, loaded when they are first asked for: a board never asks, and its memory is small."""
    from sumpglass_wire import names

    value = globals()[name] = getattr(names, name)
    return value
