"""The frame of everybody's days: waking, work, errands, outings together, meals, visitors.

A day is a person's waking time. What is fixed in it comes first (work, then outings, then guests), meals and desk
hours where there is room, and `activities` fills the rest. Lengths are log-normal or have an exponential tail; nothing
here is memoryless, on purpose: the filter's own model must not be what it is tested on.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from functools import cache
from itertools import pairwise
from types import MappingProxyType
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
from numpy.random import Generator

from presence.floorplan import Floorplan, Person
from presence.simulate.settings import SimulationSettings
from presence.times import a_day_on

HOUR, DAY = 3600.0, 86400.0
MARGIN = 900.0
"""s between two fixed things in a day."""
ATTEMPTS = 6
"""A guest who would find nobody at home asks for another time this often."""


class Role(NamedTuple):
    """What somebody's days are like; times in hours. Common practice, no source."""

    workday: float
    """Chance of going out to work, Monday to Friday."""
    weekend: float
    leaving: tuple[float, float]
    """After waking: mean and spread."""
    length: tuple[float, float]
    errands: float
    """A day, on days without work; 0.4 of it on others."""
    desk: float
    """Chance of working at home on a weekday without going out to work."""


ROLE: Mapping[str, Role] = MappingProxyType(
    {
        "office": Role(0.95, 0.04, (1.1, 0.2), (9.9, 0.7), 2.2, 0.2),
        "hybrid": Role(0.6, 0.02, (1.2, 0.3), (9.6, 0.8), 2.2, 0.95),
        "student": Role(0.97, 0.04, (0.8, 0.12), (8.0, 0.8), 2.4, 0.0),
        "late": Role(0.8, 0.5, (6.2, 0.3), (9.4, 0.5), 1.5, 0.0),
        "night": Role(0.8, 0.5, (5.5, 0.3), (9.6, 0.5), 1.5, 0.0),
        "home": Role(0.0, 0.0, (4.0, 1.0), (4.0, 1.0), 4.0, 0.3),
    }
)
ROLE_SHARES = {"office": 0.46, "hybrid": 0.14, "student": 0.16, "late": 0.12, "home": 0.12}


class Trip(NamedTuple):
    """Off the property from `leave` to `back`; `rank` is the place in the queue of those who go together."""

    leave: float
    back: float
    car: bool
    rank: int = 0


class Visit(NamedTuple):
    """Unknown people at the door at `start`; brief ones do not come in."""

    start: float
    end: float
    guests: tuple[str, ...]
    brief: bool


class Block(NamedTuple):
    """Time set aside for a meal or for work at the desk."""

    start: float
    end: float
    kind: str


@dataclass
class Waking:
    """One waking time of one person."""

    wake: float
    bed: float
    trips: list[Trip] = field(default_factory=list)
    visits: list[Visit] = field(default_factory=list)
    blocks: list[Block] = field(default_factory=list)

    def free(self, start: float, end: float, margin: float = MARGIN) -> bool:
        """Whether nothing is set for `start` to `end`, give or take `margin`."""
        taken = [(trip.leave, trip.back) for trip in self.trips]
        taken += [(visit.start, visit.end) for visit in self.visits] + [
            (block.start, block.end) for block in self.blocks
        ]
        awake = self.wake + margin < start and end < self.bed - margin
        return awake and all(
            end + margin < other_start or other_end + margin < start for other_start, other_end in taken
        )


