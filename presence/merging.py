"""Keeping a mixture of products small: merge the hypotheses that lose least, never drop one.

Merging two products that differ in one being only is exact; the loss grows with the product of the differences in two
beings, so that product is the cost. This module knows no rooms.

Sources: Salmond 1990 (Proc. SPIE 1305), mixture reduction by merging; Runnalls 2007 (IEEE Trans. AES 43:989), bounding
what a merge loses.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]

MINOR = 1e-6
"""Candidates lighter than this are merged even when there is room for more hypotheses."""
FREE = 1e-10
"""A merge that costs less than this is made even when there is room for more hypotheses."""
LABEL_WINDOWS = 3
"""How many of the latest open windows count in the merging cost..."""
LABEL_SHARE = 0.2
"""...and how much, relative to a being: enough to keep directions apart, without crowding out who is where."""


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


class _Pool(NamedTuple):
    """Hypotheses while they are being merged."""

    x: Array
    """Shape (P, M, S)."""
    weight: Array
    """Shape (M,)."""
    extra: Array
    """Shape (M, E): everything else that mixes linearly, flattened."""


def reduce(mixture: Mixture, rows: Array, row: IndexArray, most: int | None) -> Mixture:
    """Merge candidates until few enough are left.

    The lightest go into whichever heavier one costs least, all at once; the rest are merged in rounds of disjoint
    pairs, cheapest first, and distances are measured anew after each round.

    Args:
        mixture: weights (C,), labels, ghosts and causes of the C candidates; `x` is not used.
        rows: shape (P, R, S), the distinct distributions of each being.
        row: shape (P, C), which one each candidate has.
        most: the largest number kept; None keeps all.
    """
    persons, candidates = row.shape
    x = rows[np.arange(persons)[:, None], row]
    if most is None:
        return mixture._replace(x=x)
    linear = (mixture.labels, mixture.ghosts, mixture.cause)
    extra = np.concatenate([values.reshape(candidates, -1) for values in linear], axis=1)
    order = np.argsort(-mixture.weight, kind="stable")
    pool = _Pool(x[:, order], mixture.weight[order], extra[order])
    windows, ghosts = mixture.labels.shape[1:], mixture.ghosts.shape[1:]
    factors = _factors(pool, windows, ghosts)
    pool, lost = _absorb_light(pool, 3 * most, factors)
    while len(pool.weight) > 1:
        cost = _costs(pool, pool, factors)
        surplus = len(pool.weight) - most
        pairs = _cheapest_pairs(cost, (surplus + 1) // 2 if surplus > 6 else surplus)
        if not pairs:
            break
        first, second = (np.array(column, dtype=np.intp) for column in zip(*pairs, strict=True))
        lost += float(cost[first, second].sum())
        target = np.arange(len(pool.weight))
        target[second] = first
        pool = _merge(pool, target)
    split = np.cumsum([windows[0] * windows[1], ghosts[0] * ghosts[1]])
    labels, ghost, cause = np.split(pool.extra, split, axis=1)
    return mixture._replace(
        x=pool.x,
        weight=pool.weight,
        labels=labels.reshape(len(pool.weight), *windows),
        ghosts=ghost.reshape(len(pool.weight), *ghosts),
        cause=cause,
        merged=mixture.merged + lost,
    )


def _absorb_light(pool: _Pool, most: int, factors: list[tuple[slice, float]]) -> tuple[_Pool, float]:
    """Send all but the heaviest `most` (and all below MINOR) into the one of those where that costs least."""
    heavy = max(1, min(most, int((pool.weight > MINOR).sum())))
    count = len(pool.weight)
    if heavy == count:
        return pool, 0.0
    kept = _Pool(pool.x[:, :heavy], pool.weight[:heavy], pool.extra[:heavy])
    light = _Pool(pool.x[:, heavy:], pool.weight[heavy:], pool.extra[heavy:])
    cost = _costs(light, kept, factors)
    nearest = cost.argmin(axis=1)
    target = np.concatenate([np.arange(heavy), nearest])
    return _merge(pool, target), float(cost[np.arange(count - heavy), nearest].sum())


def _merge(pool: _Pool, target: IndexArray) -> _Pool:
    """Mix every hypothesis into its target (a target is its own), matching every being's distribution."""
    kept = np.flatnonzero(target == np.arange(len(target)))
    position = np.zeros(len(target), dtype=np.intp)
    position[kept] = np.arange(len(kept))
    weight: Array = np.bincount(position[target], weights=pool.weight, minlength=len(kept)).astype(np.float64)
    share = np.zeros((len(kept), len(target)))
    share[position[target], np.arange(len(target))] = pool.weight / weight[position[target]]
    return _Pool(share @ pool.x, weight, share @ pool.extra)


def _factors(pool: _Pool, windows: tuple[int, ...], ghosts: tuple[int, ...]) -> list[tuple[slice, float]]:
    """What counts in the merging cost besides beings: (columns of `extra`, share): latest windows, sensors on alone."""
    count, width = windows
    latest = range(max(0, count - LABEL_WINDOWS), count)
    found = [(slice(w * width, (w + 1) * width), LABEL_SHARE) for w in latest]
    for ghost in range(ghosts[0]):
        columns = slice(count * width + 3 * ghost, count * width + 3 * ghost + 3)
        if pool.extra[:, columns][:, 1:].any():
            found.append((columns, 1.0))
    return found


def _costs(some: _Pool, others: _Pool, factors: list[tuple[slice, float]]) -> Array:
    """What merging each of some hypotheses into each of the others would lose, shape (M, N).

    `w v / (w + v) * sum_(n < m) d_n d_m`, d_n the Hellinger distance of the n-th factors: beings, sensors
    that are on by themselves, and with less weight the latest windows.
    """
    squares = 1.0 - np.sqrt(some.x) @ np.sqrt(others.x).transpose(0, 2, 1)  # (P, M, N)
    np.maximum(squares, 0.0, out=squares)
    total, square = np.sqrt(squares).sum(axis=0), squares.sum(axis=0)
    for columns, share in factors:
        gap = np.maximum(1.0 - np.sqrt(some.extra[:, columns]) @ np.sqrt(others.extra[:, columns]).T, 0.0)
        total += share * np.sqrt(gap)
        square += share**2 * gap
    weight = some.weight[:, None]
    cost: Array = weight * others.weight / (weight + others.weight) * np.maximum(total**2 - square, 0.0) / 2
    return cost


def _cheapest_pairs(cost: Array, wanted: int) -> list[tuple[int, int]]:
    """Disjoint pairs (heavier first), cheapest first: as many as wanted, and all that are as good as free."""
    size = len(cost)
    upper = np.triu_indices(size, 1)
    values = cost[upper]
    most = min(len(values), 4 * max(wanted, 4) + 16)
    nearest = np.argpartition(values, most - 1)[:most] if most < len(values) else np.arange(len(values))
    nearest = nearest[np.argsort(values[nearest], kind="stable")]
    used: set[int] = set()
    pairs: list[tuple[int, int]] = []
    for i, j, value in zip(
        upper[0][nearest].tolist(), upper[1][nearest].tolist(), values[nearest].tolist(), strict=True
    ):
        if value > FREE and len(pairs) >= wanted:
            break
        if i not in used and j not in used:
            used |= {i, j}
            pairs.append((i, j))
    return pairs
