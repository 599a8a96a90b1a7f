"""Unknown people: they come up the path, ring, are let in by a resident, sit in the living room, and leave."""

from __future__ import annotations

from bisect import bisect_right
from operator import itemgetter
from typing import NamedTuple

import numpy as np
from numpy.random import Generator

from presence.floorplan import AWAY
from presence.simulate.doors import Use
from presence.simulate.furniture import Furniture
from presence.simulate.geometry import Entry, Geometry
from presence.simulate.rooms import LIVING, TOILET
from presence.simulate.schedules import Visit
from presence.simulate.settings import SimulationSettings
from presence.simulate.walking import ELSEWHERE, SITTING, WAITING, WASHING, Stay, Trace, Walker

PATIENCE = 240.0
"""s that a caller waits at the door."""


class Call(NamedTuple):
    """A visit that came about: who opened the door, and when they were there to do so."""

    visit: Visit
    host: str
    answered: float
    """Infinite where nobody came to the door."""


def answer(visits: list[tuple[Visit, Trace]], entry: Entry) -> list[Call]:
    """When each visit's host came to the room behind the house door."""
    calls: list[Call] = []
    for visit, host in sorted(visits, key=lambda pair: pair[0].start):
        answered = _when_in(host, entry.inside, visit.start + 3)
        calls.append(Call(visit, host.being, answered if answered < visit.start + PATIENCE else float("inf")))
    return calls


def call(
    visitor: str,
    calls: list[Call],
    entry: Entry,
    begin: float,
    geometry: Geometry,
    furniture: Furniture,
    settings: SimulationSettings,
    rng: Generator,
) -> Trace:
    """Where `visitor` was, from `begin` on, given how their calls were answered."""
    walker = Walker(visitor, AWAY, begin, geometry, settings, rng, furniture)
    stays: list[Stay] = []
    for item in calls:
        if visitor in item.visit.guests:
            lag = 1.4 * item.visit.guests.index(visitor)
            stays += _stays(item, lag, entry, geometry, rng)
    return walker.follow(stays)


def openers(trace: Trace, calls: list[Call], entry: Entry) -> dict[tuple[str, float], str]:
    """Who opened the house door when this visitor went through it, by visitor and time."""
    found: dict[tuple[str, float], str] = {}
    for crossing in trace.crossings:
        for item in calls:
            if crossing.door == entry.door and item.visit.start - 60 < crossing.time < item.visit.end + 600:
                found[trace.being, crossing.time] = item.host
    return found


def hand_overs(calls: list[Call], entry: Entry, rng: Generator) -> list[Use]:
    """The house door opened for something to be handed over: nobody passes."""
    return [
        Use(
            item.answered + float(rng.uniform(2, 6)),
            item.host,
            entry.inside,
            keep=float(rng.lognormal(np.log(20), 0.5)),
        )
        for item in calls
        if item.visit.brief and np.isfinite(item.answered)
    ]


def _stays(item: Call, lag: float, entry: Entry, geometry: Geometry, rng: Generator) -> list[Stay]:
    start, end = item.visit.start - 14 + lag, item.visit.end + lag + float(rng.uniform(0, 10))
    home = Stay(0, 0, AWAY, ELSEWHERE)
    if item.visit.brief or not np.isfinite(item.answered):
        leave = min(item.answered, item.visit.start + PATIENCE) + 30
        if entry.outside == AWAY:
            return []
        return [Stay(start, leave, entry.outside, WAITING), home._replace(start=leave, end=leave + 60)]
    enter = item.answered + lag + float(rng.uniform(4, 9))
    living = geometry.rooms[LIVING][0]
    stays = [Stay(start, enter, entry.outside, WAITING)] if entry.outside != AWAY else []
    stays.append(Stay(enter, enter + 20, entry.inside, WAITING))
    sit = Stay(enter + 20, end, living, SITTING)
    if TOILET in geometry.rooms and rng.random() < 0.5:
        baths = geometry.rooms[TOILET]
        bath = baths[int(np.argmin([geometry.length(living, room) for room in baths]))]
        pause = float(rng.uniform(enter + 900, end - 900))
        stays += [sit._replace(end=pause), Stay(pause, pause + 200, bath, WASHING), sit._replace(start=pause + 200)]
    else:
        stays.append(sit)
    leave = end + float(rng.uniform(20, 45))
    return [*stays, Stay(end, leave, entry.inside, WAITING), home._replace(start=leave, end=leave + 60)]


def _when_in(trace: Trace, room: str, after: float) -> float:
    """The first time from `after` on at which the being is in `room`."""
    k = bisect_right(trace.rooms, after, key=itemgetter(0))
    if k and trace.rooms[k - 1][1] == room:
        return after
    return next((time for time, entered in trace.rooms[k:] if entered == room), float("inf"))
