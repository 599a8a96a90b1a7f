"""Expected counts and times of one marked Markov process: the E step of a textbook EM, on plain arrays.

Between marks the state moves by a generator `D0` (silence is evidence: rows sum to less than 0), a mark multiplies by
`D_e` (plus a background rate that moves nobody), a factor by a likelihood per state. For a silent step of length t

    W[i, j] = int_0^t p(x_s = i, what came before) p(what comes after | x_s = j) ds / p(everything)

gives the expected time in i as `W[i, i]` and the expected number of silent moves as `D0[i, j] W[i, j]`. The integral
is exact in the eigenbasis. This module knows no rooms.

Sources: Ryden 1996 (Comput. Stat. Data Anal. 21:431), EM for Markov-modulated Poisson processes; Breuer 2002 (Ann.
Oper. Res. 112:123), EM for batch Markovian arrival processes; Van Loan 1978 (IEEE Trans. Autom. Control 23:395).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]

LONGEST_DECAY = 20.0
"""A silent step is divided so that the slowest mode loses no more than this (as a logarithm) in one part."""
ALIKE = 1e-4
"""Two modes whose exponents differ by less than this over the longest step are taken as one: wrong by 4e-10."""
INEXACT = 1e-8
"""Relative error of an eigendecomposition above which it is refused."""


class Spectral(NamedTuple):
    """`exp(D0 t) = right @ diag(exp(values t)) @ left`."""

    values: NDArray[Any]
    right: NDArray[Any]
    left: NDArray[Any]


class Move(NamedTuple):
    """One way of causing a mark: `x[target] <- x[source] @ rates`, shapes (m,), (t,), (m, t)."""

    source: IndexArray
    target: IndexArray
    rates: Array


class Silence(NamedTuple):
    """No mark for dt seconds, under the generator of this index."""

    generator: int
    dt: float


class Mark(NamedTuple):
    """A mark with the moves of this index, or caused by something else at a rate (1/s) that moves nobody."""

    moves: int
    background: float


class Factor(NamedTuple):
    """A likelihood per state, shape (S,)."""

    likelihood: Array


Step = Silence | Mark | Factor


class Expected(NamedTuple):
    """What the E step knows."""

    log_likelihood: float
    """`log p(all steps)`, nats."""
    start: Array
    """Shape (S,): `p(x_0 | all steps)`."""
    overlaps: list[Array]
    """Per generator, shape (S, S): the sum of W over its silent steps; empty where they were taken as they came."""
    moves: list[list[Array]]
    """Per index of moves and way, shape (m, t): expected number of marks caused so."""
    background: list[float]
    """Per index of moves: expected number of marks that something else caused."""


class _Silent(NamedTuple):
    """A silent step as the backward pass meets it."""

    before: Array
    """Shape (S,): the distribution before it, over the likelihood of the step."""
    after: NDArray[Any]
    """Shape (S,), in the eigenbasis: how likely all that follows is."""
    dt: float


def spectral(generator: Array, weights: Array | None = None) -> Spectral:
    """Decompose a generator; exactly symmetrical under `weights` (detailed balance) where given.

    Raises:
        FloatingPointError: if the generator cannot be decomposed to `INEXACT`.
    """
    if weights is not None:
        scale = np.sqrt(weights)
        symmetric = generator * scale[:, None] / scale[None, :]
        if np.allclose(symmetric, symmetric.T, rtol=1e-9, atol=1e-15):
            values, vectors = np.linalg.eigh((symmetric + symmetric.T) / 2.0)
            return Spectral(values, vectors / scale[:, None], vectors.T * scale)
    values, right = np.linalg.eig(generator)
    left = np.linalg.inv(right)
    error = np.abs((right * values) @ left - generator).max() / np.abs(generator).max()
    if not error < INEXACT:
        raise FloatingPointError(f"a generator cannot be decomposed (relative error {error:.1g})")
    return Spectral(values, right, left)


def expect(
    initial: Array,
    generators: Sequence[Spectral],
    moves: Sequence[Sequence[Move]],
    steps: Sequence[Step],
    *,
    take: Callable[[int, Array], None] | None = None,
    kept: int = 1,
) -> Expected:
    """Forward and backward pass over one sequence of steps.

    Args:
        initial: shape (S,), sums to 1.
        generators: those of the silent steps.
        moves: those of the marks.
        steps: in order of time.
        take: is given parts of the overlap of each generator, latest first, instead of the whole at the end...
        kept: ...as soon as those of more generators than this would have to be kept: memory stays bounded.

    Raises:
        FloatingPointError: if a step is impossible.
    """
    steps = _divided(generators, steps)
    before, scales = _forward(initial, generators, moves, steps)
    size = len(initial)
    overlaps = [] if take else [np.zeros((size, size)) for _ in generators]
    silent: dict[int, list[_Silent]] = {}
    counts = [[np.zeros(way.rates.shape) for way in ways] for ways in moves]
    background = [0.0] * len(moves)
    after = np.ones(size)
    for n in range(len(steps) - 1, -1, -1):
        x, scale, step = before[n], scales[n], steps[n]
        if isinstance(step, Silence):
            g = generators[step.generator]
            v = g.left @ after
            if take and len(silent) >= kept and step.generator not in silent:
                _hand_over(silent, generators, take)
            silent.setdefault(step.generator, []).append(_Silent(x / scale, v, step.dt))
            after = np.maximum((g.right @ (np.exp(g.values * step.dt) * v)).real, 0.0) / scale
        elif isinstance(step, Mark):
            background[step.moves] += step.background * float(x @ after) / scale
            after = _before_mark(step.background, moves[step.moves], x, after, scale, counts[step.moves])
        else:
            after = step.likelihood * after / scale
    _hand_over(silent, generators, take or overlaps.__setitem__)
    start = before[0] * after if len(steps) else initial
    return Expected(float(np.log(scales).sum()), start / start.sum(), overlaps, counts, background)


def _before_mark(
    background: float, ways: Sequence[Move], before: Array, after: Array, scale: float, counts: Sequence[Array]
) -> Array:
    """How likely all from a mark on is, from how likely all after it is; adds to what each way is counted to cause."""
    new = background * after
    for way, count in zip(ways, counts, strict=True):
        there = way.rates * after[way.target]
        count += before[way.source, None] * there / scale
        np.add.at(new, way.source, there.sum(axis=1))
    likelihood: Array = new / scale
    return likelihood


def _hand_over(
    silent: dict[int, list[_Silent]], generators: Sequence[Spectral], take: Callable[[int, Array], None]
) -> None:
    for index, steps in silent.items():
        take(index, _overlap(generators[index], steps))
    silent.clear()


def _overlap(g: Spectral, silent: Sequence[_Silent]) -> Array:
    """The sum of W over silent steps under one generator, shape (S, S).

    Between two modes lies `int_0^t exp(a s + b (t - s)) ds = (exp(a t) - exp(b t)) / (a - b)`, so that two matrix
    products take in all steps.
    """
    before, after, dt = (np.array(part) for part in zip(*silent, strict=True))
    x = before @ g.right
    decayed, half = (np.exp(np.outer(share * dt, g.values)) for share in (1.0, 0.5))
    difference = g.values[:, None] - g.values[None, :]
    alike = np.abs(difference) * dt.max() < ALIKE
    apart = ((x * decayed).T @ after - x.T @ (after * decayed)) / np.where(alike, 1.0, difference)
    middle = (x * half * dt[:, None]).T @ (after * half)
    overlap: Array = np.maximum((g.left.T @ np.where(alike, middle, apart) @ g.right.T).real, 0.0)
    return overlap


def _divided(generators: Sequence[Spectral], steps: Sequence[Step]) -> list[Step]:
    """Steps so short that small masses keep their digits."""
    result: list[Step] = []
    slowest: dict[int, float] = {}
    for step in steps:
        if isinstance(step, Silence):
            k = step.generator
            slowest[k] = slowest[k] if k in slowest else -float(generators[k].values.real.max())
            parts = max(1, int(np.ceil(slowest[k] * step.dt / LONGEST_DECAY)))
            result += [Silence(step.generator, step.dt / parts)] * parts
        else:
            result.append(step)
    return result


def _forward(
    initial: Array, generators: Sequence[Spectral], moves: Sequence[Sequence[Move]], steps: Sequence[Step]
) -> tuple[Array, Array]:
    """The distribution before each step, shape (T, S), and the likelihood of each step, shape (T,)."""
    before, scales = np.empty((len(steps), len(initial))), np.empty(len(steps))
    x = initial
    for n, step in enumerate(steps):
        before[n] = x
        if isinstance(step, Silence):
            g = generators[step.generator]
            y = np.maximum((((x @ g.right) * np.exp(g.values * step.dt)) @ g.left).real, 0.0)
        elif isinstance(step, Mark):
            y = step.background * x
            for way in moves[step.moves]:
                np.add.at(y, way.target, x[way.source] @ way.rates)
        else:
            y = x * step.likelihood
        scales[n] = y.sum()
        if not scales[n] > 0.0:
            raise FloatingPointError(f"step {n} is impossible")
        x = y / scales[n]
    return before, scales


def expected_transitions(initial: Array, transition: Array, likelihoods: Array) -> tuple[Array, Array, float]:
    """The E step of Baum-Welch on a regular grid: expected transitions (S, S), `p(x_1 | all)` (S,), log-likelihood.

    Args:
        initial: shape (S,).
        transition: shape (S, S), rows sum to 1.
        likelihoods: shape (T, S), `p(y_t | x_t)`.

    Source: Rabiner 1989 (Proc. IEEE 77:257), equations 37 to 40.
    """
    identity = np.arange(len(initial))
    steps: list[Step] = [Factor(likelihoods[0])]
    for likelihood in likelihoods[1:]:
        steps += [Mark(0, 0.0), Factor(likelihood)]
    found = expect(initial, [], [[Move(identity, identity, transition)]], steps)
    return found.moves[0][0], found.start, found.log_likelihood
