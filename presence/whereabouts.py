"""The truth as time goes on: where everybody is, and through which doors they went."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import chain
from typing import NamedTuple

import numpy as np

from presence.direction import TruePassage
from presence.errors import closest, shown
from presence.floorplan import Floorplan
from presence.times import rfc3339, utc
from presence.truth import TruthLine

TRUTH_ENDS_AFTER = 43200.0
"""A log that goes on this long after the truth's last line is longer than its truth; else the last rooms hold."""
NOTABLE = 3600.0
"""Seconds that only one of the two covers, from which it is said."""
MOST_NOTES = 20
"""Notes of one truth that are given."""
LIKE_A_RESIDENT = 0.8
"""Likeness from which the id of somebody who is not in the plan may be a resident's misspelt."""


class Note(NamedTuple):
    """Something about a truth that a person should look at."""

    line: int
    """Of the truth file; 0 where there is none."""
    text: str


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
        self._notes: list[Note] = []
        self._line_of: dict[str, int] = {}
        """Of each person's latest line."""
        self._first_line = self._latest_line = 0
        self._whole: tuple[float, int, str] | None = None
        """When the last resident to have a line had their first, in which line, and who it is."""
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
    def first_line(self) -> int:
        """Where the first line stands in its file."""
        return self._first_line or (self._next.line if self._next is not None else 0)

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
            self._check(line, old)
            if math.isnan(self.first):
                self.first, self._first_line = at, line.line
            self.latest, self._latest_line = at, line.line
            self.where[line.person] = new
            self.heads[new] += 1
            if line.person in self.missing:
                self.missing.remove(line.person)
                self._whole = at, line.line, line.person
            if old is None:
                continue
            self.heads[old] -= 1
            doors = self._doors(old, line.room)
            if begun and old != new and doors:
                direction = f"{list(self.plan.rooms)[old]}>{line.room}"
                passages.append(TruePassage(at, (line.door,) if line.door in doors else doors, direction))
        return passages

    def _doors(self, old: int, new: str) -> tuple[str, ...]:
        ends = {list(self.plan.rooms)[old], new}
        return tuple(d.id for d in self.plan.doors.values() if set(d.between) == ends)

    def _check(self, line: TruthLine, old: int | None) -> None:
        """Note what is odd about the next line."""
        before = self._line_of.get(line.person, 0)
        self._line_of[line.person] = line.line
        if old is None and line.person not in self.plan.people:
            if like := closest(line.person, self.plan.people, at_least=LIKE_A_RESIDENT):
                what = f"{shown(line.person)} is not in the plan and counts as a visitor; did you mean {shown(like)}?"
                self._note(line.line, what)
        elif before > line.line > 0:
            what = f"goes back in time: {line.person}'s line {line.line} is later; taken in order of time"
            self._note(before, what)
        if old is not None and old != self.index[line.room] and not self._doors(old, line.room):
            a, when = list(self.plan.rooms)[old], rfc3339(line.time)
            self._note(line.line, f"{line.person} goes from {a} to {line.room} at {when}, which no door joins")

    def _note(self, line: int, text: str) -> None:
        if len(self._notes) < MOST_NOTES:
            self._notes.append(Note(line, text))

    def notes(self, log: Sequence[float]) -> list[Note]:
        """What is odd about the truth, and what keeps parts of it and the log from being scored together.

        Call it after the last instant of the log.

        Args:
            log: epoch seconds of the first and the last instant of the log that the grid has.
        """
        notes = list(self._notes)
        begin = log[0] if log else math.nan
        if self.first - begin > NOTABLE:
            text = f"begins {_hours(self.first - begin)} after the log; what came before is not scored"
            notes.append(Note(self._first_line, text))
        if self._whole is not None and not self.missing:
            at, number, person = self._whole
            if (lost := at - max(self.first, begin)) > NOTABLE:
                text = f"is the first line of {person}; the {_hours(lost)} before it are not scored"
                notes.append(Note(number, text))
        last, number = self.latest, self._latest_line
        for line in chain([self._next] if self._next is not None else [], self._lines):
            last, number = line.time.timestamp(), line.line
        if log and last - log[-1] > NOTABLE:
            text = f"goes on for {_hours(last - log[-1])} after the log; what comes after is not scored"
            notes.append(Note(number, text))
        if log and log[-1] - last > TRUTH_ENDS_AFTER:
            text = f"ends long before the log does; scored up to its last line at {instant(last)}"
            notes.append(Note(number, text))
        return notes


def _hours(seconds: float) -> str:
    return f"{seconds / 3600:.1f} h"


def instant(seconds: float) -> str:
    """Epoch seconds as an RFC 3339 time in UTC; empty where there is none (NaN)."""
    return "" if math.isnan(seconds) else rfc3339(utc(seconds))
