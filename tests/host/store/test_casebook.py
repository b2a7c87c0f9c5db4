"""The casebook keeps what it was given: through a kill, a full disk, other programs' files and its own versions."""

import os
import pathlib
import signal
import sqlite3
import subprocess
import sys
import textwrap
import time

import numpy as np
import pytest

from sumpglass.errors import DiskError, InputError, VersionError
from sumpglass.records import Mark
from sumpglass.store.casebook import Casebook
from sumpglass.store.casebook_file import APPLICATION_ID, VERSION
from sumpglass.store.casebook_recorder import COMMIT_EVERY_S, CaptureRecorder, CasebookRecorder
from sumpglass.workflows.load_recording import load_recording

HERE = pathlib.Path(__file__).parent


@pytest.fixture
def path(tmp_path):
    return str(tmp_path / "job.casebook")


def pragma(path, name):
    connection = sqlite3.connect(path)
    try:
        return connection.execute(f"PRAGMA {name}").fetchone()[0]
    finally:
        connection.close()


def version_1(path):
    connection = sqlite3.connect(path)
    connection.executescript((HERE / "casebook_version_1.sql").read_text())
    connection.close()


def test_says_what_it_is_and_leaves_one_file(path):
    Casebook.create(path).close()
    assert pragma(path, "application_id") == APPLICATION_ID and pragma(path, "user_version") == VERSION
    assert os.listdir(os.path.dirname(path)) == ["job.casebook"]


def test_keeps_recordings_marks_notes_and_results(path):
    with Casebook.create(path) as book:
        book.set_subject("East Bank pump", 4)
        number = book.begin_recording("as found", "samples", "owner's file", 4, {"zero": None})
        book.append_samples(number, np.arange(3) / 10, np.array([-1.5, np.nan, 2.5]))
        book.set_mark(number, "host-1", Mark(0.1, "note", "host"))
        book.set_mark(number, "host-1", Mark(0.1, "closed", "host"))
        book.end_recording(number)
        book.add_result("leak-size", "Leak", {"leak": {"equivalent_mm": 1.3}}, number)
        book.add_zero("0011", 0, 3.0, 0.5)
        book.set_rig("0011", 0, "MPXV7002DP", {"line": None})
        book.add_reading("tap-breather", -850.0, 30.0, layout="fixed-orifice")
        book.add_reading("tap-breather", None, None, {"deeper_than_pa": -2000.0}, "fixed-orifice")
    with Casebook.open(path) as book:
        assert book.subject() == ("East Bank pump", 4)
        entry = book.find_recording("as found")
        assert entry.id == book.find_recording(None).id == book.find_recording("1").id
        assert entry.ended_at is not None and entry.body == {"zero": None}
        t_s, pressure = book.samples(entry.id)
        assert t_s.tolist() == [0.0, 0.1, 0.2] and np.isnan(pressure[1])
        assert [stored.mark for stored in book.marks(entry.id)] == [Mark(0.1, "closed", "host")]
        assert book.results()[0].body == {"leak": {"equivalent_mm": 1.3}} and book.results("hold") == []
        assert book.zeros()[0].body["pressure_pa"] == 3.0 and book.rigs()[0].title == "MPXV7002DP"
        assert [reading.body["pressure_pa"] for reading in book.readings("fixed-orifice")] == [-850.0, None]
        with pytest.raises(InputError, match="opened for reading"):
            book.set_subject("other")
        with pytest.raises(InputError, match="expected one of"):
            book.find_recording("9")


def test_a_calibration_is_never_overwritten(path):
    with Casebook.create(path) as book:
        book.add_calibration("0011", 0, {"gain": 1.0})
        book.add_calibration("0011", 0, {"gain": 1.1})
        assert [c.body["gain"] for c in book.calibrations("0011")] == [1.0, 1.1] and book.calibrations("0022") == []
    connection = sqlite3.connect(path)
    for statement in ("UPDATE calibration SET body = '{}'", "DELETE FROM calibration"):
        with pytest.raises(sqlite3.IntegrityError, match="add another"):
            connection.execute(statement)
    connection.close()


@pytest.mark.parametrize("writable", [False, True])
def test_an_older_version_is_migrated_and_nothing_is_lost(path, writable):
    version_1(path)
    with Casebook.open(path, writable=writable) as book:
        assert book.subject() == ("East Bank pump", 4) and book.readings() == []
        assert book.marks(1)[0].board_us is None
    assert pragma(path, "user_version") == (VERSION if writable else 1)
    recording = load_recording(path)
    assert recording.pressure_pa.tolist() == [-50.0, -100.0, -200.0] and recording.cylinders == 4
    assert recording.marks == (Mark(1.0, "closed", "host"),)


def test_a_newer_version_is_refused_politely_and_left_alone(path):
    Casebook.create(path).close()
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    before = pathlib.Path(path).read_bytes()
    for call in (lambda: Casebook.open(path), lambda: Casebook.create(path), lambda: load_recording(path)):
        with pytest.raises(VersionError, match="update sumpglass"):
            call()
    assert pathlib.Path(path).read_bytes() == before


