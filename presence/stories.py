"""The heaviest hypotheses in words: where everybody is in them, and who caused the latest event."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from presence.floorplan import AWAY, Floorplan
from presence.inference import Engine
from presence.merging import Mixture
from presence.wording import being_name, room_name

MOST = 3


@dataclass(frozen=True, slots=True)
class Story:
    """Hypotheses that tell the same: everybody in the same room, the latest event caused by the same being."""

    weight: float
    """Probability of these hypotheses."""
    rooms: Mapping[str, str]
    """The likeliest room of each resident and visitor in them."""
    caused: str | None
    """Who caused the latest event in them; None: nobody."""
    occupied: float | None
    """Probability in them that somebody is in the room asked about, if one was."""
    text: str


def stories(engine: Engine, mixture: Mixture, room: str | None) -> tuple[Story, ...]:
    """The heaviest few, heaviest first."""
    persons, rooms = engine.model.persons, engine.model.states.rooms
    each = mixture.x[:persons] @ engine.model.room_of  # (P, K, R)
    where, cause = each.argmax(axis=2), mixture.cause.argmax(axis=1)
    together: dict[tuple[int, ...], list[int]] = {}
    for k in range(len(mixture.weight)):
        together.setdefault((*where[:, k].tolist(), int(cause[k])), []).append(k)
    found = []
    for key, members in together.items():
        weight = mixture.weight[members]
        occupied = None
        if room is not None:
            inside = np.minimum(each[:, members, rooms.index(room)], 1.0)
            occupied = float(weight @ (1.0 - np.prod(1.0 - inside, axis=0)) / weight.sum())
        at = {engine.names[p]: rooms[key[p]] for p in range(persons)}
        caused = engine.names[key[-1]] if key[-1] < len(engine.names) else None
        found.append(Story(float(weight.sum()), at, caused, occupied, _text(engine.plan, at, caused)))
    return tuple(sorted(found, key=lambda story: -story.weight)[:MOST])


def _text(plan: Floorplan, rooms: Mapping[str, str], caused: str | None) -> str:
    """`ada in the kitchen, ben away; the latest event was ada's`."""
    told = [
        f"{being_name(plan, name)} {AWAY if room == AWAY else f'in {room_name(plan, room)}'}"
        for name, room in rooms.items()
        if name in plan.people or room != AWAY
    ]
    who = "nobody's" if caused is None else f"{being_name(plan, caused)}'s"
    return f"{', '.join(told) or 'nobody at home'}; the latest event was {who}"
