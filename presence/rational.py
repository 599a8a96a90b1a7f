"""Exponentials of generators that are known but for little, through resolvents: `exp(z) ~ sum_k c_k / (z - z_k)`.

A change of few entries is carried along by Woodbury's formula in each resolvent. Where all parts of a generator meet in
few states, and each part is decomposed by itself, Schur's complement of the parts in each resolvent does it.

Sources: Cody, Meinardus & Varga 1969 (J. Approx. Theory 2:50), best rational approximation of exp on (-inf, 0];
Pusa 2011 (Nuclear Science and Engineering 169:155), its coefficients;
Zhang 2005, "The Schur Complement and Its Applications", section 1.2 (inverses of partitioned matrices).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
IndexArray = NDArray[np.intp]

POLES: ComplexArray = np.array(
    [
        -8.8977731864688888199 + 16.630982619902085304j,
        -3.7032750494234480603 + 13.656371871483268171j,
        -0.2087586382501301251 + 10.991260561901260913j,
        2.2697838292311127097 + 8.4617379730402214019j,
        3.9933697105785685194 + 6.0048316422350373178j,
        5.0893450605806245066 + 3.5888240290270065102j,
        5.6231425727459771248 + 1.1940690463439669766j,
    ]
)
RESIDUES: ComplexArray = np.array(
    [
        -7.1542880635890672853e-5 + 1.4361043349541300111e-4j,
        9.4390253107361688779e-3 - 1.7184791958483017511e-2j,
        -3.7636003878226968717e-1 + 3.3518347029450104214e-1j,
        4.8071120988325088907 - 1.3209793837428723881j,
        -23.498232091082701191 - 5.8083591297142074004j,
        46.933274488831293047 + 45.643649768827760791j,
        -27.875161940145646468 - 102.14733999056451434j,
    ]
) * (2.0 + 0.0j)
"""Best rational approximation of degree 14 on (-inf, 0], one of each conjugate pair, residues doubled.

