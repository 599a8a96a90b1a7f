"""How sensors see lives: raw reports with who caused them, before any message is lost, late or dead.

A motion sensor (and a camera, and a sensor that sees still people) is on from a movement it sees until `hold` seconds
after the last one; then it is blind for a moment. Contacts and locks follow doors. Others follow what people do.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import NamedTuple

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from presence.floorplan import AWAY, Sensor
from presence.simulate.doors import Swing, turn_lock
from presence.simulate.geometry import Spot
from presence.simulate.living import Lives
from presence.simulate.settings import SimulationSettings
from presence.simulate.walking import (
    ACTIVE,
    ASLEEP,
    COOKING,
    DESK,
    SITTING,
    WAITING,
    WASHING,
    Sojourn,
    Trace,
)

Array = NDArray[np.float64]


class Report(NamedTuple):
    """What a sensor says, and the being that made it say so (None: nobody)."""

    time: float
    value: str
    being: str | None = None
    by: str | None = None
    code: str | None = None


CAMERA_HOLD, CAMERA_BLIND, OCCUPANCY_HOLD = 15.0, 2.0, 45.0
"""s; where the plan states no hold. Common practice, no source."""
BREATH = 10.0
"""s between two looks of a sensor that sees still people."""
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


def reports(sensor: Sensor, lives: Lives, sight: Sight, settings: SimulationSettings, rng: Generator) -> list[Report]:
    """Everything `sensor` reports, false alarms included, in order of time."""
    if sensor.kind in ("motion", "camera", "occupancy"):
        return list(_seen(sensor, lives, sight, settings, rng))
    if sensor.kind in ("contact", "lock"):
        return _at_door(sensor, lives, settings, rng)
    makers = {"switch": _presses, "power": _runs, "pressure": _seats, "phone": _phone, "badge": _badge}
    return sorted(makers[sensor.kind](sensor, lives, settings, rng), key=lambda report: report.time)


def false_alarms(lives: Lives, per_day: float, rng: Generator) -> Array:
    """Times of a Poisson process."""
    days = (lives.end - lives.begin) / 86400
    return np.sort(rng.uniform(lives.begin, lives.end, size=rng.poisson(per_day * days)))


# --- sensors that see movement ------------------------------------------------------------------------------------
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


def _seen(sensor: Sensor, lives: Lives, sight: Sight, settings: SimulationSettings, rng: Generator) -> Iterator[Report]:
    on, off, default, blind = {
        "motion": ("detected", "clear", settings.hold, settings.blind_time),
        "camera": ("person", "clear", CAMERA_HOLD, CAMERA_BLIND),
        "occupancy": ("occupied", "vacant", OCCUPANCY_HOLD, 0.0),
    }[sensor.kind]
    hold = default if sensor.hold is None else sensor.hold
    if sensor.kind == "occupancy":
        time, being = _breaths(sensor, lives)
        seen = rng.random(len(time)) >= settings.miss(sensor.id, sensor.kind)
    else:
        rows = sight.within(list(lives.geometry.plan.rooms).index(sensor.room or ""))
        time, being = sight.time[rows], sight.being[rows]
        chance = (1 - settings.miss(sensor.id, sensor.kind)) * sight.size[rows] * _reach(sensor, lives, sight, rows)
        if sensor.kind == "camera":  # it tells people from animals
            chance = chance * (being < sight.people)
        seen = rng.random(len(time)) < chance
    alarms = false_alarms(lives, settings.false_alarm(sensor.id, sensor.kind), rng)
    time = np.concatenate([time[seen], alarms])
    being = np.concatenate([being[seen], np.full(len(alarms), -1, dtype=np.int32)])
    order = np.argsort(time, kind="stable")
    time, being = time[order], being[order]
    for k, end in on_periods(time, hold, blind):
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


# --- doors --------------------------------------------------------------------------------------------------------
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
    value = made[1].value if len(made) > 1 else ""
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


# --- what people do -----------------------------------------------------------------------------------------------
def _sojourns(lives: Lives, room: str | None, *activities: str) -> list[tuple[Sojourn, Trace]]:
    return [
        (stay, trace)
        for trace in lives.people
        for stay in trace.sojourns
        if stay.room == room and stay.activity in activities
    ]


def _presses(sensor: Sensor, lives: Lives, settings: SimulationSettings, rng: Generator) -> Iterator[Report]:
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


def _runs(sensor: Sensor, lives: Lives, settings: SimulationSettings, rng: Generator) -> list[Report]:
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


def _seats(sensor: Sensor, lives: Lives, settings: SimulationSettings, rng: Generator) -> list[Report]:
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
    words = set(re.split(r"[\W\d_]+", sensor.id.lower()))
    if words & {"mat", "doormat", "floor"}:
        for trace in lives.people:
            for crossing in trace.crossings:
                if sensor.room in (crossing.source, crossing.target):
                    yield crossing.time, crossing.time + float(rng.uniform(0.5, 2)), trace.being
        return
    bed = bool(words & {"bed", "mattress", "cot"})
    alike = [
        other.id
        for other in lives.geometry.plan.sensors.values()
        if (other.room, other.kind) == (sensor.room, sensor.kind)
        and bool(set(re.split(r"[\W\d_]+", other.id.lower())) & {"bed", "mattress", "cot"}) == bed
    ]
    order = [trace.being for trace in lives.people]
    for stay, trace in _sojourns(lives, sensor.room, *((ASLEEP,) if bed else (SITTING, DESK))):
        own = alike[order.index(trace.being) % len(alike)] == sensor.id
        if own and rng.random() < (1.0 if bed else 0.85) and stay.end > stay.start:
            yield stay.start + float(rng.uniform(0.5, 3)), stay.end + 0.2, trace.being


def _phone(sensor: Sensor, lives: Lives, settings: SimulationSettings, rng: Generator) -> Iterator[Report]:
    """Home and away with a delay; nothing at all when it was forgotten, or back before it was missed."""
    person = sensor.person
    trace = next((trace for trace in lives.people if trace.being == person), None)
    if settings.no_phones or trace is None:
        return
    yield Report(lives.begin + 0.5, "away" if _room_at(trace, lives.begin) == AWAY else "home", person)
    outings = [
        (begin, end)
        for (begin, room), (end, _) in zip(trace.rooms, [*trace.rooms[1:], (lives.end + 1e6, "")], strict=True)
        if room == AWAY
    ]
    last = lives.begin + 1
    for begin, end in outings:
        leave = begin + float(rng.lognormal(np.log(settings.phone_delay[0]), 0.7))
        tail = float(rng.pareto(1.5)) * 60 if rng.random() < 0.1 else 0.0
        back = end + float(rng.lognormal(np.log(settings.phone_delay[1]), 1.0)) + tail
        if rng.random() >= settings.forgotten_phone and last < leave < end:
            yield Report(leave, "away", person)
            yield Report(back, "home", person)
            last = back
    for time in false_alarms(lives, settings.false_alarm(sensor.id, sensor.kind), rng):
        if not any(begin - 600 < time < end + 3600 for begin, end in outings):  # drops off the network for a while
            yield Report(float(time), "away")
            yield Report(float(time + rng.lognormal(np.log(120), 0.8)), "home")


def _badge(sensor: Sensor, lives: Lives, settings: SimulationSettings, rng: Generator) -> Iterator[Report]:
    """The room in which a tag is heard: after a while, sometimes the room next door, again every few minutes."""
    trace = next((trace for trace in lives.people if trace.being == sensor.person), None)
    doors = lives.geometry.plan.doors.values()
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


def _room_at(trace: Trace, time: float) -> str:
    rooms: Iterable[str] = (room for change, room in reversed(trace.rooms) if change <= time)
    return next(iter(rooms), trace.rooms[0][1])
