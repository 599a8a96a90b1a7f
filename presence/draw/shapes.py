"""Rooms, doors and sensors as they are drawn: plain values that know no picture."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from presence.draw.outlines import Outline, Point


@dataclass(frozen=True, slots=True)
class RoomShape:
    """A room as it is drawn."""

    id: str
    label: str
    floor: int
    outdoors: bool
    outline: Outline
    """Corners in order, metres; the last joins the first."""
    label_at: Point
    """Where there is most space for text."""
    given: bool
    """Whether the plan gave the outline."""


@dataclass(frozen=True, slots=True)
class DoorEnd:
    """One side of a door: a spot to stand on before it, half a metre inside the room."""

    room: str
    """`away` beyond a door that leads off the property."""
    floor: int
    at: Point


@dataclass(frozen=True, slots=True)
class DoorShape:
    """A door as it is drawn."""

    id: str
    between: tuple[str, str]
    leaf: str
    kind: str
    """`wall`: in a wall that both rooms share; `stair`: joins two floors; `exit`: leads to `away`; `link`: the two
    outlines do not meet, so the door is a line between `ends`."""
    floor: int
    at: Point
    angle: float
    """Of the wall that the door is in, radians from the x axis, in [0, pi)."""
    width: float
    """Metres along the wall."""
    ends: tuple[DoorEnd, DoorEnd]
    """In the order of `between`: who goes from the first room to the second is drawn from `ends[0]` to `ends[1]`."""


@dataclass(frozen=True, slots=True)
class SensorShape:
    """A sensor as it is drawn."""

    id: str
    kind: str
    floor: int
    at: Point
    given: bool
    """Whether the plan gave the spot."""


COUNTED = ("", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")


def floor_name(floor: int, floors: Collection[int]) -> str:
    """What a floor is called: `upstairs` where there is one above the ground floor alone, else counted."""
    if floor == 0:
        return "ground floor"
    if set(floors) <= {0, 1}:
        return "upstairs"
    number = COUNTED[abs(floor)] if abs(floor) < len(COUNTED) else str(abs(floor))
    return f"{number} floor{'s' if abs(floor) > 1 else ''} {'up' if floor > 0 else 'down'}"
