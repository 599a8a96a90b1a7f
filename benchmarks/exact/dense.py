"""The model of one home as plain matrices, one per being; the only touch with the package's own model."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import product
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence import Event, Floorplan, Settings
from presence.conditions import entries_of
from presence.habits import BEDTIME, Habit, Hour, Hours
from presence.markov import move_joint
from presence.model import Model
from presence.movement import RESIDENT, VISITOR
from presence.places import ASLEEP

Array = NDArray[np.float64]
NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
MONDAY = 4 * 86400.0
"""1970-01-05, the first Monday, in epoch seconds."""


class Cause(NamedTuple):
    """One way in which one being can cause an event."""

    being: int
    label: int
    """0: no passage; 1 or 2: a passage from the door's first room to its second, or back."""
    matrix: Array
    """Shape (S, S), 1/s."""
    companion: int = -1
    """The being that moves at the same time, if one does..."""
    moves: Array | None = None
    """...and how, shape (S, S): probabilities."""
    asked: bool = False
    """Whether whoever causes it passes, and asked that one along."""


class DenseModel:
    """Generators and event rates of one home as plain matrices, one per being."""

    def __init__(self, plan: Floorplan, settings: Settings | None = None) -> None:
        self.plan = plan
        self.settings = settings or Settings()
        self._model = Model(plan, self.settings)
        self.names = [being.id for being in self._model.beings]
        self.people = [p for p, being in enumerate(self._model.beings) if being.role != "pet"]
        self.rooms = list(self._model.states.rooms)
        self.room = self._model.states.room
        self.size = self._model.states.size
        self._silent: dict[Any, list[Array]] = {}

    def hours(self, seconds: float) -> Hours:
        """Who is in their sleeping hours, and how readily they go out and come back (these plans live by UTC).

        Visitors sleep when all residents do.
        """
        clock = seconds % 86400.0
        hour = int((seconds - MONDAY) // 3600) % 168
        answers = []
        for name in self.names:
            habit = self.settings.habits.get(name, Habit())
            a, b = habit.awake or (self.plan.people[name].awake if name in self.plan.people else (0.0, 86400.0))
            asleep = not (a <= clock < b if a <= b else not b <= clock < a)
            to_bed = name in self.plan.people and (clock - b + BEDTIME) % 86400.0 < 2 * BEDTIME
            answers.append(
                Hour(asleep, habit.out[hour], habit.back[hour] * (self.settings.homeward_factor if to_bed else 1.0))
            )
        residents = [answers[self.names.index(name)] for name in self.plan.people]
        night = bool(residents) and all(answer.asleep for answer in residents)
        beings = zip(answers, self._model.beings, strict=True)
        return tuple(hour._replace(asleep=night) if being.role == VISITOR else hour for hour, being in beings)

    def clock_changes(self, begin: float, end: float) -> list[float]:
        """Instants after `begin` and before `end` at which somebody's habits may change."""
        clocks = {clock for person in self.plan.people.values() for clock in person.awake}
        for habit in self.settings.habits.values():
            clocks |= {3600.0 * hour for hour in range(24)} | set(habit.awake or ())
        clocks |= {(clock + by) % 86400.0 for clock in clocks for by in (-BEDTIME, BEDTIME)}
        days = range(int(begin // 86400), int(end // 86400) + 1)
        return sorted({day * 86400 + clock for day in days for clock in clocks if begin < day * 86400 + clock < end})

    def sight(self, hours: Hours) -> Any:
        return self._model.world(hours).sight

    def prior(self, seconds: float) -> Array:
        """Where everybody usually is at this hour, shape (P, S)."""
        hours = self.hours(seconds)
        weights = self.sight(tuple(Hour(hour.asleep) for hour in hours)).weights.copy()
        states, plan = self._model.states, self._model.plan
        for row, hour, being in zip(weights, hours, self._model.beings, strict=True):
            if hour.asleep and being.role == RESIDENT:  # most are at home, and in a bed of theirs
                at_night = self.settings.night_away_share / self.settings.night_leaving_share
                row[self.room == self.rooms.index("away")] *= at_night
                beds = [being.bed] if being.bed else [room.id for room in plan.rooms.values() if room.rest]
                bed = [
                    i
                    for i, (place, pace) in enumerate(zip(states.place, states.pace, strict=True))
                    if states.places[place].room in beds and not states.places[place].seat and pace == ASLEEP
                ]
                up = [i for i in range(len(row)) if i not in bed]
                for part, share in ((bed, self.settings.night_bed_share), (up, 1.0 - self.settings.night_bed_share)):
                    if bed:
                        row[part] *= share / row[part].sum()
        return np.asarray(weights / weights.sum(axis=1, keepdims=True))

    def full(self, hours: Hours) -> list[Array]:
        """Movement alone, reported or not: a generator per being, rows sum to 0."""
        sight = self.sight(hours)
        result = []
        for weights, flows in zip(sight.weights, sight.flows, strict=True):
            generator = flows / weights[:, None]
            np.fill_diagonal(generator, 0.0)
            result.append(generator)
        for sensor in self.plan.sensors:
            result = [a + b for a, b in zip(result, self.unseen_walks(sensor, hours), strict=True)]
        return [generator - np.diag(generator.sum(axis=1)) for generator in result]

    def unseen_walks(self, sensor: str, hours: Hours) -> list[Array]:
        """Rates, per being, of walks into a sensor's zone that no sensor on the way reports; it does if it can."""
        sight, found = self.sight(hours), [np.zeros((self.size, self.size)) for _ in self.names]
        for way in sight.unseen_walks(self.plan.sensors[sensor]):
            for matrix, rates in zip(found, way.rates, strict=True):
                matrix[np.ix_(way.source, way.target)] += rates
        return found

    def silent(self, hours: Hours, conditions: frozenset[tuple[str, str]]) -> list[Array]:
        """D0 per being: movement without an event, less all event rates, under the given conditions."""
        key = (hours, conditions)
        if key not in self._silent:
            sight = self.sight(hours)
            entries = [entry for condition in sorted(conditions) for entry in entries_of(sight, *condition)]
            flows, losses = sight.silent_flows(), sight.losses()
            result = []
            for p, weights in enumerate(sight.weights):
                generator = flows[p] / weights[:, None]
                np.fill_diagonal(generator, 0.0)
                generator -= np.diag(generator.sum(axis=1) + losses[p])
                for i, j, rate, both_ways in entries:
                    if i == j:
                        generator[i, i] += rate[p]
                    else:
                        generator[i, j] += rate[p] / weights[i]
                        if both_ways:
                            generator[j, i] += rate[p] / weights[j]
                result.append(generator)
            self._silent[key] = result
        return self._silent[key]

    def causes(self, event: Event, hours: Hours, open_share: float = 0.0) -> list[Cause]:
        """Every way in which a being can cause an event; the share of time that its door stands open counts, too."""
        options = self.sight(hours).options(self.plan.sensors[event.sensor], event.value, event.by, open_share)
        owners = {name for name, person in self.plan.people.items() if event.code in person.codes}
        slip = self.settings.code_slip if owners else 1.0
        causes = []
        for p, name in enumerate(self.names):
            for option in options:
                matrix = np.zeros((self.size, self.size))
                matrix[np.ix_(option.source, option.target)] = option.rates[p]
                if event.code is not None:
                    matrix *= 1.0 if name in owners else slip
                if (companion := option.companion) is None:
                    causes.append(Cause(p, option.label, matrix))
                    continue
                moves = np.zeros((self.size, self.size))
                moves[np.ix_(companion.source, companion.target)] = companion.moves
                if companion.asked:
                    staying = np.setdiff1d(np.arange(self.size), companion.source)
                    moves[staying, staying] = 1.0
                others = [g for g in companion.beings if g != p] if matrix.any() else []
                causes += [Cause(p, companion.label, matrix, g, moves, companion.asked) for g in others]
        return causes

    def nobody_rate(self, event: Event) -> float:
        """Rate of an event that nobody causes."""
        s, kind = self.settings, self.plan.sensors[event.sensor].kind
        if kind in ("contact", "lock"):
            if event.value in ("closed", "locked"):
                return s.door_draught_factor * s.door_false_alarm_rate
            inner = self.plan.outdoor_sides[str(self.plan.sensors[event.sensor].door)] is None
            alone = s.door_false_alarm_rate if inner else s.outer_door_false_alarm_rate
            return alone * (1.0 if event.code is None else s.code_slip)
        if kind == "pressure":
            return s.seat_false_alarm_rate if event.value == "pressed" else s.object_false_alarm_rate
        if kind == "motion" and self.plan.sensors[event.sensor].room not in self.plan.indoor:
            return s.outdoor_false_alarm_rate  # its own record is not kept here
        return s.motion_false_alarm_rate if kind == "motion" else s.object_false_alarm_rate

    def report(self, event: Event, before: tuple[str, float] | None = None) -> Array:
        """What a phone or a tag says of each state of its owner, after what it said before, and when: (P, S)."""
        sensor, s = self.plan.sensors[event.sensor], self.settings
        rooms = np.array(self.rooms)[self.room]
        factor = np.ones((len(self.names), self.size))
        last, heard = before or ("", 0.0)
        if sensor.kind == "phone":
            if event.value == last and event.seconds - heard <= s.phone_check_in:
                return factor
            agrees = (rooms == "away") == (event.value == "away")
            error = wrong = s.phone_return_error if (last, event.value) == ("away", "home") else s.phone_error
        else:
            agrees, error = rooms == event.value, s.badge_error
            wrong = error / (len(self.rooms) - 1)
        factor[self.names.index(str(sensor.person))] = np.where(agrees, 1 - error, wrong)
        return factor

    def read(self, joint: Array) -> dict[str, Any]:
        """Rooms, people and the number at home of a joint distribution with one axis a being, from the definition."""
        one_hot = np.eye(len(self.rooms))[self.room]
        by_room = move_joint(joint, [one_hot] * joint.ndim)
        occupied, at_home = dict.fromkeys(self.rooms, 0.0), np.zeros(len(self.people) + 1)
        each = np.zeros((joint.ndim, len(self.rooms)))
        for where in product(range(len(self.rooms)), repeat=joint.ndim):
            p = float(by_room[where])
            for room in {where[being] for being in self.people}:
                occupied[self.rooms[room]] += p
            at_home[sum(self.rooms[where[being]] != "away" for being in self.people)] += p
            each[range(joint.ndim), where] += p
        people = {
            name: dict(zip(self.rooms, each[self.names.index(name)].tolist(), strict=True)) for name in self.plan.people
        }
        del occupied["away"]
        return {"rooms": occupied, "people": people, "at_home": tuple(at_home.tolist())}
