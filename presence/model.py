"""The whole model of one home: movement and sensing joined, ready for the tracker, for each hour of everybody's."""

from __future__ import annotations

from datetime import datetime
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from presence.dissection import Part
from presence.floorplan import AWAY, Floorplan
from presence.habits import Hour, Hours, bedtime, hour_of_week, hours_to_change, within
from presence.merging import Mixture
from presence.movement import PET, RESIDENT, VISITOR, Being, beings, weights_and_flows
from presence.places import ASLEEP, States, states_of
from presence.propagation import Change, Reversible, decompose
from presence.recent import Derived, Recent
from presence.sensing import Sight
from presence.settings import Settings
from presence.times import a_day_on, at_clock
from presence.world import CHANGES, World, room_for

Array = NDArray[np.float64]

WORLDS, WORLD_BYTES = 32, 64_000_000
"""Hours (of everybody's habits) kept ready: as many as a week has, if this memory holds them; or so many."""
A_MONDAY = datetime(2026, 1, 5)
"""Begins a week in which no clock is changed: habits are the same each week."""


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
        self._absorbed: Recent[tuple[Reversible, Change | None]] = Recent(room_for(8 * self.states.size**2))
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
