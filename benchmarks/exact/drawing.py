"""Lives drawn from the tracker's own model, event by event: the ceiling, and a test of the inference.

The competing exponential clocks of every being and sensor run one against another (Gillespie 1977, J. Phys. Chem.
81:2340). What a sensor cannot report while it is on, or its door stands open, happens unreported. Two things the model
does not say: a motion sensor or camera is on for its hold time, and a phone reports half a minute to some minutes late.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from heapq import heappop, heappush
from itertools import accumulate
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchmarks.exact.dense import NOON, Cause, DenseModel
from benchmarks.exact.senses import Senses
from presence import Event, Floorplan, Settings
from presence.floorplan import AWAY
from presence.habits import Hours
from presence.movement import PET
from presence.truth import TruthLine

Array = NDArray[np.float64]

RESTING = {"motion": "detected", "camera": "person", "contact": "open", "lock": "unlocked", "switch": "pressed",
           "power": "started"}  # fmt: skip
"""The kinds that can be drawn, phones apart, and what they report at rest."""
LASTING = ("motion", "camera")
HOLD = 30.0
"""Seconds that a sensor without a stated hold stays on."""


class Life(NamedTuple):
    """A log and the truth behind it, both in order of time."""

    events: list[Event]
    truth: list[TruthLine]


class Deeds(NamedTuple):
    """What one being in one state can do."""

    rates: list[float]
    """Running sums of the deeds' rates, 1/s; the last is the rate of doing anything."""
    targets: list[int]
    """The state that each deed leads to."""
    reports: list[list[tuple[float, str]]]
    """For each deed the sensors that report it, each with the share of times it does."""


def draw_life(
    plan: Floorplan, seconds: float, seed: int, *, start: datetime = NOON, settings: Settings | None = None
) -> Life:
    """Everybody in the plan, visitors and pets too, lives by the model for a while; tags stay silent.

    Raises:
        ValueError: if the plan has a sensor of a kind that cannot be drawn.
    """
    unknown = sorted({s.kind for s in plan.sensors.values()} - {*RESTING, "phone", "badge"})
    if unknown:
        raise ValueError(f"sensors of the kind {', '.join(unknown)} cannot be drawn; {', '.join(RESTING)}, phone can")
    home = _Home(plan, DenseModel(plan, settings), start, np.random.default_rng(seed))
    begin = start.timestamp()
    home.settle_in(begin)
    changes = [*home.model.clock_changes(begin, begin + seconds), begin + seconds]
    now = begin
    for stop in changes:
        hours = home.model.hours(now)
        while now < stop:
            now = home.step(now, min([stop, *(at for at, _, _ in home.due[:1])]), hours)
    return Life(sorted(home.events, key=lambda event: event.time), home.truth)


