"""CSV recordings: what is taken, what is refused, and that no number is read otherwise than Python reads it."""

import csv
import io
import os
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpglass.errors import InputError
from sumpglass.store import csv_recording
from sumpglass.store.csv_numbers import PAD, parse_decimals, plain_decimal
from sumpglass.workflows.load_recording import load_recording


@pytest.fixture
def read(tmp_path):
    def write_and_read(content):
        path = tmp_path / "run.csv"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return load_recording(str(path))

    return write_and_read


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("mark_first", [True, False])
@pytest.mark.parametrize("start", ["", "\ufeff"])
def test_delimiters_line_ends_order_and_byte_order_mark(read, delimiter, end, mark_first, start):
    names = ["mark", "pressure_kpa", "other", "t_ms"] if mark_first else ["t_ms", "other", "pressure_kpa", "mark"]
    rows = [{"t_ms": "0", "pressure_kpa": "-0.4125", "other": "x", "mark": "closed"},
            {"t_ms": "1.5", "pressure_kpa": "1e-3", "other": "", "mark": ""},
            {"t_ms": "3", "pressure_kpa": "+.5", "other": "y z", "mark": "opening 2.0 mm"}]  # fmt: skip
    text = start + delimiter.join(names) + end + "".join(delimiter.join(r[n] for n in names) + end for r in rows)
    recording = read(text)
    assert recording.t_s.tolist() == [0.0, 0.0015, 0.003]
    assert recording.pressure_pa.tolist() == [-412.5, 1.0, 500.0]
    assert [(m.t_s, m.text, m.origin) for m in recording.marks] == [
        (0.0, "closed", "file"), (0.003, "opening 2.0 mm", "file")]  # fmt: skip


@pytest.mark.parametrize(
    ("unit", "pascals"),
    [("pa", 1.0), ("kpa", 1000.0), ("mbar", 100.0),
     ("inh2o", 249.0889), ("mmh2o", 9.80665), ("inhg", 3386.389), ("psi", 6894.757)],
)  # fmt: skip
def test_pressure_units_are_those_of_nist_sp_811(read, unit, pascals):
    recording = read(f"t_s,pressure_{unit}\n0,1\n1,-2\n")
    assert recording.pressure_pa == pytest.approx([pascals, -2 * pascals], rel=3e-6)


def test_gaps_over_one_and_a_half_periods_are_counted(read):
    t_ms = [0, 1, 2, 3, 4.4, 5.4, 9.4, 10.4, 12.0]
    recording = read("t_ms,pressure_pa\n" + "".join(f"{t},1\n" for t in t_ms))
    assert recording.missing == 3 + 1
    assert any("missing" in w for w in recording.warnings)


@pytest.mark.parametrize(("t_s", "missing"), [([0, 1, 4], 2), ([0, 3, 4], 2), ([0, 1, 2.5], 0), ([0, 1, 1000], 998)])
def test_gaps_beside_few_steps_are_counted_too(read, t_s, missing):
    assert read("t_s,pressure_pa\n" + "".join(f"{t},1\n" for t in t_s)).missing == missing


def test_one_sample_is_a_recording_without_a_rate(read):
    recording = read("t_s,pressure_pa\n7,-3")
    assert recording.rate_hz is None and len(recording.t_s) == 1 and recording.warnings


