"""Where somebody can be: places, the states of one person, and how doors and seats lie among them."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, field
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.floorplan import AWAY, Floorplan, Sensor, area_of

IndexArray = NDArray[np.intp]

MOVING, ACTIVE, SETTLED, ASLEEP = range(4)
WATCHERS = ("motion", "occupancy", "camera")
"""Kinds of sensors that see whoever is in their room; they stay on for a while, and see nothing new for as long."""
NARROW = 1.5
"""m: corridors are narrower, rooms to live in wider. Common practice, no source."""
HABITABLE = 6.5
"""m2: rooms for living, sleeping or eating are larger (70 square feet: International Residential Code, R304.1, from
memory); bathrooms, toilets and stores need not be."""
ROUNDING = 1e-6
"""m2: an area that is smaller by no more than this is as large."""


class Place(NamedTuple):
    """Where somebody can be: a room, a motion sensor's zone in it, or a seat."""

    room: str
    zone: str | None = None
    """The motion sensor whose zone it is, in rooms with several."""
    seat: str | None = None
    """The pressure sensor that it is."""


@dataclass(frozen=True)
class States:
    """The states of one person, in a fixed order that lives only here."""

    places: tuple[Place, ...]
    place: IndexArray
    """Shape (S,): index of each state's place."""
    pace: IndexArray
    """Shape (S,)."""
    rooms: tuple[str, ...]
    room: IndexArray
    """Shape (S,): index of each state's room in `rooms`."""
    joined: dict[tuple[str, float], list[tuple[int, int, float]]] = field(
        default_factory=dict, compare=False, repr=False
    )
    """Memory of `zones.door_places`."""
    views: dict[str, dict[int, float]] = field(default_factory=dict, compare=False, repr=False)
    """Memory of `views.views`."""

    @cached_property
    def moving(self) -> dict[int, int]:
        """For each place but seats, the state of moving there."""
        return {int(p): i for i, p in enumerate(self.place) if self.pace[i] == MOVING}

    @property
    def size(self) -> int:
        """Number of states S."""
        return len(self.place)

    def select(self, places: list[int], pace: int | None = None) -> IndexArray:
        """Indices of the states at some places, in one pace or in any."""
        wanted = np.zeros(len(self.places), dtype=bool)
        wanted[places] = True
        chosen = wanted[self.place]
        if pace is not None:
            chosen &= self.pace == pace
        return np.flatnonzero(chosen)

    def places_of(self, room: str, *, seats: bool = False) -> list[int]:
        """Indices of a room's places, seats only when asked for."""
        return [i for i, place in enumerate(self.places) if place.room == room and (seats or place.seat is None)]


def motion_zones(plan: Floorplan, room: str) -> list[Sensor]:
    """The motion sensors that divide a room: several, of each of which the plan says where it sits.

    Others mostly look across the same room: they see as one does (`motion_share`).
    """
    sensors = _motion_sensors(plan, room)
    return sensors if len(sensors) > 1 and all(sensor.at is not None for sensor in sensors) else []


def _motion_sensors(plan: Floorplan, room: str) -> list[Sensor]:
    return [s for s in plan.sensors.values() if s.kind == "motion" and s.room == room]


def motion_share(plan: Floorplan, room: str) -> float:
    """Share of what one would report that each motion sensor of a room does: all of it, where they divide the room."""
    return 1.0 if motion_zones(plan, room) else 1.0 / max(1, len(_motion_sensors(plan, room)))


def seen(plan: Floorplan, room: str) -> bool:
    """Whether somebody who settles in the room is not lost from sight.

    A sensor sees them, or every door of the room reports, or the plan says that people rest there unseen: on a bed or
    seat with a sensor, if the room has one and everybody does so (`rest_reports`).
    """
    kinds = {s.kind for s in plan.sensors.values() if s.room == room}
    watched = {s.door for s in plan.sensors.values() if s.kind == "contact"}
    doors = [door.id for door in plan.doors.values() if room in door.between]
    enclosed = bool(doors) and all(door in watched for door in doors)
    unnoticed = plan.rooms[room].rest and not ("pressure" in kinds and rest_reports(plan, room))
    return watched_over(plan, room) or enclosed or unnoticed