@dataclass
class _Home:
    """Where everybody is, what the sensors show, and what has been written down so far."""

    plan: Floorplan
    model: DenseModel
    start: datetime
    random: np.random.Generator
    state: list[int] = field(default_factory=list)
    due: list[tuple[float, str, str]] = field(default_factory=list)
    """Heap of (instant, sensor, value): what a sensor will say by itself."""
    events: list[Event] = field(default_factory=list)
    truth: list[TruthLine] = field(default_factory=list)
    _lettings: dict[Hours, list[tuple[str, Cause, list[float], list[float]]]] = field(default_factory=dict)
    """By who sleeps: a sensor, a way to let a guest pass, and its rates by the host's and by the guest's state."""
    _passing: dict[tuple[Hours, str], list[Cause]] = field(default_factory=dict)
    """Ways of passing a door, alone or with somebody who was asked along."""
    _deeds: dict[tuple[Hours, int, int, tuple[float, ...]], Deeds] = field(default_factory=dict)
    _matrices: dict[tuple[Hours, str, str, float], list[Array]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.senses = Senses(self.plan, self.model.settings)
        resting = [(s.id, RESTING[s.kind]) for s in self.plan.sensors.values() if s.kind in RESTING]
        self.alarms = [(sensor, self.model.nobody_rate(Event(NOON, sensor, value))) for sensor, value in resting]
        self.resting = dict(resting)
        self.phone_of = {s.person: s.id for s in self.plan.sensors.values() if s.kind == "phone"}

    def settle_in(self, seconds: float) -> None:
        """Everybody is where they usually are at this hour, and phones say so."""
        prior = self.model.prior(seconds)
        self.state = [int(self.random.choice(self.model.size, p=row)) for row in prior]
        for being in self.model.people:
            self._write_room(seconds, being)
            self._phone(being, seconds + 1.0 + 0.01 * being)

    def step(self, now: float, stop: float, hours: Hours) -> float:
        """The next thing that happens before `stop`, if any; the instant at which it does."""
        deeds = [self._deeds_of(hours, p, i) for p, i in enumerate(self.state)]
        closings = self._closings(now, hours)
        visits = self._visits(hours)
        totals = [*(d.rates[-1] for d in deeds), *(rate for _, rate in closings), *(rate for _, rate in self.alarms)]
        totals += [rate for _, _, rate in visits]
        rates = list(accumulate(totals))
        then = now + float(self.random.exponential(1.0 / rates[-1]))
        if then >= stop:
            while self.due and self.due[0][0] <= stop:
                at, sensor, value = heappop(self.due)
                self._say(at, sensor, value)
            return stop
        chosen = self._pick(rates)
        if chosen < len(deeds):
            self._do(then, chosen, deeds[chosen])
        elif chosen < len(deeds) + len(closings):
            self._say(then, closings[chosen - len(deeds)][0], "closed")
        elif chosen < len(deeds) + len(closings) + len(self.alarms):
            self._report(then, self.alarms[chosen - len(deeds) - len(closings)][0])
        else:
            sensor, cause, _ = visits[chosen - len(deeds) - len(closings) - len(self.alarms)]
            assert cause.moves is not None
            moves = cause.moves[self.state[cause.companion]]
            self._move(then, cause.companion, int(self.random.choice(self.model.size, p=moves / moves.sum())))
            self._report(then, sensor)
        return then

    def _visits(self, hours: Hours) -> list[tuple[str, Cause, float]]:
        """Who can let a guest in or out now, through which sensor's door, and at which rate."""
        if hours not in self._lettings:
            self._lettings[hours] = [
                (sensor, cause, cause.matrix.sum(axis=1).tolist(), cause.moves.sum(axis=1).tolist())
                for sensor, value in self.resting.items()
                for cause in self.model.causes(Event(NOON, sensor, value), hours)
                if cause.moves is not None and not cause.asked
            ]
        state = self.state
        rates = [(s, c, by[state[c.being]] * of[state[c.companion]]) for s, c, by, of in self._lettings[hours]]
        return [visit for visit in rates if visit[2] > 0]

    def _do(self, now: float, being: int, deeds: Deeds) -> None:
        chosen, before = self._pick(deeds.rates), self.state[being]
        if self._shut_in(now, being, before, deeds.targets[chosen]):
            return
        self._move(now, being, deeds.targets[chosen])
        share = self.random.random()
        for part, sensor in deeds.reports[chosen]:
            share -= part
            if share < 0:
                self._ask_along(now, sensor, being, before)
                self._report(now, sensor)
                return

    def _shut_in(self, now: float, being: int, before: int, after: int) -> bool:
        """Whether an animal comes to a shut door with a contact, which it passes as seldom as that misses somebody."""
        sight = self.model.sight(self.model.hours(now))
        if sight.beings[being].role != PET:
            return False
        shut = [door for door in self.plan.contacts if door not in self.senses.open]
        met = [door for door in shut if {(before, after), (after, before)} & set(sight.door_states(door))]
        return bool(met) and self.random.random() >= max(sight.door_miss(door) for door in met)

    def _ask_along(self, now: float, sensor: str, being: int, before: int) -> None:
        """Whoever has passed a door that reports it may have asked somebody to come with them."""
        after, hours = self.state[being], self.model.hours(now)
        if before == after or self.plan.sensors[sensor].door is None:
            return
        if (hours, sensor) not in self._passing:
            causes = self.model.causes(Event(NOON, sensor, self.resting[sensor]), hours)
            self._passing[hours, sensor] = [c for c in causes if c.label and (c.moves is None or c.asked)]
        passing = [c for c in self._passing[hours, sensor] if c.being == being]
        rates = list(accumulate(float(c.matrix[before, after]) for c in passing))
        if not any(c.asked for c in passing) or not rates[-1] > 0.0:
            return
        cause = passing[self._pick(rates)]
        if cause.moves is not None:
            moves = cause.moves[self.state[cause.companion]]
            self._move(now, cause.companion, int(self.random.choice(self.model.size, p=moves)))

    def _move(self, now: float, being: int, state: int) -> None:
        before, self.state[being] = self.state[being], state
        room = self.model.room
        if room[before] != room[self.state[being]] and being in self.model.people:
            self._write_room(now, being)
            away = self.model.rooms.index(AWAY)
            if away in (room[before], room[self.state[being]]):
                self._phone(being, now + 30.0 + self.random.exponential(60.0))

    def _pick(self, rates: list[float]) -> int:
        """One of several things by their running sums of rates."""
        return min(bisect_right(rates, self.random.random() * rates[-1]), len(rates) - 1)

    def _report(self, now: float, sensor: str) -> None:
        """A sensor reports, unless it is on or its door stands open."""
        kind, door = self.plan.sensors[sensor].kind, self.plan.sensors[sensor].door
        if sensor in self.senses.on or (kind == "contact" and door in self.senses.open):
            return
        self._say(now, sensor, self.resting[sensor])
        if kind in LASTING:
            heappush(self.due, (now + (self.plan.sensors[sensor].hold or HOLD), sensor, "clear"))

    def _say(self, now: float, sensor: str, value: str) -> None:
        kind = self.plan.sensors[sensor].kind
        if kind == "phone":
            owner = self.model.names.index(str(self.plan.sensors[sensor].person))
            value = "away" if self.model.rooms[self.model.room[self.state[owner]]] == AWAY else "home"
        event = Event(self._time(now), sensor, value)
        if kind != "phone":
            self.senses.take(event)
        self.events.append(event)

    def _phone(self, being: int, at: float) -> None:
        if phone := self.phone_of.get(self.model.names[being]):
            heappush(self.due, (at, phone, ""))

    def _write_room(self, now: float, being: int) -> None:
        room = self.model.rooms[self.model.room[self.state[being]]]
        self.truth.append(TruthLine(self._time(now), self.model.names[being], room))

    def _time(self, seconds: float) -> datetime:
        return self.start + timedelta(seconds=round(seconds - self.start.timestamp(), 6))

    def _closings(self, now: float, hours: Hours) -> list[tuple[str, float]]:
        """Each door that stands open and the rate at which it is closed, by somebody or by itself."""
        found = []
        for sensor in self.resting:
            if self.plan.sensors[sensor].kind == "contact" and self.plan.sensors[sensor].door in self.senses.open:
                event = Event(self._time(now), sensor, "closed")
                causes = self._matrix(hours, sensor, "closed", self.senses.open_share(event))
                rate = sum(float(causes[p][i].sum()) for p, i in enumerate(self.state))
                found.append((sensor, rate + self.model.nobody_rate(event)))
        return found

    def _matrix(self, hours: Hours, sensor: str, value: str, share: float = 0.0) -> list[Array]:
        """Rates at which each being causes a report, shape (S, S) each."""
        key = (hours, sensor, value, share)
        if key not in self._matrices:
            size = self.model.size
            found = [np.zeros((size, size)) for _ in self.model.names]
            for cause in self.model.causes(Event(NOON, sensor, value), hours, share):
                if cause.moves is None or cause.asked:
                    found[cause.being] += cause.matrix
            self._matrices[key] = found
        return self._matrices[key]

    def _deeds_of(self, hours: Hours, being: int, state: int) -> Deeds:
        shares = tuple(self.senses.open_share(Event(NOON, s, value)) for s, value in self.resting.items())
        key = (hours, being, state, shares)
        if key not in self._deeds:
            rates = [self._matrix(hours, s, v, p) for (s, v), p in zip(self.resting.items(), shares, strict=True)]
            marked = [(s, rate[being][state]) for s, rate in zip(self.resting, rates, strict=True)]
            self._deeds[key] = _deeds(state, self.model.full(hours)[being][state], marked)
        return self._deeds[key]


def _deeds(state: int, movement: Array, marked: Sequence[tuple[str, Array]]) -> Deeds:
    """Moves, each reported by some sensors in some of the cases, and reports without a move."""
    rates: list[float] = []
    targets: list[int] = []
    reports: list[list[tuple[float, str]]] = []
    for target in np.flatnonzero(movement > 0).tolist():
        rates.append(float(movement[target]))
        targets.append(target)
        reports.append([(float(row[target] / movement[target]), s) for s, row in marked if row[target] > 0])
    for sensor, row in marked:
        if row[state] > 0:
            rates.append(float(row[state]))
            targets.append(state)
            reports.append([(1.0, sensor)])
    return Deeds(list(accumulate(rates, initial=0.0))[1:] or [0.0], targets, reports)
