"""The board's clock against the host's: a straight line through time echoes, or under the arrival of chunks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

RATE_PRIOR = 100e-6
"""One standard deviation of what a board's crystal may be off before anything is measured (common practice)."""
TRUSTED_U = 20e-6
"""A rate less certain than this is not applied."""
SLOW_ECHO = 1.5
"""Echoes that took more than this many times the quickest (and 2 ms) say little of the moment: they are left out."""
ENVELOPE_S = 5.0
"""Chunks come late, never early: of each so many seconds only the earliest is used."""


@dataclass(frozen=True)
class ClockFit:
    """host_s = host_origin_s + offset_s + (1 + rate) * (board_s - board_origin_s)."""

    board_origin_s: float
    host_origin_s: float
    offset_s: float
    rate: float
    offset_u_s: float
    """Standard uncertainty of the offset at the origin."""
    rate_u: float
    points: int

    @property
    def trusted_rate(self) -> float:
        """The rate where it is known well enough to be applied, else 0: a short recording keeps the board's pace."""
        return self.rate if self.rate_u < TRUSTED_U and abs(self.rate) > 2.0 * self.rate_u else 0.0

    def host_s(self, board_s: float) -> float:
        """Host time of a moment of the board's clock."""
        return self.host_origin_s + self.offset_s + (1.0 + self.rate) * (board_s - self.board_origin_s)

    def board_s(self, host_s: float) -> float:
        """The board's time of a moment of the host's clock."""
        return self.board_origin_s + (host_s - self.host_origin_s - self.offset_s) / (1.0 + self.rate)


def fit_clock(
    board_s: Sequence[float], host_s: Sequence[float], rate_prior: float | None = RATE_PRIOR, least_u_s: float = 2e-4
) -> ClockFit:
    """Least squares of host time on board time, (n,) each, n >= 1.

    With a prior the rate is drawn to zero as far as the data leave it open, so that three echoes in a second do not
    make a drift of their own. Standard uncertainties from the scatter, which is taken as `least_u_s` at the least.
    """
    board, host = np.asarray(board_s, np.float64), np.asarray(host_s, np.float64)
    board_origin, host_origin = float(board.mean()), float(host.mean())
    x = board - board_origin
    y = (host - host_origin) - x
    sxx = float(x @ x)
    rate = float(x @ y) / sxx if sxx > 0 else 0.0
    n = len(x)
    residual = y - rate * x
    scatter = math.sqrt(float(residual @ residual) / (n - 2)) if n > 2 else least_u_s
    if rate_prior is not None:
        scatter = max(scatter, least_u_s)
        weight, prior_weight = sxx / scatter**2, 1.0 / rate_prior**2
        rate *= weight / (weight + prior_weight)
        rate_u = 1.0 / math.sqrt(weight + prior_weight)
    else:
        rate_u = scatter / math.sqrt(sxx) if sxx > 0 else math.inf
    return ClockFit(board_origin, host_origin, 0.0, rate, scatter / math.sqrt(n), rate_u, n)


class EchoClock:
    """Collects time echoes of one board run and fits the clock through the quick ones. Memory stays bounded."""

    def __init__(self, most: int = 4096) -> None:
        self._most = most
        self._echoes: list[tuple[float, float, float]] = []  # board_s, host_s, seconds there and back
        self._fit: ClockFit | None = None

    def __len__(self) -> int:
        return len(self._echoes)

    def add(self, sent_host_s: float, received_board_us: int, answered_board_us: int, received_host_s: float) -> None:
        """One echo: the host sent, the board received and answered, the host received."""
        there_and_back = (received_host_s - sent_host_s) - (answered_board_us - received_board_us) * 1e-6
        if not 0.0 <= there_and_back < 5.0:
            return
        self._echoes.append(
            ((received_board_us + answered_board_us) * 0.5e-6, (sent_host_s + received_host_s) * 0.5, there_and_back)
        )
        if len(self._echoes) > self._most:
            # Half of them, evenly: what is kept still spans the whole run.
            self._echoes = self._echoes[::2]
        self._fit = None

    def fit(self) -> ClockFit | None:
        """The line through the quick echoes, None before the first."""
        if self._fit is None and self._echoes:
            quickest = min(echo[2] for echo in self._echoes)
            quick = [echo for echo in self._echoes if echo[2] <= SLOW_ECHO * quickest + 0.002]
            self._fit = fit_clock([echo[0] for echo in quick], [echo[1] for echo in quick])
        return self._fit


def fit_arrivals(board_s: Sequence[float], host_s: Sequence[float]) -> ClockFit | None:
    """The clock from the arrival of chunks alone: board time of a chunk's last sample, host time of its arrival.

    Uses the earliest arrival of each stretch. The offset keeps the smallest delay; the rate is what matters.
    """
    board, host = np.asarray(board_s, np.float64), np.asarray(host_s, np.float64)
    if len(board) < 2 or board[-1] - board[0] < 4 * ENVELOPE_S:
        return None
    stretch = ((board - board[0]) // ENVELOPE_S).astype(np.int64)
    late = host - board
    order = np.lexsort((late, stretch))
    first = order[np.flatnonzero(np.diff(stretch[order], prepend=-1))]
    return fit_clock(board[first].tolist(), host[first].tolist(), least_u_s=2e-3)
