"""The weighted set of hypotheses about several beings: branch on who caused an event, merge, stay bounded.

Given who caused each event, beings are independent. So the belief is a mixture of histories of associations, each a
product of one distribution per being:

    p(x_1..x_P) = sum_k w_k prod_p x[p, k].

At an event every hypothesis branches: one of the beings caused it in one of several ways, or nobody did. Surplus
hypotheses are never dropped: each is merged into the kept one where that loses least, matching every being's marginal
distribution (moments of the indicators). Merging two hypotheses that differ in one being only is exact; the loss
grows with the product of the differences in two beings, so that product is the merging cost.

This module knows no rooms. Sources: Reid 1979 (IEEE Trans. Autom. Control 24:843), hypotheses over associations;
Salmond 1990 (Proc. SPIE 1305), mixture reduction by merging; Runnalls 2007 (IEEE Trans. AES 43:989), bounding what a
merge loses.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]

NEGLIGIBLE = 1e-12
"""Candidates lighter than this are folded away at once; the mass is counted in `Mixture.merged`."""
MINOR = 1e-6
"""Candidates lighter than this are merged even when there is room for more hypotheses."""
FREE = 1e-10
"""A merge that costs less than this is made even when there is room for more hypotheses."""
TEMPER = 1.0
LABEL_WINDOWS = 3
"""How many of the latest open windows count in the merging cost..."""
LABEL_SHARE = 0.2
"""...and how much, relative to a being: enough to keep directions apart, without crowding out who is where."""


class Way(NamedTuple):
    """One way in which one of the beings can cause an event: `x[target] <- x[source] @ rates[p]`."""

    source: IndexArray
    """Shape (m,): states."""
    target: IndexArray
    """Shape (t,): states."""
    rates: Array
    """Shape (P, m, t), 1/s."""
    label: int
    """0: no passage; 1 or 2: a passage one way or the other."""


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


class Caused(NamedTuple):
    """Who caused an event."""

    beings: Array
    """Shape (P,): probability that p did."""
    nobody: float
    same_as_before: float
    """Probability that one and the same being caused this event and the one before."""


def start(x: Array, ghosts: int) -> Mixture:
    """One hypothesis: independent beings with distributions x of shape (P, S)."""
    persons = len(x)
    asleep = np.zeros((1, ghosts, 3))
    asleep[:, :, 0] = 1.0
    cause = np.zeros((1, persons + 1))
    cause[0, persons] = 1.0
    return Mixture(x[:, None, :].copy(), np.ones(1), np.zeros((1, 0, 1 + 2 * persons)), asleep, cause)


def reweigh(mixture: Mixture, x: Array, log_factor: Array | float = 0.0) -> Mixture:
    """Take in unnormalised distributions: their sums are the likelihoods of what was (not) seen.

    Args:
        mixture: the hypotheses before.
        x: shape (P, K, S), unnormalised.
        log_factor: further log-likelihood per hypothesis, shape (K,), nats.

    Raises:
        FloatingPointError: if the evidence is impossible under every hypothesis (the models forbid that).
    """
    mass = x.sum(axis=2)
    with np.errstate(divide="ignore"):
        log_weight = np.log(mixture.weight) + np.log(mass).sum(axis=0) + log_factor
    largest = float(log_weight.max())
    if not np.isfinite(largest):
        raise FloatingPointError("the evidence is impossible under every hypothesis")
    weight = np.exp(log_weight - largest)
    total = float(weight.sum())
    return mixture._replace(
        x=x / np.maximum(mass, 1e-300)[:, :, None],
        weight=weight / total,
        log_likelihood=mixture.log_likelihood + largest + float(np.log(total)),
    )


def branch(
    mixture: Mixture,
    ways: Sequence[Way],
    nobody_rate: Array,
    most: int | None,
    accepting: Sequence[int] = (),
) -> tuple[Mixture, Caused]:
    """Branch every hypothesis on who caused an event and how, then merge down to at most `most`.

    Args:
        mixture: the hypotheses before the event.
        ways: how a being can cause it.
        nobody_rate: shape (K,), 1/s: rate of the event with nobody causing it, per hypothesis; positive.
        most: the largest number of hypotheses kept; None keeps all (exact).
        accepting: open windows (indices) whose label a passage in this event settles.
    """
    persons, count, states = mixture.x.shape
    rows = [mixture.x]
    masses = [nobody_rate[None, :]]
    for way in ways:
        moved = np.zeros((persons, count, states))
        moved[:, :, way.target] = mixture.x[:, :, way.source] @ way.rates
        mass = moved.sum(axis=2)
        rows.append(moved / np.maximum(mass, 1e-300)[:, :, None])
        masses.append(mass)
    rate = np.concatenate(masses) ** TEMPER  # (1 + ways * P, K)
    weight = (rate * mixture.weight).ravel()
    total = float(weight.sum())
    weight /= total
    candidate = np.flatnonzero(weight > (NEGLIGIBLE if most else 0.0))
    parent = candidate % count
    kind = candidate // count  # 0: nobody; 1 + way * P + p
    being = np.where(kind > 0, (kind - 1) % persons, persons)
    way_index = np.where(kind > 0, (kind - 1) // persons, -1)
    # which row each candidate uses for each being: its parent's, or the moved one for the being that caused the event
    row = np.broadcast_to(parent, (persons, len(candidate))).copy()
    caused = np.flatnonzero(kind > 0)
    row[being[caused], caused] += (way_index[caused] + 1) * count
    weight = weight[candidate]
    lost = 1.0 - float(weight.sum())
    weight = weight / weight.sum()
    grown = mixture._replace(
        weight=weight,
        labels=_settle(mixture.labels, parent, being, way_index, ways, accepting),
        ghosts=mixture.ghosts[parent],
        cause=np.eye(persons + 1)[being],
        log_likelihood=mixture.log_likelihood + float(np.log(total)),
        merged=mixture.merged + lost,
    )
    who = np.bincount(being, weights=weight, minlength=persons + 1)
    same = float((weight * mixture.cause[parent, being] * (being < persons)).sum())
    caused_by = Caused(np.asarray(who[:persons], dtype=np.float64), float(who[persons]), same)
    return _reduce(grown, np.concatenate(rows, axis=1), row, most), caused_by


def witness(mixture: Mixture, inside: Array, alone: float, most: int | None) -> Mixture:
    """Evidence that at least one being is in some states: likelihood 1, or `alone` if none is.

    `1[someone inside] = sum_j 1[j inside] prod_(i < j) 1[i outside]`: disjoint branches, each a product, so the result
    is exact before merging. Two beings inside are no better explanation than one.

    Args:
        mixture: the hypotheses before.
        inside: shape (P, S), 1 for the states that count, else 0.
        alone: likelihood when nobody is inside.
        most: the largest number of hypotheses kept; None keeps all.
    """
    persons, count, _ = mixture.x.shape
    within = mixture.x * inside[:, None, :]
    share = np.clip(within.sum(axis=2), 0.0, 1.0)  # (P, K)
    without = mixture.x - within
    rows = np.concatenate(
        [
            mixture.x,
            within / np.maximum(share, 1e-300)[:, :, None],
            without / np.maximum(1.0 - share, 1e-300)[:, :, None],
        ],
        axis=1,
    )
    order = np.argsort(-(share @ mixture.weight), kind="stable")
    weight = np.empty((persons + 1, count))
    row = np.zeros((persons, persons + 1, count), dtype=np.intp)
    nobody = mixture.weight.copy()
    for j, being in enumerate(order.tolist()):
        weight[j] = nobody * share[being]
        nobody = nobody * (1.0 - share[being])
        row[being, j] = 1
        row[being, j + 1 :] = 2
    weight[persons] = nobody * alone
    flat = weight.ravel()
    total = float(flat.sum())
    chosen = np.flatnonzero(flat > (NEGLIGIBLE * total if most else 0.0))
    parent = chosen % count
    kept = flat[chosen]
    grown = mixture._replace(
        weight=kept / kept.sum(),
        labels=mixture.labels[parent],
        ghosts=mixture.ghosts[parent],
        cause=mixture.cause[parent],
        log_likelihood=mixture.log_likelihood + float(np.log(total)),
    )
    return _reduce(grown, rows, row.reshape(persons, -1)[:, chosen] * count + parent, most)


def _settle(
    labels: Array,
    parent: IndexArray,
    being: IndexArray,
    way_index: IndexArray,
    ways: Sequence[Way],
    accepting: Sequence[int],
) -> Array:
    """Labels of the candidates: a passage settles each accepting window that nobody had passed in."""
    persons = (labels.shape[2] - 1) // 2
    settled = labels[parent]
    label = np.array([way.label for way in ways] + [0], dtype=np.intp)[way_index]
    passing = np.flatnonzero(label > 0)
    if passing.size:
        column = 1 + (label[passing] - 1) * persons + being[passing]
        for window in accepting:
            settled[passing, window, column] += settled[passing, window, 0]
            settled[passing, window, 0] = 0.0
    return settled


class _Pool(NamedTuple):
    """Hypotheses while they are being merged."""

    x: Array
    """Shape (P, M, S)."""
    weight: Array
    """Shape (M,)."""
    extra: Array
    """Shape (M, E): everything else that mixes linearly, flattened."""


def _reduce(mixture: Mixture, rows: Array, row: IndexArray, most: int | None) -> Mixture:
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
    pool, lost = _absorb_light(pool, 2 * most, windows)
    while len(pool.weight) > 1:
        cost = _costs(pool, pool, windows)
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


def _absorb_light(pool: _Pool, most: int, windows: tuple[int, ...]) -> tuple[_Pool, float]:
    """Send all but the heaviest `most` (and all below MINOR) into the one of those where that costs least."""
    heavy = max(1, min(most, int((pool.weight > MINOR).sum())))
    count = len(pool.weight)
    if heavy == count:
        return pool, 0.0
    kept = _Pool(pool.x[:, :heavy], pool.weight[:heavy], pool.extra[:heavy])
    light = _Pool(pool.x[:, heavy:], pool.weight[heavy:], pool.extra[heavy:])
    cost = _costs(light, kept, windows)
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


def _costs(some: _Pool, others: _Pool, windows: tuple[int, ...]) -> Array:
    """What merging each of some hypotheses into each of the others would lose, shape (M, N).

    `w v / (w + v) * sum_(n < m) d_n d_m`, d_n the Hellinger distance of the n-th factors: beings, and with less
    weight the latest windows.
    """
    squares = 1.0 - np.sqrt(some.x) @ np.sqrt(others.x).transpose(0, 2, 1)  # (P, M, N)
    np.maximum(squares, 0.0, out=squares)
    total, square = np.sqrt(squares).sum(axis=0), squares.sum(axis=0)
    count, width = windows
    for window in range(max(0, count - LABEL_WINDOWS), count):
        label = slice(window * width, (window + 1) * width)
        gap = np.maximum(1.0 - np.sqrt(some.extra[:, label]) @ np.sqrt(others.extra[:, label]).T, 0.0)
        total += LABEL_SHARE * np.sqrt(gap)
        square += LABEL_SHARE**2 * gap
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
