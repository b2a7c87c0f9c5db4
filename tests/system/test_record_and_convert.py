"""From the virtual rig to a casebook, CSV, Parquet, a capture and a page, by the commands that a person types."""

import contextlib
import io
import json
import os
import pathlib
import re
import signal
import subprocess
import sys
import time
from dataclasses import dataclass

import jsonschema
import numpy as np
import pytest

from sumpglass.cli import main
from sumpglass.decode.items import Message, Samples
from sumpglass.decode.stream import StreamDecoder
from sumpglass.link.replay_source import ReplaySource
from sumpglass.records import Mark
from sumpglass.store.casebook import Casebook
from sumpglass.workflows.live import Ended, HappeningNow, MarkNow
from sumpglass.workflows.live import Samples as LiveSamples
from sumpglass.workflows.load_recording import load_recording
from sumpglass.workflows.session import Session
from sumpglass.workflows.sources import open_replay

ROOT = pathlib.Path(__file__).parents[2]
PROGRAM = [sys.executable, "-m", "sumpglass"]


@dataclass
class Done:
    returncode: int
    stdout: str
    stderr: str


def sumpglass(*words, folder):
    """One command, in this process: starting a new one each time would take most of the time."""
    redirected = contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO())
    with contextlib.chdir(folder), redirected[0] as out, redirected[1] as err:
        try:
            status = main(words)
        except SystemExit as leaving:
            status = leaving.code
    return Done(status, out.getvalue(), err.getvalue())


def valid(text, name):
    """The JSON object in `text`, checked against its schema."""
    found = json.loads(text)
    jsonschema.validate(found, json.loads((ROOT / "protocol" / "schemas" / f"{name}.schema.json").read_text()))
    return found


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("job")


@pytest.fixture(scope="module")
def casebook(folder):
    """Four seconds of the virtual rig with two marks added afterwards, one of them hostile."""
    done = sumpglass("record", "--virtual", "--seconds", "4", "--out", "job.casebook", "--cylinders", "4",
                     "--subject", "East Bank <b>pump</b>", "--json", folder=folder)  # fmt: skip
    assert done.returncode == 0, done.stderr
    told = valid(done.stdout, "record")
    assert told["schema"] == "sumpglass/record/1" and told["samples"] >= 4000 and told["frames_lost"] == 0
    path = str(folder / "job.casebook")
    with Casebook.open(path, writable=True) as book:
        book.set_mark(1, "host-1", Mark(1.0005, "closed", "host"))
        book.set_mark(1, "host-2", Mark(2.25, 'note <script>alert(1)</script>, "two"\n\x1b[31m\u202elines', "host"))
    return path


def test_no_sample_is_lost_between_board_and_casebook(casebook):
    recording = load_recording(casebook)
    assert recording.missing == 0 and recording.losses.frames_lost == recording.losses.samples_overrun == 0
    assert recording.rate_hz == 1000.0 and recording.cylinders == 4 and len(recording.marks) == 2
    assert np.diff(recording.t_s) == pytest.approx(np.full(len(recording.t_s) - 1, 1e-3), rel=0.02)
    with Casebook.open(casebook) as book:
        raw = b"".join(piece for piece, _ in book.frames(1))
    items = StreamDecoder().feed(raw)
    assert sum(item.counts.size for item in items if isinstance(item, Samples)) == len(recording.t_s)
    assert sum(isinstance(item, Message) and item.name == "time_echo_answer" for item in items) >= 3


def test_to_csv_and_back_without_loss(casebook, folder):
    for source, out in (("job.casebook", "job.csv"), ("job.csv", "back.casebook"), ("back.casebook", "back.csv")):
        done = sumpglass("convert", source, out, folder=folder)
        assert done.returncode == 0, done.stderr
        assert "\x1b" not in done.stdout + done.stderr
    first, csv, back = (load_recording(str(folder / name)) for name in ("job.casebook", "job.csv", "back.casebook"))
    assert csv.t_s.tolist() == first.t_s.tolist() == back.t_s.tolist()
    assert csv.pressure_pa.astype(np.float32).tolist() == first.pressure_pa.tolist()
    assert back.pressure_pa.tolist() == csv.pressure_pa.tolist()
    assert [m.text for m in csv.marks] == [m.text for m in first.marks] == [m.text for m in back.marks]
    assert [m.t_s for m in csv.marks] == pytest.approx([m.t_s for m in first.marks], abs=1.01e-3)
    assert (folder / "job.csv").read_bytes() == (folder / "back.csv").read_bytes()
    again = sumpglass("convert", "job.casebook", "job.csv", folder=folder)
    assert again.returncode == 2 and again.stderr.count("\n") == 1 and "--overwrite" in again.stderr
    assert sumpglass("convert", "job.csv", "job.csv", "--overwrite", folder=folder).returncode == 2


