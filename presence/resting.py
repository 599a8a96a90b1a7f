"""How often those at rest in a room stir does not tell how many they are: no visitor is made of one lively person.

The settings give people at rest one rate of being seen, but it differs between people, what they do and where a sensor
hangs by more than their number does: one who works at a desk stirs as often as several who watch a film. Taken at its
word, a rate makes two of whoever stirs twice as often, surely so after an hour of it. Let instead all who rest in a
sensor's sight share a rate of which nothing is known, not even its scale, `p(rate) ~ 1 / rate` (Jeffreys 1961, Theory
of Probability, section 3.1, from memory). Then the first of N is seen after a silence g with the density

    integral of N rate exp(-N rate g) p(rate) d(rate) = 1 / g,

whatever N is. With the rate of the settings it is `N rate exp(-N rate g)`, so one more at rest beside another gets the
factor `(1 / 2) exp(rate g)` on top of what the filter makes of them: exact for the second, a little strict for more.

Only visitors get it: that residents live there is known, and of two of them, where both rest as the settings say,
how often the sensor speaks tells which room they are in. This module knows no rooms.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.hypotheses import Way
from presence.merging import Mixture
from presence.moves import span

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]

LONGEST = -math.log(1.0 - math.log(2.0))
"""No longer a silence (in units of 1 / rate) is made up for: who stirs more seldom than that is asleep or gone. Of one
person who stirs at the settings' rate, a report tells as much against a second as if the rate were known, in the mean:
`E[min(LONGEST, rate g) - rate g] = -exp(-LONGEST) = log(2) - 1` nats."""


class Rest(NamedTuple):
    """Those at rest in a sensor's sight, and how often they are seen."""

    settled: IndexArray
    """Shape (m,): states at rest..."""
    up: IndexArray
    """Shape (m,): ...those into which they get up..."""
    deep: IndexArray
    """Shape (d,): ...and in which they hardly stir."""
    rate: float
    """1/s: how often one settled is seen or gets up."""
    deep_rate: float
    """1/s: how often one deeply still is seen."""
    in_sight: IndexArray
    """All these states."""

    def neutral(self, rate: float, silence: float) -> float:
        """Factor on one more who is seen at this rate, so that they explain a report no better than one settled."""
        return self.rate / (self.rate + rate) * math.exp(min(LONGEST, rate * silence))


def visitors_factor(
    mixture: Mixture, visitors: slice, ways: Sequence[Way], nobody: float, rest: Rest, silence: float
) -> Array:
    """What a report after a silence makes of visitors in a sensor's sight, shape (V, K, S).

    `1 - p(somebody else there) share (1 - neutral)`, where `share` is how likely one of those at rest has caused the
    report, if the visitor rests there, too: reports of others who are up tell what they always did. Of several
    visitors, each is weighed beside those before it.

    Args:
        mixture: the hypotheses just before the report.
        visitors: the V beings that are visitors.
        ways: how a being can cause the report.
        nobody: 1/s: the rate of the report with nobody causing it.
        rest: those at rest in the sensor's sight.
        silence: seconds since the sensor could report.
    """
    x = mixture.x
    at_rest = x[:, :, rest.settled].sum(axis=2)  # (P, K)
    there = np.minimum(at_rest + x[:, :, rest.up].sum(axis=2), 1.0)
    causing = np.zeros_like(at_rest)
    for way in ways:
        causing += (x[:, :, span(way.source)] @ way.rates.sum(axis=2)[:, :, None])[:, :, 0]
    known = np.ones(len(x), dtype=bool)
    known[visitors] = False
    by_rest = (at_rest[known].sum(axis=0) + 1.0) * rest.rate
    share = np.minimum(1.0, by_rest / (nobody + causing[known].sum(axis=0) + rest.rate))
    before = np.concatenate([(1.0 - there[known]).prod(axis=0)[None], 1.0 - there[visitors][:-1]])
    told = ((1.0 - before.cumprod(axis=0)) * share)[:, :, None]
    factor: Array = np.ones_like(x[visitors])
    factor[:, :, rest.settled] = factor[:, :, rest.up] = 1.0 - told * (1.0 - rest.neutral(rest.rate, silence))
    factor[:, :, rest.deep] = 1.0 - told * (1.0 - rest.neutral(rest.deep_rate, silence))
    return factor
