"""How many reports each sensor owed: its chances, by the tracker's own belief.

Between events the model expects `sum over beings and states of belief x rate` reports a second from each sensor (its
compensator). The tracker's own log-likelihood says exactly how much all of them together were expected over a silence;
each sensor's part of it is shared out by the rates before and after. Under the model the reports of one sensor are a
unit-rate Poisson process in this time of its own (Daley & Vere-Jones 2003, section 7.4, random time change).

A belief explains silence as absence, so a dead sensor's compensator falls asleep. What wakes it is what others see:
when an event moves people in the belief from one room to another, everything on the way there had a chance, too; and
when a door is unlocked, so had its contact.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.conditions import report_of
from presence.floorplan import Floorplan
from presence.habits import Hours
from presence.hypotheses import Way
from presence.model import Model
from presence.movement import PET
from presence.places import WATCHERS
from presence.recent import Recent
from presence.sensing import Sight
from presence.snapshot import Snapshot
from presence.world import CHANGES, Condition

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]

NOTABLE = 0.02
"""People: smaller moves of belief at an event are not looked at."""


class Chances(NamedTuple):
    """Chances of each sensor in one step of the tracker; both of shape (N,)."""

    expected: Array
    """Reports expected over the silence before the event."""
    passed: Array
    """People whom the event shows to have passed the sensor unseen."""


class _Table(NamedTuple):
    """Rates of the reports of N sensors for P beings in S states, under one set of habits."""

    resting: Array
    """Shape (N, P * S), 1/s: while nothing is on, open or pressed."""
    under: dict[Condition, tuple[int, Array | None]]
    """What a condition changes: a sensor's index and its rates (P * S,), None for no reports at all."""
    together: Recent[tuple[IndexArray, list[tuple[int, Array]]]]
    """What conditions change together: who makes no reports at all, and the rates of others."""


class ChanceMeter:
    """Measures chances for one plan; holds nothing that changes but bounded memories."""

    def __init__(self, model: Model) -> None:
        self.model = model
        self.sensors = {sensor: n for n, sensor in enumerate(model.plan.sensors)}
        self._ways = ways_past(model.plan, model.states.rooms)
        self._beside = locks_beside(model.plan)
        self._people = np.array([being.role != PET for being in model.beings], dtype=np.float64)
        self._tables: Recent[_Table] = Recent(model.worlds_kept)
        self._unable: Recent[IndexArray] = Recent(CHANGES)

    def measure(self, before: Snapshot, quiet: Snapshot, after: Snapshot, sensor: str | None) -> Chances:
        """Chances in one step: a silence from `before` to `quiet`, then an event of `sensor` that leads to `after`."""
        none = np.zeros(len(self.sensors))
        expected = self._expected(before, quiet) if quiet.seconds > before.seconds else none
        return Chances(expected, none if sensor is None else self._passed(quiet, after, sensor))

    def rates(self, snapshot: Snapshot) -> Array:
        """Expected reports a second of each sensor, shape (N,)."""
        return self._rates(snapshot, self.model.marginals(snapshot.mixture))

    def _rates(self, snapshot: Snapshot, belief: Array) -> Array:
        """Expected reports a second of each sensor with this belief (P, S) under a snapshot's conditions."""
        table = self._tables.get_or(snapshot.hours, lambda: self._table(snapshot.hours))
        belief = belief.ravel()
        rates: Array = table.resting @ belief
        silent, others = table.together.get_or(snapshot.conditions, lambda: self._together(table, snapshot))
        rates[silent] = 0.0
        for index, row in others:
            rates[index] = row @ belief
        return rates

    def _together(self, table: _Table, snapshot: Snapshot) -> tuple[IndexArray, list[tuple[int, Array]]]:
        """What a snapshot's conditions change: of two that concern one sensor the latter holds."""
        changed: dict[int, Array | None] = {}
        for condition in sorted(snapshot.conditions):
            if condition not in table.under and (report := report_of(condition[0]))[0]:
                table.under[condition] = self._door(snapshot.hours, condition[1], *report)
            if condition in table.under:
                index, changed[index] = table.under[condition]
        silent = [index for index, row in changed.items() if row is None]
        return np.array(silent, dtype=np.intp), [(index, row) for index, row in changed.items() if row is not None]

    def _door(self, hours: Hours, door: str, value: str, open_share: float) -> tuple[int, Array]:
        """The contact of a door that stands open for a share of the time, and its rates instead of any other door's."""
        sight, sensor = self.model.world(hours).sight, self.model.plan.contacts[door]
        return self.sensors[sensor.id], _rates(sight, sight.options(sensor, value, open_share=open_share))

    def _expected(self, before: Snapshot, quiet: Snapshot) -> Array:
        if (before.hours, before.conditions) == (quiet.hours, quiet.conditions):
            rates = self._rates(quiet, self.model.marginals(before.mixture) + self.model.marginals(quiet.mixture))
        else:
            rates = self.rates(before) + self.rates(quiet)
        total = float(rates.sum())
        lost = before.mixture.log_likelihood - quiet.mixture.log_likelihood
        dt = quiet.seconds - before.seconds
        most = 0.5 * total * dt  # phones and witnesses also change the likelihood; never expect more than the rates say
        return rates * (min(max(lost, 0.0), most) / total) if total > 0 else rates

    def _passed(self, quiet: Snapshot, after: Snapshot, sensor: str) -> Array:
        none = np.zeros(len(self.sensors))
        if after.mixture is quiet.mixture:
            return none
        passed: Array = self._walked(quiet, after) + self._beside[self.sensors[sensor]]
        passed[self.sensors[sensor]] = 0.0
        passed[self._unable.get_or(quiet.conditions, lambda: self._told_by(quiet.conditions))] = 0.0
        return passed

    def _walked(self, quiet: Snapshot, after: Snapshot) -> Array:
        """People whom an event moves past each sensor, shape (N,)."""
        change = self.model.marginals(after.mixture) - self.model.marginals(quiet.mixture)
        moved = self._people @ change @ self.model.room_of
        gained, left = np.maximum(moved, 0.0), np.maximum(-moved, 0.0)
        total = max(float(gained.sum()), float(left.sum()))
        if total < NOTABLE:
            return np.zeros(len(self.sensors))
        rooms, _, sensors = self._ways.shape
        walked: Array = gained @ (left @ self._ways.reshape(rooms, -1)).reshape(rooms, sensors) / total
        return walked

    def _told_by(self, conditions: frozenset[Condition]) -> IndexArray:
        """Sensors that have had no chance, because they cannot report or already have."""
        doors = {name for kind, name in conditions if kind in ("open", "unwatched")}
        blind = {name for kind, name in conditions if kind == "blind"}
        sensors = self.model.plan.sensors.values()
        told = [self.sensors[s.id] for s in sensors if s.id in blind or s.door in doors]
        return np.array(told, dtype=np.intp)

    def _table(self, hours: Hours) -> _Table:
        sight, plan = self.model.world(hours).sight, self.model.plan
        resting = np.array([_rates(sight, sight.resting_options(s)) for s in plan.sensors.values()])
        under: dict[Condition, tuple[int, Array | None]] = {}
        for n, sensor in enumerate(plan.sensors.values()):
            under["blind", sensor.id] = (n, None)
            if sensor.kind == "contact":
                under["unwatched", str(sensor.door)] = (n, None)
                under["open", str(sensor.door)] = (n, _rates(sight, sight.options(sensor, "closed")))
            elif sensor.kind == "pressure":
                under["pressed", sensor.id] = (n, _rates(sight, sight.options(sensor, "released")))
        return _Table(resting, under, Recent(CHANGES))


