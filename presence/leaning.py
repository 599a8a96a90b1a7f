"""What draws somebody to places of their own: a favourite seat, in their sleeping hours their bed; others' rooms.

A rate from i to j is multiplied by `sqrt(g[j] / g[i])`: people are drawn to their own places and leave them late. The
movement stays reversible, and places share the time in proportion to g. (The square root shares a ratio of weights
equally between the rates there and back: Zanella 2020, J. Am. Stat. Assoc. 115:852, section 2, from memory.)
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from presence.floorplan import AWAY, Floorplan
from presence.places import States, is_small

Array = NDArray[np.float64]


def drawn(weights: Array, flows: Array, factor: Array) -> tuple[Array, Array]:
    """`w[i] g[i]` and `f[i, j] sqrt(g[i] g[j])`: weights (S,), flows (S, S) of somebody drawn to states by g (S,)."""
    return weights * factor, flows * np.sqrt(factor[:, None] * factor)


def leaning(states: States, weights: Array, flows: Array, own: Mapping[str, float]) -> tuple[Array, Array]:
    """Weights and flows of somebody who has places of their own; the whole time at home stays what it was.

    Args:
        states: the states of one person.
        weights: shape (S,).
        flows: shape (S, S), symmetric.
        own: factors g by room, motion sensor (its zone) or pressure sensor (the seat); those of one place multiply.
    """
    names = [(place.room, place.zone, place.seat) for place in states.places]
    factor = np.array([math.prod(own.get(name, 1.0) for name in parts if name) for parts in names])[states.place]
    home = states.room != states.rooms.index(AWAY)
    factor = np.where(home, factor * weights[home].sum() / (weights * factor)[home].sum(), 1.0)
    return drawn(weights, flows, factor)


def to_bed(states: States, weights: Array, flows: Array, bedroom: str, share: float) -> tuple[Array, Array]:
    """The same in somebody's sleeping hours: of their time at home they spend a share, at least, in their bedroom.

    All other rates stay as they are, so that they are away for less of these hours than of others.
    """
    inside = states.room == states.rooms.index(bedroom)
    elsewhere = weights[~inside & (states.room != states.rooms.index(AWAY))].sum()
    factor = max(1.0, share / (1.0 - share) * float(elsewhere / weights[inside].sum()))
    return drawn(weights, flows, np.where(inside, factor, 1.0))


def undrawn(
    states: States, indoor: Collection[str], weights: Array, flows: Array, pairs: Sequence[tuple[int, int]]
) -> Array:
    """The largest of the flows between pairs of moving states if nobody is drawn to a place: shape (P,), 1/s.

    Indoors these weights are then one at most; outdoors habits change them, too, but nobody is drawn there.

    Args:
        states: the states of one person.
        indoor: the rooms indoors.
        weights: shape (P, S).
        flows: shape (P, S, S).
        pairs: those that a door joins.
    """

    def draw(state: int) -> Array | float:
        indoors = states.rooms[states.room[state]] in indoor
        return np.sqrt(np.maximum(1.0, weights[:, state])) if indoors else 1.0

    return np.asarray(np.max([flows[:, i, j] / (draw(i) * draw(j)) for i, j in pairs], axis=0))


def foreign_rooms(plan: Floorplan, start: str | None) -> frozenset[str]:
    """Others' bedrooms behind doors, small rooms to which only these lead with them: few go there but their own.

    A bedroom that leads on to larger rooms, or out of doors, is none. None where beds are not known, where somebody's
    way to or from their own leads through another's, nor for visitors of a home of one bedroom: they may sit in it.

    Args:
        plan: the home.
        start: somebody's own bedroom; of a visitor, `away`.
    """
    import networkx

    beds = {person.bed for person in plan.people.values()}
    archways = {room for door in plan.doors.values() if door.leaf == "none" for room in door.between}

    def behind(closed: Collection[str]) -> set[str]:
        """The rooms that are cut off from the street where nobody goes into some, these among them."""
        reached = networkx.node_connected_component(plan.graph.subgraph(set(plan.rooms) - set(closed)), AWAY)
        return set(plan.rooms) - set(reached)

    others = {bed for bed in beds if bed is not None} - {start} - archways
    closed = {b for b in others if len(plan.graph[b]) == 1 or all(is_small(plan, room) for room in behind([b]) - {b})}
    if start is None or not closed or (start == AWAY and (None in beds or len(beds) == 1)):
        return frozenset()
    foreign = behind(closed)
    return frozenset() if start in foreign else frozenset(foreign)