class Calendar:
    """Local wall clock of a home, by number of the day."""

    def __init__(self, start: date, zone: ZoneInfo) -> None:
        self.start, self.zone = start, zone
        self._epoch = cache(self._find_epoch)

    def at(self, day: int, seconds: float) -> float:
        """Epoch seconds when the wall clock shows `seconds` (below 0 and above 86,400 mean other days) on `day`.

        Of a time that comes twice the first is meant; for one that is left out, when clocks are put forward.
        """
        minute = int(seconds // 60)
        return min(self._epoch(day, minute) + (seconds - 60 * minute), self._epoch(day, minute + 1))

    def _find_epoch(self, day: int, minute: int) -> float:
        midnight = datetime.combine(self.start + timedelta(days=day), time(0), self.zone)
        local = midnight + timedelta(minutes=minute)
        usual, with_later_offset = local.timestamp(), local.replace(fold=1).timestamp()
        left_out = with_later_offset < usual
        return a_day_on(datetime.fromtimestamp(with_later_offset, self.zone)) if left_out else usual

    def is_weekend(self, day: int) -> bool:
        """Saturday or Sunday."""
        return (self.start + timedelta(days=day)).weekday() >= 5

    def hour(self, epoch: float) -> float:
        """Hour of the local day, 0 to 24."""
        local = datetime.fromtimestamp(epoch, self.zone)
        return local.hour + local.minute / 60


def draw_roles(plan: Floorplan, settings: SimulationSettings, rng: Generator) -> dict[str, str]:
    """Everybody's role: as asked for, by the waking hours, or drawn."""
    roles: dict[str, str] = {}
    for person in plan.people.values():
        drawn = str(rng.choice(list(ROLE_SHARES), p=list(ROLE_SHARES.values())))
        at_night = person.awake[1] <= person.awake[0]
        roles[person.id] = settings.roles.get(person.id, "night" if at_night else drawn)
    return roles


@dataclass
class Household:
    """The frames of everybody's days, by person and day; days count from -1 so that day 0 begins in mid-life."""

    plan: Floorplan
    settings: SimulationSettings
    calendar: Calendar
    roles: Mapping[str, str]
    with_car: bool
    days: dict[str, dict[int, Waking]] = field(default_factory=dict)

    def plan_days(self, days: range, own: Mapping[str, Generator], joint: Generator) -> None:
        """Fill `days` for everybody; `own` holds a random stream a person, `joint` one for what they do together."""
        self.days = {person: {} for person in self.plan.people}
        for day in days:
            for person in self.plan.people.values():
                self.days[person.id][day] = self._waking(person, day, own[person.id])
            self._share_rides(day, joint)
            self._outings(day, joint)
            for person in self.plan.people.values():
                self._errands(person.id, day, own[person.id])
            if not self.settings.no_visitors:
                self._visits(day, joint)
            for person in self.plan.people.values():
                self._lunch(person.id, day, own[person.id])
            self._dinner(day, joint)

    def _waking(self, person: Person, day: int, rng: Generator) -> Waking:
        role, (start, end) = ROLE[self.roles[person.id]], person.awake
        weekend = self.calendar.is_weekend(day)
        wake = self.calendar.at(day, start + rng.normal(0, 900) + (rng.lognormal(np.log(2400), 0.7) if weekend else 0))
        late = (rng.random() < 0.12) * rng.exponential(HOUR)
        bed = self.calendar.at(day, start + (end - start) % DAY + rng.normal(0, 1200) + late)
        before = self.days[person.id].get(day - 1)
        wake = max(wake, before.bed + 4 * HOUR) if before else wake  # a short night at least
        waking = Waking(wake, max(bed, wake + 6 * HOUR))
        if rng.random() < (role.weekend if weekend else role.workday):
            leave = wake + max(0.5, rng.normal(*role.leaving)) * HOUR
            length = max(1.5, rng.normal(*role.length)) + (rng.random() < 0.12) * rng.exponential(1.5)
            waking.trips.append(Trip(leave, leave + length * HOUR, self._by_car(rng)))
            waking.bed = max(waking.bed, waking.trips[0].back + rng.uniform(0.6, 1.4) * HOUR)
        elif not weekend and rng.random() < role.desk:
            morning = wake + rng.uniform(1.0, 1.8) * HOUR
            noon = morning + rng.uniform(2.6, 3.8) * HOUR
            waking.blocks += [Block(morning, noon, "desk"), Block(noon + 3000, noon + rng.uniform(3, 5) * HOUR, "desk")]
        return waking

    def _by_car(self, rng: Generator) -> bool:
        return bool(rng.random() < self.settings.car_share) and self.with_car

    def _share_rides(self, day: int, rng: Generator) -> None:
        """Some of those who leave at about the same time leave together."""
        going = [waking for waking in self._on(day) if waking.trips]
        for first, second in pairwise(going):
            lead, follow = first.trips[0], second.trips[0]
            if abs(lead.leave - follow.leave) < 0.8 * HOUR and rng.random() < self.settings.together_share:
                leave = max(lead.leave, second.wake + 0.4 * HOUR)
                first.trips[0] = lead._replace(leave=leave)
                back = lead.back if rng.random() < 0.5 else max(follow.back, leave + HOUR)
                second.trips[0] = Trip(leave, back, lead.car, lead.rank + 1)
                second.bed = max(second.bed, back + 0.7 * HOUR)

    def _outings(self, day: int, rng: Generator) -> None:
        """Several people out together, at weekends and on some evenings."""
        weekend = self.calendar.is_weekend(day)
        if rng.random() >= (0.6 if weekend else 0.15):
            return
        leave = self.calendar.at(day, (rng.uniform(10, 16) if weekend else rng.uniform(17.5, 19.5)) * HOUR)
        back = leave + float(np.clip(rng.lognormal(np.log(2.5 * HOUR), 0.6), 0.5 * HOUR, 7 * HOUR))
        car, part_ways = self._by_car(rng), rng.random() < 0.1
        going = [waking for waking in self._on(day) if waking.free(leave, back) and rng.random() < 0.85]
        for rank, waking in enumerate(going):
            later = float(rng.exponential(HOUR)) if part_ways and rank else 0.0
            if waking.free(leave, back + later):
                waking.trips.append(Trip(leave, back + later, car, rank))

    def _errands(self, person: str, day: int, rng: Generator) -> None:
        waking, role = self.days[person][day], ROLE[self.roles[person]]
        for _ in range(rng.poisson(role.errands * (0.4 if waking.trips else 1.0))):
            leave = self.calendar.at(day, rng.uniform(8.5, 20.5) * HOUR)
            back = leave + float(np.clip(rng.lognormal(np.log(70 * 60), 0.8), 8 * 60, 6 * HOUR))
            car = self._by_car(rng)
            waking.blocks = [block for block in waking.blocks if block.end < leave or back < block.start]
            if waking.free(leave, back):
                waking.trips.append(Trip(leave, back, car))

    def _visits(self, day: int, rng: Generator) -> None:
        """Guests and deliveries, each met by somebody who is awake at home; unknown people are never double booked."""
        slots = [f"visitor_{k + 1}" for k in range(self.plan.visitors)]
        kinds = [False] * rng.poisson(self.settings.visits_per_week / 7)
        kinds += [True] * rng.poisson(self.settings.deliveries_per_week / 7)
        booked: list[Visit] = []
        for brief in kinds if slots else ():
            for _ in range(ATTEMPTS):
                visit = self._visit(day, slots, brief, rng)
                hosts = [waking for waking in self._on(day) if waking.free(visit.start, visit.end)]
                apart = all(visit.end + MARGIN < other.start or other.end + MARGIN < visit.start for other in booked)
                if hosts and apart:
                    hosts[int(rng.integers(len(hosts)))].visits.append(visit)
                    booked.append(visit)
                    break

    def _visit(self, day: int, slots: list[str], brief: bool, rng: Generator) -> Visit:
        start = self.calendar.at(day, rng.uniform(9, 20) * HOUR)
        length = float(np.clip(rng.lognormal(np.log(1.9 * HOUR), 0.45), HOUR, 4 * HOUR))
        guests = slots[: 1 + int(not brief and rng.random() < 0.3)]
        return Visit(start, start + (60.0 if brief else length), tuple(guests), brief)

    def _lunch(self, person: str, day: int, rng: Generator) -> None:
        waking = self.days[person][day]
        lunch = waking.wake + rng.normal(5.5, 0.4) * HOUR
        block = Block(lunch, lunch + float(rng.lognormal(np.log(25 * 60), 0.4)), "meal")
        if waking.free(block.start, block.end, margin=120) and rng.random() < 0.85:
            waking.blocks.append(block)

    def _dinner(self, day: int, rng: Generator) -> None:
        """Those at home eat together; the first of them cooks."""
        begin = self.calendar.at(day, rng.normal(18.75, 0.4) * HOUR)
        end = begin + float(rng.lognormal(np.log(35 * 60), 0.35))
        cook = rng.uniform(0.3, 0.8) * HOUR
        for waking in self._on(day):
            if waking.free(begin, end, margin=240) and rng.random() < 0.9:
                early = begin - cook if waking.free(begin - cook, end, margin=240) else begin
                if early < begin:
                    waking.blocks.append(Block(early, begin, "cook"))
                    cook = 0.0
                waking.blocks.append(
                    Block(begin + float(rng.normal(20, 15)), end + float(rng.exponential(120)), "meal")
                )

    def _on(self, day: int) -> Iterable[Waking]:
        return [days[day] for days in self.days.values()]