def _rates(sight: Sight, ways: list[Way]) -> Array:
    """Rates of some ways together for each being in each state, shape (P * S,)."""
    rates = np.zeros_like(sight.weights)
    for way in ways:
        rates[:, way.source] += way.rates.sum(axis=2)
    return rates.ravel()


def ways_past(plan: Floorplan, rooms: tuple[str, ...]) -> Array:
    """Share of the shortest ways from one room to another that lead past each sensor, shape (R, R, N).

    A way leads past a sensor of the room that it begins in, of a room that it crosses, and past the contact of a door
    that it takes (shared where several doors join two rooms). A room with several motion sensors may be crossed out of
    sight of most of them.
    """
    import networkx

    sensors, index = list(plan.sensors.values()), {room: i for i, room in enumerate(rooms)}
    watching = {
        room: {n: 1.0 for n, s in enumerate(sensors) if s.kind in WATCHERS and s.room == room} for room in rooms
    }
    watching = {room: {n: 1.0 / len(seen) ** 2 for n in seen} for room, seen in watching.items() if seen}
    doors: dict[frozenset[str], dict[int, float]] = {}
    for a, b in plan.graph.edges():
        joined = list(plan.graph[a][b])
        doors[frozenset((a, b))] = {
            n: 1.0 / len(joined) for n, s in enumerate(sensors) if s.kind == "contact" and s.door in joined
        }
    ways = np.zeros((len(rooms), len(rooms), len(sensors)))
    for start in rooms:
        for end in rooms:
            if start == end or not networkx.has_path(plan.graph, start, end):
                continue
            paths = list(networkx.all_shortest_paths(plan.graph, start, end))
            for path in paths:
                past = [watching.get(room, {}) for room in path[:-1]]
                past += [doors[frozenset(pair)] for pair in pairwise(path)]
                for n, share in (item for seen in past for item in seen.items()):
                    ways[index[start], index[end], n] += share / len(paths)
    return np.minimum(ways, 1.0)


def locks_beside(plan: Floorplan) -> Array:
    """`[n, m]`: what a report of sensor n counts as passing sensor m: of a lock, half for the contact of its door.

    A door is unlocked and, later, locked for one passage. Shape (N, N).
    """
    sensors = list(plan.sensors.values())
    beside = np.zeros((len(sensors), len(sensors)))
    for n, lock in enumerate(sensors):
        for m, contact in enumerate(sensors):
            if lock.kind == "lock" and contact.kind == "contact" and lock.door == contact.door:
                beside[n, m] = 0.5
    return beside
