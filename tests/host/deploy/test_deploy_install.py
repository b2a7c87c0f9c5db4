"""Deploying to a stand-in that speaks the raw REPL, with the real interpreter and littlefs behind it."""

import importlib.util
import json
import subprocess
import sys
from pathlib import Path

import pytest

from sumpglass.deploy.install import SLOTS, files_in, go_back, install, open_tools, read_state
from sumpglass.deploy.payload import BoardFile, Payload, find_payload
from sumpglass.deploy.raw_repl import BoardRepl
from sumpglass.errors import DeviceError, RefusedError

# Test folders are no packages here: the stand-in is loaded by its path.
_spec = importlib.util.spec_from_file_location("raw_repl_board", Path(__file__).with_name("raw_repl_board.py"))
raw_repl_board = importlib.util.module_from_spec(_spec)
sys.modules["raw_repl_board"] = raw_repl_board
_spec.loader.exec_module(raw_repl_board)
RawReplBoard = raw_repl_board.RawReplBoard

pytest.importorskip("mpremote")
pytestmark = pytest.mark.skipif(not Path(raw_repl_board.MICROPYTHON).exists(), reason="needs the micropython binary")

START = 'import sumpglass_board.app; print("started", sumpglass_board.app.VERSION)\n'


def payload(version, extra=()):
    files = [
        BoardFile("sumpglass_board/__init__.py", b""),
        BoardFile(
            "sumpglass_board/app.py", f'VERSION = "{version}"\n'.encode() + b"# \x27\x22\\ \xc3\xa9\x00\x04 end\n" * 60
        ),
        BoardFile("sumpglass_board/sensors/bridge.py", b"\x03\x04\x01" + bytes(range(256)) * 8),
        BoardFile("sumpglass_wire/frames.py", b"x = 1\n" * 300),
        *extra,
    ]
    return Payload(version, tuple(files), START.encode())


def deploy(board, version, **options):
    with BoardRepl(board.port) as repl:
        return [step.text for step in install(repl, payload(version), **options)]


def what_starts(board):
    """What a power-on of the board would run, by the real interpreter."""
    return board.run('import sys\nfor m in [m for m in sys.modules if m.startswith("sumpglass")]: del sys.modules[m]\n'
                     'sys.path[:] = [""]\nexec(open("/main.py").read())').strip()  # fmt: skip


@pytest.fixture
def board():
    with RawReplBoard() as made:
        yield made


def test_first_deploy_then_update_then_back(board):
    board.run('f = open("/settings.json", "w"); f.write(\'{"rate_hz": 500}\'); f.close()')
    texts = deploy(board, "1.0.0")
    assert "none is kept" in texts[-1]
    assert what_starts(board) == "started 1.0.0"
    deploy(board, "1.1.0")
    assert what_starts(board) == "started 1.1.0"
    with BoardRepl(board.port) as repl:
        assert [step.text for step in go_back(repl)][-1] == "back at version 1.0.0"
    assert what_starts(board) == "started 1.0.0"
    assert board.run('print(open("/settings.json").read())').strip() == '{"rate_hz": 500}'


def test_every_file_is_on_the_board_byte_for_byte(board):
    deploy(board, "1.0.0")
    wanted = payload("1.0.0")
    with BoardRepl(board.port) as repl:
        open_tools(repl)
        there = files_in(repl, SLOTS[0])
        state = read_state(repl)
    assert {p: h for p, (_, h) in there.items() if p != "manifest.json"} == {f.path: f.sha256 for f in wanted.files}
    assert state.manifests[SLOTS[0]]["digest"] == wanted.digest


def test_same_version_is_not_sent_again(board):
    deploy(board, "1.0.0")
    sent = len(board.programs)
    assert "there already" in deploy(board, "1.0.0")[-1]
    assert not any("_f.write" in program for program in board.programs[sent:])


def test_a_file_that_somebody_changed_is_noticed(board):
    deploy(board, "1.0.0")
    board.run('f = open("/sumpglass_a/sumpglass_board/app.py", "a"); f.write("oops"); f.close()')
    assert "1.0.0 is on the board" in deploy(board, "1.0.0")[-1]
    assert what_starts(board) == "started 1.0.0"


def test_without_raw_paste_too():
    with RawReplBoard(raw_paste=False) as board:
        deploy(board, "1.0.0")
        assert what_starts(board) == "started 1.0.0"


def test_stale_module_of_an_older_version_goes(board):
    with BoardRepl(board.port) as repl:
        list(install(repl, payload("0.9.0", [BoardFile("sumpglass_board/gone.py", b"old")])))
    deploy(board, "1.0.0")
    deploy(board, "1.1.0")
    with BoardRepl(board.port) as repl:
        open_tools(repl)
        assert "sumpglass_board/gone.py" not in files_in(repl, SLOTS[0])