def test_databases_of_other_programs_and_damaged_ones_are_refused(path, tmp_path):
    other = str(tmp_path / "other.db")
    connection = sqlite3.connect(other)
    connection.execute("CREATE TABLE t (x)")
    connection.close()
    with pytest.raises(InputError, match="another program"):
        load_recording(other)
    with pytest.raises(InputError, match="another program"):
        Casebook.create(other)
    version_1(path)
    whole = bytearray(pathlib.Path(path).read_bytes())
    whole[4096:] = bytes(len(whole) - 4096)
    pathlib.Path(path).write_bytes(whole)
    with pytest.raises(InputError):
        load_recording(path)
    (tmp_path / "text.casebook").write_text("hello")
    with pytest.raises(InputError, match="another kind"):
        Casebook.create(str(tmp_path / "text.casebook"))
    for place in (str(tmp_path), str(tmp_path / "nowhere" / "x.casebook")):
        with pytest.raises((InputError, DiskError)):
            Casebook.create(place)


def test_reads_from_a_folder_that_may_not_be_written(path, tmp_path):
    version_1(path)
    os.chmod(path, 0o444)
    os.chmod(tmp_path, 0o555)
    try:
        assert len(load_recording(path).t_s) == 3
    finally:
        os.chmod(tmp_path, 0o755)


WRITER = """
    import sys, time
    from sumpglass.store.casebook_recorder import CasebookRecorder
    recorder = CasebookRecorder(sys.argv[1])
    for number in range(10**6):
        recorder.append(number.to_bytes(4, "little") * 30, time.monotonic())
        print(number, time.time(), flush=True)
        time.sleep(0.05)
"""


def kept_numbers(path):
    with Casebook.open(path) as book:
        data = b"".join(piece for piece, _ in book.frames(book.find_recording(None).id))
    return np.frombuffer(data, "<u4")[::30].tolist()


def test_a_kill_loses_at_most_the_last_second_and_readers_read_meanwhile(path):
    child = subprocess.Popen([sys.executable, "-c", textwrap.dedent(WRITER), path], stdout=subprocess.PIPE, text=True)
    times = {}
    while len(times) < 50:
        number, at = child.stdout.readline().split()
        times[int(number)] = float(at)
        if len(times) == 40:
            live = kept_numbers(path)
            assert live == list(range(len(live))) and times[39] - times[len(live) - 1] < 1.0
    child.send_signal(signal.SIGKILL)
    killed = time.time()
    rest, _ = child.communicate()
    times |= {int(line.split()[0]): float(line.split()[1]) for line in rest.splitlines() if len(line.split()) == 2}
    kept = kept_numbers(path)
    assert kept == list(range(len(kept)))
    assert killed - times[len(kept) - 1] < 1.0
    assert pragma(path, "integrity_check") == "ok"
    CasebookRecorder(path).close()
    assert kept_numbers(path) == [] and len(kept) > 30


FULL = """
    import resource, sys, time
    from sumpglass.errors import DiskError
    from sumpglass.store.casebook_recorder import CasebookRecorder
    recorder = CasebookRecorder(sys.argv[1])
    resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, 400_000))
    for number in range(4000):
        recorder.append(number.to_bytes(4, "little") * 300, 0.0)
        if number % 10 == 0:
            time.sleep(0.05)
        if recorder.trouble():
            break
    try:
        recorder.close()
    except DiskError as error:
        print(error)
        sys.exit(error.exit_status)
"""


def test_a_full_disk_stops_with_one_sentence_and_keeps_what_is_there(path):
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(FULL), path], capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 3 and "Traceback" not in done.stderr
    assert done.stdout.count("\n") == 1 and "disk" in done.stdout
    with Casebook.open(path) as book:
        data = b"".join(piece for piece, _ in book.frames(1))
    numbers = np.frombuffer(data, "<u4")[::300]
    assert numbers.tolist() == list(range(len(numbers))) and len(numbers) >= 50
    assert pragma(path, "integrity_check") == "ok"


def test_the_disk_of_sqlite_itself_full(path):
    with Casebook.create(path) as book:
        number = book.begin_recording("run")
        book.append_frames(number, [(b"x" * 1000, 1.0)])
        book._db.execute("PRAGMA max_page_count = 40")
        with pytest.raises(DiskError, match="disk is full"):
            for _ in range(1000):
                book.append_frames(number, [(b"y" * 5000, 2.0)])
        pieces = list(book.frames(number))
    assert pieces[0][0] == b"x" * 1000 and all(piece == b"y" * 5000 for piece, _ in pieces[1:])


def test_captures_are_the_bytes_alone_and_never_overwrite(tmp_path):
    path = str(tmp_path / "run.capture")
    recorder = CaptureRecorder(path)
    recorder.append(b"one", 1.0)
    recorder.mark("host-1", Mark(0.5, "closed", "host"), None)
    time.sleep(COMMIT_EVERY_S + 0.2)
    assert pathlib.Path(path).read_bytes() == b"one"
    recorder.append(b"two", 2.0)
    recorder.close()
    recorder.close()
    assert pathlib.Path(path).read_bytes() == b"onetwo" and recorder.marks_lost == 1
    with pytest.raises(InputError, match="already"):
        CaptureRecorder(path)
    with pytest.raises(DiskError):
        CaptureRecorder(str(tmp_path / "nowhere" / "x.capture"))
