"""Pets: they rest, roam, and go from room to room, but only where a door stands open."""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Mapping

import numpy as np
from numpy.random import Generator

from presence.floorplan import Pet
from presence.simulate.doors import Swing
from presence.simulate.geometry import Geometry, Step, across
from presence.simulate.schedules import Calendar
from presence.simulate.settings import SimulationSettings
from presence.simulate.walking import ACTIVE, ASLEEP, Stay, Trace, Walker

REST = (1300.0, 1.1)
"""s, sigma of a log-normal law; three times as long at night. Common practice, no source."""
ROAM = (45.0, 0.8)
MOVING_ON = 0.6
"""Chance of going to another room after a rest."""


class OpenDoors:
    """Whether a door can be gone through without a hand."""

    def __init__(self, swings: Mapping[str, list[Swing]]) -> None:
        self._swings = swings
        self._times = {door: [swing.time for swing in changes] for door, changes in swings.items()}

    def __call__(self, door: str, time: float) -> bool:
        """A door without a leaf (no swings at all) is always open."""
        if door not in self._swings:
            return True
        k = bisect_right(self._times[door], time) - 1
        return k >= 0 and self._swings[door][k].open


def roam(
    pet: Pet,
    span: tuple[float, float],
    geometry: Geometry,
    calendar: Calendar,
    doors: OpenDoors,
    settings: SimulationSettings,
    rng: Generator,
) -> Trace:
    """Where `pet` was from the first to the second time of `span`, and its movements."""
    rooms = [room for room in geometry.plan.rooms if room in (pet.rooms or geometry.plan.indoor)]
    walker = Walker(pet.id, rooms[int(rng.integers(len(rooms)))], span[0], geometry, settings, rng)
    while walker.time < span[1]:
        hour = calendar.hour(walker.time)
        rest = float(rng.lognormal(np.log(REST[0]), REST[1])) * (3.0 if hour < 6.5 or hour > 23 else 1.0)
        walker.linger(walker.time + min(rest, 6 * 3600.0), ASLEEP)
        if rng.random() < MOVING_ON:
            target = rooms[int(rng.integers(len(rooms)))]
            for step in _way(geometry, rooms, walker.room, target, doors, walker.time):
                if not walker.try_step(step, doors):
                    break
        walker.follow(
            [Stay(walker.time, walker.time + float(rng.lognormal(np.log(ROAM[0]), ROAM[1])), walker.room, ACTIVE)]
        )
    return walker.trace


def _way(geometry: Geometry, rooms: list[str], source: str, target: str, doors: OpenDoors, time: float) -> list[Step]:
    """Fewest doors that are open now, within the rooms that are allowed; empty where there is no such way."""
    before: dict[str, tuple[str, Step]] = {}
    queue = deque([source])
    while queue and target not in before:
        room = queue.popleft()
        for door in geometry.plan.doors.values():
            if room in door.between and doors(door.id, time):
                other = across(door, room)
                if other in rooms and other not in before and other != source:
                    before[other] = (room, Step(door.id, other))
                    queue.append(other)
    way: list[Step] = []
    while target in before:
        target, step = before[target]
        way.insert(0, step)
    return way
