"""Samples that wait to be scored together: what was believed, and what the truth says of the same instants."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray


@dataclass(slots=True)
class Samples:
    """One entry in each list for each instant of the grid."""

    seconds: list[float] = field(default_factory=list)
    probability: list[list[float]] = field(default_factory=list)
    occupied: list[NDArray[np.bool_]] = field(default_factory=list)
    told: list[list[int]] = field(default_factory=list)
    """The likeliest room of each resident."""
    where: list[list[int]] = field(default_factory=list)
    at_home: list[tuple[float, ...]] = field(default_factory=list)
    number: list[int] = field(default_factory=list)
    ages: list[NDArray[np.float64]] = field(default_factory=list)
    known: list[bool] = field(default_factory=list)
    """Whether the truth is known, so that the instant is scored."""

    def forget(self, after: float) -> None:
        """Take back that the truth is known after an instant; infinite: nothing."""
        if after < math.inf:
            self.known = [known and t <= after for t, known in zip(self.seconds, self.known, strict=True)]
