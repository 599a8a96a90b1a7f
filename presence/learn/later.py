"""What is seen later: places active at once, and events in rooms, on the grid on which beliefs are told.

A place is a room, or a seat by itself. It is active from the instant a sensor there turns on until the last movement
that kept it on (`hold` seconds before it turns off), and at any single report, each rounded out to whole bins of time.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.events import Event
from presence.floorplan import AWAY, OFF, ON, ON_VALUES, Floorplan

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]


class Timescales(NamedTuple):
    """How many seconds each part of judging takes in, in a home or in a short busy recording."""

    bin: float = 10.0
    """Places active within the same bin are active at once."""
    count_ahead: tuple[float, float] = (120.0, 1920.0)
    """How far ahead the largest number of places at once is looked for, and how far back..."""
    room_ahead: tuple[float, float] = (0.0, 300.0)
    """...and any event in a room. Both from trials on one real home (benchmarks/MEASURED.md, "Learning")."""
    step: float = 120.0
    """Between the instants whose beliefs are judged."""
    warm_up: float = 3600.0
    """After the start of a stretch: not judged."""
    block: float = 6 * 3600.0
    """Differences of scores in different blocks are taken to be independent."""
    independent: float = 1800.0
    """What is seen so far apart counts as separate evidence when priors are weighed against it."""


DAYS = Timescales()
SESSIONS = Timescales(
    bin=1.0,
    count_ahead=(12.0, 192.0),
    room_ahead=(0.0, 30.0),
    step=12.0,
    warm_up=360.0,
    block=2160.0,
    independent=180.0,
)
"""For short busy recordings, where all goes faster: a tenth of everything. No source; not tried against others."""


MOST_BEFORE = 4
"""So many places at once, or more, are told apart of what was seen before. No source."""


class Later(NamedTuple):
    """What is seen after each instant of a grid, and what was seen before it."""

    grid: Array
    """Shape (T,): epoch seconds."""
    most: IndexArray
    """Shape (T,): the largest number of places active at once, `Timescales.count_ahead`."""
    before: IndexArray
    """Shape (T,): the same as long before each instant, not more than `MOST_BEFORE`: are people up and about?"""
    rooms: tuple[str, ...]
    """The rooms in which something can be seen."""
    seen: IndexArray
    """Shape (T, R): 1 where any event is seen in the room, `Timescales.room_ahead`."""


def look_ahead(plan: Floorplan, events: Sequence[Event], grid: Array, timescales: Timescales = DAYS) -> Later:
    """What the log shows after each instant of a grid; the log must reach `count_ahead` beyond its last one.

    Args:
        plan: the home.
        events: in order of time.
        grid: shape (T,), epoch seconds, ascending.
        timescales: how far ahead, and in which bins.
    """
    rooms = tuple(r for r in plan.rooms if r != AWAY and any(s.room == r for s in plan.sensors.values()))
    places = {room: k for k, room in enumerate(rooms)}
    seats = [s.id for s in plan.sensors.values() if s.kind == "pressure"]
    places |= {f"seat {seat}": len(rooms) + k for k, seat in enumerate(seats)}
    if not len(grid):
        none = np.zeros(0, np.intp)
        return Later(grid, none, none, rooms, np.zeros((0, len(rooms)), np.intp))
    nearest, furthest = timescales.count_ahead
    begin = float(grid[0]) - furthest
    size = int((grid[-1] - begin + furthest) // timescales.bin) + 2
    active = np.zeros((size, len(places)), bool)
    for sensor, first, last in active_spans(plan, events):
        seat = f"seat {sensor}"
        column = places[seat if seat in places else str(plan.sensors[sensor].room)]
        a, b = int((first - begin) // timescales.bin), int((last - begin) // timescales.bin)
        if b >= 0 and a < size:
            active[max(a, 0) : b + 1, column] = True
    at_once = active.sum(axis=1)
    starts = ((grid - begin) // timescales.bin).astype(np.intp)
    most, before = (
        _window(at_once, starts, span, timescales.bin).max(axis=1)
        for span in ((nearest, furthest), (-furthest, -nearest))
    )
    for seat in seats:
        active[:, places[str(plan.sensors[seat].room)]] |= active[:, places[f"seat {seat}"]]
    seen = np.zeros((len(grid), len(rooms)), np.intp)
    for k in range(len(rooms)):
        seen[:, k] = _window(active[:, k], starts, timescales.room_ahead, timescales.bin).max(axis=1)
    return Later(grid, most.astype(np.intp), np.minimum(before, MOST_BEFORE).astype(np.intp), rooms, seen)


def active_spans(plan: Floorplan, events: Iterable[Event]) -> list[tuple[str, float, float]]:
    """(sensor, first instant, last instant) of everything that is seen in rooms."""
    found: list[tuple[str, float, float]] = []
    since: dict[str, tuple[float, float]] = {}
    for event in events:
        sensor = plan.sensors[event.sensor]
        now = event.seconds
        if event.value == ON.get(sensor.kind):
            start, latest = since.get(sensor.id, (now, now))
            if now - latest > 2.0 * (sensor.hold or 0.0) + DAYS.bin:  # the off message was lost
                found.append((sensor.id, start, latest))
                start = now
            since[sensor.id] = (start, now)
        elif event.value == OFF.get(sensor.kind) and sensor.id in since:
            start, latest = since.pop(sensor.id)
            end = now - (sensor.hold or 0.0) if sensor.kind == "motion" else now
            found.append((sensor.id, start, max(latest, end)))
        elif event.value in ON_VALUES and sensor.kind in ("switch", "power"):
            found.append((sensor.id, now, now))
    return found + [(sensor, start, latest) for sensor, (start, latest) in since.items()]


def _window(
    values: NDArray[np.generic], starts: IndexArray, span: tuple[float, float], width: float
) -> NDArray[np.generic]:
    """The bins of a span of time from each instant on, shape (T, bins); the instant's own is in none that lie ahead."""
    offsets = np.arange(int(span[0] // width) + 1, int(span[1] // width) + 1)
    within: NDArray[np.generic] = values[np.minimum(starts[:, None] + offsets, len(values) - 1)]
    return within
