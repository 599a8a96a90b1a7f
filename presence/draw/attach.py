"""Rooms put beside rooms that have their place already, one after the other: each where it fits best.

A candidate is a rectangle against a wall of a room that a door joins to it (else against any wall, else beside all that
is there). Of those that overlap nothing the one wins that shares a wall with the most rooms it has doors to, keeps
doors and sensors of known place, and leaves the house compact.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from presence.draw.outlines import (
    HAIR,
    Box,
    Outline,
    Point,
    box_of,
    nearest,
    overlap,
    shared_wall,
    walls_of,
)
from presence.floorplan import contains

Array = NDArray[np.float64]

ASPECTS = (1.25, 0.8, 1.0, 1.8, 0.55, 2.8, 0.36)
"""Width to depth that a rectangle may have."""
SHARES = (1.0, 0.75, 0.5)
"""Share of its usual area to which a room may shrink to fit in between others."""
DOORWAY = 0.8
"""m of wall that two rooms with a door between them must share."""
STRIP = 4.0
"""m: depth of a yard along a side of the house."""
CORRIDOR_FROM, CORRIDOR = 6, 2.2
"""Doors from which a room is drawn as a corridor, and how wide, m."""
PACE = 2.0
"""m of corridor per door: rooms lie on both sides."""
WAITING = 3
"""Neighbours without a place yet for which a room's walls are kept free."""
MOST_MARKS = 40
"""Places along one wall where a room is tried beside another."""
MOST_WALLS = 60
"""Walls that a room without a placed neighbour is tried against."""


@dataclass
class Site:
    """One floor: what has its place, and what must find one."""

    missing: list[str]
    placed: dict[str, Outline]
    beside: dict[str, list[tuple[str, Point | None]]]
    """For each room: the rooms of this floor that doors join to it, and where the door is if that is known."""
    anchors: dict[str, Point]
    """Where a stair of this room ends on a floor that is laid out."""
    spots: dict[str, list[Point]]
    """Sensors of known place, by room."""
    areas: dict[str, float]
    outdoors: set[str]
    ground: Box | None
    """Around all that is laid out on other floors."""


def attach(site: Site) -> dict[str, Outline]:
    """Outlines of the missing rooms; none overlaps another or a placed one."""
    placed = dict(site.placed)
    found: dict[str, Outline] = {}
    waiting = list(site.missing)
    while waiting:
        room = min(waiting, key=lambda r: _turn(site, placed, r))
        waiting.remove(room)
        found[room] = placed[room] = _best(site, placed, room).outline
    return found


def _turn(site: Site, placed: dict[str, Outline], room: str) -> tuple[bool, bool, int, int, int]:
    """When a room is placed: indoors first, then those with the most placed neighbours, then those with most doors."""
    doors = [other for other, _ in site.beside[room]]
    there = len({other for other in doors if other in placed})
    anchored = not placed and room in site.anchors
    return room in site.outdoors, not anchored, -min(there, 1), -len(set(doors)), site.missing.index(room)


def _best(site: Site, placed: dict[str, Outline], room: str) -> Box:
    if not placed:
        return _first(site, room)
    obstacles = _Obstacles(placed)
    neighbours = [placed[other] for other, _ in site.beside[room] if other in placed]
    scored: list[tuple[float, int, Box]] = []
    for share in SHARES:
        candidates = list(dict.fromkeys(_candidates(site, placed, obstacles, room, share)))
        scored += [
            (_score(site, placed, obstacles, room, box), -len(scored) - number, box)
            for number, box in enumerate(candidates)
            if obstacles.free(box)
        ]
        best = max(scored)[2]  # beside all that is there is always free
        if all(shared_wall(best.outline, other, gap=0.01) for other in neighbours):
            break
    return best


def _first(site: Site, room: str) -> Box:
    """The first room of a floor: where its doors are known to be, over its stair, at its sensors, at the origin."""
    known, spots = _known(site, room), [*site.spots.get(room, ()), *_doorways(site, room)]
    width, depth = _sizes(site, room)[0]
    if known is not None:
        return known
    if room in site.anchors:
        x, y = site.anchors[room]
    elif spots:
        x, y = box_of([tuple(spots)]).centre
    elif site.ground:
        x, y = site.ground.centre
    else:
        x, y = width / 2, depth / 2
    return Box(x - width / 2, y - depth / 2, x + width / 2, y + depth / 2)


