"""Likeliest path of each of several chains that only meet in their events.

A first set of paths is read backwards out of the filter's hypotheses, all chains together, so that who is who stays
consistent: at each step the likeliest hypothesis is chosen, and in it the likeliest state of each chain, given the
states that follow. Then one chain at a time is mended: with the paths of the others held, its own likeliest path is
found exactly (Viterbi), so that each such step raises the joint probability of all paths or leaves it.

    at an event   E = D_p + (nobody + sum_(q != p) D_q[x_q, x_q]) 1,    or diagonal where another chain moved by it

For one chain the answer is exact; for several each is mended once, which leaves next to nothing to gain
(`benchmarks/smoothing.py`). This module knows no rooms.

Sources: Rabiner 1989 (Proc. IEEE 77:257), section III.B, Viterbi; Godsill, Doucet & West 2001 (Ann. Inst. Statist.
Math. 53:82), paths read backwards out of a filter; Besag 1986 (J. R. Statist. Soc. B 48:259), iterated conditional
modes.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from presence.merging import Mixture
from presence.reversal import Rules, do
from presence.tape import Mark, Operation, Quiet, Weigh, Witness, lettings, marked, transitions

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]


def likeliest_paths(begin: Mixture, operations: Sequence[Operation], rules: Rules) -> IndexArray:
    """States of each chain at the start and after each operation, shape (1 + T, P).

    Args:
        begin: the belief at the start.
        operations: T of them.
        rules: of the filter.
    """
    initial = np.einsum("k,pks->ps", begin.weight, begin.x)
    paths = _read_backwards(begin, operations, rules)
    for chain in range(len(initial)):
        paths[:, chain] = _own_path(chain, initial, operations, paths)
    return paths


def _read_backwards(begin: Mixture, operations: Sequence[Operation], rules: Rules) -> IndexArray:
    """Paths of all chains from the filter's hypotheses, from the last instant to the first."""
    filtered = [begin]
    for operation in operations:
        filtered.append(do(operation, filtered[-1], rules))
    last = filtered[-1]
    state = last.x[:, int(last.weight.argmax())].argmax(axis=1)
    path = [state]
    for operation, before in zip(reversed(operations), reversed(filtered[:-1]), strict=True):
        if isinstance(operation, Quiet):
            state = _before_quiet(before, transitions(operation), state)
        elif isinstance(operation, Mark):
            state = _before_event(before, operation, state)
        path.append(state)
    return np.array(path[::-1], dtype=np.intp)


def _before_quiet(before: Mixture, matrices: Array, state: IndexArray) -> IndexArray:
    """The likeliest states before a silence after which they are known; matrices of shape (P, S, S)."""
    arriving = before.x * matrices[np.arange(len(state)), :, state][:, None, :]  # (P, K, S)
    with np.errstate(divide="ignore"):
        log_weight = np.log(before.weight) + np.log(arriving.sum(axis=2)).sum(axis=0)
    found: IndexArray = arriving[:, int(log_weight.argmax())].argmax(axis=1)
    return found


def _before_event(before: Mixture, mark: Mark, state: IndexArray) -> IndexArray:
    """The likeliest states before an event after which they are known."""
    chains, _, states = before.x.shape
    each = np.arange(chains)
    staying = before.x[each, :, state]  # (P, K)
    causing = before.x * marked(mark, (chains, states))[each, :, state][:, None, :]  # (P, K, S)
    nobody = np.full(len(before.weight), mark.nobody)
    if mark.ghost is not None:
        nobody = before.ghosts[:, mark.ghost.sensor] @ mark.ghost.rates
    moved = [(chain, causing[chain]) for chain in range(chains)]  # who moves by it, and rates (K, S) by where from
    for letting in lettings(mark, (chains, states)):
        moved += [(g, before.x[g] * letting.moves[:, state[g]] * letting.opening(state, g)) for g in letting.guests]
    with np.errstate(divide="ignore"):
        log_staying = np.log(np.maximum(staying, 1e-300))
        log_rate = [np.log(nobody)] + [np.log(rate.sum(axis=1)) - log_staying[chain] for chain, rate in moved]
        log_weight = np.log(before.weight) + log_staying.sum(axis=0) + np.array(log_rate)  # (1 + moved, K)
    cause, hypothesis = np.unravel_index(int(log_weight.argmax()), log_weight.shape)
    found = state.copy()
    if cause:
        chain, rate = moved[int(cause) - 1]
        found[chain] = rate[hypothesis].argmax()
    return found


