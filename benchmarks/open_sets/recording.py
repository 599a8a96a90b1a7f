"""What every set becomes: a plan, recordings of events, and who was where.

Times are epoch seconds. None of the sets names a time zone, so their local clock is read as UTC: the hour of day, which
is all the model uses, stays right.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from presence.errors import Fault, LogError
from presence.events import Event
from presence.floorplan import AWAY, Floorplan

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

T = TypeVar("T")

OUTSIDE = re.compile(r"^(outside|outdoors|street|away)$", re.IGNORECASE)


@dataclass(frozen=True)
class Recording:
    """Events of one stretch of time that the tracker meets afresh: a session, a day, a month."""

    name: str
    start: float
    end: float
    events: tuple[Event, ...]


@dataclass(frozen=True)
class Edge:
    """Two rooms that a layout joins, the words it says of that, and the contact on the door, if any."""

    a: str
    b: str
    kind: str
    contact: str | None
    pair: tuple[str, str] | None = None


@dataclass(frozen=True)
class Layout:
    """A set's own `layout.json`, whatever its shape: rooms with sensor names, edges, sensor positions in metres."""

    rooms: dict[str, tuple[str, ...]]
    edges: tuple[Edge, ...]
    at: dict[str, tuple[float, float]]

    @property
    def room_of(self) -> dict[str, str]:
        """Sensor name -> room."""
        return {sensor: room for room, sensors in self.rooms.items() for sensor in sensors}

    @property
    def contacts(self) -> dict[str, str]:
        """Sensor name -> door, for each door that has a contact."""
        return {edge.contact: door_id(edge) for edge in self.edges if edge.contact}

    @property
    def sensors(self) -> dict[str, str | None]:
        """Every sensor's room; None for a contact that is listed with its door only."""
        return dict.fromkeys(self.contacts) | self.room_of

    def find(self, *words: str) -> str | None:
        """The first room whose name holds one of the words, words in order of preference."""
        return next((room for word in words for room in self.rooms if word in room.lower()), None)


def read_layout(path: Path, house: str | None = None) -> Layout:
    """The layout in a file; `house` chooses between several ("A" or "house_A").

    Raises:
        LogError: if the file is missing, no JSON, or names no rooms.
    """
    houses = layout_houses(path)
    wanted = [key for key in houses if house and key.lower().removeprefix("house_") == house.lower()[-1:]]
    body = houses[(wanted or list(houses))[0]] if houses else _json(path)
    if not isinstance(body.get("rooms"), dict):
        raise LogError([Fault(str(path), 1, "no rooms in this layout; a mapping 'rooms' would be right")])
    rooms = {room: _sensors(content) for room, content in body["rooms"].items()}
    positions = body.get("sensor_at_metres", {}).get("at", {})
    at = {str(sensor): (float(x), float(y)) for sensor, (x, y) in positions.items()}
    return Layout(rooms, tuple(_edge(edge) for edge in body.get("edges", [])), at)


def layout_houses(path: Path) -> dict[str, Any]:
    """The houses that a layout file holds, e.g. `house_A`; empty if it holds one without a name."""
    whole = _json(path)
    return {key: value for key, value in whole.items() if key.lower().startswith("house")}


def _json(path: Path) -> dict[str, Any]:
    try:
        whole = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise LogError([Fault(str(path), 0, f"cannot be read ({error.strerror}); each set needs it")]) from None
    except ValueError as error:
        raise LogError([Fault(str(path), getattr(error, "lineno", 0), f"is not JSON: {error}")]) from None
    if not isinstance(whole, dict):
        raise LogError([Fault(str(path), 1, "is no mapping; one with rooms, or houses with rooms, would be right")])
    return whole


def _sensors(content: Any) -> tuple[str, ...]:
    if isinstance(content, Mapping):
        content = content.get("columns", content.get("sensors", []))
    return tuple(str(sensor) for sensor in content)


def _edge(edge: Any) -> Edge:
    if isinstance(edge, Mapping):
        contact = edge.get("contact", edge.get("contact_column"))
        pair = edge.get("sensor_pair")
        return Edge(
            edge["a"],
            edge["b"],
            str(edge.get("kind", "")),
            None if contact is None else str(contact),
            (str(pair[0]), str(pair[1])) if pair else None,
        )
    a, b, kind = edge[0], edge[1], str(edge[2]) if len(edge) > 2 else ""
    found = re.search(r"contact (\w+)", kind)
    return Edge(a, b, kind, found.group(1) if found else None)


