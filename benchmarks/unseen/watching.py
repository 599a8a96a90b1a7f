"""What the sensors of a home report of the lives in it: every sensor with a blind time and an eye of its own."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import NamedTuple

from presence import Event, Floorplan
from presence.floorplan import AWAY, Sensor


class Moment(NamedTuple):
    """Somebody moves."""

    when: float
    room: str
    how: str
    person: str


class Passing(NamedTuple):
    """Somebody goes through a door."""

    when: float
    door: str
    source: str
    into: str
    person: str


@dataclass(slots=True)
class Seen:
    """All that happens, in no order."""

    plan: Floorplan
    moments: list[Moment] = field(default_factory=list)
    passings: list[Passing] = field(default_factory=list)
    stays: list[tuple[float, float, str, str, str]] = field(default_factory=list)
    """Begin, end, room, how, person."""


Report = tuple[float, str, str, str | None, str | None]
"""When, sensor, value, by, code."""


def watch(plan: Floorplan, seen: Seen, start: datetime, end: float, rng: random.Random) -> list[Event]:
    """The log, in order of arrival; times are seconds from `start`."""
    seen.moments.sort()
    seen.passings.sort()
    reports: list[Report] = []
    for sensor in plan.sensors.values():
        own = random.Random(f"{sensor.id} {rng.random()}")
        if sensor.kind in ("motion", "camera"):
            reports += _motion(sensor, seen, end, own)
        elif sensor.kind == "occupancy":
            reports += _occupancy(sensor, seen, own)
        elif sensor.kind in ("phone", "badge"):
            reports += _carried(sensor, seen, own)
        elif sensor.kind == "pressure":
            reports += _pressed(sensor, seen, own)
        elif sensor.kind in ("switch", "power"):
            reports += _worked(sensor, seen, own)
    reports += _doors(plan, seen, rng)
    arrived = sorted((when + (rng.uniform(0, 1.5) if rng.random() < 0.05 else 0.0), (when, *rest))
                     for when, *rest in reports if 0 < when < end and rng.random() > 0.002)  # fmt: skip
    return [Event(start + timedelta(seconds=round(r[0], 3)), *r[1:]) for _, r in arrived]  # type: ignore[arg-type]


def _motion(sensor: Sensor, seen: Seen, end: float, rng: random.Random) -> Iterator[Report]:
    """Sees a share of the movements in its room; after it went off it is blind for some seconds."""
    on, off = ("detected", "clear") if sensor.kind == "motion" else ("person", "clear")
    share = {"walking": rng.uniform(0.8, 0.97), "busy": rng.uniform(0.5, 0.9), "sitting": rng.uniform(0.3, 0.8),
             "asleep": rng.uniform(0.3, 0.8)}  # fmt: skip
    hold, blind = sensor.hold or 15.0, rng.uniform(2.0, 9.0)
    stray = [rng.uniform(0, end) for _ in range(int(rng.expovariate(1.0) * end / 86400.0 * 0.4))]
    times = [m.when for m in seen.moments if m.room == sensor.room and rng.random() < share[m.how]]
    lasts, on_since = -math.inf, False
    for when in sorted([*times, *stray]):
        if on_since and when > lasts + hold:
            yield lasts + hold, sensor.id, off, None, None
            on_since = False
        if on_since:
            lasts = when
        elif when > lasts + hold + blind:
            yield when, sensor.id, on, None, None
            on_since, lasts = True, when
    if on_since:
        yield lasts + hold, sensor.id, off, None, None


def _occupancy(sensor: Sensor, seen: Seen, rng: random.Random) -> Iterator[Report]:
    """On a second or two after somebody comes, off some time after the last has gone."""
    lag = rng.uniform(10, 60)
    heads, empty_since, said = 0, -math.inf, False
    for p in seen.passings:
        if sensor.room not in (p.source, p.into):
            continue
        if p.into == sensor.room:
            if said and heads == 0 and p.when > empty_since + lag:
                yield empty_since + lag, sensor.id, "vacant", None, None
                said = False
            if not said:
                yield p.when + rng.uniform(0.5, 2.5), sensor.id, "occupied", None, None
                said = True
            heads += 1
        else:
            heads -= 1
            empty_since = p.when
    if said and heads == 0:
        yield empty_since + lag, sensor.id, "vacant", None, None


def _carried(sensor: Sensor, seen: Seen, rng: random.Random) -> Iterator[Report]:
    """A phone is away minutes after its owner and back within one; a tag is heard in a room seconds later."""
    left_behind = False
    mine = [p for p in seen.passings if p.person == sensor.person]
    for i, p in enumerate(mine):
        following = mine[i + 1].when if i + 1 < len(mine) else math.inf
        if p.into == AWAY:
            left_behind = rng.random() < 0.04
        lag = rng.lognormvariate(0, 0.5) * (140 if p.into == AWAY else 30)
        if AWAY in (p.source, p.into) and not left_behind:
            value = "away" if p.into == AWAY else "home" if sensor.kind == "phone" else p.into
            if p.when + lag < following or p.source == AWAY:
                yield p.when + lag, sensor.id, value, None, None
        elif sensor.kind == "badge" and AWAY not in (p.source, p.into) and rng.random() < 0.85:
            heard = p.when + rng.uniform(2, 12)
            if heard < following:
                yield heard, sensor.id, p.into, None, None


def _pressed(sensor: Sensor, seen: Seen, rng: random.Random) -> Iterator[Report]:
    stays = sorted((b, e) for b, e, room, how, _ in seen.stays if room == sensor.room and how == "asleep")
    until = -math.inf
    for begin, end in stays:
        if begin > until:
            if until > -math.inf:
                yield until, sensor.id, "released", None, None
            yield begin + rng.uniform(5, 60), sensor.id, "pressed", None, None
        until = max(until, end)
    if until > -math.inf:
        yield until, sensor.id, "released", None, None


def _worked(sensor: Sensor, seen: Seen, rng: random.Random) -> Iterator[Report]:
    for begin, end, room, how, _ in seen.stays:
        if room == sensor.room and how != "asleep" and end - begin > 60 and rng.random() < 0.3:
            when = begin + rng.uniform(2, 20)
            yield when, sensor.id, "pressed" if sensor.kind == "switch" else "started", None, None
            if sensor.kind == "power":
                yield min(when + rng.uniform(60, 240), end + 300), sensor.id, "stopped", None, None


def _doors(plan: Floorplan, seen: Seen, rng: random.Random) -> Iterator[Report]:
    """Doors stand shut but for passing, a few are forgotten open for a while; bathrooms' are shut by who is in."""
    locks = {s.door: s.id for s in plan.sensors.values() if s.kind == "lock"}
    for contact in (s for s in plan.sensors.values() if s.kind == "contact"):
        door = plan.doors[contact.door or ""]
        private = next((r for r in door.between if r in ("bathroom", "wc")), None)
        shuts_at, stands_open = -math.inf, False
        for p in (p for p in seen.passings if p.door == door.id):
            if stands_open and p.when - 1 > shuts_at:
                yield shuts_at, contact.id, "closed", None, None
                stands_open = False
            if not stands_open:
                opened = p.when - (rng.uniform(8, 15) if door.leaf == "overhead" else rng.uniform(0.5, 2.5))
                lock = locks.get(door.id)
                if lock and opened > shuts_at + 60:
                    inside = p.source in plan.indoor
                    codes = plan.people[p.person].codes if p.person in plan.people else ()
                    by, code = ("inside", None) if inside or not codes else ("keypad", codes[0])
                    yield opened - rng.uniform(1, 4), lock, "unlocked", by, code
                yield opened, contact.id, "open", None, None
                stands_open = True
            lingers = rng.uniform(15, 40) if door.leaf == "overhead" else rng.uniform(1.5, 6.0)
            if private and p.into != private:
                lingers = math.inf if rng.random() < 0.6 else lingers
            elif rng.random() < 0.05:
                lingers = rng.uniform(2, 40) * 60
            shuts_at = p.when + lingers
            if (lock := locks.get(door.id)) and math.isfinite(shuts_at):
                after = min((q.when for q in seen.passings if q.door == door.id and q.when > p.when), default=math.inf)
                if after > shuts_at + 62:
                    yield shuts_at + 60, lock, "locked", None, None
        if stands_open and math.isfinite(shuts_at):
            yield shuts_at, contact.id, "closed", None, None
