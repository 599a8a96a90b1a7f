"""How far can it be trusted? A replayed log against the truth, beside the timer that it must beat.

One pass over log, answers and truth together; memory does not grow with their length (but for one number per passage).
"""

from __future__ import annotations

import json
import math
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from presence.direction import DirectionSums
from presence.errors import Fault, LogError
from presence.events import Event
from presence.explained import Line
from presence.floorplan import AWAY, Floorplan
from presence.metrics import BinarySums, CountSums
from presence.passages import Passage
from presence.replay import replay
from presence.samples import Samples
from presence.settings import Settings
from presence.snapshot import Belief
from presence.stretches import Stretches
from presence.switching import LastMovement, SwitchingSums
from presence.truth import TruthLine
from presence.whereabouts import TRUTH_ENDS_AFTER, Whereabouts, instant

BATCH = 1024
"""Samples that are scored together."""
LOG, TRUTH = "<log>", "<truth>"
"""What faults call the two, whose files are not known here."""


@dataclass(frozen=True, slots=True)
class Scores:
    """What `evaluate` found; the first keys are those of the contract."""

    rooms: dict[str, float]
    at_home: dict[str, float]
    people: dict[str, float]
    direction: dict[str, float]
    switching: dict[str, float]
    timer: dict[str, float]
    covered: dict[str, Any]
    """What both log and truth cover."""
    timer_per_room: dict[str, Any]
    timer_table: list[dict[str, float]]
    switch_table: list[dict[str, float]]
    per_room: dict[str, dict[str, Any]]
    per_door: dict[str, dict[str, float]]
    reliability: list[dict[str, float]]
    confusion: dict[str, dict[str, float]]
    """For each true room, the share of samples for each room told, residents pooled."""
    worst: list[dict[str, Any]]
    """The longest stretches in which a room was told wrong."""

    def to_json(self) -> str:
        """As JSON; what could not be scored is null."""
        return json.dumps(self.to_mapping(), indent=2)

    def to_mapping(self) -> dict[str, Any]:
        """What JSON can say; what could not be scored is None."""
        return {key: _without_nan(value) for key, value in asdict(self).items()}


def evaluate(
    plan: Floorplan,
    log_events: Iterable[Event],
    truth_lines: Iterable[TruthLine],
    *,
    every: float = 60.0,
    settings: Settings | None = None,
    hypotheses: int = 16,
) -> Scores:
    """Replay a log and score what is believed against the truth, on a grid.

    Args:
        plan: the home.
        log_events: in order of time.
        truth_lines: in order of time.
        every: step of the grid, seconds.
        settings: rates and probabilities of the model.
        hypotheses: the largest number of hypotheses kept.

    Raises:
        LogError: if no instant is covered by both log and truth.
        SettingError, EventError: as `presence.replay.replay`.
    """
    scoring = Scoring(plan, truth_lines, every)
    events = scoring.watch(log_events)
    for line in replay(plan, events, every=every, settings=settings, hypotheses=hypotheses):
        if not scoring.line(line):
            break
    return scoring.scores()


