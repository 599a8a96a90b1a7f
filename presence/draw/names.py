"""Names of rooms, and what is said of each, written where a plan leaves space for them."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator, Sequence
from typing import Any, NamedTuple

from matplotlib.patheffects import Normal, Stroke

from presence.draw.house import WALL, House, swing
from presence.draw.outlines import Box, Outline, Point, box_of, clearance, walls_of
from presence.draw.paper import INK, fit, text_width
from presence.draw.shapes import RoomShape

LARGEST, SMALLEST = 9.5, 4.5
"""Points: sizes of rooms' names."""
BOLDER = 1.5
"""Points by which the line below a name is larger."""
MOST_REACH = 40.0
"""m: a name needs no more space."""


def put_names(
    house: House,
    below: Callable[[str], str] | None = None,
    colour: Callable[[str], str] | None = None,
    *,
    sensors: bool = False,
    halo: Callable[[str], str] | None = None,
    only: Collection[str] | None = None,
) -> None:
    """Write each room's name where there is space for it, clear of stairs and, if they are drawn, of sensors.

    Args:
        house: what is drawn.
        below: gives a second, bold line for a room.
        colour: gives the colour of a room's text.
        sensors: whether sensors are drawn.
        only: the rooms that are named; all if None.
        halo: gives the colour that surrounds a room's text, where lines are drawn under it.
    """
    stairs = [
        (end.floor, (end.at[0] - 0.6, end.at[1] - 0.8, end.at[0] + 0.6, end.at[1] + 0.8))
        for door in house.layout.doors.values()
        if door.kind == "stair"
        for end in door.ends
    ]
    marks = [
        (s.floor, (s.at[0] - 0.2, s.at[1] - 0.2, s.at[0] + 0.2, s.at[1] + 0.2))
        for s in house.layout.sensors.values()
        if sensors
    ]
    swings = [(door.floor, swing(house, door)) for door in house.layout.doors.values() if door.kind != "stair"]
    for room in house.layout.rooms.values():
        if only is not None and room.id not in only:
            continue
        around = box_of([room.outline])
        solid = [Box(*box) for floor, box in (*stairs, *marks) if floor == room.floor]
        soft = [box for floor, box in swings if floor == room.floor and box is not None and box.meets(around)]
        put_name(
            house,
            room,
            below(room.id) if below is not None else "",
            colour(room.id) if colour is not None else INK,
            [box for box in solid if box.meets(around)],
            soft,
            None if halo is None else halo(room.id),
        )


def put_name(
    house: House,
    room: RoomShape,
    more: str,
    ink: str,
    solid: Sequence[Box],
    soft: Sequence[Box],
    halo: str | None = None,
) -> None:
    """Write one room's name where it can be largest: never over what is solid, over a door's swing if need be."""
    best = max(_placings(house, room, more, solid, soft), key=lambda placing: placing.merit)
    (x, y), rotation = house.place(room.floor, best.at), 90 if best.upright else 0
    style: dict[str, Any] = {"ha": "center", "va": "center", "color": ink, "rotation": rotation, "zorder": 5}
    style |= {"linespacing": 1.05, "clip_on": True}
    if halo is not None:
        style |= {"zorder": 10, "path_effects": [Stroke(linewidth=2.2, foreground=halo), Normal()]}
    if not more:
        house.axes.text(x, y, best.text, size=best.size, **style)
        return
    tall, bold = 1.15 * best.size * (best.text.count("\n") + 1), best.size + BOLDER
    for text, shift, points, weight in (
        (best.text, 1.15 * bold / 2, best.size, "normal"),
        (more, -tall / 2, bold, "bold"),
    ):
        dx, dy = (-shift / house.points, 0.0) if best.upright else (0.0, shift / house.points)
        house.axes.text(x + dx, y + dy, text, size=points, weight=weight, **style)


class _Placing(NamedTuple):
    merit: float
    at: Point
    upright: bool
    text: str
    size: float


