"""Plane geometry of outlines: what is inside, what overlaps, where two of them share a wall."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from itertools import pairwise
from typing import NamedTuple

from presence.floorplan import area_of, contains

Point = tuple[float, float]
Outline = tuple[Point, ...]
"""Corners in order, metres; the last joins the first."""
Wall = tuple[Point, Point]

TOUCH = 0.35
"""m: outlines this far apart still share a wall; it may have been drawn as thick as it is."""
HAIR = 1e-6
"""m: less than this is no distance."""


class Box(NamedTuple):
    """An upright rectangle, metres."""

    left: float
    bottom: float
    right: float
    top: float

    @property
    def width(self) -> float:
        """Along x."""
        return self.right - self.left

    @property
    def depth(self) -> float:
        """Along y."""
        return self.top - self.bottom

    @property
    def centre(self) -> Point:
        """Its middle."""
        return (self.left + self.right) / 2, (self.bottom + self.top) / 2

    @property
    def outline(self) -> Outline:
        """Its corners, counter-clockwise."""
        left, bottom, right, top = self
        return (left, bottom), (right, bottom), (right, top), (left, top)

    def meets(self, other: Box) -> bool:
        """Whether the two share some area."""
        return (
            self.left < other.right - HAIR
            and other.left < self.right - HAIR
            and self.bottom < other.top - HAIR
            and other.bottom < self.top - HAIR
        )


def box_of(outlines: Iterable[Outline]) -> Box:
    """The smallest box around some outlines."""
    points = [point for outline in outlines for point in outline]
    xs, ys = [x for x, _ in points], [y for _, y in points]
    return Box(min(xs), min(ys), max(xs), max(ys))


def walls_of(outline: Outline) -> list[Wall]:
    """The sides of an outline, those of no length left out."""
    return [(a, b) for a, b in pairwise((*outline, outline[0])) if a != b]


def nearest_on(wall: Wall, point: Point) -> Point:
    """The point of a wall that is nearest to a point."""
    (ax, ay), (bx, by) = wall
    dx, dy = bx - ax, by - ay
    length = dx * dx + dy * dy
    share = 0.0 if length == 0 else min(1.0, max(0.0, ((point[0] - ax) * dx + (point[1] - ay) * dy) / length))
    return ax + share * dx, ay + share * dy


def nearest(outline: Outline, point: Point) -> tuple[Point, Wall]:
    """The point of an outline that is nearest to a point, and the wall it is on."""
    found = ((nearest_on(wall, point), wall) for wall in walls_of(outline))
    return min(found, key=lambda spot: math.dist(spot[0], point))


def clearance(outline: Outline, point: Point) -> float:
    """Distance from a point to the nearest wall; negative outside."""
    distance = math.dist(nearest(outline, point)[0], point)
    return distance if contains(outline, point) else -distance


def grid_over(outline: Outline, steps: int) -> Iterator[Point]:
    """The crossings of lines that cut the box around an outline into so many columns and rows."""
    box = box_of([outline])
    for i in range(1, steps):
        for j in range(1, steps):
            yield box.left + box.width * i / steps, box.bottom + box.depth * j / steps


def roomiest(outline: Outline) -> Point:
    """The point inside that is farthest from every wall, of a fine grid; the middle of a rectangle."""
    box = box_of([outline])
    best, most = box.centre, clearance(outline, box.centre)
    if len(outline) == 4 and math.isclose(abs(area_of(outline)), box.width * box.depth):
        return best
    for point in grid_over(outline, 24):
        room = clearance(outline, point)
        if room > most + HAIR:
            best, most = point, room
    return best


def is_simple(outline: Outline) -> bool:
    """Whether no side of an outline crosses another."""
    walls = walls_of(outline)
    return not any(_crossing(a, b) for i, a in enumerate(walls) for b in walls[:i])


def overlap(a: Outline, b: Outline) -> bool:
    """Whether two outlines share some area, more than a hair along a common wall."""
    if not box_of([a]).meets(box_of([b])):
        return False
    walls_a, walls_b = walls_of(a), walls_of(b)
    if any(_crossing(p, q) for p in walls_a for q in walls_b):
        return True
    return _any_inside(a, walls_b) or _any_inside(b, walls_a) or clearance(b, roomiest(a)) > 1e-3


def _any_inside(outline: Outline, walls: list[Wall]) -> bool:
    """Whether part of a wall lies inside an outline; no wall crosses it, so looking between its corners is enough."""
    for start, end in walls:
        shares = {0.0, 1.0}
        dx, dy = end[0] - start[0], end[1] - start[1]
        for x, y in outline:
            shares.add(min(1.0, max(0.0, ((x - start[0]) * dx + (y - start[1]) * dy) / (dx * dx + dy * dy))))
        for low, high in pairwise(sorted(shares)):
            middle = start[0] + dx * (low + high) / 2, start[1] + dy * (low + high) / 2
            if clearance(outline, middle) > 1e-3:
                return True
    return False


def _crossing(p: Wall, q: Wall) -> bool:
    """Whether two walls cross in a point inside both, each end a millimetre or more away from the other's line."""
    sides = [_side(p, point) for point in q] + [_side(q, point) for point in p]
    return all(abs(side) > 1e-3 for side in sides) and sides[0] * sides[1] < 0 and sides[2] * sides[3] < 0


def _side(wall: Wall, point: Point) -> float:
    """Signed distance of a point from the line through a wall."""
    (ax, ay), (bx, by) = wall
    return ((bx - ax) * (point[1] - ay) - (by - ay) * (point[0] - ax)) / math.dist((ax, ay), (bx, by))


def shared_wall(a: Outline, b: Outline, gap: float = TOUCH) -> Wall | None:
    """The longest stretch along which two outlines lie side by side, at most `gap` apart; None if there is none."""
    best, most = None, HAIR
    for p in walls_of(a):
        for q in walls_of(b):
            stretch = _beside(p, q, gap)
            if stretch is not None and math.dist(*stretch) > most:
                best, most = stretch, math.dist(*stretch)
    return best


def _beside(p: Wall, q: Wall, gap: float) -> Wall | None:
    """The stretch midway between two parallel walls in which they face each other."""
    (ax, ay), (bx, by) = p
    length = math.dist(*p)
    ux, uy = (bx - ax) / length, (by - ay) / length
    away = [_side(p, point) for point in q]
    if max(abs(away[0]), abs(away[1])) > gap or abs(away[0] - away[1]) > 0.05 * math.dist(*q):
        return None
    along = sorted((x - ax) * ux + (y - ay) * uy for x, y in q)
    low, high = max(0.0, along[0]), min(length, along[1])
    if high - low <= HAIR:
        return None
    shift = (away[0] + away[1]) / 4
    return tuple((ax + s * ux - shift * uy, ay + s * uy + shift * ux) for s in (low, high))  # type: ignore[return-value]
