"""Exact smoothing and likeliest paths of several chains in one array, one axis a chain: for small homes, and as truth.

    forward   f(x_t) = p(x_t, y_1..t)        backward   b(x_t) = p(y_t+1..T | x_t)        smoothed   f b / sum f b

The array has S^P entries. This module knows no rooms.

Sources: Rabiner 1989 (Proc. IEEE 77:257), section III, forward-backward and Viterbi; Asmussen & Koole 1993 (J. Appl.
Prob. 30:365), marked Markovian arrival processes.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.markov import mark_joint, move_joint
from presence.tape import Letting, Mark, Operation, Quiet, Weigh, Witness, lettings, marked, transitions

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]


class Move(NamedTuple):
    """Every chain moves by its own (sub)stochastic matrix."""

    transitions: Array
    """Shape (P, S, S)."""


class Cause(NamedTuple):
    """An event that one of the chains caused, or none."""

    marked: Array
    """Shape (P, S, S), 1/s."""
    nobody: float
    """1/s."""
    lettings: Sequence[Letting] = ()
    """Ways in which one chain causes it and another moves."""


WHOLE = -1
"""Stands for all axes together, where the origin of a joint state is another joint state."""
Dense = Move | Cause | Weigh | Witness


def dense(operation: Operation | Dense, joint: Array) -> Dense:
    """An operation as matrices, for a joint array of shape (S,) * P.

    Raises:
        ValueError: for an event of a sensor that can be on by itself: that is not part of the array.
    """
    if isinstance(operation, Quiet):
        return Move(transitions(operation))
    if isinstance(operation, Mark):
        if operation.ghost is not None or operation.shared is not None:
            raise ValueError("sensors that can be on by themselves are not part of the joint array")
        shape = (joint.ndim, joint.shape[0])
        return Cause(marked(operation, shape), operation.nobody, lettings(operation, shape))
    return operation


def independent(rows: Array) -> Array:
    """The joint array of independent chains, shape (S,) * P, from rows of shape (P, S)."""
    joint: Array = np.ones(())
    for row in rows:
        joint = np.multiply.outer(joint, row)
    return joint


def applied(operation: Operation | Dense, joint: Array, *, backwards: bool = False) -> Array:
    """The array after an operation; backwards, what the likelihood of the future was before it. Not normalised."""
    operation = dense(operation, joint)
    if isinstance(operation, Move):
        matrices = operation.transitions
        return move_joint(joint, list(matrices.transpose(0, 2, 1) if backwards else matrices))
    if isinstance(operation, Cause):
        matrices = operation.marked
        result = mark_joint(joint, list(matrices.transpose(0, 2, 1) if backwards else matrices), operation.nobody)
        for letting in operation.lettings:
            moves = letting.moves.T if backwards else letting.moves
            for guest in letting.guests:
                caused = joint * _opening(letting, guest, joint.ndim)
                result = result + np.moveaxis(np.tensordot(caused, moves, axes=(guest, 0)), -1, guest)
        return result
    return joint * _likelihood(operation)


def _opening(letting: Letting, guest: int, chains: int) -> Array:
    """The rate at which the others cause an event for a guest, in every joint state; size 1 along the guest's axis."""
    rate: Array = np.zeros((1,) * chains)
    for chain, row in enumerate(letting.rates):
        if chain != guest:
            rate = rate + row.reshape([-1 if n == chain else 1 for n in range(chains)])
    return rate


def _likelihood(operation: Weigh | Witness) -> Array:
    """The likelihood of every joint state, shape (S,) * P."""
    if isinstance(operation, Weigh):
        return independent(operation.factor)
    outside = independent(1.0 - operation.inside)
    return 1.0 - outside * (1.0 - operation.alone)


def smooth(
    initial: Array, operations: Sequence[Operation | Dense], wanted: Collection[int]
) -> tuple[list[Array], list[Array]]:
    """`p(x_t | all)` and `p(x_t | y_1..t)` at some points, arrays of shape (S,) * P.

    Args:
        initial: the joint distribution at the start.
        operations: T of them.
        wanted: points between them, ascending: 0 the start, n after the n-th operation.

    Raises:
        ValueError: if nothing can explain the evidence.
    """
    filtered, joint = {}, initial / initial.sum()
    for number in range(len(operations) + 1):
        if number:
            joint = _normalised(applied(operations[number - 1], joint))
        if number in wanted:
            filtered[number] = joint
    smoothed, message = {}, np.ones_like(initial)
    for number in range(len(operations), -1, -1):
        if number < len(operations):
            message = applied(operations[number], message, backwards=True)
            message = message / message.max()
        if number in filtered:
            smoothed[number] = _normalised(filtered[number] * message)
    return [smoothed[number] for number in sorted(smoothed)], list(filtered.values())