def _placings(
    house: House, room: RoomShape, more: str, solid: Sequence[Box], soft: Sequence[Box]
) -> Iterator[_Placing]:
    """Ways of writing a name: in which free box, level or upright, how large."""
    box = _common(box_of([room.outline]), house.view(room.floor))
    spots = [room.label_at, box.centre]
    spots += [(box.left + box.width * i / 6, box.bottom + box.depth * j / 8) for i in range(1, 6) for j in range(1, 8)]
    for spot in spots:
        if clearance(room.outline, spot) <= 0.1 or not _holds(box, spot):
            continue
        for obstacles in ((*solid, *soft), solid) if soft else (solid,):
            free = _common(_free_box(room.outline, spot, obstacles), box)
            for upright in (False, True):
                yield _placing(house, room, more, free, upright, soft)
    yield _placing(house, room, more, box, False, soft)._replace(merit=-math.inf)  # a room smaller than a foot


def _common(a: Box, b: Box) -> Box:
    """What two boxes share."""
    return Box(max(a.left, b.left), max(a.bottom, b.bottom), min(a.right, b.right), min(a.top, b.top))


def _holds(box: Box, point: Point) -> bool:
    return box.left <= point[0] <= box.right and box.bottom <= point[1] <= box.top


def _placing(house: House, room: RoomShape, more: str, free: Box, upright: bool, soft: Sequence[Box]) -> _Placing:
    sides = (free.depth, free.width) if upright else (free.width, free.depth)
    across, up = (max(1.0, (side - WALL) * house.points - 2.0) for side in sides)
    below = text_width(more, bold=True) if more else 0.0
    largest = max(SMALLEST, min(LARGEST, across / below - BOLDER)) if more else LARGEST
    text, size = fit(room.label, across, up - (12.5 if more else 0.0), largest, SMALLEST)
    lines = text.split("\n")
    wide = max([size * text_width(line) for line in lines] + [(size + BOLDER) * below])
    tall = 1.2 * size * len(lines) + (1.2 * (size + BOLDER) if more else 0.0)
    merit = size * (0.6 if upright else 1.0) - 0.4 * len(lines)
    merit += 0.7 * (min(1.6, across / wide) + min(1.6, up / tall))
    merit -= 2.0 * math.dist(free.centre, box_of([room.outline]).centre) / max(math.hypot(free.width, free.depth), 1e-3)
    if "…" in text or wide > across + 3 or tall > up + 3:
        merit -= 6.0
    half = (tall if upright else wide) / 2 / house.points, (wide if upright else tall) / 2 / house.points
    (x, y), (dx, dy) = free.centre, half
    written = Box(x - dx, y - dy, x + dx, y + dy)
    merit -= 2.0 * sum(written.meets(box) for box in soft)
    return _Placing(merit, free.centre, upright, text, size)


def _free_box(outline: Outline, spot: Point, taken: Sequence[Box]) -> Box:
    """A box around a spot that stays inside an outline, and clear of what is drawn there."""
    x, y = spot
    left, right = (_reach(outline, spot, dx, 0) for dx in (-1, 1))
    slices = [(x - left, y), (x, y), (x + right, y)]
    inner = [(px + (0.05 if px < x else -0.05 if px > x else 0.0), y) for px, _ in slices]
    down = min(_reach(outline, at, 0, -1) for at in inner)
    up = min(_reach(outline, at, 0, 1) for at in inner)
    free = Box(x - left, y - down, x + right, y + up)
    for box in taken:
        if box.meets(free):
            parts = [
                Box(free.left, free.bottom, box.left, free.top),
                Box(box.right, free.bottom, free.right, free.top),
                Box(free.left, free.bottom, free.right, box.bottom),
                Box(free.left, box.top, free.right, free.top),
            ]
            around = [part for part in parts if _holds(part, spot)] or parts
            free = max(around, key=lambda part: max(part.width, 0) * max(part.depth, 0))
    return free


def _reach(outline: Outline, spot: Point, dx: int, dy: int) -> float:
    """Metres from a spot to the nearest wall to the left or right, or above or below."""
    along, across = (0, 1) if dx else (1, 0)
    sign, nearest = dx + dy, MOST_REACH
    for a, b in walls_of(outline):
        if min(a[across], b[across]) - 1e-9 <= spot[across] <= max(a[across], b[across]) + 1e-9:
            if a[across] == b[across]:
                continue
            share = (spot[across] - a[across]) / (b[across] - a[across])
            metres = sign * (a[along] + share * (b[along] - a[along]) - spot[along])
            nearest = min(nearest, metres) if metres > 1e-9 else nearest
    return nearest