def _known(site: Site, room: str) -> Box | None:
    """What doors of known place tell of a room: the box that has them all in its walls, if they span one."""
    doors = _doorways(site, room)
    if len(doors) < 3:
        return None
    around = box_of([tuple(doors)])
    return around if min(around.width, around.depth) > 1 else None


def _doorways(site: Site, room: str) -> list[Point]:
    return [at for _, at in site.beside[room] if at is not None]


def _sizes(site: Site, room: str, share: float = 1.0) -> list[tuple[float, float]]:
    """Widths and depths that a room may have; one with many doors is long."""
    doors, area = len(site.beside[room]), share * site.areas[room]
    if doors >= CORRIDOR_FROM and room not in site.outdoors:
        return [(PACE * doors, CORRIDOR), (CORRIDOR, PACE * doors)]
    return [(w, round(area / w, 1)) for w in (round(math.sqrt(area * aspect), 1) for aspect in ASPECTS)]


def _candidates(
    site: Site, placed: dict[str, Outline], obstacles: _Obstacles, room: str, share: float
) -> Iterator[Box]:
    area, sizes = site.areas[room], _sizes(site, room, share)
    around = obstacles.around
    doors = [(other, at) for other, at in site.beside[room] if other in placed]
    if (known := _known(site, room)) is not None:
        yield known
    for other, at in doors:
        for wall in walls_of(placed[other]):
            yield from _against(placed[other], wall, sizes, at, obstacles)
    if not doors:
        near = site.anchors.get(room, around.centre)
        walls = [(outline, wall) for outline in placed.values() for wall in walls_of(outline)]
        walls.sort(key=lambda w: math.dist(((w[1][0][0] + w[1][1][0]) / 2, (w[1][0][1] + w[1][1][1]) / 2), near))
        for outline, wall in walls[:MOST_WALLS]:
            yield from _against(outline, wall, sizes, None, obstacles)
    if room in site.outdoors:
        house = box_of([o for r, o in placed.items() if r not in site.outdoors] or placed.values())
        for box in dict.fromkeys((around, house)):
            yield from _strips(box, min(STRIP, area / 4))
    width, depth = sizes[0]
    middles = [box_of([placed[other]]).centre for other, _ in doors] or [around.centre]
    for x, y in middles:
        yield from _strips(Box(x - width / 2, around.bottom, x + width / 2, around.top), depth)[:2]
        yield from _strips(Box(around.left, y - depth / 2, around.right, y + depth / 2), width)[2:]


def _strips(box: Box, deep: float) -> list[Box]:
    """Rectangles along the four sides of a box: below, above, left, right."""
    left, bottom, right, top = box
    return [
        Box(left, bottom - deep, right, bottom),
        Box(left, top, right, top + deep),
        Box(left - deep, bottom, left, top),
        Box(right, bottom, right + deep, top),
    ]


def _against(
    outline: Outline,
    wall: tuple[Point, Point],
    shapes: list[tuple[float, float]],
    door: Point | None,
    obstacles: _Obstacles,
) -> Iterator[Box]:
    """Rectangles outside an outline that lie against one of its upright or level walls."""
    (ax, ay), (bx, by) = wall
    level = abs(ay - by) <= HAIR
    if not level and abs(ax - bx) > HAIR:
        return
    low, high, line = (min(ax, bx), max(ax, bx), ay) if level else (min(ay, by), max(ay, by), ax)
    step = 0.02
    middle = ((low + high) / 2, line + step) if level else (line + step, (low + high) / 2)
    back = contains(outline, middle)
    sizes = [size if level else size[::-1] for size in shapes]
    area = sizes[0][0] * sizes[0][1]
    if 0.6 < (high - low) / math.sqrt(area) < 1.8:
        sizes.insert(0, (high - low, area / (high - low)))
    marks = obstacles.marks(level, line, low, high)
    on_wall = None if door is None else door[0] if level else door[1]
    for along, deep in sizes:
        starts = [low, high - along, (low + high - along) / 2]
        if on_wall is not None and low - HAIR <= on_wall <= high + HAIR:
            starts += [on_wall - along / 2, on_wall - 0.6, on_wall - along + 0.6]
        starts += [start for mark in marks for start in (mark, mark - along)]
        near, far = (line - deep, line) if back else (line, line + deep)
        for start in starts:
            yield Box(start, near, start + along, far) if level else Box(near, start, far, start + along)