def _own_path(chain: int, initial: Array, operations: Sequence[Operation], paths: IndexArray) -> IndexArray:
    """Viterbi for one chain, given the paths of the others."""
    with np.errstate(divide="ignore"):
        score = np.log(initial[chain])
        origins: list[IndexArray | None] = []
        for number, operation in enumerate(operations):
            if isinstance(operation, Quiet):
                matrix = transitions(operation, chain)[0]
            elif isinstance(operation, Mark):
                matrix = _event(chain, operation, initial.shape, paths[number : number + 2])
            else:
                score = score + np.log(_factor(chain, operation, paths[number]))
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


def _event(chain: int, mark: Mark, shape: tuple[int, ...], around: IndexArray) -> Array:
    """What an event is to one chain, shape (S, S), given where the others were before and after it, shape (2, P)."""
    matrices, letting = marked(mark, (shape[0], shape[1])), lettings(mark, (shape[0], shape[1]))
    old, new = around
    others = [other for other in range(shape[0]) if other != chain]
    moved = [other for other in others if old[other] != new[other]]
    if moved:  # the chain stays; it may have caused the other's move
        other = moved[0]
        rate = np.full(shape[1], matrices[other, old[other], new[other]])
        for way in letting:
            if other in way.guests:
                opening = way.opening(old, other, but=chain) + way.rates[chain]
                rate = rate + opening * way.moves[old[other], new[other]]
        return np.diag(rate) if rate.any() else np.eye(shape[1])
    nobody = mark.nobody if mark.ghost is None else float(mark.ghost.rates.min())
    staying = nobody + float(matrices[others, old[others], old[others]].sum())
    matrix: Array = matrices[chain] + staying * np.eye(shape[1])
    for way in letting:
        if chain in way.guests:
            matrix = matrix + way.opening(old, chain) * way.moves
    return matrix


def _factor(chain: int, operation: Operation, states: IndexArray) -> Array:
    """The likelihood of evidence in each state of one chain, given where the others are."""
    if isinstance(operation, Weigh):
        row: Array = operation.factor[chain]
        return row
    assert not isinstance(operation, Quiet | Mark)
    others = np.delete(np.arange(len(states)), chain)
    return _kept_on(
        operation, (1.0 - operation.inside[chain]) * np.prod(1.0 - operation.inside[others, states[others]])
    )


def _kept_on(witness: Witness, nobody: Array) -> Array:
    """The likelihood of what a sensor that stays on tells, given how likely nobody keeps it on."""
    likelihood: Array = 1.0 - (1.0 - witness.alone) * nobody
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
                total += float(np.log(_event_rate(operation, shape, old, new)))
            else:
                total += float(np.log(_kept_on(operation, np.prod(1.0 - operation.inside[chains, old]))))
    return total


def _event_rate(mark: Mark, shape: tuple[int, int], old: IndexArray, new: IndexArray) -> float:
    """The rate of an event that takes all chains from some states to others."""
    matrices, moved = marked(mark, shape), np.flatnonzero(old != new)
    if len(moved) > 1:
        return 0.0
    if len(moved) == 0:
        return mark.nobody + float(matrices[np.arange(len(old)), old, old].sum())
    chain = int(moved[0])
    ways = [way for way in lettings(mark, shape) if chain in way.guests]
    let = sum(way.opening(old, chain) * float(way.moves[old[chain], new[chain]]) for way in ways)
    return let + float(matrices[chain, old[chain], new[chain]])
