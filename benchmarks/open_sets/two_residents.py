"""Two residents, dense motion sensors: CASAS "ADLMR" (Cook, Washington State University; Zenodo record 15713378).

One file a session: date, time, sensor, then `STATE resident task [resident task ...]`. Motion sensors (M..) become
`motion` with their place; contacts (D..) on a door of the layout `contact`, all others are cupboards, a fridge, a
closet: things that people open by hand, so `switch`, pressed when they open. Item sensors (I..) are left out. A line
whose state is no state is named and left out; one whose tag is no tag is named and kept as an event without truth.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from benchmarks.open_sets.layout import Layout, build_plan, read_layout
from benchmarks.open_sets.recording import Recording, event, longest_run, low_hold, read_lines
from presence.errors import Fault, LogError
from presence.floorplan import Floorplan

STATES = {"M": ("ON", "OFF"), "D": ("OPEN", "CLOSE"), "I": ("PRESENT", "ABSENT")}
PEOPLE = ("P1", "P2")
LONGEST = 6 * 3600.0
"""Seconds: a session of tasks, half an hour or so, holds no longer silence; a wrong date makes one."""


@dataclass(frozen=True)
class Row:
    """One line: what a sensor said, and the residents tagged on it (none where the tag is unreadable)."""

    time: float
    sensor: str
    state: str
    residents: frozenset[int]


@dataclass(frozen=True)
class Session:
    """One session: its rows in time order and the recording made of them."""

    rows: tuple[Row, ...]
    recording: Recording


@dataclass(frozen=True)
class TwoResidents:
    """The whole folder."""

    plan: Floorplan
    layout: Layout
    sessions: tuple[Session, ...]
    hold: float
    faults: tuple[Fault, ...]


def load(folder: Path, *, visitors: int = 0) -> TwoResidents:
    """Every session in a folder, with the plan from its `layout.json`.

    Raises:
        LogError: if there is no layout or no session.
    """
    layout = read_layout(folder / "layout.json")
    files = sorted(folder.glob("*.txt"), key=_natural)
    faults: list[Fault] = []
    read = {path: _known(path, read_session(path, faults), layout, faults) for path in files}
    read = {path: rows for path, rows in read.items() if rows}
    if len(layout.placed) < 2:
        lacks = "places no two sensors; 'sensor_at_metres' with 'at' would be right; the greedy tracker is left out"
        faults.append(Fault(layout.path, 0, lacks))
    if not read:
        raise LogError(
            [*faults, Fault(str(folder), 0, "holds no session; lines of date, time, sensor, state and tags in *.txt")]
        )
    hold = low_hold(time for rows in read.values() for time in on_times(rows))
    plan = make_plan(layout, hold, visitors)
    sessions = [Session(rows, _recording(path.stem, rows, plan)) for path, rows in read.items()]
    return TwoResidents(plan, layout, tuple(sessions), hold, tuple(faults))


def read_session(path: Path, faults: list[Fault]) -> tuple[Row, ...]:
    """The good rows of one file in time order; every bad line is added to `faults`.

    Rows that are apart from most by a silence longer than a session holds are left out.
    """
    rows, found = [], []
    for number, line in enumerate(read_lines(path), start=1):
        row, fault = parse_line(line)
        if fault:
            found.append(Fault(str(path), number, fault))
        if row:
            rows.append((row, number, line))
    rows.sort(key=lambda read: read[0].time)
    run = longest_run([row.time for row, _, _ in rows], LONGEST)
    for _, number, line in (*rows[: run.start], *rows[run.stop :]):
        when = " ".join(line.split()[:2])
        found.append(Fault(str(path), number, f"{when} is hours away from the other rows; the line is left out"))
    faults += sorted(found, key=lambda fault: fault.line)
    return tuple(row for row, _, _ in rows[run])


def _known(path: Path, rows: tuple[Row, ...], layout: Layout, faults: list[Fault]) -> tuple[Row, ...]:
    """The rows of sensors that the layout places; the others are named once."""
    unknown = sorted({row.sensor for row in rows} - set(layout.sensors))
    faults += [Fault(str(path), 0, f"{sensor} is not in layout.json; its rows are left out") for sensor in unknown]
    return tuple(row for row in rows if row.sensor not in unknown)


def parse_line(line: str) -> tuple[Row | None, str | None]:
    """The row of one line and what is wrong with it; a line may give a row and a fault (an unreadable tag)."""
    parts = line.split()
    if len(parts) < 4:
        return None, f"{line.strip()!r} is not date, time, sensor, state and tags"
    date, clock, sensor, state, *tag = parts
    try:
        time = datetime.fromisoformat(f"{date}T{_microseconds(clock)}").replace(tzinfo=UTC).timestamp()
    except ValueError:
        return None, f"{date} {clock} is no date and time"
    if not re.fullmatch(r"[MDI]\d+", sensor):
        return None, f"{sensor!r} is no sensor M.., D.. or I.."
    if state not in STATES[sensor[0]]:
        return None, f"{state!r} is no state of {sensor}; {' or '.join(STATES[sensor[0]])} would be right"
    residents, fault = parse_tag(tag)
    return Row(time, sensor, state, residents), fault


def parse_tag(tag: list[str]) -> tuple[frozenset[int], str | None]:
    """The residents in `resident task [resident task ...]`, or none and what is wrong."""
    nobody: frozenset[int] = frozenset()
    if not tag:
        return nobody, "no tag; the event is kept without truth"
    if len(tag) % 2 or not all(part.isdigit() for part in tag) or not set(tag[::2]) <= {"1", "2"}:
        return nobody, f"{' '.join(tag)!r} is not resident (1 or 2) and task in turn; the event is kept without truth"
    return frozenset(int(part) for part in tag[::2]), None


def _microseconds(clock: str) -> str:
    """ISO time with exactly six decimals, as Python's own reader wants them."""
    whole, _, part = clock.partition(".")
    return f"{whole}.{part[:6].ljust(6, '0')}"


