"""One step of the tracker as the watches see it, and words about sensors' values that they share."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

ON = ("detected", "occupied", "person", "pressed", "open", "unlocked", "started")
"""Values with which a sensor begins to say something."""
OFF = {"motion": "clear", "occupancy": "vacant", "camera": "clear", "pressure": "released"}
"""Kinds that turn off by themselves once nobody is there, and how they say so."""


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
