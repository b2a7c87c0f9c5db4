"""Detector output held against truth, one tally for all kinds of trace."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field

import numpy as np

NEAR_S = 1.0
EDGES = (0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 0.99, 1.01)
KINDS = ("sudden_loss", "recovery", "sign_reversal", "rig_fault")


def matched(truth, found) -> list[tuple]:
    """(true, found) pairs of the same kind within `NEAR_S`, each used once; what must be told is matched first."""
    left, pairs = list(found), []
    for event in sorted(truth, key=lambda e: (getattr(e, "optional", False), e.t_s)):
        near = [h for h in left if h.kind == event.kind and abs(h.t_s - event.t_s) < NEAR_S]
        if near:
            best = min(near, key=lambda h: abs(h.t_s - event.t_s))
            left.remove(best)
            pairs.append((event, best))
    return pairs


def _may_pass(event, found) -> bool:
    """Whether `found` may be told in passing, at any moment of the optional `event`, which lasts."""
    near = event.kind == found.kind and event.t_s - NEAR_S < found.t_s < event.until_s + NEAR_S
    return near and (found.kind != "rig_fault" or found.cause in (event.cause, *event.also_causes))


@dataclass
class Tally:
    """Counts over many traces."""

    hit: Counter = field(default_factory=Counter)
    missed: Counter = field(default_factory=Counter)
    false: Counter = field(default_factory=Counter)
    onset_s: dict = field(default_factory=lambda: defaultdict(list))
    delay_s: dict = field(default_factory=lambda: defaultdict(list))
    cause_right: list = field(default_factory=list)
    cause_p: list = field(default_factory=list)
    confused: Counter = field(default_factory=Counter)
    told: Counter = field(default_factory=Counter)
    """True and told cause of every happening that was found."""
    levels: list = field(default_factory=list)

    def add(self, truth, found) -> list[str]:
        """Match found happenings with true ones of the same kind within a second; returns what went wrong, in words."""
        left = list(found)
        wrong = []
        for event in sorted(truth, key=lambda e: (getattr(e, "optional", False), e.t_s)):
            near = [h for h in left if h.kind == event.kind and abs(h.t_s - event.t_s) < NEAR_S]
            optional = getattr(event, "optional", False)
            if optional and getattr(event, "until_s", None) is not None:
                left = [h for h in left if not _may_pass(event, h)]
                continue
            if not near:
                if not optional:
                    self.missed[event.kind] += 1
                    wrong.append(
                        f"MISS {event.kind} {event.cause} t={event.t_s:.2f} {event.before_pa} -> {event.after_pa}"
                    )
                continue
            best = min(near, key=lambda h: abs(h.t_s - event.t_s))
            left.remove(best)
            if optional:
                continue
            self.hit[event.kind] += 1
            self.onset_s[event.kind].append(abs(best.t_s - event.t_s))
            self.delay_s[event.kind].append(best.t_raised_s - event.t_s)
            right = best.cause == event.cause or best.cause in getattr(event, "also_causes", ())
            if event.cause != "unknown":
                self.told[event.cause, event.cause if right else best.cause] += 1
                self.cause_right.append(right)
                self.cause_p.append(best.p_cause)
                if not right:
                    self.confused[event.cause, best.cause] += 1
                    wrong.append(
                        f"CAUSE {event.kind} {event.cause}->{best.cause} p={best.p_cause:.2f} t={event.t_s:.2f}"
                    )
            if abs(best.t_s - event.t_s) > 0.2:
                wrong.append(f"ONSET {event.kind} {event.cause} {best.t_s - event.t_s:+.2f}")
            if best.t_raised_s - event.t_s > 0.8:
                wrong.append(f"DELAY {event.kind} {event.cause} {best.t_raised_s - event.t_s:+.2f}")
        unsure = [e for e in truth if e.kind in ("sudden_loss", "sign_reversal") and getattr(e, "optional", False)]
        for h in left:
            if h.kind in ("recovery", "sign_reversal") and any(0 < h.t_s - e.t_s < 20 for e in unsure):
                continue  # It takes back a loss that may or may not be told.
            if h.kind != "rig_fault" and any(
                e.kind == "rig_fault" and e.cause == h.cause and abs(h.t_s - e.t_s) < 2.0 for e in truth
            ):
                continue  # Beside a rig fault, with its cause, a loss or reversal is allowed.
            self.false[h.kind] += 1
            sizes = f"{h.before_pa or 0:.0f}->{h.after_pa or 0:.0f}"
            wrong.append(f"FALSE {h.kind} {h.cause} p={h.p_cause:.2f} t={h.t_s:.2f} raised {h.t_raised_s:.2f} {sizes}")
        return wrong

    def lines(self) -> list[str]:
        """The table."""
        out = [
            f"{'kind':14s} {'true':>5s} {'recall':>7s} {'precision':>9s} {'onset med':>10s} "
            f"{'raise med':>10s} {'raise p95':>10s}"
        ]
        for kind in KINDS:
            hit, missed, false = self.hit[kind], self.missed[kind], self.false[kind]
            if not hit + missed + false:
                continue
            onset, delay = self.onset_s[kind] or [np.nan], self.delay_s[kind] or [np.nan]
            out.append(
                f"{kind:14s} {hit + missed:5d} {hit / max(1, hit + missed):7.3f} {hit / max(1, hit + false):9.3f} "
                f"{np.median(onset):8.3f} s {np.median(delay):8.3f} s {np.quantile(delay, 0.95):8.3f} s"
            )
        onset = [x for kind in KINDS for x in self.onset_s[kind]] or [np.nan]
        delay = [x for kind in KINDS for x in self.delay_s[kind]] or [np.nan]
        right, p = np.array(self.cause_right, float), np.array(self.cause_p)
        if len(right):
            out.append(
                f"all: onset median {np.median(onset):.3f} s, raised median {np.median(delay):.3f} s, 95th percentile "
                f"{np.quantile(delay, 0.95):.3f} s; cause right {right.mean():.3f}, mean p {p.mean():.3f}"
            )
        return out

    def joined(self, other: Tally) -> Tally:
        """Both tallies together."""
        both = Tally()
        for one in (self, other):
            for name in ("hit", "missed", "false", "confused", "told"):
                getattr(both, name).update(getattr(one, name))
            for name in ("onset_s", "delay_s"):
                for kind, values in getattr(one, name).items():
                    getattr(both, name)[kind].extend(values)
            both.cause_right.extend(one.cause_right)
            both.cause_p.extend(one.cause_p)
        return both

    def reliability(self) -> list[str]:
        """How often causes told with so much probability were right."""
        right, p = np.array(self.cause_right, float), np.array(self.cause_p)
        out = ["probability stated: told, mean stated, right"]
        for low, high in zip(EDGES[:-1], EDGES[1:]):
            within = (p >= low) & (p < high)
            if within.any():
                out.append(
                    f"  {low:.2f} to {min(high, 1.0):.2f}: {within.sum():5d}  {p[within].mean():.3f}  "
                    f"{right[within].mean():.3f}"
                )
        return out

    def confusion(self) -> list[str]:
        """Rows of true causes, columns of told ones."""
        rows = sorted({true for true, _ in self.told})
        columns = sorted({told for _, told in self.told})
        out = ["true cause (rows) against told:", f"{'':14s}" + "".join(f"{c[:9]:>10s}" for c in columns)]
        out += [f"{r:14s}" + "".join(f"{self.told[r, c] or '.':>10}" for c in columns) for r in rows]
        return out
