"""The whole model of one home: movement and sensing joined, ready for the tracker, for each hour of everybody's."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from presence.absorbing import SMALL, absorb, carried, worth_absorbing
from presence.conditions import entries_of, seldom
from presence.dissection import Part, Parts, Split, dissect, parts_of, split, worth_dissecting
from presence.first_passage import Opening
from presence.floorplan import AWAY, Floorplan
from presence.habits import Hour, Hours, bedtime, hour_of_week, hours_to_change, within
from presence.hypotheses import Way
from presence.merging import Mixture
from presence.movement import PET, RESIDENT, VISITOR, Being, beings, weights_and_flows
from presence.places import ASLEEP, WATCHERS, States, first_side, states_of
from presence.propagation import Change, Reversible, decompose
from presence.recent import Derived, Recent
from presence.sensing import Sight
from presence.settings import Settings
from presence.times import a_day_on, at_clock

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]
Condition = tuple[str, str]
"""(`blind` | `open` | `standing 0.3` | `usually 0.3` | `unwatched` | `unpassed` | `pressed`, sensor or door id)."""

WORLDS, WORLD_BYTES = 32, 64_000_000
"""Hours (of everybody's habits) kept ready: as many as a week has, if this memory holds them; or so many."""
A_MONDAY = datetime(2026, 1, 5)
"""Begins a week in which no clock is changed: habits are the same each week."""
CHANGES = 256
"""Sets of conditions kept ready; each is a few kilobytes."""

ABSORBED_BYTES = 16_000_000
"""How much memory the decompositions for sets of conditions may take, where that is enough for `LEAST_ABSORBED`."""
LEAST_ABSORBED = 8
"""Sets of conditions whose decompositions are kept ready in any case."""
MOST_ABSORBED = 1000
"""And at most, however small the home."""


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


class Model:
    """Everything about one home that does not change with events."""

    def __init__(self, plan: Floorplan, settings: Settings) -> None:
        self.plan = plan
        self.settings = settings
        self.states: States = states_of(plan)
        self.beings: tuple[Being, ...] = tuple(beings(plan))
        self.persons = sum(being.role != PET for being in self.beings)
        self.room_of = np.zeros((self.states.size, len(self.states.rooms)))
        self.room_of[np.arange(self.states.size), self.states.room] = 1.0
        self.away = self.states.rooms.index(AWAY)
        off = self.states.room == self.away
        self.on_property = np.column_stack([~off, off]).astype(np.float64)
        """Shape (S, 2): which states are on the property and which off it; hours pass before that is forgotten."""
        most = ABSORBED_BYTES // (8 * self.states.size**2)
        self._absorbed: Recent[tuple[Reversible, Change | None]] = Recent(min(MOST_ABSORBED, max(LEAST_ABSORBED, most)))
        self._known: Recent[Part] = Recent(2 * CHANGES)
        self._sides: dict[str, Array] = {}
        self._parts: Recent[tuple[Array, Array]] = Recent(4 * max(1, len(self.beings)))
        self._marginals: Derived[Array] = Derived(12)

    def marginals(self, mixture: Mixture) -> Array:
        """Where each being is over all hypotheses, shape (P, S); of the latest few it is known already."""
        return self._marginals.of(mixture, lambda: np.asarray(mixture.weight @ mixture.x, dtype=np.float64))

    @cached_property
    def worlds_kept(self) -> int:
        """How many hours are kept ready: those of a week, so that none is worked out again every week; bounded."""
        monday = A_MONDAY.replace(tzinfo=self.plan.zone)
        week, now, end = set[Hours](), at_clock(monday, 0, 0.0), at_clock(monday, 7, 0.0)
        while now < end:
            hours, now = self.hours(now)
            week.add(hours)
        each = 5 * 8 * max(1, len(self.beings)) * self.states.size**2  # flows twice, decompositions, weights and ways
        return min(max(WORLDS, len(week)), max(WORLDS, WORLD_BYTES // each))

    @cached_property
    def _worlds(self) -> Recent[World]:
        return Recent(self.worlds_kept)

    def world(self, hours: Hours) -> World:
        """The generators for one answer to "what do habits say now?"."""
        return self._worlds.get_or(hours, lambda: self._world(hours))

    def _world(self, hours: Hours) -> World:
        sight = self.sight(hours)
        base = decompose(sight.weights, sight.silent_flows(), sight.losses())
        return World(sight, base, hours, self._absorbed, self._known, self._sides)

    def sight(self, hours: Hours) -> Sight:
        """How everybody moves and is seen, for one answer to "what do habits say now?"."""
        parts = [
            self._parts.get_or(
                (being.role, being.bed, being.rooms, hour, being.id in self.settings.own_places and being.id),
                lambda being=being, hour=hour: weights_and_flows(  # type: ignore[misc]
                    self.plan, self.states, being, hour, self.settings
                ),
            )
            for being, hour in zip(self.beings, hours, strict=True)
        ]
        size = self.states.size
        weights = np.array([w for w, _ in parts]).reshape(-1, size)
        flows = np.array([f for _, f in parts]).reshape(-1, size, size)
        return Sight(self.plan, self.states, self.beings, self.settings, weights, flows)

    def usual(self, sight: Sight, hours: Hours) -> Array:
        """Where everybody usually is, shape (P, S): in their sleeping hours hardly away, and mostly asleep in bed.

        How readily they go out at this hour says little of where they are already.
        """
        plain = tuple(hour._replace(out=1.0, back=1.0) for hour in hours)
        weights = (sight if plain == hours else self.sight(plain)).weights.copy()
        beds = {room.id for room in self.plan.rooms.values() if room.rest}
        lying = np.array([self.states.places[p].seat is None for p in self.states.place]) & (self.states.pace == ASLEEP)
        for row, hour, being in zip(weights, hours, self.beings, strict=True):
            if hour.asleep and being.role == RESIDENT:
                settings = self.settings
                row[self.states.room == self.away] *= settings.night_away_share / settings.night_leaving_share
                own = [room in ((being.bed,) if being.bed else beds) for room in self.states.rooms]
                in_bed = lying & np.array(own)[self.states.room]
                usually = self.settings.night_bed_share / (1.0 - self.settings.night_bed_share)
                if in_bed.any():
                    row[in_bed] *= usually * row[~in_bed].sum() / row[in_bed].sum()
        return np.asarray(weights / weights.sum(axis=1, keepdims=True), dtype=np.float64)

    def hours(self, seconds: float) -> tuple[Hours, float]:
        """Everybody's hours (visitors sleep when all residents do), and when they next change, epoch seconds."""
        now = datetime.fromtimestamp(seconds, self.plan.zone)
        answers: list[Hour] = []
        changes = [a_day_on(now)]
        for being in self.beings:
            habit = self.settings.habits.get(being.id)
            awake = being.awake if habit is None or habit.awake is None else habit.awake
            asleep, out, back = False, 1.0, 1.0
            if awake is not None:
                asleep, homing = not within(awake, now), bedtime(awake)
                back = self.settings.homeward_factor if within(homing, now) else 1.0
                clocks = [(day, clock) for day in (0, 1) for clock in (*awake, *homing)]
                changes += [at for day, clock in clocks if (at := at_clock(now, day, clock)) > seconds]
            if habit is not None:
                out, back = habit.out[hour_of_week(now)], back * habit.back[hour_of_week(now)]
                ahead = hours_to_change(habit, now)
                changes += [at for h in ahead if (at := at_clock(now, 0, 3600.0 * (now.hour + h))) > seconds]
            if being.role == VISITOR:
                residents = answers[: len(self.plan.people)]
                asleep = bool(residents) and all(hour.asleep for hour in residents)
            answers.append(Hour(asleep, out, back))
        return tuple(answers), min(changes)
