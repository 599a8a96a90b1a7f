"""When somebody who sees where everybody is would know that a sensor is dead: a bound on what any watch can do.

    odds <- (odds + h dt) / (1 - p)      at each chance (Shiryaev 1963, Theory Probab. Appl. 8:22), 0 at each report,

with a chance each time that the sensor's room is used or its door is passed, p the share of like chances in which it
spoke (over its whole healthy life: the clairvoyant knows its rates), and h the failure rate of `presence.health`.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchmarks.watching import missed
from presence.floorplan import Floorplan, Sensor
from presence.health.odds import FAILURE_RATE
from presence.health.spans import LENGTHS
from presence.simulate import Simulation
from presence.truth import TruthLine

Array = NDArray[np.float64]

LATE, AT_A_DOOR = 5.0, 60.0
"""Seconds before and after a stay, and a passage, in which a report belongs to it: messages come late, and a door opens
before somebody goes through it and shuts thereafter."""


class Chance(NamedTuple):
    """A time at which a healthy sensor might have spoken."""

    begin: float
    end: float
    """Epoch seconds."""
    share: float
    """Of chances of this length, those in which it spoke."""
    spoke: bool


def chances(plan: Floorplan, truth: Sequence[TruthLine], sensor: Sensor, reports: Sequence[float]) -> list[Chance]:
    """Every chance of a sensor in a healthy life, in order.

    Args:
        plan: the home.
        truth: who was where, in order of time.
        sensor: one at a room or a door.
        reports: epoch seconds of its reports, in order.
    """
    spells = sorted(_passages(plan, truth, str(sensor.door)) if sensor.door else _stays(truth, str(sensor.room)))
    kinds = [bisect_right(LENGTHS, end - begin) for begin, end in spells]
    late = AT_A_DOOR if sensor.door else LATE
    spoke = [bisect_left(reports, begin - late) < bisect_right(reports, end + late) for begin, end in spells]
    counts: dict[int, list[float]] = defaultdict(lambda: [0.5, 1.0])  # half a report in one chance, beforehand
    for kind, told in zip(kinds, spoke, strict=True):
        counts[kind][0] += told
        counts[kind][1] += 1.0
    return [
        Chance(begin, end, counts[kind][0] / counts[kind][1], told)
        for (begin, end), kind, told in zip(spells, kinds, spoke, strict=True)
    ]


def _stays(truth: Iterable[TruthLine], room: str) -> Iterable[tuple[float, float]]:
    """When a room begins and ceases to be used."""
    inside: set[str] = set()
    begun = 0.0
    for line in truth:
        seconds, used = line.time.timestamp(), bool(inside)
        (inside.add if line.room == room else inside.discard)(line.person)
        if inside and not used:
            begun = seconds
        elif used and not inside:
            yield begun, seconds


def _passages(plan: Floorplan, truth: Iterable[TruthLine], door: str) -> Iterable[tuple[float, float]]:
    """When somebody goes through a door."""
    ends, where = set(plan.doors[door].between), dict[str, str]()
    for line in truth:
        before = where.get(line.person)
        where[line.person] = line.room
        if before is not None and {before, line.room} == ends and line.door in (None, door):
            yield line.time.timestamp(), line.time.timestamp()


def log_odds(chances: Iterable[Chance], died: float, begun: float) -> list[tuple[float, float]]:
    """(epoch seconds, log odds of its death) at each chance of a sensor that says nothing from `died` on.

    Args:
        chances: of its healthy life.
        died: epoch seconds.
        begun: epoch seconds at which watching begins.
    """
    odds, latest, found = 0.0, begun, []
    for chance in chances:
        odds = (odds + FAILURE_RATE * max(0.0, chance.end - latest)) / (1.0 - chance.share)
        latest = max(latest, chance.end)
        if chance.spoke and chance.begin < died:
            odds = 0.0
        elif chance.end >= died:
            found.append((chance.end, math.log(odds)))
    return found


def clairvoyant(plan: Floorplan, simulation: Simulation, sensor: Sensor, died: datetime) -> list[tuple[float, float]]:
    """`log_odds` of a sensor that dies in a simulated home."""
    truth = sorted(simulation.truth, key=lambda line: line.time)
    reports = sorted(event.seconds for event in simulation.log if event.sensor == sensor.id)
    return log_odds(chances(plan, truth, sensor, reports), died.timestamp(), truth[0].time.timestamp())


def known(
    course: Iterable[tuple[float, float]], died: datetime, visits: Array, threshold: float
) -> tuple[float, int] | None:
    """Hours until the log odds first rise beyond a threshold, and visits missed by then; None if they never do.

    Args:
        course: see `log_odds`.
        died: when the sensor fell silent.
        visits: epoch seconds, shape (V,), see `watching.visits`.
        threshold: log odds.
    """
    for seconds, odds in course:
        if odds > threshold:
            hours = (seconds - died.timestamp()) / 3600.0
            return hours, missed(visits, died, died + timedelta(hours=hours))
    return None
