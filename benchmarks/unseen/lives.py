"""Lives that are neither the tracker's model nor `presence simulate`: other days, other dwelling, other walking.

Each person has appointments (bed, work, dinner, an evening out, a guest); what lies between them is filled with stays
whose lengths and movements have heavy tails. All figures are common practice, no source. Who sees what: `watching`.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import networkx as nx

from benchmarks.unseen.watching import Moment, Passing, Seen, watch
from presence import Event, Floorplan
from presence.floorplan import AWAY
from presence.truth import TruthLine

BEGIN = datetime(2026, 5, 4)
"""A Monday, in the zone of the plan."""
DAY, HOUR, MINUTE = 86400.0, 3600.0, 60.0
GAPS = {"busy": (9.0, 1.0), "sitting": (75.0, 1.3), "asleep": (1300.0, 1.1)}
"""Median seconds between two movements, and the sigma of their logarithm."""
FAR = 1000.0
"""What a way costs that is not taken."""


@dataclass(slots=True)
class Person:
    """Somebody on their way through the days."""

    name: str
    room: str
    seen: Seen
    rng: random.Random
    bed: str | None = None
    up: float = 7 * HOUR
    down: float = 23 * HOUR
    job: str = "office"
    drives: bool = False
    pace: float = 1.0
    appointments: list[tuple[float, float, str, str]] = field(default_factory=list)
    """Begin, end, room, what: `asleep`, `busy`, `sitting`."""


class Home:
    """The ways of a plan and those who live in it."""

    def __init__(self, plan: Floorplan, seed: int) -> None:
        self.plan, self.rng = plan, random.Random(f"lives {seed}")
        self.seen = Seen(plan)
        self.graph: nx.MultiGraph = nx.MultiGraph()
        for door in plan.doors.values():
            self.graph.add_edge(*door.between, key=door.id)

    def path(self, start: str, end: str, *, drives: bool) -> list[str]:
        """Rooms from start to end; indoors nobody goes round by the garden, and only cars use overhead doors."""
        outdoors = {room for room in self.plan.rooms if room not in self.plan.indoor}
        inside = start in self.plan.indoor and end in self.plan.indoor

        def cost(one: str, other: str, keys: Iterable[str]) -> float:
            leaves = {self.plan.doors[key].leaf for key in keys}
            if inside and outdoors & {one, other}:
                return FAR
            if "overhead" in leaves and not drives:
                return FAR
            by_car = drives and "front" in keys
            through_garden = AWAY in (start, end) and "garden" in (one, other)
            return 1.0 + FAR * (by_car or through_garden)

        found: list[str] = nx.shortest_path(self.graph, start, end, weight=cost)
        return found

    def walk(self, person: Person, when: float, to: str) -> float:
        """Go to a room; when they get there."""
        trip = AWAY in (person.room, to)
        drives = person.drives and trip and any(d.leaf == "overhead" for d in self.plan.doors.values())
        rooms = self.path(person.room, to, drives=drives)
        for one, other in pairwise(rooms):
            self.seen.moments.append(Moment(when, one, "walking", person.name))
            doors = [d for d in self.graph.get_edge_data(one, other) if drives or self.plan.doors[d].leaf != "overhead"]
            when += person.pace * person.rng.uniform(1.8, 5.5) * (2.0 if AWAY in (one, other) else 1.0)
            door = person.rng.choice(sorted(doors or self.graph.get_edge_data(one, other)))
            self.seen.passings.append(Passing(when, door, one, other, person.name))
            self.seen.moments.append(Moment(when + 0.4, other, "walking", person.name))
        person.room = to
        return when

    def stay(self, person: Person, begin: float, end: float, how: str) -> None:
        """Stay in the room where they are: movements by what they do, the busy ones with still minutes between."""
        median, sigma = GAPS[how]
        self.seen.stays.append((begin, end, person.room, how, person.name))
        when, calm = begin, False
        while True:
            if how == "busy" and person.rng.random() < 0.04:
                calm = not calm
            gap = person.rng.lognormvariate(0.0, sigma) * median * (6.0 if calm else 1.0)
            when += gap
            if when >= end:
                return
            self.seen.moments.append(Moment(when, person.room, how, person.name))


def live(plan: Floorplan, *, days: float, seed: int) -> tuple[list[Event], list[TruthLine]]:
    """A log in order of arrival and its truth, from midnight of `BEGIN` on."""
    home = Home(plan, seed)
    start = BEGIN.replace(tzinfo=plan.zone).astimezone(UTC)  # lives are seconds long, however clocks are changed
    people = [_person(home, name) for name in plan.people]
    if people:
        _plan_days(home, people, days)
    rests = {person.name: person.room for person in people}
    for person in people:
        _live_through(home, person)
    visitors = list(_visitors(home, people, days))
    for passing in home.seen.passings:
        if passing.person in visitors:
            rests.setdefault(passing.person, AWAY)
    end = days * DAY
    lines = [TruthLine(start, name, room) for name, room in rests.items()]
    walked = [p for p in sorted(home.seen.passings, key=lambda p: p.when) if 0 < p.when < end]
    lines += [TruthLine(start + timedelta(seconds=round(p.when, 3)), p.person, p.into, p.door) for p in walked]
    return watch(plan, home.seen, start, end, random.Random(f"sensors {seed}")), lines


def _person(home: Home, name: str) -> Person:
    about, rng = home.plan.people[name], random.Random(f"{name} {home.rng.random()}")
    job = rng.choice(("office", "office", "remote", "shift", "retired"))
    bed = about.bed or next((r for r in home.plan.indoor if home.plan.rooms[r].rest), home.plan.indoor[0])
    return Person(name, bed, home.seen, rng, bed, *about.awake, job, rng.random() < 0.6, rng.uniform(0.8, 1.3))


def _plan_days(home: Home, people: list[Person], days: float) -> None:
    """Nights, work, dinners together, evenings out, alone or with somebody."""
    rng = home.rng
    table = next((r for r in ("dining", "kitchen", "living") if r in home.plan.rooms), home.plan.indoor[0])
    for person in people:
        woken = -1.0
        for day in range(int(days) + 2):
            zero = day * DAY
            up = zero + person.up + person.rng.gauss(0, 20 * MINUTE)
            person.appointments.append((woken, up, person.bed or table, "asleep"))
            woken = zero + person.down + abs(person.rng.gauss(0, 30 * MINUTE))
            if person.job == "office" and person.rng.random() < 0.85:
                leave = up + person.rng.uniform(45, 100) * MINUTE
                person.appointments.append((leave, leave + person.rng.uniform(7, 10) * HOUR, AWAY, "busy"))
            elif person.job == "shift" and person.rng.random() < 0.6:
                leave = zero + person.rng.choice((12.5, 13.5)) * HOUR + person.rng.uniform(0, 20) * MINUTE
                person.appointments.append((leave, zero + person.rng.uniform(20.5, 22) * HOUR, AWAY, "busy"))
    for day in range(int(days) + 1):
        dinner = day * DAY + rng.uniform(18.3, 19.8) * HOUR
        length = rng.uniform(20, 55) * MINUTE
        for person in people:
            if rng.random() < 0.7:
                person.appointments.append((dinner + rng.uniform(-60, 200), dinner + length, table, "sitting"))
        if rng.random() < 0.4:
            out, back = dinner + length + rng.uniform(5, 40) * MINUTE, rng.uniform(1.0, 2.5) * HOUR
            for person in rng.sample(people, rng.randint(1, len(people))):
                person.appointments.append((out + rng.uniform(0, 5), out + back + rng.uniform(0, 8), AWAY, "busy"))
    for person in people:
        person.appointments.sort()


def _live_through(home: Home, person: Person) -> None:
    """All appointments in turn, the last beyond the end of the log."""
    now = 0.0
    for begin, until, room, how in person.appointments:
        if until <= now + 5 * MINUTE:
            continue
        if begin > now + 2 * MINUTE:
            now = _spare_time(home, person, now, begin)
        if room == AWAY:
            _outing(home, person, now, until)
            now = max(now, until)
            if person.room == AWAY:
                now = home.walk(person, now, "hall")
        else:
            now = home.walk(person, now, room) if person.room != room else now
            now = _night(home, person, now, until) if how == "asleep" else _sit(home, person, now, until, how)


def _sit(home: Home, person: Person, now: float, until: float, how: str) -> float:
    home.stay(person, now, max(now, until), how)
    return max(now, until)


def _outing(home: Home, person: Person, now: float, until: float) -> float:
    return home.walk(person, now, AWAY) if until > now + 2 * MINUTE else now


def _night(home: Home, person: Person, now: float, until: float) -> float:
    """Asleep, perhaps with a way to the toilet."""
    while person.rng.random() < 0.35 and until - now > 2 * HOUR:
        wakes = now + person.rng.uniform(1 * HOUR, until - now - 0.5 * HOUR)
        home.stay(person, now, wakes, "asleep")
        now = home.walk(person, wakes, _toilet(home, person))
        stays = now + person.rng.uniform(60, 240)
        home.stay(person, now, stays, "busy")
        now = home.walk(person, stays, person.bed or person.room)
    return _sit(home, person, now, until, "asleep")


def _toilet(home: Home, person: Person) -> str:
    wet = [r for r in ("wc", "bathroom", "ensuite") if r in home.plan.rooms]
    wet = [r for r in wet if r != "ensuite" or person.bed == "bed_1"]
    return min(wet, key=lambda r: len(home.path(person.room, r, drives=False)))


def _spare_time(home: Home, person: Person, now: float, until: float) -> float:
    """Stays of all lengths until the next appointment, ending a little before or after it."""
    until += person.rng.uniform(-60, 60)
    while until - now > 1 * MINUTE:
        now = home.walk(person, now, room) if (room := _next_room(home, person)) != person.room else now
        how, length = _how_long(person, room)
        if room == AWAY:
            now += length
            now = home.walk(person, now, "hall")
            continue
        stop = min(now + length, max(until, now + 20))
        home.stay(person, now, stop, how)
        now = stop
    return now


WISHES = {"living": 3.0, "kitchen": 3.0, "dining": 0.7, "study": 2.0, "study_2": 1.5, "bathroom": 0.8, "wc": 1.0,
          "utility": 0.6, "storage": 0.3, "pantry": 0.3, "garage": 0.3, "garden": 0.6, "balcony": 0.5, "hall": 0.3,
          AWAY: 0.25}  # fmt: skip


def _next_room(home: Home, person: Person) -> str:
    wishes = {r: w for r, w in WISHES.items() if r in home.plan.rooms}
    wishes |= {r: 0.25 for r in home.plan.rooms if r.startswith("bed_")}
    if person.bed:
        wishes[person.bed] = 0.9
    if person.bed == "bed_1" and "ensuite" in home.plan.rooms:
        wishes["ensuite"] = 0.6
    wishes.pop(person.room, None)
    return person.rng.choices(list(wishes), list(wishes.values()))[0]


def _how_long(person: Person, room: str) -> tuple[str, float]:
    rng = person.rng
    if room == AWAY:
        return "busy", rng.lognormvariate(0, 0.9) * 40 * MINUTE + 3 * MINUTE
    if room in ("living", "study", "study_2") and rng.random() < 0.75:
        return "sitting", min(rng.weibullvariate(45 * MINUTE, 0.8), 4 * HOUR) + 2 * MINUTE
    if room in ("bathroom", "ensuite"):
        return "busy", rng.lognormvariate(0, 0.6) * 7 * MINUTE
    if room == "wc":
        return "busy", rng.lognormvariate(0, 0.4) * 3 * MINUTE
    if room.startswith("bed_") and rng.random() < 0.3:
        return "sitting", rng.weibullvariate(35 * MINUTE, 1.0) + 3 * MINUTE
    return "busy", rng.lognormvariate(0, 1.0) * 5 * MINUTE + 15


def _visitors(home: Home, people: list[Person], days: float) -> Iterator[str]:
    """On one evening in five a guest comes while somebody is home, sits in the living room with them, and goes."""
    for day in range(int(days)):
        if home.rng.random() >= 0.2:
            continue
        begin = day * DAY + home.rng.uniform(15, 20) * HOUR
        end = begin + home.rng.uniform(1, 3) * HOUR
        host = next((p for p in people if _is_home(home, p.name, begin, end)), None)
        if host is None:
            continue
        guest = Person(f"guest_{day}", AWAY, home.seen, home.rng)
        now = home.walk(guest, begin, "living")
        while now < end:
            stop = min(end, now + home.rng.expovariate(1 / (40 * MINUTE)) + MINUTE)
            home.stay(guest, now, stop, "sitting")
            if stop < end:
                now = home.walk(guest, stop, "wc" if "wc" in home.plan.rooms else "bathroom")
                home.stay(guest, now, now + 150, "busy")
                now = home.walk(guest, now + 150, "living")
            else:
                now = stop
        home.walk(guest, now, AWAY)
        yield guest.name


def _is_home(home: Home, name: str, begin: float, end: float) -> bool:
    mine = [p for p in home.seen.passings if p.person == name]
    before = [p.into for p in sorted(mine, key=lambda p: p.when) if p.when < begin]
    return bool(before) and before[-1] != AWAY and not any(begin <= p.when <= end and p.into == AWAY for p in mine)