def test_somebody_elses_program_is_kept(board):
    board.run('f = open("/main.py", "w"); f.write("print(42)"); f.close()')
    deploy(board, "1.0.0")
    deploy(board, "1.1.0")
    assert board.run('print(open("/main.py.before").read())').strip() == "print(42)"


def test_noise_on_the_line_is_caught_by_the_hash_and_mended_by_repeating(board):
    deploy(board, "1.0.0")
    board.corrupt = (b"x = 1", b"x = 7")
    with pytest.raises(DeviceError, match="frames.py arrived on the board with other content"):
        deploy(board, "1.1.0")
    assert what_starts(board) == "started 1.0.0"
    first = len(board.programs)
    deploy(board, "1.1.0")
    again = [program for program in board.programs[first:] if "_f = open" in program]
    assert not any("app.py" in program for program in again), "what had arrived whole was sent twice"
    assert what_starts(board) == "started 1.1.0"


def test_power_cut_at_any_write_leaves_a_board_that_starts():
    with RawReplBoard(flash_kb=512) as board:
        deploy(board, "1.0.0")
        settled = board.flash.read_bytes()
        outcomes = set()
        # Every fifth block write of an update; littlefs makes some hundred of them here.
        for cut in range(0, 300, 5):
            board.power_off()
            board.flash.write_bytes(settled)
            board.cut_at_write = cut
            board.power_on()
            try:
                deploy(board, "1.1.0")
                finished = True
            except DeviceError as error:
                finished = False
                assert "\n" not in str(error)
            board.power_off()
            board.cut_at_write = -1
            board.power_on()
            starts = what_starts(board)
            assert starts in ("started 1.0.0", "started 1.1.0")
            outcomes.add((finished, starts))
            if finished:
                assert starts == "started 1.1.0"
                break
            if cut % 25 == 0:
                deploy(board, "1.1.0")
                assert what_starts(board) == "started 1.1.0"
        assert (False, "started 1.0.0") in outcomes
        assert (True, "started 1.1.0") in outcomes


def test_line_that_dies_is_told_in_one_line(board, monkeypatch):
    monkeypatch.setattr("sumpglass.deploy.raw_repl.SILENCE_S", 0.5)
    board.mute_after_bytes = 3000
    with pytest.raises(DeviceError, match="did not answer as a MicroPython prompt does"):
        deploy(board, "1.0.0")


def test_full_flash_is_told_before_anything_is_sent():
    with RawReplBoard(flash_kb=64) as board:
        board.run('f = open("/journal", "wb"); f.write(bytes(36000)); f.close()')
        with pytest.raises(DeviceError, match="kB are free"):
            deploy(board, "1.0.0")
        assert not any("_f.write" in program for program in board.programs)


def test_nothing_to_go_back_to(board):
    with BoardRepl(board.port) as repl, pytest.raises(RefusedError, match="no earlier version"):
        list(go_back(repl))
    deploy(board, "1.0.0")
    with BoardRepl(board.port) as repl, pytest.raises(RefusedError, match="no earlier version"):
        list(go_back(repl))


def test_damaged_older_version_is_not_started(board):
    deploy(board, "1.0.0")
    deploy(board, "1.1.0")
    board.run('f = open("/sumpglass_a/sumpglass_board/app.py", "w"); f.write("oops"); f.close()')
    with BoardRepl(board.port) as repl, pytest.raises(RefusedError, match="damaged"):
        list(go_back(repl))
    assert what_starts(board) == "started 1.1.0"


def test_no_such_port():
    with pytest.raises(DeviceError, match="/dev/nothing-here"), BoardRepl("/dev/nothing-here"):
        pass


def test_payload_is_found_without_importing_the_firmware():
    code = (
        "import sys, json; from sumpglass.deploy.payload import find_payload; p = find_payload();"
        " print(json.dumps([len(p.files), p.digest, p.main.decode(),"
        " [m for m in sys.modules if m.startswith('sumpglass_')]]))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    count, digest, main, imported = json.loads(done.stdout)
    assert count > 5
    assert "sumpglass_board" in main
    assert imported == []
    assert digest == find_payload().digest
    assert all(".." not in file.path and not file.path.startswith("/") for file in find_payload().files)


def test_without_mpremote_it_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "mpremote.transport_serial", None)
    with pytest.raises(DeviceError, match="pip install 'sumpglass"), BoardRepl("/dev/nothing-here"):
        pass
