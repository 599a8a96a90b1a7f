"""One step of the tracker as the watches see it, and what they share about sensors: values, kinds, rooms."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.floorplan import Floorplan

Array = NDArray[np.float64]

ON = ("detected", "occupied", "person", "pressed", "open", "unlocked", "started")
"""Values with which a sensor begins to say something."""
TWO_STATES = ("motion", "occupancy", "camera", "contact", "lock", "pressure", "power")
"""Kinds that say two things in turn, on and off."""
OFF = {"motion": "clear", "occupancy": "vacant", "camera": "clear", "pressure": "released"}
"""Kinds that turn off by themselves once nobody is there, and how they say so."""


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
