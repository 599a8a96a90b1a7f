"""For rules: when to switch a room on and off, given how probable it is that somebody is there.

One threshold alone makes lights flicker, so there are two: by default a room goes on as soon as somebody is more likely
there than not, and off only when staying on costs more than going off. The more a minute in the dark costs, the less
likely somebody need be there for a room to go on, or people would walk in in the dark.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from presence.errors import SettingError

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

DARK_COST = 4.0
"""A minute in the dark with somebody there, in minutes on with nobody there. Common practice, no source."""
ODDS_APART = 4.0
"""A room goes on at so many times the odds at which it goes off, at most. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Switch:
    """A rule with hysteresis: on above one probability, off below another, as it was in between.

    Raises:
        SettingError: unless 0 <= off_below <= on_above <= 1.
    """

    on_above: float = 0.5
    off_below: float = 1 / (1 + DARK_COST)

    def __post_init__(self) -> None:
        if not 0 <= self.off_below <= self.on_above <= 1:
            raise SettingError(
                f"off_below {self.off_below!r} and on_above {self.on_above!r}: expected 0 <= off_below <= on_above <= 1"
            )

    @classmethod
    def from_cost(cls, dark_cost: float, on_above: float = 0.5) -> Switch:
        """The switch for a cost ratio: off where `p * dark_cost < 1 - p`, so below `1 / (1 + dark_cost)`.

        Args:
            dark_cost: what a minute in the dark with somebody there costs, in minutes on with nobody there; > 0.
            on_above: probability above which the room goes on at any rate; earlier as in `from_threshold`.

        Raises:
            SettingError: if the cost is not a finite number above zero.
        """
        if not (math.isfinite(dark_cost) and dark_cost > 0):
            raise SettingError(f"dark_cost: {dark_cost!r} is not a finite number above zero")
        return cls.from_threshold(min(on_above, 1 / (1 + dark_cost)), on_above)

    @classmethod
    def from_threshold(cls, off_below: float, on_above: float = 0.5) -> Switch:
        """The switch that goes off below a probability, and on where the odds are `ODDS_APART` times as high.

        Args:
            off_below: probability below which the room goes off.
            on_above: probability above which it goes on at any rate.

        Raises:
            SettingError: unless 0 <= off_below <= on_above <= 1.
        """
        if not 0.0 <= off_below <= 1.0:
            raise SettingError(f"off_below: {off_below!r} is not a probability")
        apart = off_below / (off_below + (1.0 - off_below) / ODDS_APART)
        return cls(min(on_above, apart), off_below)

    def next(self, on: bool, probability: float) -> bool:
        """Whether the room is on after this probability, given whether it was."""
        return probability > self.on_above or (on and not probability < self.off_below)

    def series(self, probability: Array, on: BoolArray) -> BoolArray:
        """`next` applied along time, all rooms at once.

        Args:
            probability: shape (T, R).
            on: shape (R,), the state before.

        Returns:
            Shape (T, R): the state after each of the T probabilities.
        """
        above = probability > self.on_above
        states = np.vstack([on[None, :], above])
        decided = np.vstack([np.ones((1, len(on)), bool), above | (probability < self.off_below)])
        latest = np.maximum.accumulate(np.where(decided, np.arange(len(decided))[:, None], 0), axis=0)
        return np.asarray(np.take_along_axis(states, latest, axis=0)[1:])
