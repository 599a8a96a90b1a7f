"""What people do all day: the frames of `schedules` filled with activities in rooms, as a chain of stays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
from numpy.random import Generator

from presence.floorplan import AWAY, Person
from presence.simulate.geometry import Geometry
from presence.simulate.rooms import (
    BATH,
    BED,
    DINING,
    FRONT,
    GARAGE,
    GARDEN,
    KITCHEN,
    LIVING,
    OTHER,
    STUDY,
    TOILET,
    UTILITY,
)
from presence.simulate.schedules import HOUR, Block, Calendar, Trip, Visit, Waking
from presence.simulate.walking import (
    ACTIVE,
    ASLEEP,
    COOKING,
    DESK,
    ELSEWHERE,
    SITTING,
    WAITING,
    WASHING,
    Stay,
)

ANYWHERE = "anywhere"
TOGETHER = 1.3
"""s between two people who go through a door one after the other."""


class Pastime(NamedTuple):
    """Something to do when nothing is set."""

    weights: tuple[float, float, float]
    """How often in the morning, by day, in the evening, relative to other pastimes."""
    function: str
    activity: str
    median: float
    sigma: float
    errand: bool = False
    """Back to where one was afterwards."""


PASTIMES: Mapping[str, Pastime] = MappingProxyType(
    {
        "sit": Pastime((1.6, 2.4, 5.0), LIVING, SITTING, 1900, 1.1),
        "snack": Pastime((1.0, 1.0, 0.9), KITCHEN, COOKING, 260, 0.8),
        "chore": Pastime((1.4, 1.4, 0.6), ANYWHERE, ACTIVE, 420, 0.8),
        "toilet": Pastime((2.5, 2.5, 2.5), TOILET, WASHING, 200, 0.5),
        "desk": Pastime((0.5, 1.0, 0.7), STUDY, DESK, 2400, 0.8),
        "own room": Pastime((0.5, 0.6, 0.8), BED, SITTING, 900, 1.0),
        "laundry": Pastime((0.2, 0.3, 0.15), UTILITY, ACTIVE, 240, 0.6),
        "other room": Pastime((0.3, 0.4, 0.3), OTHER, SITTING, 1200, 0.9),
        "garden": Pastime((0.2, 0.4, 0.1), GARDEN, ACTIVE, 500, 1.0, True),
        "from the garage": Pastime((0.15, 0.25, 0.12), GARAGE, ACTIVE, 70, 0.7, True),
        "bins or post": Pastime((0.1, 0.12, 0.06), FRONT, ACTIVE, 60, 0.6, True),
        "fetch": Pastime((1.0, 1.0, 1.2), ANYWHERE, ACTIVE, 30, 0.6, True),
    }
)
"""Medians in seconds, sigmas of log-normal laws. Common practice, no source."""
LONGEST = 4 * HOUR
NEED = 4 * HOUR
"""s after which the bathroom is as much on one's mind as it gets."""
SHOWER = 400.0
"""s: who takes longer than this needs a bathroom, not just a toilet."""
NIGHT_TRIPS = 0.7
"""A night, to the bathroom."""


