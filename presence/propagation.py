"""Exact movement of many distributions at once under one reversible generator with a few changed entries.

A generator is reversible when weights `u` exist with `u[i] q[i, j] = u[j] q[j, i]` (symmetric flows). Then
`B = D Q D^-1`, `D = diag(sqrt(u))`, is symmetric and one eigendecomposition serves every time step:
`exp(Q t) = D^-1 V exp(L t) V' D`.

Sensors that are blind and doors that stand open change only the entries of a few states. Such a change of rank r
is carried through the resolvent (Woodbury's formula) inside a rational approximation of the exponential,

    exp(t (B + A W')) = exp(t B) + correction,      exp(z) ~ r0 + sum_k c_k / (z - z_k),

so nothing is decomposed again (`rational`). Where parts meet in few states, it is cheaper to decompose anew only the
parts that have changed (`dissect`); where states are few, or the change is large, the changed generator itself
(`absorb`), for it is reversible, too, with other weights, but for very few entries.

Source: Kelly 1979, "Reversibility and Stochastic Networks", section 1.2, and section 1.5, Kolmogorov's criteria.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.rational import Correction, Meeting, correction, passing

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]

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
    """Shape (G, S), 1/s: eigenvalues, ascending, none above zero; G = 0 in parts."""
    left: Array
    """Shape (G, S, S): `D^-1 V`, eigenvectors in columns."""
    symmetric: Array
    """Shape (G, S, S), 1/s: `B`; G = 0 in what `absorb` gives."""
    members: tuple[tuple[int, ...], ...]
    """The beings that each of the G generators moves."""
    tree: Tree
    meeting: Meeting | None = None
    """Where parts meet, if they are decomposed each by itself: `left` has shape (G, N, n, n) then, see `Meeting`."""

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
            meeting=None if self.meeting is None else self.meeting.of(own),
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


def propagate(base: Reversible, x: Array, dt: float, change: Change | None = None) -> Array:
    """Move distributions by dt seconds: `x[p, k] exp((Q_p + change_p) dt)`.

    Args:
        base: the decomposed generators.
        x: shape (P, K, S), non-negative rows.
        dt: seconds, not negative.
        change: entries that differ from the base for the whole step.

    Returns:
        Shape (P, K, S), non-negative; what is missing from a row's sum is the probability of a marked event.

    Raises:
        ValueError: if entries differ from a base in parts; such a change belongs into the parts (`dissect`).
    """
    if dt <= 0.0:
        return x
    if base.meeting is not None:
        if change is not None and change.entries.any():
            raise ValueError("generators in parts carry no change; dissect them with the change")
        return _in_parts(base, base.meeting, x, dt)
    steps = _steps(-min(base.values[:, -1].tolist(), default=0.0), dt)
    grouped = _grouped(base.members)
    rows = x if grouped.order is None else x[grouped.order]
    decay = np.exp(base.values * (dt / steps))[grouped.kinds, None]
    right = base.left.swapaxes(-1, -2)
    weights = base.scale[grouped.beings, None] ** 2
    changed = None
    if change is not None and change.entries.any():
        changed = _correction(base, dt / steps, change)
    for _ in range(steps):
        y = _times(rows, base.left, grouped)
        z = y * decay
        if changed is not None:
            inward = _times(y, changed.into, grouped)
            z += _times(changed.between(inward, grouped.kinds), changed.out_of, grouped)
        rows = _times(z, right, grouped)
        rows *= weights
        np.maximum(rows, 0.0, out=rows)
    return rows if grouped.order is None else rows[grouped.place]


def _steps(slowest: float, dt: float) -> int:
    """In how many steps to move: small masses keep their digits only if each step starts from masses near one."""
    return max(1, math.ceil(slowest * dt / LONGEST_DECAY))


def _in_parts(base: Reversible, meeting: Meeting, x: Array, dt: float) -> Array:
    """The same by generators in parts: all in slots, one distribution a column."""
    steps, grouped, slots = _steps(meeting.slowest, dt), _grouped(base.members), meeting.slots.ravel()
    kinds = grouped.kinds[grouped.place]
    decay = np.exp(meeting.values * (dt / steps)).take(kinds, axis=0)[:, :, None]
    right = base.left.take(kinds, axis=0)
    left = right.swapaxes(-1, -2)
    weights = (base.scale**2).take(slots, axis=1)[:, :, None]
    through = passing(meeting, dt / steps)
    columns = x.transpose(0, 2, 1).take(slots, axis=1)
    for _ in range(steps):
        y = _part_by_part(left, columns)
        z = y * decay
        through.add(y, z, kinds)
        columns = _part_by_part(right, z)
        columns *= weights
        np.maximum(columns, 0.0, out=columns)
    return np.ascontiguousarray(columns.take(meeting.place, axis=1).transpose(0, 2, 1))


def _part_by_part(blocks: Array, columns: Array) -> Array:
    """Matrices that lead nowhere out of a part, shape (P, N, n, n), times columns (P, N n, K)."""
    product: Array = blocks @ columns.reshape(*blocks.shape[:3], columns.shape[2])
    return product.reshape(columns.shape)


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
    """Rows (P, K, S), grouped, times the matrix of each group's generator (G, S, N): few products of many rows."""
    persons, count, states = rows.shape
    width = matrices.shape[2]
    if grouped.equal:
        product: Array = rows.reshape(len(matrices), -1, states) @ matrices
        return product.reshape(persons, count, width)
    product = np.empty((persons, count, width))
    for matrix, own in zip(matrices, grouped.spans, strict=True):
        np.matmul(rows[own].reshape(-1, states), matrix, out=product[own].reshape(-1, width))
    return product


def _correction(base: Reversible, dt: float, change: Change) -> Correction:
    """What a change adds to a step."""
    rows = base.left[:, change.states] * base.scale[base.firsts][:, change.states, None]
    return correction(base.values, rows, change.entries, dt)
