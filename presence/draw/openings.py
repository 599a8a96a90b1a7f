"""Where doors and sensors are drawn in rooms that have their outlines."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from itertools import pairwise

from presence.draw.outlines import (
    TOUCH,
    Outline,
    Point,
    Wall,
    clearance,
    grid_over,
    nearest,
    shared_wall,
    walls_of,
)
from presence.draw.shapes import DoorEnd, DoorShape, RoomShape, SensorShape
from presence.floorplan import AWAY, Door, Floorplan, Sensor, contains

WIDTHS = {"hinged": 0.9, "sliding": 1.6, "overhead": 2.6, "none": 1.2}
"""m along the wall, by leaf. Common practice, no source."""
STEP = 0.5
"""m from a door to the spot before it."""
INSET = 0.35
"""m from the walls to a sensor without a spot of its own."""


# --- doors ------------------------------------------------------------------------------------------------------------
def door_shapes(plan: Floorplan, rooms: Mapping[str, RoomShape]) -> dict[str, DoorShape]:
    """Every door of the plan, those that have their spot first, so that the others keep clear of them."""
    taken: dict[int, list[Point]] = {}
    found: dict[str, DoorShape] = {}
    for door in sorted(plan.doors.values(), key=lambda door: door.at is None):
        shape = _door(door, rooms, taken)
        taken.setdefault(shape.floor, []).append(shape.at)
        found[door.id] = shape
    return {id_: found[id_] for id_ in plan.doors}


def _door(door: Door, rooms: Mapping[str, RoomShape], taken: dict[int, list[Point]]) -> DoorShape:
    first, second = door.between
    if AWAY in door.between:
        return _exit(door, rooms, taken)
    if rooms[first].floor != rooms[second].floor:
        return _stair(door, rooms, taken)
    a, b, floor = rooms[first].outline, rooms[second].outline, rooms[first].floor
    wall = shared_wall(a, b)
    at = _honoured(door, [rooms[first], rooms[second]])
    if at is not None:
        if any(not room.given and _distance(room, at) > STEP for room in (rooms[first], rooms[second])):
            return _link(door, rooms, at)
        near = min((nearest(o, at) for o in (a, b)), key=lambda spot: math.dist(spot[0], at))
        if wall is None and math.dist(near[0], at) > STEP:
            return _link(door, rooms, at)
        return _in_wall(door, "wall", floor, at, near[1], rooms)
    if wall is None:
        return _link(door, rooms, None)
    return _in_wall(door, "wall", floor, _free_spot(wall, door, taken.get(floor, [])), wall, rooms)


def _honoured(door: Door, rooms: list[RoomShape]) -> Point | None:
    """The spot that the plan gives, if a room of the door has its outline from the plan, or all happen to reach it."""
    at = door.at
    if at is None or any(room.given for room in rooms) or all(_distance(room, at) < TOUCH for room in rooms):
        return at
    return None


def _distance(room: RoomShape, point: Point) -> float:
    """Metres from a point to the nearest wall of a room."""
    return math.dist(nearest(room.outline, point)[0], point)


def _in_wall(door: Door, kind: str, floor: int, at: Point, wall: Wall, rooms: Mapping[str, RoomShape]) -> DoorShape:
    """A door in a wall, with a spot before it on each side."""
    (ax, ay), (bx, by) = wall
    angle = math.atan2(by - ay, bx - ax) % math.pi
    across = -math.sin(angle), math.cos(angle)
    sides = [(at[0] + s * STEP * across[0], at[1] + s * STEP * across[1]) for s in (1, -1)]
    first, second = door.between
    if _lean(rooms, first, sides[0]) - _lean(rooms, second, sides[0]) < (
        _lean(rooms, first, sides[1]) - _lean(rooms, second, sides[1])
    ):
        sides.reverse()
    corner = 2 * min(math.dist(at, end) for end in wall)
    width = min(WIDTHS[door.leaf], max(0.9 * corner, 0.4))
    ends = DoorEnd(first, floor, sides[0]), DoorEnd(second, floor, sides[1])
    return DoorShape(door.id, door.between, door.leaf, kind, floor, at, angle, width, ends)


def _lean(rooms: Mapping[str, RoomShape], room: str, point: Point) -> float:
    """How far inside a room a point lies, 0 for `away`."""
    return clearance(rooms[room].outline, point) if room in rooms else 0.0


def _free_spot(wall: Wall, door: Door, taken: list[Point]) -> Point:
    """The middle of a wall, or a spot on it that is clear of other doors."""
    (ax, ay), (bx, by) = wall
    margin = min(0.5, 0.5 * WIDTHS[door.leaf] / math.dist(*wall) + 0.05)
    shares = [0.5, *(share for k in (0.12, 0.24, 0.36) for share in (0.5 - k, 0.5 + k))]
    spots = [(ax + s * (bx - ax), ay + s * (by - ay)) for s in shares if margin <= s <= 1 - margin]
    spots = spots or [((ax + bx) / 2, (ay + by) / 2)]
    return max(spots, key=lambda spot: min(1.3, *(math.dist(spot, other) for other in taken), 9.0))


def _exit(door: Door, rooms: Mapping[str, RoomShape], taken: dict[int, list[Point]]) -> DoorShape:
    """A way off the property, in a wall that no other room lies behind if there is one."""
    room = rooms[next(room for room in door.between if room != AWAY)]
    at = _honoured(door, [room])
    if at is not None:
        return _in_wall(door, "exit", room.floor, at, nearest(room.outline, at)[1], rooms)
    others = [r.outline for r in rooms.values() if r.floor == room.floor and r.id != room.id]
    walls = [piece for wall in walls_of(room.outline) for piece in _open_pieces(room.outline, wall, others)]
    walls.sort(key=lambda wall: (-min(math.dist(*wall), 1.5), wall[0][1] + wall[1][1]))
    wall = walls[0] if walls else max(walls_of(room.outline), key=lambda w: math.dist(*w))
    return _in_wall(door, "exit", room.floor, _free_spot(wall, door, taken.get(room.floor, [])), wall, rooms)


def _open_pieces(outline: Outline, wall: Wall, others: list[Outline]) -> Iterator[Wall]:
    """The longest stretch of a wall that has nothing behind it, found in steps of a sixteenth."""
    (ax, ay), (bx, by) = wall
    run: list[int] = []
    best: list[int] = []
    for k in range(16):
        x, y = ax + (bx - ax) * (k + 0.5) / 16, ay + (by - ay) * (k + 0.5) / 16
        outside = [spot for spot in _both_sides(wall, (x, y), STEP) if not contains(outline, spot)]
        clear = bool(outside) and not any(contains(other, spot) for other in others for spot in outside)
        run = [*run, k] if clear else []
        best = max(best, run, key=len)
    if best:
        low, high = best[0] / 16, (best[-1] + 1) / 16
        yield (ax + (bx - ax) * low, ay + (by - ay) * low), (ax + (bx - ax) * high, ay + (by - ay) * high)


def _stair(door: Door, rooms: Mapping[str, RoomShape], taken: dict[int, list[Point]]) -> DoorShape:
    """A stair: a spot in each of its two rooms, one above the other where that can be, clear of other stairs."""
    a, b = (rooms[room] for room in door.between)
    at = door.at if door.at and any(room.given or contains(room.outline, door.at) for room in (a, b)) else None
    others = [spot for floor in (a.floor, b.floor) for spot in taken.get(floor, [])]
    both = [spot for spot in inner_spots(a.outline) if clearance(b.outline, spot) > INSET]
    both += [spot for spot in inner_spots(b.outline) if clearance(a.outline, spot) > INSET]
    if at is not None:
        spots = [at if clearance(room.outline, at) > 0 else _inside(room.outline, at) for room in (a, b)]
    elif both:
        spots = [max(both, key=lambda spot: _openness(spot, (a, b), others))] * 2
    else:
        spots = [room.label_at for room in (a, b)]
    ends = DoorEnd(a.id, a.floor, spots[0]), DoorEnd(b.id, b.floor, spots[1])
    for end in ends:
        taken.setdefault(end.floor, []).append(end.at)
    lower = min(ends, key=lambda end: end.floor)
    return DoorShape(door.id, door.between, door.leaf, "stair", lower.floor, lower.at, 0.0, 1.0, ends)


def _openness(spot: Point, rooms: tuple[RoomShape, RoomShape], others: list[Point]) -> float:
    """How much space there is around a spot, up to what a stair needs."""
    walls = min(0.9, *(clearance(room.outline, spot) for room in rooms))
    return walls + min(2.0, *(math.dist(spot, other) for other in others), 9.0)


def _link(door: Door, rooms: Mapping[str, RoomShape], at: Point | None) -> DoorShape:
    """A door between outlines that do not meet: a line between the two spots where they come closest."""
    a, b = (rooms[room] for room in door.between)
    pairs = [(corner, nearest(b.outline, corner)[0]) for corner in (*a.outline, a.label_at)]
    pairs += [(nearest(a.outline, corner)[0], corner) for corner in b.outline]
    p, q = min(pairs, key=lambda pair: math.dist(*pair)) if at is None else (at, at)
    p, q = nearest(a.outline, p)[0], nearest(b.outline, q)[0]
    angle = (math.atan2(q[1] - p[1], q[0] - p[0]) + math.pi / 2) % math.pi
    ends = DoorEnd(a.id, a.floor, _inside(a.outline, p)), DoorEnd(b.id, b.floor, _inside(b.outline, q))
    middle = at or ((p[0] + q[0]) / 2, (p[1] + q[1]) / 2)
    return DoorShape(door.id, door.between, door.leaf, "link", a.floor, middle, angle, WIDTHS[door.leaf], ends)


def _inside(outline: Outline, point: Point) -> Point:
    """A spot a step inside an outline, near a point at its wall."""
    spot, wall = nearest(outline, point)
    return max(_both_sides(wall, spot, STEP), key=lambda step: clearance(outline, step))


def _both_sides(wall: Wall, spot: Point, metres: float) -> list[Point]:
    """The two spots so far from one in a wall, at right angles to it."""
    (ax, ay), (bx, by) = wall
    length = math.dist(*wall)
    normal = -(by - ay) / length, (bx - ax) / length
    return [(spot[0] + s * metres * normal[0], spot[1] + s * metres * normal[1]) for s in (1, -1)]


# --- sensors ----------------------------------------------------------------------------------------------------------
def sensor_shapes(
    plan: Floorplan, rooms: Mapping[str, RoomShape], doors: Mapping[str, DoorShape]
) -> dict[str, SensorShape]:
    """Every sensor but those that people carry: where the plan has it, else in a free corner, else at its door."""
    found: dict[str, SensorShape] = {}
    taken: dict[str, list[Point]] = {}
    for sensor in sorted(plan.sensors.values(), key=lambda sensor: sensor.at is None):
        if sensor.person is not None:
            continue
        if sensor.door is not None:
            door = doors[sensor.door]
            spot, given = _beside_door(sensor, door, taken.setdefault(sensor.door, [])), sensor.at is not None
            floor = door.floor
        else:
            room = rooms[str(sensor.room)]
            spot, given = _in_room(sensor, room, taken.setdefault(room.id, []))
            floor = room.floor
        taken[str(sensor.door or sensor.room)].append(spot)
        found[sensor.id] = SensorShape(sensor.id, sensor.kind, floor, spot, given)
    return {id_: found[id_] for id_ in plan.sensors if id_ in found}


def _beside_door(sensor: Sensor, door: DoorShape, taken: list[Point]) -> Point:
    """Along the wall from the middle of the door, to one side and the other in turn."""
    if sensor.at is not None:
        return sensor.at
    side = 1 if len(taken) % 2 == 0 else -1
    along = side * (door.width / 2 + 0.2 + 0.3 * (len(taken) // 2))
    return door.at[0] + along * math.cos(door.angle), door.at[1] + along * math.sin(door.angle)


def _in_room(sensor: Sensor, room: RoomShape, taken: list[Point]) -> tuple[Point, bool]:
    """The given spot where it lies in the room as drawn, else the free corner farthest from other sensors."""
    if sensor.at is not None and (room.given or contains(room.outline, sensor.at)):
        return sensor.at, True
    spots = [*_corners(room.outline), *_edge_spots(room.outline), *inner_spots(room.outline)]
    return max(spots or [room.label_at], key=lambda spot: min((math.dist(s, spot) for s in taken), default=9.0)), False


def inner_spots(outline: Outline) -> list[Point]:
    """Spots of a coarse grid that lie well inside an outline."""
    return [spot for spot in grid_over(outline, 6) if clearance(outline, spot) > INSET]


def _corners(outline: Outline) -> list[Point]:
    """Spots a little inside the corners of an outline."""
    found = []
    for before, (corner, after) in zip((outline[-1], *outline), pairwise((*outline, outline[0])), strict=False):
        x, y = corner
        for other in (before, after):
            length = math.dist(corner, other) or 1.0
            shift = min(INSET, length / 4)
            x, y = x + shift * (other[0] - corner[0]) / length, y + shift * (other[1] - corner[1]) / length
        if contains(outline, (x, y)):
            found.append((x, y))
    return found


def _edge_spots(outline: Outline) -> list[Point]:
    """Spots a little inside the middles of the walls of an outline."""
    found = []
    for wall in walls_of(outline):
        (ax, ay), (bx, by) = wall
        middle = (ax + bx) / 2, (ay + by) / 2
        found += [step for step in _both_sides(wall, middle, INSET) if contains(outline, step)]
    return found
