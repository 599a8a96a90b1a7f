"""Keeping a mixture of products small: merge the hypotheses that lose least, never drop one.

Merging two products that differ in one being only is exact; the loss grows with the product of the differences in two
beings, so that product is the cost. What differs in a coarser view of the states, one that is remembered long after the
rest has been forgotten, counts for more: where merging has lost that two beings exclude each other there, every event
that either may have caused speaks for both. This module knows no rooms.

Sources: Salmond 1990 (Proc. SPIE 1305), mixture reduction by merging; Runnalls 2007 (IEEE Trans. AES 43:989), bounding
what a merge loses.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import ceil
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.divergence import COARSE_SHARE, compact, factors_of, gathered, joined, losses, rounded, shared, shares_of
from presence.errors import TooManyHypothesesError

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]

MINOR = 1e-6
"""Candidates lighter than this are merged even when there is room for more hypotheses."""
FREE = 1e-10
"""A merge that costs less than this is made even when there is room for more hypotheses."""
SPARE = 1.5
"""The heaviest candidates, this many times as many as are kept, are merged pair by pair; the rest at once."""
LOOK = 4
"""Disjoint pairs are looked for among this many times as many cheapest ones as are wanted."""
LEAST = 3
"""So many at least: two that each differ from the heaviest in another being lose nothing to it, but to one another."""
MANY = 8
"""With more than this many times as many candidates as are kept, those below `MINOR` go unmeasured with the heaviest of
their own hypothesis; the most that this can lose is counted as lost."""
ALL_BYTES = 2**28
"""What the distributions of all hypotheses may take where none are merged; an event needs several times that."""
NO_TRACKS: Array = np.zeros((0, 0, 0, 2, 0))
NO_SIDES: Array = np.zeros((0, 0, 0))


class Mixture(NamedTuple):
    """K hypotheses about P beings with S states each; W open windows; G sensors that can be on by themselves."""

    x: Array
    """Shape (P, K, S): `p(state of p | hypothesis k)`, rows sum to 1."""
    weight: Array
    """Shape (K,): `p(hypothesis k)`, sums to 1."""
    labels: Array
    """Shape (K, W, 1 + 2 P): for each open window, nobody passed, p passed forth, p passed back."""
    ghosts: Array
    """Shape (K, G, 3): a sensor is on because of somebody (or off), by itself for a moment, or stuck."""
    cause: Array
    """Shape (K, P + 1): who caused the latest event; last column: nobody."""
    log_likelihood: float = 0.0
    """`log p(all events and silences so far)`, nats."""
    merged: float = 0.0
    """Sum over all merges so far of the merging costs: an upper scale for what merging has lost (0 = exact)."""
    tracks: Array = NO_TRACKS
    """Shape (P, K, T, 2, S): for each of T tracked windows, the share of x that has not passed yet, and the share that
    passed forth first (see `first_passage`)."""
    coarse: Array | None = None
    """Shape (S, C): a coarser view of the states, 1 where a state belongs to a class, each to one."""
    sides: Array = NO_SIDES
    """Shape (K, N, P): probability that p was in one part of the states then, for each of N parts and earlier instants;
    nothing that merging tries to keep apart."""

    @property
    def blocks(self) -> Array:
        """Shape (P, K, 1 + 2 T, S): x and its tracked shares, which move and are conditioned together."""
        if not self.tracks.size:
            return self.x[:, :, None]
        persons, count, tracked, _, states = self.tracks.shape
        return np.concatenate([self.x[:, :, None], self.tracks.reshape(persons, count, 2 * tracked, states)], axis=2)

    @property
    def bare(self) -> Mixture:
        """Hypotheses without what only passages need."""
        labels = np.zeros((len(self.weight), 0, self.labels.shape[2]))
        return self._replace(labels=labels, tracks=NO_TRACKS, sides=NO_SIDES)

    def with_blocks(self, blocks: Array, **others: Any) -> Mixture:
        """The same with other distributions, shape (P, K, 1 + 2 T, S), and whatever else is another now."""
        if blocks.shape[2] == 1:
            return self._replace(x=blocks[:, :, 0], tracks=NO_TRACKS, **others)
        persons, count, each, states = blocks.shape
        tracks = blocks[:, :, 1:].reshape(persons, count, each // 2, 2, states)
        return self._replace(x=blocks[:, :, 0], tracks=tracks, **others)


class _Pool(NamedTuple):
    """Candidates while they are being merged, the heaviest first."""

    rows: Array
    """Shape (P, R, B, S): the distinct distributions of each being, with their tracked shares."""
    row: IndexArray
    """Shape (P, C): which one each candidate has."""
    weight: Array
    """Shape (C,)."""
    extra: Array
    """Shape (C, E): everything else that mixes linearly, flattened."""

    def losses(self, count: int, heavy: int, factors: Sequence[tuple[slice, float]], coarse: Array | None) -> Array:
        """What merging each of the first `count` with each of the heaviest loses, but for the weights."""
        x, row = self.rows[:, :, 0], self.row
        if count < len(self.weight):
            x, row = compact(x, row[:, :count])
        return losses(x, row, heavy, self.extra[:count], factors, coarse)

    def mixed(self, group: IndexArray) -> tuple[Array, Array, Array]:
        """Distributions (P, G, B, S), weights and the rest of each group, by (C,), matching every being's."""
        persons, distinct = self.rows.shape[:2]
        total, share, mixing = shares_of(group, self.weight)
        count = len(total)
        place = (np.arange(0, persons * count, count)[:, None] + group) * distinct + self.row
        every = share[None].repeat(persons, axis=0).ravel()
        each = np.bincount(place.ravel(), weights=every, minlength=persons * count * distinct)
        shares = each.astype(np.float64, copy=False).reshape(persons, count, distinct)
        rows = shares @ self.rows.reshape(persons, distinct, -1)
        return rows.reshape(persons, count, *self.rows.shape[2:]), total, mixing @ self.extra


