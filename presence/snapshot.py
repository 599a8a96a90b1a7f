"""What the tracker knows: beliefs and associations for the caller, and the snapshot that holds all that changes."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from presence.display import Shown
from presence.events import Event
from presence.floorplan import Floorplan
from presence.habits import Hours
from presence.merging import Mixture
from presence.passages import Passage, Window
from presence.times import utc
from presence.witness import Staying
from presence.world import Condition

Array = NDArray[np.float64]
T = TypeVar("T")

BOUNCE_PRIOR = 20
"""As many openings of a door as the settings' share of bounces counts for."""


def replace(value: T, /, **changes: Any) -> T:
    """A frozen value with some fields changed, as `dataclasses.replace`; a snapshot sooner than by its `_replace`."""
    if isinstance(value, Snapshot):
        fields: list[Any] = list(value)
        for name, changed in changes.items():
            fields[PLACES[name]] = changed
        return Snapshot._make(fields)  # type: ignore[return-value]
    return dataclasses.replace(value, **changes)  # type: ignore[type-var]


@dataclass(frozen=True, slots=True)
class Belief(Shown):
    """Who is where, at one instant."""

    time: datetime
    rooms: Mapping[str, float]
    """For every room but `away`: probability that at least one person is in it."""
    people: Mapping[str, Mapping[str, float]]
    """For each resident: a distribution over all rooms and `away`."""
    at_home: tuple[float, ...]
    """`at_home[k]`: probability that exactly k people are on the property."""
    plan: Floorplan | None = field(default=None, repr=False, compare=False)
    """The home, for pictures."""


@dataclass(slots=True)
class Counts:
    """What the tracker did with what it was given."""

    observed: int = 0
    duplicates: int = 0
    reordered: int = 0


@dataclass(frozen=True, slots=True)
class Association:
    """Who caused an event; the probabilities sum to 1."""

    time: datetime
    sensor: str
    value: str
    people: Mapping[str, float]
    nobody: float

    def credited(self, earlier: Association, share: float) -> Association:
        """A share of `nobody` given to whoever caused an earlier event, who did this in the same move."""
        given = share * self.nobody
        people = {name: p + given * earlier.people.get(name, 0.0) for name, p in self.people.items()}
        return dataclasses.replace(self, people=people, nobody=self.nobody - given * (1.0 - earlier.nobody))


@dataclass(frozen=True, slots=True)
class DoorUse:
    """How a door stands, and how much of the time it has stood open."""

    open: bool = False
    since: float = 0.0
    """When it was told that it stands so now (epoch seconds; 0: unknown)..."""
    heard: float = 0.0
    """...and when last: radios check in."""
    open_share: float = 0.0
    weight: float = 3600.0
    """Seconds of experience behind `open_share`."""
    given_up: bool = False
    """Whether it is only taken to have been shut, having stood open for so long."""
    reopenings: int = 0
    """How often it was opened after having been shut..."""
    bounces: int = 0
    """...and how often of those so soon that it was hardly passed again."""

    def bounce_share(self, usual: float) -> float:
        """Share of its reports that its contact follows up by itself, half of them so soon; at first `usual`."""
        return min(0.95, (usual * BOUNCE_PRIOR + 2.0 * self.bounces) / (BOUNCE_PRIOR + self.reopenings))

    def reopened(self, soon: bool) -> DoorUse:
        """After it was opened, having been shut for a moment only or for longer."""
        return dataclasses.replace(self, reopenings=self.reopenings + 1, bounces=self.bounces + soon)

    @property
    def usual_share(self) -> float:
        """`open_share` to one decimal, so that few generators differ; the same while the door stands as it does."""
        return round(self.open_share, 1)

    def unknown(self) -> DoorUse:
        """After its contact has been out of reach: as before the first report, with what is known of the door."""
        return dataclasses.replace(self, open=False, since=0.0, heard=0.0, given_up=False)

    def now(self, seconds: float, *, open: bool, moved: bool = True) -> DoorUse:
        """After a report that the door is open or closed; experience fades over a week. Common practice, no source.

        Where it was so before, it has probably `moved` unheard in between, or a radio has only said so again.
        """
        passed = max(0.0, seconds - self.heard) if self.heard else 0.0
        weight = min(self.weight, 7 * 86400.0)
        share = (self.open_share * weight + passed * self.open) / (weight + passed)
        again = self.since and open == self.open and not self.given_up and not moved
        since = self.since if again else seconds
        return DoorUse(open, since, seconds, share, weight + passed, reopenings=self.reopenings, bounces=self.bounces)


@dataclass(frozen=True, slots=True)
class Said:
    """What a sensor said last, and how often it has said the same again."""

    value: str
    first: float
    """When it was first heard, epoch seconds."""
    repeats: int = 0
    again: float = -math.inf
    """When that was the last time, epoch seconds."""
    both: bool = False
    """Whether it has ever said anything else."""
    reachable: bool = True
    """Whether it has not said since that it cannot report..."""
    current: bool = True
    """...and what it said last holds: it has not been out of reach since."""

    @property
    def unprompted(self) -> float:
        """When it last told what was so before: again, or first of all that a door is shut; epoch seconds."""
        shut = not self.both and self.value in ("closed", "locked")
        return max(self.again, self.first if shut else -math.inf)

    def after(self, value: str, seconds: float) -> Said:
        """After its next report."""
        if value != self.value:
            return dataclasses.replace(self, value=value, both=True, reachable=True, current=True)
        return dataclasses.replace(self, repeats=self.repeats + 1, again=seconds, reachable=True, current=True)


