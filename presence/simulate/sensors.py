"""From lives to reports, sensor by sensor; doors and their locks are here, the other kinds in `sight` and `deeds`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.random import Generator

from presence.floorplan import Sensor
from presence.simulate import deeds
from presence.simulate.doors import turn_lock
from presence.simulate.living import Lives
from presence.simulate.reports import Array, Report, false_alarms
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
        changes, moved = [(turn.time, turn.locked) for turn in turns], ("unlocked", "locked")
    else:
        made = [Report(swing.time, "open" if swing.open else "closed", swing.being) for swing in swings[1:]]
        changes, moved = [(swing.time, not swing.open) for swing in swings], ("open", "closed")
    alarms = false_alarms(lives, settings.false_alarm(sensor.id, sensor.kind), rng)
    made = sorted([*made, *_jolts(alarms, changes, moved, rng)], key=lambda report: report.time)
    told: list[Report] = []
    miss = settings.miss(sensor.id, sensor.kind)
    value = made[1].value if len(made) > 1 else ""  # as before the first change: they come in turn
    for report in made:  # it reports changes of what it has seen, so a missed edge hides the next one, too
        if report.value != value and rng.random() >= miss:
            told.append(report)
            value = report.value
    return told


def _jolts(
    alarms: Array, changes: Sequence[tuple[float, bool]], moved: tuple[str, str], rng: Generator
) -> Iterator[Report]:
    """A shut door, or a bolt, that a gust or a slam next door moves for a moment."""
    times = np.array([time for time, _ in changes])
    for alarm in alarms:
        k = int(np.searchsorted(times, alarm)) - 1
        following = times[k + 1] if k + 1 < len(times) else np.inf
        if k >= 0 and changes[k][1] and alarm + 3 < following:
            yield Report(float(alarm), moved[0])
            yield Report(float(alarm + rng.uniform(0.5, 2.5)), moved[1])
