"""Exact movement of many distributions at once under one reversible generator with a few changed entries.

A generator is reversible when weights `u` exist with `u[i] q[i, j] = u[j] q[j, i]` (symmetric flows). Then
`B = D Q D^-1`, `D = diag(sqrt(u))`, is symmetric and one eigendecomposition serves every time step:
`exp(Q t) = D^-1 V exp(L t) V' D`.

Sensors that are blind and doors that stand open change only the entries of a few states. Such a change of rank r
is carried through the resolvent (Woodbury's formula) inside a rational approximation of the exponential,

    exp(t (B + E C E')) = exp(t B) + correction,      exp(z) ~ r0 + sum_k c_k / (z - z_k),

so nothing is decomposed again and nothing has to be cached for each set of blind sensors.

Sources: Cody, Meinardus & Varga 1969 (J. Approx. Theory 2:50), best rational approximation of exp on (-inf, 0];
Trefethen, Weideman & Schmelzer 2006 (BIT 46:653), section 4, computing it by the Caratheodory-Fejer method;
Kelly 1979, "Reversibility and Stochastic Networks", section 1.2.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
IndexArray = NDArray[np.intp]

DEGREE = 14
"""Degree of the rational approximation: its error on (-inf, 0] is about 9.29**-14 = 3e-14."""

LONGEST_DECAY = 1.0
"""Longest step, in units of the slowest decay: longer steps are split so that small masses keep their digits."""


class Change(NamedTuple):
    """Entries of the generators that differ from their base: `entries[p]` is added at `states` x `states`."""

    states: IndexArray
    """Shape (r,): the states concerned."""
    entries: Array
    """Shape (P, r, r), 1/s: what is added, in the symmetric coordinates `D Q D^-1`."""


class Reversible(NamedTuple):
    """Eigendecompositions of P reversible generators over the same S states (row = from, column = to)."""

    scale: Array
    """Shape (P, S): square roots of the weights, `D`."""
    values: Array
    """Shape (P, S), 1/s: eigenvalues, ascending, none above zero."""
    vectors: Array
    """Shape (P, S, S): eigenvectors in columns."""


def decompose(weights: Array, flows: Array, losses: Array) -> Reversible:
    """Decompose `Q[i, j] = flows[i, j] / weights[i]` less the row sums and the losses.

    Args:
        weights: shape (P, S), positive.
        flows: shape (P, S, S), symmetric, weight per second between different states; the diagonal is ignored.
        losses: shape (P, S), 1/s, non-negative: rates of marked transitions (events), taken off the diagonal.

    Raises:
        ValueError: if a flow is not symmetric or a weight not positive.
    """
    if not (weights > 0).all():
        raise ValueError(f"weights must be positive; the smallest is {weights.min()}")
    if not np.allclose(flows, flows.transpose(0, 2, 1), rtol=1e-12, atol=0.0):
        raise ValueError("flows must be symmetric: flow from i to j equals flow from j to i")
    scale = np.sqrt(weights)
    symmetric = flows / (scale[:, :, None] * scale[:, None, :])
    diagonal = np.arange(weights.shape[1])
    symmetric[:, diagonal, diagonal] = 0.0
    exits = flows.sum(axis=2) - flows[:, diagonal, diagonal]
    symmetric[:, diagonal, diagonal] = -exits / weights - losses
    values, vectors = np.linalg.eigh(symmetric)
    return Reversible(scale, np.minimum(values, 0.0), vectors)


@lru_cache(maxsize=4)
def exponential_poles(degree: int = DEGREE) -> tuple[ComplexArray, ComplexArray]:
    """Poles and residues of the best rational approximation of `exp` on the negative half line.

    Returns one of each conjugate pair, residues doubled: `exp(x) ~ Re sum_k residues[k] / (x - poles[k])` plus a
    constant below the error. Source: Trefethen, Weideman & Schmelzer 2006, section 4.
    """
    terms, points, stretch = 75, 1024, 9.0
    circle = np.exp(2j * np.pi * np.arange(points) / points)
    cosine = circle.real
    transplanted = np.exp(stretch * (cosine - 1) / (cosine + 1 + 1e-16))
    chebyshev = np.fft.fft(transplanted).real / points
    analytic = np.polyval(chebyshev[terms::-1], circle)
    hankel = np.zeros((terms, terms))
    for row in range(terms):
        hankel[row, : terms - row] = chebyshev[row + 1 : terms + 1]
    left, singular, right = np.linalg.svd(hankel)
    u, v = left[::-1, degree], right[degree, :]
    padding = np.zeros(points - terms)
    blaschke = np.fft.fft(np.concatenate([u, padding])) / np.fft.fft(np.concatenate([v, padding]))
    extended = analytic - singular[degree] * circle**terms * blaschke
    inside = np.roots(v)
    outer = inside[np.abs(inside) > 1]
    denominator = np.poly(outer)
    numerator = np.fft.fft(extended * np.polyval(denominator, circle)).real / points
    numerator = numerator[degree::-1]
    residues = np.array([np.polyval(numerator, q) / np.polyval(np.poly(outer[outer != q]), q) for q in outer])
    poles = stretch * (outer - 1) ** 2 / (outer + 1) ** 2
    residues = 4 * residues * poles / (outer**2 - 1)
    upper = poles.imag > 0
    return poles[upper], 2 * residues[upper]


def propagate(base: Reversible, x: Array, dt: float, change: Change | None = None) -> Array:
    """Move distributions by dt seconds: `x[p, k] exp((Q_p + change_p) dt)`.

    Args:
        base: the decomposed generators.
        x: shape (P, K, S), non-negative rows.
        dt: seconds, not negative.
        change: entries that differ from the base for the whole step.

    Returns:
        Shape (P, K, S), non-negative; what is missing from a row's sum is the probability of a marked event.
    """
    if dt <= 0.0:
        return x
    slowest = -float(base.values[:, -1].min())
    steps = max(1, int(np.ceil(slowest * dt / LONGEST_DECAY)))
    y = (x / base.scale[:, None, :]) @ base.vectors
    for _ in range(steps):
        y = _step(base, y, dt / steps, change)
        if steps > 1:  # small masses keep their digits only if each step starts from masses near one
            x = (y @ base.vectors.transpose(0, 2, 1)) * base.scale[:, None, :]
            y = (np.maximum(x, 0.0) / base.scale[:, None, :]) @ base.vectors
    moved = (y @ base.vectors.transpose(0, 2, 1)) * base.scale[:, None, :]
    result: Array = np.maximum(moved, 0.0)
    return result


def _step(base: Reversible, y: Array, dt: float, change: Change | None) -> Array:
    """One step in the eigenbasis; complex arithmetic is carried as pairs of real arrays for speed."""
    moved: Array = y * np.exp(base.values * dt)[:, None, :]
    if change is None or not change.states.size:
        return moved
    poles, residues = exponential_poles()
    persons, rows, states = y.shape
    count, rank = len(poles), len(change.states)
    resolvent = 1.0 / (base.values[:, None, :] * dt - poles[:, None])  # (P, poles, S)
    parts = np.concatenate([resolvent.real, resolvent.imag], axis=1)  # (P, 2 poles, S)
    changed = base.vectors[:, change.states, :]  # (P, r, S)
    scaled = (parts[:, :, None, :] * changed[:, None, :, :]).reshape(persons, 2 * count * rank, states)
    gram_parts = (scaled @ changed.transpose(0, 2, 1)).reshape(persons, 2, count, rank, rank)
    gram = gram_parts[:, 0] + 1j * gram_parts[:, 1]
    entries = (change.entries * dt)[:, None, :, :].astype(np.complex128)
    core = np.linalg.solve(np.eye(rank) + entries @ gram, np.broadcast_to(entries, gram.shape))
    core *= -residues[:, None, None]
    left = (y @ scaled.transpose(0, 2, 1)).reshape(persons, rows, 2, count, rank)
    middle = (left[:, :, 0] + 1j * left[:, :, 1]).transpose(0, 2, 1, 3) @ core  # (P, poles, K, r)
    right = np.empty((persons, rows, 2, count, rank))
    right[:, :, 0] = middle.real.transpose(0, 2, 1, 3)
    right[:, :, 1] = -middle.imag.transpose(0, 2, 1, 3)  # Re(a b) = Re a Re b - Im a Im b
    moved += right.reshape(persons, rows, 2 * count * rank) @ scaled
    return moved