class TimesOn(NamedTuple):
    """How a motion sensor has gone off so far."""

    heard: int = 0
    """How many of its off messages have come..."""
    lost: int = 0
    """...and how many were lost."""
    shortest: float = math.inf
    """The shortest time for which it was on, seconds."""
    again: float = -math.inf
    """When it last said again that it is on, epoch seconds..."""
    period: float = 0.0
    """...how long after its report before, where that was more than its hold, seconds..."""
    punctual: int = 0
    """...how often as long after it as the time before..."""
    irregular: int = 0
    """...and how often not."""
    gaps: tuple[float, ...] = ()
    """Seconds between its latest reports that it is on, as long as it has never gone off."""


class Taken(NamedTuple):
    """Something that was taken in of late, and what was known right after it."""

    event: Event
    moved: float | None = None
    """For the last movement that a sensor saw before this off report: when it was, epoch seconds..."""
    ended: bool = False
    """...and whether this is such an off report itself."""
    known: Snapshot | None = None

    @property
    def at(self) -> float:
        """When it happened, epoch seconds."""
        return self.event.seconds if self.moved is None else self.moved


class Unprompted(NamedTuple):
    """How often a sensor could have reported by itself, and how often it did."""

    occasions: float = 0
    """Reports of a switch, an appliance, a lock (that it is locked) or a motion sensor outdoors; of a seat, e-folds of
    the time for which it was pressed each time that it let go."""
    by_itself: float = 0.0
    """Expected number of those that nobody caused."""

    def after(self, nobody: float, occasions: float = 1) -> Unprompted:
        """After one more report, caused by nobody with this probability, on so many occasions."""
        return Unprompted(self.occasions + occasions, self.by_itself + nobody)


class Reported(NamedTuple):
    """What a phone or a tag says."""

    value: str
    since: float
    """When it first said so, epoch seconds..."""
    heard: float
    """...and when last: it may say so again."""
    before: str = ""
    """What it said before that."""


class Snapshot(NamedTuple):
    """Everything that changes while events come in; a named tuple, for several are made at every event."""

    seconds: float
    mixture: Mixture
    hours: Hours
    """What everybody's habits say: who is in their sleeping hours, how readily they go out and come back."""
    change_at: float
    """When that next changes."""
    conditions: frozenset[Condition] = frozenset()
    due: tuple[tuple[float, str, str], ...] = ()
    """(instant, what, sensor): what falls due, in order; see `record.Piece.what`."""
    doors: Mapping[str, DoorUse] = {}
    windows: tuple[Window, ...] = ()
    noted: tuple[tuple[float, str], ...] = ()
    """(instant, door): when it was noted on which side of an open door everybody was, see `Mixture.sides`."""
    closings: tuple[Passage, ...] = ()
    """Answers for closings, to be told again when their windows close."""
    holders: Mapping[str, Association] = {}
    """Who caused the latest event of each sensor, of those that beings cause; kept after it has gone off."""
    said: Mapping[str, Said] = {}
    """What each contact and lock said last, and how often it has said the same again; which cameras have gone off."""
    unprompted: Mapping[str, Unprompted] = {}
    """Of switches, appliances, locks, seats and motion sensors outdoors: what each has reported by itself."""
    reports: Mapping[str, Reported] = {}
    """What each phone and tag reported last."""
    gaps: Mapping[str, tuple[float, ...]] = {}
    """Seconds between the latest reports of each tag in one room in its owner's sleeping hours, of some at most."""
    association: Association | None = None
    same_as_previous: float | None = None
    silent: frozenset[str] = frozenset()
    """Sensors whose silence is no evidence, because they are probably dead or stuck."""
    noise: Mapping[str, float] = {}
    """1/s: how often chattering sensors report by themselves."""
    able: Mapping[str, float] = {}
    """When each motion sensor went off last: since then it can report again (epoch seconds)."""
    times_on: Mapping[str, TimesOn] = {}
    """How motion sensors have gone off so far."""
    staying: Mapping[str, Staying] = {}
    """What is believed of sensors that stay on, each or all (`staying_on.HOME`), and of phones and tags that say the
    same, or nothing (`carried`)."""
    lately: tuple[Taken, ...] = ()
    """The latest few events, in order, see `retaken`."""
    begun: float = math.inf
    """When anything was first heard, epoch seconds; infinite if nothing has been."""
    put_back: bool = False
    """Whether the latest event was an off report that was put back, which took as long as several events."""

    @property
    def time(self) -> datetime:
        """The instant as a UTC time."""
        return utc(self.seconds)

    def awaits(self, what: str, sensor: str) -> bool:
        """Whether something falls due of a sensor."""
        return any(note[1:] == (what, sensor) for note in self.due)

    def noted_of(self, door: str) -> list[int]:
        """Which of `noted` are about a door, in order."""
        return [i for i, (_, name) in enumerate(self.noted) if name == door]


PLACES = {name: n for n, name in enumerate(Snapshot._fields)}
"""Where each field of a snapshot is in the tuple."""
