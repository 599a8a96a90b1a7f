"""Scores of door passages: which true passage belongs to which door event, and what was answered about it.

Unlocking a door and opening it are one event. A passage belongs to an opening; the closing that ends an opening is for
who passes when the opening has been given to another: who comes back, or goes with the first.
"""

from __future__ import annotations

import math
from array import array
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from presence.events import Event
from presence.floorplan import Floorplan
from presence.metrics import TINY
from presence.passages import Passage

WINDOW = 60.0
"""Seconds for which a passage may follow the opening that it belongs to, or come before the closing."""
LATE = 10.0
"""Seconds by which the report of an opening may come after the passage, or a passage after the report of a closing."""
UNLOCKING = 30.0
"""Seconds within which a door that was unlocked is opened: no event of its own. Common practice, no source."""
PASSAGE_KINDS = ("contact", "lock")
ENDING = {"closed": "open", "locked": "unlocked"}
KEPT = 7200.0
"""Seconds for which answers wait for a true passage, and a true passage for its final answer."""
LONGEST = 3600.0
"""Seconds after which passages and events of one door are matched although more keep coming."""


@dataclass(frozen=True, slots=True)
class TruePassage:
    """Somebody went through one of these doors (more than one where several doors join the two rooms)."""

    seconds: float
    doors: tuple[str, ...]
    direction: str
    """`a>b`."""


@dataclass(frozen=True, slots=True)
class DoorEvent:
    """An event that may belong to a passage."""

    seconds: float
    door: str
    kind: str = "contact"
    """Of the sensor."""
    ending: bool = False
    """Whether it ends an opening."""
    since: float = -math.inf
    """When that opening was told, if it was."""


@dataclass(slots=True)
class DoorSums:
    """Running sums of one door, or of all."""

    passages: int = 0
    covered: int = 0
    answered: int = 0
    right_at_once: int = 0
    finals: int = 0
    right: int = 0
    surprise: float = 0.0

    def scores(self) -> dict[str, float]:
        """Shares; NaN where there was nothing to share."""
        finals = self.finals or math.nan
        return {
            "passages": self.passages,
            "accuracy_at_once": self.right_at_once / (self.answered or math.nan),
            "accuracy": self.right / finals,
            "log_loss": self.surprise / finals,
            "covered_share": self.covered / (self.passages or math.nan),
        }


def match(passages: Sequence[TruePassage], events: Sequence[DoorEvent]) -> list[tuple[TruePassage, DoorEvent | None]]:
    """Give each passage the door event nearest in time that it can belong to: openings first, then what ends them.

    Closest pairs first, each event once.
    """
    found: dict[int, int] = {}
    used: set[int] = set()
    pairs = sorted(
        (event.ending, abs(p.seconds - event.seconds), i, j)
        for i, p in enumerate(passages)
        for j, event in enumerate(events)
        if event.door in p.doors and _belong(p, event)
    )
    for _, _, i, j in pairs:
        if i not in found and j not in used:
            found[i] = j
            used.add(j)
    return [(p, events[found[i]] if i in found else None) for i, p in enumerate(passages)]


def _belong(passage: TruePassage, event: DoorEvent) -> bool:
    """Whether somebody can have passed by this opening, or before this closing but not before what it ends."""
    after = passage.seconds - event.seconds
    return passage.seconds >= event.since - LATE and -LATE <= (-after if event.ending else after) <= WINDOW


