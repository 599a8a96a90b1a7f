"""How people move through the plan: what they mean to do (stays) becomes where they were and each movement they made.

A walk takes the shortest way, at a speed of the person's own, with pauses. Within a room people wander while active,
fidget while sitting, and hardly move asleep. Gaps between movements are log-normal, so heavy-tailed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from presence.floorplan import AWAY
from presence.simulate.furniture import Furniture
from presence.simulate.geometry import DOORWAY, Geometry, Spot, Step, reverse
from presence.simulate.settings import SimulationSettings

Array = NDArray[np.float64]

ASLEEP, SITTING, DESK, ACTIVE = "asleep", "sitting", "desk", "active"
COOKING, WASHING, WAITING, ELSEWHERE = "cooking", "washing", "waiting", "elsewhere"


class Liveliness(NamedTuple):
    """Gaps between movements: median in seconds and sigma of the log-normal law, and how well one can be seen."""

    median: float
    sigma: float
    size: float


LIVELINESS: Mapping[str, Liveliness] = MappingProxyType(
    {
        ASLEEP: Liveliness(1500.0, 1.1, 0.7),
        SITTING: Liveliness(100.0, 1.2, 0.8),
        DESK: Liveliness(45.0, 1.1, 0.8),
        ACTIVE: Liveliness(5.0, 0.9, 1.0),
        COOKING: Liveliness(4.0, 0.9, 1.0),
        WASHING: Liveliness(10.0, 1.0, 0.7),
        WAITING: Liveliness(4.0, 0.9, 1.0),
    }
)
"""Common practice, no source."""
WANDERING, SEATED = (ACTIVE, COOKING), (SITTING, DESK)
STOP = (18.0, 1.0)
"""s, sigma: how long somebody who is active stays at one spot of a room."""
PAUSE_SHARE, PAUSE = 0.06, (4.0, 0.8)
CAR_SPEED = 3.0
"""m/s on the property."""
BRIEF = 240.0
"""s: who goes out and means to be back this soon tends to leave doors open."""


class Stay(NamedTuple):
    """What somebody means to do: set off for `room` at `start` and be there until `end`."""

    start: float
    end: float
    room: str
    activity: str
    car: bool = False


class Crossing(NamedTuple):
    """One person going through one door."""

    time: float
    door: str
    source: str
    target: str
    being: str
    activity: str
    """What they are on their way to do."""
    brief: bool
    """They go out and mean to be back soon."""
    car: bool


class Sojourn(NamedTuple):
    """A stay as it came about."""

    start: float
    end: float
    room: str
    activity: str
    spot: Spot


class Movements(NamedTuple):
    """Everything a being did that a sensor could see; arrays of one length, in order of time."""

    time: Array
    room: NDArray[np.int32]
    """Index into the plan's rooms."""
    x: Array
    y: Array
    size: Array
    """In (0, 1]: a fidget is seen less often than a step."""


@dataclass
class Trace:
    """Where one being was, and all it did."""

    being: str
    rooms: list[tuple[float, str]] = field(default_factory=list)
    """Change points: in that room from then on."""
    crossings: list[Crossing] = field(default_factory=list)
    sojourns: list[Sojourn] = field(default_factory=list)
    chunks: list[tuple[Array, int, Array, Array, float]] = field(default_factory=list)
    """The columns of `Movements`, a run at a time; a run has one room and one size."""

    def movements(self) -> Movements:
        """All movements in one table."""
        if not self.chunks:
            none = np.zeros(0)
            return Movements(none, none.astype(np.int32), none, none, none)
        counts = [len(chunk[0]) for chunk in self.chunks]
        time, x, y = (np.concatenate([chunk[k] for chunk in self.chunks]) for k in (0, 2, 3))
        room = np.repeat(np.array([chunk[1] for chunk in self.chunks], dtype=np.int32), counts)
        size = np.repeat(np.array([chunk[4] for chunk in self.chunks]), counts)
        return Movements(time, room, x, y, size)


