"""Sensors that follow what people do: switches, appliances, beds and seats, phones and tags."""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np
from numpy.random import Generator

from presence.floorplan import AWAY, Sensor
from presence.simulate.furniture import SITS_THERE, is_bed, is_mat, is_on
from presence.simulate.living import Lives
from presence.simulate.reports import Report, false_alarms
from presence.simulate.settings import SimulationSettings
from presence.simulate.walking import (
    ACTIVE,
    ASLEEP,
    COOKING,
    DESK,
    SEATED,
    SITTING,
    WAITING,
    WASHING,
    Sojourn,
    Trace,
)

RUNNING: dict[str, tuple[float, float]] = {
    "kettle": (3.0, 2.5),
    "coffee": (1.5, 8.0),
    "oven": (0.4, 45.0),
    "stove": (1.5, 25.0),
    "cook": (1.5, 25.0),
    "microwave": (1.0, 3.0),
    "dish": (0.7, 110.0),
    "washer": (0.5, 65.0),
    "washing": (0.5, 65.0),
    "dryer": (0.45, 75.0),
    "tv": (1.5, 90.0),
    "iron": (0.2, 25.0),
}
"""Appliance to starts a day and minutes until it stops by itself; others as the last. Common practice, no source."""
OTHER_APPLIANCE = (0.7, 60.0)
BADGE_LAG, BADGE_AGAIN, BADGE_WRONG = 3.0, 300.0, 0.04
"""Median seconds until a tag is heard in a new room, and again; share heard next door. Common practice, no source."""


def _sojourns(lives: Lives, room: str | None, *activities: str) -> list[tuple[Sojourn, Trace]]:
    return [
        (stay, trace)
        for trace in lives.people
        for stay in trace.sojourns
        if stay.room == room and stay.activity in activities
    ]


def presses(sensor: Sensor, lives: Lives, settings: SimulationSettings, rng: Generator) -> Iterator[Report]:
    """Indoors a light switch, more in the dark; outdoors the bell that callers ring."""
    outdoors = lives.geometry.plan.rooms[sensor.room or ""].outdoors
    residents = lives.geometry.plan.people
    seen = 1 - settings.miss(sensor.id, sensor.kind)
    for stay, trace in _sojourns(lives, sensor.room, ACTIVE, COOKING, WASHING, WAITING, SITTING, DESK):
        hour = lives.calendar.hour(stay.start)
        dark = hour < 7.5 or hour > 17.5
        if outdoors:
            chance = 0.0 if trace.being in residents or stay.activity != WAITING else 1.0
        else:
            chance = (0.5 if dark else 0.08) * (trace.being in residents)
        if rng.random() < chance * seen:
            yield Report(min(stay.start + float(rng.uniform(0.5, 3)), stay.end), "pressed", trace.being)
        if not outdoors and rng.random() < chance * seen * 0.5:
            yield Report(stay.end - float(rng.uniform(0, 1)), "pressed", trace.being)
    for time in false_alarms(lives, settings.false_alarm(sensor.id, sensor.kind), rng):
        yield Report(float(time), "pressed")


def runs(sensor: Sensor, lives: Lives, settings: SimulationSettings, rng: Generator) -> list[Report]:
    """An appliance started by somebody who is up in its room; it stops by itself."""
    name = re.sub(r"[\W_]+", " ", sensor.id.lower())
    per_day, minutes = next((use for word, use in RUNNING.items() if word in name), OTHER_APPLIANCE)
    stays = _sojourns(lives, sensor.room, ACTIVE, COOKING, *((SITTING,) if "tv" in name.split() else ()))
    stays = [(stay, trace) for stay, trace in stays if stay.end - stay.start > 20 and trace.being in lives.roles]
    days = (lives.end - lives.begin) / 86400
    chance = min(1.0, per_day * days / max(len(stays), 1))
    starts = [
        (float(rng.uniform(stay.start + 5, stay.start + 0.7 * (stay.end - stay.start))), trace.being)
        for stay, trace in stays
        if rng.random() < chance
    ]
    alarms = [(float(time), None) for time in false_alarms(lives, settings.false_alarm(sensor.id, sensor.kind), rng)]
    miss, until = settings.miss(sensor.id, sensor.kind), -np.inf
    told: list[Report] = []
    for time, being in sorted([*starts, *alarms], key=lambda start: start[0]):
        if time > until + 60:
            until = time + 60 * minutes * float(rng.lognormal(0, 0.25))
            told += [Report(time, "started", being)] if rng.random() >= miss else []
            told += [Report(until, "stopped")] if rng.random() >= miss else []
    return told


def seats(sensor: Sensor, lives: Lives, settings: SimulationSettings, rng: Generator) -> list[Report]:
    """A bed, a seat or a mat: pressed from the first to the last of those on it."""
    spans: list[tuple[float, float, str | None]] = list(_on_seat(sensor, lives, rng))
    alarms = false_alarms(lives, settings.false_alarm(sensor.id, sensor.kind), rng)
    spans += [(float(time), float(time + rng.exponential(10)), None) for time in alarms]
    miss = settings.miss(sensor.id, sensor.kind)
    told: list[Report] = []
    until = -np.inf
    for start, end, being in sorted(spans, key=lambda span: span[0]):
        if start <= until and told:  # somebody joins
            if end > until:
                until, told[-1] = end, Report(end, "released", being)
        elif rng.random() >= miss:
            stuck = float(rng.exponential(4 * 3600)) if rng.random() < settings.stuck_share else 0.0
            until = end + stuck
            told += [Report(start, "pressed", being), Report(until, "released", being)]
    return told