def watched_over(plan: Floorplan, room: str) -> bool:
    """Whether a sensor sees whoever is in a room."""
    return any(s.room == room and s.kind in WATCHERS for s in plan.sensors.values())


def _beds(plan: Floorplan) -> Counter[str]:
    """How many people's bed is in each room; where the plan says of nobody, one in each room where people sleep."""
    stated = Counter(p.bed for p in plan.people.values() if p.bed is not None)
    return stated or Counter(room.id for room in plan.rooms.values() if room.rest)


def seats_beside_beds(plan: Floorplan) -> Counter[str]:
    """How many seats with a sensor each room has, but for its beds."""
    return Counter(str(s.room) for s in plan.sensors.values() if s.kind == "pressure") - _beds(plan)


def is_bed(plan: Floorplan, seat: Sensor) -> bool:
    """Whether a pressure sensor is a bed's: a bed is in its room, and no seat with a sensor beside it."""
    room = str(seat.room)
    return _beds(plan)[room] > 0 and not seats_beside_beds(plan)[room]


def well_sensed(plan: Floorplan) -> bool:
    """Whether at least half of the indoor rooms notice that somebody is there; otherwise quiet says little."""
    noticed = {s.room for s in plan.sensors.values() if s.kind in (*WATCHERS, "pressure")}
    return 2 * sum(room in noticed for room in plan.indoor) >= len(plan.indoor)


def narrow(plan: Floorplan, room: str) -> bool:
    """Whether a room is too narrow to sit down in, as far as its outline tells: its area over its greatest extent."""
    outline = plan.rooms[room].outline
    return outline is not None and abs(area_of(outline)) < NARROW * float(np.ptp(outline, axis=0).max()) - ROUNDING


def is_small(plan: Floorplan, room: str) -> bool:
    """Whether people go into a room only to wash or to fetch something, and a sensor sees all of it.

    By its outline it is too small to live in, and it leads to one other room only, both indoors; nobody sleeps there.
    """
    described = plan.rooms[room]
    beyond = list(plan.graph.neighbors(room))
    if not described.outline or described.rest or len(beyond) != 1 or not {room, *beyond} <= set(plan.indoor):
        return False
    small = abs(area_of(described.outline)) < HABITABLE - ROUNDING
    return small and watched_over(plan, room) and not motion_zones(plan, room)


def is_corridor(plan: Floorplan, room: str) -> bool:
    """Whether people pass a room rather than stay in it.

    Three parts of the home meet only there (`Floorplan.corridors`), or it has three doors and is narrow.
    """
    return room in plan.corridors or (plan.graph.degree(room) > 2 and narrow(plan, room))


def is_byway(plan: Floorplan, room: str) -> bool:
    """Whether only side gates lead to a place: hardly anybody goes there, and whoever does walks on as from any other.

    Were it left as seldom as it is gone to, it would be a hiding place.
    """
    doors = {door.id for door in plan.doors.values() if room in door.between}
    return room != AWAY and bool(doors) and doors <= plan.side_gates


def seats_report(plan: Floorplan) -> bool:
    """Whether seats and beds with sensors, some of each, are as many as residents: then who rests, rests noticed."""
    sensors = sum(sensor.kind == "pressure" for sensor in plan.sensors.values())
    seats = seats_beside_beds(plan).total()
    return 0 < len(plan.people) <= sensors and 0 < seats < sensors


def rest_reports(plan: Floorplan, room: str) -> bool:
    """Whether who rests long in a room is noticed, in a home where seats and beds report (`seats_report`).

    In a room without any of them nobody rests long. In one that has some, who does may do so beside another, unnoticed,
    unless all residents find a seat and a bed that report.
    """
    sensors = Counter(str(sensor.room) for sensor in plan.sensors.values() if sensor.kind == "pressure")
    all_find_one = len(plan.people) <= seats_beside_beds(plan).total() and _beds(plan) <= sensors
    return seats_report(plan) and (all_find_one or not sensors[room])


