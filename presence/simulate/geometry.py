"""Where things are and how far apart: shapes of rooms, spots of doors and sensors, shortest ways through doors.

Each room has its own frame, in metres: the plan's where an outline is given, else a square of the room's own. A door
has a spot in the frame of each of its two rooms, so that rooms without outlines work like any others.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from presence.floorplan import AWAY, Door, Floorplan, area_of
from presence.simulate.rooms import BED, TOILET, functions_of
from presence.views import inside

Array = NDArray[np.float64]
Spot = tuple[float, float]

INDOOR_SIDE, OUTDOOR_SIDE = 4.0, 7.0
"""m: side of a room without an outline, so that crossing it takes 3-5 m of path. Common practice, no source."""
DOORWAY = 0.6
"""m: length of a passage through a door."""
STAIR = 4.5
"""m along the slope from floor to floor. Common practice, no source."""
DETOURS = {"private": 8.0, "outdoors": 20.0, "overhead": 40.0}
"""m that people on foot go round rather than through a bedroom or bathroom, the open, or an overhead door."""


class Step(NamedTuple):
    """One door on a way, and the room that it leads into."""

    door: str
    room: str


class Entry(NamedTuple):
    """The house door, by which people who come on foot get in, and the rooms that it joins."""

    outside: str
    door: str
    inside: str


class Geometry:
    """Shapes, spots and ways of one plan; ways are kept once found."""

    def __init__(self, plan: Floorplan) -> None:
        self.plan = plan
        self.rooms = functions_of(plan)
        self.outlines = {room: _outline(plan, room) for room in plan.rooms}
        self.centres = {room: _centre(outline) for room, outline in self.outlines.items()}
        self.door_spots = _door_spots(plan, self.outlines, self.centres)
        self.depth = _depths(plan)
        """Doors between a room and `away`; a room that is cut off is deepest of all."""
        self._lengths: dict[tuple[str, str], float] = {}
        self._ways: dict[tuple[str, str, frozenset[str]], tuple[Step, ...] | None] = {}
        self.drive_ways = self._find_drive_ways()
        """Garage to the way from there to `away` by car."""

    def sample(self, room: str, rng: Generator) -> Spot:
        """A spot somewhere in `room`, uniform over its outline."""
        outline = self.outlines[room]
        low, high = outline.min(axis=0), outline.max(axis=0)
        spots = low + (high - low) * rng.uniform(0.08, 0.92, size=(8, 2))
        for x, y in spots[inside(spots, outline)]:
            return float(x), float(y)
        return self.centres[room]

    def way(self, source: str, target: str, avoid: frozenset[str] = frozenset()) -> tuple[Step, ...] | None:
        """The shortest way on foot from room to room, `None` where no doors join them."""
        key = source, target, avoid
        if key not in self._ways:
            self._ways[key] = self._find_way(*key)
        return self._ways[key]

    def length(self, source: str, target: str) -> float:
        """Metres from the middle of one room to the middle of another on foot; infinite where no doors join them."""
        if (source, target) not in self._lengths:
            self._lengths[source, target] = self._find_length(source, target)
        return self._lengths[source, target]

    def _find_length(self, source: str, target: str) -> float:
        way = self.way(source, target)
        if way is None:
            return float("inf")
        spot, room, total = self.centres[source], source, 0.0
        for step in way:
            total += _distance(spot, self.door_spots[step.door, room]) + DOORWAY + self.climb(step, room)
            spot, room = self.door_spots[step.door, step.room], step.room
        return total + _distance(spot, self.centres[target])

    def climb(self, step: Step, room: str) -> float:
        """Metres of stairs on `step` out of `room`."""
        return STAIR * abs(self.plan.rooms[step.room].floor - self.plan.rooms[room].floor)

    def _find_way(self, source: str, target: str, avoid: frozenset[str]) -> tuple[Step, ...] | None:
        import networkx as nx  # a start-up that needs no graph should not pay for one

        if source == target:
            return ()
        if target in avoid:
            return None
        try:
            path = nx.dijkstra_path(self._door_graph(avoid - {source}), source, target)
        except (nx.NetworkXNoPath, nx.NodeNotFound):
            return None
        # A node is a room's middle (str) or a side of a door (door, room): two sides in a row are a passage.
        sides = [node for node in path if isinstance(node, tuple)]
        return tuple(Step(*after) for before, after in pairwise(sides) if before[0] == after[0])

    def _door_graph(self, avoid: frozenset[str]) -> Any:
        import networkx as nx

        graph = nx.Graph()
        private = {*self.rooms.get(TOILET, ()), *(room.id for room in self.plan.rooms.values() if room.rest)}
        private |= set(self.rooms.get(BED, ())) - set(self.plan.indoor[:1])
        sides: dict[str, list[str]] = {}
        for door in self.plan.doors.values():
            first, second = door.between
            if {first, second} & avoid:
                continue
            climb = self.climb(Step(door.id, second), first)
            extra = DETOURS["overhead"] if door.leaf == "overhead" else 0.0
            graph.add_edge((door.id, first), (door.id, second), weight=DOORWAY + climb + extra)
            for room in door.between:
                sides.setdefault(room, []).append(door.id)
        for room, doors in sides.items():
            crossing = DETOURS["private"] if room in private else 0.0
            crossing += DETOURS["outdoors"] if self.plan.rooms[room].outdoors or room == AWAY else 0.0
            spots = [self.door_spots[door, room] for door in doors]
            for i, name in enumerate(doors):
                graph.add_edge(room, (name, room), weight=_distance(self.centres[room], spots[i]) + crossing / 2 + 0.01)
                for j in range(i):
                    weight = _distance(spots[i], spots[j]) + crossing
                    graph.add_edge((name, room), (doors[j], room), weight=weight)
        return graph

    def _find_drive_ways(self) -> dict[str, tuple[Step, ...]]:
        ways: dict[str, tuple[Step, ...]] = {}
        for door in self.plan.doors.values():
            if door.leaf != "overhead":
                continue
            outside, garage = sorted(door.between, key=lambda room: self.depth[room])
            way = self.way(outside, AWAY, frozenset({garage}))
            if garage != AWAY and way is not None:
                ways.setdefault(garage, (Step(door.id, outside), *way))
        return ways

    def entry(self) -> Entry | None:
        """The house door; None where no door leads from `away` into the house."""
        homes = [*self.rooms.get("hall", ()), *self.rooms.get("living", ()), *self.plan.indoor]
        for home in homes:
            room = AWAY
            for step in self.way(AWAY, home) or ():
                if step.room in self.plan.indoor:
                    return Entry(room, step.door, step.room)
                room = step.room
        return None


def across(door: Door, room: str) -> str:
    """The room to which a door leads from one of its two."""
    first, second = door.between
    return second if room == first else first


def reverse(source: str, way: Iterable[Step]) -> tuple[Step, ...]:
    """The way back to `source` along `way`."""
    back: list[Step] = []
    for step in way:
        back.insert(0, Step(step.door, source))
        source = step.room
    return tuple(back)


def _outline(plan: Floorplan, room: str) -> Array:
    outline = plan.rooms[room].outline
    if outline:
        return np.asarray(outline, dtype=float)
    side = OUTDOOR_SIDE if plan.rooms[room].outdoors or room == AWAY else INDOOR_SIDE
    things = [door.at for door in plan.doors.values() if room in door.between]
    things += [sensor.at for sensor in plan.sensors.values() if sensor.room == room]
    known = [at for at in things if at]
    middle = np.mean(known, axis=0) if known and room != AWAY else np.zeros(2)
    square = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * side / 2
    return np.asarray(middle + square, dtype=float)


def _centre(outline: Array) -> Spot:
    x, y = outline.T
    cross = x * np.roll(y, -1) - np.roll(x, -1) * y
    area = area_of(outline.tolist())
    if abs(area) < 1e-9:
        return float(x.mean()), float(y.mean())
    centroid = float(((x + np.roll(x, -1)) * cross).sum()), float(((y + np.roll(y, -1)) * cross).sum())
    return centroid[0] / (6 * area), centroid[1] / (6 * area)


def _door_spots(plan: Floorplan, outlines: dict[str, Array], centres: dict[str, Spot]) -> dict[tuple[str, str], Spot]:
    spots: dict[tuple[str, str], Spot] = {}
    for room in plan.rooms:
        doors = [door for door in plan.doors.values() if room in door.between]
        for k, door in enumerate(doors):
            other = across(door, room)
            drawn = plan.rooms[room].outline and plan.rooms[other].outline
            if door.at:
                spots[door.id, room] = door.at
            elif drawn and plan.rooms[room].floor == plan.rooms[other].floor:
                spots[door.id, room] = _nearest(outlines[room], centres[other])
            else:
                spots[door.id, room] = _on_edge(outlines[room], (k + 0.5) / len(doors))
    return spots


def _edge_points(outline: Array) -> Array:
    share = np.linspace(0, 1, 20, endpoint=False)[:, None]
    edges = zip(outline, np.roll(outline, -1, axis=0), strict=True)
    return np.concatenate([start + share * (end - start) for start, end in edges])


def _nearest(outline: Array, spot: Spot) -> Spot:
    points = _edge_points(outline)
    x, y = points[np.hypot(*(points - spot).T).argmin()]
    return float(x), float(y)


def _on_edge(outline: Array, share: float) -> Spot:
    points = _edge_points(outline)
    x, y = points[int(share * len(points))]
    return float(x), float(y)


def _distance(a: Spot, b: Spot) -> float:
    return float(np.hypot(a[0] - b[0], a[1] - b[1]))


def _depths(plan: Floorplan) -> dict[str, int]:
    import networkx as nx

    found: dict[str, int] = nx.single_source_shortest_path_length(plan.graph, AWAY)
    return {room: found.get(room, len(plan.rooms)) for room in plan.rooms}
