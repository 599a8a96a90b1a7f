"""Which sensors are silent when others say they should not be: dead, or stuck.

Each sensor switches from healthy to dead at a small constant rate. While it is healthy its gaps, in chances to report,
follow the tail learned from its own record; once dead it says nothing. With `S` the tail, `h` the failure rate and `g`
the chances since its last report,

    odds of dead = integral of h S(g(t)) dt since the last report / S(g now)

(Shiryaev 1963, Theory Probab. Appl. 8:22, the change-point posterior, with the healthy likelihood replaced by the tail
of the whole gap, which is robust to how a visit clusters its reports).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from presence.health.tails import GapTails

Array = NDArray[np.float64]

FAILURE_RATE = 1 / (2 * 365 * 86400.0)
"""1/s: a sensor dies once in two years. Common practice, no source."""


class Silence:
    """How silent each of N sensors is, by one measure of chances.

    Args:
        sensors: N.
        seconds: when watching began.
        threshold: chances in a gap up to which nothing is asked.
        scale: chances beyond the threshold that are expected beforehand.
    """

    def __init__(self, sensors: int, seconds: float, threshold: float, scale: float) -> None:
        self.tails = GapTails(sensors, threshold, scale)
        self.gap: Array = np.zeros(sensors)
        """Shape (N,): chances since the last report."""
        self.log_odds: Array = np.full(sensors, -np.inf)
        self._owed: Array = np.zeros(sensors)
        self._seconds = seconds

    def chances(self, chances: Array) -> None:
        """Further chances of each sensor, shape (N,)."""
        self.gap += chances

    def report(self, sensor: int) -> None:
        """A sensor is heard: its gap has ended, so it is alive."""
        self.tails.learn(sensor, float(self.gap[sensor]))
        self.gap[sensor] = self._owed[sensor] = 0.0
        self.log_odds[sensor] = -np.inf

    def weigh(self, seconds: float) -> None:
        """Bring the odds up to an instant."""
        log_survival = self.tails.log_survival(self.gap)
        self._owed += FAILURE_RATE * (seconds - self._seconds) * np.exp(log_survival)
        self._seconds = seconds
        self.log_odds = np.log(np.maximum(self._owed, 1e-300)) - log_survival
