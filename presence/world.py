"""The generators of one home while nobody's habits change, with what is blind, open or taken; kept ready, bounded."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from presence.absorbing import SMALL, absorb, carried, worth_absorbing
from presence.conditions import entries_of, seldom
from presence.dissection import Part, Parts, Split, dissect, parts_of, split, worth_dissecting
from presence.first_passage import Opening
from presence.habits import Hours
from presence.hypotheses import Way
from presence.places import WATCHERS, first_side
from presence.propagation import Change, Reversible
from presence.recent import Recent
from presence.sensing import Sight

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]
Condition = tuple[str, str]
"""(`blind` | `open` | `standing 0.3` | `usually 0.3` | `unwatched` | `unpassed` | `pressed`, sensor or door id)."""

CHANGES = 256
"""Sets of conditions kept ready; each is a few kilobytes."""

ABSORBED_BYTES = 16_000_000
"""How much memory the decompositions for sets of conditions may take, where that is enough for `LEAST_ABSORBED`."""
LEAST_ABSORBED = 8
"""Sets of conditions whose decompositions are kept ready in any case."""
MOST_ABSORBED = 1000
"""And at most, however small the home."""


def room_for(each: int) -> int:
    """How many decompositions of so many bytes are kept ready."""
    return max(LEAST_ABSORBED, min(MOST_ABSORBED, ABSORBED_BYTES // each))


@dataclass
class World:
    """The generators that hold while nobody's habits change."""

    sight: Sight
    base: Reversible
    hours: Hours
    absorbed: Recent[tuple[Reversible, Change | None]]
    """Generators under sets of conditions, shared by all worlds of a home..."""
    known: Recent[Part]
    """...as are parts of them under some conditions..."""
    sides: dict[str, Array]
    """...and the first side of each door."""
    _changes: Recent[Change] = field(default_factory=lambda: Recent(CHANGES))
    _entries: dict[Condition, tuple[IndexArray, Array]] = field(default_factory=dict)
    _split: dict[Condition, Split | None] = field(default_factory=dict)
    _openings: Recent[tuple[Reversible, Change | None]] = field(default_factory=lambda: Recent(8))
    _foreseen: Recent[bool] = field(default_factory=lambda: Recent(CHANGES))
    _worked: bool = False

    def change(self, conditions: frozenset[Condition]) -> Change | None:
        """Entries of the generators that differ from rest under these conditions."""
        if not conditions:
            return None
        return self._changes.get_or(conditions, lambda: self._change(conditions))

    def generators(self, conditions: frozenset[Condition]) -> tuple[Reversible, Change | None]:
        """The generators under these conditions: decomposed, and entries that differ from those."""
        key = self.hours, conditions
        if (known := self.absorbed.recall(key)) is not None:
            return known
        splits = self._splits(conditions)
        if splits is not None and self.parts is not None:  # tens of kilobytes at most
            parts = dissect(self.base, self.parts, splits, self._remembered)
            return self.absorbed.get_or(key, lambda: (parts, None))
        change = self.change(conditions)
        if change is None or not worth_absorbing(self.base, change):
            return self.base, change
        return self.absorbed.get_or(key, lambda: self._absorb(change))

    def foresee(self, conditions: frozenset[Condition]) -> bool:
        """In a small home, decompose ahead of time a set that may come next: this one, or with one sensor more on.

        Only if none was decomposed since this was last called; and nothing that is known is forgotten for it. Returns
        whether one was, then or now.
        """
        worked, self._worked = self._worked, False
        small = self.base.members and self.base.scale.shape[1] <= SMALL
        if worked or not small or conditions in self._foreseen or len(self.absorbed) >= self.absorbed.most:
            return worked
        blind = [("blind", s.id) for s in self.sight.plan.sensors.values() if s.kind in WATCHERS]
        for then in (conditions, *(conditions | {more} for more in blind)):
            if not seldom(then) and (self.hours, then) not in self.absorbed:
                self.generators(then)
                if self._worked:
                    self._worked = False
                    return True
        self._foreseen.get_or(conditions, lambda: True)
        return False

    @cached_property
    def parts(self) -> Parts | None:
        """The generators at rest in parts, where these meet in few states."""
        return parts_of(self.base)

    def _splits(self, conditions: frozenset[Condition]) -> Mapping[Hashable, Split] | None:
        """What each condition changes in the parts, if only these are decomposed anew.

        In a small home they are only under a set that is seldom met again.
        """
        if (self.base.scale.shape[1] <= SMALL and not seldom(conditions)) or self.parts is None:
            return None
        splits: dict[Hashable, Split] = {}
        for condition in sorted(conditions):
            if condition not in self._split:
                change = self.change(frozenset({condition}))
                self._split[condition] = None if change is None else split(self.parts, change)
            if (found := self._split[condition]) is None:
                return None
            splits[condition] = found
        return splits if worth_dissecting(self.parts, splits.values()) else None

    def _absorb(self, change: Change) -> tuple[Reversible, Change | None]:
        """Decompose anew; as many are kept as there is room for, were all as large as the largest so far."""
        self._worked, (own, rest) = True, absorb(self.base, change)
        self.absorbed.most = max(LEAST_ABSORBED, min(self.absorbed.most, ABSORBED_BYTES // own.left.nbytes))
        return own, rest

    def _remembered(self, key: Hashable, compute: Callable[[], Part]) -> Part:
        """A part as it was under some conditions."""
        return self.known.get_or((self.hours, key), compute)

    def _change(self, conditions: frozenset[Condition]) -> Change:
        for condition in conditions - self._entries.keys():
            self._entries[condition] = self._changed(condition)
        entries = [self._entries[condition] for condition in sorted(conditions)]
        concerned = np.zeros(self.base.scale.shape[1], dtype=bool)
        for at, _ in entries:
            concerned[at] = True
        states, place = concerned.nonzero()[0], concerned.cumsum() - 1
        matrix = np.zeros((len(self.base.members), len(states), len(states)))
        for at, rates in entries:
            matrix[:, place[at[0]], place[at[1]]] += rates
        return Change(states, matrix)

    def _changed(self, condition: Condition) -> tuple[IndexArray, Array]:
        """Places (2, n) of the changed entries, each once, and what is added there, shape (G, n)."""
        added: dict[tuple[int, int], Array] = {}
        for i, j, rate, both in entries_of(self.sight, *condition):
            one = (rate if i == j else rate / (self.base.scale[:, i] * self.base.scale[:, j]))[self.base.firsts]
            for at in ((i, j), (j, i)) if both and i != j else ((i, j),):
                added[at] = added.get(at, 0.0) + one
        places = np.array(list(added), dtype=np.intp).reshape(-1, 2).T
        return places, np.array(list(added.values())).reshape(len(added), len(self.base.members)).T

    def ways(self, sensor: str, value: str, by: str | None = None, open_share: float = 0.0) -> list[Way]:
        """How a being can cause an event, ready for branching."""
        return self.sight.options(self.sight.plan.sensors[sensor], value, by, open_share)

    def opening(self, conditions: frozenset[Condition], door: str) -> Opening:
        """What to know while a door stands open: its passages cut off, and the side where going forth begins."""
        base, change = self._openings.get_or((conditions, door), lambda: self._cut_off(conditions, door))
        return Opening(base, change, self.near(door))

    def near(self, door: str) -> Array:
        """1 for states on a door's first side, where going forth begins, 0 on the other (`first_side`). Shape (S,)."""
        if door not in self.sides:
            states = self.sight.states
            first = first_side(self.sight.plan, door)
            self.sides[door] = np.array([first[room] for room in states.rooms])[states.room]
        return self.sides[door]

    def _cut_off(self, conditions: frozenset[Condition], door: str) -> tuple[Reversible, Change | None]:
        unpassed = conditions | {("unpassed", door)}
        whole, cut = self.change(unpassed), self.change(frozenset({("unpassed", door)}))
        if self._splits(unpassed) is not None:
            return self.generators(unpassed)
        own, rest = self.generators(conditions)
        if own.meeting is not None:  # the door joins two of its parts
            return self.base, whole
        return (own, rest) if cut is None else (own, carried(rest, cut, self.base, own))