`exp(x) ~ Re sum_k RESIDUES[k] / (x - POLES[k])`, with an error below 4e-14: twice the least possible, for a constant
of 1.8e-14 is left out. Tabulated, because what double precision computes is lost in the fifth digit and differs from
one processor to the next. Source: Pusa 2011, coefficients of order 14 (from memory; `tests/test_propagation.py`
checks that they are the best)."""


class Correction(NamedTuple):
    """What a change adds to a step in the eigenbasis, `Re sum_k (y R_k A) core_k (W' R_k)`, R_k the resolvents.

    Complex arithmetic is carried as pairs of real arrays for speed.
    """

    into: Array
    """Shape (G, S, 2 poles r): real and imaginary parts of `R_k A`."""
    core: ComplexArray
    """Shape (G, poles, r, r)."""
    out_of: Array
    """Shape (G, 2 poles r, S): real and imaginary parts of `W' R_k`."""

    def between(self, inward: Array, kinds: IndexArray) -> Array:
        """What goes through the core, of beings who are moved by the given generators (P,).

        From rows times `into` to rows that are multiplied by `out_of`, both of shape (P, K, 2 poles r).
        """
        persons, count = inward.shape[:2]
        poles, rank = self.core.shape[1:3]
        left = inward.reshape(persons, count, 2, poles, rank)
        middle = (left[:, :, 0] + 1j * left[:, :, 1]).transpose(0, 2, 1, 3) @ self.core[kinds]  # (P, poles, K, r)
        right = np.empty_like(left)
        right[:, :, 0] = middle.real.transpose(0, 2, 1, 3)
        right[:, :, 1] = -middle.imag.transpose(0, 2, 1, 3)  # Re(a b) = Re a Re b - Im a Im b
        return right.reshape(inward.shape)


def correction(values: Array, rows: Array, entries: Array, dt: float) -> Correction:
    """Woodbury's formula in each resolvent; the change is `A W'`, W being the columns that it changes.

    Args:
        values: shape (G, S), 1/s: eigenvalues of the generators.
        rows: shape (G, r, S): the changed states' rows of their eigenvectors.
        entries: shape (G, r, r), 1/s: what is added to them.
        dt: seconds.
    """
    columns = np.flatnonzero(entries.any(axis=(0, 1)))
    kinds, count, rank = len(values), len(POLES), len(columns)
    resolvent = 1.0 / (values[:, None] * dt - POLES[:, None])  # (G, poles, S)
    parts = np.concatenate([resolvent.real, resolvent.imag], axis=1)[:, :, None]  # (G, 2 poles, 1, S)
    targets, sources = rows[:, columns], entries[:, :, columns].transpose(0, 2, 1) @ rows
    into = (parts * sources[:, None]).reshape(kinds, 2 * count * rank, values.shape[1])
    out_of = (parts * targets[:, None]).reshape(into.shape)
    gram_parts = (out_of @ sources.transpose(0, 2, 1)).reshape(kinds, 2, count, rank, rank)
    gram = gram_parts[:, 0] + 1j * gram_parts[:, 1]
    core = np.linalg.inv(np.eye(rank) + dt * gram) * (-dt * RESIDUES[:, None, None])
    return Correction(into.transpose(0, 2, 1), core, out_of)


@dataclass(frozen=True, eq=False)
class Meeting:
    """Where the parts of G generators meet: h states through which every way from one part to another leads.

    All is said in slots: n for each of N parts and, each by itself, the meeting states. Beside each meeting state
    are up to m of them, those of the parts that touch it; shorter rows are filled up with rates of 0.
    """

    states: IndexArray
    """Shape (h,): the states..."""
    at: IndexArray
    """...and the slot of each."""
    near: IndexArray
    """Shape (h, m): the slots beside each."""
    added: tuple[IndexArray, ...]
    """Shape (N n,) each: what `Passing.add` adds to each slot, one after the other, by places in `near`, counted row by
    row, and then in `at`; h m + h for nothing."""
    values: Array
    """Shape (G, N n), 1/s: eigenvalues of the parts."""
    into: Array
    """Shape (G, h, m), 1/s: rates from the eigenvectors of the parts beside it into each."""
    out_of: Array
    """Shape (G, h, h, m), 1/s: rates from each (first) into the eigenvectors beside each (second)."""
    own: Array
    """Shape (G, h, h), 1/s: rates between these states, with the diagonal."""
    slots: IndexArray
    """Shape (N, n): the states of each part and, each by itself, the meeting ones; shorter rows end in 0."""
    place: IndexArray
    """Shape (S,): the slot of each state."""
    slowest: float
    """1/s: how fast the slowest mass decays."""

    def of(self, own: slice) -> Meeting:
        """Those of some generators."""
        some = {name: getattr(self, name)[own] for name in ("values", "into", "out_of", "own")}
        return replace(self, **some)


class Passing(NamedTuple):
    """What goes through the meeting states in a step, in the eigenbasis of the parts: `y U core W`, pole by pole.

    With R the parts' resolvent, A and B the rates into and out of the meeting states, H their own,

        (t Q - z)^-1 = [R 0; 0 0] + [-t R A; 1] (t H - z - t^2 B R A)^-1 [-t B R, 1].
    """

    meeting: Meeting
    into: Array
    """Shape (G, h, 2 poles, m): `-t R A`, real and imaginary parts."""
    core: ComplexArray
    """Shape (G, poles, h, h), with the residues."""
    out_of: Array
    """Shape (G, h, 2 poles, m): `-t B R`, real and imaginary parts."""

    def add(self, y: Array, z: Array, kinds: IndexArray) -> None:
        """Add it to z; both of shape (P, N n, K), of beings who are moved by the given generators (P,)."""
        (persons, _, count), (h, m), poles = y.shape, self.meeting.near.shape, self.core.shape[1]
        beside = y.take(self.meeting.near.ravel(), axis=1).reshape(persons, h, m, count).swapaxes(2, 3)
        inward = beside @ self.into.take(kinds, axis=0).swapaxes(2, 3)  # (P, h, K, 2 poles)
        there = np.empty((persons, h, count, poles), dtype=np.complex128)
        np.add(inward[..., :poles], y.take(self.meeting.at, axis=1)[..., None], out=there.real)
        there.imag = inward[..., poles:]
        middle = there.transpose(0, 3, 2, 1) @ self.core.take(kinds, axis=0)  # (P, poles, K, h)
        outward = np.empty((persons, 2 * poles, count, h))
        outward[:, :poles] = middle.real
        np.negative(middle.imag, out=outward[:, poles:])  # Re(a b) = Re a Re b - Im a Im b
        come, from_each = np.zeros((persons, h * m + h + 1, count)), self.out_of.take(kinds, axis=0).swapaxes(2, 3)
        np.matmul(from_each, outward.transpose(0, 3, 1, 2), out=come[:, : h * m].reshape(persons, h, m, count))
        come[:, h * m : -1] = outward[:, :poles].sum(axis=1).transpose(0, 2, 1)
        for each in self.meeting.added:
            z += come.take(each, axis=1)


@lru_cache(maxsize=16)
def passing(meeting: Meeting, dt: float) -> Passing:
    """What meeting adds to a step of dt seconds; quiet minutes ask for the same again."""
    here, poles = np.arange(len(meeting.states)), len(POLES)
    resolvent = (-dt) / (meeting.values[:, None, meeting.near] * dt - POLES[:, None, None])  # (G, poles, h, m)
    near = np.empty((len(resolvent), len(here), 2 * poles, meeting.near.shape[1]))
    near[:, :, :poles], near[:, :, poles:] = (part.transpose(0, 2, 1, 3) for part in (resolvent.real, resolvent.imag))
    into, out_of = near * meeting.into[:, :, None], near * meeting.out_of[:, here, here][:, :, None]
    gram = (meeting.out_of.transpose(0, 2, 1, 3) @ into.swapaxes(2, 3)).transpose(0, 3, 2, 1)  # (G, 2 poles, h, h)
    core = np.empty((len(meeting.values), poles, len(here), len(here)), dtype=np.complex128)
    core.real, core.imag = dt * (meeting.own[:, None] + gram[:, :poles]), dt * gram[:, poles:]
    core[:, :, here, here] -= POLES[:, None]
    return Passing(meeting, into, np.linalg.inv(core) * RESIDUES[:, None, None], out_of)
