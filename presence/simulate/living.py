"""A household living in a plan: everybody's traces and what became of the doors, before any sensor sees it.

Every being, door and sensor has a random stream of its own, named after it: adding a sensor to a plan changes nothing
in the lives that it watches, so that plans can be compared.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import ceil
from zlib import crc32

import numpy as np
from numpy.random import Generator

from presence.floorplan import AWAY, Floorplan
from presence.simulate import visitors
from presence.simulate.activities import Life, bed_of
from presence.simulate.doors import Leaf, Swing, Use, idle_uses, uses_of
from presence.simulate.furniture import Furniture
from presence.simulate.geometry import Geometry
from presence.simulate.pets import OpenDoors, roam
from presence.simulate.schedules import HOUR, Calendar, Household, Visit, draw_roles
from presence.simulate.settings import SimulationSettings
from presence.simulate.walking import ASLEEP, Stay, Trace, Walker


def stream(seed: int, *names: str) -> Generator:
    """The random stream of the thing of that name."""
    return np.random.default_rng([seed, *(crc32(name.encode()) for name in names)])


@dataclass(frozen=True)
class Lives:
    """All that happened in a home from `begin` to `end` (epoch seconds), and a little on both sides."""

    begin: float
    end: float
    geometry: Geometry
    calendar: Calendar
    roles: dict[str, str]
    people: list[Trace]
    """Residents, then visitors."""
    pets: list[Trace]
    swings: dict[str, list[Swing]]
    """Of every door that has a leaf."""


def live(plan: Floorplan, *, days: float, seed: int, start: date, settings: SimulationSettings) -> Lives:
    """Let everybody in `plan` live for `days` days from the local midnight of `start`."""
    calendar, geometry = Calendar(start, plan.zone), Geometry(plan)
    begin, end = calendar.at(0, 0), calendar.at(int(days), days % 1 * 86400)
    can_leave = {person.id: geometry.way(bed_of(person, geometry), AWAY) is not None for person in plan.people.values()}
    roles = draw_roles(plan, settings, stream(seed, "roles"))
    household = Household(plan, settings, calendar, roles, bool(geometry.drive_ways))
    own = {person: stream(seed, "days", person) for person in plan.people}
    household.plan_days(range(-1, ceil(days) + 1), own, stream(seed, "household"))
    furniture = Furniture(plan)
    traces = _residents(household, geometry, furniture, can_leave, seed)
    residents = list(traces.values())
    visits = [
        (visit, traces[person])
        for person, wakings in household.days.items()
        for waking in wakings.values()
        for visit in waking.visits
    ]
    callers, openers, hand_overs = _callers(visits, begin, geometry, furniture, settings, seed)
    people = [*residents, *callers]
    entry = geometry.entry()
    swings: dict[str, list[Swing]] = {}
    for door in plan.doors.values():
        if door.leaf != "none":
            rng = stream(seed, "door", door.id)
            uses = uses_of(door, people, openers, geometry) + idle_uses(door, residents, settings, rng)
            uses += hand_overs if entry and door.id == entry.door else []
            leaf = Leaf(door, geometry, settings, rng)
            swings[door.id] = leaf.operate(sorted(uses, key=lambda use: use.time), begin - 30 * HOUR)
    pets = [
        roam(pet, (begin - HOUR, end), geometry, calendar, OpenDoors(swings), settings, stream(seed, "pet", pet.id))
        for pet in plan.pets.values()
        if not settings.no_pets
    ]
    return Lives(begin, end, geometry, calendar, roles, people, pets, swings)


def _residents(
    household: Household, geometry: Geometry, furniture: Furniture, can_leave: dict[str, bool], seed: int
) -> dict[str, Trace]:
    taken: dict[tuple[str, int], list[tuple[float, float]]] = {}
    traces: dict[str, Trace] = {}
    for person in household.plan.people.values():
        wakings = list(household.days[person.id].values())
        for waking in wakings if not can_leave[person.id] else ():
            waking.trips, waking.visits = [], []
        rng = stream(seed, "person", person.id)
        life = Life(person, geometry, household.calendar, rng, taken)
        stays = life.write(wakings)
        walker = Walker(person.id, life.bed, stays[0].start - HOUR, geometry, household.settings, rng, furniture)
        traces[person.id] = walker.follow([Stay(walker.time, stays[0].start, life.bed, ASLEEP), *stays])
    return traces


def _callers(
    visits: list[tuple[Visit, Trace]],
    begin: float,
    geometry: Geometry,
    furniture: Furniture,
    settings: SimulationSettings,
    seed: int,
) -> tuple[list[Trace], dict[tuple[str, float], str], list[Use]]:
    entry = geometry.entry()
    if not visits or not entry:
        return [], {}, []
    calls = visitors.answer(visits, entry)
    opened: dict[tuple[str, float], str] = {}
    callers: list[Trace] = []
    for visitor in sorted({guest for visit, _ in visits for guest in visit.guests}):
        rng = stream(seed, "visitor", visitor)
        callers.append(visitors.call(visitor, calls, entry, begin - 30 * HOUR, geometry, furniture, settings, rng))
        opened |= visitors.openers(callers[-1], calls, entry)
    return callers, opened, visitors.hand_overs(calls, entry, stream(seed, "hand over"))