class Scoring:
    """Takes in replay lines one by one.

    Args:
        plan: the home.
        truth_lines: in order of time.
        every: step of the grid, seconds.
        further: sums of other rules and timers that take in the same samples.
    """

    def __init__(
        self,
        plan: Floorplan,
        truth_lines: Iterable[TruthLine],
        every: float = 60.0,
        *,
        further: Sequence[SwitchingSums] = (),
    ) -> None:
        self.plan = plan
        self.every = every
        self.rooms = [room for room in plan.rooms if room != AWAY]
        self.truth = Whereabouts(plan, truth_lines)
        self.binary, self.count = BinarySums(len(self.rooms)), CountSums()
        self.switching = SwitchingSums(len(self.rooms))
        self.further = further
        self.confusion = np.zeros((len(plan.rooms), len(plan.rooms)), np.int64)
        self.direction = DirectionSums(plan)
        self.stretches = Stretches(self.rooms, every, plan.zone)
        self._movement = LastMovement(plan, self.rooms)
        self._pulled: deque[Event] = deque()
        self._first_event = math.inf
        self._rows = Samples()
        self._held: deque[Samples] = deque()
        """Full batches, while lines of the truth from their time on may turn out to be missing."""
        self._span: list[float] = []
        self._log_span: list[float] = []

    def watch(self, events: Iterable[Event]) -> Iterator[Event]:
        """Pass events through, noting what the timer and the door scores need."""
        for event in events:
            self._first_event = min(self._first_event, event.seconds)
            self._pulled.append(event)
            yield event

    def line(self, line: Line) -> bool:
        """Take in the next answer; False once the truth has ended."""
        if isinstance(line, Passage):
            self.direction.answer(line)
        elif isinstance(line, Belief):
            return self._sample(line)
        return True

    def _sample(self, belief: Belief) -> bool:
        seconds = belief.time.timestamp()
        self._log_span = [*self._log_span[:1], seconds]
        self._take_events(seconds)
        for passage in self.truth.advance(seconds):
            if passage.seconds >= self._first_event:
                self.direction.passage(passage)
        self.direction.settle(seconds)
        self._forget(self.truth.lost_since)
        if not self.truth.complete:
            return True
        if self.truth.ended and seconds - self.truth.latest > TRUTH_ENDS_AFTER:
            self._forget(self.truth.latest)
            return False
        if (not self.truth.ended or math.isnan(self.truth.latest)) and len(self._rows.seconds) >= BATCH:
            self._held.append(self._rows)
            self._rows = Samples()
        self._keep(belief, seconds)
        while self._held and self._held[0].seconds[-1] <= self.truth.known_until:
            self._score(self._held.popleft())
        return True

    def _take_events(self, seconds: float) -> None:
        """Take in the events up to an instant; the log is read one event ahead, perhaps by days."""
        while self._pulled and self._pulled[0].seconds <= seconds:
            event = self._pulled.popleft()
            self._movement.event(event)
            self.direction.event(event)

    def _keep(self, belief: Belief, seconds: float) -> None:
        rows, order = self._rows, list(self.plan.rooms)
        rows.seconds.append(seconds)
        rows.probability.append([belief.rooms[room] for room in self.rooms])
        rows.occupied.append(self.truth.heads[: len(self.rooms)] > 0)
        rows.told.append([order.index(max(p, key=p.__getitem__)) for p in belief.people.values()])
        rows.where.append([self.truth.where[person] for person in belief.people])
        rows.at_home.append(belief.at_home)
        rows.number.append(int(self.truth.heads[: len(self.rooms)].sum()))
        rows.ages.append(self._movement.ages(seconds))
        rows.known.append(not self.truth.lost)

    def _forget(self, after: float) -> None:
        """Score none of the waiting samples after an instant."""
        for rows in (*self._held, self._rows):
            rows.forget(after)

    def _score(self, rows: Samples) -> None:
        if not rows.seconds:
            return
        probability, occupied, known = np.array(rows.probability), np.array(rows.occupied), np.array(rows.known)
        for sums in (self.switching, *self.further):
            sums.add(probability, np.array(rows.ages), occupied, known)
        if not known.any():
            return
        seconds = np.array(rows.seconds)[known].tolist()
        self.binary.add(probability[known], occupied[known])
        self.stretches.add(seconds, probability[known], occupied[known])
        self.count.add(np.array(rows.at_home)[known], np.array(rows.number)[known])
        if rows.where[0]:
            np.add.at(self.confusion, (np.array(rows.where)[known], np.array(rows.told)[known]), 1)
        self._span = [(self._span or seconds)[0], seconds[-1]]

    def scores(self) -> Scores:
        """The scores of all that was taken in.

        Raises:
            LogError: if no instant is covered by both log and truth.
        """
        for rows in (*self._held, self._rows):
            self._score(rows)
        self._held, self._rows = deque(), Samples()
        self._take_events(math.inf)
        self.direction.finish()
        for sums in (self.switching, *self.further):
            sums.never_off = self._movement.never_off()
        if not self._span:
            odd = [Fault(TRUTH, *note) for note in self.truth.notes(self._log_span)]
            where = (TRUTH, self.truth.first_line) if self._log_span else (LOG, 0)
            raise LogError([Fault(*where, self.truth.no_instant(self._log_span)), *odd])
        switching, rooms, order = self.switching, self.rooms, list(self.plan.rooms)
        told = self.confusion.sum(axis=1)
        return Scores(
            rooms=self.binary.scores(),
            at_home=self.count.scores(),
            people={"accuracy": float(self.confusion.trace()) / (int(told.sum()) or math.nan)},
            direction=self.direction.scores(),
            switching=switching.switching(),
            timer=switching.best_timer(),
            covered=self._covered(),
            timer_per_room=switching.best_timer_per_room(rooms),
            timer_table=switching.timer_table(),
            switch_table=switching.switch_table(),
            per_room={room: self._room(i) for i, room in enumerate(rooms)},
            per_door={door: self.direction.per_door[door].scores() for door in sorted(self.direction.per_door)},
            reliability=self.binary.reliability(),
            confusion={
                true: {r: int(n) / int(told[i]) for r, n in zip(order, self.confusion[i], strict=True) if n}
                for i, true in enumerate(order)
                if told[i]
            },
            worst=self.stretches.longest(),
        )

    def _room(self, index: int) -> dict[str, Any]:
        outcomes = self.binary.outcomes[index]
        return {
            "occupied_share": float(outcomes[1].sum()) / int(outcomes.sum()),
            **self.binary.scores([index]),
            "switching": self.switching.room(index),
            "timer": self.switching.room_timer(index),
        }

    def _covered(self) -> dict[str, Any]:
        samples = self.count.samples
        return {
            "from": instant(self._span[0]),
            "to": instant(self._span[-1]),
            "samples": samples,
            "days": samples * self.every / 86400.0,
            "every": self.every,
            "log": [instant(t) for t in self._log_span],
            "truth": [instant(t) for t in self.truth.span],
            "notes": [note._asdict() for note in self.truth.notes(self._log_span)],
        }


def _without_nan(value: Any) -> Any:
    """NaN is not JSON."""
    if isinstance(value, dict):
        return {key: _without_nan(v) for key, v in value.items()}
    if isinstance(value, list):
        return [_without_nan(v) for v in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
