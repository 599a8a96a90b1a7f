"""How sensors see movement: motion sensors, cameras, and sensors that also see people who sit still.

Such a sensor is on from a movement that it sees until `hold` seconds after the last one; then it is blind for a moment.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from presence.floorplan import Sensor
from presence.simulate.geometry import Spot
from presence.simulate.living import Lives
from presence.simulate.reports import Array, Report, false_alarms
from presence.simulate.settings import SimulationSettings

BREATH = 10.0
"""s between two looks of a sensor that sees still people."""


class Sight(NamedTuple):
    """All movements of all beings, sorted by room and then time."""

    time: Array
    room: NDArray[np.int32]
    x: Array
    y: Array
    size: Array
    being: NDArray[np.int32]
    beings: tuple[str, ...]
    people: int
    """The first so many beings are people."""

    @classmethod
    def of(cls, lives: Lives) -> Sight:
        """Gather the movements of everybody."""
        traces = [*lives.people, *lives.pets]
        tables = [trace.movements() for trace in traces]
        being = np.repeat(np.arange(len(tables), dtype=np.int32), [len(table.time) for table in tables])
        columns = [np.concatenate([table[k] for table in tables]) if tables else np.zeros(0) for k in range(5)]
        order = np.lexsort((columns[0], columns[1]))
        time, room, x, y, size = (column[order] for column in columns)
        return cls(
            time,
            room.astype(np.int32),
            x,
            y,
            size,
            being[order],
            tuple(trace.being for trace in traces),
            len(lives.people),
        )

    def within(self, room: int) -> slice:
        """The rows of one room."""
        return slice(*np.searchsorted(self.room, [room, room + 1]).tolist())


def on_periods(time: Array, hold: float, blind: float) -> Iterator[tuple[int, float]]:
    """(index of the movement that turns it on, time it goes off) for movements at `time` (sorted).

    While on, every movement starts `hold` anew; for `blind` seconds after it went off nothing is seen.
    """
    ends = np.append(np.flatnonzero(np.diff(time) > hold), len(time) - 1)
    k = 0
    while k < len(time):
        last = int(ends[np.searchsorted(ends, k)])
        off = float(time[last]) + hold
        yield k, off
        k = max(last + 1, int(np.searchsorted(time, off + blind)))


def seen(sensor: Sensor, lives: Lives, sight: Sight, settings: SimulationSettings, rng: Generator) -> Iterator[Report]:
    """What a motion sensor, a camera or an occupancy sensor reports."""
    on, off = {"motion": ("detected", "clear"), "camera": ("person", "clear"), "occupancy": ("occupied", "vacant")}[
        sensor.kind
    ]
    hold = settings.held(sensor.id, sensor.kind, sensor.hold)
    if sensor.kind == "occupancy":
        time, being = _breaths(sensor, lives)
        hit = rng.random(len(time)) >= settings.miss(sensor.id, sensor.kind)
    else:
        rows = sight.within(list(lives.geometry.plan.rooms).index(sensor.room or ""))
        time, being = sight.time[rows], sight.being[rows]
        chance = (1 - settings.miss(sensor.id, sensor.kind)) * sight.size[rows] * _reach(sensor, lives, sight, rows)
        if sensor.kind == "camera":  # it tells people from animals
            chance = chance * (being < sight.people)
        hit = rng.random(len(time)) < chance
    alarms = false_alarms(lives, settings.false_alarm(sensor.id, sensor.kind), rng)
    time = np.concatenate([time[hit], alarms])
    being = np.concatenate([being[hit], np.full(len(alarms), -1, dtype=np.int32)])
    order = np.argsort(time, kind="stable")
    time, being = time[order], being[order]
    for k, end in on_periods(time, hold, settings.blind(sensor.id, sensor.kind)):
        cause = sight.beings[being[k]] if being[k] >= 0 else None
        yield Report(float(time[k]), on, cause)
        yield Report(end, off, cause)


def _breaths(sensor: Sensor, lives: Lives) -> tuple[Array, NDArray[np.int32]]:
    times, beings = [np.zeros(0)], [np.zeros(0, dtype=np.int32)]
    for k, trace in enumerate(lives.people):
        for (begin, room), (end, _) in zip(trace.rooms, [*trace.rooms[1:], (lives.end, "")], strict=True):
            if room == sensor.room:
                times.append(np.arange(begin + 0.8, end, BREATH))
                beings.append(np.full(len(times[-1]), k, dtype=np.int32))
    time, being = np.concatenate(times), np.concatenate(beings)
    order = np.argsort(time, kind="stable")
    return time[order], being[order]


def _reach(sensor: Sensor, lives: Lives, sight: Sight, rows: slice) -> Array:
    """Chance of seeing each movement by distance: all of it up to 0.8 of the reach, 0.3 at the reach, 0 beyond."""
    spot, reach = _spot_and_reach(sensor, lives)
    if spot is None:
        return np.ones(rows.stop - rows.start)
    far = np.hypot(sight.x[rows] - spot[0], sight.y[rows] - spot[1]) / reach
    return np.where(far > 1, 0.0, 1 - 3.5 * np.clip(far - 0.8, 0, 0.2))


def _spot_and_reach(sensor: Sensor, lives: Lives) -> tuple[Spot | None, float]:
    """Where a sensor is and how far it sees; a room's only sensor sees all of it unless the plan says otherwise."""
    plan = lives.geometry.plan
    alike = [other for other in plan.sensors.values() if (other.room, other.kind) == (sensor.room, sensor.kind)]
    if len(alike) == 1 and sensor.reach is None:
        return None, 0.0
    spots = [other.at or _share_of_room(lives, sensor.room or "", k, len(alike)) for k, other in enumerate(alike)]
    own = spots[[other.id for other in alike].index(sensor.id)]
    if sensor.reach is not None:
        return own, sensor.reach
    gaps = sorted(float(np.hypot(x - own[0], y - own[1])) for x, y in spots)
    return own, max(1.2, 0.75 * gaps[1])


def _share_of_room(lives: Lives, room: str, k: int, count: int) -> Spot:
    """Sensors without a place of their own are spread along the room."""
    outline = lives.geometry.outlines[room]
    low, high = outline.min(axis=0), outline.max(axis=0)
    middle, along = (low + high) / 2, int(np.argmax(high - low))
    middle[along] = low[along] + (high[along] - low[along]) * (k + 0.5) / count
    return float(middle[0]), float(middle[1])
