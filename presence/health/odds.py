"""Odds that something has changed for good, from how far it goes beyond all excursions before. Knows only rows.

A row is healthy until, at a small constant rate `h`, it changes. While healthy its excursions `g` follow the tail `S`
learned from its own record; once changed they grow without end. So at any time within an excursion

    odds of a change = integral of h S(g(t)) dt since the excursion began / S(g now)

(Shiryaev 1963, Theory Probab. Appl. 8:22, the change-point posterior, with the healthy likelihood replaced by the tail
of the whole excursion, which stays right when events come in clusters).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from presence.health.tails import GapTails

Array = NDArray[np.float64]

FAILURE_RATE = 1 / (2 * 365 * 86400.0)
"""1/s: a sensor falls sick once in two years. Common practice, no source."""


class ChangeOdds:
    """How far the excursions of N rows have come.

    Args:
        rows: N.
        seconds: when watching began.
        threshold: excursions up to this are not looked at, one for all or shape (N,).
        scale: what an excursion goes beyond the threshold, expected beforehand, one for all or shape (N,).
        supposed: how many such excursions that expectation is worth.
    """

    def __init__(
        self, rows: int, seconds: float, threshold: float | Array, scale: float | Array, supposed: float = 2.0
    ) -> None:
        self.tails = GapTails(rows, threshold, scale, supposed)
        self.reach: Array = np.zeros(rows)
        """Shape (N,): how far the present excursion has come."""
        self.log_odds: Array = np.full(rows, -np.inf)
        """Shape (N,): of a change, as of the last weighing."""
        self._owed: Array = np.zeros(rows)
        self._seconds = seconds

    def end(self, row: int, furthest: float) -> None:
        """An excursion has ended, having come this far at most; so nothing has changed for good."""
        self.tails.learn(row, furthest)
        self.reach[row] = self._owed[row] = 0.0
        self.log_odds[row] = -np.inf

    def weigh(self, seconds: float) -> None:
        """Bring the odds up to an instant."""
        log_survival = self.tails.log_survival(self.reach)
        self._owed += FAILURE_RATE * (seconds - self._seconds) * np.exp(log_survival)
        self._seconds = seconds
        self.log_odds = np.log(np.maximum(self._owed, 1e-300)) - log_survival


def probability(log_odds: float) -> float:
    """Probability of log odds, never quite 0 or 1."""
    return float(1.0 / (1.0 + np.exp(-min(max(log_odds, -13.0), 13.0))))
