"""The likelihood of the future as a mixture of products, found by running the filter on time reversed.

Let `b(x)` be the likelihood of everything after an instant and u the weights of the reversible movement. Then
`u b` obeys the same equations as a belief: silence moves it by the same generators (changes transposed), an event by
`rates*[j, i] = u[i] rates[i, j] / u[j]`. So the machinery of hypotheses, branching and merging serves once more, and

    p(x_t | all)  ~  f(x_t) b(x_t)  =  sum_k,l  w_k v_l  prod_p  x[p, k] (u b)[p, l] / u[p],

a mixture of K L products: exact while both passes keep all hypotheses (or one being is followed).

Sources: Kitagawa 1994 (Ann. Inst. Statist. Math. 46:605), two-filter formula; Kelly 1979, "Reversibility and
Stochastic Networks", section 1.2, reversed chains.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.hypotheses import Way, branch, reweigh, scaled, start
from presence.merging import NO_TRACKS, Mixture
from presence.propagation import propagate
from presence.tape import Mark, Operation, Quiet, Weigh, Witness
from presence.witness import witness

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]

NEGLIGIBLE_PAIR = 1e-9
"""Pairs of a past and a future hypothesis lighter than this are left out."""


class Future(NamedTuple):
    """The likelihood of what follows an instant, times the weights of the movement."""

    mixture: Mixture
    """`ghosts[l, g]` is the likelihood of what follows by why sensor g is on, not a distribution."""
    weights: Array
    """Shape (P, S): u."""


class Rules(NamedTuple):
    """What a pass needs to know besides the operations."""

    most: int | None
    """The largest number of hypotheses kept; None keeps all."""
    ghost_rates: Array
    """Shape (3,), 1/s: how fast a sensor that is on by itself goes off."""


def do(operation: Operation, mixture: Mixture, rules: Rules) -> Mixture:
    """The belief after an operation, as the filter itself found it."""
    if isinstance(operation, Weigh):
        return scaled(mixture, operation.factor)
    if isinstance(operation, Quiet):
        ghosts = mixture.ghosts * np.exp(-rules.ghost_rates * operation.dt)
        total = ghosts.sum(axis=2, keepdims=True)
        moved = propagate(operation.base, mixture.x, operation.dt, operation.change)
        return reweigh(mixture._replace(ghosts=ghosts / total), moved[:, :, None], np.log(total).sum(axis=(1, 2)))
    if isinstance(operation, Witness):
        return witness(mixture, operation.inside, operation.alone, rules.most)
    nobody, ghost = np.full(len(mixture.weight), operation.nobody), operation.ghost
    by_itself = None
    if ghost is not None:
        nobody = mixture.ghosts[:, ghost.sensor] @ ghost.rates
        by_itself = (ghost.sensor, ghost.after, np.array([1.0, 0.0, 0.0]))
    mixture, _ = branch(mixture, operation.ways, nobody, rules.most, ghost=by_itself)
    if operation.shared is None:
        return mixture
    there, share = operation.shared
    took = mixture.cause[:, :-1].T  # (P, K)
    factor = np.ones_like(mixture.x)
    factor[:, :, there] = (took + (1.0 - took) * share)[:, :, None]
    return scaled(mixture, factor)


def nothing_follows(weights: Array, ghosts: int) -> Future:
    """At the end nothing is known of what follows: b = 1. Shape (P, S)."""
    mixture = start(weights / weights.sum(axis=1, keepdims=True), ghosts)
    return Future(mixture._replace(ghosts=np.ones_like(mixture.ghosts)), weights)


def undo(operation: Operation, future: Future, rules: Rules) -> Future:
    """The likelihood of what follows the instant before an operation."""
    mixture = future.mixture
    if isinstance(operation, Quiet):
        return _undo_quiet(operation, future, rules)
    if isinstance(operation, Weigh):
        return future._replace(mixture=scaled(mixture, operation.factor))
    if isinstance(operation, Mark):
        return future._replace(mixture=_undo_mark(operation, future, rules))
    return future._replace(mixture=witness(mixture, operation.inside, operation.alone, rules.most))


def _undo_quiet(quiet: Quiet, future: Future, rules: Rules) -> Future:
    mixture, weights = future.mixture, quiet.base.scale**2
    if weights is not future.weights and not np.array_equal(weights, future.weights):
        mixture = scaled(mixture, weights / future.weights)  # habits changed: b stays, u does not
    change = quiet.change
    if change is not None:
        change = change._replace(entries=change.entries.transpose(0, 2, 1))
    moved = propagate(quiet.base, mixture.x, quiet.dt, change)
    ghosts = mixture.ghosts * np.exp(-rules.ghost_rates * quiet.dt)
    return Future(reweigh(mixture._replace(ghosts=ghosts), moved[:, :, None]), weights)


def _undo_mark(mark: Mark, future: Future, rules: Rules) -> Mixture:
    """Who may have caused it, looking back."""
    mixture, weights = future.mixture, future.weights
    sharing = np.ones_like(weights)
    if mark.shared is not None:
        sharing[:, mark.shared[0]] = mark.shared[1]
        mixture = scaled(mixture, sharing)
    ways = [_turned(way, weights, weights * sharing) for way in mark.ways]
    nobody = np.full(len(mixture.weight), mark.nobody)
    if mark.ghost is None:
        return branch(mixture, ways, nobody, rules.most)[0]
    index, after, rates = mark.ghost
    caused, alone = mixture.ghosts[:, index, 0], mixture.ghosts[:, index] @ after
    mixture = reweigh(mixture, mixture.blocks, np.log(caused))
    likelihood = (index, rates / rates.max(), np.ones(3))
    nobody = rates.max() * alone / caused
    return branch(mixture, ways, nobody, rules.most, ghost=likelihood)[0]


def _turned(way: Way, before: Array, after: Array) -> Way:
    """A way of causing an event on time reversed; weights (P, S) before and after the event."""

    def ratio(source: IndexArray, target: IndexArray) -> Array:
        return np.asarray(before[:, source, None] / after[:, None, target])

    rates = (way.rates * ratio(way.source, way.target)).transpose(0, 2, 1)
    companion = way.companion
    if companion is not None:  # who may be a guest is weighted alike
        share = ratio(companion.source, companion.target)[companion.beings[0]]
        moves = (companion.moves * share).T
        companion = companion._replace(source=companion.target, target=companion.source, moves=moves)
    return way._replace(source=way.target, target=way.source, rates=rates, companion=companion)


def combine(past: Mixture, future: Future) -> Mixture:
    """What is believed about an instant from both sides: a mixture of the pairs of hypotheses that agree."""
    ahead = future.mixture
    seen = ahead.x / future.weights[:, None, :]
    agree = past.x @ seen.transpose(0, 2, 1)  # (P, K, L)
    ghosts = np.einsum("kgi,lgi->klg", past.ghosts, ahead.ghosts)
    with np.errstate(divide="ignore"):
        log_weight = np.log(agree).sum(axis=0) + np.log(ghosts).sum(axis=2)
        log_weight += np.log(past.weight)[:, None] + np.log(ahead.weight)
    weight = np.exp(log_weight - log_weight.max())
    k, one = np.nonzero(weight > NEGLIGIBLE_PAIR * weight.sum())
    x = past.x[:, k] * seen[:, one]
    return Mixture(
        x / x.sum(axis=2, keepdims=True),
        weight[k, one] / weight[k, one].sum(),
        past.labels[k],
        past.ghosts[k],
        past.cause[k],
        tracks=NO_TRACKS,
    )
