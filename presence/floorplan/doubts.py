"""What a sound plan says that is hardly meant: outlines in another unit, or of rooms that lie in each other."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

from presence.errors import Fault, counted, shown
from presence.floorplan.checks import Draft
from presence.floorplan.outline import area_of, contains

Outline = list[tuple[float, float]]

LARGEST = 1000.0
"""m2: no room of a home is larger, and in centimetres none that somebody can stand in is smaller."""
HOUSE = 500.0
"""m2: what a room, told in centimetres, may have; with more, it has been told in millimetres."""
MUCH = 0.25
"""Share of the smaller of two outlines that may lie in the other: walls as thick as they are, a bow window."""
SPOTS = 12
"""Spots along each side of an outline's box by which that share is told."""
MOST_PAIRS = 200
"""Outlines that are held against each other; a plan in which more lie close together is no home."""


def doubts(draft: Draft) -> Iterator[Fault]:
    """What a plan without a fault had better be looked at for; each is true of the plan, which stays good."""
    outlines = {id_: [(x, y) for x, y in room.outline] for id_, room in draft.rooms.items() if room.outline}
    huge = [id_ for id_ in outlines if not draft.rooms[id_].outdoors and abs(area_of(outlines[id_])) > LARGEST]
    if huge:
        area = abs(area_of(outlines[huge[0]]))
        unit = "centimetres" if area / 1e4 <= HOUSE else "millimetres"
        more = f", and of {counted(len(huge) - 1, 'more room')} like it" if len(huge) > 1 else ""
        text = f"`outline` encloses {area:,.0f} m2{more}; metres would be right, are they {unit}?"
        yield _doubt(draft, huge[0], text)
    close = (pair for pair in combinations(outlines, 2) if _side_by_side(draft, outlines, *pair))
    for _, (one, other) in zip(range(MOST_PAIRS), close, strict=False):
        small, large = sorted((one, other), key=lambda id_: abs(area_of(outlines[id_])))
        if (share := _within(outlines[small], outlines[large])) > MUCH:
            text = f"{share:.0%} of its `outline` lies in that of {shown(large)}; side by side would be right"
            yield _doubt(draft, small, text)


def _doubt(draft: Draft, id_: str, text: str) -> Fault:
    return Fault(draft.text.path, draft.text.line_of(("rooms", id_, "outline")), f"room {shown(id_)}: {text}")


def _side_by_side(draft: Draft, outlines: dict[str, Outline], one: str, other: str) -> bool:
    """Whether two rooms are on one floor and the boxes around them overlap."""
    if draft.rooms[one].floor != draft.rooms[other].floor:
        return False
    ranges = [[(min(along), max(along)) for along in zip(*outlines[id_], strict=True)] for id_ in (one, other)]
    return all(a[0] < b[1] and b[0] < a[1] for a, b in zip(*ranges, strict=True))


def _within(small: Outline, large: Outline) -> float:
    """Share of an outline that lies in another, on a square grid."""
    (left, right), (bottom, top) = ((min(along), max(along)) for along in zip(*small, strict=True))
    steps = [(n + 0.5) / SPOTS for n in range(SPOTS)]
    spots = [(left + u * (right - left), bottom + v * (top - bottom)) for u in steps for v in steps]
    inside = [spot for spot in spots if contains(small, spot)]
    return sum(contains(large, spot) for spot in inside) / max(len(inside), 1)
