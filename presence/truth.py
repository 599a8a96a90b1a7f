"""Truth files: who was where from when on, for scores and for checks of a simulator."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from presence.errors import Fault, LogError, did_you_mean, shown
from presence.reading import Source, name_of, parse_object, parse_time, read_lines, text_field

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


def read_truth(source: Source, plan: Floorplan | None = None) -> list[TruthLine]:
    """The lines of a truth file (JSON Lines, plain or gzip), sorted by time.

    Args:
        source: a path, or lines.
        plan: the home, to check rooms and doors against.

    Raises:
        LogError: naming every fault; a truth with a bad line is not to be trusted.
    """
    path = name_of(source)
    found: list[TruthLine] = []
    faults: list[Fault] = []
    where: dict[tuple[str, datetime], str] = {}
    for number, text, problem in read_lines(source):
        if problem is None and not text.strip():
            continue
        try:
            if problem is not None:
                raise ValueError(problem)
            line = _line(parse_object(text), plan)
            if where.setdefault((line.person, line.time), line.room) != line.room:
                raise ValueError(
                    f"{shown(line.person)} is already in another room at this very time; one would be right"
                )
            found.append(line)
        except ValueError as error:
            faults.append(Fault(path, number, str(error)))
    if not found and not faults:
        faults.append(Fault(path, 1, "no line in this truth file; where everybody is at first would be right"))
    if faults:
        more = len(faults) - MOST_FAULTS
        rest = [Fault(path, 0, f"and {more} faults more")] if more > 0 else []
        raise LogError([*faults[:MOST_FAULTS], *rest])
    return sorted(found, key=lambda line: line.time)


def _line(fields: Mapping[str, Any], plan: Floorplan | None) -> TruthLine:
    unknown = [key for key in fields if key not in ("time", "person", "room", "door")]
    if unknown:
        raise ValueError(f"unknown key {shown(unknown[0])}; time, person, room and optional door would be right")
    door = None if fields.get("door") is None else text_field(fields, "door")
    time, person, room = (text_field(fields, key) for key in ("time", "person", "room"))
    line = TruthLine(parse_time(time), person, room, door)
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
