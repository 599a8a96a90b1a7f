"""What was done to the belief, step by step: the operations of a filter, recorded so that they can be undone.

Everything after an instant is one linear operation on the belief, so the likelihood of the future given a state is
found by applying the recorded operations backwards. This module knows no rooms.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.hypotheses import Way
from presence.propagation import Change, Reversible, propagate

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]


class Quiet(NamedTuple):
    """Nothing was reported for dt seconds."""

    base: Reversible
    change: Change | None
    dt: float


class Ghost(NamedTuple):
    """An event of a sensor that can be on by itself."""

    sensor: int
    """Which of the G such sensors."""
    after: Array
    """Shape (3,): why it is on if nobody caused the event."""
    rates: Array
    """Shape (3,), 1/s: the rate of the event with nobody causing it, by why it was on before."""


class Mark(NamedTuple):
    """An event that one of the beings caused, or nobody."""

    ways: Sequence[Way]
    nobody: float
    """1/s; with a ghost, see its rates."""
    ghost: Ghost | None = None
    shared: tuple[IndexArray, float] | None = None
    """States that hardly two beings are in after the event, and the factor for whoever did not cause it."""


class Weigh(NamedTuple):
    """Evidence about each being by itself."""

    factor: Array
    """Shape (P, S)."""


class Witness(NamedTuple):
    """Evidence that at least one being is in some states, or does something there."""

    inside: Array
    """Shape (P, S), 1 for the states that count, or the probability that a being in that state does so."""
    alone: float
    """Likelihood when nobody is inside, relative to somebody."""


class Letting(NamedTuple):
    """One being causes an event, staying where it is, and another moves by it."""

    guests: tuple[int, ...]
    """Who may move, but not the one who causes the event."""
    rates: Array
    """Shape (P, S), 1/s: of causing it."""
    moves: Array
    """Shape (S, S): probabilities of the guest's move."""

    def opening(self, states: NDArray[np.intp], guest: int, *, but: int = -1) -> float:
        """The rate (1/s) at which somebody else causes it for a guest, in given states (P,); one more left out."""
        openers = [p for p in range(len(states)) if p not in (guest, but)]
        return float(self.rates[openers, states[openers]].sum())


Operation = Quiet | Mark | Weigh | Witness


def transitions(quiet: Quiet, being: int | None = None) -> Array:
    """`exp(D0 dt)` of each being, shape (P, S, S), or of one, shape (1, S, S)."""
    base, change = quiet.base, quiet.change
    if being is not None:
        kind = base.kind(being)
        base = base.of(being)
        change = None if change is None else Change(change.states, change.entries[kind : kind + 1])
    persons, states = base.scale.shape
    return propagate(base, np.broadcast_to(np.eye(states), (persons, states, states)), quiet.dt, change)


def marked(mark: Mark, shape: tuple[int, int]) -> Array:
    """`D_e` of each being, shape (P, S, S), 1/s: the ways in which it alone causes the event; shape is (P, S)."""
    matrices = np.zeros((*shape, shape[1]))
    for way in mark.ways:
        if way.companion is not None:
            continue
        matrices[np.ix_(np.arange(shape[0]), way.source, way.target)] += way.rates
    return matrices


def lettings(mark: Mark, shape: tuple[int, int]) -> list[Letting]:
    """The ways in which one being causes the event for another; shape is (P, S)."""
    found = []
    for way in mark.ways:
        if way.companion is not None:
            rates, moves = np.zeros(shape), np.zeros((shape[1], shape[1]))
            rates[:, way.source] = way.rates.sum(axis=2)
            moves[np.ix_(way.companion.source, way.companion.target)] = way.companion.moves
            found.append(Letting(way.companion.beings, rates, moves))
    return found
