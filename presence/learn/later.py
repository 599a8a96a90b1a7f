"""What is seen later: places active at once, and events in rooms, on the grid on which beliefs are told.

A place is a room, or a seat by itself. It is active from the instant a sensor there turns on until the last movement
that kept it on (`hold` seconds before it turns off), and for ten seconds after any single report.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.events import Event
from presence.floorplan import AWAY, Floorplan

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]

BIN = 10.0
"""Seconds: places active within the same bin are active at once."""
COUNT_AHEAD = (120.0, 1920.0)
"""Seconds ahead within which the largest number of places at once is looked for..."""
ROOM_AHEAD = (0.0, 300.0)
"""...and any event in a room. Both from trials on one real home, see DEVELOPERS.md."""
ON = {"motion": "detected", "occupancy": "occupied", "camera": "person", "pressure": "pressed"}
OFF = {"motion": "clear", "occupancy": "vacant", "camera": "clear", "pressure": "released"}
ONCE = {"switch": "pressed", "power": "started"}


class Later(NamedTuple):
    """What is seen after each instant of a grid."""

    grid: Array
    """Shape (T,): epoch seconds."""
    most: IndexArray
    """Shape (T,): the largest number of places active at once, `COUNT_AHEAD`."""
    rooms: tuple[str, ...]
    """The rooms in which something can be seen."""
    seen: IndexArray
    """Shape (T, R): 1 where any event is seen in the room, `ROOM_AHEAD`."""


def look_ahead(plan: Floorplan, events: Sequence[Event], grid: Array) -> Later:
    """What the log shows after each instant of a grid; the log must reach `COUNT_AHEAD` beyond its last instant.

    Args:
        plan: the home.
        events: in order of time.
        grid: shape (T,), epoch seconds, ascending.
    """
    rooms = tuple(r for r in plan.rooms if r != AWAY and any(s.room == r for s in plan.sensors.values()))
    places = {room: k for k, room in enumerate(rooms)}
    seats = [s.id for s in plan.sensors.values() if s.kind == "pressure"]
    places |= {f"seat {seat}": len(rooms) + k for k, seat in enumerate(seats)}
    if not len(grid):
        return Later(grid, np.zeros(0, np.intp), rooms, np.zeros((0, len(rooms)), np.intp))
    begin = float(grid[0])
    size = int((grid[-1] - begin + COUNT_AHEAD[1]) // BIN) + 2
    active = np.zeros((size, len(places)), bool)
    for sensor, first, last in stretches(plan, events):
        seat = f"seat {sensor}"
        column = places[seat if seat in places else str(plan.sensors[sensor].room)]
        a, b = int((first - begin) // BIN), int((last - begin) // BIN)
        if b >= 0 and a < size:
            active[max(a, 0) : b + 1, column] = True
    at_once = active.sum(axis=1)
    starts = ((grid - begin) // BIN).astype(np.intp)
    most = _window(at_once, starts, COUNT_AHEAD).max(axis=1)
    for seat in seats:
        active[:, places[str(plan.sensors[seat].room)]] |= active[:, places[f"seat {seat}"]]
    seen = np.stack([_window(active[:, k], starts, ROOM_AHEAD).max(axis=1) for k in range(len(rooms))], axis=1)
    return Later(grid, most.astype(np.intp), rooms, seen.astype(np.intp))


def stretches(plan: Floorplan, events: Iterable[Event]) -> list[tuple[str, float, float]]:
    """(sensor, first instant, last instant) of everything that is seen in rooms."""
    found: list[tuple[str, float, float]] = []
    since: dict[str, tuple[float, float]] = {}
    for event in events:
        sensor = plan.sensors[event.sensor]
        now = event.seconds
        if event.value == ON.get(sensor.kind):
            start, latest = since.get(sensor.id, (now, now))
            if now - latest > 2.0 * (sensor.hold or 0.0) + BIN:  # the off message was lost
                found.append((sensor.id, start, latest))
                start = now
            since[sensor.id] = (start, now)
        elif event.value == OFF.get(sensor.kind) and sensor.id in since:
            start, latest = since.pop(sensor.id)
            end = now - (sensor.hold or 0.0) if sensor.kind == "motion" else now
            found.append((sensor.id, start, max(latest, end)))
        elif event.value == ONCE.get(sensor.kind):
            found.append((sensor.id, now, now))
    return found + [(sensor, start, latest) for sensor, (start, latest) in since.items()]


def _window(values: NDArray[np.generic], starts: IndexArray, ahead: tuple[float, float]) -> NDArray[np.generic]:
    """The bins that lie ahead of each instant, shape (T, bins); the instant's own bin is never among them."""
    offsets = np.arange(int(ahead[0] // BIN) + 1, int(ahead[1] // BIN) + 1)
    ahead_of: NDArray[np.generic] = values[np.minimum(starts[:, None] + offsets, len(values) - 1)]
    return ahead_of
