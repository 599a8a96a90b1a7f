"""Two residents, a month of binary sensors: ARAS (Alemdar et al. 2013), as changes in `events.tsv` and `labels.tsv`.

Sensor types and places come from `COLUMNS.txt`, rooms from `layout.json`. Force and pressure sensors, and distance
sensors at a chair or a water closet, report a state: `pressure`. Sonar is `motion`. Contacts on a door of the layout
are `contact`. Photocells, taps, drawers, cabinets and the like are worked by hand: `switch`, pressed when they turn on.
Temperature and sensors without a place are left out. Days do not join at midnight: each day is a recording of its own.

Whether a 1 of an inner door's contact means open or shut is not said; where the things behind the door are mostly in
use while it is 1, although it seldom is, people shut it behind them: then 1 is read as shut. So it is for a front door
that is at 1 most of the time.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchmarks.open_sets.layout import Layout, build_plan, door_id, front_door, numbered
from benchmarks.open_sets.month_files import (
    DAY,
    Column,
    choose_house,
    read_changes,
    read_columns,
    read_labels,
    unexplained,
)
from benchmarks.open_sets.recording import Recording, event, low_hold, one_file
from presence.errors import Fault, LogError
from presence.events import Event
from presence.floorplan import AWAY, Floorplan

DAY_0 = 11326 * DAY
"""Midnight before day 0, epoch seconds: a Thursday in 2001, invented, for the set says no dates."""
MEANINGS = (
    (r"going out", AWAY),
    (r"^preparing|dishes", "kitchen"),
    (r"shower|toilet|shav|teeth", "bath"),
    (r"\btv\b|study|internet|reading|conversation|guest", "living"),
)
"""Words of an activity's name and where it takes place. Meals are where the chairs are; the rest may be anywhere."""
WORDS = {"pressure": ("released", "pressed"), "motion": ("clear", "detected"), "contact": ("closed", "open"),
         "switch": (None, "pressed")}  # fmt: skip


@dataclass(frozen=True)
class Day:
    """One day: its recording and both residents' labels as second of change and activity."""

    number: int
    recording: Recording
    labels: tuple[tuple[NDArray[np.float64], NDArray[np.int64]], ...]


@dataclass(frozen=True)
class Month:
    """The whole folder."""

    plan: Floorplan
    layout: Layout
    days: tuple[Day, ...]
    rows: NDArray[np.int64]
    """The sensor changes as they were read: day, second, column, value."""
    rooms: dict[int, str]
    """Activity id -> room, `away`, or missing where it may be anywhere."""
    front: str
    """Name of the front door's contact."""
    front_door: str
    """The plan's id of the front door."""
    shut: set[str]
    """Contacts whose 1 is read as shut."""
    faults: tuple[Fault, ...]


def load(folder: Path, *, visitors: int = 0) -> Month:
    """Every day in a folder. A layout of several houses is matched with COLUMNS.txt by the sensors' names.

    Raises:
        LogError: if a file is missing, nothing is labelled, or the layout has no front door with a contact.
    """
    faults: list[Fault] = []
    table = one_file(folder, "*COLUMNS*")
    columns, activities = read_columns(table)
    layout = numbered(choose_house(folder / "layout.json", columns))
    faults += unexplained(table, columns, layout)
    rows = read_changes(one_file(folder, "*events.tsv"), {*columns, *layout.sensors}, faults)
    labels_path = one_file(folder, "*labels.tsv")
    front = front_door(layout, {column.number: column.place for column in columns.values()})
    if front is None or front.contact is None or not len(rows):
        needs = Fault(str(folder), 0, "needs sensor changes and a contact on a door to the outside")
        raise LogError([*faults, needs])
    labels = read_labels(labels_path, activities, np.unique(rows[:, 0]).tolist(), faults)
    plan = make_plan(layout, columns, rows, visitors)
    inner = {sensor for sensor in layout.contacts if sensor != front.contact and one_means_shut(sensor, layout, rows)}
    shut = inner | ({front.contact} if share_on(front.contact, rows) > 0.5 else set())
    days = tuple(read_day(int(day), plan, rows, labels, shut) for day in np.unique(labels[:, 0]))
    rooms = {number: room for number, name in activities.items() if (room := activity_room(name, layout, columns))}
    return Month(plan, layout, days, rows, rooms, front.contact, door_id(front), shut, tuple(faults))


def sensor_kind(column: Column) -> str | None:
    """The kind of a sensor that is on no door; None for one that is left out."""
    if re.search("temperature", column.type):
        return None
    if re.search("sonar|motion|pir", column.type):
        return "motion"
    if re.search("force|pressure", column.type):
        return "pressure"
    seat = re.search("distance", column.type) and re.search("chair|closet|toilet|couch|sofa|seat", column.place)
    return "pressure" if seat else "switch"