@dataclass(slots=True)
class DirectionSums:
    """Takes in door events, true passages and answers in order of time; holds only what is still open.

    An answer is right if the true direction is the likelier of its two; `log_loss` is the mean of -log of the true
    direction's probability in the final answer. The delay is from the door event to the first answer from which on
    every answer was right.
    """

    plan: Floorplan
    per_door: dict[str, DoorSums] = field(default_factory=dict)
    delays: array[float] = field(default_factory=lambda: array("d"))
    _open: dict[frozenset[str], tuple[list[TruePassage], list[DoorEvent]]] = field(default_factory=dict)
    """What is not matched yet, by the two rooms that the door joins."""
    _begun: dict[str, tuple[str, float]] = field(default_factory=dict)
    """What each sensor said last, and since when."""
    _answers: dict[tuple[str, float], list[Passage]] = field(default_factory=dict)
    _waiting: deque[tuple[TruePassage, DoorEvent]] = field(default_factory=deque)

    def passage(self, passage: TruePassage) -> None:
        """Take in a true passage."""
        self._between(passage.doors[0])[0].append(passage)

    def event(self, event: Event) -> None:
        """Take in an event of the log; all but those of doors are passed over."""
        sensor = self.plan.sensors[event.sensor]
        if sensor.door is None or sensor.kind not in PASSAGE_KINDS or event.value in ("offline", "online"):
            return
        ended, (begun, since) = ENDING.get(event.value), self._begun.get(sensor.id, ("", event.seconds))
        self._begun[sensor.id] = event.value, since if event.value == begun else event.seconds
        ending = ended is not None and begun == ended
        if ending and self.plan.contacts[sensor.door].id != sensor.id:
            return
        events = self._between(sensor.door)[1]
        if event.value == "open":
            early = event.seconds - UNLOCKING
            events[:] = [e for e in events if e.door != sensor.door or e.kind != "lock" or e.seconds < early]
        events.append(DoorEvent(event.seconds, sensor.door, sensor.kind, ending, since if ending else -math.inf))

    def answer(self, passage: Passage) -> None:
        """Take in an answer."""
        if not passage.inferred:
            self._answers.setdefault((passage.door, passage.time.timestamp()), []).append(passage)

    def settle(self, now: float) -> None:
        """Match what no later event can touch any more, and score what has its final answer."""
        for key, (passages, events) in list(self._open.items()):
            times = [*(p.seconds for p in passages), *(e.seconds for e in events)]
            if max(times) < now - WINDOW or min(times) < now - LONGEST:
                self._match(key)
        while self._waiting and (self._is_final(self._waiting[0][1]) or self._waiting[0][1].seconds < now - KEPT):
            self._score(*self._waiting.popleft())
        while self._answers and next(iter(self._answers))[1] < now - 2 * KEPT:
            del self._answers[next(iter(self._answers))]

    def finish(self) -> None:
        """Match and score what is left, with the answers that there are."""
        for key in list(self._open):
            self._match(key)
        while self._waiting:
            self._score(*self._waiting.popleft())

    def scores(self) -> dict[str, float]:
        """The scores over all doors."""
        total = DoorSums()
        for sums in self.per_door.values():
            for name in DoorSums.__slots__:
                setattr(total, name, getattr(total, name) + getattr(sums, name))
        delay = float(np.median(np.frombuffer(self.delays))) if self.delays else math.nan
        return {**total.scores(), "median_delay_s": delay}

    def _is_final(self, event: DoorEvent) -> bool:
        return any(a.final for a in self._answers.get((event.door, event.seconds), ()))

    def _between(self, door: str) -> tuple[list[TruePassage], list[DoorEvent]]:
        return self._open.setdefault(frozenset(self.plan.doors[door].between), ([], []))

    def _match(self, key: frozenset[str]) -> None:
        """Match what belongs to a door so far."""
        for passage, event in match(*self._open.pop(key)):
            door = event.door if event is not None else passage.doors[0]
            self.per_door.setdefault(door, DoorSums()).passages += 1
            if event is not None:
                self.per_door[door].covered += 1
                self._waiting.append((passage, event))

    def _score(self, passage: TruePassage, event: DoorEvent) -> None:
        answers = _of_one_report(self._answers.get((event.door, event.seconds), []))
        sums = self.per_door[event.door]
        right = [a.likeliest == passage.direction for a in answers]
        if answers:
            sums.answered += 1
            sums.right_at_once += right[0]
        if answers and answers[-1].final:
            sums.finals += 1
            sums.right += right[-1]
            sums.surprise -= math.log(max(TINY, answers[-1].directions[passage.direction]))
        if answers and right[-1]:
            first = len(right) - next((i for i, r in enumerate(reversed(right)) if not r), len(right))
            self.delays.append(answers[first].decided.timestamp() - event.seconds)


def _of_one_report(answers: list[Passage]) -> list[Passage]:
    """The first answer and the final one about the report that somebody most likely passed by, if they are of several.

    Reports of one door in one instant, such as of two contacts or in a log of whole seconds, have answers of one time.
    """
    finals = [answer for answer in answers if answer.final]
    if len(finals) < 2:
        return answers
    at_once = [answer for answer in answers if answer.decided == answer.time]
    return [min(told, key=lambda answer: answer.nobody) for told in (at_once, finals) if told]