def test_to_parquet_bit_by_bit(casebook, folder):
    parquet = pytest.importorskip("pyarrow.parquet")
    done = sumpglass("convert", "job.casebook#1", "job.parquet", "--json", folder=folder)
    assert valid(done.stdout, "convert")["samples"] == len(load_recording(casebook).t_s)
    table = parquet.read_table(folder / "job.parquet")
    recording = load_recording(casebook)
    assert table["t_s"].to_numpy().tolist() == recording.t_s.tolist()
    assert table["pressure_pa"].to_numpy().tolist() == recording.pressure_pa.tolist()
    about = json.loads(table.schema.metadata[b"sumpglass"])
    assert [mark["t_s"] for mark in about["marks"]] == [mark.t_s for mark in recording.marks]
    assert [text for text in table["mark"].to_pylist() if text] == [mark.text for mark in recording.marks]


def test_to_a_capture_and_back_to_a_casebook_byte_by_byte(casebook, folder):
    assert sumpglass("convert", "job.casebook", "job.capture", folder=folder).returncode == 0
    assert sumpglass("convert", "job.capture", "again.casebook", folder=folder).returncode == 0
    with Casebook.open(casebook) as book:
        raw = b"".join(piece for piece, _ in book.frames(1))
    assert (folder / "job.capture").read_bytes() == raw
    with Casebook.open(str(folder / "again.casebook")) as book:
        assert b"".join(piece for piece, _ in book.frames(1)) == raw
    one, two = load_recording(casebook), load_recording(str(folder / "again.casebook"))
    assert one.pressure_pa.tolist() == two.pressure_pa.tolist()
    refused = sumpglass("convert", "job.csv", "new.capture", folder=folder)
    assert refused.returncode == 2 and refused.stderr.count("\n") == 1
    assert sumpglass("convert", "job.casebook", "job.xyz", folder=folder).returncode == 2
    assert sumpglass("convert", "job.casebook#7", "x.csv", folder=folder).returncode == 2
    assert sumpglass("convert", "job.csv#1", "x.csv", folder=folder).returncode == 2
    assert not [name for name in os.listdir(folder) if name.startswith(".sumpglass")]


def shown(session):
    events = []
    while not any(isinstance(event, Ended) for event in events):
        events += session.poll()
    return events


def test_replay_from_any_kind_shows_the_same(casebook, folder):
    sumpglass("convert", "job.casebook", "kinds.capture", folder=folder)
    traces, happenings = [], []
    for name in ("job.casebook", "kinds.capture"):
        session = Session(open_replay(str(folder / name), float("inf")))
        events = shown(session)
        found = [event for event in events if isinstance(event, LiveSamples)]
        traces.append(np.concatenate([event.pressure_pa for event in found]).tolist())
        happenings.append({e.happening.key: e.happening for e in events if isinstance(e, HappeningNow)})
        assert sum(isinstance(event, MarkNow) for event in events) == (2 if name == "job.casebook" else 0)
    assert traces[0] == traces[1] == load_recording(casebook).pressure_pa.tolist()
    assert happenings[0] == happenings[1]


def test_replay_seeks_to_what_was_shown_there(casebook):
    clock = [0.0]
    whole = Session(open_replay(casebook, float("inf")))
    shown(whole)
    source = open_replay(casebook)
    replay = Session(ReplaySource(source._cues, source.facts, 1.0, lambda: clock[0]), clock=lambda: clock[0])
    clock[0] = 1.0
    replay.poll()
    assert 0.8 < replay.analysis.last_t_s <= 1.1 and replay.now_s == pytest.approx(1.0)
    replay.pause()
    clock[0] = 9.0
    before = replay.analysis.last_t_s
    replay.poll()
    assert replay.analysis.last_t_s == before
    replay.step(0.5)
    replay.poll()
    assert replay.analysis.last_t_s == pytest.approx(1.5, abs=0.15)
    replay.seek(3.0)
    replay.poll()
    at_three = replay.analysis.reading(0.0, True)
    replay.seek(0.5)
    assert any(type(event).__name__ == "Restarted" for event in replay.poll())
    replay.seek(3.0)
    replay.poll()
    assert replay.analysis.reading(0.0, True) == at_three
    replay.pause(False)
    replay.set_speed(100.0)
    clock[0] = 10.0
    assert any(isinstance(event, Ended) for event in replay.poll())
    assert replay.analysis.reading(0.0, True) == whole.analysis.reading(0.0, True)