def _on_seat(sensor: Sensor, lives: Lives, rng: Generator) -> Iterator[tuple[float, float, str]]:
    plan = lives.geometry.plan
    if is_mat(plan, sensor):
        for trace in lives.people:
            for crossing in trace.crossings:
                if sensor.room in (crossing.source, crossing.target):
                    yield crossing.time, crossing.time + float(rng.uniform(0.5, 2)), trace.being
        return
    bed = is_bed(plan, sensor)
    for stay, trace in _sojourns(lives, sensor.room, *((ASLEEP,) if bed else SEATED)):
        there = is_on(plan, sensor, stay.spot) if sensor.at else _own(sensor, trace, lives) and (bed or _sits(rng))
        if there and stay.end > stay.start:
            yield stay.start + float(rng.uniform(0.5, 3)), stay.end + 0.2, trace.being


def _sits(rng: Generator) -> bool:
    return bool(rng.random() < SITS_THERE)


def _own(sensor: Sensor, trace: Trace, lives: Lives) -> bool:
    """Whether a bed or seat that the plan puts nowhere is somebody's: each has one of those in the room."""
    plan = lives.geometry.plan
    here = [other for other in plan.sensors.values() if (other.room, other.kind) == (sensor.room, sensor.kind)]
    alike = [other.id for other in here if is_bed(plan, other) == is_bed(plan, sensor)]
    order = [trace.being for trace in lives.people]
    return alike[order.index(trace.being) % len(alike)] == sensor.id


def phone(sensor: Sensor, lives: Lives, settings: SimulationSettings, rng: Generator) -> list[Report]:
    """Home and away with a delay; nothing at all when it was forgotten, or back before it was missed."""
    person = sensor.person
    trace = next((trace for trace in lives.people if trace.being == person), None)
    if settings.no_phones or trace is None:
        return []
    ends = [*(time for time, _ in trace.rooms[1:]), lives.end + 1e6]
    outings = [(begin, end) for (begin, room), end in zip(trace.rooms, ends, strict=True) if room == AWAY]
    told: list[Report] = []
    with np.errstate(divide="ignore"):  # a median of 0 s: at once
        leaving, coming = (np.log(median) for median in settings.phone_delay)
    for begin, end in outings:
        leave = begin + float(rng.lognormal(leaving, 0.7))
        tail = float(rng.pareto(1.5)) * 60 if rng.random() < 0.1 else 0.0
        back = end + float(rng.lognormal(coming, 1.0)) + tail
        missed = leave < end and (not told or told[-1].time < leave)
        if rng.random() >= settings.forgotten_phone and missed:
            told += [Report(leave, "away", person), Report(back, "home", person)]
    before = [report.value for report in told if report.time <= lives.begin]
    told.append(Report(lives.begin + float(rng.uniform(0, 2)), before[-1] if before else "home", person))
    for time in false_alarms(lives, settings.false_alarm(sensor.id, sensor.kind), rng):
        if not any(begin - 600 < time < end + 3600 for begin, end in outings):  # drops off the network for a while
            told += [Report(float(time), "away"), Report(float(time + rng.lognormal(np.log(120), 0.8)), "home")]
    miss = settings.miss(sensor.id, sensor.kind)
    return [report for report in told if not miss or rng.random() >= miss]


def badge(sensor: Sensor, lives: Lives, settings: SimulationSettings, rng: Generator) -> Iterator[Report]:
    """The room in which a tag is heard: after a while, sometimes next door or by mistake, again every few minutes."""
    trace = next((trace for trace in lives.people if trace.being == sensor.person), None)
    rooms, doors = lives.geometry.plan.rooms, lives.geometry.plan.doors.values()
    miss = settings.miss(sensor.id, sensor.kind)
    spans = zip(trace.rooms, [*trace.rooms[1:], (lives.end, "")], strict=True) if trace else ()
    for (begin, room), (end, _) in spans:
        time = begin + float(rng.lognormal(np.log(BADGE_LAG), 0.6))
        near = sorted({other for door in doors if room in door.between for other in door.between} - {AWAY})
        while time < end and room != AWAY:
            heard = near[int(rng.integers(len(near)))] if near and rng.random() < BADGE_WRONG else room
            if rng.random() >= miss:
                yield Report(time, heard, trace.being if trace else None)
            time += BADGE_AGAIN * float(rng.lognormal(0, 0.3))
    anywhere = sorted({*rooms} - {AWAY})
    for alarm in false_alarms(lives, settings.false_alarm(sensor.id, sensor.kind), rng):
        yield Report(float(alarm), anywhere[int(rng.integers(len(anywhere)))])
