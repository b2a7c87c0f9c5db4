"""A signal to drive guided tests with: level, pulses and noise made here, not by the program."""

import numpy as np
import pytest

from sumpglass.procedures.guide import Guide
from sumpglass.procedures.guide_events import Finished, Paused, ReadingTaken, Resumed, StepBegan, StopCall


class Bench:
    """Feeds a guide with 50 ms chunks and keeps its events. Levels are Pa gauge; a change takes `tau_s`."""

    def __init__(self, guide: Guide, rate_hz: float = 200.0, seed: int = 1, told: bool = True) -> None:
        self.guide, self.rate_hz, self.told = guide, rate_hz, told
        self.rng = np.random.default_rng(seed)
        self.t = 0.0
        self.level = self.target = 0.0
        self.swing = 0.0
        self.tau_s = 0.5
        self.range_pa = None
        self.engine = "stopped"
        self.events = list(guide.begin())

    def run(
        self, seconds: float, target: float | None = None, swing: float | None = None, engine: str | None = None
    ) -> "Bench":
        if target is not None:
            self.target = target
        if swing is not None:
            self.swing = swing
        if engine is not None:
            self.engine = engine
        n = int(0.05 * self.rate_hz)
        for _ in range(round(seconds / 0.05)):
            t = self.t + np.arange(1, n + 1) / self.rate_hz
            steps = np.exp(-np.arange(1, n + 1) / self.rate_hz / self.tau_s)
            p = self.target + (self.level - self.target) * steps
            self.level, self.t = float(p[-1]), float(t[-1])
            p = p + self.swing * np.sqrt(2) * np.sin(2 * np.pi * 26.7 * t) + self.rng.normal(0, 1.0, n)
            if self.range_pa is not None:
                p = np.clip(p, -self.range_pa, self.range_pa)
            if self.told:
                self.events += self.guide.engine(self.engine, 26.7 if self.engine == "running" else None)
            self.events += self.guide.feed(t, p)
            if self.guide.verdict is not None:
                break
        return self

    def until(
        self,
        step: str,
        target: float | None = None,
        swing: float | None = None,
        engine: str | None = None,
        most_s: float = 60.0,
    ) -> "Bench":
        """Run until that step is at hand (or "verdict")."""
        began = self.t
        self.run(0.05, target, swing, engine)
        while self.t - began < most_s:
            at = self.guide.step
            if (at is None and step == "verdict") or (at is not None and at.id == step):
                return self
            self.run(0.25)
        raise AssertionError(
            f"still at {self.guide.step.id if self.guide.step else 'verdict'}: {self.guide.status.condition} "
            f"{self.guide.status.paused} {self.guide.status.stop}"
        )

    def press(self) -> "Bench":
        self.events += self.guide.press()
        return self

    def acknowledge(self) -> "Bench":
        self.events += self.guide.acknowledge()
        return self

    def seen(self, kind: type) -> list:
        return [e for e in self.events if isinstance(e, kind)]


@pytest.fixture
def bench():
    def make(test, settings=None, **more):
        return Bench(Guide(test, settings), **more)

    return make


def steady_vacuum_pa(leak_mm2, opening_mm, net_kg_s, shape=(0.0,), blow_by_kg_s=0.0):
    """Mean vacuum in a crankcase under a choked suction, by bisection; isentropic flow written by density ratio."""
    area = 0.61e-6 * (leak_mm2 + np.pi / 4 * opening_mm**2)
    shape = np.asarray(shape)
    low, high = 0.0, 60e3
    for _ in range(70):
        mid = 0.5 * (low + high)
        v = mid + shape
        up, down = np.where(v >= 0, 101325.0, 101325.0 - v), np.where(v >= 0, 101325.0 - v, 101325.0)
        ratio = np.maximum(down / up, 0.5283)
        flow = (
            np.sign(v)
            * up
            / (287.055 * 293.15)
            * ratio ** (1 / 1.4)
            * np.sqrt(7 * 287.055 * 293.15 * (1 - ratio ** (0.4 / 1.4)))
        )
        drawn = (net_kg_s + blow_by_kg_s) * (1 - mid / 101325.0) - blow_by_kg_s
        low, high = (mid, high) if area * float(flow.mean()) < drawn else (low, mid)
    return low


@pytest.fixture
def steady():
    return steady_vacuum_pa


__all__ = ["Bench", "Finished", "Paused", "ReadingTaken", "Resumed", "StepBegan", "StopCall"]
