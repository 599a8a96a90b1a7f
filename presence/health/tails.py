"""How long a gap may be: the tail of each sensor's own gaps, learned as they come. Knows no sensors, only rows.

Gaps above a threshold follow a generalised Pareto law whatever the gaps themselves follow (Pickands 1975, Ann. Stat.
3:119; Coles 2001, "An Introduction to Statistical Modeling of Extreme Values", section 4.2):

    P(gap > x | gap > u) = (1 + shape (x - u) / scale) ** (-1 / shape)

Shape and scale are averaged over a grid by their posterior, so that few gaps give a heavy, careful tail.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SHAPES = np.array([0.02, 0.1, 0.2, 0.3, 0.45])
SHAPE_PRIOR = np.array([0.35, 0.3, 0.2, 0.1, 0.05])
"""Most gaps have nearly exponential tails, some heavy ones. Common practice, no source."""
SCALES = np.geomspace(0.25, 128.0, 28)
"""In units of the scale expected beforehand."""
SCALE_SPREAD = 0.8
"""Standard deviation of the log of the scale beforehand. Common practice, no source."""
MISSED = (1.0, 1.0)
"""Gaps above and below the threshold that are taken as seen before any has been."""


class GapTails:
    """Laws of the gaps of N rows, each with its own threshold and record.

    Args:
        rows: N.
        threshold: gaps up to this are not looked at.
        scale: the scale expected beforehand.
    """

    def __init__(self, rows: int, threshold: float, scale: float) -> None:
        self.threshold = threshold
        shape, size = np.meshgrid(SHAPES, SCALES, indexing="ij")
        self._shape, self._scale = shape.ravel(), size.ravel() * scale
        prior = np.log(SHAPE_PRIOR)[:, None] - 0.5 * (np.log(SCALES) / SCALE_SPREAD) ** 2
        self._log_weight: Array = np.tile(prior.ravel(), (rows, 1))
        self.above: Array = np.full(rows, MISSED[0])
        self.below: Array = np.full(rows, MISSED[1])
        self.longest: Array = np.zeros(rows)
        """Shape (N,): the longest gap so far."""

    def learn(self, row: int, gap: float) -> None:
        """Take in a gap that has ended."""
        self.longest[row] = max(self.longest[row], gap)
        if gap <= self.threshold:
            self.below[row] += 1.0
            return
        self.above[row] += 1.0
        excess = gap - self.threshold
        power = -(1.0 + 1.0 / self._shape)
        self._log_weight[row] += power * np.log1p(self._shape * excess / self._scale) - np.log(self._scale)
        self._log_weight[row] -= self._log_weight[row].max()

    def log_survival(self, gap: Array) -> Array:
        """Log probability that a gap gets longer than this, shape (N,); 0 up to the threshold."""
        excess = np.maximum(gap - self.threshold, 0.0)
        log_weight = self._log_weight - np.log(np.exp(self._log_weight).sum(axis=1))[:, None]
        tails = -np.log1p(self._shape * excess[:, None] / self._scale) / self._shape
        log_tail = np.log(np.exp(log_weight + tails).sum(axis=1))
        return np.where(gap > self.threshold, np.log(self.above / (self.above + self.below)) + log_tail, 0.0)
