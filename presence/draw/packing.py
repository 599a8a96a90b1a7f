"""Outlines for every room of a plan: those that are given are kept, the others are laid out from the graph."""

from __future__ import annotations

from presence.draw.attach import Site, attach
from presence.draw.dissect import Storey, dissect
from presence.draw.outlines import Box, Outline, Point, box_of, roomiest
from presence.floorplan import AWAY, Floorplan
from presence.simulate.rooms import function_of

AREAS = {
    "kitchen": 14.0,
    "dining": 14.0,
    "bath": 7.0,
    "bed": 13.0,
    "living": 22.0,
    "study": 10.0,
    "utility": 6.0,
    "garage": 28.0,
    "hall": 10.0,
    "toilet": 3.5,
    "store": 5.0,
    "other": 12.0,
}
"""Square metres of a room without an outline, by what it seems to be for. Common practice, no source."""
YARD, BALCONY = 40.0, 7.0
"""Square metres outdoors, on the ground and above it."""
MORE = 1.5
"""Square metres more for each door beyond the third, and for each sensor: they need space to be seen."""
MOST_CUT = 30
"""Rooms of a floor that are cut out of one rectangle; more are put beside each other one by one."""


def pack(plan: Floorplan) -> dict[str, Outline]:
    """The outline of every room but `away`; two that are not both given never overlap on one floor."""
    rooms = [room for room in plan.rooms.values() if room.id != AWAY]
    outlines = {room.id: tuple(room.outline) for room in rooms if room.outline is not None}
    floors = sorted({room.floor for room in rooms}, key=lambda floor: (_bare(plan, floor), abs(floor), floor))
    for floor in floors:
        missing = [room.id for room in rooms if room.floor == floor and room.id not in outlines]
        if missing and _cuttable(plan, floor, missing):
            boxes = dissect(_storey(plan, floor, missing, outlines))
            outlines |= {room: boxes[room].outline for room in missing}
        elif missing:
            outlines |= attach(_site(plan, floor, missing, outlines))
    return outlines


def _cuttable(plan: Floorplan, floor: int, missing: list[str]) -> bool:
    """Whether a floor can be cut out of one rectangle: nothing on it has its place yet, and it has a room indoors."""
    here = [room.id for room in plan.rooms.values() if room.floor == floor and room.id != AWAY]
    spots = [sensor.at for sensor in plan.sensors.values() if sensor.room in here]
    spots += [door.at for door in plan.doors.values() if set(door.between) & set(here)]
    indoors = [room for room in here if not plan.rooms[room].outdoors]
    return here == missing and len(indoors) > 0 and len(here) <= MOST_CUT and not any(spots)


def _storey(plan: Floorplan, floor: int, missing: list[str], outlines: dict[str, Outline]) -> Storey:
    """What is known of a floor without outlines."""
    joined, exits, over = [], set(), {}
    for door in plan.doors.values():
        for room, other in (door.between, door.between[::-1]):
            if room in missing and other == AWAY:
                exits.add(room)
            elif room in missing and other in missing:
                joined.append((room, other))
            elif room in missing and other in outlines:
                over[room] = box_of([outlines[other]])
    beside = {room: {b for a, b in joined if a == room} for room in missing}
    return Storey(
        areas={room: area(plan, room) for room in missing if not plan.rooms[room].outdoors},
        outdoors=[room for room in missing if plan.rooms[room].outdoors],
        joined=list(dict.fromkeys((min(pair), max(pair)) for pair in joined)),
        exits=frozenset(exits),
        hubs=frozenset(room for room in missing if len(beside[room]) > 3 or _function(plan, room) == "hall"),
        over=over,
        house=_house(plan, floor, outlines),
        ground=floor == 0,
    )


def _house(plan: Floorplan, floor: int, outlines: dict[str, Outline]) -> Box | None:
    """The box around the rooms indoors of the nearest floor that is laid out."""
    indoors = [room for room in plan.indoor if room in outlines]
    if not indoors:
        return None
    nearest = min((plan.rooms[room].floor for room in indoors), key=lambda other: (abs(other - floor), other))
    return box_of(outlines[room] for room in indoors if plan.rooms[room].floor == nearest)


def _bare(plan: Floorplan, floor: int) -> bool:
    """Whether a floor has no outline at all; such floors are laid out after those that have."""
    return not any(room.outline for room in plan.rooms.values() if room.floor == floor)


def _site(plan: Floorplan, floor: int, missing: list[str], outlines: dict[str, Outline]) -> Site:
    """What is known of the rooms to be laid out on one floor."""
    here = {id_ for id_, room in plan.rooms.items() if room.floor == floor and id_ != AWAY}
    beside: dict[str, list[tuple[str, Point | None]]] = {room: [] for room in here}
    anchors: dict[str, Point] = {}
    for door in plan.doors.values():
        for room, other in (door.between, door.between[::-1]):
            if room in here and other in here:
                beside[room].append((other, door.at))
            elif room in here and other in outlines and plan.rooms[other].floor != floor:
                anchors.setdefault(room, door.at or roomiest(outlines[other]))
    spots: dict[str, list[Point]] = {}
    for sensor in plan.sensors.values():
        if sensor.room in here and sensor.at is not None:
            spots.setdefault(sensor.room, []).append(sensor.at)
    return Site(
        missing=missing,
        placed={room: outline for room, outline in outlines.items() if room in here},
        beside=beside,
        anchors=anchors,
        spots=spots,
        areas={room: area(plan, room) for room in missing},
        outdoors={room for room in here if plan.rooms[room].outdoors},
        ground=ground(outlines),
    )


def ground(outlines: dict[str, Outline]) -> Box | None:
    """The box around all that is laid out so far, on any floor."""
    return box_of(outlines.values()) if outlines else None


def area(plan: Floorplan, id_: str) -> float:
    """Square metres that a room without an outline gets."""
    room = plan.rooms[id_]
    if room.outdoors:
        return YARD if room.floor == 0 else BALCONY
    sensors = sum(sensor.room == id_ for sensor in plan.sensors.values())
    return AREAS[_function(plan, id_)] + MORE * (max(0, _doors(plan, id_) - 3) + max(0, sensors - 3))


def _function(plan: Floorplan, id_: str) -> str:
    return function_of(plan.rooms[id_], _doors(plan, id_))


def _doors(plan: Floorplan, id_: str) -> int:
    return sum(id_ in door.between for door in plan.doors.values())