def states_of(plan: Floorplan) -> States:
    """Lay out places and paces; on a seat, active means perched: there, but not pressing it."""
    places: list[Place] = []
    for room in plan.rooms:
        zones = motion_zones(plan, room)
        places += [Place(room, zone=s.id) for s in zones] or [Place(room)]
    places += [Place(s.room, seat=s.id) for s in plan.sensors.values() if s.kind == "pressure" and s.room is not None]
    pairs = [
        (i, pace)
        for i, place in enumerate(places)
        for pace in ((ACTIVE, SETTLED, ASLEEP) if place.seat else (MOVING, ACTIVE, SETTLED, ASLEEP))
        if not (place.room == AWAY and pace == ASLEEP)
    ]
    rooms = tuple(plan.rooms)
    at, pace = (np.array(column, dtype=np.intp) for column in zip(*pairs, strict=True))
    room_of = np.array([rooms.index(places[i].room) for i in at], dtype=np.intp)
    return States(tuple(places), at, pace, rooms, room_of)


def spot_of(plan: Floorplan, place: Place) -> tuple[float, float] | None:
    """Where a place's sensor sits, when the plan says so."""
    sensor = place.zone or place.seat
    return plan.sensors[sensor].at if sensor else None


def watchers(plan: Floorplan, place: Place) -> list[str]:
    """The motion sensor whose zone a place is, or those of its room where it is not divided."""
    if place.seat or place.zone:
        return [place.zone] if place.zone else []
    return [sensor.id for sensor in _motion_sensors(plan, place.room)]


def watched(plan: Floorplan, states: States, sensor: Sensor) -> list[int]:
    """The places of a motion sensor's zone, or of all its room if it is the only one there, with their seats."""
    places = states.places_of(str(sensor.room), seats=True)
    zones = [states.places[seat_zone(plan, states, i) if states.places[i].seat else i].zone for i in places]
    return [i for i, zone in zip(places, zones, strict=True) if zone in (None, sensor.id)]


def zone_and_others(states: States, sensor: str) -> tuple[IndexArray, IndexArray]:
    """All states in one motion sensor's zone, and in all other zones; none where its room is not divided."""
    zones = [i for i, place in enumerate(states.places) if place.zone is not None]
    own = [i for i in zones if states.places[i].zone == sensor]
    return states.select(own), states.select([i for i in zones if i not in own])


def seat_zone(plan: Floorplan, states: States, index: int) -> int:
    """The place of the room from which a seat is reached."""
    place = states.places[index]
    candidates = states.places_of(place.room)
    spot = spot_of(plan, place)
    others = [spot_of(plan, states.places[i]) for i in candidates]
    if spot is None or any(other is None for other in others):
        return candidates[0]
    return candidates[int(np.argmin([math.dist(spot, other) for other in others if other is not None]))]


def first_side(plan: Floorplan, door: str) -> dict[str, float]:
    """For each room 1 if it lies on the side of a door's first room, 0 if on that of the second, a half if on neither.

    That is the side that is nearer without going through the door. Where both are as near and the door leads out of
    doors, rooms indoors lie on the side indoors, the others on the other side.
    """
    import networkx

    graph, outer = plan.graph.copy(), plan.outdoor_sides[door]
    first, second = plan.doors[door].between
    graph.remove_edge(first, second, key=door)
    here, there = (networkx.single_source_shortest_path_length(graph, room) for room in (first, second))
    sides = {}
    for room in plan.rooms:
        nearer = here.get(room, math.inf), there.get(room, math.inf)
        if nearer[0] != nearer[1]:
            sides[room] = float(nearer[0] < nearer[1])
        else:
            sides[room] = 0.5 if outer is None else float((room in plan.indoor) == (outer == 1))
    return sides


def bedroom_doors(plan: Floorplan) -> list[str]:
    """Inner doors with a contact behind which people sleep: open or shut by habit, not as they come and go.

    What lies behind a door is what it alone joins to `away`; where there is another way round, either of its rooms.
    """
    reporting = {s.door for s in plan.sensors.values() if s.kind == "contact"}
    inner = [door for door in plan.doors.values() if door.id in reporting and plan.outdoor_sides[door.id] is None]
    sides = {door.id: plan.inner_sides[door.id] for door in inner}
    behind = {
        id_: plan.doors[id_].between if k is None else plan.doors[id_].between[k : k + 1] for id_, k in sides.items()
    }
    return [door for door, rooms in behind.items() if any(plan.rooms[room].rest for room in rooms)]


def shared_bed(plan: Floorplan, seat: Sensor) -> bool:
    """Whether a pressure sensor lies in a bedroom that two or more people share."""
    return sum(person.bed == seat.room for person in plan.people.values()) > 1
