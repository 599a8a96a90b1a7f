"""Truth files: who was where from when on, for scores and for checks of a simulator."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

from presence.errors import Fault, LogError, did_you_mean, shown
from presence.reading import Source, name_of, offset_of, parse_object, parse_time, read_lines, text_field

if TYPE_CHECKING:
    from presence.floorplan import Floorplan

MOST_FAULTS = 100
"""Faults of one truth file that are named; the rest is counted."""


@dataclass(frozen=True, slots=True)
class TruthLine:
    """From `time` on, `person` is in `room`; they came through `door` where that is known."""

    time: datetime
    person: str
    room: str
    door: str | None = None
    line: int = field(default=0, compare=False)
    """Where it stands in its file, from 1; 0 where it is in none."""
    offset: str = field(default="", compare=False, repr=False)
    """The offset of its time as written, `Z` as `+00:00`."""


def read_truth(source: Source, plan: Floorplan | None = None) -> list[TruthLine]:
    """The lines of a truth file (JSON Lines, plain or gzip), sorted by time.

    Args:
        source: a path, or lines.
        plan: the home, to check rooms and doors against.

    Raises:
        LogError: naming every fault; a truth with a bad line is not to be trusted.
    """
    found: list[TruthLine] = []
    faults = _Faults(name_of(source))
    where: dict[tuple[str, datetime], str] = {}
    for line in _lines(source, plan, faults):
        if where.setdefault((line.person, line.time), line.room) == line.room:
            found.append(line)
        else:
            faults.add(line.line, _two_rooms(line.person))
    faults.refuse(len(found), plan)
    return sorted(found, key=lambda line: line.time)


def stream_truth(path: str | os.PathLike[str], plan: Floorplan | None = None) -> Iterator[TruthLine]:
    """What `read_truth` gives, with memory that does not grow: the file is checked whole, then read a second time.

    A file that is not in order of time is sorted in memory; so is a pipe, which can be read once only.

    Raises:
        LogError: naming every fault, before the first line is given.
    """
    try:
        twice = stat.S_ISREG(os.stat(path).st_mode)  # noqa: PTH116, a path may be any text
    except (OSError, ValueError):
        twice = False  # reading it says what is wrong
    if not twice or not _checked_in_order(path, plan):
        yield from read_truth(path, plan)
        return
    faults = _Faults(name_of(path))
    yield from _lines(path, plan, faults)
    faults.refuse(1, plan)


def _checked_in_order(path: str | os.PathLike[str], plan: Floorplan | None) -> bool:
    """Whether a truth file is in order of time; if so, every fault in it is raised."""
    faults = _Faults(name_of(path))
    latest: dict[str, tuple[datetime, str]] = {}
    before: TruthLine | None = None
    for line in _lines(path, plan, faults):
        if before is not None and line.time < before.time:
            return False
        time, room = latest.get(line.person, (None, ""))
        if time == line.time and room != line.room:
            faults.add(line.line, _two_rooms(line.person))
        latest[line.person] = line.time, line.room
        before = line
    faults.refuse(len(latest), plan)
    return True


class _Faults:
    """What is wrong in one file, counted beyond the first so many."""

    def __init__(self, path: str) -> None:
        self.path, self.named, self.more = path, list[Fault](), 0

    def add(self, line: int, message: str) -> None:
        """Take one in."""
        if len(self.named) < MOST_FAULTS:
            self.named.append(Fault(self.path, line, message))
        else:
            self.more += 1

    def refuse(self, lines: int, plan: Floorplan | None) -> None:
        """Raise them, if there is any; a file without a line is one, unless nobody lives there."""
        if not lines and not self.named and (plan is None or plan.people):
            self.add(1, "no line in this truth file; where everybody is at first would be right")
        if self.named:
            rest = [Fault(self.path, 0, f"and {self.more} faults more")] if self.more else []
            raise LogError([*self.named, *rest])


def _lines(source: Source, plan: Floorplan | None, faults: _Faults) -> Iterator[TruthLine]:
    """The good lines as they stand."""
    for number, text, problem in read_lines(source, only="a truth in JSON Lines, plain or gzip,"):
        if problem is None and not text.strip():
            continue
        try:
            if problem is not None:
                raise ValueError(problem)
            yield _line(parse_object(text), plan, number)
        except ValueError as error:
            faults.add(number, str(error))


def _two_rooms(person: str) -> str:
    return f"{shown(person)} is already in another room at this very time; one would be right"


def _line(fields: Mapping[str, Any], plan: Floorplan | None, number: int) -> TruthLine:
    unknown = [key for key in fields if key not in ("time", "person", "room", "door")]
    if unknown:
        hint = " (is this a log?)" if "sensor" in unknown else ""
        raise ValueError(f"unknown key {shown(unknown[0])}; time, person, room and optional door would be right{hint}")
    door = None if fields.get("door") is None else text_field(fields, "door")
    time, person, room = (text_field(fields, key) for key in ("time", "person", "room"))
    line = TruthLine(parse_time(time), person, room, door, number, offset_of(time))
    if plan is not None:
        _known("room", line.room, plan.rooms)
        if door is not None:
            _known("door", door, plan.doors)
            if room not in plan.doors[door].between:
                ends = " and ".join(plan.doors[door].between)
                raise ValueError(f"door {shown(door)} joins {ends}, not {shown(room)}; another door would be right")
        if line.person in plan.pets:
            raise ValueError(f"{shown(line.person)} is a pet; only people have truth lines")
    return line


def _known(kind: str, name: str, known: Mapping[str, object]) -> None:
    if name in known:
        return
    raise ValueError(f"unknown {kind} {shown(name)}; {did_you_mean(name, known)}")
