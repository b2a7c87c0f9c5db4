"""Guided tests as a person does them: the `sumpglass` program in a terminal, keys typed, its screen read back, and the
real firmware on the virtual board. `JOBS` says for each test what the hands do at each step and what is true."""

import math
import re
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from terminal import Terminal

from sumpglass.link.virtual_board import VirtualBoard
from sumpglass.procedures.trade_test import find_test
from sumpglass.simulate import orchard
from sumpglass.simulate.plant import SprungValve, Ventilation
from sumpglass.simulate.script import (
    Scenario,
    blip,
    breather,
    closing,
    engine_start,
    engine_stop,
    load,
    opening,
    pump,
    speed,
    suction,
    tap,
)
from sumpglass.workflows.guide import kept_results

SIX = orchard.RESERVOIR_SIX
LEAKY = Ventilation(restriction_cda_m2=1.6e-6, seal_cda_m2=1.8e-6, breather_cda_m2=14e-6)


# What a person does: seconds after the step began, and a key, or something at the engine or the rig.
Hands = dict[str, list[tuple[float, object]]]
DONE = "Space"
YES = "y"
DEAD_END, LET_GO = breather(0, 0.0), breather(0, 1.0)


def plug(mm):
    return opening(0, mm, seconds=0.3)


@dataclass(frozen=True)
class Job:
    """A test, its hands, the state of its verdict, and `truth`, which looks at the kept figures."""

    test: str
    hands: Hands
    state: str
    words: str = ""
    truth: Callable[[dict], bool] = lambda figures: True
    settings: tuple[str, ...] = ()
    engine: object = SIX
    ventilation: Ventilation = LEAKY
    before: tuple = ()
    running: bool = True
    rate_hz: float = 250.0
    sensor: object = orchard.FOUR_KPA
    middle: str = ""
    """The step in which mishaps happen."""
    more: tuple[str, ...] = field(default=())

    def plan(self):
        from sumpglass.commands.guide import settings_from

        test = find_test(self.test)
        settings = test.settings(settings_from(list(self.settings), test.settings()))
        return ("cautions", *(step.id for step in test.plan(settings)))


def _holds(name, truth):
    return lambda figures: figures[name]["lo95"] <= truth <= figures[name]["hi95"]


def _near(name, truth, share):
    return lambda figures: abs(figures[name]["value"] - truth) <= share * truth


SHARE, WHOLE_M2 = 0.45, 7e-6
FILLER_CAP = opening(0, cda_m2=WHOLE_M2 * SHARE, name="filler cap")
DRAWN_LPM = SIX.displacement_m3 * 1e3 * SIX.idle_rpm / 2 * SIX.manifold_idle_pa / 101325.0

