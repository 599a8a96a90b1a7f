"""Second opinions on silences, weighed: how much stranger to its twin a suspect's silence is than others of its were.

A twin (`twins`) says how unlikely a silence is in nats, by a model that is only nearly right: in a room that is used
less than the model thinks every long silence is a wonder. So they are read against the record of the same sensor's
suspect silences, whose largest nats are taken as exponential: with `S` its tail,

    log odds <- log odds - log S(nats) - DEPENDENT,

Bayes' rule for two pieces of evidence of which the second is told given that the first was suspicious. They are not
quite independent, hence the last term.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from presence.health.tails import ExponentialTails

Array = NDArray[np.float64]

SCALE, SUPPOSED = 10.0, 6.0
"""Nats of a suspect silence of a healthy sensor, expected beforehand, and how many silences that is worth: the mean of
66 in two simulated months of the garage house (seeds 71, 72), where sensors differed much."""
DEPENDENT = 1.0
"""Nats taken off because both opinions rest on the same reports. Common practice, no source."""
MOST_TOLD = 1e6
"""It is not told that a silence is rarer than once in so many: no model is that good."""


class SecondOpinion:
    """What twins said of the present silences of N sensors, and of earlier ones.

    Args:
        count: N.
    """

    def __init__(self, count: int) -> None:
        self._tails = ExponentialTails(count, SCALE, SUPPOSED)
        self._nats: Array = np.full(count, -np.inf)
        self._furthest: Array = np.full(count, -np.inf)

    def take(self, n: int, nats: float) -> None:
        """A twin says how unlikely sensor n's present silence is."""
        self._nats[n] = max(nats, 0.0)
        self._furthest[n] = max(self._furthest[n], self._nats[n])

    def end(self, n: int) -> None:
        """A sensor has spoken: its silence is over, and learned from if anybody has looked at it."""
        if self._furthest[n] >= 0.0:
            self._tails.learn(n, float(self._furthest[n]))
        self.forgive(n)

    def forgive(self, n: int) -> None:
        """A sensor's silence begins anew, and nothing is learned from what has been of it."""
        self._nats[n] = self._furthest[n] = -np.inf

    def evidence(self) -> Array:
        """Shape (N,), nats: what joins the log odds; -inf where nobody has looked."""
        looked = self._nats >= 0.0
        log_survival = self._tails.log_survival(np.where(looked, self._nats, 0.0))
        return np.where(looked, -log_survival - DEPENDENT, -np.inf)

    def said(self, n: int) -> str:
        """In words, what the twin says of sensor n's silence."""
        return (
            f"by all that others said before and since, a healthy sensor would have kept silent {_once(self._nats[n])};"
            f" its strangest silence before was {_once(self._tails.largest[n])}"
        )


def _once(nats: float) -> str:
    """How rare something is, by -log of its probability: `once in 40 times`."""
    if nats > math.log(MOST_TOLD):
        return f"less than once in {MOST_TOLD:,.0f} times"
    times = math.exp(max(nats, 0.0))
    return f"once in {float(f'{times:.1g}'):,.0f} times" if times >= 2.0 else "nothing unusual"
