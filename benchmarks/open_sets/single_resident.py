"""One resident, contacts almost only: van Kasteren et al. 2010, houses as `houseA.sensors`, `.activities` and names.

Sensor rows are start, length, id. The door contacts of the layout become `contact`, open at the start and closed at
the end; names with pir or motion become `motion`; seats, beds and mats `pressure`; all others (cupboards, fridge,
flush, drawers) are worked by hand: `switch`, pressed at the start. Activity rows are start, length, id: the id of
leaving the house gives home and away, the meaning of the others gives the room. What lies before the first label or
after the last is left out: nothing is known of it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchmarks.open_sets.layout import Layout, build_plan, door_id, front_door, numbered, read_layout
from benchmarks.open_sets.recording import (
    Recording,
    event,
    first_lines,
    longest_run,
    low_hold,
    one_file,
    read_integers,
    read_lines,
)
from presence.errors import Fault, LogError
from presence.events import Event
from presence.floorplan import AWAY, Floorplan

MEANINGS: Sequence[tuple[str, tuple[str, ...]]] = (
    (r"leav", (AWAY,)),
    (r"toilet", ("toilet", "wc", "bath")),
    (r"shower|brush|bath|shav|wash.?hands", ("bath",)),
    (r"\bbed|sleep", ("bedroom", "bed")),
    (r"prep|drink|snack|dish|cook|^(breakfast|lunch|dinner)", ("kitchen",)),
    (r"\btv\b|television", ("living",)),
)
"""Words of an activity's name and where it takes place; eating and dressing may be anywhere and have no room."""
WORDS = {"contact": ("open", "closed"), "motion": ("detected", "clear"), "pressure": ("pressed", "released"),
         "switch": ("pressed", None)}  # fmt: skip
DAY = 86400
LONGEST = 60 * DAY
"""Seconds: a log of weeks holds no longer silence and nothing that lasts longer; a wrong year makes one."""
NAMED = re.compile(r"\s*([0-9]{1,15})\s+(\S.*?)\s*")
"""A line that gives a number a name."""
LATEST = 4102444800
"""2100: what lies beyond is no date in seconds."""


@dataclass(frozen=True)
class SingleResident:
    """One house: the plan, its one recording, and the labels."""

    plan: Floorplan
    layout: Layout
    recording: Recording
    front: str
    """Name of the front door's contact."""
    front_door: str
    """The plan's id of the front door."""
    away: NDArray[np.float64]
    """Shape (n, 2): start and end of each absence."""
    stays: tuple[tuple[float, float, str], ...]
    """Start, end and room of each activity with a room."""
    faults: tuple[Fault, ...]


def load(folder: Path, *, house: str = "", visitors: int = 0) -> SingleResident:
    """The house in a folder; with files of several houses the first by name, or the one with the given letter.

    Raises:
        LogError: if a file is missing or nothing can be made of it, or the layout has no front door with a contact.
    """
    sensors_path = one_file(folder, f"*{house}.sensors")
    stem = sensors_path.name.removesuffix(".sensors")
    layout = numbered(read_layout(folder / "layout.json", stem))
    faults: list[Fault] = []
    rows, _ = read_rows(sensors_path, faults)
    names = read_names(folder / f"{stem}.sensor_names", faults)
    faults += _unnamed(folder / f"{stem}.sensor_names", names, layout)
    activities, lines = read_rows(folder / f"{stem}.activities", faults)
    activity_names = read_names(folder / f"{stem}.activity_names", faults)
    faults += first_lines(
        folder / f"{stem}.activities",
        activities[:, 2],
        lines,
        activity_names,
        f"activity {{}} is not in {stem}.activity_names; it counts as at home, in no room that is known",
    )
    front = front_door(layout, names)
    if front is None or front.contact is None or not len(rows) or not len(activities):
        needs = Fault(str(folder), 0, "needs sensor rows, activities and a contact on a door to the outside")
        raise LogError([*faults, needs])
    unknown = sorted(set(map(str, rows[:, 2])) - set(layout.sensors))
    faults += [Fault(str(sensors_path), 0, f"sensor {u} is not in layout.json; its rows are left out") for u in unknown]
    plan = make_plan(stem, layout, names, rows, visitors)
    stays, away = read_stays(activities, activity_names, layout)
    start = float(activities[:, 0].min())
    end = float((activities[:, 0] + activities[:, 1]).max())
    events = tuple(e for e in make_events(plan, rows) if start <= e.seconds <= end)
    if not events:
        apart = Fault(str(sensors_path), 0, f"nothing happens between the first and the last of {stem}.activities")
        raise LogError([*faults, apart])
    recording = Recording(stem, start, end, events)
    return SingleResident(plan, layout, recording, front.contact, door_id(front), away, stays, tuple(faults))


