"""One step of the tracker as the watches see it, and what they share about sensors: their rooms, who is near."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.floorplan import Floorplan

Array = NDArray[np.float64]


def sensor_rooms(plan: Floorplan) -> list[frozenset[str]]:
    """The room of each sensor, both rooms of one at a door, none of one on a person."""
    return [
        frozenset(plan.doors[s.door].between if s.door is not None else () if s.room is None else (s.room,))
        for s in plan.sensors.values()
    ]


def neighbours(plan: Floorplan) -> list[NDArray[np.intp]]:
    """For each sensor the others in its room, in rooms next door and at their doors."""
    rooms = sensor_rooms(plan)
    found = []
    for n, here in enumerate(rooms):
        around = here | {b for a in here for b in plan.graph.neighbors(a)}
        near = [m for m, there in enumerate(rooms) if m != n and there & around]
        found.append(np.array(near, dtype=np.intp))
    return found


class Step(NamedTuple):
    """A silence, and the event that ended it."""

    seconds: float
    """Epoch seconds at its end."""
    expected: Array
    """Shape (N,): reports of each sensor expected over the silence."""
    passed: Array
    """Shape (N,): people whom the event shows to have passed each sensor unseen."""
    sensor: str | None = None
    value: str = ""