def _natural(path: Path) -> tuple[object, ...]:
    return tuple(int(part) if part.isdigit() else part for part in re.split(r"(\d+)", path.stem))


def on_times(rows: tuple[Row, ...]) -> list[float]:
    """How long each motion sensor was on, for every "on" that an "off" follows."""
    since: dict[str, float] = {}
    times = []
    for row in rows:
        if row.state == "ON":
            since[row.sensor] = row.time
        elif row.state == "OFF" and row.sensor in since:
            times.append(row.time - since.pop(row.sensor))
    return times


def make_plan(layout: Layout, hold: float, visitors: int) -> Floorplan:
    """The flat's plan: motion sensors where they are, contacts on the doors that the layout gives one, switches."""
    sensors: dict[str, dict[str, object]] = {}
    for sensor, room in layout.sensors.items():
        if sensor.startswith("M"):
            sensors[sensor] = {"kind": "motion", "room": room, "hold": hold}
            if sensor in layout.at:
                sensors[sensor]["at"] = list(layout.at[sensor])
        elif sensor in layout.contacts:
            sensors[sensor] = {"kind": "contact", "door": layout.contacts[sensor]}
        elif sensor.startswith("D"):
            sensors[sensor] = {"kind": "switch", "room": room}
    return build_plan("two residents", layout, sensors, {person: {} for person in PEOPLE}, visitors=visitors)


def _recording(name: str, rows: tuple[Row, ...], plan: Floorplan) -> Recording:
    words = {"motion": {"ON": "detected", "OFF": "clear"}, "contact": {"OPEN": "open", "CLOSE": "closed"},
             "switch": {"OPEN": "pressed"}}  # fmt: skip
    events = []
    for row in rows:
        sensor = plan.sensors.get(row.sensor)
        value = words[sensor.kind].get(row.state) if sensor else None
        if value:
            events.append(event(row.time, row.sensor, value))
    return Recording(name, rows[0].time, rows[-1].time, tuple(events))


def true_rooms(session: Session, layout: Layout, grid: np.ndarray, *, off_edges: bool) -> np.ndarray:
    """Index of each resident's room at each instant (-1: not seen yet), shape (T, 2): where their latest event was.

    With `off_edges` the off edges count too, although they often come after the person has left and carry the other
    resident's tag in some percent.
    """
    index = {room: number for number, room in enumerate(layout.rooms)}
    room_of = layout.room_of
    result = np.full((len(grid), 2), -1)
    for resident in (1, 2):
        seen = [
            (row.time, index[room_of[row.sensor]])
            for row in session.rows
            if resident in row.residents and row.sensor in room_of and (off_edges or row.state != "OFF")
        ]
        if seen:
            times, rooms = np.array([t for t, _ in seen]), np.array([r for _, r in seen])
            at = np.searchsorted(times, grid, side="right") - 1
            result[:, resident - 1] = np.where(at >= 0, rooms[np.maximum(at, 0)], -1)
    return result
