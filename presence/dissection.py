"""A changed generator in parts that meet in few states: only the parts that have changed are decomposed again.

Without the states in which many ways meet (corridors), a generator falls into small parts (rooms). Each part is
reversible by itself, so a change within it takes the decomposition of a few states; what goes through the meeting
states is put back in each resolvent (`rational.passing`). So no set of changes costs more than any other.

Source: George 1973 (SIAM J. Numer. Anal. 10:345), dissection by separators.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.propagation import Change, Reversible
from presence.rational import Meeting

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]

LARGEST_PART = 8
"""States that a part may have."""
WORTH = 0.5
"""A change of fewer states than this many times as many as meet is carried along at less cost."""
FAR = -1e200
"""1/s: stands for the eigenvalue of a meeting state, which has none of its own."""
SAME = 1e-14
"""Rates that differ by no more than this share of the largest one are equal either way."""


class Part(NamedTuple):
    """One part of G generators, its m states decomposed, and how it meets the others in h states."""

    values: Array
    """Shape (G, m), 1/s."""
    left: Array
    """Shape (G, m, m), as `Reversible.left`."""
    into: Array
    """Shape (G, m, h), 1/s: rates from the eigenvectors into the meeting states..."""
    out_of: Array
    """...and shape (G, h, m), from those into the eigenvectors."""


Known = Callable[[Hashable, Callable[[], Part]], Part]


class Parts(NamedTuple):
    """The parts of G generators over S states, decomposed."""

    whole: Reversible
    """The same generators, in parts."""
    into: Array
    """Shape (G, S, h), 1/s: rates of all parts into the meeting states..."""
    out_of: Array
    """...and shape (G, h, S), out of them."""
    part: IndexArray
    """Shape (S,): the part of each state; -1 where they meet."""
    states: tuple[IndexArray, ...]
    """The states of each part."""
    touching: NDArray[np.bool_]
    """Shape (S, h): whether the part of a state touches each meeting state; all true where they meet."""


def parts_of(base: Reversible) -> Parts | None:
    """Take out the state with the most moves, again and again, until all parts are small; None where it is no use."""
    kinds, size = base.symmetric.shape[:2]
    near = base.symmetric.any(axis=0) & ~np.eye(size, dtype=bool)
    meeting: list[int] = []
    while True:
        part = _connected(near, meeting)
        sizes = np.bincount(part[part >= 0], minlength=1)
        large = (part >= 0) & (sizes[part] > LARGEST_PART)
        if not large.any():
            break
        meeting.append(int(np.argmax(np.where(large, near.sum(axis=0), -1))))
        near[meeting[-1]] = near[:, meeting[-1]] = False
    if not meeting or 4 * len(meeting) > size:
        return None
    at = np.array(meeting, dtype=np.intp)
    states = tuple(np.flatnonzero(part == n) for n in range(len(sizes)))
    values, left = np.full((kinds, size), FAR), np.zeros((kinds, len(states) + len(at), sizes.max(), sizes.max()))
    left[:, len(states) :, 0, 0] = 1.0 / base.scale[base.firsts][:, at]
    into, out_of = np.zeros((kinds, size, len(at))), np.zeros((kinds, len(at), size))
    for n, own in enumerate(states):
        found = _part(base, at, own, None)
        _put(found, own, values, into, out_of)
        left[:, n, : len(own), : len(own)] = found.left
    touching = np.ones((size, len(at)), dtype=bool)
    for own in states:
        touching[own] = base.symmetric[:, own[:, None], at].any(axis=(0, 1))
    beside = tuple(np.flatnonzero(touching[:, n] & (part >= 0)) for n in range(len(at)))
    around, slots = _filled_up(beside), _filled_up([*states, *at[:, None]])
    place = np.zeros(size, dtype=np.intp)
    for n, own in enumerate([*states, *at[:, None]]):
        place[own] = n * slots.shape[1] + np.arange(len(own))
    own_rates, slowest = base.symmetric[:, at[:, None], at], -float(base.values[:, -1].min())
    where = Meeting(at, around, beside, *_beside(into, out_of, around, beside), own_rates, slots, place, slowest)
    whole = base._replace(values=values, left=left, symmetric=base.symmetric[:0], meeting=where)
    return Parts(whole, into, out_of, part, states, touching)


def _filled_up(rows: Sequence[IndexArray]) -> IndexArray:
    """Rows of different lengths as one matrix, the shorter ones filled up with 0."""
    matrix = np.zeros((len(rows), max(map(len, rows), default=0)), dtype=np.intp)
    for filled, row in zip(matrix, rows, strict=True):
        filled[: len(row)] = row
    return matrix


def _beside(into: Array, out_of: Array, near: IndexArray, beside: tuple[IndexArray, ...]) -> tuple[Array, Array]:
    """`Meeting.into` and `Meeting.out_of` from the rates of all states."""
    filled = np.arange(near.shape[1]) < np.array([len(own) for own in beside])[:, None]
    here = np.arange(len(near))[:, None]
    return into[:, near, here] * filled, out_of[:, :, near] * filled


def _connected(near: NDArray[np.bool_], without: list[int]) -> IndexArray:
    """Shape (S,): the part of each state if some are taken out, -1 for those."""
    part = np.full(len(near), -2, dtype=np.intp)
    part[without] = -1
    for start in range(len(near)):
        if part[start] != -2:
            continue
        reached = np.zeros(len(near), dtype=bool)
        reached[start] = True
        while (more := near[reached].any(axis=0) & ~reached).any():
            reached |= more
        part[reached] = start
    part[part >= 0] = np.unique(part[part >= 0], return_inverse=True)[1]
    return part


def _part(base: Reversible, at: IndexArray, own: IndexArray, change: Change | None) -> Part:
    """Decompose the part with these states, which meets others at some; only entries of both are in the change."""
    both = np.concatenate([own, at])
    block, size = base.symmetric[:, both[:, None], both], len(own)
    if change is not None:
        place = (both == change.states[:, None]).argmax(axis=1)
        block[:, place[:, None], place] += change.entries
    values, vectors = np.linalg.eigh(block[:, :size, :size])
    into, out_of = vectors.transpose(0, 2, 1) @ block[:, :size, size:], block[:, size:, :size] @ vectors
    return Part(np.minimum(values, 0.0), vectors / base.scale[base.firsts][:, own, None], into, out_of)


def _put(part: Part, own: IndexArray, values: Array, into: Array, out_of: Array) -> None:
    """A part in its place, shapes (G, S), (G, S, h) and (G, h, S)."""
    values[:, own], into[:, own], out_of[:, :, own] = part.values, part.into, part.out_of


def worth_dissecting(parts: Parts | None, change: Change) -> bool:
    """Whether a change is large enough, and each entry within a part (equal either way) or where parts meet."""
    if parts is None:
        return False
    at = parts.whole.meeting.states if parts.whole.meeting is not None else parts.part[:0]
    if len(change.states) < WORTH * len(at):
        return False
    entries, part = change.entries, parts.part[change.states]
    one, other = np.nonzero(entries.any(axis=0))
    inside = (part[one] == part[other]) & (part[one] >= 0)
    apart = (part[one] != part[other]) & (part[one] >= 0) & (part[other] >= 0)
    one_way = np.abs(entries[:, one, other] - entries[:, other, one]) > SAME * np.abs(entries).max(initial=0.0)
    if apart.any() or one_way[:, inside].any():
        return False
    crossing = (part[one] >= 0) != (part[other] >= 0)  # who meets somewhere only by this change is no part beside it
    one, other = one[crossing], other[crossing]
    here, there = (np.where(part[one] >= 0, *pair) for pair in ((one, other), (other, one)))
    meeting = (at == change.states[there, None]).argmax(axis=1) if there.size else there
    return bool(parts.touching[change.states[here], meeting].all())


def dissect(base: Reversible, parts: Parts, change: Change, known: Known) -> Reversible:
    """The changed generators in parts.

    Args:
        base: the generators at rest.
        parts: the same in parts.
        change: entries that differ.
        known: gives what it remembers for a key, or what a function gives.
    """
    where = parts.whole.meeting
    assert where is not None, "parts meet somewhere"
    at, part = where.states, parts.part[change.states]
    values, into, out_of = parts.whole.values.copy(), parts.into.copy(), parts.out_of.copy()
    meets, left = part < 0, parts.whole.left.copy()
    there, here = np.asarray(change.entries.any(axis=0)), meets.nonzero()[0]
    joined = there | there.T
    for n in sorted(set(part[~meets].tolist())):
        inside = (part == n).nonzero()[0]
        own = np.concatenate([inside, here[joined[inside[:, None], here].any(axis=0)]])
        mine = change.entries[:, own[:, None], own]
        mine[:, len(inside) :, len(inside) :] = 0.0  # is no matter of this part, which is known again without it
        some = Change(change.states[own], mine)
        key = n, some.states.tobytes(), some.entries.tobytes()
        found = known(key, partial(_part, base, at, parts.states[n], some))
        _put(found, parts.states[n], values, into, out_of)
        size = len(parts.states[n])
        left[:, n, :size, :size] = found.left
    place = (at == change.states[here, None]).argmax(axis=1)
    own_rates = where.own.copy()
    own_rates[:, place[:, None], place] += change.entries[:, here[:, None], here]
    near_into, near_out = _beside(into, out_of, where.near, where.beside)
    meeting = where._replace(into=near_into, out_of=near_out, own=own_rates)
    return parts.whole._replace(values=values, left=left, meeting=meeting)
