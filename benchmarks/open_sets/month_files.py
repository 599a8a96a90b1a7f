"""The month's files: what COLUMNS.txt explains, rows of sensor changes and of labels, and what is wrong in them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchmarks.open_sets.layout import Layout, layout_houses, read_layout
from benchmarks.open_sets.recording import first_lines, read_integers, read_lines
from presence.errors import Fault, LogError

DAY = 86400
LAST_DAY = 36500
"""Days are counted from the first of a record; a century is none."""
UNKNOWN = -1
"""The activity of a resident of whom nothing is told."""


@dataclass(frozen=True)
class Column:
    """What COLUMNS.txt says of one sensor."""

    number: str
    name: str
    type: str
    place: str


def unexplained(path: Path, columns: Mapping[str, Column], layout: Layout) -> list[Fault]:
    """The sensors of the layout that COLUMNS.txt has no line for."""
    faults = []
    for sensor in sorted(set(layout.sensors) - set(columns), key=int):
        effect = "it is read as the contact of its door" if sensor in layout.contacts else "its changes are left out"
        right = "a line of column, sensor, type, place would be right"
        faults.append(Fault(str(path), 0, f"explains no column {sensor}, which is in layout.json; {right}; {effect}"))
    return faults


def _wrong_time(day: int, second: int) -> str | None:
    if not 0 <= day <= LAST_DAY:
        return f"day {day}; 0 to {LAST_DAY} would be right"
    return None if 0 <= second < DAY else f"second {second}; 0 to {DAY - 1} would be right, days do not join"


def read_changes(path: Path, known: set[str], faults: list[Fault]) -> NDArray[np.int64]:
    """Rows of day, second, column and value; a column that is not known is named once."""
    named: set[int] = set()

    def wrong(row: list[int]) -> str | None:
        day, second, column, value = row
        if str(column) not in known:
            first = column not in named
            named.add(column)
            return f"column {column} is neither in COLUMNS.txt nor in layout.json; its rows are left out" * first
        return _wrong_time(day, second) or (None if value in (0, 1) else f"value {value}; 0 or 1 would be right")

    return read_integers(path, 4, faults, wrong)[0]


def read_labels(path: Path, activities: Mapping[int, str], days: list[int], faults: list[Fault]) -> NDArray[np.int64]:
    """Rows of day, second, resident and activity on those of some days on which each resident has one.

    Raises:
        LogError: if there is no such day; with every fault so far.
    """

    def wrong(row: list[int]) -> str | None:
        day, second, resident, _ = row
        who = None if resident in (1, 2) else f"resident {resident}; 1 or 2 would be right"
        return _wrong_time(day, second) or who

    labels, lines = read_integers(path, 4, faults, wrong)
    what = "activity {} is not in COLUMNS.txt; where they are is unknown until their next label"
    faults += first_lines(path, labels[:, 3], lines, activities, what)
    labels[~np.isin(labels[:, 3], list(activities)), 3] = UNKNOWN
    for day in sorted(set(labels[:, 0].tolist()) - set(days)):
        faults.append(Fault(str(path), 0, f"day {day} has labels, but nothing happens on it in the sensor changes"))
    scored = _labelled(path, labels, days, faults) if len(labels) else []
    if not scored:
        none = "labels no day of the sensor changes; day, second, resident (1 and 2) and activity would be right"
        raise LogError([*faults, Fault(str(path), 0, none)])
    return labels[np.isin(labels[:, 0], scored)]


def _labelled(path: Path, labels: NDArray[np.int64], days: list[int], faults: list[Fault]) -> list[int]:
    """The days on which something is told of both residents."""
    scored = []
    for day in days:
        begins = [labels[(labels[:, 0] == day) & (labels[:, 2] == resident), 1] for resident in (1, 2)]
        without = " and ".join(str(k) for k, seconds in enumerate(begins, start=1) if not len(seconds))
        late = [f"{k} at second {min(s)}" for k, s in enumerate(begins, start=1) if len(s) and min(s) > 0]
        if without:
            faults.append(Fault(str(path), 0, f"day {day} has no label of resident {without}; it is not scored"))
        else:
            scored.append(day)
            what = f"day {day} has its first label of resident {' and of '.join(late)}; what is before is not counted"
            faults += [Fault(str(path), 0, what)] * bool(late)
    return scored


def read_columns(path: Path) -> tuple[dict[str, Column], dict[int, str]]:
    """The sensors by column number, and the activities by id, that COLUMNS.txt explains."""
    columns: dict[str, Column] = {}
    activities: dict[int, str] = {}
    for line in read_lines(path):
        parts = [part.strip() for part in re.split(r"\t+", line.strip()) if part.strip()]
        if parts and parts[0].isdigit() and len(parts) >= 4:
            columns[parts[0]] = Column(parts[0], parts[1], parts[2].lower(), parts[3].lower())
        elif len(parts) == 2 and parts[0].isdigit():
            activities[int(parts[0])] = parts[1].lower()
    return columns, activities


def choose_house(path: Path, columns: Mapping[str, Column]) -> Layout:
    """The layout's house whose sensors bear the names that COLUMNS.txt gives their columns; the first if none is named.

    Raises:
        LogError: if most sensors of every house are named otherwise; see `read_layout` as well.
    """
    houses = layout_houses(path)
    fits = {house: [_alike(columns[c].name, name) for c, name in _named(body) if c in columns]
            for house, body in houses.items()}  # fmt: skip
    best = max(houses, key=lambda house: sum(fits[house])) if houses else None
    if best and 2 * sum(fits[best]) < len(fits[best]):
        message = f"{best} fits best, but names {fits[best].count(False)} of {len(fits[best])} sensors otherwise than"
        raise LogError([Fault(str(path), 0, f"{message} COLUMNS.txt; the layout of this house would be right")])
    return read_layout(path, best)


def _named(body: Mapping[str, object]) -> list[tuple[str, str]]:
    """The columns of a house with names that begin as a sensor's do, e.g. Ph1, and those; mere words name nothing."""
    rooms = body.get("rooms")
    listed = [room for room in rooms.values() if isinstance(room, Mapping)] if isinstance(rooms, Mapping) else []
    pairs = [(room.get("columns"), room.get("sensors")) for room in listed]
    both = [(a, b) for a, b in pairs if isinstance(a, list) and isinstance(b, list)]
    named = [(str(column), str(name)) for a, b in both for column, name in zip(a, b, strict=False)]
    return [(column, name) for column, name in named if re.match(r"[a-z]+\d+\b", name, re.IGNORECASE)]


def _alike(column: str, name: str) -> bool:
    return name.lower().split()[:1] == [column.lower()]
