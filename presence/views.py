"""What a motion sensor sees of its neighbours' zones, from the plan's geometry: within its reach, no wall between.

Somebody's place in a room with several sensors is the zone of the nearest. Wherever in it they are (evenly spread), a
sensor sees them with the share of the zone's area that lies within its `reach` on a straight line that meets no wall.
Needs the sensors' `at` and `reach` and the room's outline: without them a sensor sees its own zone only. Its rate in
its own zone is what the settings say, whatever its reach.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from presence.floorplan import Floorplan, Sensor
from presence.places import States, motion_zones, spot_of

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

SPOTS = 4000
"""Spots per room, on a square grid, over which areas are summed: shares come within about a hundredth."""


def views(plan: Floorplan, states: States) -> dict[str, dict[int, float]]:
    """For each motion sensor in a room with several, the share that it sees of each place there, if anything of it."""
    if not states.views:
        shares = {s.id: {i: float(m.mean()) for i, m in _masks(plan, states, s).items()} for s in _motion(plan)}
        states.views.update({name: {i: p for i, p in of.items() if p > 0.0} for name, of in shares.items()})
    return states.views


def _motion(plan: Floorplan) -> list[Sensor]:
    return [sensor for sensor in plan.sensors.values() if sensor.kind == "motion"]


def _masks(plan: Floorplan, states: States, sensor: Sensor) -> dict[int, Mask]:
    """For each place of a sensor's room, which of its evenly spread spots the sensor sees."""
    room = str(sensor.room)
    outline = plan.rooms[room].outline
    if sensor.at is None or sensor.reach is None or not outline or not motion_zones(plan, room):
        return {}
    masks: dict[int, Mask] = {}
    for index in states.places_of(room, seats=True):
        place = states.places[index]
        spots = _seat_spot(plan, index, states) if place.seat else _zone_spots(plan, room, place.zone)
        if spots is not None and len(spots):
            masks[index] = in_view(spots, sensor.at, sensor.reach, np.array(outline, dtype=float))
    return masks


def in_view(spots: Array, at: tuple[float, float], reach: float, outline: Array) -> Mask:
    """Which spots (N, 2) are within reach of `at` with no wall of the outline (E, 2) between."""
    visible = np.hypot(*(spots - np.array(at)).T) <= reach
    for start, end in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        visible &= ~_crosses(np.array(at), spots, start, end)
    return np.asarray(visible)


def _crosses(eye: Array, spots: Array, start: Array, end: Array) -> Mask:
    """Whether the line from `eye` to each spot properly crosses the wall from `start` to `end`."""

    def side(a: Array, b: Array, c: Array) -> Array:
        u, v = b - a, c - a
        return np.asarray(u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0])

    apart = side(start, end, eye) * side(start, end, spots) < -1e-9
    return np.asarray(apart & (side(eye, spots, start) * side(eye, spots, end) < 0))


def inside(spots: Array, outline: Array) -> Mask:
    """Which spots (N, 2) are inside an outline (E, 2), by the even-odd rule."""
    within = np.zeros(len(spots), dtype=bool)
    for (x0, y0), (x1, y1) in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        if y0 != y1:
            straddles = (y0 > spots[:, 1]) != (y1 > spots[:, 1])
            within ^= straddles & (spots[:, 0] < x0 + (spots[:, 1] - y0) * (x1 - x0) / (y1 - y0))
    return within


def _seat_spot(plan: Floorplan, index: int, states: States) -> Array | None:
    spot = spot_of(plan, states.places[index])
    return None if spot is None else np.array([spot])


def _zone_spots(plan: Floorplan, room: str, zone: str | None) -> Array | None:
    """Evenly spread spots of a room that are nearer to one sensor of it than to the others; None if unknown."""
    outline = np.array(plan.rooms[room].outline, dtype=float)
    low, high = outline.min(axis=0), outline.max(axis=0)
    step = math.sqrt(float(np.prod(high - low)) / SPOTS)
    x, y = (np.arange(a + step / 2, b, step) for a, b in zip(low, high, strict=True))
    spots = np.column_stack([axis.ravel() for axis in np.meshgrid(x, y)])
    spots = spots[inside(spots, outline)]
    if zone is None:
        return spots
    sensors = motion_zones(plan, room)
    known = [s.at for s in sensors if s.at is not None]
    if len(known) < len(sensors):
        return None
    distance = np.linalg.norm(spots[:, None] - np.array(known)[None], axis=2)
    return np.asarray(spots[distance.argmin(axis=1) == [s.id for s in sensors].index(zone)])