REFUSED = {
    "empty": (b"", "line 1"),
    "only a byte-order mark": (b"\xef\xbb\xbf", "line 1"),
    "only blank lines": (b"\n\n", "line 1"),
    "header alone": (b"t_s,pressure_pa\n", "line 2"),
    "header and blank lines": (b"t_s,pressure_pa\n\n\n", "line 2"),
    "no header": (b"0,1\n1,2\n", "line 1"),
    "no pressure": (b"t_s,p\n0,1\n", "pressure"),
    "no time": (b"time,pressure_pa\n0,1\n", "t_s"),
    "same column twice": (b"t_s,pressure_pa,t_s\n0,1,2\n", "t_s"),
    "mark twice": (b"t_s,pressure_pa,mark,mark\n0,1,,\n", "mark"),
    "two times": (b"t_s,t_ms,pressure_pa\n0,0,1\n", "t_ms"),
    "two pressures": (b"t_s,pressure_kpa,pressure_pa\n0,0,1\n", "pressure_kpa"),
    "equal times": (b"t_s,pressure_pa\n0,1\n1,1\n1,2\n", "line 4"),
    "time backwards": (b"t_s,pressure_pa\n0,1\n1,1\n0.5,2\n", "line 4"),
    "underscore": (b"t_s,pressure_pa\n0,1\n1,1_000\n", "line 3"),
    "nan": (b"t_s,pressure_pa\n0,1\n1,nan\n", "line 3"),
    "infinity": (b"t_s,pressure_pa\n0,1\n1,inf\n", "line 3"),
    "too large": (b"t_s,pressure_pa\n0,1\n1,1e999\n", "line 3"),
    "hexadecimal": (b"t_s,pressure_pa\n0,1\n1,0x10\n", "line 3"),
    "two points": (b"t_s,pressure_pa\n0,1\n1,1.2.3\n", "line 3"),
    "two signs": (b"t_s,pressure_pa\n0,1\n1,--1\n", "line 3"),
    "sign alone": (b"t_s,pressure_pa\n0,1\n1,-\n", "line 3"),
    "point alone": (b"t_s,pressure_pa\n0,1\n1,.\n", "line 3"),
    "exponent alone": (b"t_s,pressure_pa\n0,1\n1,1e\n", "line 3"),
    "words": (b"t_s,pressure_pa\n0,1\n1,deep\n", "line 3"),
    "digits of another script": ("t_s,pressure_pa\n0,1\n1,\u0661\n".encode(), "line 3"),
    "blank within": (b"t_s,pressure_pa\n0,1\n1,1 000\n", "line 3"),
    "no-break space": ("t_s,pressure_pa\n0,1\n1,1\u00a0\n".encode(), "line 3"),
    "decimal comma": (b"t_s,pressure_pa\n0,1\n0,5,-412,5\n", "line 3"),
    "decimal comma between semicolons": (b"t_s;pressure_pa\n0;1\n0,5;-412,5\n", "line 3"),
    "empty cell": (b"t_s,pressure_pa\n0,1\n1,\n", "line 3"),
    "short row": (b"t_s,pressure_pa\n0,1\n1\n", "line 3"),
    "long row": (b"t_s,pressure_pa\n0,1\n1,2,3\n", "line 3"),
    "open quote": (b't_s,pressure_pa,mark\n0,1,"never closed\n1,2,\n', "line 2"),
    "bare carriage returns": (b"t_s,pressure_pa\r0,1\r1,2\r", "line 1"),
    "bare carriage return in a row": (b"t_s,pressure_pa\n0,1\r1,2\n", "line 2"),
    "NUL": (b"t_s,pressure_pa\n0,1\n1,\x002\n", "byte"),
    "not UTF-8": (b"t_s,pressure_pa,mark\n0,1,\xe9\n", "byte 25"),
    "UTF-16": ("t_s,pressure_pa\n0,1\n".encode("utf-16"), "UTF-16"),
    "picture": (b"\x89PNG\r\n\x1a\n" + bytes(range(256)), "byte"),
    "gzip": (b"\x1f\x8b\x08\x00" + bytes(40), "byte"),
    "prose": (b"Dear all,\nthe pump lost its vacuum.\n", "line 1"),
    "JSON": (b'{"t_s": [0, 1]}\n', "line 1"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_refused_in_one_line_that_says_where(read, case):
    content, where = REFUSED[case]
    with pytest.raises(InputError) as caught:
        read(content)
    line = str(caught.value)
    assert where in line and "run.csv" in line and "expected" in line and "\n" not in line and "\x1b" not in line


@pytest.mark.parametrize("case", [c for c in REFUSED if "line 3" in REFUSED[c][1]])
def test_the_line_is_right_far_down_a_file(read, case, monkeypatch):
    monkeypatch.setattr(csv_recording, "BLOCK_BYTES", 1000)
    head, _, bad = REFUSED[case][0].split(b"\n")[:3]
    separator = b";" if b";" in head else b","
    body = b"".join(b"%d%b1\n" % (k - 3000, separator) for k in range(3000))
    with pytest.raises(InputError, match="line 3002:"):
        read(head + b"\n" + body + bad + b"\n")


def test_things_that_are_no_plain_file(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path, tmp_path / "pipe", "/dev/null", "/dev/zero", tmp_path / "absent", "bad\0name"):
        with pytest.raises(InputError, match="expected"):
            load_recording(str(path))


def test_quoted_marks_with_delimiters_line_ends_and_escapes_survive(read, monkeypatch):
    monkeypatch.setattr(csv_recording, "BLOCK_BYTES", 64)
    marks = ['note a, "b"', "note two\nlines", "note \x1b[31mred", "note " + "x" * 5000, "closed"]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["t_s", "pressure_pa", "mark"])
    for k in range(500):
        writer.writerow([k, -k, marks[k // 100] if k % 100 == 50 else ""])
    recording = read(out.getvalue())
    assert [m.text for m in recording.marks] == marks
    assert [m.t_s for m in recording.marks] == [50.0, 150.0, 250.0, 350.0, 450.0]
    assert recording.pressure_pa.tolist() == [-float(k) for k in range(500)]


def test_a_mark_may_hold_a_lone_quote(read):
    recording = read('t_s,pressure_pa,mark\n0,1,hose 5" long\n1,2,\n2,3,closed\n')
    assert [m.text for m in recording.marks] == ['hose 5" long', "closed"]


def test_blocks_and_rows_read_the_same(tmp_path, monkeypatch):
    generator = random.Random(5)
    forms = ["{:.3f}", "{:.6f}", "{!r}", "{:.9e}", "{:.0f}", "{:g}"]
    text = "t_us,pressure_pa,mark\n" + "".join(
        f"{k * 1000},{generator.choice(forms).format(generator.uniform(-5e4, 5e4))},{'closed' if k % 97 == 0 else ''}\n"
        for k in range(4000)
    )
    path = tmp_path / "run.csv"
    path.write_text(text)
    by_blocks = load_recording(str(path))
    monkeypatch.setattr(csv_recording, "take_block", lambda *_: 0)
    by_rows = load_recording(str(path))
    assert by_blocks.t_s.tolist() == by_rows.t_s.tolist()
    assert by_blocks.pressure_pa.tolist() == by_rows.pressure_pa.tolist()
    assert by_blocks.marks == by_rows.marks and len(by_rows.marks) == 42


NUMBERS = st.one_of(
    st.from_regex(r"[-+]?[0-9]{0,18}\.?[0-9]{0,18}([eE][-+]?[0-9]{1,3})?", fullmatch=True),
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.integers(-(10**17), 10**17).map(str),
    st.text("0123456789+-.eE_ x", max_size=12),
)


@settings(max_examples=300, deadline=None)
@given(st.lists(NUMBERS, min_size=1, max_size=20))
def test_numbers_are_read_as_python_reads_them_or_refused(texts):
    expected = [plain_decimal(text) for text in texts]
    padded = np.frombuffer(b"," * PAD + ",".join(texts).encode() + b"," * PAD, np.uint8)
    ends = PAD + np.cumsum([len(text) + 1 for text in texts]) - 1
    starts = ends - [len(text) for text in texts]
    if any(not text for text in texts):
        return  # Empty fields are refused before numbers are read.
    got = parse_decimals(padded, starts, ends)
    guessed = [padded.tobytes().find(b".", start, end) for start, end in zip(starts, ends, strict=True)]
    hinted = parse_decimals(padded, starts, ends, np.array([at if at >= 0 else end for at, end in zip(guessed, ends)]))
    assert (hinted is None) == (got is None) and (got is None or hinted.tolist() == got.tolist())
    assert (got is None) == (None in expected)
    if got is not None:
        assert got.tolist() == expected
        assert all(g == float(t) for g, t in zip(got.tolist(), texts, strict=True))


@settings(max_examples=200, deadline=None)
@given(content=st.binary(max_size=300))
def test_any_bytes_give_a_recording_or_one_line(tmp_path_factory, content):
    path = tmp_path_factory.getbasetemp() / "any.csv"
    for head in (b"", b"t_s,pressure_pa\n0,0\n"):
        path.write_bytes(head + content)
        try:
            recording = load_recording(str(path))
        except InputError as error:
            assert "\n" not in str(error)
        else:
            assert np.isfinite(recording.t_s).all() and (np.diff(recording.t_s) > 0).all()
