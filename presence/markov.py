"""Hidden Markov chains on a grid and in continuous time: the textbook algorithms on plain arrays.

Row = from, column = to, always. `filtered[t, i] = p(x_t = i | y_1..t)`, `smoothed[t, i] = p(x_t = i | y_1..T)`.
The exact joint filter of several chains is here too: it is the truth that the hypothesis mixture is measured by.

Sources: Rabiner 1989 (Proc. IEEE 77:257), section III; Asmussen & Koole 1993 (J. Appl. Prob. 30:365), marked
Markovian arrival processes; Moler & Van Loan 2003 (SIAM Review 45:3), method 3, scaling and squaring.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class Filtered(NamedTuple):
    """What a forward pass knows."""

    filtered: Array
    """Shape (T, S): `p(x_t | y_1..t)`."""
    log_likelihood: float
    """`log p(y_1..T)`, nats."""


def condition(predicted: Array, likelihood: Array) -> tuple[Array, float]:
    """Bayes' rule: `posterior = predicted * likelihood / sum`, and the log of that sum.

    Args:
        predicted: shape (S,), sums to 1 (or to the probability of having come so far).
        likelihood: shape (S,), non-negative.

    Raises:
        ValueError: if nothing can explain the evidence (the sum is zero).
    """
    joint = predicted * likelihood
    total = float(joint.sum())
    if not total > 0.0:
        raise ValueError("the evidence is impossible in every state: give each state a likelihood above zero")
    return joint / total, float(np.log(total))


def filter_chain(initial: Array, transition: Array, likelihoods: Array) -> Filtered:
    """Forward pass: predict with `transition`, condition on `likelihoods`.

    Args:
        initial: shape (S,), `p(x_1)`.
        transition: shape (S, S), or (T - 1, S, S) where steps differ.
        likelihoods: shape (T, S), `p(y_t | x_t)`.
    """
    filtered = np.empty_like(likelihoods, dtype=np.float64)
    log_likelihood = 0.0
    predicted = initial
    for t, likelihood in enumerate(likelihoods):
        if t:
            predicted = filtered[t - 1] @ _step(transition, t)
        filtered[t], gained = condition(predicted, likelihood)
        log_likelihood += gained
    return Filtered(filtered, log_likelihood)


def smooth_chain(initial: Array, transition: Array, likelihoods: Array) -> Array:
    """Forward and backward pass: shape (T, S), `p(x_t | y_1..T)` (Rabiner 1989, section III.A)."""
    filtered = filter_chain(initial, transition, likelihoods).filtered
    smoothed = filtered.copy()
    backward = np.ones(filtered.shape[1])
    for t in range(len(likelihoods) - 2, -1, -1):
        backward = _step(transition, t + 1) @ (likelihoods[t + 1] * backward)
        backward /= backward.max()
        smoothed[t], _ = condition(filtered[t], backward)
    return smoothed


def best_path(initial: Array, transition: Array, likelihoods: Array) -> tuple[list[int], float]:
    """Likeliest path and its joint log-probability (Viterbi; Rabiner 1989, section III.B)."""
    with np.errstate(divide="ignore"):
        score = np.log(initial) + np.log(likelihoods[0])
        origins = []
        for t in range(1, len(likelihoods)):
            candidates = score[:, None] + np.log(_step(transition, t))
            origins.append(candidates.argmax(axis=0))
            score = candidates.max(axis=0) + np.log(likelihoods[t])
    path = [int(score.argmax())]
    for origin in reversed(origins):
        path.append(int(origin[path[-1]]))
    return path[::-1], float(score.max())


def _step(transition: Array, t: int) -> Array:
    """The transition matrix into instant t."""
    matrix: Array = transition if transition.ndim == 2 else transition[t - 1]
    return matrix


def transition_matrix(generator: Array, dt: float) -> Array:
    """`exp(generator dt)` of any (sub)generator, reversible or not, by scaling and squaring of uniformised steps.

    All terms are non-negative, so nothing cancels. Shape (S, S); dt in seconds.

    Raises:
        ValueError: if an off-diagonal rate is negative or dt is negative.
    """
    off_diagonal = generator - np.diag(np.diag(generator))
    if (off_diagonal < 0).any() or dt < 0:
        raise ValueError("rates between different states and dt must not be negative")
    fastest = max(float(-np.diag(generator).min()), 1e-300)
    squarings = max(0, int(np.ceil(np.log2(fastest * dt + 1e-300))) + 4)
    mean = fastest * dt / 2.0**squarings
    jump = np.eye(len(generator)) + generator / fastest
    term = np.exp(-mean) * np.eye(len(generator))
    result = term.copy()
    for order in range(1, 24):
        term = term @ jump * (mean / order)
        result += term
    for _ in range(squarings):
        result = np.asarray(result @ result, dtype=np.float64)
    return np.asarray(result, dtype=np.float64)


def stationary(generator: Array) -> Array:
    """The distribution that the generator leaves unchanged: `pi generator = 0`, shape (S,), sums to 1."""
    size = len(generator)
    system = np.vstack([generator.T, np.ones(size)])
    target = np.append(np.zeros(size), 1.0)
    solution, *_ = np.linalg.lstsq(system, target, rcond=None)
    return np.asarray(solution, dtype=np.float64)


def filter_marked(
    initial: Array, silent: Array, marked: Sequence[Array], events: Sequence[tuple[float, int]]
) -> Filtered:
    """Forward pass of a marked Markovian arrival process.

    `pi(t + dt) = pi(t) exp(D0 dt)` between events, `pi <- pi D_e / sum` at an event e.

    Args:
        initial: shape (S,).
        silent: D0, shape (S, S): movement without an event, less all event rates, 1/s.
        marked: one D_e per mark, shape (S, S), 1/s.
        events: (gap in seconds since the event before, mark).
    """
    filtered = np.empty((len(events), len(initial)))
    log_likelihood = 0.0
    pi = initial
    for number, (gap, mark) in enumerate(events):
        pi, gained = condition(pi @ transition_matrix(silent, gap) @ marked[mark], np.ones(len(initial)))
        filtered[number] = pi
        log_likelihood += gained
    return Filtered(filtered, log_likelihood)


def move_joint(joint: Array, transitions: Sequence[Array]) -> Array:
    """Move several independent chains held in one array: axis n is multiplied by `transitions[n]`."""
    for axis, transition in enumerate(transitions):
        joint = np.moveaxis(np.tensordot(joint, transition, axes=(axis, 0)), -1, axis)
    return joint


def mark_joint(joint: Array, marked: Sequence[Array], false_alarm_rate: float) -> Array:
    """An event that one of the chains caused, or none: `sum_n joint D_n + false_alarm_rate joint`, not normalised."""
    result = false_alarm_rate * joint
    for axis, matrix in enumerate(marked):
        result = result + np.moveaxis(np.tensordot(joint, matrix, axes=(axis, 0)), -1, axis)
    return result
