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
from presence.experience import DoorUse, Said, TimesOn, Unprompted
from presence.floorplan import Floorplan
from presence.habits import Hours
from presence.merging import Mixture
from presence.passages import Passage, Window
from presence.times import utc
from presence.witness import Staying
from presence.world import Condition

Array = NDArray[np.float64]
T = TypeVar("T")


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
