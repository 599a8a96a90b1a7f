"""From lives to reports, sensor by sensor; doors and their locks are here, the other kinds in `sight` and `deeds`."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.random import Generator

from presence.floorplan import Sensor
from presence.simulate import deeds
from presence.simulate.doors import Swing, turn_lock
from presence.simulate.living import Lives
from presence.simulate.reports import Report, false_alarms
from presence.simulate.settings import SimulationSettings
from presence.simulate.sight import Sight, seen

DEEDS = {
    "switch": deeds.presses,
    "power": deeds.runs,
    "pressure": deeds.seats,
    "phone": deeds.phone,
    "badge": deeds.badge,
}


def reports(sensor: Sensor, lives: Lives, sight: Sight, settings: SimulationSettings, rng: Generator) -> list[Report]:
    """Everything `sensor` reports, false alarms included, in order of time."""
    if sensor.kind in ("motion", "camera", "occupancy"):
        return list(seen(sensor, lives, sight, settings, rng))
    if sensor.kind in ("contact", "lock"):
        return _at_door(sensor, lives, settings, rng)
    return sorted(DEEDS[sensor.kind](sensor, lives, settings, rng), key=lambda report: report.time)


def _at_door(sensor: Sensor, lives: Lives, settings: SimulationSettings, rng: Generator) -> list[Report]:
    door = lives.geometry.plan.doors[sensor.door or ""]
    swings = lives.swings.get(door.id, [])
    if sensor.kind == "lock":
        turns = turn_lock(door, swings, lives.geometry, settings, rng) if swings else []
        made = [Report(t.time, "locked" if t.locked else "unlocked", t.being, t.by, t.code) for t in turns]
    else:
        made = [Report(swing.time, "open" if swing.open else "closed", swing.being) for swing in swings[1:]]
        made = sorted([*made, *_jolts(sensor, swings, lives, settings, rng)], key=lambda report: report.time)
    told: list[Report] = []
    miss = settings.miss(sensor.id, sensor.kind)
    value = made[1].value if len(made) > 1 else ""  # as before the first change: they come in turn
    for report in made:  # it reports changes of what it has seen, so a missed edge hides the next one, too
        if report.value != value and rng.random() >= miss:
            told.append(report)
            value = report.value
    return told


def _jolts(
    sensor: Sensor, swings: list[Swing], lives: Lives, settings: SimulationSettings, rng: Generator
) -> Iterator[Report]:
    """A shut door that a gust or a slam next door moves for a moment."""
    times = np.array([swing.time for swing in swings])
    for time in false_alarms(lives, settings.false_alarm(sensor.id, sensor.kind), rng):
        k = int(np.searchsorted(times, time)) - 1
        following = times[k + 1] if k + 1 < len(times) else np.inf
        if k >= 0 and not swings[k].open and time + 3 < following:
            yield Report(float(time), "open")
            yield Report(float(time + rng.uniform(0.5, 2.5)), "closed")
