"""The truth as time goes on: where everybody is, and through which doors they went."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from presence.direction import TruePassage
from presence.floorplan import Floorplan
from presence.truth import TruthLine


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
            if begun and old != new and doors:
                passages.append(TruePassage(at, (line.door,) if line.door in doors else doors, f"{a}>{b}"))
        return passages
