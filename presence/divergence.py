"""How far products of distributions are apart, and what merging them loses. Knows no rooms.

Two products `a b` and `a' b'` of weights w and v differ from their merged one by `w v / (w + v) (a - a') (b - b')`, so
the loss goes with the product of two Hellinger distances; where only one being differs there is none.

Source: Runnalls 2007 (IEEE Trans. AES 43:989), bounding what a merge loses.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]

LABEL_WINDOWS = 3
"""How many of the latest open windows count in the merging cost..."""
LABEL_SHARE = 0.2
"""...and how much, relative to a being: enough to keep directions apart, without crowding out who is where."""
ROUNDING = 1e-13
"""Squared distances below this are none: what is left of them is rounding, whose root would decide who is merged."""
COARSE_SHARE = 0.75
"""How much of a being's (squared) difference between two hypotheses is what differs in the coarser view, if any: with
0.9 sixteen hypotheses about three people are further than asked from the exact filter (`tests/test_exactness.py`)."""


def losses(
    x: Array, row: IndexArray, heavy: int, extra: Array, factors: Sequence[tuple[slice, float]], coarse: Array | None
) -> Array:
    """What merging C candidates with each of the heaviest loses, but for the weights: `sum_(n < m) d_n d_m`.

    d_n is the Hellinger distance of the n-th factors: beings, and sensors that are on by themselves, late windows.
    Distances of beings are looked up among their distinct distributions.

    Args:
        x: shape (P, R, S), the distinct distributions of each being.
        row: shape (P, C), which one each candidate has, the heaviest first.
        heavy: H, how many of the heaviest.
        extra: shape (C, E), everything else that mixes linearly.
        factors: columns of `extra` that count too, with their share.
        coarse: shape (S, C'), a coarser view of the states, if any.

    Returns:
        Shape (C, H).
    """
    persons, distinct, _ = x.shape
    each = _apart(x, row[:, :heavy], coarse)  # (P, R, H)
    each = each.reshape(-1, heavy).take(row + np.arange(0, persons * distinct, distinct)[:, None], 0)
    loss: Array = each.sum(axis=0)
    squares = np.einsum("pch,pch->ch", each, each)
    for columns, share in factors:
        values = np.sqrt(extra[:, columns])
        gap = 1.0 - values @ values[:heavy].T
        np.multiply(gap, gap > ROUNDING, out=gap)
        squares += share**2 * gap
        loss += share * np.sqrt(gap, out=gap)
    loss *= loss
    loss -= squares
    loss *= 0.5
    return np.maximum(loss, 0.0, out=loss)


def _apart(x: Array, heavy: IndexArray, coarse: Array | None) -> Array:
    """Hellinger distances of distributions (P, R, S) from some of them (P, H), shape (P, R, H).

    With a coarser view they are those of (1 - `COARSE_SHARE`) distributions and `COARSE_SHARE` coarser ones.
    """
    persons, distinct, states = x.shape
    if coarse is None:
        root = np.sqrt(x)
    else:
        root = np.empty((persons, distinct, states + coarse.shape[1]))
        np.multiply(x, 1.0 - COARSE_SHARE, out=root[:, :, :states])
        np.matmul(x, COARSE_SHARE * coarse, out=root[:, :, states:])
        np.sqrt(root, out=root)
    being = np.arange(persons)[:, None]
    others = root.reshape(-1, root.shape[2]).take(being * distinct + heavy, axis=0)
    apart: Array = root @ others.transpose(0, 2, 1)
    np.subtract(1.0, apart, out=apart)
    np.multiply(apart, apart > ROUNDING, out=apart)
    np.sqrt(apart, out=apart)
    apart[being, heavy, np.arange(heavy.shape[1])] = 0.0
    return apart


def shared(weight: Array, other: Array) -> Array:
    """`w v / (w + v)` for each of some weights (M,) and others (N,), shape (M, N)."""
    both: Array = weight[:, None] * other / (weight[:, None] + other)
    return both


def rounded(values: Array) -> NDArray[np.float32]:
    """Values to seven digits: those that differ by rounding alone are equal, and their order decides."""
    return values.astype(np.float32)


def factors_of(extra: Array, windows: tuple[int, ...], ghosts: tuple[int, ...]) -> list[tuple[slice, float]]:
    """What counts in the merging cost besides beings: (columns of `extra`, share): latest windows, sensors on alone."""
    count, width = windows
    latest = range(max(0, count - LABEL_WINDOWS), count)
    found = [(slice(w * width, (w + 1) * width), LABEL_SHARE) for w in latest]
    for ghost in range(ghosts[0]):
        columns = slice(count * width + 3 * ghost, count * width + 3 * ghost + 3)
        if extra[:, columns][:, 1:].any():
            found.append((columns, 1.0))
    return found


def compact(x: Array, row: IndexArray) -> tuple[Array, IndexArray]:
    """Only those of the distinct distributions (P, R, S) that some candidate has, by (P, C); and which each has now."""
    being = np.arange(len(x))[:, None]
    used = np.zeros(x.shape[:2], dtype=bool)
    used[being, row] = True
    left = np.argsort(~used, axis=1, kind="stable")[:, : int(used.sum(axis=1).max())]
    place = np.empty(x.shape[:2], dtype=np.intp)
    place[being, left] = np.arange(left.shape[1])
    return x[being, left], place[being, row]


def shares_of(group: IndexArray, weight: Array) -> tuple[Array, Array, Array]:
    """Weights of groups (G,), the share of each of C members in its own, and the same as a matrix (G, C)."""
    total: Array = np.bincount(group, weights=weight).astype(np.float64)
    share: Array = weight / total[group]
    mixing = np.zeros((len(total), len(group)))
    mixing[group, np.arange(len(group))] = share
    return total, share, mixing


def joined(
    into: Sequence[int], gone: Sequence[int], place: IndexArray, weight: Array, loss: Array
) -> tuple[Array, Array]:
    """Weights (G,) and losses (G, G) of groups after some have gone into others.

    `l(a + b, c) = s l(a, c) + (1 - s) l(b, c) - s (1 - s) l(a, b)`, s the share of a in a + b: the loss of merging two
    groups from those of their members, as for clusters with centroids (Lance & Williams 1967, Computer J. 9:373).

    Args:
        into: the groups that others have gone into, by their old places.
        gone: which one has gone into each, by its old place.
        place: shape (C,): the new place of each old group.
        weight: shape (C,): weights before.
        loss: shape (C, C): losses before.
    """
    total, share, mixing = shares_of(place, weight)
    spread = np.zeros(len(total))
    spread[place[into]] = share[into] * share[gone] * loss[into, gone]
    return total, np.maximum(mixing @ loss @ mixing.T - spread[:, None] - spread, 0.0)


def gathered(group: IndexArray, weight: Array, loss: Array) -> tuple[Array, Array]:
    """Weights (H,) and losses (H, H) once each of C candidates has gone into one of the first H, by `group` (C,).

    As in `joined`, with `loss` (C, H): how far two that have gone are apart is taken from how far each is from the
    first ones, `l(b, b') = l(b, a') + l(a, b') - l(a, a')`, or 0 where both have gone into one.
    """
    total, share, mixing = shares_of(group, weight)
    apart = mixing @ loss
    spread = share[: len(total)] * apart.diagonal()
    return total, np.maximum(apart + apart.T - loss[: len(total)] - spread[:, None] - spread, 0.0)
