"""A changed generator in parts that meet in few states: only the parts that have changed are decomposed again.

Without the states in which many ways meet (corridors), a generator falls into small parts (rooms). Each part is
reversible by itself, so a change within it takes the decomposition of a few states; what goes through the meeting
states is put back in each resolvent (`rational.passing`). So no set of changes costs more than any other.

Source: George 1973 (SIAM J. Numer. Anal. 10:345), dissection by separators.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Hashable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.absorbing import SAME
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


class Part(NamedTuple):
    """One part of G generators, its m states decomposed, and how it meets the others."""

    values: Array
    """Shape (G, m), 1/s."""
    left: Array
    """Shape (G, m, m), as `Reversible.left`."""
    into: Array
    """Shape (G, q), 1/s: rates from the eigenvectors into the meeting states beside them..."""
    out_of: Array
    """...and shape (G, h, q), from all meeting states into those eigenvectors; both as `Parts.beside`."""


Known = Callable[[Hashable, Callable[[], Part]], Part]


class Beside(NamedTuple):
    """Where the m states of one part are beside the meeting states; of q pairs of them, shape (q,) each."""

    slots: IndexArray
    """The place of each pair in `Meeting.near`, counted row by row."""
    state: IndexArray
    """Which state of the part, and..."""
    meeting: IndexArray
    """...which meeting state."""


class Parts(NamedTuple):
    """The parts of G generators over S states, decomposed."""

    whole: Reversible
    """The same generators, in parts."""
    meeting: Meeting
    """Where they meet, as in `whole`."""
    part: IndexArray
    """Shape (S,): the part of each state; -1 where they meet."""
    states: tuple[IndexArray, ...]
    """The states of each part..."""
    beside: tuple[Beside, ...]
    """...and where these are beside meeting ones."""
    touching: NDArray[np.bool_]
    """Shape (S, h): whether the part of a state touches each meeting state; all true where they meet."""


class Split(NamedTuple):
    """A change of G generators, part by part."""

    inside: dict[int, Change]
    """Entries of the states of each part concerned, and between them and those where parts meet..."""
    own: Array
    """...and shape (G, h, h), 1/s: between these."""
    concerned: int
    """How many states are concerned."""


def parts_of(base: Reversible) -> Parts | None:
    """Take out the state with the most moves, again and again, until all parts are small; None where it is no use."""
    kinds, size = base.symmetric.shape[:2]
    at, part = _taken_out(base.symmetric.any(axis=0) & ~np.eye(size, dtype=bool))
    if not len(at) or 4 * len(at) > size:
        return None
    states = tuple(np.flatnonzero(part == n) for n in range(part.max(initial=0) + 1))
    touching = np.ones((size, len(at)), dtype=bool)
    for own in states:
        touching[own] = base.symmetric[:, own[:, None], at].any(axis=(0, 1))
    beside = [np.flatnonzero(touching[:, n] & (part >= 0)) for n in range(len(at))]
    around, slots = _filled_up(beside), _filled_up([*states, *at[:, None]])
    place = np.zeros(size, dtype=np.intp)
    for n, own in enumerate([*states, *at[:, None]]):
        place[own] = n * slots.shape[1] + np.arange(len(own))
    filled = np.arange(around.shape[1]) < np.array([len(own) for own in beside])[:, None]
    added = _in_turn(place[around], filled, place[at], slots.size)
    own_rates, slowest = base.symmetric[:, at[:, None], at], -float(base.values[:, -1].min())
    into, out_of = np.zeros((kinds, *around.shape)), np.zeros((kinds, len(at), *around.shape))
    values, left = np.full((kinds, slots.size), FAR), np.zeros((kinds, len(slots), *slots.shape[1:] * 2))
    where = Meeting(at, place[at], place[around], added, values, into, out_of, own_rates, slots, place, slowest)
    left[:, len(states) :, 0, 0] = 1.0 / base.scale[base.firsts][:, at]
    whole = base._replace(values=base.values[:0], left=left, symmetric=base.symmetric[:0], meeting=where)
    parts = Parts(whole, where, part, states, tuple(_pairs(own, around, filled) for own in states), touching)
    for n in range(len(states)):
        _put(_part(base, parts, n, ()), parts, n, whole)
    return parts


def _taken_out(near: NDArray[np.bool_]) -> tuple[IndexArray, IndexArray]:
    """Where parts meet, so that all are small, and the part of each state, shape (S,); `near` are the moves (S, S)."""
    meeting: list[int] = []
    while True:
        part = _connected(near, meeting)
        large = (part >= 0) & (np.bincount(part[part >= 0], minlength=1)[part] > LARGEST_PART)
        if not large.any():
            return np.array(meeting, dtype=np.intp), part
        meeting.append(int(np.argmax(np.where(large, near.sum(axis=0), -1))))
        near[meeting[-1]] = near[:, meeting[-1]] = False


def _pairs(own: IndexArray, around: IndexArray, filled: NDArray[np.bool_]) -> Beside:
    """Where the states of a part are in `Meeting.near`, of which only some places are filled."""
    meeting, column = np.nonzero(filled & np.isin(around, own))
    return Beside(meeting * around.shape[1] + column, np.searchsorted(own, around[meeting, column]), meeting)


def _filled_up(rows: Sequence[IndexArray]) -> IndexArray:
    """Rows of different lengths as one matrix, the shorter ones filled up with 0."""
    matrix = np.zeros((len(rows), max(map(len, rows), default=0)), dtype=np.intp)
    for filled, row in zip(matrix, rows, strict=True):
        filled[: len(row)] = row
    return matrix


def _in_turn(near: IndexArray, filled: NDArray[np.bool_], at: IndexArray, size: int) -> tuple[IndexArray, ...]:
    """As `Meeting.added`: `near`, which of it are slots of parts, `at`, and how many slots there are."""
    added, times = list[IndexArray](), np.zeros(size, dtype=np.intp)
    every = np.concatenate([near.ravel(), at])
    for place in np.flatnonzero(np.concatenate([filled.ravel(), np.ones(len(at), dtype=bool)])).tolist():
        slot = every[place]
        if times[slot] == len(added):
            added.append(np.full(size, every.size, dtype=np.intp))
        added[times[slot]][slot] = place
        times[slot] += 1
    return tuple(added)


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


def _part(base: Reversible, parts: Parts, n: int, changes: Sequence[Change]) -> Part:
    """Decompose a part under changes of its states, and of moves between them and those where it meets others."""
    at, own, (_, state, meeting) = parts.meeting.states, parts.states[n], parts.beside[n]
    both = np.concatenate([own, at])
    block, size = base.symmetric[:, both[:, None], both], len(own)
    for change in changes:
        place = (both == change.states[:, None]).argmax(axis=1)
        block[:, place[:, None], place] += change.entries
    values, vectors = np.linalg.eigh(block[:, :size, :size])
    into, out_of = vectors.transpose(0, 2, 1) @ block[:, :size, size:], block[:, size:, :size] @ vectors
    left = vectors / base.scale[base.firsts][:, own, None]
    return Part(np.minimum(values, 0.0), left, into[:, state, meeting], out_of[:, :, state])


def _put(found: Part, parts: Parts, n: int, whole: Reversible) -> None:
    """A part in its place in all arrays of generators in parts."""
    meeting, slots = whole.meeting, parts.beside[n].slots
    assert meeting is not None, "it is in parts"
    kinds, own = len(found.values), parts.states[n]
    meeting.values[:, meeting.place[own]] = found.values
    whole.left[:, n, : len(own), : len(own)] = found.left
    pairs = meeting.near.size
    meeting.into.reshape(kinds, pairs)[:, slots] = found.into
    meeting.out_of.reshape(kinds, len(meeting.states), pairs)[:, :, slots] = found.out_of


def split(parts: Parts, change: Change) -> Split | None:
    """A change part by part; None unless each entry is within a part (equal either way) or where parts meet."""
    at, entries, part = parts.meeting.states, change.entries, parts.part[change.states]
    one, other = np.nonzero(entries.any(axis=0))
    inside = (part[one] == part[other]) & (part[one] >= 0)
    apart = (part[one] != part[other]) & (part[one] >= 0) & (part[other] >= 0)
    one_way = np.abs(entries[:, one, other] - entries[:, other, one]) > SAME * np.abs(entries).max(initial=0.0)
    if apart.any() or one_way[:, inside].any():
        return None
    crossing = (part[one] >= 0) != (part[other] >= 0)  # who meets somewhere only by this change is no part beside it
    one, other = one[crossing], other[crossing]
    here, there = (np.where(part[one] >= 0, *pair) for pair in ((one, other), (other, one)))
    meeting = (at == change.states[there, None]).argmax(axis=1) if there.size else there
    if not parts.touching[change.states[here], meeting].all():
        return None
    return _split(parts, change, part)


def _split(parts: Parts, change: Change, part: IndexArray) -> Split:
    at, entries, here = parts.meeting.states, change.entries, (part < 0).nonzero()[0]
    there = np.asarray(entries.any(axis=0))
    joined, found = there | there.T, {}
    for n in sorted(set(part[part >= 0].tolist())):
        inside = (part == n).nonzero()[0]
        own = np.concatenate([inside, here[joined[inside[:, None], here].any(axis=0)]])
        mine = entries[:, own[:, None], own]
        mine[:, len(inside) :, len(inside) :] = 0.0  # is no matter of this part
        found[n] = Change(change.states[own], mine)
    place = (at == change.states[here, None]).argmax(axis=1)
    rates = np.zeros((len(entries), len(at), len(at)))
    rates[:, place[:, None], place] = entries[:, here[:, None], here]
    return Split(found, rates, len(change.states))


def worth_dissecting(parts: Parts, splits: Collection[Split]) -> bool:
    """Whether changes are large enough together."""
    return sum(split.concerned for split in splits) >= WORTH * len(parts.meeting.states)


def dissect(base: Reversible, parts: Parts, splits: Mapping[Hashable, Split], known: Known) -> Reversible:
    """The generators under several changes, in parts.

    Args:
        base: the generators at rest.
        parts: the same in parts.
        splits: the changes, which are added in this order, by names under which they are known.
        known: gives what it remembers for a key, or what a function gives.
    """
    where, concerned = parts.meeting, dict[int, list[Hashable]]()
    for name, change in splits.items():
        for n in change.inside:
            concerned.setdefault(n, []).append(name)
    own = sum((change.own for change in splits.values()), where.own)
    anew = {name: getattr(where, name).copy() for name in ("values", "into", "out_of")}
    whole = parts.whole._replace(left=parts.whole.left.copy(), meeting=replace(where, own=own, **anew))
    for n, names in concerned.items():
        changes = [splits[name].inside[n] for name in names]
        _put(known((n, *names), partial(_part, base, parts, n, changes)), parts, n, whole)
    return whole
