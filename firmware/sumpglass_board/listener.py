"""A plain detector for the board's own sounds: what a person under the bonnet wants to hear at once.

It is no match for the host's detector and reports nothing over the wire. Levels are means over about half a second;
the level to compare with is the deepest settled one of the last seconds.
"""

from sumpglass_board.patterns import RECOVERY, SIGN_REVERSAL, SUDDEN_LOSS

LEAST_PA = 30
MEAN_S = 0.3
SETTLED_S = 3.0
HOLD_S = 0.5


class Listener:
    """Feed it the mean of each block; it returns the number of a pattern, or 0."""

    def __init__(self):
        self.level_pa = None
        self._settled_pa = 0.0
        self._sign = 0
        self._lost_pa = 0.0
        self._loss_s = 0.0
        self._crossed_s = 0.0

    def hear(self, mean_pa, seconds):
        """`mean_pa` over the last `seconds`."""
        if self.level_pa is None:
            self.level_pa = self._settled_pa = mean_pa
        self.level_pa += (mean_pa - self.level_pa) * min(1.0, seconds / MEAN_S)
        level = self.level_pa
        return self._loss(level, seconds) or self._crossing(level, seconds)

    def _loss(self, level, seconds):
        if self._lost_pa:
            if level < self._lost_pa / 2:
                self._settled_pa = level
                self._lost_pa = 0.0
                return RECOVERY
            return 0
        if self._settled_pa < -LEAST_PA and level > self._settled_pa / 2:
            self._loss_s += seconds
            if self._loss_s >= HOLD_S:
                self._lost_pa = self._settled_pa
                self._settled_pa = level
                self._loss_s = 0.0
                return SUDDEN_LOSS
            return 0
        # Deeper is believed slowly too, so that one gulp does not make the next breath a loss.
        self._loss_s = 0.0
        self._settled_pa += (level - self._settled_pa) * min(1.0, seconds / SETTLED_S)
        return 0

    def _crossing(self, level, seconds):
        sign = 1 if level > LEAST_PA / 2 else -1 if level < -LEAST_PA / 2 else 0
        if not sign or sign == self._sign:
            self._crossed_s = 0.0
            return 0
        self._crossed_s += seconds
        if self._crossed_s < HOLD_S:
            return 0
        before = self._sign
        self._sign = sign
        self._crossed_s = 0.0
        return SIGN_REVERSAL if before else 0