@dataclass
class Life:
    """Writes the stays of one resident; `taken` is shared by all, for a bathroom holds one person at a time."""

    person: Person
    geometry: Geometry
    calendar: Calendar
    rng: Generator
    taken: dict[tuple[str, int], list[tuple[float, float]]]
    cursor: float = 0.0
    washed: float = 0.0
    stays: list[Stay] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.rooms = self.geometry.rooms
        self.bed = bed_of(self.person, self.geometry)
        self.seat = self.rooms[LIVING][0]
        entry = self.geometry.entry()
        self.entry = entry.inside if entry else self.bed
        others = {bed_of(person, self.geometry) for person in self.geometry.plan.people.values()} - {self.bed}
        private = others | set(self.rooms.get(TOILET, ()))
        self.reachable = [room for room in self.geometry.plan.indoor if self._may_use(room, private)] or [self.bed]
        self.baths, self.toilets = (
            [room for room in self.rooms.get(function, ()) if self._may_use(room, others)]
            for function in (BATH, TOILET)
        )

    def _may_use(self, room: str, private: set[str]) -> bool:
        """Whether a way leads there, not into or through what is `private`."""
        way = self.geometry.way(self.bed, room)
        return way is not None and not any(step.room in private for step in way)

    def write(self, wakings: list[Waking]) -> list[Stay]:
        """All stays, from the evening before the first waking to the last bedtime."""
        self.cursor = wakings[0].wake - 2 * HOUR
        for waking in wakings:
            self._sleep(waking.wake)
            self._get_up()
            fixed: list[Trip | Visit | Block] = [*waking.trips, *waking.visits, *waking.blocks]
            for item in sorted(fixed, key=lambda item: item[0]):
                if isinstance(item, Trip):
                    self._go_out(item)
                elif item.end > self.cursor + 60:
                    self._fill(item.start)
                    if isinstance(item, Visit):
                        self._host(item)
                    else:
                        self._work(item)
            self._fill(waking.bed)
            self._wash(float(self.rng.lognormal(np.log(280), 0.4)))
        self._sleep(self.cursor + 6 * HOUR)
        return self.stays

    # --- fixed things ---------------------------------------------------------------------------------------------
    def _sleep(self, until: float) -> None:
        trips = np.sort(self.rng.uniform(self.cursor + HOUR, until - 0.5 * HOUR, size=self.rng.poisson(NIGHT_TRIPS)))
        for start in trips if until - self.cursor > 2 * HOUR else ():
            if start > self.cursor + 900:
                self._be(self.bed, ASLEEP, start - self.cursor)
                if self.rng.random() < 0.9:
                    self._wash(float(self.rng.lognormal(np.log(170), 0.4)))
                else:  # cannot sleep
                    self._be(self._pick(KITCHEN), COOKING, float(self.rng.lognormal(np.log(240), 0.5)))
                    self._be(self._pick(LIVING), SITTING, float(self.rng.lognormal(np.log(1500), 0.7)))
        self._be(self.bed, ASLEEP, until - self.cursor)

    def _get_up(self) -> None:
        shower = self.rng.random() < 0.7
        self._wash(float(self.rng.lognormal(np.log(780 if shower else 240), 0.35)))
        self._be(self.bed, ACTIVE, float(self.rng.lognormal(np.log(240), 0.5)))
        self._be(self._pick(KITCHEN), COOKING, float(self.rng.lognormal(np.log(360), 0.5)))
        self._be(self._pick(DINING), SITTING, float(self.rng.lognormal(np.log(540), 0.5)))

    def _go_out(self, trip: Trip) -> None:
        garage = next(iter(self.geometry.drive_ways), None) if trip.car else None
        gate = garage or self.entry
        lead = float(self.rng.uniform(40, 150))
        self._cut(trip.leave - lead)
        self._fill(trip.leave - lead)
        self._be(gate, WAITING, max(trip.leave - self.cursor, 15.0))
        leave = self.cursor + TOGETHER * trip.rank
        back = max(trip.back, leave + 300) + TOGETHER * trip.rank
        self.stays.append(Stay(leave, back, AWAY, ELSEWHERE, car=garage is not None))
        unloading = float(self.rng.lognormal(np.log(40), 0.8))
        self.stays.append(Stay(back, back + unloading, gate, ACTIVE, car=garage is not None))
        self.cursor = back + unloading

    def _host(self, visit: Visit) -> None:
        self.cursor = max(self.cursor, visit.start + float(self.rng.uniform(2, 8)))
        self._be(self.entry, WAITING, visit.start + 55 - self.cursor)
        if visit.brief:
            return
        room = self.seat
        self._be(room, SITTING, 0.3 * (visit.end - self.cursor))
        self._be(self._pick(KITCHEN), COOKING, float(self.rng.lognormal(np.log(240), 0.5)))
        self._be(room, SITTING, visit.end - self.cursor)
        self._be(self.entry, WAITING, 60)

    def _work(self, block: Block) -> None:
        if block.kind == "cook":
            self._be(self._pick(KITCHEN), COOKING, block.end - self.cursor)
        elif block.kind == "meal":
            self._be(self._pick(DINING), SITTING, block.end - self.cursor)
        while block.kind == "desk" and block.end > self.cursor + 60:
            self._be(self._pick(STUDY), DESK, min(self._length(2700, 0.7), block.end - self.cursor))
            if block.end > self.cursor + 600:
                self._pass_time("toilet" if self.rng.random() < 0.4 else "snack", block.end)

    # --- free time ------------------------------------------------------------------------------------------------
    def _fill(self, until: float) -> None:
        """Pastimes from now to `until`."""
        while until - self.cursor > 45:
            hour = self.calendar.hour(self.cursor)
            part = 0 if 4 <= hour < 11 else 1 if 11 <= hour < 17.5 else 2
            names = [name for name, pastime in PASTIMES.items() if self._can(pastime, hour)]
            weights = np.array([PASTIMES[name].weights[part] * self._need(PASTIMES[name]) for name in names])
            self._pass_time(str(self.rng.choice(names, p=weights / weights.sum())), until)
        if until > self.cursor and self.stays:
            self.stays[-1] = self.stays[-1]._replace(end=until)
            self.cursor = until

    def _can(self, pastime: Pastime, hour: float) -> bool:
        if pastime.function == GARDEN and not 7 <= hour < 20:
            return False
        return pastime.function == ANYWHERE or pastime.function in self.rooms

    def _need(self, pastime: Pastime) -> float:
        """Of the bathroom: grows with the time since the last visit."""
        return min(1.0, (self.cursor - self.washed) / NEED) if pastime.function == TOILET else 1.0

    def _pass_time(self, name: str, until: float) -> None:
        pastime = PASTIMES[name]
        length = min(self._length(pastime.median, pastime.sigma), until - self.cursor)
        before = self.stays[-1] if self.stays else None
        if pastime.function == TOILET:
            self._wash(length)
        else:
            room = self.bed if pastime.function == BED else self._pick(pastime.function)
            self._be(room, pastime.activity, length)
        if pastime.errand and before and before.room != AWAY and until > self.cursor + 60:
            again = SITTING if before.activity == SITTING else ACTIVE
            self._be(before.room, again, min(self._length(900, 0.9), until - self.cursor))

    def _length(self, median: float, sigma: float) -> float:
        return float(np.clip(self.rng.lognormal(np.log(median), sigma), 12, LONGEST))

    def _pick(self, function: str) -> str:
        """A room for it, rather a near one."""
        rooms = self.reachable if function == ANYWHERE else list(self.rooms.get(function, self.reachable))
        here = self.stays[-1].room if self.stays and self.stays[-1].room != AWAY else self.bed
        far = np.array([self.geometry.length(here, room) for room in rooms])
        if not np.isfinite(far).any():
            return here
        weights = np.exp(-(far - far[np.isfinite(far)].min()) / 8.0)
        return str(self.rng.choice(rooms, p=weights / weights.sum()))

    def _wash(self, length: float) -> None:
        """In a room for it that is free; whoever finds all of them taken waits."""
        rooms = self.baths if length > SHOWER else self.toilets
        free = [room for room in rooms if self._is_free(room, length)]
        if not free:
            self._be(self.bed, ACTIVE, length / 2 if rooms else 0)
            return
        far = [self.geometry.length(self.stays[-1].room if self.stays else self.bed, room) for room in free]
        room, self.washed = free[int(np.argmin(far))], self.cursor + length
        for hour in _hours(self.cursor, self.cursor + length):
            self.taken.setdefault((room, hour), []).append((self.cursor, self.cursor + length))
        self._be(room, WASHING, length)

    def _is_free(self, room: str, length: float) -> bool:
        begin, end = self.cursor - 30, self.cursor + length + 30
        others = [time for hour in _hours(begin, end) for time in self.taken.get((room, hour), ())]
        return all(other_end < begin or end < start for start, other_end in others)

    def _be(self, room: str, activity: str, length: float) -> None:
        if length > 0:
            self.stays.append(Stay(self.cursor, self.cursor + length, room, activity))
            self.cursor += length

    def _cut(self, until: float) -> None:
        """Leave off what would last beyond `until`: who has to go goes."""
        while self.stays and self.stays[-1].end > until and self.stays[-1].room != AWAY and not self.stays[-1].car:
            last = self.stays.pop()
            if last.start < until - 5:
                self.stays.append(last._replace(end=until))
                self.cursor = until
                return
            self.cursor = last.start


def bed_of(person: Person, geometry: Geometry) -> str:
    """The room where somebody sleeps: the plan's word, else one of the bedrooms, else wherever there is room."""
    rooms = (person.bed,) if person.bed else geometry.rooms[BED]
    return rooms[sum(map(ord, person.id)) % len(rooms)]


def _hours(start: float, end: float) -> range:
    return range(int(start // HOUR), int(end // HOUR) + 1)
