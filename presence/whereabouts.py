"""The truth as time goes on: where everybody is, and through which doors they went.

Where somebody stays in one room at home for longer than anybody does, lines are missing. Nothing tells for how much of
that the room still held, so none of it is scored, from the last line on: what nobody can check is no score. In a plan
where people need not leave a room to eat, sleep and wash, a day and more in it is nothing odd.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from itertools import chain
from typing import NamedTuple

import numpy as np

from presence.direction import TruePassage
from presence.errors import closest, shown
from presence.floorplan import AWAY, Floorplan
from presence.simulate.rooms import BED, KITCHEN, TOILET, functions_of
from presence.times import rfc3339, utc
from presence.truth import TruthLine

TRUTH_ENDS_AFTER = 43200.0
"""A log that goes on this long after the truth's last line is longer than its truth; else the last rooms hold."""
ENDS_EARLY = 21600.0
"""Seconds by which a truth ends before its log from which it is said, unless nobody need have moved in the log."""
LONGEST_STAY = 64800.0
"""Seconds after which lines of whoever is in one room at home are missing, if it cannot be lived in alone. Common
practice, no source; in simulated lives nobody stays for more than 13.1 h."""
NOTABLE = 3600.0
"""Seconds that only one of the two covers, from which it is said."""
MOST_NOTES = 20
"""Notes on single lines of one truth that are given; the rest is counted."""
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
        self._more: Note | None = None
        """The first note that is not given; how many there are stands in `_untold`."""
        self._untold = 0
        self._since: dict[str, tuple[float, int]] = {}
        """When each person's latest line was, and where it stands."""
        self.lost = False
        """Whether lines are missing at the latest instant that was asked for."""
        self.lost_since = math.inf
        """From when on they were missing up to then, or to a line since the instant before; infinite: they are not."""
        self._may_stay = math.inf if _is_one_room_enough(plan) else LONGEST_STAY
        self._begin = self._first_move = math.nan
        """The first instant that was asked for; when somebody first went from one room to another."""
        self._crowd = plan.visitors
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
    def known_until(self) -> float:
        """Instants up to this one are told for good: should lines turn out to be missing, they are later ones."""
        return math.inf if self.lost or math.isinf(self._may_stay) else self._longest_since()

    def _longest_since(self) -> float:
        """Since when whoever has been in one room at home for longest is there; infinite where nobody is at home."""
        return min((at for person, (at, _) in self._since.items() if self._is_home(person)), default=math.inf)

    def _told_until(self, seconds: float) -> float:
        """The last moment up to an instant of which the truth may have told; what follows its end is no gap in it."""
        return min(seconds, self.latest) if self.ended else seconds

    def _is_home(self, person: str) -> bool:
        return self.where[person] != self.index[AWAY]

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
        """Take in the lines up to an instant; the passages among them, once every resident has had a line.

        A move after missing lines is no passage: nobody knows from where it was.
        """
        self._begin = seconds if math.isnan(self._begin) else self._begin
        passages: list[TruePassage] = []
        gaps = [math.inf]
        while self._next is not None and (at := self._next.time.timestamp()) <= seconds:
            line, self._next = self._next, next(self._lines, None)
            gap, old, new = self._is_gap(line.person, at), self.where.get(line.person), self.index[line.room]
            known = self.complete and not gap
            gaps += [self._since[line.person][0]] if gap else []
            self._check(line, at, old)
            if math.isnan(self.first):
                self.first, self._first_line = at, line.line
            self.latest, self._latest_line = at, line.line
            self.where[line.person], self._since[line.person] = new, (at, line.line)
            self.heads[new] += 1
            if line.person in self.missing:
                self.missing.remove(line.person)
                self._whole = at, line.line, line.person
            if old is None:
                continue
            self.heads[old] -= 1
            if old != new and math.isnan(self._first_move):
                self._first_move = at
            doors = self._doors(old, line.room)
            if known and old != new and doors:
                direction = f"{list(self.plan.rooms)[old]}>{line.room}"
                passages.append(TruePassage(at, (line.door,) if line.door in doors else doors, direction))
        self.lost = self._told_until(seconds) - self._longest_since() > self._may_stay
        self.lost_since = min(*gaps, self._longest_since() if self.lost else math.inf)
        return passages

    def _is_gap(self, person: str, until: float) -> bool:
        """Whether somebody has been in one room at home for too long without a line."""
        return person in self.where and self._is_home(person) and until - self._since[person][0] > self._may_stay

    def _doors(self, old: int, new: str) -> tuple[str, ...]:
        ends = {list(self.plan.rooms)[old], new}
        return tuple(d.id for d in self.plan.doors.values() if set(d.between) == ends)

    def _check(self, line: TruthLine, at: float, old: int | None) -> None:
        """Note what is odd about the next line."""
        who, rooms = line.person, list(self.plan.rooms)
        since, before = self._since.get(who, (at, 0))
        if old is None and who not in self.plan.people:
            self._check_stranger(line)
        elif before > line.line > 0:
            self._note(before, f"goes back in time: {who}'s line {line.line} is later; taken in order of time")
        if who not in self.plan.people and line.room != AWAY:
            self._check_crowd(line)
        if self._is_gap(who, at):
            if at > self._begin:
                self._note(before, self._gap(who, at - since, "their next line"))
        elif old is not None and rooms[old] != line.room:
            move = f"{who} goes from {rooms[old]} to {line.room} at {rfc3339(line.time)}"
            if not (doors := self._doors(old, line.room)):
                self._note(line.line, f"{move}, which no door joins")
            elif line.door is not None and line.door not in doors:
                right = " or ".join(shown(door) for door in doors)
                self._note(line.line, f"{move}, which door {shown(line.door)} does not join; taken as {right}")

    def _check_stranger(self, line: TruthLine) -> None:
        """Note somebody who is not in the plan: a resident's id misspelt, or a visitor where there can be none."""
        like = closest(line.person, self.plan.people, at_least=LIKE_A_RESIDENT)
        if like is None and self.plan.visitors:
            return
        what = "and counts as a visitor" if self.plan.visitors else "which allows for no visitor"
        right = f"did you mean {shown(like)}?" if like else "`visitors: 1` in it would be right"
        between = " " if self.plan.visitors else ", "
        self._note(line.line, f"{shown(line.person)} is not in the plan{between}{what}; {right}")

    def _check_crowd(self, line: TruthLine) -> None:
        """Note more visitors at once than the plan allows for; of a plan that allows for none, each is noted."""
        others = {who for who in self.where if who not in self.plan.people and self._is_home(who)}
        if 0 < self._crowd < (there := len(others | {line.person})):
            self._crowd = 0  # said once
            allowed = f"the plan allows for {self.plan.visitors}; `visitors: {there}` in it, or more, would be right"
            self._note(line.line, f"is one of {there} visitors at once, and {allowed}")

    def _gap(self, person: str, seconds: float, until: str) -> str:
        room, length = list(self.plan.rooms)[self.where[person]], _hours(seconds)
        return (
            f"{person} is in {room} for {length} without a line, which is too long to be so; what lies between this"
            f" line and {until} is not scored (if it is so, a line that says it again every {_hours(LONGEST_STAY)}"
            " would be right)"
        )

    def _note(self, line: int, text: str) -> None:
        if len(self._notes) < MOST_NOTES:
            self._notes.append(Note(line, text))
        else:
            self._more, self._untold = self._more or Note(line, text), self._untold + 1

    def notes(self, log: Sequence[float]) -> list[Note]:
        """What is odd about the truth, and what keeps parts of it and the log from being scored together.

        Call it after the last instant of the log.

        Args:
            log: epoch seconds of the first and the last instant of the log that the grid has.
        """
        notes = list(self._notes)
        begin, end = (log[0], log[-1]) if log else (math.nan, math.nan)
        until = self._told_until(end)
        for person, (since, number) in self._since.items():
            if self._is_gap(person, until):
                notes.append(Note(number, self._gap(person, until - since, "the log's end")))
        if self.first - begin > NOTABLE:
            text = f"begins {_hours(self.first - begin)} after the log; what came before is not scored"
            notes.append(Note(self._first_line, text))
        if begin - self._first_move > NOTABLE:
            text = f"begins {_hours(begin - self.first)} before the log; what came before is not scored"
            notes.append(Note(self._first_line, text))
        if self._whole is not None and not self.missing:
            at, number, person = self._whole
            if (lost := at - max(self.first, begin)) > NOTABLE:
                text = f"is the first line of {person}; the {_hours(lost)} before it are not scored"
                notes.append(Note(number, text))
        return [*notes, *self._end_notes(begin, end), *self._rest()]

    def _end_notes(self, begin: float, end: float) -> Iterator[Note]:
        """What is to be said where log and truth do not end together; takes in what is left of the lines."""
        last, number = self.latest, self._latest_line
        for line in chain([self._next] if self._next is not None else [], self._lines):
            last, number = line.time.timestamp(), line.line
        if last - end > NOTABLE:
            yield Note(number, f"goes on for {_hours(last - end)} after the log; what comes after is not scored")
        if end - last > TRUTH_ENDS_AFTER:
            yield Note(number, f"ends long before the log does; scored up to its last line at {instant(last)}")
        elif end - last > ENDS_EARLY and last >= begin and not math.isinf(self.known_until):
            hold = "the last rooms are taken to hold until the log ends"
            yield Note(number, f"ends {_hours(end - last)} before the log; {hold}")

    def _rest(self) -> Iterator[Note]:
        """How many notes on single lines are not given."""
        if self._more is not None:
            yield Note(self._more.line, f"and {self._untold} more from here on")

    def no_instant(self, log: Sequence[float]) -> str:
        """Why no instant is covered by log and truth; the arguments are those of `notes`."""
        if not log:
            short = "the log is too short for one instant of the grid; events on both sides of one would be right"
            return f"no instant is covered: {short}"
        begin, end = self.span
        truth = "without a line" if math.isnan(begin) else f"{instant(begin)} to {instant(end) or 'later'}"
        missing = f"; no line by then of {', '.join(self.missing)}" if self.missing else ""
        told = " to ".join(instant(t) for t in log)
        return f"no instant is covered by both log and truth (log: {told}; truth: {truth}{missing})"


def _is_one_room_enough(plan: Floorplan) -> bool:
    """Whether people sleep where they eat, and the plan shows no toilet, as far as it says what rooms are for."""
    rooms = functions_of(plan)
    return bool(set(rooms[KITCHEN]) & set(rooms[BED])) and set(rooms[KITCHEN]) >= set(rooms.get(TOILET, ()))


def _hours(seconds: float) -> str:
    return f"{seconds / 3600:.1f} h"


def instant(seconds: float) -> str:
    """Epoch seconds as an RFC 3339 time in UTC; empty where there is none (NaN)."""
    return "" if math.isnan(seconds) else rfc3339(utc(seconds))
