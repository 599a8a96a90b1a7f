"""How high to fill the outline of a room so that a given share of its area is filled."""

from __future__ import annotations

from itertools import pairwise

from presence.draw.outlines import Outline
from presence.floorplan import area_of

STEPS = 20
"""Levels are found for shares in steps of 1 / STEPS; the area between two of them is nearly linear in height."""


def levels(outline: Outline) -> list[float]:
    """Heights (y, metres) below which 0, 1/20, 2/20, ... all of the area of an outline lies; rising."""
    bottom, top = min(y for _, y in outline), max(y for _, y in outline)
    total = abs(area_of(outline))
    found = [bottom]
    for step in range(1, STEPS):
        low, high = found[-1], top
        for _ in range(40):
            middle = (low + high) / 2
            if abs(area_of(below(outline, middle))) < total * step / STEPS:
                low = middle
            else:
                high = middle
        found.append(high)
    return [*found, top]


def below(outline: Outline, height: float) -> Outline:
    """The part of an outline below a height (Sutherland and Hodgman 1974); parts are joined by sides of no area."""
    found = []
    for (ax, ay), (bx, by) in pairwise((*outline, outline[0])):
        if ay <= height:
            found.append((ax, ay))
        if (ay <= height) != (by <= height):
            found.append((ax + (bx - ax) * (height - ay) / (by - ay), height))
    return tuple(found) or (outline[0],)
