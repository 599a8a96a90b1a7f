"""What a replay told, kept in columns of whole percents, and thinned where a log is long.

One path for page and `presence replay`: the numbers here are those lines, rounded, and nothing is computed anew.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from presence.events import Event
from presence.explained import Allowance
from presence.floorplan import Floorplan
from presence.passages import Passage
from presence.replay import replay
from presence.settings import Settings
from presence.snapshot import Association, Belief
from presence.telling import Explanation

Percents = NDArray[np.uint8]
Steps = NDArray[np.int64]

MOST_INSTANTS = 50_000
"""Instants that a page shows one by one (a month of minutes and a bit); longer logs are thinned."""
TOLERANCES = (0, 1, 2, 3, 5, 8, 12, 20)
"""Percentage points by which what is left out may differ from what is shown; the first that suffices is taken."""
MOST_EXPLAINED = 500
"""Reasons that a page has unless asked for all: a few days of a house. Each costs as much time as minutes of a log."""
MOST_IN_A_STEP = 60
"""Events of one sensor that are kept between two instants of the grid."""


@dataclass(frozen=True, slots=True)
class Told:
    """A passage: what was said of it at once, and last."""

    first: Passage
    last: Passage
    why: Explanation | None = None
    """What speaks for the last answer, where that was told."""


@dataclass(frozen=True, slots=True)
class Seen:
    """An event, and who caused it (the likeliest, with its probability) where somebody can have caused it."""

    event: Event
    cause: str | None = None
    """None stands for nobody where `probability` is known."""
    probability: float | None = None


@dataclass(slots=True)
class Recording:
    """Everything that a replay told: the T instants kept of a grid, and all passages."""

    every: float
    """Step of the grid, seconds."""
    steps: Steps
    """Shape (T,), rising: instant t is at epoch second `steps[t] * every`."""
    columns: Percents
    """Shape (T, C): rooms, then rooms and `away` for each resident, then the number at home; whole percents."""
    passages: list[Told] = field(default_factory=list)
    events: list[Seen] = field(default_factory=list)
    reasons: list[Explanation] = field(default_factory=list)
    """Why a room's answer changed sides, in order of time."""
    told: int = 0
    """Instants that the replay told."""
    tolerance: int = 0
    """Percentage points by which an instant that was left out may differ from the last one kept."""
    events_left_out: int = 0
    reasons_until: datetime | None = None
    """From when on no reasons were told because there were enough; None if all were."""


def percents(values: Iterable[float]) -> Percents:
    """Probabilities as the nearest whole percents, halves up."""
    return np.floor(100.0 * np.fromiter(values, float) + 0.5).astype(np.uint8)


def recording(
    plan: Floorplan,
    events: Iterable[Event],
    *,
    every: float = 60.0,
    settings: Settings | None = None,
    hypotheses: int = 16,
    explain: bool | int = False,
    most: int | None = None,
) -> Recording:
    """Replay a log and keep what is told, for drawing.

    Args:
        plan: the home.
        events: in order of time.
        every: step of the grid, seconds.
        settings: rates and probabilities of the model.
        hypotheses: the largest number of hypotheses kept.
        explain: also keep why a room's answer changed sides, and what speaks for a passage's direction; a number: about
            as many times.
        most: instants that are kept if tolerances of up to 20 points allow it; by default MOST_INSTANTS.

    Raises:
        SettingError, EventError: as `presence.replay.replay`.
    """
    keeper, allowance = _Keeper(every), Allowance(math.inf if explain is True else explain)
    lines = replay(
        plan,
        keeper.watch(events),
        every=every,
        associations=True,
        explain=allowance if explain else False,
        settings=settings,
        hypotheses=hypotheses,
    )
    for line in lines:
        if isinstance(line, Belief):
            keeper.belief(line)
        elif isinstance(line, Passage):
            keeper.passage(line)
        elif isinstance(line, Explanation):
            keeper.reason(line)
        elif isinstance(line, Association):
            keeper.cause(line)
    kept = keeper.recording(MOST_INSTANTS if most is None else most)
    if explain and allowance.left <= 0:
        kept.reasons_until = keeper.latest_reason
    return kept


