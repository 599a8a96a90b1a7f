"""Beds and seats that the plan puts somewhere (a pressure sensor's `at`): who lies or sits on one is there.

What a pressure sensor lies in is told by words of its id; where they tell nothing, it is a bed's where people sleep. A
seat holds one person at a time, a bed all who sleep in it, side by side. A pressure sensor without a place in the plan
changes nothing in where people are.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from numpy.random import Generator

from presence.floorplan import Floorplan, Sensor
from presence.simulate.geometry import Spot

SITS_THERE = 0.85
"""Chance that somebody who sits down in the room does so on the seat with a sensor. Common practice, no source."""
BREADTH = 0.4
"""m from the middle of a bed that somebody in it may lie, for two side by side. Common practice, no source."""
BEDS = {"bed", "mattress", "cot"}
FLOORS = {"door", "doormat", "floor"}
SEATS = {"armchair", "bench", "chair", "couch", "desk", "recliner", "seat", "settee", "sofa", "stool"}
"""Words of an id by which a bed, a mat on the floor and a seat are known. From memory."""


def is_bed(plan: Floorplan, sensor: Sensor) -> bool:
    """Whether a pressure sensor lies in a bed: by its id, else as one of a room where people sleep."""
    words = _words(sensor)
    return bool(words & BEDS) or (plan.rooms[str(sensor.room)].rest and not words & (FLOORS | SEATS))


def is_mat(plan: Floorplan, sensor: Sensor) -> bool:
    """Whether a pressure sensor lies on the floor; a mat in a bed does not."""
    return bool(_words(sensor) & (FLOORS | {"mat"})) and not is_bed(plan, sensor)


def _words(sensor: Sensor) -> set[str]:
    return set(re.split(r"[\W\d_]+", sensor.id.lower()))


def is_on(plan: Floorplan, sensor: Sensor, spot: Spot) -> bool:
    """Whether somebody who went to a spot lies on the bed, or sits on the seat, of a sensor that has a place."""
    if sensor.at is None or not is_bed(plan, sensor):
        return spot == sensor.at
    return abs(spot[0] - sensor.at[0]) <= BREADTH and spot[1] == sensor.at[1]


@dataclass
class Furniture:
    """The beds and seats of one plan that have a place, and when the seats are taken."""

    plan: Floorplan
    taken: dict[str, list[tuple[float, float]]] = field(default_factory=dict)

    def of(self, room: str, *, bed: bool) -> list[Sensor]:
        """The beds or the seats in a room that the plan puts somewhere."""
        here = [s for s in self.plan.sensors.values() if (s.kind, s.room) == ("pressure", room) and s.at]
        return [s for s in here if not is_mat(self.plan, s) and is_bed(self.plan, s) == bed]

    def bed(self, room: str, number: int, rng: Generator) -> Spot | None:
        """Where the person of that number lies in a room's bed; None if no bed has a place."""
        beds = self.of(room, bed=True)
        at = beds[number % len(beds)].at if beds else None
        return (at[0] + float(rng.uniform(-BREADTH, BREADTH)), at[1]) if at else None

    def seat(self, room: str, number: int, start: float, end: float, rng: Generator) -> Spot | None:
        """A free seat of a room, one's own first, taken from `start` to `end`; None if there is none."""
        seats = self.of(room, bed=False)
        if not seats or rng.random() >= SITS_THERE:
            return None
        for k in range(len(seats)):
            seat = seats[(number + k) % len(seats)]
            times = self.taken.setdefault(seat.id, [])
            if all(other_end < start or end < other for other, other_end in times):
                times.append((start, end))
                return seat.at
        return None
