"""Drawings, tables and the build guide are what the code makes now, and say what the standards say."""

import csv
import re
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

pytest.importorskip("schemdraw")
ROOT = Path(__file__).parents[2]
HARDWARE = ROOT / "hardware"
sys.path.insert(0, str(HARDWARE))

import make  # noqa: E402
import pipe_threads  # noqa: E402
import printable_drawing  # noqa: E402

from sumpglass.link.virtual_board import VirtualBoard  # noqa: E402
from sumpglass.workflows.rig_settings import change_settings, changed, read_settings  # noqa: E402
from sumpglass.workflows.rig_talk import RigTalk  # noqa: E402

MICROPYTHON = Path(sys.executable).with_name("micropython")


@pytest.fixture(scope="module")
def made():
    return make.everything()


def test_nothing_is_stale(made):
    assert make.stale(made) == [], "run python hardware/make.py"


def test_one_command_says_the_same():
    done = subprocess.run([sys.executable, str(HARDWARE / "make.py"), "--check"], capture_output=True, text=True)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_two_runs_make_the_same(made):
    assert make.everything() == made


@pytest.mark.parametrize(
    ("size", "e0_in", "e1_in", "l2_in"),
    [
        ("1/8 NPT", 0.36351, 0.37360, 0.2639),
        ("1/4 NPT", 0.47739, 0.49163, 0.4018),
        ("3/8 NPT", 0.61201, 0.62701, 0.4078),
    ],
)
def test_pipe_threads_against_the_standard(size, e0_in, e1_in, l2_in):
    # ASME B1.20.1, table of basic dimensions, as republished; five and four decimals.
    thread = next(thread for thread in pipe_threads.THREADS if thread.size == size)
    assert thread.pitch_diameter_small_end_in == pytest.approx(e0_in, abs=6e-6)
    assert thread.pitch_diameter_gauge_in == pytest.approx(e1_in, abs=6e-6)
    assert thread.effective_length_in == pytest.approx(l2_in, abs=6e-5)
    assert pytest.approx(1.78991, abs=1e-5) == pipe_threads.HALF_ANGLE_DEG


def boxes(svg):
    """(x0, y0, x1, y1, text) of every text, estimated at 0.6 of the font size a letter, px."""
    found = []
    for element in ElementTree.fromstring(svg).iter():
        if not element.tag.endswith("}text") or not "".join(element.itertext()).strip():
            continue
        size = float(element.get("font-size", "12"))
        words = "".join(element.itertext())
        x, y, wide = float(element.get("x")), float(element.get("y")), 0.6 * size * len(words)
        x -= {"start": 0.0, "middle": wide / 2, "end": wide}[element.get("text-anchor", "start")]
        found.append((x, y - 0.8 * size, x + wide, y + 0.2 * size, words))
    return found


OWN = ["measuring_chain", "fittings_stack", "error_budgets", "line_and_snubber", "printable_parts"]


@pytest.mark.parametrize("name", OWN)
def test_words_lie_inside_the_sheet_and_not_on_each_other(name):
    svg = (HARDWARE / "drawings" / f"{name}.svg").read_text(encoding="utf-8")
    wide, high = (float(v) for v in re.search(r'viewBox="0 0 (\S+) (\S+)"', svg).groups())
    found = boxes(svg)
    assert len(found) > 5
    for x0, y0, x1, y1, words in found:
        assert x0 >= 0 and x1 <= wide and y0 >= 0 and y1 <= high, words
    for k, (ax0, ay0, ax1, ay1, a) in enumerate(found):
        for bx0, by0, bx1, by1, b in found[k + 1 :]:
            assert min(ax1, bx1) <= max(ax0, bx0) + 1 or min(ay1, by1) <= max(ay0, by0) + 1, f"{a!r} lies on {b!r}"


def test_every_drawing_is_an_svg_with_a_title():
    drawings = sorted((HARDWARE / "drawings").glob("*.svg"))
    assert len(drawings) >= 5 + 2 * 7
    for path in drawings:
        root = ElementTree.fromstring(path.read_text(encoding="utf-8"))
        assert root.tag.endswith("svg")
        assert any(child.tag.endswith("title") for child in root), path.name


def test_guide_links_to_files_that_exist():
    guide = (HARDWARE / "BUILD.md").read_text(encoding="utf-8")
    links = [link for link in re.findall(r"\]\(([^)]+)\)", guide) if "://" not in link]
    assert len(links) > 15
    for link in links:
        assert (HARDWARE / link).is_file(), link


@pytest.mark.skipif(not MICROPYTHON.exists(), reason="needs micropython")
def test_settings_of_the_guide_are_taken_by_the_firmware():
    commands = re.findall(r"^sumpglass rig settings --set '(.*)'$", (HARDWARE / "BUILD.md").read_text(), re.MULTILINE)
    assert len(commands) == 7
    for command in commands:
        with VirtualBoard(0.0) as board, RigTalk.open(board.port) as talk:
            before = read_settings(talk)
            after, _ = change_settings(talk, [command], None, None)
            assert after["channels"] == changed(before, [command])["channels"], command


def test_parts_list():
    rows = make.parts_rows()
    assert len(rows) > 15
    with (HARDWARE / "parts.csv").open(newline="", encoding="utf-8") as file:
        assert list(csv.reader(file)) == rows


def test_plugs_of_the_source_are_those_of_the_guide():
    assert printable_drawing.bores() == [0, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0]
    assert "1, 1.5, 2, 3, 4, 5 mm" in (HARDWARE / "drawings" / "printable_parts.svg").read_text(encoding="utf-8")


def test_figures_in_the_prose_are_computed_ones():
    # The guide and the parts list quote these in words.
    rows = {row[0]: row for row in make.pulse_pages.line_table()}
    assert rows["snubber 0.5 mm x 10 mm, 0.5 m hose"][2] == "0.78", "parts.csv says 22 %"
    guide = (HARDWARE / "BUILD.md").read_text(encoding="utf-8")
    from sumpglass.analysis.water_column import WaterColumn

    assert f"{1000 / WaterColumn('upright').pascals_per_mm:.0f}" == "102"
    assert "102.15 mm" in guide
    assert f"{100 / WaterColumn('inclined', tilt_deg=10).pascals_per_mm:.0f} mm at 10 degrees" in guide
