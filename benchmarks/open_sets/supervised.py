"""References that are given labels: fitted to the first half of a set, so scored on its second half only.

Forests of trees (Breiman 2001) on what was active how long ago, and for the number at home a hidden Markov chain with
naive-Bayes emissions counted from labels. Nothing in them is tuned: they say what labels are worth, not what is best.
scikit-learn is needed (it is in the extra `test`).
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib.util import find_spec
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from benchmarks.open_sets.layout import Layout
from benchmarks.open_sets.rivals import sensor_distances
from benchmarks.open_sets.two_residents import Row
from presence.markov import filter_chain

Array = NDArray[np.float64]
Labels = NDArray[np.intp]

TREES = 200
LEAF = 10
"""Fewest training samples in a leaf."""
LAGS = 3
"""Firings before the present one that the trees of the two residents see."""
LONGEST = 4 * 3600.0
"""Seconds; what was active longer ago, or never, counts as this old."""
FAR = 20.0
"""Metres between sensors that no way joins."""


def available() -> bool:
    """Whether scikit-learn is installed."""
    return find_spec("sklearn") is not None


def forest(features: Array, labels: NDArray[np.generic], asked: Sequence[Array]) -> tuple[Array, list[Array]]:
    """The classes, shape (C,), and for each asked array of T samples their probabilities, shape (T, C)."""
    from sklearn.ensemble import RandomForestClassifier

    trees = RandomForestClassifier(TREES, min_samples_leaf=LEAF, class_weight="balanced_subsample", random_state=1)
    trees.fit(features, labels)
    told = [
        np.asarray(trees.predict_proba(part)) if len(part) else np.empty((0, len(trees.classes_))) for part in asked
    ]
    return np.asarray(trees.classes_), told


def age_features(ages: Array, grid: Array) -> Array:
    """How long ago each thing was active, on a logarithmic scale, and the hour; shape (T, F + 1) from (T, F)."""
    hours = (grid % 86400.0) / 3600.0
    return np.column_stack([np.log1p(np.minimum(ages, LONGEST)), hours])


# --- who caused it ---------------------------------------------------------------------------------------------------
def firing_features(layout: Layout, rows: Sequence[Row], start: float) -> Array:
    """What is known at each firing: where and when, and the same of the firings before; shape (T, F)."""
    distances = sensor_distances(layout)
    latest: dict[str, float] = {}
    features = []
    for k, row in enumerate(rows):
        here = layout.at.get(row.sensor, (-1.0, -1.0))
        found = [*here, row.time - start, min(row.time - latest.get(row.sensor, -np.inf), LONGEST)]
        latest[row.sensor] = row.time
        for lag in range(1, LAGS + 1):
            before = rows[k - lag] if k >= lag else None
            if before is None:
                found += [-1.0, -1.0, LONGEST, FAR]
                continue
            metres = distances.get(before.sensor, {}).get(row.sensor, FAR)
            found += [*layout.at.get(before.sensor, (-1.0, -1.0)), row.time - before.time, metres]
        features.append(found)
    return np.array(features) if features else np.empty((0, 0))


def who_caused(
    layout: Layout, known: Sequence[tuple[Sequence[Row], float]], asked: Sequence[tuple[Sequence[Row], float]]
) -> tuple[list[list[float]], list[list[int]]]:
    """Probability of "the same as before" and who it was (0 or 1), for every firing of the asked sessions.

    One forest tells whether it was the same person, another who it was; a chain over the firings joins the two.

    Args:
        layout: rooms and places of sensors.
        known: firings and start of the sessions whose tags may be seen.
        asked: the same of those that are asked about.
    """
    seen = [firing_features(layout, rows, start) for rows, start in known]
    wanted = [firing_features(layout, rows, start) for rows, start in asked]
    pairs, same, single, who = [], [], [], []
    for features, (rows, _) in zip(seen, known, strict=True):
        for k, (before, row) in enumerate(pairwise(rows), start=1):
            if len(before.residents) == len(row.residents) == 1:
                pairs.append(features[k])
                same.append(before.residents == row.residents)
        for feature, row in zip(features, rows, strict=True):
            if len(row.residents) == 1:
                single.append(feature)
                who.append(min(row.residents) - 1)
    p_same = [p[:, 1] for p in _of_two(*forest(np.array(pairs), np.array(same), wanted))]
    p_who = _of_two(*forest(np.array(single), np.array(who), wanted))
    chains = [_joined(a, b) for a, b in zip(p_same, p_who, strict=True)]
    return [a.tolist() for a in p_same], [chain.argmax(axis=1).tolist() for chain in chains]


def _of_two(classes: Array, p: Sequence[Array]) -> list[Array]:
    """Probabilities of the classes 0 and 1, shape (T, 2), also where labels have shown one of them only."""
    whole = [np.zeros((len(part), 2)) for part in p]
    for both, part in zip(whole, p, strict=True):
        both[:, classes.astype(int)] = part
    return whole


def _joined(same: Array, who: Array) -> Array:
    """`p(who)` at each firing, given the changes and the looks of all firings so far; shape (T, 2)."""
    if not len(who):
        return np.empty((0, 2))
    p = np.clip(same[1:], 0.01, 0.99)
    transition = np.stack([np.stack([p, 1 - p], axis=-1), np.stack([1 - p, p], axis=-1)], axis=-2)
    return filter_chain(np.full(2, 0.5), transition, np.clip(who, 0.01, 0.99)).filtered


# --- how many are at home --------------------------------------------------------------------------------------------
def naive_bayes_chain(
    known: Sequence[NDArray[np.bool_]],
    labels: Sequence[Labels],
    asked: Sequence[NDArray[np.bool_]],
    states: int,
) -> list[Labels]:
    """The likeliest state at each instant by a chain whose every figure is counted from labels, plus one.

    Args:
        known: per day shape (T, F), whether each thing was active.
        labels: per day shape (T,), the state.
        asked: days like those of `known`.
        states: S.
    """
    moves, first, seen = np.ones((states, states)), np.ones(states), np.full(states, 2.0)
    on = np.ones((states, known[0].shape[1]))
    for features, state in zip(known, labels, strict=True):
        first[state[0]] += 1
        np.add.at(moves, (state[:-1], state[1:]), 1)
        np.add.at(on, state, features)
        seen += np.bincount(state, minlength=states)
    share = on / seen[:, None]
    result = []
    for features in asked:
        loglike = features @ np.log(share).T + ~features @ np.log1p(-share).T
        likelihood = np.exp(loglike - loglike.max(axis=1, keepdims=True))
        chain = filter_chain(first / first.sum(), moves / moves.sum(axis=1, keepdims=True), likelihood + 1e-12)
        result.append(chain.filtered.argmax(axis=1))
    return result