def thin(columns: Percents, needed: NDArray[np.bool_], most: int) -> tuple[NDArray[np.intp], int]:
    """Which of T instants to keep, and by how many points the others differ at most from the last one kept.

    Args:
        columns: shape (T, C), whole percents.
        needed: shape (T,), instants that are kept in any case.
        most: how many may be kept; more are if the widest tolerance does not suffice.
    """
    total = len(columns)
    if total <= most:
        return np.arange(total), 0
    for tolerance in TOLERANCES:
        kept = _beyond(columns, needed, tolerance)
        if len(kept) <= most:
            break
    return np.array(kept, np.intp), tolerance


def _beyond(columns: Percents, needed: NDArray[np.bool_], tolerance: int) -> list[int]:
    """Instants that differ from the last one kept by more than a tolerance, in any column."""
    signed = columns.astype(np.int16)
    kept = [0]
    for t in range(1, len(signed)):
        if needed[t] or np.abs(signed[t] - signed[kept[-1]]).max(initial=0) > tolerance:
            kept.append(t)
    return kept


class _Keeper:
    """Takes in a replay line by line."""

    def __init__(self, every: float) -> None:
        self.every = every
        self.steps: list[int] = []
        self.rows: list[Percents] = []
        self.told: dict[Hashable, Told] = {}
        self.seen: list[Seen] = []
        self.reasons: list[Explanation] = []
        self.left_out = 0
        self.latest_reason: datetime | None = None
        self._told_last: Hashable = None
        self._step, self._counts = 0, dict[str, int]()
        self._latest: Event | None = None

    def watch(self, events: Iterable[Event]) -> Iterator[Event]:
        """Pass events on, keeping them."""
        for event in events:
            step = int(event.seconds // self.every)
            if step != self._step:
                self._step, self._counts = step, {}
            count = self._counts[event.sensor] = self._counts.get(event.sensor, 0) + 1
            if count <= MOST_IN_A_STEP:
                self.seen.append(Seen(event))
            self._latest = event if count <= MOST_IN_A_STEP else None
            self.left_out += count > MOST_IN_A_STEP
            yield event

    def belief(self, belief: Belief) -> None:
        """One instant of the grid."""
        self.steps.append(round(belief.time.timestamp() / self.every))
        people = (p for rooms in belief.people.values() for p in rooms.values())
        self.rows.append(percents([*belief.rooms.values(), *people, *belief.at_home]))

    def passage(self, passage: Passage) -> None:
        """The first answer about a passage opens its entry, later ones replace the last."""
        key = passage.about
        self.told[key] = Told(self.told[key].first if key in self.told else passage, passage)
        self._told_last = key

    def reason(self, reason: Explanation) -> None:
        """Why a room changed sides, or what speaks for the passage that was told last."""
        self.latest_reason = reason.time
        if reason.room is not None:
            self.reasons.append(reason)
        else:
            self.told[self._told_last] = replace(self.told[self._told_last], why=reason)

    def cause(self, association: Association) -> None:
        """Who caused the event that was taken in last."""
        event = self._latest
        if event is None or (event.sensor, event.value) != (association.sensor, association.value):
            return
        chances: list[tuple[str | None, float]] = [*association.people.items(), (None, association.nobody)]
        self.seen[-1] = Seen(event, *max(chances, key=lambda chance: chance[1]))

    def recording(self, most: int) -> Recording:
        """All that was taken in, thinned to so many instants if that can be."""
        steps = np.array(self.steps, np.int64)
        columns = np.array(self.rows) if self.rows else np.zeros((0, 0), np.uint8)
        passages = sorted(self.told.values(), key=lambda told: told.first.time)
        needed = np.zeros(len(steps), bool)
        needed[-1:] = True
        instants = np.array([told.first.time.timestamp() for told in passages])
        showing = np.searchsorted(steps * self.every, instants)
        needed[showing[showing < len(steps)]] = True
        kept, tolerance = thin(columns, needed, most)
        return Recording(
            self.every,
            steps[kept],
            columns[kept],
            passages,
            self.seen,
            self.reasons,
            len(steps),
            tolerance,
            self.left_out,
        )
