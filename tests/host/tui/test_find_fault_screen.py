"""The search for a fault on the screen: live readings, typed ones, refusals, and what is kept."""

import asyncio

import pytest

from sumpglass.faults.layout_file import load_layout
from sumpglass.procedures.trade_test import CAUTIONS, SEARCH_CAUTIONS
from sumpglass.store.casebook import Casebook
from sumpglass.tui.app import ScreenOptions, SumpglassApp
from sumpglass.tui.screens.find_fault import FindFaultScreen
from sumpglass.workflows.find_fault import readings_in_casebook
from sumpglass.workflows.live import Reading, RigHealth


async def weighed(pilot, screen):
    await pilot.pause()
    if not screen.pane.cautions_read:
        await pilot.press("y")
    for _ in range(200):
        await asyncio.sleep(0.05)
        await pilot.pause()
        if screen.pane.chosen is not None or (screen.finding is not None and not screen.finding.prospects):
            return
    raise AssertionError("the weighing did not end")


def live(app, level_pa, clipped=False, recording=None):
    app.live.take(
        [
            Reading(1.0, level_pa, 12.0, "vacuum" if level_pa < 0 else "pressure", clipped=clipped, age_s=0.0),
            RigHealth("/dev/ttyACM0", 1000.0, recording=recording),
        ]
    )
    app.live.arrived = app.live.clock()


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
async def test_a_conversation_from_the_list_to_the_verdict(story, lines, size, tmp_path):
    book = str(tmp_path / "search.casebook")
    Casebook.create(book).close()
    app = SumpglassApp(lambda: story(), ScreenOptions(), started=False)
    async with app.run_test(size=size) as pilot:
        live(app, -850.0, recording=book)
        screen = FindFaultScreen()
        app.push_screen(screen)
        await pilot.pause()
        assert "Fixed restriction" in "\n".join(lines(app))
        await pilot.press("down", "enter")
        await weighed(pilot, screen)
        assert screen.search.layout.name == "orifice-filler-cap"
        text = "\n".join(lines(app))
        assert "NEXT: " in text
        assert "Why: it splits the suspects" in text
        assert all(len(line) <= size[0] for line in lines(app))
        assert ("│   manifold  │" in text) is (size[1] >= 40)  # the drawing where the terminal is tall enough
        first = screen.pane.chosen.id
        live(app, -850.0, recording=book)
        await pilot.press("space")
        await weighed(pilot, screen)
        assert [reading.test for reading in screen.search.readings] == [first]
        assert "vacuum 0.85 kPa" in " ".join("\n".join(lines(app)).split())
        refused = screen.pane.chosen.id
        await pilot.press("x")
        await weighed(pilot, screen)
        assert refused not in [prospect.test.id for prospect in screen.finding.prospects]
        await pilot.press("i")
        await pilot.pause()
        await pilot.press(*"7 kPa")
        await pilot.press("enter")
        await pilot.pause()
        assert "expected the word" in "\n".join(lines(app))
        await pilot.press(*" vacuum")
        await pilot.press("enter")
        await weighed(pilot, screen)
        assert len(screen.search.readings) == 2
        await pilot.press("d")
        await pilot.pause()
        await pilot.press("backspace")
        await weighed(pilot, screen)
        assert [reading.test for reading in screen.search.readings] == [first]
        await app.workers.wait_for_complete()
    assert [reading.test for reading in readings_in_casebook(book, load_layout("orifice-filler-cap"))] == [first]


async def test_an_old_reading_is_not_taken_and_a_clipped_one_is_a_bound(story, lines):
    app = SumpglassApp(lambda: story(), ScreenOptions(), started=False)
    async with app.run_test(size=(100, 30)) as pilot:
        screen = FindFaultScreen("draught-tube")
        app.push_screen(screen)
        await weighed(pilot, screen)
        await pilot.press("space")
        await pilot.pause()
        assert "There is no live reading now" in "\n".join(lines(app))
        live(app, 1990.0, clipped=True)
        await pilot.press("space")
        await weighed(pilot, screen)
        assert screen.search.readings[0].above_pa == 1990.0
        await pilot.press("escape")


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
async def test_stop_is_called_at_the_limit_of_the_seals_and_taken_back(story, lines, size):
    app = SumpglassApp(lambda: story(), ScreenOptions(), started=False)
    async with app.run_test(size=size) as pilot:
        live(app, -850.0)
        screen = FindFaultScreen()
        app.push_screen(screen)
        await pilot.press("enter")
        await weighed(pilot, screen)
        live(app, -3600.0)
        screen.settle()
        await pilot.pause()
        text = "\n".join(lines(app))
        assert "is past the limit of 3.5 kPa" in text and "NEXT: " not in text
        live(app, -3000.0)  # still too near
        screen.settle()
        await pilot.pause()
        assert "is past the limit" in "\n".join(lines(app))
        live(app, -900.0)
        screen.settle()
        await pilot.pause()
        assert "is past the limit" not in "\n".join(lines(app)) and "NEXT: " in "\n".join(lines(app))


@pytest.mark.parametrize("size", [(60, 20), (80, 24)])
async def test_every_caution_is_shown_before_the_first_test_is_named(story, lines, size):
    app = SumpglassApp(lambda: story(), ScreenOptions(), started=False)
    async with app.run_test(size=size) as pilot:
        screen = FindFaultScreen("draught-tube")
        app.push_screen(screen)
        await pilot.pause()
        await pilot.press("space")
        await pilot.pause()
        assert "Acknowledge the cautions first" in "\n".join(lines(app))
        seen = ""
        while not screen.pane.cautions_read:
            seen += " ".join(" ".join(lines(app)).replace("!", " ").split())
            assert "NEXT" not in seen
            assert screen.pane.chosen is None
            await pilot.press("y")
            await pilot.pause()
        for name in SEARCH_CAUTIONS:
            assert CAUTIONS[name] in seen, name
        await weighed(pilot, screen)
        assert "NEXT: " in "\n".join(lines(app))