def inside_out(room: str) -> str:
    """The plan's name of a layout's room: everything outside is `away`."""
    return AWAY if OUTSIDE.match(room) else room


def build_plan(
    name: str,
    layout: Layout,
    sensors: Mapping[str, Mapping[str, Any]],
    people: Mapping[str, Mapping[str, Any]],
    *,
    rest: Iterable[str] = (),
    visitors: int = 0,
) -> Floorplan:
    """The plan of a layout: its rooms and edges, with the given sensors (keys as in a plan file) and people."""
    rest = set(rest)
    rooms = {room: ({"rest": True} if room in rest else {}) for room in layout.rooms if not OUTSIDE.match(room)}
    return Floorplan.from_mapping(
        {
            "name": name,
            "time_zone": "UTC",
            "rooms": rooms,
            "doors": {door_id(edge): _door(edge, layout) for edge in layout.edges},
            "sensors": {key: dict(value) for key, value in sensors.items()},
            "people": {key: dict(value) for key, value in people.items()},
            "visitors": visitors,
        }
    )


def _door(edge: Edge, layout: Layout) -> dict[str, Any]:
    is_leaf = "door" in edge.kind.lower() or edge.contact is not None
    door: dict[str, Any] = {
        "between": [inside_out(edge.a), inside_out(edge.b)],
        "leaf": "hinged" if is_leaf else "none",
    }
    if edge.pair and all(sensor in layout.at for sensor in edge.pair):
        (ax, ay), (bx, by) = (layout.at[sensor] for sensor in edge.pair)
        door["at"] = [(ax + bx) / 2, (ay + by) / 2]
    return door


def door_id(edge: Edge) -> str:
    """The plan's name of a layout's door."""
    return "_".join(filter(None, (edge.a, edge.b, edge.contact)))


def front_door(layout: Layout, names: Mapping[str, str]) -> Edge | None:
    """The edge to the outside whose contact is called front or house door, else any such edge with a contact."""
    outer = [e for e in layout.edges if e.contact and AWAY in (inside_out(e.a), inside_out(e.b))]
    named = [e for e in outer if e.contact and re.search("front|house", names.get(e.contact, ""), re.IGNORECASE)]
    return next(iter(named + outer), None)


def half(items: Sequence[T], part: str) -> list[T]:
    """The "first" or "second" half of some items in their order, or "all": tune on one, score on the other."""
    middle = len(items) // 2
    return list({"all": items, "first": items[:middle], "second": items[middle:]}[part])


def event(seconds: float, sensor: str, value: str) -> Event:
    """An `Event` at epoch seconds."""
    return Event(datetime.fromtimestamp(seconds, UTC), sensor, value)


def low_hold(on_times: Iterable[float], floor: float = 0.5) -> float:
    """A set's hold, from its own log without labels: the tenth part of all on-times is shorter.

    An on-time is the hold and the time between the first and the last movement, so short ones are near the hold.
    """
    times = [t for t in on_times if t > 0]
    return max(floor, float(np.quantile(times, 0.1))) if times else 1.0


def read_lines(path: Path) -> list[str]:
    """The lines of a text file without their ends.

    Raises:
        LogError: if it cannot be read.
    """
    try:
        return path.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError as error:
        raise LogError([Fault(str(path), 0, f"cannot be read ({error.strerror})")]) from None


def read_integers(path: Path, columns: int, faults: list[Fault]) -> NDArray[np.int64]:
    """Rows of whole numbers, shape (n, columns); a heading line is skipped, every other bad line becomes a fault."""
    rows: list[list[int]] = []
    for number, line in enumerate(read_lines(path), start=1):
        parts = line.split()
        try:
            row = [int(part) for part in parts]
        except ValueError:
            row = []
        if len(row) == columns:
            rows.append(row)
        elif parts and not (number == 1 and not any(part.lstrip("-").isdigit() for part in parts)):
            faults.append(Fault(str(path), number, f"{line.strip()!r} is not {columns} whole numbers"))
    return np.array(rows, dtype=np.int64).reshape(-1, columns)


def one_file(folder: Path, pattern: str) -> Path:
    """The one file in a folder that fits a pattern.

    Raises:
        LogError: if there is none.
    """
    found = sorted(folder.glob(pattern))
    if not found:
        raise LogError([Fault(str(folder), 0, f"holds no file {pattern}")])
    return found[0]


def held(times: Array, values: NDArray[Any], grid: Array, first: Any) -> NDArray[Any]:
    """The latest value at or before each instant of the grid; `first` before any."""
    index = np.searchsorted(times, grid, side="right")
    return np.concatenate([[first], values])[index]
