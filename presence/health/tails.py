"""How long a gap may be: the tail of each row's own gaps, learned as they come. Knows no sensors, only rows.

Gaps mix short ones within a visit with long ones between visits. Above a threshold high enough only the long ones are
left, and their excess over it is taken as exponential (the generalised Pareto law of Pickands 1975, Ann. Stat. 3:119,
with shape 0; Coles 2001, "An Introduction to Statistical Modeling of Extreme Values", section 4.3, on choosing the
threshold). With `k` of `n` gaps above the threshold `u` and the sum `t` of their excesses, a Gamma prior gives

    P(gap > x) = k / n (1 + (x - u) / t) ** -k,

which is heavy and careful while `k` is small. The threshold is the highest of a ladder that enough gaps exceed.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STEPS = 9
"""Thresholds on the ladder, each twice the one before."""
ENOUGH = 20
"""Gaps above a threshold from which on it is used."""


class GapTails:
    """Laws of the gaps of N rows.

    Args:
        rows: N.
        threshold: gaps up to this are not looked at, one for all or shape (N,).
        scale: the excess expected beforehand, one for all or shape (N,).
        supposed: gaps above each threshold that are taken as seen before any has been: they exceed it by a threshold
            each, or by the scale.
    """

    def __init__(self, rows: int, threshold: float | Array, scale: float | Array, supposed: float = 2.0) -> None:
        self.threshold: Array = np.broadcast_to(np.asarray(threshold, np.float64), (rows,))
        self.thresholds: Array = self.threshold[:, None] * 2.0 ** np.arange(STEPS)
        self._above: Array = np.full((rows, STEPS), supposed)
        scales = np.broadcast_to(np.asarray(scale, np.float64), (rows,))[:, None]
        self._excess: Array = np.asarray(supposed * np.maximum(self.thresholds, scales), np.float64)
        self._usable = np.full(rows, max(0, int((self._above[:1] >= ENOUGH).sum()) - 1))  # the highest threshold
        self.gaps: Array = np.full(rows, 2.0 * supposed)
        """Shape (N,): how many gaps have been, those supposed included."""
        self.longest: Array = np.zeros(rows)
        """Shape (N,): the longest gap so far."""

    def learn(self, row: int, gap: float) -> None:
        """Take in a gap that has ended."""
        if gap > self.longest[row]:
            self.longest[row] = gap
        self.gaps[row] += 1.0
        if gap > self.threshold[row]:
            self._above[row] += gap > self.thresholds[row]
            self._usable[row] = max(0, int((self._above[row] >= ENOUGH).sum()) - 1)
            self._excess[row] += np.maximum(gap - self.thresholds[row], 0.0)

    def log_survival(self, gap: Array) -> Array:
        """Log probability that a gap gets longer than this, shape (N,); 0 up to the threshold."""
        survival, rows = np.zeros(len(gap)), (gap > self.threshold).nonzero()[0]
        if not rows.size:
            return survival
        gap = gap[rows]
        step = np.minimum(self._usable[rows], (self.thresholds[rows] < gap[:, None]).sum(axis=1) - 1)
        above, excess = self._above[rows, step], self._excess[rows, step]
        beyond = np.maximum(gap - self.thresholds[rows, step], 0.0)
        survival[rows] = np.log(np.minimum(above / self.gaps[rows], 1.0)) - above * np.log1p(beyond / excess)
        return survival


class ExponentialTails:
    """Laws of values of N rows that are exponential from 0 on: `P(value > x) = (1 + x / t) ** -k`, see above.

    Args:
        rows: N.
        scale: the mean expected beforehand.
        supposed: how many values that expectation is worth.
    """

    def __init__(self, rows: int, scale: float, supposed: float) -> None:
        self._count: Array = np.full(rows, supposed)
        self._sum: Array = np.full(rows, supposed * scale)
        self.largest: Array = np.zeros(rows)
        """Shape (N,): the largest value so far."""

    def learn(self, row: int, value: float) -> None:
        """Take in a value."""
        self._count[row] += 1.0
        self._sum[row] += value
        self.largest[row] = max(self.largest[row], value)

    def log_survival(self, value: Array) -> Array:
        """Log probability that a value is larger than this, shape (N,)."""
        return np.asarray(-self._count * np.log1p(value / self._sum), np.float64)