JOBS = {
    job.test: job
    for job in (
        Job("zero", {}, "told", "Zero", lambda f: abs(f["zero_pa"]["value"]) < 25.0, running=False, middle="rest"),
        Job(
            "draw", {"dead_end": [(0.5, DEAD_END)], "let_go": [(0.5, LET_GO)]}, "good", "The path draws",
            settings=("limit_pa=8000", "dead_end_s=60"), middle="dead_end",
        ),
        Job(
            "as-driven", {"raised": [(1.0, speed(0, 1800.0))], "load": [(1.0, load(0, 0.2)), (9.0, DONE)]}, "good",
            "Slight vacuum at every condition",
            ventilation=replace(LEAKY, restriction_cda_m2=3.2e-6), middle="raised",
        ),
        Job(
            "open-close",
            {"closed": [(0.5, DEAD_END)], "open": [(1.0, plug(5.0))], "close": [(1.0, closing(0))]}, "good",
            "The rig sees a leak", settings=("limit_pa=8000", "dead_end_s=60"), middle="closed",
        ),
        Job(
            "known-openings",
            {
                "start": [(0.5, plug(5.0)), (0.6, DEAD_END), (4.0, DONE)],
                "opening_5": [(0.3, plug(5.0))], "opening_4": [(1.0, plug(4.0))], "opening_3.2": [(1.0, plug(3.2))],
                "closed": [(1.0, closing(0))], "let_go": [(0.5, LET_GO), (2.0, DONE)],
            },
            "told", "leak", _holds("leak_mm2", LEAKY.seal_cda_m2 / 0.60 * 1e6),
            ("openings_mm=5,4,3.2", "limit_pa=6000"), middle="opening_4",
        ),
        Job(
            "walk-path",
            {
                "point_2": [(0.5, tap(0, False)), (7.0, DONE)], "point_0": [(0.5, tap(0, True)), (7.0, DONE)],
                "point_1": [(0.5, tap(0, True)), (7.0, DONE)],
            },
            "fault", "between before the restriction and after the restriction", settings=("limit_pa=8000",),
            before=(DEAD_END,), middle="point_1",
        ),
        Job(
            "seal-hunt",
            {
                "nothing": [(0.5, FILLER_CAP), (0.6, DEAD_END)],
                "cap_filler cap": [(1.0, closing(0, name="filler cap")), (10.0, DONE)],
                "uncap_filler cap": [(1.0, FILLER_CAP), (10.0, DONE)],
                "cap_dipstick": [(10.0, DONE)], "uncap_dipstick": [(10.0, DONE)],
            },
            "fault", "filler cap", _holds("share filler cap", SHARE),
            ("suspects=filler cap,dipstick", "limit_pa=9000"),
            ventilation=replace(LEAKY, restriction_cda_m2=2.0e-6, seal_cda_m2=WHOLE_M2 * (1 - SHARE)),
            middle="cap_filler cap",
        ),
        Job(
            "hold", {"pump": [(1.0, pump(0, 20.0, 1.2))]}, "told", "",
            _near("leak_mm", math.sqrt(4 / math.pi * 0.25 / 0.61), 0.15),
            (f"volume_l={SIX.crankcase_volume_m3 * 1e3:g}",),
            ventilation=replace(LEAKY, restriction_cda_m2=1e-9, seal_cda_m2=0.25e-6),
            before=(DEAD_END,), running=False, middle="watch",
        ),
        Job(
            "blow-by",
            {
                "start": [(0.5, suction(0, 0.0)), (0.6, plug(4.0)), (0.7, DEAD_END), (4.0, DONE)],
                "let_go": [(0.5, LET_GO), (1.0, DONE)],
            },
            "told", "", _holds("blow_by_lpm", DRAWN_LPM * SIX.blow_by_share),
            ("opening_mm=4", "gas_c=70", "dead_end_s=60"), ventilation=replace(LEAKY, seal_cda_m2=0.02e-6),
            middle="read",
        ),
        Job(
            "pulse-balance", {}, "fault", "Uneven", _near("rpm", SIX.idle_rpm, 0.03),
            engine=replace(SIX, cylinder_strength=(1, 1, 1, 6, 1, 1)), before=(breather(0, 0.1),), rate_hz=1000.0,
            middle="steady",
        ),
        Job(
            "valve-response",
            {
                "start": [(0.5, plug(5.0)), (0.6, DEAD_END), (4.0, DONE)], "snap": [(1.0, blip(0, 2500.0, 2.0))],
                "cruise": [(1.0, speed(0, 2000.0))],
            },
            "good|undecided", "cruise", settings=("limit_pa=8000",),
            ventilation=replace(LEAKY, valve=SprungValve()), middle="idle",
        ),
        Job(
            "before-after",
            {"repair": [(1.0, opening(0, cda_m2=0.0, name="split")), (5.0, DONE)], "after": [(10.0, DONE)]},
            "told", "more vacuum",
            settings=("set_up=opening_mm:4,port:breather hose", "limit_pa=8000"),
            before=(opening(0, cda_m2=2e-6, name="split"), plug(4.0), DEAD_END), middle="after",
        ),
    )
}  # fmt: skip


