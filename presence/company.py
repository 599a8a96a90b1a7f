"""Two move in one event at a door: somebody lets a guest in or out, or goes out or comes back with another resident."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from presence.floorplan import AWAY
from presence.hypotheses import BACK, FORTH, Companion, Way
from presence.movement import RESIDENT, VISITOR
from presence.places import ACTIVE, MOVING

if TYPE_CHECKING:
    from presence.sensing import Sight


def letting(sight: Sight, door: str, idle: Way) -> list[Way]:
    """Somebody inside opens the door to the outside for a guest, in or out, and stays.

    Args:
        sight: how the home's sensors see.
        door: the door.
        idle: somebody on its inner side opens it and does not pass.
    """
    guests = tuple(p for p, being in enumerate(sight.beings) if being.role == VISITOR)
    if not guests or sight.plan.doors[door].leaf == "overhead":
        return []
    settings, outer = sight.settings, sight.plan.outdoor_sides[door]
    rates = _residents(sight) * idle.rates * settings.door_guest_share / settings.door_idle_share / len(guests)
    outdoors = np.array([room not in sight.plan.indoor for room in sight.states.rooms])[sight.states.room]
    ways = []
    for label in sorted((FORTH, BACK), key=lambda label: _start(label) == outer):  # whichever side is named first
        source = np.flatnonzero(outdoors == (_start(label) == outer))
        ways.append(idle._replace(rates=rates, companion=_through(sight, door, label, guests, source)))
    return ways


def together(sight: Sight, door: str, passing: Sequence[Way]) -> list[Way]:
    """Whoever passes a door to the outside does so alone, or asks one of the other residents to come along.

    These do if they can: going out, if they are up and about beside the door; coming back, from there or, where the
    door leads to the street, from off the property. Else they stay where they are. So a door is passed as often as if
    nobody ever asked.

    Args:
        sight: how the home's sensors see.
        door: the door.
        passing: somebody passes it one way, or the other.
    """
    asking = _residents(sight)
    residents = tuple(np.flatnonzero(asking).tolist())
    outer, share = sight.plan.outdoor_sides[door], sight.settings.door_company_share
    if len(residents) < 2 or outer is None or not share:
        return list(passing)
    others = len(residents) - 1
    street = sight.plan.doors[door].between[outer] in (AWAY, *sight.plan.approaches)
    away = np.flatnonzero(sight.states.room == sight.states.rooms.index(AWAY))
    alone = [way._replace(rates=way.rates * np.where(asking, 1.0 - share, 1.0)) for way in passing]
    asked = []
    for way in passing:
        start = _start(way.label)
        source = np.array(sight.sides(door, (MOVING, ACTIVE), start), dtype=np.intp)
        if start == outer and street:
            source = np.union1d(source, away)
        companion = _through(sight, door, way.label, residents, source, odds=share / others / (1.0 - share))
        asked.append(way._replace(rates=np.where(asking, way.rates * share / others, 0.0), companion=companion))
    return [*alone, *asked]


def _residents(sight: Sight) -> NDArray[np.bool_]:
    """Who lives here, of all beings: shape (P, 1, 1)."""
    return np.array([being.role == RESIDENT for being in sight.beings], dtype=np.bool_)[:, None, None]


def _start(label: int) -> int:
    """The side of a door that a passage begins on."""
    return label - FORTH


def _through(
    sight: Sight, door: str, label: int, beings: tuple[int, ...], source: NDArray[np.intp], odds: float = 0.0
) -> Companion:
    """Whoever of these beings is in one of the source states passes a door, and walks on where most who pass it do."""
    target = np.array(sight.sides(door, (MOVING,), 1 - _start(label)), dtype=np.intp)
    near = sight.nearness(door, target)
    moves = np.tile(near / near.sum(), (len(source), 1))
    return Companion(beings, source, target, moves, label, odds)
