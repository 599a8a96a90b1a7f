"""The five-minute garage rule: a garage door opened in the last five minutes makes the door to the house an arrival.

Otherwise somebody is going out. Common practice, no source. It is scored like the tracker: on the openings of the door
between garage and house that a true passage belongs to.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from presence import Event, Floorplan, Passage
from presence.direction import DirectionSums
from presence.truth import TruthLine
from presence.whereabouts import Whereabouts

RECENT = 300.0
"""Seconds."""


def garage_doors(plan: Floorplan) -> tuple[str, str, str] | None:
    """The overhead door, the door between garage and house, and the garage; None where one has no contact."""
    watched = {s.door for s in plan.sensors.values() if s.kind == "contact"}
    for overhead in (d for d in plan.doors.values() if d.leaf == "overhead" and d.id in watched):
        for garage in (room for room in overhead.between if room in plan.indoor):
            inner = [
                d.id
                for d in plan.doors.values()
                if d.id in watched and garage in d.between and set(d.between) <= set(plan.indoor)
            ]
            if inner:
                return overhead.id, inner[0], garage
    return None


def rule_answers(plan: Floorplan, log: Iterable[Event], doors: tuple[str, str, str]) -> list[Passage]:
    """What the rule says of every report of the door to the house, at once."""
    overhead, inner, garage = doors
    house = next(room for room in plan.doors[inner].between if room != garage)
    opened, answers = -math.inf, []
    for event in log:
        door = plan.sensors[event.sensor].door
        if door == overhead and event.value == "open":
            opened = event.seconds
        elif door == inner:
            arrival = float(event.seconds - opened <= RECENT)
            shares = {f"{garage}>{house}": arrival, f"{house}>{garage}": 1.0 - arrival}
            answers.append(Passage(event.time, event.time, inner, shares, 0.0, {}, final=True))
    return answers


def rule_accuracy(plan: Floorplan, log: Sequence[Event], truth: Iterable[TruthLine]) -> tuple[str, int, float] | None:
    """The door, its covered passages and the share that the rule gets right; None without such a garage."""
    doors = garage_doors(plan)
    if doors is None or not log:
        return None
    sums = DirectionSums(plan)
    for event in log:
        sums.event(event)
    for answer in rule_answers(plan, log, doors):
        sums.answer(answer)
    for passage in Whereabouts(plan, truth).advance(log[-1].seconds):
        if passage.seconds >= log[0].seconds and doors[1] in passage.doors:
            sums.passage(passage)
    sums.finish()
    found = sums.per_door.get(doors[1])
    return (doors[1], found.finals, found.scores()["accuracy"]) if found else None
