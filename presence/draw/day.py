"""A replayed log, kept for drawing: what was believed, which passages, what the sensors said, and the truth."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from presence.display import Shown
from presence.errors import Fault, LogError
from presence.events import Event
from presence.floorplan import AWAY, Floorplan
from presence.passages import Passage
from presence.replay import replay as lines_of
from presence.settings import Settings
from presence.snapshot import Belief
from presence.truth import TruthLine
from presence.whereabouts import Whereabouts


@dataclass(frozen=True)
class Day(Shown):
    """What a replay told, from the first belief to the last."""

    plan: Floorplan
    beliefs: tuple[Belief, ...]
    """On a grid of equal steps."""
    passages: tuple[Passage, ...]
    """The last answer about each door event, in order of the events."""
    events: tuple[Event, ...]
    truth: tuple[TruthLine, ...] = ()
    """In order of time; empty where nobody wrote down who was where."""
    settings: Settings | None = None
    hypotheses: int = 16
    whole: bool = True
    """False for a part of what was replayed: it cannot be replayed from its own events."""

    @property
    def begin(self) -> datetime:
        """The first instant of the grid."""
        return self.beliefs[0].time

    @property
    def end(self) -> datetime:
        """The last instant of the grid."""
        return self.beliefs[-1].time

    def between(self, begin: datetime, end: datetime) -> Day:
        """The part from one instant to another; the truth is kept from the start, as people are where they went.

        Raises:
            LogError: if no instant of the grid lies in between.
        """
        beliefs = tuple(belief for belief in self.beliefs if begin <= belief.time <= end)
        if not beliefs:
            raise LogError([Fault("<replay>", 0, _nothing(f"from {begin.isoformat()} to {end.isoformat()}"))])
        return replace(
            self,
            beliefs=beliefs,
            passages=tuple(passage for passage in self.passages if begin <= passage.time <= end),
            events=tuple(event for event in self.events if begin <= event.time <= end),
            truth=tuple(line for line in self.truth if line.time <= end),
            whole=False,
        )

    @property
    def every(self) -> float:
        """Step of the grid, seconds; a minute where there is one instant only."""
        times = self.seconds()
        return float(times[1] - times[0]) if len(times) > 1 else 60.0

    def at(self, time: datetime) -> Belief:
        """The belief at an instant, or at the last instant of the grid before it; the first one for earlier times."""
        return max((b for b in self.beliefs if b.time <= time), key=lambda b: b.time, default=self.beliefs[0])

    def seconds(self) -> NDArray[np.float64]:
        """Epoch seconds of the T instants."""
        return np.array([belief.time.timestamp() for belief in self.beliefs])

    def room_probabilities(self) -> NDArray[np.float64]:
        """Shape (T, R): for each instant and room but `away`, that somebody is there."""
        return np.array([list(belief.rooms.values()) for belief in self.beliefs])

    def person_probabilities(self, person: str) -> NDArray[np.float64]:
        """Shape (T, R + 1): where one resident is, `away` last."""
        return np.array([[belief.people[person][room] for room in self.plan.rooms] for belief in self.beliefs])

    def true_heads(self) -> NDArray[np.int64] | None:
        """Shape (T, R): how many people were in each room but `away`; None without truth."""
        if not self.truth:
            return None
        told = Whereabouts(self.plan, self.truth)
        rows = []
        for seconds in self.seconds():
            told.advance(float(seconds))
            rows.append(told.heads[:-1].copy())
        return np.array(rows)

    def true_rooms(self, person: str) -> list[str | None]:
        """For each instant the room that a person was in; None before their first truth line."""
        own = [line for line in self.truth if line.person == person]
        rooms: list[str | None] = []
        here, k = None, 0
        for belief in self.beliefs:
            while k < len(own) and own[k].time <= belief.time:
                here, k = own[k].room, k + 1
            rooms.append(here)
        return rooms


def replay_day(
    plan: Floorplan,
    events: Iterable[Event],
    *,
    truth: Iterable[TruthLine] = (),
    every: float = 60.0,
    settings: Settings | None = None,
    hypotheses: int = 16,
) -> Day:
    """Replay a log and keep what it told, to be looked at.

    Args:
        plan: the home.
        events: in order of time.
        truth: who was where, in order of time, if known.
        every: step of the grid, seconds.
        settings: rates and probabilities of the model.
        hypotheses: the largest number of hypotheses kept.

    Raises:
        SettingError, EventError: as `presence.replay.replay`.
        LogError: if the log is too short for one instant of the grid.
    """
    seen: list[Event] = []
    beliefs: list[Belief] = []
    passages: dict[object, Passage] = {}
    told = lines_of(plan, _noting(events, seen), every=every, settings=settings, hypotheses=hypotheses)
    for line in told:
        if isinstance(line, Belief):
            beliefs.append(line)
        elif isinstance(line, Passage):
            passages[line.about] = line
    if not beliefs:
        raise LogError([Fault("<replay>", 0, _nothing(f"of {every:g} s"))])
    ordered = sorted(passages.values(), key=lambda passage: passage.time)
    known = tuple(line for line in truth if line.time <= beliefs[-1].time)
    return Day(plan, tuple(beliefs), tuple(ordered), tuple(seen), known, settings, hypotheses)


def _nothing(where: str) -> str:
    return f"the replay has no instant of the grid {where}; a log with events on both sides of one would be right"


def _noting(events: Iterable[Event], seen: list[Event]) -> Iterator[Event]:
    for event in events:
        seen.append(event)
        yield event


def spans(times: NDArray[np.float64], on: NDArray[np.bool_], step: float) -> list[tuple[float, float]]:
    """Stretches of the grid during which something was so, as (begin, length)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(int)))
    return [(float(times[a]), float(times[b - 1] + step - times[a])) for a, b in edges.reshape(-1, 2)]


def rooms_of(plan: Floorplan) -> list[str]:
    """All rooms but `away`, in the order of the plan."""
    return [room for room in plan.rooms if room != AWAY]