class Drive:
    """One run of a job; `screens` keeps what was seen at each step."""

    def __init__(self, job, folder, size=(100, 30), mishap=None):
        self.job, self.folder, self.size, self.mishap = job, folder, size, mishap
        rig = replace(orchard.RIG, line=None, rate_hz=job.rate_hz, sensor=job.sensor)
        self.scenario = Scenario(
            "job", engine=job.engine, ventilation=job.ventilation, rig=rig, duration_s=900,
            start_rpm=None if job.running else 0,
        )  # fmt: skip
        self.plan = job.plan()
        self.hands = {"cautions": [(1.0, YES if find_test(job.test).running_engine else DONE)], **job.hands}
        self.screens, self.step, self.pending, self.struck = {}, None, [], False
        self.asked = {}

    def do(self, what):
        if isinstance(what, str):
            self.terminal.press(what)
        elif callable(what):
            what(self)
        else:
            self.board.apply(replace(what, t_s=self.board.true_time_s))

    def run(self, patience_s=170.0):
        """From the cautions to the verdict on the screen; returns what the casebook kept."""
        with VirtualBoard(self.scenario) as self.board:
            for what in self.job.before:
                self.do(what)
            sets = [word for name in self.job.settings for word in ("--set", name)]
            words = [sys.executable, "-m", "sumpglass", "guide", self.job.test, "--port", str(self.board.port)]
            words += ["--out", "job.casebook", "--cylinders", str(self.job.engine.cylinders), *sets, *self.job.more]
            words += ["--rate-hz", f"{self.job.rate_hz:g}"]
            with Terminal(words, self.folder, self.size) as self.terminal:
                self._to_the_verdict(patience_s)
                self.terminal.wait_for("Kept in", 20.0)
                self.screens["verdict"] = self.terminal.wait_for(r"(?i)does\s+not\s+prove", 5.0)
                self.terminal.leave()
        return self._kept()

    def _to_the_verdict(self, patience_s):
        until = time.monotonic() + patience_s
        while time.monotonic() < until:
            screen = self.terminal.screen()
            if re.search(r"another\s+test", screen):
                return
            found = re.search(r"step (\d+) of (\d+)", screen)
            if found:
                self._look_at_step(self.plan[int(found[1]) - 1], screen)
            self._do_what_is_due()
            self._answer(screen)
            time.sleep(0.15)
        raise AssertionError(f"no verdict within {patience_s:g} s:\n{self.terminal.screen()}")

    def _answer(self, screen):
        """The detector cannot tell the speed of every engine, nor see each run: then the screen asks the person."""
        for words, patience_s in (("speed not seen: press", 0.0), ("press if it does run", 10.0)):
            if words not in screen:
                self.asked.pop(words, None)
            elif time.monotonic() - self.asked.setdefault(words, time.monotonic()) > patience_s:
                self.asked[words] = math.inf
                self.do(DONE)

    def _look_at_step(self, step, screen):
        self.screens[step] = screen
        if step == self.step:
            return
        self.step, now = step, time.monotonic()
        self.pending = [(now + wait_s, what) for wait_s, what in self.hands.get(step, ())]
        if step == self.job.middle and self.mishap is not None and not self.struck:
            self.struck = True
            # Once the step's own hand is at work: the mishap comes in the middle.
            due = [t for t, what in self.pending if what != DONE]
            self.pending.append((max(due, default=now) + 1.2, self.mishap))
            self.pending.sort(key=lambda pair: pair[0])

    def _do_what_is_due(self):
        while self.pending and self.pending[0][0] <= time.monotonic():
            self.do(self.pending.pop(0)[1])

    def told(self, sentence, patience_s=25.0):
        """The guide's own sentence, the newest of all that it told: "what: what to do" is of the guide alone."""
        return self.terminal.wait_for(re.escape(sentence), patience_s)

    def _kept(self):
        results = kept_results(str(self.folder / "job.casebook"), again=True)
        assert len(results) == 1 and results[0].same_again, "one result that computes to the same again"
        kept, job = results[0], self.job
        assert kept.kind == job.test and kept.verdict in job.state.split("|"), kept.sentence
        assert job.words in kept.sentence, kept.sentence
        figures = {f["name"]: f for f in kept.body["figures"]}
        assert job.truth(figures), (kept.sentence, figures)
        names = [t["name"] for t in kept.body["state"]["taken"]]
        assert len(names) == len(set(names)), f"a reading was taken twice: {names}"
        return kept


def stall(drive):
    """The engine stalls and is started again."""
    drive.do(engine_stop(0, 0.9))
    drive.screens["stall"] = drive.told("The engine stopped: start it again")
    drive.do(engine_start(0, cranking_s=0.8))
    drive.terminal.wait_for(r"The engine runs again", 30.0)
    # It idles after the start: who held another speed has to set it again.
    _again(drive, lambda what: getattr(what, "action", "") == "speed")


def hose_off(drive):
    """The gauge hose comes off and is put back."""
    drive.do(tap(0, False))
    drive.screens["hose off"] = drive.told("The gauge hose came off: put it back")
    drive.do(tap(0, True))
    drive.terminal.wait_for(r"The signal is back", 30.0)
    _again(drive)


def pulled_plug(drive):
    """The port is unplugged and comes back."""
    drive.board.unplug()
    drive.screens["unplugged"] = drive.terminal.wait_for(r"(?i)unplugged", 20.0)
    time.sleep(1.0)
    drive.board.replug()
    drive.terminal.wait_for(r"The rig is back", 40.0)
    _again(drive)


def wrong_order(drive):
    """A step back and forth: the step before is undone with its reading, and done once more."""
    before = drive.plan.index(drive.job.middle) - 1
    drive.terminal.press("BSpace")
    drive.terminal.wait_for(rf"step {before + 1} of", 10.0)
    drive.step = None


def broken_off(drive):
    """Broken off in the middle and taken up from the dashboard."""
    drive.terminal.press("Escape")
    drive.terminal.wait_for("last minute", 15.0)
    drive.terminal.press("g")
    drive.terminal.wait_for("take up again", 15.0)
    drive.terminal.press("r")
    drive.terminal.wait_for(r"step \d+ of", 15.0)
    drive.step = None


def _again(drive, also=lambda what: False):
    """The step begins anew: so do its presses, while what was done at the engine stays done, `also` excepted."""
    now = time.monotonic()
    hands = drive.hands.get(drive.step, ())
    drive.pending = [(now + wait_s, what) for wait_s, what in hands if what == DONE or also(what)]


MISHAPS = {
    "stall": stall, "hose off": hose_off, "unplugged": pulled_plug, "wrong order": wrong_order,
    "broken off": broken_off,
}  # fmt: skip