def _normalised(joint: Array) -> Array:
    total = float(joint.sum())
    if not total > 0.0:
        raise ValueError("the evidence is impossible in every state: give each state a likelihood above zero")
    return joint / total


def best_path(initial: Array, operations: Sequence[Operation | Dense]) -> tuple[IndexArray, float]:
    """The likeliest joint path (Viterbi), shape (1 + T, P): states at the start and after each operation; log p.

    Who caused each event is summed out: the path is of states only.
    """
    with np.errstate(divide="ignore"):
        score = np.log(initial)
        origins: list[list[tuple[int, NDArray[Any]]]] = []
        for recorded in operations:
            operation = dense(recorded, score)
            if isinstance(operation, Move):
                score, origin = _best_move(score, np.log(operation.transitions))
            elif isinstance(operation, Cause):
                score, origin = _best_cause(score, operation)
            else:
                score, origin = score + np.log(_likelihood(operation)), []
            origins.append(origin)
    state = [int(i) for i in np.unravel_index(int(score.argmax()), score.shape)]
    path = [tuple(state)]
    for origin in reversed(origins):
        for axis, where in reversed(origin):
            previous = int(where[tuple(state)])
            if axis == WHOLE:
                state = [int(i) for i in np.unravel_index(previous, score.shape)]
            else:
                state[axis] = previous
        path.append(tuple(state))
    return np.array(path[::-1], dtype=np.intp), float(score.max())


def _best_move(score: Array, log_transitions: Array) -> tuple[Array, list[tuple[int, NDArray[Any]]]]:
    """Best scores after every chain has moved, and for each chain which state it best came from."""
    origin: list[tuple[int, NDArray[Any]]] = []
    for axis, matrix in enumerate(log_transitions):
        candidates = np.moveaxis(score, axis, -1)[..., :, None] + matrix
        origin.append((axis, np.moveaxis(candidates.argmax(axis=-2), -1, axis).astype(np.int32)))
        score = np.moveaxis(candidates.max(axis=-2), -1, axis)
    return score, origin


def _best_cause(score: Array, cause: Cause) -> tuple[Array, list[tuple[int, NDArray[Any]]]]:
    """Best scores after an event, and the joint state it best came from: all stay, or one of the chains moves by it."""
    chains = score.ndim
    here = np.indices(score.shape)
    staying = np.full(score.shape, cause.nobody)
    moving = [_moving(cause, axis, chains) for axis in range(chains)]
    for axis, rates in enumerate(moving):
        staying = staying + np.moveaxis(np.diagonal(rates, axis1=-2, axis2=-1), -1, axis)
    best = score + np.log(staying)
    origin: NDArray[Any] = np.arange(score.size).reshape(score.shape)
    for axis, rates in enumerate(moving):
        leaving = rates * (1.0 - np.eye(rates.shape[-1]))
        candidates = np.moveaxis(score, axis, -1)[..., :, None] + np.log(leaving)
        value = np.moveaxis(candidates.max(axis=-2), -1, axis)
        source = np.moveaxis(candidates.argmax(axis=-2), -1, axis)
        came_from = [source if n == axis else here[n] for n in range(chains)]
        better = value > best
        best = np.where(better, value, best)
        origin = np.where(better, np.ravel_multi_index(tuple(came_from), score.shape), origin)
    return best, [(WHOLE, origin.astype(np.int32))]


def _moving(cause: Cause, axis: int, chains: int) -> Array:
    """The rate at which one chain alone moves by an event, whoever causes it: shape (others ..., S, S)."""
    rates: Array = cause.marked[axis].reshape((1,) * (chains - 1) + cause.marked[axis].shape)
    for letting in cause.lettings:
        if axis in letting.guests:
            opening = np.moveaxis(_opening(letting, axis, chains), axis, -1)
            rates = rates + opening[..., None] * letting.moves
    return rates
