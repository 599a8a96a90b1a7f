"""The tracker's recent past, for whoever asks why: which steps it made, and a few snapshots to begin again from.

Steps cost next to nothing to keep; what happened inside them is worked out again only when somebody asks, and then kept
with them, so that it is worked out once.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from typing import Any, NamedTuple

from presence.events import Event
from presence.snapshot import Snapshot

LONGEST = 3600.0
"""Seconds of the past that are kept at least, as long as `MOST_STEPS` is not exceeded."""
MOST_STEPS = 512
LOOK_EVERY, LOOK_SELDOM = 300.0, 1800.0
"""Seconds between two looks at the sensors while one is suspected, and between two once nobody has spoken for so long.
Looks are at multiples of them: silences stay cut there."""
ANCHOR_EVERY, ANCHOR_LATEST = 32, 64
"""One snapshot is kept for so many steps (tens to hundreds of kilobytes each): the first that has no earlier ones in
`Snapshot.lately`, or else the last of these."""


def next_look(seconds: float, heard: float) -> float:
    """When the sensors are looked at next, where `heard` is the time of the last event (epoch seconds)."""
    look = (seconds // LOOK_EVERY + 1.0) * LOOK_EVERY
    return look if look <= heard + LOOK_SELDOM else (seconds // LOOK_SELDOM + 1.0) * LOOK_SELDOM


class Piece(NamedTuple):
    """A part of a step in which one thing happened."""

    what: str
    """`silence`, `event`, or what fell due: `expire`, `linger`, `listen`, `shut`, `still`, `unheard`, `witness`."""
    before: Snapshot
    after: Snapshot
    event: Event | None = None
    sensor: str | None = None


class Again(NamedTuple):
    """A step that was taken in again."""

    pieces: list[Piece]
    after: Snapshot


class Step(NamedTuple):
    """Time passed up to an instant, then an event came, or none."""

    seconds: float
    event: Event | None
    before: Snapshot | None
    """What was known when the step began, where that was kept."""
    again: list[Again]
    """What taking it in again gave; empty until somebody asks."""


class Record:
    """A bounded memory of the steps that no late event can change any more."""

    def __init__(self) -> None:
        self._steps: deque[Step] = deque()
        self._since_anchor = 0
        self.heard = -math.inf
        """When the latest of its events came, epoch seconds."""

    def __getstate__(self) -> dict[str, Any]:
        """Without what was worked out for questions: many times as large, and worked out again for the next."""
        return vars(self) | {"_steps": deque(step._replace(again=[]) for step in self._steps)}

    def add(self, seconds: float, event: Event | None, before: Snapshot) -> None:
        """Note a step; two silences in a row are one, but for where there was a look at the sensors."""
        last = self._steps[-1] if self._steps else None
        if event is not None:
            self.heard = seconds
        if event is None and last is not None and last.event is None and last.seconds % LOOK_EVERY:
            self._steps[-1] = last._replace(seconds=seconds, again=[])
            return
        anchored = last is None or self._since_anchor + 1 >= (ANCHOR_LATEST if before.lately else ANCHOR_EVERY)
        self._steps.append(Step(seconds, event, before if anchored else None, []))
        self._since_anchor = 0 if anchored else self._since_anchor + 1
        self._forget(seconds - LONGEST)

    def _forget(self, horizon: float) -> None:
        """Drop the oldest steps, an anchor and all that hangs on it at a time."""
        while (second := next((n for n, step in enumerate(self._steps) if n and step.before is not None), 0)) and (
            len(self._steps) > MOST_STEPS or self._steps[second - 1].seconds < horizon
        ):
            for _ in range(second):
                self._steps.popleft()

    def with_latest(self, latest: Iterable[tuple[float, Event | None, Snapshot]]) -> list[Step]:
        """All steps kept, the oldest first, and after them those that a late event could still change."""
        return [*self._steps, *(Step(*step, []) for step in latest)]
