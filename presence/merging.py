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
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]

MINOR = 1e-6
"""Candidates lighter than this are merged even when there is room for more hypotheses."""
FREE = 1e-10
"""A merge that costs less than this is made even when there is room for more hypotheses."""
SPARE = 1.5
"""The heaviest candidates, this many times as many as are kept, are merged pair by pair; the rest at once."""
LABEL_WINDOWS = 3
"""How many of the latest open windows count in the merging cost..."""
LABEL_SHARE = 0.2
"""...and how much, relative to a being: enough to keep directions apart, without crowding out who is where."""
COARSE_SHARE = 0.75
"""How much of a being's (squared) difference between two hypotheses is what differs in the coarser view, if any: with
0.9 sixteen hypotheses about three people are further than asked from the exact filter (`tests/test_exactness.py`)."""


NO_TRACKS: Array = np.zeros((0, 0, 0, 2, 0))


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

    @property
    def blocks(self) -> Array:
        """Shape (P, K, 1 + 2 T, S): x and its tracked shares, which move and are conditioned together."""
        if not self.tracks.size:
            return self.x[:, :, None]
        persons, count, tracked, _, states = self.tracks.shape
        return np.concatenate([self.x[:, :, None], self.tracks.reshape(persons, count, 2 * tracked, states)], axis=2)

    def with_blocks(self, blocks: Array) -> Mixture:
        """The same with other distributions, shape (P, K, 1 + 2 T, S)."""
        if blocks.shape[2] == 1:
            return self._replace(x=blocks[:, :, 0], tracks=NO_TRACKS)
        persons, count, each, states = blocks.shape
        return self._replace(x=blocks[:, :, 0], tracks=blocks[:, :, 1:].reshape(persons, count, each // 2, 2, states))


class _Pool:
    """Hypotheses while they are being merged; what merging two of them would lose is kept up to date."""

    def __init__(
        self,
        x: Array,
        weight: Array,
        extra: Array,
        factors: Sequence[tuple[slice, float]],
        states: int,
        coarse: Array | None,
    ) -> None:
        self.x = x
        """Shape (P, M, S or more): distances are taken in the first S."""
        self.states, self.coarse = states, coarse
        self.weight = weight
        """Shape (M,)."""
        self.extra = extra
        """Shape (M, E): everything else that mixes linearly, flattened."""
        self.factors = factors
        self.root = _root(x[:, :, :states], coarse)
        self.loss = _loss(_apart(self.root, self.root), extra, extra, factors)
        """Shape (M, M): see `_loss`."""

    def cost(self) -> Array:
        """What merging each two of them would lose, shape (M, M)."""
        return _shared(self.weight, self.weight) * self.loss

    def merge(self, gone: IndexArray, into: IndexArray) -> None:
        """Mix each that goes into another one of its own, which stays, matching every being's distribution."""
        total = self.weight[into] + self.weight[gone]
        share = (self.weight[gone] / total)[:, None]
        self.weight[into] = total
        mixed = self.x[:, into]
        mixed += (self.x[:, gone] - mixed) * share
        self.x[:, into] = mixed
        self.root[:, into] = _root(mixed[:, :, : self.states], self.coarse)
        self.extra[into] += (self.extra[gone] - self.extra[into]) * share
        left = np.delete(np.arange(len(self.weight)), gone)
        self.x, self.root, self.loss = self.x.take(left, 1), self.root.take(left, 1), self.loss.take(left, 0)
        self.weight, self.extra, self.loss = self.weight[left], self.extra[left], self.loss.take(left, 1)
        into = np.searchsorted(left, into)
        again = _loss(_apart(self.root[:, into], self.root), self.extra[into], self.extra, self.factors)
        self.loss[into] = again
        self.loss[:, into] = again.T


def reduce(mixture: Mixture, rows: Array, row: IndexArray, most: int | None) -> Mixture:
    """Merge candidates until few enough are left.

    The lightest go into whichever heavier one costs least, all at once; the rest are merged in rounds of disjoint
    pairs, cheapest first, and distances are measured anew after each round.

    Args:
        mixture: weights (C,), labels, ghosts and causes of the C candidates; `x` is not used.
        rows: shape (P, R, B, S), the distinct distributions of each being, with their tracked shares.
        row: shape (P, C), which one each candidate has.
        most: the largest number kept; None keeps all.
    """
    persons, candidates = row.shape
    if most is None:
        return mixture.with_blocks(rows[np.arange(persons)[:, None], row])
    linear = (mixture.labels, mixture.ghosts, mixture.cause)
    extra = np.concatenate([values.reshape(candidates, -1) for values in linear], axis=1)
    windows, ghosts = mixture.labels.shape[1:], mixture.ghosts.shape[1:]
    factors = _factors(extra, windows, ghosts)
    if persons == 1 and not factors:
        return _all_in_one(mixture, rows, row)
    order = np.argsort(-mixture.weight, kind="stable")
    heaviest, spare = mixture.weight[order], int(SPARE * most)
    pool, lost = _absorb_light(rows, row[:, order], heaviest, extra[order], factors, spare, mixture.coarse)
    while len(pool.weight) > 1:
        cost = pool.cost()
        surplus = len(pool.weight) - most
        pairs = _cheapest_pairs(cost, (surplus + 1) // 2 if surplus > 6 else surplus)
        if not pairs:
            break
        into, gone = np.array(pairs, dtype=np.intp).T
        lost += float(cost[into, gone].sum())
        pool.merge(gone, into)
    left = len(pool.weight)
    split = np.cumsum([windows[0] * windows[1], ghosts[0] * ghosts[1]])
    labels, ghost, cause = np.split(pool.extra, split, axis=1)
    merged = mixture.with_blocks(pool.x.reshape(persons, left, *rows.shape[2:]))
    return merged._replace(
        weight=pool.weight,
        labels=labels.reshape(left, *windows),
        ghosts=ghost.reshape(left, *ghosts),
        cause=cause,
        merged=mixture.merged + (lost if mixture.coarse is None else lost / (1.0 - COARSE_SHARE)),
    )


def _all_in_one(mixture: Mixture, rows: Array, row: IndexArray) -> Mixture:
    """Merge all candidates, arguments as in `reduce`: with one being and nothing else to keep apart none loses."""
    share = mixture.weight / mixture.weight.sum()
    each = np.bincount(row[0], weights=share, minlength=rows.shape[1]).astype(np.float64)
    merged = mixture.with_blocks((each @ rows[0].reshape(len(each), -1)).reshape(1, 1, *rows.shape[2:]))
    labels, ghosts, cause = (
        (share @ values.reshape(len(share), -1)).reshape(1, *values.shape[1:])
        for values in (mixture.labels, mixture.ghosts, mixture.cause)
    )
    return merged._replace(weight=np.ones(1), labels=labels, ghosts=ghosts, cause=cause)


def _absorb_light(
    rows: Array,
    row: IndexArray,
    weight: Array,
    extra: Array,
    factors: Sequence[tuple[slice, float]],
    most: int,
    coarse: Array | None,
) -> tuple[_Pool, float]:
    """Send all but the heaviest `most` (and all below MINOR) into the one of those where that costs least.

    Arguments as in `reduce`, the heaviest candidate first. Distances are looked up among the distinct distributions.
    """
    persons, distinct, _, states = rows.shape
    count, lost = len(weight), 0.0
    heavy = max(1, min(most, int((weight > MINOR).sum())))
    target = np.arange(count)
    if heavy < count:
        root, being, into = _root(rows[:, :, 0], coarse), np.arange(persons)[:, None], row[:, :heavy]
        near = _apart(root, root[being, into])  # (P, R, heavy)
        near[being, into, np.arange(heavy)] = 0.0
        apart = near.reshape(-1, heavy).take(row[:, heavy:] + distinct * being, 0)  # (P, light, heavy)
        cost = _shared(weight[heavy:], weight[:heavy]) * _loss(apart, extra[heavy:], extra[:heavy], factors)
        target[heavy:] = cost.argmin(axis=1)
        lost = float(cost[np.arange(count - heavy), target[heavy:]].sum())
    total: Array = np.bincount(target, weights=weight).astype(np.float64)
    share = weight / total[target]
    of_row = (np.arange(persons)[:, None] * heavy + target) * distinct + row
    shares = np.bincount(of_row.ravel(), weights=np.tile(share, persons), minlength=persons * heavy * distinct)
    mixing = np.zeros((heavy, count))
    mixing[target, np.arange(count)] = share
    mixed = shares.reshape(persons, heavy, distinct) @ rows.reshape(persons, distinct, -1)
    return _Pool(mixed, total, mixing @ extra, factors, states, coarse), lost


def _root(x: Array, coarse: Array | None) -> Array:
    """Square roots of distributions and of their coarser view, shape (P, M, S + C)."""
    if coarse is None:
        return np.sqrt(x)
    fine, rough = np.sqrt((1.0 - COARSE_SHARE) * x), np.sqrt(COARSE_SHARE * (x @ coarse))
    return np.concatenate([fine, rough], axis=2)


def _apart(root: Array, other: Array) -> Array:
    """Squared Hellinger distances between distributions given by square roots, (P, M, S), (P, N, S) -> (P, M, N)."""
    square: Array = root @ other.transpose(0, 2, 1)
    np.subtract(1.0, square, out=square)
    return np.abs(square, out=square)  # rounding may leave it a little below zero


def _loss(apart: Array, extra: Array, other: Array, factors: Sequence[tuple[slice, float]]) -> Array:
    """What merging loses but for the weights: `sum_(n < m) d_n d_m`, d_n the Hellinger distance of the n-th factors.

    Args:
        apart: shape (P, M, N), squared distances in each being; overwritten.
        extra: shape (M, E), everything else about one side.
        other: shape (N, E), and about the other.
        factors: columns of those that count too, with their share: sensors that are on by themselves, late windows.
    """
    squares = apart.sum(axis=0)
    loss: Array = np.sqrt(apart, out=apart).sum(axis=0)
    for columns, share in factors:
        gap = np.maximum(1.0 - np.sqrt(extra[:, columns]) @ np.sqrt(other[:, columns]).T, 0.0)
        squares += share**2 * gap
        loss += share * np.sqrt(gap, out=gap)
    loss *= loss
    loss -= squares
    loss *= 0.5
    return np.maximum(loss, 0.0, out=loss)


def _shared(weight: Array, other: Array) -> Array:
    """`w v / (w + v)` for each of some weights (M,) and others (N,), shape (M, N)."""
    shared: Array = weight[:, None] * other / (weight[:, None] + other)
    return shared


def _factors(extra: Array, windows: tuple[int, ...], ghosts: tuple[int, ...]) -> list[tuple[slice, float]]:
    """What counts in the merging cost besides beings: (columns of `extra`, share): latest windows, sensors on alone."""
    count, width = windows
    latest = range(max(0, count - LABEL_WINDOWS), count)
    found = [(slice(w * width, (w + 1) * width), LABEL_SHARE) for w in latest]
    for ghost in range(ghosts[0]):
        columns = slice(count * width + 3 * ghost, count * width + 3 * ghost + 3)
        if extra[:, columns][:, 1:].any():
            found.append((columns, 1.0))
    return found


@lru_cache(maxsize=256)
def _upper(size: int) -> tuple[IndexArray, IndexArray, IndexArray]:
    """Place, row and column of each pair of different hypotheses in a matrix."""
    rows, columns = np.triu_indices(size, 1)
    return rows * size + columns, rows, columns


def _cheapest_pairs(cost: Array, wanted: int) -> list[tuple[int, int]]:
    """Disjoint pairs (heavier first), cheapest first: as many as wanted, and all that are as good as free."""
    places, rows, columns = _upper(len(cost))
    values = cost.ravel().take(places)
    if wanted <= 0 and values.min() > FREE:
        return []
    most = min(len(values), 4 * max(wanted, 4) + 16)
    nearest = np.argpartition(values, most - 1)[:most] if most < len(values) else np.arange(len(values))
    nearest = nearest[np.argsort(values[nearest], kind="stable")]
    used: set[int] = set()
    pairs: list[tuple[int, int]] = []
    for i, j, value in zip(rows[nearest].tolist(), columns[nearest].tolist(), values[nearest].tolist(), strict=True):
        if value > FREE and len(pairs) >= wanted:
            break
        if i not in used and j not in used:
            used.add(i)
            used.add(j)
            pairs.append((i, j))
    return pairs