def test_the_report_is_one_page_that_needs_nothing_and_escapes_everything(casebook, folder):
    done = sumpglass("report", "job.casebook", "--out", "page.html", folder=folder)
    assert done.returncode == 0, done.stderr
    page = (folder / "page.html").read_text("utf-8")
    assert not re.findall(r"""(?:src|href)\s*=|url\(|@import|<script""", page.replace("&lt;script", ""))
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page and "&lt;b&gt;pump" in page
    assert "\x1b" not in page and "\u202e" not in page
    assert page.index("<h3>Marks") > page.index("<svg") > page.index("Nothing sudden" if "Nothing" in page else "lost")
    assert "4 cylinders" in page and "vacuum" in page and page.count("<svg") == 2
    again = sumpglass("report", "job.casebook", "--out", "page.html", folder=folder)
    assert again.returncode == 2 and again.stderr.count("\n") == 1
    assert sumpglass("report", "nothing.casebook", folder=folder).returncode == 2


def test_ports_lists_what_it_sees(folder):
    done = sumpglass("ports", "--json", "--no-ask", folder=folder)
    assert done.returncode == 0 and isinstance(valid(done.stdout, "ports")["ports"], list)
    assert sumpglass("ports", folder=folder).returncode == 0


def test_interrupted_it_keeps_what_was_recorded(folder):
    child = subprocess.Popen(
        [*PROGRAM, "record", "--virtual", "--out", "cut.casebook"],
        cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    path, end = folder / "cut.casebook", time.monotonic() + 30
    while time.monotonic() < end:
        time.sleep(0.3)
        if path.exists() and path.with_name("cut.casebook-wal").exists():
            with Casebook.open(str(path)) as book:
                if len(list(book.frames(1))) >= 3:
                    break
    child.send_signal(signal.SIGINT)
    out, err = child.communicate(timeout=20)
    assert child.returncode == 130 and "Traceback" not in err and "kept" in err and "recorded in" in out
    recording = load_recording(str(path))
    assert recording.duration_s > 0.5 and recording.missing == 0
    with Casebook.open(str(path)) as book:
        assert book.recordings()[0].ended_at is not None


@pytest.mark.parametrize(
    "words",
    [
        ("record", "--port", "/dev/does-not-exist", "--out", "x.casebook"),
        ("record", "--virtual", "--out", "x.csv"),
        ("record", "--virtual", "--out", "x.casebook", "--seconds", "-3"),
        ("record", "--virtual", "--out", "x.casebook", "--seconds", "nan"),
        ("record", "--virtual", "--out", "x.casebook", "--cylinders", "0"),
        ("record", "--virtual", "unheard-of", "--out", "x.casebook"),
        ("record", "--virtual", "--rate-hz", "-3", "--out", "x.casebook"),
        ("record", "--virtual", "--port", "/dev/null"),
        ("record", "--virtual", "--out", "no/such/folder/x.casebook", "--seconds", "1"),
        ("convert", "absent.csv", "x.csv"),
        ("report", "."),
    ],
)
def test_wrong_calls_end_in_one_line(words, folder):
    done = sumpglass(*words, folder=folder)
    assert done.returncode in (2, 3) and done.stderr.count("\n") == 1, done.stderr
    assert not pathlib.Path(folder / "x.casebook").exists() and not pathlib.Path(folder / "x.csv").exists()


def test_a_file_whose_name_is_no_utf_8_is_converted_too(tmp_path):
    # As a zip archive from a machine with another code page leaves it.
    given = tmp_path / b"h\xf6se.csv".decode("utf-8", "surrogateescape")
    try:
        given.write_text("t_s,pressure_pa\n" + "".join(f"{i / 100},{-400 + i % 7}\n" for i in range(500)))
    except OSError:
        pytest.skip("this file system takes UTF-8 alone")
    book = tmp_path / "job.casebook"
    assert main(["convert", str(given), str(book)]) == 0
    assert len(load_recording(str(book)).t_s) == 500
    with Casebook.open(str(book)) as opened:
        assert opened.find_recording(None).name == "h\ufffdse.csv"
