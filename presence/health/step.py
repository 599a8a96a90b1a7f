"""One step of the tracker as the watches see it, and what they share about sensors: their rooms."""

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
