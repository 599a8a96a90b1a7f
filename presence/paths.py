"""Likeliest path of each of several chains that only meet in their events: one chain at a time, given the others.

With the paths of the others held, the chain's own likeliest path is found exactly (Viterbi); in turn, each such step
raises the joint probability of all paths or leaves it. For one chain the first step is the answer.

    at an event   E = D_p + (nobody + sum_(q != p) D_q[x_q, x_q]) 1,    or 1 if another chain moved by the event

Until a chain has a path, its smoothed expected rates stand in for it. This module knows no rooms.

Sources: Rabiner 1989 (Proc. IEEE 77:257), section III.B, Viterbi; Besag 1986 (J. R. Statist. Soc. B 48:259), iterated
conditional modes.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from presence.tape import Mark, Operation, Quiet, Weigh, marked, transitions

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]

SWEEPS = 3
"""How often each chain's path is found anew, given the others', at most."""


def likeliest_paths(initial: Array, operations: Sequence[Operation], expected: Sequence[Array | None]) -> IndexArray:
    """States of each chain at the start and after each operation, shape (1 + T, P).

    Args:
        initial: shape (P, S), `p(x_0)`.
        operations: T of them.
        expected: for each operation, smoothed from all evidence: for an event the rate at which each chain causes it,
            for a witness the probability that each chain is inside, shape (P,); None for others.
    """
    chains = len(initial)
    paths = np.full((1 + len(operations), chains), -1, dtype=np.intp)
    for _ in range(1 if chains == 1 else SWEEPS):
        before = paths.copy()
        for chain in range(chains):
            paths[:, chain] = _own_path(chain, initial, operations, expected, paths)
        if np.array_equal(before, paths):
            break
    return paths


def _own_path(
    chain: int, initial: Array, operations: Sequence[Operation], expected: Sequence[Array | None], paths: IndexArray
) -> IndexArray:
    """Viterbi for one chain; -1 in `paths` stands for a chain that has no path yet."""
    with np.errstate(divide="ignore"):
        score = np.log(initial[chain])
        origins: list[IndexArray | None] = []
        for number, operation in enumerate(operations):
            if isinstance(operation, Quiet):
                matrix = transitions(operation, chain)[0]
            elif isinstance(operation, Mark):
                matrix = _event(chain, operation, initial.shape, expected[number], paths[number : number + 2])
            else:
                score = score + np.log(_factor(chain, operation, expected[number], paths[number]))
                origins.append(None)
                continue
            candidates = score[:, None] + np.log(matrix)
            origins.append(candidates.argmax(axis=0))
            score = candidates.max(axis=0)
    state = int(score.argmax())
    path = [state]
    for origin in reversed(origins):
        state = state if origin is None else int(origin[state])
        path.append(state)
    return np.array(path[::-1], dtype=np.intp)


def _event(chain: int, mark: Mark, shape: tuple[int, ...], expected: Array | None, around: IndexArray) -> Array:
    """What an event is to one chain, shape (S, S), given where the others were before and after it, shape (2, P)."""
    matrices = marked(mark, (shape[0], shape[1]))
    others = mark.nobody if mark.ghost is None else float(mark.ghost.rates.min())
    for other, (old, new) in enumerate(around.T.tolist()):
        if other == chain:
            continue
        if old < 0:
            others += 0.0 if expected is None else float(expected[other])
        elif old != new:
            return np.eye(shape[1])
        else:
            others += float(matrices[other, old, old])
    matrix: Array = matrices[chain] + others * np.eye(shape[1])
    return matrix


def _factor(chain: int, operation: Operation, expected: Array | None, paths: IndexArray) -> Array:
    """The likelihood of evidence in each state of one chain, given where the others are."""
    if isinstance(operation, Weigh):
        row: Array = operation.factor[chain]
        return row
    assert not isinstance(operation, Quiet | Mark)
    outside = 1.0
    for other, state in enumerate(paths.tolist()):
        if other != chain:
            within = operation.inside[other, state] if state >= 0 else 0.0 if expected is None else expected[other]
            outside *= 1.0 - float(within)
    likelihood: Array = 1.0 - outside * (1.0 - operation.alone) * (1.0 - operation.inside[chain])
    return likelihood


def log_probability(initial: Array, operations: Sequence[Operation], paths: IndexArray) -> float:
    """Joint log probability of all chains' paths and the evidence, nats; who caused each event is summed out.

    Raises:
        ValueError: for sensors that can be on by themselves, whose state is not part of the paths.
    """
    shape = (initial.shape[0], initial.shape[1])
    chains = np.arange(shape[0])
    with np.errstate(divide="ignore"):
        total = float(np.log(initial[chains, paths[0]]).sum())
        for operation, old, new in zip(operations, paths[:-1], paths[1:], strict=True):
            if isinstance(operation, Quiet):
                total += float(np.log(transitions(operation)[chains, old, new]).sum())
            elif isinstance(operation, Weigh):
                total += float(np.log(operation.factor[chains, old]).sum())
            elif isinstance(operation, Mark):
                if operation.ghost is not None:
                    raise ValueError("sensors that can be on by themselves are not part of the paths")
                total += float(np.log(_event_rate(marked(operation, shape), operation.nobody, old, new)))
            else:
                within = operation.inside[chains, old].any()
                total += float(np.log(1.0 if within else operation.alone))
    return total


def _event_rate(matrices: Array, nobody: float, old: IndexArray, new: IndexArray) -> float:
    """The rate of an event that takes all chains from some states to others."""
    moved = np.flatnonzero(old != new)
    if len(moved) > 1:
        return 0.0
    if len(moved) == 1:
        return float(matrices[moved[0], old[moved[0]], new[moved[0]]])
    return nobody + float(matrices[np.arange(len(old)), old, old].sum())
