"""Generators in parts that meet in few states, against scipy's dense matrix exponential.

Rooms of up to six states hang on corridors: each room is a part, the corridors' moving states are where parts meet.
Tolerance: 1e-11 absolute per state, as for every other way of moving (`test_propagation`).
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.linalg import expm

from presence.dissection import Part, Parts, Split, dissect, parts_of, split, worth_dissecting
from presence.propagation import Change, Reversible, decompose, propagate

Array = NDArray[np.float64]
STEPS = [0.1, 1.0, 7.3, 60.0, 900.0]
TOLERANCE = 1e-11


class Home(NamedTuple):
    """P beings in rooms on corridors: weights (P, S), flows (P, S, S), losses (P, S) and what belongs together."""

    weights: Array
    flows: Array
    losses: Array
    corridors: list[int]
    rooms: list[list[int]]

    def rooms_of(self, state: int) -> list[int]:
        """All states of a state's room."""
        return next(room for room in self.rooms if state in room)


def a_home(seed: int, persons: int = 3) -> Home:
    """Corridors in a row, and rooms on each; the first being and the last move alike."""
    random = np.random.default_rng(seed)
    corridors = list(range(int(random.integers(1, 4))))
    rooms: list[list[int]] = []
    size = len(corridors)
    while size < 66 or len(rooms) < 3 * len(corridors):
        states = int(random.integers(3, 7))
        rooms.append(list(range(size, size + states)))
        size += states
    joined = np.zeros((size, size), dtype=bool)
    for here, there in pairwise(corridors):
        joined[here, there] = True
    for n, room in enumerate(rooms):
        joined[corridors[n % len(corridors)], room[0]] = True
        for here, there in pairwise(room):
            joined[here, there] = True
    weights = 10.0 ** random.uniform(-2, 0, (persons, size))
    flows = np.where(joined, 10.0 ** random.uniform(-3, 0, (persons, size, size)), 0.0)
    flows = (flows + flows.transpose(0, 2, 1)) * np.minimum(weights[:, :, None], weights[:, None, :])
    losses = 10.0 ** random.uniform(-4, 0, (persons, size))
    for values in (weights, flows, losses):
        values[-1] = values[0]
    return Home(weights, flows, losses, corridors, rooms)


def some_change(home: Home, seed: int) -> Change:
    """In some rooms losses given back, other flows within, and a corridor from which it is faster to walk in."""
    random = np.random.default_rng(seed)
    persons, size = home.weights.shape
    full = np.zeros((persons, size, size))
    for n in random.choice(len(home.rooms), 5, replace=False):
        room, corridor = home.rooms[n], home.corridors[n % len(home.corridors)]
        full[:, room, room] += random.uniform(0.0, 1.0) * home.losses[:, room]
        flow = random.uniform(0.0, 1e-3) * np.minimum(home.weights[:, room[0]], home.weights[:, room[1]])
        for i, j in ((room[0], room[1]), (room[1], room[0])):
            full[:, i, j] += flow / np.sqrt(home.weights[:, i] * home.weights[:, j])
            full[:, i, i] -= flow / home.weights[:, i]
        faster = random.uniform(0.0, 0.5) * home.flows[:, corridor, room[0]]
        full[:, corridor, room[0]] += faster / np.sqrt(home.weights[:, corridor] * home.weights[:, room[0]])
        full[:, corridor, corridor] -= faster / home.weights[:, corridor]
    full[-1] = full[0]
    states = np.flatnonzero(full.any(axis=(0, 1)) | full.any(axis=(0, 2)))
    return Change(states, full[:, states[:, None], states])


def by_scipy(home: Home, change: Change, x: Array, dt: float) -> Array:
    moved = np.empty_like(x)
    for p, (weights, flows) in enumerate(zip(home.weights, home.flows, strict=True)):
        generator = flows / weights[:, None]
        generator -= np.diag(generator.sum(axis=1) + home.losses[p])
        scale = np.sqrt(weights[change.states])
        generator[np.ix_(change.states, change.states)] += change.entries[p] * scale / scale[:, None]
        moved[p] = x[p] @ expm(generator * dt)
    return moved


def in_parts(home: Home) -> tuple[Reversible, Parts]:
    base = decompose(home.weights, home.flows, home.losses)
    parts = parts_of(base)
    assert parts is not None
    return base, parts


def splits_of(base: Reversible, parts: Parts, *changes: Change) -> dict[Any, Split]:
    """Changes of all beings part by part, each under a name of its own."""
    found: dict[Any, Split] = {}
    for change in changes:
        name = change.states.tobytes() + change.entries.tobytes()
        each = split(parts, change._replace(entries=change.entries[base.firsts]))
        assert each is not None
        found[name] = each
    return found


def anew(key: object, compute: Any) -> Part:
    """No memory at all."""
    part: Part = compute()
    return part


def x_of(home: Home, seed: int) -> Array:
    return np.random.default_rng(seed).dirichlet(np.ones(home.weights.shape[1]), (len(home.weights), 3))


@pytest.mark.parametrize("dt", STEPS)
@given(seed=st.integers(0, 2**32 - 1))
def test_what_is_taken_apart_moves_as_scipys_exponential_says(dt: float, seed: int) -> None:
    home = a_home(seed)
    base, parts = in_parts(home)
    change, x = some_change(home, seed), x_of(home, seed)
    splits = splits_of(base, parts, change)
    assert worth_dissecting(parts, splits.values())
    own = dissect(base, parts, splits, anew)
    result = propagate(own, x, dt)
    np.testing.assert_allclose(result, by_scipy(home, change, x, dt), rtol=0, atol=TOLERANCE)
    assert (result >= 0).all()


