"""Where everything of a plan is drawn: outlines, doors, sensors, for pictures of any kind.

Outlines and spots that the plan gives are kept. What it does not give is laid out from the graph of rooms and doors:
rectangles that do not overlap, with a wall in common where a door joins them as far as that can be had in the plane,
each storey for itself, the outdoors around the house. The same plan always gives the same layout.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from presence.draw.openings import door_shapes, sensor_shapes
from presence.draw.outlines import Box, Point, box_of, is_simple, overlap, roomiest
from presence.draw.packing import pack
from presence.draw.shapes import DoorEnd, DoorShape, RoomShape, SensorShape
from presence.floorplan import AWAY, Floorplan

__all__ = ["DoorEnd", "DoorShape", "HouseLayout", "RoomShape", "SensorShape", "house_layout"]

APART = 2.5
"""m between two storeys that are drawn side by side."""


@dataclass(frozen=True, slots=True)
class HouseLayout:
    """A whole plan as it is drawn; coordinates are metres, y upwards, one origin for all floors."""

    rooms: dict[str, RoomShape]
    """Every room of the plan but `away`."""
    doors: dict[str, DoorShape]
    """Every door of the plan."""
    sensors: dict[str, SensorShape]
    """Every sensor but those that people carry."""
    floors: tuple[int, ...]
    """From the lowest up."""
    bounds: dict[int, Box]
    """Around all outlines of each floor."""
    notes: tuple[str, ...]
    """What is odd about the outlines that the plan gives, one sentence each; empty for a sound plan."""

    def offsets(self, *, beside: bool = True, apart: float = APART) -> dict[int, Point]:
        """What to add to the coordinates of each floor so that all fit on one sheet without overlap.

        Args:
            beside: the lowest floor on the left, the next to its right; else each floor above the one below it.
            apart: metres between two floors.
        """
        shifts: dict[int, Point] = {}
        edge: float | None = None
        for floor in self.floors:
            box = self.bounds[floor]
            low, high = (box.left, box.right) if beside else (box.bottom, box.top)
            shift = 0.0 if edge is None else edge + apart - low
            shifts[floor] = (shift, 0.0) if beside else (0.0, shift)
            edge = high + shift
        return shifts


def house_layout(plan: Floorplan) -> HouseLayout:
    """The layout of a plan; rooms and doors in the order of the plan."""
    outlines = pack(plan)
    rooms = {
        id_: RoomShape(
            id_,
            plan.rooms[id_].label,
            plan.rooms[id_].floor,
            plan.rooms[id_].outdoors,
            outlines[id_],
            roomiest(outlines[id_]),
            plan.rooms[id_].outline is not None,
        )
        for id_ in plan.rooms
        if id_ != AWAY
    }
    doors = door_shapes(plan, rooms)
    floors = tuple(sorted({room.floor for room in rooms.values()}))
    return HouseLayout(
        rooms=rooms,
        doors=doors,
        sensors=sensor_shapes(plan, rooms, doors),
        floors=floors,
        bounds={f: box_of(room.outline for room in rooms.values() if room.floor == f) for f in floors},
        notes=tuple(_notes(rooms)),
    )


def _notes(rooms: dict[str, RoomShape]) -> Iterator[str]:
    """What to tell about outlines that the plan gives; those laid out here are sound."""
    given = [room for room in rooms.values() if room.given]
    for i, room in enumerate(given):
        if not is_simple(room.outline):
            yield f"the outline of {room.id} crosses itself; corners in order around the room would be right"
        for other in given[:i]:
            if room.floor == other.floor and overlap(room.outline, other.outline):
                yield f"the outlines of {other.id} and {room.id} overlap; side by side would be right"
