"""Exact movement of many distributions at once under one reversible generator with a few changed entries.

A generator is reversible when weights `u` exist with `u[i] q[i, j] = u[j] q[j, i]` (symmetric flows). Then
`B = D Q D^-1`, `D = diag(sqrt(u))`, is symmetric and one eigendecomposition serves every time step:
`exp(Q t) = D^-1 V exp(L t) V' D`.

Sensors that are blind and doors that stand open change only the entries of a few states. Such a change of rank r
is carried through the resolvent (Woodbury's formula) inside a rational approximation of the exponential,

    exp(t (B + A W')) = exp(t B) + correction,      exp(z) ~ r0 + sum_k c_k / (z - z_k),

so nothing is decomposed again. Where states are few, or the change is large, it is cheaper to decompose the changed
generator itself (`absorb`), for it is reversible, too, with other weights, but for very few entries.

Sources: Cody, Meinardus & Varga 1969 (J. Approx. Theory 2:50), best rational approximation of exp on (-inf, 0];
Trefethen, Weideman & Schmelzer 2006 (BIT 46:653), section 4, computing it by the Caratheodory-Fejer method;
Kelly 1979, "Reversibility and Stochastic Networks", section 1.2, and section 1.5, Kolmogorov's criteria.
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
    """Entries of the generators that differ from their base: `entries[g]` is added at `states` x `states`."""

    states: IndexArray
    """Shape (r,): the states concerned."""
    entries: Array
    """Shape (G, r, r), 1/s: what is added to each different generator, in the symmetric coordinates `D Q D^-1`."""


class Tree(NamedTuple):
    """A spanning tree over the moves of the base, or one for each part where they do not join all states."""

    above: IndexArray
    """Shape (S,): the state above each; roots are above themselves."""
    paths: Array
    """Shape (S, S): 1 where the way from the root to state i leads over the edge above state j."""


class Reversible(NamedTuple):
    """Eigendecompositions of reversible generators over the same S states (row = from, column = to).

    P beings move by G different generators.
    """

    scale: Array
    """Shape (P, S): square roots of the weights, `D`."""
    values: Array
    """Shape (G, S), 1/s: eigenvalues, ascending, none above zero."""
    left: Array
    """Shape (G, S, S): `D^-1 V`, eigenvectors in columns."""
    symmetric: Array
    """Shape (G, S, S), 1/s: `B`; G = 0 in what `absorb` gives."""
    members: tuple[tuple[int, ...], ...]
    """The beings that each of the G generators moves."""
    tree: Tree

    @property
    def firsts(self) -> list[int]:
        """The first being of each generator."""
        return [beings[0] for beings in self.members]

    def kind(self, being: int) -> int:
        """Which of the G generators moves a being."""
        return next(kind for kind, beings in enumerate(self.members) if being in beings)

    def of(self, being: int) -> Reversible:
        """The generator of one being."""
        one, own = slice(being, being + 1), slice(self.kind(being), self.kind(being) + 1)
        return self._replace(
            scale=self.scale[one],
            values=self.values[own],
            left=self.left[own],
            symmetric=self.symmetric[own],
            members=((0,),),
        )


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
    alike: dict[bytes, list[int]] = {}
    for p in range(len(scale)):
        alike.setdefault(scale[p].tobytes() + symmetric[p].tobytes(), []).append(p)
    members = tuple(tuple(beings) for beings in alike.values())
    firsts = [beings[0] for beings in members]
    return decomposed(scale, symmetric[firsts], members, _spanning_tree(symmetric.max(axis=0, initial=0.0)))


def decomposed(scale: Array, symmetric: Array, members: tuple[tuple[int, ...], ...], tree: Tree) -> Reversible:
    """Decompose generators given in symmetric coordinates, shape (G, S, S)."""
    values, vectors = np.linalg.eigh(symmetric)
    own = scale[[beings[0] for beings in members]]
    return Reversible(scale, np.minimum(values, 0.0), vectors / own[:, :, None], symmetric, members, tree)


def _spanning_tree(moves: Array) -> Tree:
    """A tree along the fastest moves, shape (S, S) symmetric, grown from one state of each part (Prim 1957)."""
    size = len(moves)
    above, paths = np.arange(size), np.zeros((size, size))
    reach, via, inside = np.zeros(size), np.arange(size), np.zeros(size, dtype=bool)
    for _ in range(size):
        state = int(np.argmax(np.where(inside, -1.0, reach)))
        if reach[state] > 0.0:
            above[state] = via[state]
            paths[state] = paths[via[state]]
            paths[state, state] = 1.0
        inside[state] = True
        nearer = moves[state] > reach
        reach[nearer], via[nearer] = moves[state, nearer], state
    return Tree(above, paths)


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
    steps = max(1, int(np.ceil(-float(base.values[:, -1].min(initial=0.0)) * dt / LONGEST_DECAY)))
    grouped = _grouped(base.members)
    rows = x if grouped.order is None else x[grouped.order]
    decay, weights = np.exp(base.values * (dt / steps)), base.scale[grouped.beings] ** 2
    decay, weights, right = decay[grouped.kinds, None], weights[:, None], base.left.transpose(0, 2, 1)
    changed = None
    if change is not None and change.states.size:
        changed = [_correction(base, kind, dt / steps, change) for kind in range(len(base.members))]
    for _ in range(steps):  # small masses keep their digits only if each step starts from masses near one
        y = _times(rows, base.left, grouped)
        z = y * decay
        if changed is not None:
            for correction, own in zip(changed, grouped.spans, strict=True):
                z[own] += correction.of(y[own].reshape(-1, y.shape[2])).reshape(z[own].shape)
        rows = _times(z, right, grouped)
        rows *= weights
        np.maximum(rows, 0.0, out=rows)
    return rows if grouped.order is None else rows[grouped.place]


class _Grouped(NamedTuple):
    """Beings that move alike, one group after the other."""

    beings: IndexArray
    """Shape (P,): the beings in this order."""
    order: IndexArray | None
    """The same, None where that is their own order..."""
    place: IndexArray
    """...and the place of each in it."""
    kinds: IndexArray
    """Shape (P,): the generator of each."""
    spans: tuple[slice, ...]
    """Where those of each generator are."""
    equal: bool
    """Whether all groups are of one size."""


@lru_cache(maxsize=64)
def _grouped(members: tuple[tuple[int, ...], ...]) -> _Grouped:
    beings = np.array([being for group in members for being in group], dtype=np.intp)
    sizes = [len(group) for group in members]
    ends = np.cumsum([0, *sizes]).tolist()
    place = np.argsort(beings)
    kinds = np.repeat(np.arange(len(members)), sizes)
    order = None if (place == np.arange(len(beings))).all() else beings
    return _Grouped(beings, order, place, kinds, tuple(map(slice, ends[:-1], ends[1:])), len(set(sizes)) <= 1)


def _times(rows: Array, matrices: Array, grouped: _Grouped) -> Array:
    """Rows (P, K, S), grouped, times the matrix of each group's generator (G, S, S): few products of many rows."""
    states = rows.shape[2]
    if grouped.equal:
        product: Array = rows.reshape(len(matrices), -1, states) @ matrices
        return product.reshape(rows.shape)
    product = np.empty(rows.shape)
    for matrix, own in zip(matrices, grouped.spans, strict=True):
        np.matmul(rows[own].reshape(-1, states), matrix, out=product[own].reshape(-1, states))
    return product


class _Correction(NamedTuple):
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


def _correction(base: Reversible, kind: int, dt: float, change: Change) -> _Correction:
    """Woodbury's formula in each resolvent; the change is `A W'`, W being the columns that it changes."""
    poles, residues = exponential_poles()
    entries, values = change.entries[kind], base.values[kind]
    columns = np.flatnonzero(entries.any(axis=0))
    count, rank = len(poles), len(columns)
    resolvent = 1.0 / (values * dt - poles[:, None])  # (poles, S)
    parts = np.concatenate([resolvent.real, resolvent.imag])[:, None, :]  # (2 poles, 1, S)
    changed = base.left[kind][change.states] * base.scale[base.members[kind][0], change.states, None]  # (r, S)
    targets, sources = changed[columns], entries[:, columns].T @ changed
    into = (parts * sources).reshape(-1, len(values))
    out_of = (parts * targets).reshape(-1, len(values))
    gram_parts = (out_of @ sources.T).reshape(2, count, rank, rank)
    gram = gram_parts[0] + 1j * gram_parts[1]
    core = np.linalg.inv(np.eye(rank) + dt * gram) * (-dt * residues[:, None, None])
    return _Correction(into, core, out_of)
