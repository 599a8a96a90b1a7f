"""How somebody can have worked the lock of a door."""

from __future__ import annotations

from typing import TYPE_CHECKING

from presence.company import together
from presence.floorplan import AWAY, Floorplan
from presence.hypotheses import BACK, FORTH, Way
from presence.places import ACTIVE, MOVING

if TYPE_CHECKING:
    from presence.sensing import Sight


def lock_ways(sight: Sight, door: str, value: str, by: str | None) -> list[Way]:
    """Somebody works a lock from the inside or the outside; without a contact an unlocking is a passage.

    Args:
        sight: how the home's sensors see.
        door: the door.
        value: `locked` or `unlocked`.
        by: `inside`, `keypad` or nothing.
    """
    outer = outer_side(sight.plan, door)
    side = None if outer is None else {"inside": 1 - outer, "keypad": outer}.get(by or "")
    contact = sight.contact(door)
    if value == "locked" or contact is None:
        return [sight.beside(door, sight.settings.lock_rate, (MOVING, ACTIVE), side)]
    wanted = {None: (FORTH, BACK), 0: (FORTH,), 1: (BACK,)}[side]
    passing = [way for way in sight.passing(door) if way.label in wanted]
    if contact.kind == "contact":  # which may miss that they pass
        miss = sight.door_miss(door)
        missed = [way._replace(rates=way.rates * miss / (1.0 - miss)) for way in passing]
        return [_unlocking(sight, door, side), *together(sight, door, missed)]
    letting = sight.letting(door) if side != outer else []
    return [*together(sight, door, passing), sight.idle(door, side), *letting]


def _unlocking(sight: Sight, door: str, side: int | None) -> Way:
    """Somebody who walks or stands beside a door unlocks it, to open it next: as often as it is passed, no oftener.

    So silence says little of who stands there: `flow / (weight of all who are up beside it)`, 1/s.
    """
    beside = sight.beside(door, sight.usual_flow(door), (MOVING, ACTIVE), side)
    place = sight.states.place[beside.source]
    up = sight.weights[:, beside.source] @ (place[:, None] == place)
    return beside._replace(rates=beside.rates / up[:, :, None])


def outer_side(plan: Floorplan, door: str) -> int | None:
    """The side (0 or 1) out of doors; where both are, or neither is, the one nearer to `away`, if one of them is."""
    import networkx

    distance = networkx.single_source_shortest_path_length(plan.graph, AWAY)
    first, second = (distance[room] for room in plan.doors[door].between)
    outer = plan.outdoor_sides[door]
    return outer if outer is not None or first == second else int(second < first)
