"""Zones in a room of several motion sensors: how far apart they are, and which of them a door leads to."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from presence.floorplan import Door, Floorplan
from presence.places import States, motion_zones, spot_of
from presence.settings import Settings

Array = NDArray[np.float64]

CLOSE = 2.0
"""m: sensors no further apart hang above the heads of those whom they see. Common practice, no source."""
LEAST_SHARE = 0.1
"""Zones further from a door, which have less than this share of the nearest one's passages, are not beside it."""


def entry_miss(states: States, settings: Settings, i: int, j: int) -> float:
    """Share of moves between two moving states that go unreported, the same both ways so that flows stay symmetric."""
    zoned = any(states.places[states.place[k]].zone is not None for k in (i, j))
    return settings.zone_miss if zoned else settings.room_miss


def door_places(plan: Floorplan, states: States, door: Door, decay: float) -> list[tuple[int, int, float]]:
    """The places that a door joins: in a room of several zones those near the door, if it is known where they are.

    A zone's share falls with its distance from the door as flows between zones do (`spacing`), down to `LEAST_SHARE`
    of the nearest zone's.

    Args:
        plan: the home.
        states: the states of one person.
        door: the door.
        decay: `Settings.zone_decay`.

    Returns:
        Pairs of places, the first room's first, each with the share of those who pass the door between them; where it
        is not known which are near, `n ** -0.5` each of n pairs.
    """
    if (door.id, decay) not in states.joined:
        states.joined[door.id, decay] = _door_places(plan, states, door, decay)
    return states.joined[door.id, decay]


def _door_places(plan: Floorplan, states: States, door: Door, decay: float) -> list[tuple[int, int, float]]:
    first, second = (_beside(plan, states, door, room, decay) for room in door.between)
    if door.at is not None:
        return [(a, b, p * q) for a, p in first.items() for b, q in second.items()]
    pairs = [(a, b) for a in first for b in second]
    if len(first) > 1 and len(second) > 1:
        pairs = _nearest_pairs(plan, states, pairs)
    return [(a, b, len(pairs) ** -0.5) for a, b in pairs]


def _beside(plan: Floorplan, states: States, door: Door, room: str, decay: float) -> dict[int, float]:
    """The places of a room from which a door is reached, with their shares."""
    places = states.places_of(room)
    points = spots_of(plan, states, places)
    if door.at is None or points is None or len(places) == 1:
        return dict.fromkeys(places, len(places) ** -0.5)
    distance = np.linalg.norm(points - np.array(door.at), axis=1)
    share = np.exp(-decay * (distance - distance.min()) / spacing(points))
    share[share < LEAST_SHARE] = 0.0
    return {place: float(p) for place, p in zip(places, share / share.sum(), strict=True) if p > 0.0}


def spots_of(plan: Floorplan, states: States, places: list[int]) -> Array | None:
    """Where the sensors of some places sit, metres, shape (N, 2); None unless the plan says it of all."""
    return _all_known([spot_of(plan, states.places[i]) for i in places])


def _all_known(spots: list[tuple[float, float] | None]) -> Array | None:
    return None if any(spot is None for spot in spots) else np.array(spots, dtype=float)


def spacing(points: Array) -> float:
    """Usual distance from a sensor to the one nearest to it, metres; not below 0.1.

    Args:
        points: shape (N, 2), N > 1.
    """
    distance = np.linalg.norm(points[:, None] - points[None], axis=2)
    np.fill_diagonal(distance, np.inf)
    return max(float(np.median(distance.min(axis=1))), 0.1)


def close_set(plan: Floorplan, room: str) -> bool:
    """Whether a room's motion sensors are known to hang close together; others look across the room as one does."""
    sensors = motion_zones(plan, room)
    points = _all_known([sensor.at for sensor in sensors])
    return len(sensors) > 0 and points is not None and spacing(points) <= CLOSE


def _nearest_pairs(plan: Floorplan, states: States, pairs: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """The closest zones of two rooms with several zones each; all pairs where positions are unknown."""
    spots = [(spot_of(plan, states.places[a]), spot_of(plan, states.places[b])) for a, b in pairs]
    if any(p is None or q is None for p, q in spots):
        return pairs
    distances = np.array([math.dist(p, q) for p, q in spots if p is not None and q is not None])
    return [pairs[int(distances.argmin())]]