def read_rows(path: Path, faults: list[Fault]) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
    """Rows of start, length, id, and their lines, without those that a silence longer than any parts from most."""
    rows, lines = read_integers(path, 3, faults, _wrong)
    order = np.argsort(rows[:, 0], kind="stable")
    run = longest_run(rows[order, 0].tolist(), LONGEST)
    faults += [
        Fault(str(path), int(lines[k]), f"start {rows[k, 0]} is months away from the other rows; it is left out")
        for k in sorted({*order.tolist()} - {*order[run].tolist()})
    ]
    kept = np.sort(order[run])
    return rows[kept], lines[kept]


def _wrong(row: list[int]) -> str | None:
    start, length, _ = row
    if not 0 <= start <= LATEST:
        return f"start {start} is no time in seconds since 1970; one before 2100 would be right"
    if not 0 <= length <= LONGEST:
        return f"length {length}; 0 to {LONGEST} seconds would be right"
    return None


def read_names(path: Path, faults: list[Fault]) -> dict[str, str]:
    """Id -> name from lines of a number and words; other lines become faults, as does a second name of one id."""
    names: dict[str, str] = {}
    for number, line in enumerate(read_lines(path), start=1):
        found = NAMED.fullmatch(line)
        key = str(int(found[1])) if found else ""
        if found and key not in names:
            names[key] = found[2]
        elif found:
            message = f"{key} is {names[key]!r} already; one name would be right, the first is kept"
            faults.append(Fault(str(path), number, message))
        elif line.strip():
            message = f"{line.strip()!r} is no number with a name behind it; one would be right"
            faults.append(Fault(str(path), number, message))
    return names


def _unnamed(path: Path, names: Mapping[str, str], layout: Layout) -> list[Fault]:
    """The sensors of the layout, but for the contacts of its doors, whose names do not tell what they are."""
    missing = sorted(set(layout.sensors) - set(layout.contacts) - set(names), key=int)
    right = "which is in layout.json; a number and a name would be right; it is read as a switch"
    return [Fault(str(path), 0, f"names no sensor {sensor}, {right}") for sensor in missing]


def sensor_kind(name: str) -> str:
    """The kind of a sensor that is not on a door, from the words of its name."""
    if re.search(r"\bpir\b|motion", name, re.IGNORECASE):
        return "motion"
    seat = r"\bpress|\bmat\b|\bseat|\bchair|\bcouch|\bsofa|\bbed\b"
    return "pressure" if re.search(seat, name, re.IGNORECASE) else "switch"


def make_plan(name: str, layout: Layout, names: dict[str, str], rows: NDArray[np.int64], visitors: int) -> Floorplan:
    """The house's plan, from its layout and the names of its sensors."""
    sensors: dict[str, dict[str, object]] = {}
    for sensor, room in layout.sensors.items():
        door = layout.contacts.get(sensor)
        kind = "contact" if door else sensor_kind(names.get(sensor, ""))
        sensors[sensor] = {"kind": kind, "door": door} if door else {"kind": kind, "room": room}
        if kind == "motion":
            sensors[sensor]["hold"] = low_hold(rows[rows[:, 2] == int(sensor), 1])
    bedroom = layout.find("bedroom", "bed")
    people = {"P1": {"bed": bedroom} if bedroom else {}}
    return build_plan(name, layout, sensors, people, rest=[bedroom] if bedroom else [], visitors=visitors)


def make_events(plan: Floorplan, rows: NDArray[np.int64]) -> tuple[Event, ...]:
    """Events at the start of each interval, and at its end where the kind has a word for it, in time order."""
    timed = []
    for start, length, number in rows.tolist():
        sensor = plan.sensors.get(str(number))
        if sensor is None:
            continue
        begin, end = WORDS[sensor.kind]
        timed.append((float(start), 1, sensor.id, begin))
        if end:
            timed.append((float(start + length), 0, sensor.id, end))
    return tuple(event(time, sensor, str(value)) for time, _, sensor, value in sorted(timed))


def activity_room(name: str, layout: Layout) -> str | None:
    """The room that an activity's name means in this layout; None where it may be anywhere."""
    for pattern, rooms in MEANINGS:
        if re.search(pattern, name, re.IGNORECASE):
            return AWAY if rooms == (AWAY,) else layout.find(*rooms)
    return None


def read_stays(
    activities: NDArray[np.int64], names: dict[str, str], layout: Layout
) -> tuple[tuple[tuple[float, float, str], ...], NDArray[np.float64]]:
    """Stays in a room as start, end, room, and absences as rows of start and end."""
    stays, away = [], []
    for start, length, number in activities.tolist():
        room = activity_room(names.get(str(number), ""), layout)
        if room == AWAY:
            away.append((float(start), float(start + length)))
        elif room:
            stays.append((float(start), float(start + length), room))
    return tuple(stays), np.array(away, dtype=np.float64).reshape(-1, 2)