def reduce(mixture: Mixture, rows: Array, row: IndexArray, parent: IndexArray, most: int | None) -> Mixture:
    """Merge candidates until few enough are left.

    The lightest go into whichever heavier one costs least, all at once; the rest in disjoint pairs, cheapest first.

    Args:
        mixture: weights (C,), labels, ghosts and causes of the C candidates, sides of the hypotheses that they come
            from; `x` is not used.
        rows: shape (P, R, B, S), the distinct distributions of each being, with their tracked shares.
        row: shape (P, C), which one each candidate has.
        parent: shape (C,), the hypothesis that each comes from.
        most: the largest number kept; None keeps all.

    Raises:
        TooManyHypothesesError: if all are kept, and take more than `ALL_BYTES`.
    """
    persons, candidates = row.shape
    if most is None and (needed := candidates * rows.nbytes // rows.shape[1]) > ALL_BYTES:
        raise TooManyHypothesesError(
            f"hypotheses=None keeps all, now {candidates:,}, which take {needed / 2**20:,.0f} MB, more than"
            f" {ALL_BYTES / 2**20:,.0f} MB; a number of hypotheses, 64 say, merges those that hardly differ"
        )
    if mixture.sides.size:
        mixture = mixture._replace(sides=mixture.sides[parent])
    if most is None or candidates == 1:
        return mixture.with_blocks(rows[np.arange(persons)[:, None], row])
    extra = np.concatenate([values.reshape(candidates, -1) for values in _linear(mixture)], axis=1)
    windows, ghosts = mixture.labels.shape[1:], mixture.ghosts.shape[1:]
    factors = factors_of(extra, windows, ghosts)
    if persons == 1 and not factors:
        return _all_in_one(mixture, rows, row)
    order, onto = _ordered(mixture.weight, parent, MANY * most)
    pool = _Pool(rows, row[:, order], mixture.weight[order], extra[order])
    group, lost = _grouped(pool, onto, factors, mixture.coarse, most)
    blocks, weight, extra = pool.mixed(group)
    left = len(weight)
    labels, by_itself, causes = _ends(windows, ghosts, persons)
    return mixture.with_blocks(
        blocks,
        weight=weight,
        labels=extra[:, :labels].reshape(left, *windows),
        ghosts=extra[:, labels:by_itself].reshape(left, *ghosts),
        cause=extra[:, by_itself:causes],
        sides=extra[:, causes:].reshape(left, *mixture.sides.shape[1:]) if mixture.sides.size else NO_SIDES,
        merged=mixture.merged + (lost if mixture.coarse is None else lost / (1.0 - COARSE_SHARE)),
    )


def fewer(mixture: Mixture, most: int | None) -> Mixture:
    """Merge hypotheses if there are more than `most`; None keeps all."""
    count = len(mixture.weight)
    if most is None or count <= most:
        return mixture
    every = np.arange(count)
    return reduce(mixture, mixture.blocks, np.tile(every, (len(mixture.x), 1)), every, most)


def _grouped(
    pool: _Pool, onto: IndexArray, factors: Sequence[tuple[slice, float]], coarse: Array | None, most: int
) -> tuple[IndexArray, float]:
    """Which candidates are merged into at most `most`, and what that loses; `onto` as from `_ordered`."""
    persons, candidates = pool.row.shape
    measured = candidates - len(onto)
    heavy = max(1, min(max(LEAST, ceil(SPARE * most)), int(np.count_nonzero(pool.weight > MINOR))))
    loss = pool.losses(measured, heavy, factors, coarse)
    weight, lost, group = pool.weight[:measured], 0.0, np.arange(heavy)
    if measured > heavy:
        cost = loss[heavy:] * shared(weight[heavy:], weight[:heavy])
        nearest = rounded(cost).argmin(axis=1)
        lost += float(cost.min(axis=1).sum())
        group = np.concatenate([group, nearest])
        weight, loss = gathered(group, weight, loss)
    if measured < candidates:
        lost += persons * (persons - 1) / 2 * float(pool.weight[measured:].sum())
        group = np.concatenate([group, group[onto]])
    pairs, more = _pairwise(weight, loss, most)
    return pairs[group], lost + more


def _all_in_one(mixture: Mixture, rows: Array, row: IndexArray) -> Mixture:
    """Merge all candidates, arguments as in `reduce`: with one being and nothing else to keep apart none loses."""
    share = mixture.weight / mixture.weight.sum()
    each = np.bincount(row[0], weights=share, minlength=rows.shape[1]).astype(np.float64)
    blocks = (each @ rows[0].reshape(len(each), -1)).reshape(1, 1, *rows.shape[2:])
    values = [(share @ v.reshape(len(share), -1)).reshape(1, *v.shape[1:]) for v in _linear(mixture)]
    names = ("labels", "ghosts", "cause", "sides")
    return mixture.with_blocks(blocks, weight=np.ones(1), **dict(zip(names, values, strict=False)))


def _linear(mixture: Mixture) -> list[Array]:
    """What mixes linearly besides distributions, each with one row a hypothesis."""
    return [mixture.labels, mixture.ghosts, mixture.cause, *([mixture.sides] if mixture.sides.size else [])]


def _ordered(weight: Array, parent: IndexArray, many: int) -> tuple[IndexArray, IndexArray]:
    """Candidates (C,), the heaviest first; last come those that are not measured where there are too many.

    Also the place of the candidate that each of the latter goes with: the heaviest of the same hypothesis.
    """
    order = np.argsort(-rounded(weight), kind="stable")
    if len(order) <= many:
        return order, order[:0]
    kin = parent[order]
    first = np.zeros(int(kin.max()) + 1, dtype=np.intp)
    first[kin[::-1]] = np.arange(len(order))[::-1]
    measured = weight[order] > MINOR
    measured[first] = True
    place = np.cumsum(measured) - 1
    return np.concatenate([order[measured], order[~measured]]), place[first[kin[~measured]]]


def _pairwise(weight: Array, loss: Array, most: int) -> tuple[IndexArray, float]:
    """Which candidates are merged with one another, in rounds of disjoint pairs, and what that loses.

    Args:
        weight: shape (C,).
        loss: shape (C, C), see `losses`.
        most: the largest number of groups.
    """
    group, lost, surplus = np.arange(len(weight)), 0.0, len(weight) - most
    while True:
        cost = shared(weight, weight) * loss
        into, gone = _cheapest_pairs(cost, surplus)
        if not into:
            return group, lost
        lost += float(cost[into, gone].sum())
        surplus -= len(into)
        stays = np.ones(len(weight), dtype=np.intp)
        stays[gone] = 0
        place = stays.cumsum() - 1
        place[gone] = place[into]
        group = place[group]
        if surplus <= 0:
            return group, lost
        weight, loss = joined(into, gone, place, weight, loss)


@lru_cache(maxsize=256)
def _ends(windows: tuple[int, int], ghosts: tuple[int, int], persons: int) -> list[int]:
    """Where labels, ghosts and causes end among everything else that mixes linearly."""
    labels = windows[0] * windows[1]
    by_itself = labels + ghosts[0] * ghosts[1]
    return [labels, by_itself, by_itself + persons + 1]


@lru_cache(maxsize=48)  # of a thousand hypotheses each takes tens of megabytes
def _upper(size: int) -> tuple[IndexArray, IndexArray, IndexArray]:
    """Place, row and column of each pair of different hypotheses in a matrix."""
    rows, columns = np.triu_indices(size, 1)
    return rows * size + columns, rows, columns


def _cheapest_pairs(cost: Array, wanted: int) -> tuple[list[int], list[int]]:
    """The first and the second of disjoint pairs, cheapest first: up to as many as wanted, and all as good as free.

    Where disjoint pairs run out among the cheapest ones, fewer are found: what has just been merged comes next.
    """
    places, rows, columns = _upper(len(cost))
    values = cost.ravel().take(places)
    into: list[int] = []
    gone: list[int] = []
    if not values.size or (wanted <= 0 and values.min() > FREE):
        return into, gone
    nearest = np.argsort(rounded(values), kind="stable")[: LOOK * max(wanted, 4)]
    used: set[int] = set()
    for i, j, value in zip(rows[nearest].tolist(), columns[nearest].tolist(), values[nearest].tolist(), strict=True):
        if value > FREE and len(into) >= wanted:
            break
        if i not in used and j not in used:
            used |= {i, j}
            into.append(i)
            gone.append(j)
    return into, gone
