"""Homes, beliefs, passages and days in a few lines of text."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from presence.draw.day import Day
from presence.errors import counted
from presence.floorplan import Floorplan
from presence.passages import Passage
from presence.snapshot import Belief

SHOWN = 6
"""Rooms of a belief that are told."""


def words(thing: Any) -> str:
    """A value in a few lines; its `repr` if it is of another kind."""
    if isinstance(thing, Floorplan):
        return f"{thing.name}: {contents(thing)}"
    if isinstance(thing, Belief):
        return _belief(thing)
    if isinstance(thing, Passage):
        ways = _shares({**thing.directions, "nobody": thing.nobody})
        state = "final" if thing.final else "at once"
        return f"{_time(thing.time, thing.plan)} {thing.door} ({state}): {ways}"
    if isinstance(thing, Day):
        span = f"{_time(thing.begin, thing.plan)} to {_time(thing.end, thing.plan)}"
        events, passages = counted(len(thing.events), "event"), counted(len(thing.passages), "passage")
        return f"{thing.plan.name}, {span}: {events}, {passages}"
    return repr(thing)


def contents(plan: Floorplan) -> str:
    """What a plan has, in numbers, and who lives there."""
    counts = ((len(plan.rooms) - 1, "room"), (len(plan.doors), "door"), (len(plan.sensors), "sensor"))
    said = ", ".join(counted(number, word) for number, word in counts)
    return f"{said}; {', '.join(plan.people) or 'nobody by name'}"


def _belief(belief: Belief) -> str:
    likely = dict(sorted(belief.rooms.items(), key=lambda item: -item[1])[:SHOWN])
    lines = [f"{_time(belief.time, belief.plan)}", f"  somebody in  {_shares(likely)}"]
    for person, rooms in belief.people.items():
        lines.append(f"  {person}  {_shares(dict(sorted(rooms.items(), key=lambda item: -item[1])[:3]))}")
    number = max(range(len(belief.at_home)), key=belief.at_home.__getitem__)
    return "\n".join([*lines, f"  at home  {number} ({belief.at_home[number]:.0%})"])


def _shares(shares: Mapping[str, float]) -> str:
    return ", ".join(f"{name} {p:.0%}" for name, p in shares.items())


def _time(time: datetime, plan: Floorplan | None) -> str:
    return f"{time.astimezone(UTC if plan is None else plan.zone):%Y-%m-%d %H:%M:%S}"
