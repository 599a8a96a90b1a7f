"""Outlines: corners in order, the last joins the first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise


def area_of(outline: Sequence[Sequence[float]]) -> float:
    """What an outline encloses, by the shoelace formula; positive if its corners go counter-clockwise."""
    sides = pairwise((*outline, outline[0]))
    return math.fsum(a[0] * b[1] - b[0] * a[1] for a, b in sides) / 2


def contains(outline: Sequence[tuple[float, float]], point: tuple[float, float]) -> bool:
    """Whether a point lies inside, by the number of sides that a ray from it crosses."""
    x, y = point
    inside = False
    for (ax, ay), (bx, by) in pairwise((*outline, outline[0])):
        if (ay > y) != (by > y) and x < (bx - ax) * (y - ay) / (by - ay) + ax:
            inside = not inside
    return inside