@given(seed=st.integers(0, 2**32 - 1), dt=st.sampled_from(STEPS))
def test_parts_at_rest_equal_the_whole(seed: int, dt: float) -> None:
    home = a_home(seed)
    base, parts = in_parts(home)
    x = x_of(home, seed)
    np.testing.assert_allclose(propagate(parts.whole, x, dt), propagate(base, x, dt), rtol=0, atol=TOLERANCE)


@given(seed=st.integers(0, 2**32 - 1))
def test_what_is_remembered_changes_no_digit(seed: int) -> None:
    """Whatever was asked before, the same change gives the same bytes; and nothing done before is altered."""
    home = a_home(seed)
    base, parts = in_parts(home)
    first, second = (splits_of(base, parts, some_change(home, other)) for other in (seed, seed + 1))
    memory: dict[Any, Part] = {}

    def known(key: Any, compute: Any) -> Part:
        if key not in memory:
            memory[key] = compute()
        return memory[key]

    x, rest = x_of(home, seed), propagate(parts.whole, x_of(home, seed), 7.3)
    once = propagate(dissect(base, parts, first, known), x, 7.3)
    propagate(dissect(base, parts, second, known), x, 7.3)
    np.testing.assert_array_equal(propagate(dissect(base, parts, first, known), x, 7.3), once)
    np.testing.assert_array_equal(propagate(dissect(base, parts, first, anew), x, 7.3), once)
    np.testing.assert_array_equal(propagate(parts.whole, x, 7.3), rest)


@given(seed=st.integers(0, 2**32 - 1))
def test_several_changes_are_one_that_is_their_sum(seed: int) -> None:
    home = a_home(seed)
    base, parts = in_parts(home)
    first, second = (some_change(home, other) for other in (seed, seed + 1))
    first, second = (change._replace(entries=0.5 * change.entries) for change in (first, second))  # both give back
    x, states = x_of(home, seed), np.union1d(first.states, second.states)
    entries = np.zeros((len(first.entries), len(states), len(states)))
    for change in (first, second):
        place = np.searchsorted(states, change.states)
        entries[:, place[:, None], place] += change.entries
    own = dissect(base, parts, splits_of(base, parts, first, second), anew)
    both = by_scipy(home, Change(states, entries), x, 7.3)
    np.testing.assert_allclose(propagate(own, x, 7.3), both, rtol=0, atol=TOLERANCE)


def test_one_being_alone_moves_as_among_others() -> None:
    home = a_home(7)
    base, parts = in_parts(home)
    change, x = some_change(home, 7), x_of(home, 7)
    assert base.members == ((0, 2), (1,))
    own = dissect(base, parts, splits_of(base, parts, change), anew)
    together = propagate(own, x, 7.3)
    for being in range(3):
        alone = propagate(own.of(being), x[being : being + 1], 7.3)
        np.testing.assert_allclose(alone[0], together[being], rtol=0, atol=1e-14)


@pytest.mark.parametrize("dt", [7.3, 900.0])
def test_a_distribution_by_itself_moves_as_among_others(dt: float) -> None:
    home = a_home(23)
    _, parts = in_parts(home)
    x = x_of(home, 23)
    together = propagate(parts.whole, x, dt)
    for row in range(x.shape[1]):
        alone = propagate(parts.whole, x[:, row : row + 1], dt)
        np.testing.assert_allclose(alone[:, 0], together[:, row], rtol=0, atol=1e-14)


def test_rooms_are_the_parts_and_corridors_are_where_they_meet() -> None:
    home = a_home(3)
    _, parts = in_parts(home)
    assert parts.whole.meeting is not None
    assert set(parts.whole.meeting.states.tolist()) >= set(home.corridors)
    for states in parts.states:
        assert any(set(states.tolist()) <= set(room) for room in home.rooms)


def test_what_joins_parts_or_is_one_way_within_one_is_not_dissected() -> None:
    home = a_home(5)
    base, parts = in_parts(home)
    change = some_change(home, 5)
    change = change._replace(entries=change.entries[base.firsts])
    part = parts.part[change.states]
    inside = next((m, n) for m, n in np.ndindex(len(part), len(part)) if m != n and part[m] == part[n] >= 0)
    across = next(
        (m, n) for m, n in np.ndindex(len(part), len(part)) if part[m] != part[n] and min(part[m], part[n]) >= 0
    )
    states = change.states.tolist()
    untouched = next(
        (m, n)
        for m, n in np.ndindex(len(part), len(part))
        if part[m] >= 0 > part[n] and not home.flows[0][home.rooms_of(states[m])][:, states[n]].any()
    )
    assert split(parts, change) is not None
    for place in (inside, across, untouched, untouched[::-1]):
        entries = change.entries.copy()
        entries[:, place[0], place[1]] += 0.01
        assert split(parts, change._replace(entries=entries)) is None


def test_small_and_well_joined_generators_are_not_taken_apart() -> None:
    random = np.random.default_rng(1)
    small = np.triu(random.uniform(size=(1, 20, 20)), 1)
    large = np.triu(random.uniform(size=(1, 70, 70)), 1)
    for flows in (small, large):
        size = flows.shape[1]
        assert parts_of(decompose(np.ones((1, size)), flows + flows.transpose(0, 2, 1), np.zeros((1, size)))) is None


def test_what_is_one_small_part_as_it_is_is_not_taken_apart() -> None:
    few = np.ones((2, 5, 5)) - np.eye(5)
    assert parts_of(decompose(np.ones((2, 5)), few, np.zeros((2, 5)))) is None


def test_generators_in_parts_carry_no_change() -> None:
    home = a_home(5)
    _, parts = in_parts(home)
    with pytest.raises(ValueError, match="dissect"):
        propagate(parts.whole, x_of(home, 5), 1.0, some_change(home, 5))
