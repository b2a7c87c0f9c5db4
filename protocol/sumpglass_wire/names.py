"""Words for the numbers of `layouts`, and what else only a host asks for. Reached as `layouts.NAMES` and so on."""

from sumpglass_wire import layouts as L

HEADER_FIELDS = ("version", "type", "sequence", "time_us")
BIN_2 = "<fhhf"
BIN_4 = "<fiif"
BIN_FIELDS = ("mean", "least", "greatest", "mean_square")
NO_READING_2 = -0x8000
NO_READING_4 = -0x80000000

NAMES = {
    L.IDENTITY: "identity",
    L.SAMPLES: "samples",
    L.BINS: "bins",
    L.STATUS: "status",
    L.MARK: "mark",
    L.ANSWER: "answer",
    L.ERROR: "error",
    L.TIME_ECHO_ANSWER: "time_echo_answer",
    L.IDENTIFY: "identify",
    L.START: "start",
    L.STOP: "stop",
    L.SET_RATE: "set_rate",
    L.MEASURE_ZERO: "measure_zero",
    L.READ_SETTINGS: "read_settings",
    L.WRITE_SETTINGS: "write_settings",
    L.TIME_ECHO: "time_echo",
    L.GIVE_PROMPT: "give_prompt",
    L.JOURNAL_LIST: "journal_list",
    L.JOURNAL_READ: "journal_read",
    L.JOURNAL_ERASE: "journal_erase",
    L.SOUND: "sound",
    L.RESET: "reset",
}

QUANTITIES = {
    1: "differential_pressure",
    2: "absolute_pressure",
    3: "manifold_pressure",
    4: "temperature",
    5: "reference_voltage",
}
TRANSFERS = {1: "linear", 2: "ratiometric"}
FORMS = {0: "full", 1: "bins"}
MARK_KINDS = {1: "short_press", 2: "long_press"}
FAULT_KINDS = {
    1: "no_answer",
    2: "bad_checksum",
    3: "stuck",
    4: "rail_low",
    5: "rail_high",
    6: "out_of_range",
    7: "not_ready",
}
ERROR_CODES = {
    1: "unknown_request",
    2: "wrong_version",
    3: "bad_length",
    4: "bad_value",
    5: "not_now",
    6: "sensor_fault",
    7: "settings_refused",
    8: "storage_failed",
}
IDENTITY_FLAGS = {1: "streaming", 2: "button", 4: "sounder", 8: "journal", 16: "settings_damaged", 32: "clock_guessed"}
STATUS_FLAGS = {1: "streaming", 2: "watchdog", 4: "muted", 8: "journal_full", 16: "host_lost"}