class Walker:
    """One being on its way through its stays; it is in one place at a time because its clock only goes forward."""

    def __init__(
        self,
        being: str,
        room: str,
        time: float,
        geometry: Geometry,
        settings: SimulationSettings,
        rng: Generator,
        furniture: Furniture | None = None,
    ) -> None:
        self.furniture = furniture or Furniture(geometry.plan)
        self.trace = Trace(being, [(time, room)])
        self.room, self.time, self.geometry, self.rng = room, time, geometry, rng
        self.spot = geometry.centres[room]
        self.outdoor_speed = float(rng.uniform(*settings.walking_speed))
        self.indoor_speed = self.outdoor_speed * settings.indoor_share
        self._index = {name: k for k, name in enumerate(geometry.plan.rooms)}
        self._favourites: dict[tuple[str, str], Spot] = {}

    def follow(self, stays: Iterable[Stay]) -> Trace:
        """Live through `stays`, in order; one that no door leads to is spent where the walker is."""
        for stay in stays:
            self.linger(stay.start, WAITING if self.time + 60 > stay.start else SITTING)
            way = self._way(stay)
            if way:
                self._walk(way, stay)
            elif self.furniture.of(self.room, bed=stay.activity == ASLEEP) and stay.activity in (*SEATED, ASLEEP):
                self._stride(self._spot_for(stay), 1.0, False)  # over to the bed or seat
            self._dwell(stay)
        return self.trace

    def linger(self, until: float, activity: str) -> None:
        """Stay where one is, if there is time left."""
        if until > self.time:
            self._dwell(Stay(self.time, until, self.room, activity))

    def _way(self, stay: Stay) -> tuple[Step, ...]:
        drive = self.geometry.drive_ways
        if stay.car and self.room in drive and stay.room == AWAY:
            return drive[self.room]
        if stay.car and self.room == AWAY and stay.room in drive:
            return reverse(stay.room, drive[stay.room])
        return self.geometry.way(self.room, stay.room) or ()

    # --- from room to room ----------------------------------------------------------------------------------------
    def _walk(self, way: tuple[Step, ...], stay: Stay) -> None:
        brisk = float(self.rng.lognormal(0.0, 0.12))
        by_car = stay.car and AWAY in (stay.room, self.room)
        for step in way:
            leaf = self.geometry.plan.doors[step.door].leaf
            self._stride(self.geometry.door_spots[step.door, self.room], brisk, by_car)
            if leaf == "overhead" and by_car and self.geometry.depth[step.room] > self.geometry.depth[self.room]:
                self.time += self.rng.uniform(10, 16)  # waits in the car for the door to open
            elif leaf != "none" and not by_car:
                self.time += self.rng.uniform(0.3, 1.2)
            self._climb(self.geometry.climb(step, self.room) / 2, brisk)
            self._cross(step, stay, by_car)
            self._climb(self.geometry.climb(step, self.room) / 2, brisk)
            if self.rng.random() < PAUSE_SHARE and not by_car and self.room != AWAY:
                self._wait(float(self.rng.lognormal(np.log(PAUSE[0]), PAUSE[1])))
        if self.room != AWAY:
            self._stride(self._spot_for(stay), brisk, False)

    def _cross(self, step: Step, stay: Stay, by_car: bool) -> None:
        self.time += DOORWAY / self.indoor_speed
        outward = self.geometry.depth[step.room] < self.geometry.depth[self.room]
        brief = outward and stay.end - self.time < BRIEF
        self.trace.crossings.append(
            Crossing(self.time, step.door, self.room, step.room, self.trace.being, stay.activity, brief, by_car)
        )
        self.room, self.spot = step.room, self.geometry.door_spots[step.door, step.room]
        self.trace.rooms.append((self.time, self.room))

    def _stride(self, to: Spot, brisk: float, by_car: bool) -> None:
        outdoors = self.geometry.plan.rooms[self.room].outdoors or self.room == AWAY
        speed = CAR_SPEED if by_car and outdoors else (self.outdoor_speed if outdoors else self.indoor_speed)
        (x0, y0), (x1, y1) = self.spot, to
        seconds = max(float(np.hypot(x1 - x0, y1 - y0)) / (speed * brisk), 0.3)
        share = np.linspace(0, 1, int(seconds) + 2)[1:-1] if seconds >= 1 else np.array([0.5])
        self._note(self.time + share * seconds, x0 + share * (x1 - x0), y0 + share * (y1 - y0), 1.0)
        self.time, self.spot = self.time + seconds, to

    def _climb(self, metres: float, brisk: float) -> None:
        if metres:
            self._wait(metres / (self.indoor_speed * 0.7 * brisk))  # slower on stairs

    def _wait(self, seconds: float) -> None:
        times = self.time + np.arange(0.5, seconds, 1.0)
        self._note(times, np.full(len(times), self.spot[0]), np.full(len(times), self.spot[1]), 1.0)
        self.time += seconds

    def try_step(self, step: Step, is_open: Callable[[str, float], bool]) -> bool:
        """Go through one door if it stands open once one gets there."""
        self._stride(self.geometry.door_spots[step.door, self.room], 0.8, False)
        if not is_open(step.door, self.time + DOORWAY / self.indoor_speed):
            return False
        self._cross(step, Stay(self.time, self.time, step.room, ACTIVE), False)
        return True

    # --- within a room --------------------------------------------------------------------------------------------
    def _dwell(self, stay: Stay) -> None:
        end = max(stay.end, self.time + 2.0)
        activity = stay.activity if self.room != AWAY else ELSEWHERE
        begin = self.time
        while activity in WANDERING and self.time < end:
            stop = min(float(self.rng.lognormal(np.log(STOP[0]), STOP[1])) + 1.0, end - self.time)
            self._fidget(self.time + stop, activity)
            if self.time < end:
                self._stride(self.geometry.sample(self.room, self.rng), 1.0, False)
        if self.time < end:
            self._fidget(end, activity)
        self.trace.sojourns.append(Sojourn(begin, self.time, self.room, activity, self.spot))

    def _fidget(self, end: float, activity: str) -> None:
        if activity != ELSEWHERE:
            law = LIVELINESS[activity]
            times = self.time + movement_times(end - self.time, law, self.rng)
            jitter = self.rng.normal(0, 0.25, size=(2, len(times)))
            self._note(times, self.spot[0] + jitter[0], self.spot[1] + jitter[1], law.size)
        self.time = end

    def _spot_for(self, stay: Stay) -> Spot:
        """Most people have their own chair, desk and side of the bed."""
        key = stay.room, stay.activity
        placed = self._furniture_for(stay)
        if placed is not None:
            return placed
        if stay.activity in WANDERING or self.rng.random() < 0.15:
            return self.geometry.sample(self.room, self.rng)
        if key not in self._favourites:
            self._favourites[key] = self.geometry.sample(self.room, self.rng)
        return self._favourites[key]

    def _furniture_for(self, stay: Stay) -> Spot | None:
        """The bed or seat that somebody goes to, where the plan puts one somewhere."""
        people = list(self.geometry.plan.people)
        number = people.index(self.trace.being) if self.trace.being in people else len(people)
        if stay.activity == ASLEEP:
            return self.furniture.bed(stay.room, number, self.rng)
        if stay.activity in SEATED:
            return self.furniture.seat(stay.room, number, self.time, stay.end, self.rng)
        return None

    def _note(self, times: Array, x: Array, y: Array, size: float) -> None:
        if self.room != AWAY and len(times):
            self.trace.chunks.append((times, self._index[self.room], x, y, size))


def movement_times(duration: float, law: Liveliness, rng: Generator) -> Array:
    """Seconds (from 0 to `duration`) of movements whose gaps are log-normal with the median and sigma of `law`."""
    mean = law.median * float(np.exp(law.sigma**2 / 2))
    times = np.zeros(0)
    last = 0.0
    while last < duration:
        gaps = 0.3 + rng.lognormal(np.log(law.median), law.sigma, size=int(1.2 * (duration - last) / mean) + 4)
        times = np.concatenate([times, last + np.cumsum(gaps)])
        last = float(times[-1])
    return times[times < duration]
