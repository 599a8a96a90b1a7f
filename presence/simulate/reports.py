"""What a sensor says before it is sent, and who made it say so."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from presence.simulate.living import Lives

Array = NDArray[np.float64]


class Report(NamedTuple):
    """What a sensor says, and the being that made it say so (None: nobody)."""

    time: float
    value: str
    being: str | None = None
    by: str | None = None
    code: str | None = None


def false_alarms(lives: Lives, per_day: float, rng: Generator) -> Array:
    """Times of a Poisson process."""
    days = (lives.end - lives.begin) / 86400
    return np.sort(rng.uniform(lives.begin, lives.end, size=rng.poisson(per_day * days)))