class _Obstacles:
    """Everything that has its place, for quick looks at many candidates."""

    def __init__(self, placed: dict[str, Outline]) -> None:
        self.outlines = list(placed.values())
        boxes = [box_of([outline]) for outline in self.outlines]
        self.boxes: Array = np.array(boxes)
        self.plain = [len(o) == 4 and set(o) == set(b.outline) for o, b in zip(self.outlines, boxes, strict=True)]
        self.around = box_of(self.outlines)
        walls = [wall for outline in self.outlines for wall in walls_of(outline)]
        self.level: Array = np.array([(a[1], *sorted((a[0], b[0]))) for a, b in walls if a[1] == b[1]]).reshape(-1, 3)
        self.upright: Array = np.array([(a[0], *sorted((a[1], b[1]))) for a, b in walls if a[0] == b[0]]).reshape(-1, 3)

    def free(self, box: Box) -> bool:
        """Whether a candidate overlaps nothing."""
        left, bottom, right, top = self.boxes.T
        near = (left < box.right - HAIR) & (right > box.left + HAIR)
        near &= (bottom < box.top - HAIR) & (top > box.bottom + HAIR)
        return not any(self.plain[i] or overlap(box.outline, self.outlines[i]) for i in np.flatnonzero(near))

    def marks(self, level: bool, line: float, low: float, high: float) -> list[float]:
        """Where along a wall other things begin and end, so that rooms can be put beside them without a gap."""
        left, bottom, right, top = self.boxes.T
        (start, end), (near, far) = ((left, right), (bottom, top)) if level else ((bottom, top), (left, right))
        along = (near <= line + HAIR) & (far >= line - HAIR)
        found = {float(mark) for mark in (*start[along], *end[along]) if low < mark < high}
        return sorted(found)[:MOST_MARKS]

    def contact(self, box: Box) -> float:
        """Metres of its sides along which a candidate touches something."""
        metres = 0.0
        for lines, sides, low, high in (
            (self.level, (box.bottom, box.top), box.left, box.right),
            (self.upright, (box.left, box.right), box.bottom, box.top),
        ):
            on = (np.abs(lines[:, :1] - np.array(sides)) < 1e-3).any(axis=1)
            shared = np.minimum(lines[:, 2], high) - np.maximum(lines[:, 1], low)
            metres += float(np.maximum(shared, 0.0)[on].sum())
        return metres


def _score(site: Site, placed: dict[str, Outline], obstacles: _Obstacles, room: str, box: Box) -> float:
    """How good a place is; a door that gets its wall counts most."""
    outline, around = box.outline, obstacles.around
    score = 0.0
    for other, at in site.beside[room]:
        if at is not None and math.dist(nearest(outline, at)[0], at) < 0.05:
            score += 6.0
        if other in placed:
            wall = shared_wall(outline, placed[other], gap=0.01)
            score += 0.0 if wall is None else 10.0 * min(1.0, math.dist(*wall) / DOORWAY)
            score -= 0.0 if wall else 0.1 * math.dist(box.centre, box_of([placed[other]]).centre)
    score += 3.0 * sum(contains(outline, at) for at in site.spots.get(room, ()))
    if room in site.anchors:
        score += 5.0 if contains(outline, site.anchors[room]) else -0.5 * math.dist(box.centre, site.anchors[room])
    score -= _crowding(site, placed, obstacles, room, box)
    grown = box_of([around.outline, outline])
    growth = grown.width * grown.depth - around.width * around.depth
    score += 3.0 * obstacles.contact(box) / (2 * (box.width + box.depth)) - min(4.0, growth / site.areas[room])
    shrunk = max(0.0, 1.0 - box.width * box.depth / site.areas[room])
    return score - 0.3 * abs(math.log(box.width / box.depth)) - 4.0 * shrunk


def _crowding(site: Site, placed: dict[str, Outline], obstacles: _Obstacles, room: str, box: Box) -> float:
    """Metres of wall that are taken from rooms which still wait for neighbours, beyond what a door needs."""

    def waits(name: str) -> bool:
        return len({other for other, _ in site.beside[name]} - {room, *placed}) >= WAITING

    metres = obstacles.contact(box) if waits(room) else 0.0
    for other, outline in placed.items():
        if waits(other) and box_of([outline]).meets(Box(box.left - 1, box.bottom - 1, box.right + 1, box.top + 1)):
            wall = shared_wall(box.outline, outline, gap=0.01)
            metres += 0.0 if wall is None else math.dist(*wall)
    return metres
