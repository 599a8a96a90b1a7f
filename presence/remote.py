"""Overhead doors are driven: who comes to one may set it going before they are beside it, who leaves after that."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from presence.floorplan import AWAY
from presence.hypotheses import Way
from presence.places import MOVING

if TYPE_CHECKING:
    from presence.sensing import Sight

REMOTE_ROOMS = 2
"""How many rooms before the garage at most: the door takes about as long to open as they take to get there. Common
practice, no source."""


def set_going(sight: Sight, door: str) -> list[Way]:
    """Somebody who walks in the rooms before the garage sets its overhead door going, and goes on from there.

    Args:
        sight: how the home's sensors see.
        door: the door; nothing unless it is an overhead door between indoors and outdoors.
    """
    import networkx as nx

    plan = sight.plan
    outer = plan.outdoor_sides[door]
    if plan.doors[door].leaf != "overhead" or outer is None:
        return []
    garage = plan.doors[door].between[1 - outer]
    steps = nx.single_source_shortest_path_length(plan.graph.subgraph(plan.indoor), garage, REMOTE_ROOMS)
    places = [place for room in steps if room != garage for place in sight.states.places_of(room)]
    index = sight.states.select(places, MOVING)
    rate = sight.settings.overhead_remote_share * sight.usual_flow(door) * sight.hands()
    return [Way(index, index, rate[:, None, None] * np.eye(len(index)))] if len(index) else []


def driven_off(sight: Sight, door: str) -> list[Way]:
    """Whoever has just driven off by the drive shuts an overhead door from the street, as readily as beside it.

    Args:
        sight: how the home's sensors see.
        door: the door; nothing unless a place outdoors lies between an overhead door and the street.
    """
    plan = sight.plan
    outer = plan.outdoor_sides[door]
    if plan.doors[door].leaf != "overhead" or outer is None:
        return []
    if not plan.graph.has_edge(plan.doors[door].between[outer], AWAY):
        return []
    index = sight.states.select(sight.states.places_of(AWAY), MOVING)
    rate = sight.settings.door_closing_rate * sight.hands()
    return [Way(index, index, rate[:, None, None] * np.eye(len(index)))]