def make_plan(layout: Layout, columns: Mapping[str, Column], rows: NDArray[np.int64], visitors: int) -> Floorplan:
    """The house's plan; people rest in the rooms with a bed, or something used as a bed, among their sensors."""
    sensors: dict[str, dict[str, object]] = {}
    rest = set()
    for sensor, room in layout.sensors.items():
        door = layout.contacts.get(sensor)
        kind = "contact" if door else sensor_kind(columns[sensor]) if sensor in columns else None
        if kind is None:
            continue
        sensors[sensor] = {"kind": kind, "door": door} if door else {"kind": kind, "room": room}
        if kind == "motion":
            sensors[sensor]["hold"] = low_hold(column_times(rows, sensor))
        if room and sensor in columns and re.search(r"\bbed\b", columns[sensor].place):
            rest.add(room)
    return build_plan("two residents, a month", layout, sensors, {"P1": {}, "P2": {}}, rest=rest, visitors=visitors)


def intervals(rows: NDArray[np.int64], sensor: str) -> NDArray[np.float64]:
    """Start and end of each interval in which a column is 1, in epoch seconds from the invented day 0 on, shape (n, 2).

    Days do not join, so what is 1 at the end of a day ends with it.
    """
    mine = rows[rows[:, 2] == int(sensor)]
    found: list[tuple[int, int]] = []
    for day in np.unique(mine[:, 0]).tolist():
        today = mine[mine[:, 0] == day]
        since = None
        for _, second, _, value in today[np.argsort(today[:, 1], kind="stable")].tolist():
            if value and since is None:
                since = DAY_0 + day * DAY + second
            elif not value and since is not None:
                found.append((since, DAY_0 + day * DAY + second))
                since = None
        if since is not None:
            found.append((since, DAY_0 + (day + 1) * DAY))
    return np.array(found, dtype=np.float64).reshape(-1, 2)


def column_times(rows: NDArray[np.int64], sensor: str) -> NDArray[np.float64]:
    """How long a column stays at 1."""
    on = intervals(rows, sensor)
    return on[:, 1] - on[:, 0]


def share_on(sensor: str, rows: NDArray[np.int64]) -> float:
    """Share of all days' time that a column is 1."""
    return float(column_times(rows, sensor).sum()) / (len(np.unique(rows[:, 0])) * DAY)


def one_means_shut(contact: str, layout: Layout, rows: NDArray[np.int64]) -> bool:
    """Whether most use of the things behind an inner door falls in the seldom times when its contact is 1."""
    mine = intervals(rows, contact)
    edge = next(edge for edge in layout.edges if edge.contact == contact)
    listed = layout.room_of.get(contact)
    behind = [s for s, room in layout.room_of.items() if room == listed and s != contact]
    if listed is None or listed not in (edge.a, edge.b) or not len(mine):
        return False
    total = both = 0.0
    for sensor in behind:
        for start, end in intervals(rows, sensor).tolist():
            total += end - start
            both += float(np.clip(np.minimum(mine[:, 1], end) - np.maximum(mine[:, 0], start), 0, None).sum())
    return both > 0.5 * total > 0 and share_on(contact, rows) < 0.5


def read_day(day: int, plan: Floorplan, rows: NDArray[np.int64], labels: NDArray[np.int64], shut: set[str]) -> Day:
    """One day's events, from an invented midnight on, and its labels."""
    midnight = float(DAY_0 + day * DAY)
    events: list[Event] = []
    mine = rows[rows[:, 0] == day]
    for _, second, number, value in mine[np.argsort(mine[:, 1], kind="stable")].tolist():
        sensor = plan.sensors.get(str(number))
        word = WORDS[sensor.kind][bool(value) != (str(number) in shut)] if sensor else None
        if word:
            events.append(event(midnight + second, str(number), word))
    tracks = []
    for resident in (1, 2):
        track = labels[(labels[:, 0] == day) & (labels[:, 2] == resident)]
        track = track[np.argsort(track[:, 1], kind="stable")]
        tracks.append((midnight + track[:, 1].astype(np.float64), track[:, 3]))
    return Day(day, Recording(f"day {day}", midnight, midnight + DAY - 1, tuple(events)), tuple(tracks))


def activity_room(name: str, layout: Layout, columns: Mapping[str, Column]) -> str | None:
    """The room that an activity's name means in this layout; None where it may be anywhere."""
    if re.search(r"^having (breakfast|lunch|dinner)", name):
        chairs = (room for s, room in layout.room_of.items() if s in columns and "chair" in columns[s].place)
        return next(chairs, None)
    for pattern, room in MEANINGS:
        if re.search(pattern, name):
            return room if room == AWAY else layout.find(room)
    return None
