"""The truth as time goes on: where everybody is, and through which doors they went."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from itertools import chain

import numpy as np

from presence.direction import TruePassage
from presence.floorplan import Floorplan
from presence.replay import rfc3339
from presence.truth import TruthLine

TRUTH_ENDS_AFTER = 43200.0
"""A log that goes on this long after the truth's last line is longer than its truth; else the last rooms hold."""
NOTABLE = 3600.0
"""Seconds that only one of the two covers, from which it is said."""
MOST_NOTES = 20


class Whereabouts:
    """Takes in truth lines as their time comes; a person is where their latest line says.

    Args:
        plan: the home.
        lines: in order of time.
    """

    def __init__(self, plan: Floorplan, lines: Iterable[TruthLine]) -> None:
        self.plan = plan
        self.index = {room: i for i, room in enumerate(plan.rooms)}
        self.missing = list(plan.people)
        self.where: dict[str, int] = {}
        self.heads = np.zeros(len(plan.rooms), np.int64)
        """How many people are in each room."""
        self.first = self.latest = math.nan
        self.jumps: list[str] = []
        """Moves between rooms that no door joins; the first few."""
        self._lines = iter(lines)
        self._next = next(self._lines, None)

    @property
    def complete(self) -> bool:
        """Whether every resident has had a line."""
        return not self.missing and bool(self.where or not self.plan.people)

    @property
    def span(self) -> tuple[float, float]:
        """Epoch seconds of the first line and of the latest that was taken in; of the first to come before that."""
        if math.isnan(self.first) and self._next is not None:
            return self._next.time.timestamp(), math.nan
        return self.first, self.latest

    @property
    def ended(self) -> bool:
        """Whether the last line has been taken in."""
        return self._next is None

    def advance(self, seconds: float) -> list[TruePassage]:
        """Take in the lines up to an instant; the passages among them, once every resident has had a line."""
        passages = []
        while self._next is not None and (at := self._next.time.timestamp()) <= seconds:
            line, self._next = self._next, next(self._lines, None)
            begun = self.complete
            old, new = self.where.get(line.person), self.index[line.room]
            self.first, self.latest = (at if math.isnan(self.first) else self.first), at
            self.where[line.person] = new
            self.heads[new] += 1
            if line.person in self.missing:
                self.missing.remove(line.person)
            if old is None:
                continue
            self.heads[old] -= 1
            a, b = list(self.plan.rooms)[old], line.room
            doors = tuple(d.id for d in self.plan.doors.values() if set(d.between) == {a, b})
            if old != new and not doors and len(self.jumps) < MOST_NOTES:
                self.jumps.append(f"{line.person} goes from {a} to {b} at {rfc3339(line.time)}, which no door joins")
            if begun and old != new and doors:
                passages.append(TruePassage(at, (line.door,) if line.door in doors else doors, f"{a}>{b}"))
        return passages

    def notes(self, log: Sequence[float]) -> list[str]:
        """What keeps parts of log and truth from being scored together, after the last instant of the log.

        Args:
            log: epoch seconds of the first and the last instant of the log that the grid has.
        """
        notes = list(self.jumps)
        if log and self.first - log[0] > NOTABLE:
            notes.append(f"begins {_hours(self.first - log[0])} after the log; what came before is not scored")
        last = self.latest
        for line in chain([self._next] if self._next is not None else [], self._lines):
            last = line.time.timestamp()
        if log and last - log[-1] > NOTABLE:
            notes.append(f"goes on for {_hours(last - log[-1])} after the log; what comes after is not scored")
        if log and log[-1] - last > TRUTH_ENDS_AFTER:
            notes.append(f"ends long before the log does; scored up to its last line at {_utc(last)}")
        return notes


def _hours(seconds: float) -> str:
    return f"{seconds / 3600:.1f} h"


def _utc(seconds: float) -> str:
    return rfc3339(datetime.fromtimestamp(seconds, UTC))
