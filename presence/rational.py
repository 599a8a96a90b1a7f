"""Exponentials of generators that are known but for little, through resolvents: `exp(z) ~ sum_k c_k / (z - z_k)`.

A change of few entries is carried along by Woodbury's formula in each resolvent. Where all parts of a generator meet in
few states, and each part is decomposed by itself, Schur's complement of the parts in each resolvent does it.

Sources: Cody, Meinardus & Varga 1969 (J. Approx. Theory 2:50), best rational approximation of exp on (-inf, 0];
Trefethen, Weideman & Schmelzer 2006 (BIT 46:653), section 4, computing it by the Caratheodory-Fejer method;
Zhang 2005, "The Schur Complement and Its Applications", section 1.2 (inverses of partitioned matrices).
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


class Correction(NamedTuple):
    """What a change adds to a step in the eigenbasis, `Re sum_k (y R_k A) core_k (W' R_k)`, R_k the resolvents.

    Complex arithmetic is carried as pairs of real arrays for speed.
    """

    into: Array
    """Shape (2 poles r, S): real and imaginary parts of `(R_k A)'`."""
    core: ComplexArray
    """Shape (poles, r, r)."""
    out_of: Array
    """Shape (2 poles r, S): real and imaginary parts of `W' R_k`."""

    def of(self, y: Array) -> Array:
        """What is added to rows y of shape (N, S)."""
        count, rank = self.core.shape[:2]
        left = (y @ self.into.T).reshape(len(y), 2, count, rank)
        middle = (left[:, 0] + 1j * left[:, 1]).transpose(1, 0, 2) @ self.core  # (poles, N, r)
        right = np.empty((len(y), 2, count, rank))
        right[:, 0] = middle.real.transpose(1, 0, 2)
        right[:, 1] = -middle.imag.transpose(1, 0, 2)  # Re(a b) = Re a Re b - Im a Im b
        added: Array = right.reshape(len(y), -1) @ self.out_of
        return added


def correction(values: Array, rows: Array, entries: Array, dt: float) -> Correction:
    """Woodbury's formula in each resolvent; the change is `A W'`, W being the columns that it changes.

    Args:
        values: shape (S,), 1/s: eigenvalues of the generator.
        rows: shape (r, S): the changed states' rows of its eigenvectors.
        entries: shape (r, r), 1/s: what is added to it.
        dt: seconds.
    """
    poles, residues = exponential_poles()
    columns = np.flatnonzero(entries.any(axis=0))
    count, rank = len(poles), len(columns)
    resolvent = 1.0 / (values * dt - poles[:, None])  # (poles, S)
    parts = np.concatenate([resolvent.real, resolvent.imag])[:, None, :]  # (2 poles, 1, S)
    targets, sources = rows[columns], entries[:, columns].T @ rows
    into = (parts * sources).reshape(-1, len(values))
    out_of = (parts * targets).reshape(-1, len(values))
    gram_parts = (out_of @ sources.T).reshape(2, count, rank, rank)
    gram = gram_parts[0] + 1j * gram_parts[1]
    core = np.linalg.inv(np.eye(rank) + dt * gram) * (-dt * residues[:, None, None])
    return Correction(into, core, out_of)


class Meeting(NamedTuple):
    """Where the parts of G generators meet: h states through which every way from one part to another leads."""

    states: IndexArray
    """Shape (h,)."""
    into: Array
    """Shape (G, S, h), 1/s: rates from the parts' eigenvectors into these states; 0 in the rows of these states."""
    out_of: Array
    """Shape (G, h, S), 1/s: and back; 0 in the columns of these states."""
    own: Array
    """Shape (G, h, h), 1/s: rates between these states, with the diagonal."""
    slowest: float
    """1/s: as `LONGEST_DECAY` asks: how fast the slowest mass decays."""

    def of(self, own: slice) -> Meeting:
        """Those of some generators."""
        return self._replace(into=self.into[own], out_of=self.out_of[own], own=self.own[own])


def through(meeting: Meeting, values: Array, dt: float) -> tuple[Array, Array]:
    """What meeting adds to a step in the eigenbasis of the parts: `y U W` beside `y exp(values dt)`.

    With R the parts' resolvent, A and B the rates into and out of the meeting states, H their own,

        (t Q - z)^-1 = [R 0; 0 0] + [-t R A; 1] (t H - z - t^2 B R A)^-1 [-t B R, 1].

    Args:
        meeting: where the parts meet.
        values: shape (G, S), 1/s: eigenvalues of the parts; anything that is far below zero for the meeting states.
        dt: seconds.

    Returns:
        Shapes (G, S, 2 poles h) and (G, 2 poles h, S): real and imaginary parts, one after the other.
    """
    poles, residues = exponential_poles()
    kinds, states, width = meeting.into.shape
    at, here, count = meeting.states, np.arange(width), len(poles) * width
    resolvent = (-dt) / (values[:, None] * dt - poles[:, None])  # (G, poles, S)
    into = resolvent[:, :, :, None] * meeting.into[:, None]  # (G, poles, S, h)
    out_of = meeting.out_of[:, None] * resolvent[:, :, None]  # (G, poles, h, S)
    core = dt * (meeting.own[:, None] + meeting.out_of[:, None] @ into)
    core[:, :, here, here] -= poles[:, None]
    into[:, :, at, here] = out_of[:, :, here, at] = 1.0
    inner = ((np.linalg.inv(core) * residues[:, None, None]) @ out_of).reshape(kinds, count, states)
    outer = np.empty((kinds, states, 2, len(poles), width))
    outer[:, :, 0], outer[:, :, 1] = (part.transpose(0, 2, 1, 3) for part in (into.real, into.imag))
    real_parts = np.concatenate([inner.real, -inner.imag], axis=1)  # Re(a b) = Re a Re b - Im a Im b
    return outer.reshape(kinds, states, 2 * count), real_parts
