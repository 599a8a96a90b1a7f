"""The layout that a set keeps beside its files, `layout.json`, and the plan that is made of it.

Whatever its shape, it holds rooms with the names of their sensors, edges between rooms, and perhaps where sensors are;
or several such houses. What is wrong in it is named and nothing is made of it: a house without a door is another house.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from presence.errors import Fault, LogError, PlanError
from presence.floorplan import AWAY, Floorplan

OUTSIDE = re.compile(r"^(outside|outdoors|street|away)$", re.IGNORECASE)


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
    path: str = "layout.json"
    """The file that it was read from, for what is wrong with it."""

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

    @property
    def placed(self) -> list[str]:
        """The sensors of its rooms whose place is known."""
        room_of = self.room_of
        return [sensor for sensor in self.at if sensor in room_of]

    def find(self, *words: str) -> str | None:
        """The first room whose name holds one of the words, words in order of preference."""
        return next((room for word in words for room in self.rooms if word in room.lower()), None)


def read_layout(path: Path, house: str | None = None) -> Layout:
    """The layout in a file; the last letter of `house` chooses between several ("A", "houseA" or "house_A").

    Raises:
        LogError: if the file is missing, is no JSON, holds no such house, or a part of it is not what it should be.
    """
    houses = layout_houses(path)
    body = houses[_chosen(path, houses, house)] if houses else _json(path)
    if not isinstance(body.get("rooms"), Mapping):
        raise LogError([Fault(str(path), 1, "no rooms in this layout; a mapping 'rooms' would be right")])
    wrong: list[str] = []
    rooms = {room: _sensors(room, content, wrong) for room, content in body["rooms"].items()}
    listed = body.get("edges", [])
    if not isinstance(listed, list):
        wrong.append(f"edges: {listed!r} is no list of edges between rooms; one would be right")
        listed = []
    edges = [_edge(f"edge {number}, {edge!r}:", edge, rooms, wrong) for number, edge in enumerate(listed, start=1)]
    at = _positions(body.get("sensor_at_metres", {}), wrong)
    if wrong:
        raise LogError([Fault(str(path), 0, message) for message in wrong])
    return Layout(rooms, tuple(edge for edge in edges if edge), at, str(path))


def numbered(layout: Layout) -> Layout:
    """The layout, for a set whose sensors are numbers.

    Raises:
        LogError: if a sensor of it is none.
    """
    wrong = [sensor for sensor in layout.sensors if not sensor.isdecimal()]
    if wrong:
        raise LogError([Fault(layout.path, 0, f"sensor {name!r}; a whole number would be right") for name in wrong])
    return layout


def layout_houses(path: Path) -> dict[str, Any]:
    """The houses that a layout file holds, e.g. `house_A`; empty if it holds one without a name."""
    whole = _json(path)
    return {k: body for k, body in whole.items() if k.lower().startswith("house") and isinstance(body, Mapping)}


def _chosen(path: Path, houses: Mapping[str, Any], house: str | None) -> str:
    """The name of the house that is asked for; the first if none is, or if files without a letter have one house."""
    if not house or house in houses:
        return house or next(iter(houses))
    letter = house[-1:].lower()
    found = [key for key in houses if key.lower().removeprefix("house").lstrip("_ ") == letter]
    if not found and (len(houses) > 1 or re.fullmatch(r"(house[_ ]?)?\w", house, re.IGNORECASE)):
        message = f"holds {', '.join(houses)}, the files are those of {house!r}; house_{letter.upper()} would be right"
        raise LogError([Fault(str(path), 0, message)])
    return next(iter([*found, *houses]))


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


def _sensors(room: str, content: Any, wrong: list[str]) -> tuple[str, ...]:
    if isinstance(content, Mapping):
        content = content.get("columns", content.get("sensors", []))
    if not isinstance(content, list):
        wrong.append(f"room {room!r}: {content!r} is no list of sensors; one would be right")
        return ()
    return tuple(str(sensor) for sensor in content)


def _edge(what: str, edge: Any, rooms: Mapping[str, Any], wrong: list[str]) -> Edge | None:
    """An edge as a mapping with a and b or as a list of a, b and words; None, and what is wrong, if it is neither."""
    pair = None
    if isinstance(edge, Mapping):
        a, b, kind = edge.get("a"), edge.get("b"), str(edge.get("kind", ""))
        contact, pair = edge.get("contact", edge.get("contact_column")), edge.get("sensor_pair")
    elif isinstance(edge, list):
        a, b, kind = [*edge, *[None] * (2 - len(edge)), ""][:3]
        kind = str(kind)
        found = re.search(r"contact (\w+)", kind)
        contact = found.group(1) if found else None
    else:
        wrong.append(f"{what} a mapping with the rooms a and b, or a list of two rooms and words, would be right")
        return None
    for key, room in (("a", a), ("b", b)):
        if not isinstance(room, str) or not (room in rooms or OUTSIDE.match(room)):
            wrong.append(f"{what} its {key} is {room!r}; one of {', '.join(rooms)} would be right")
            return None
    if pair and not (isinstance(pair, list) and len(pair) == 2):
        wrong.append(f"{what} its sensor_pair is {pair!r}; a list of two sensors would be right")
        return None
    ends = (str(pair[0]), str(pair[1])) if pair else None
    return Edge(str(a), str(b), kind, None if contact is None else str(contact), ends)


def _positions(content: Any, wrong: list[str]) -> dict[str, tuple[float, float]]:
    """Where sensors are, in metres, from `{"at": {sensor: [x, y]}}`."""
    positions = content.get("at", {}) if isinstance(content, Mapping) else None
    if not isinstance(positions, Mapping):
        wrong.append("sensor_at_metres: a mapping 'at' of sensors and their [x, y] would be right")
        return {}
    at: dict[str, tuple[float, float]] = {}
    for sensor, place in positions.items():
        if isinstance(place, list) and len(place) == 2 and all(_is_metres(number) for number in place):
            at[str(sensor)] = (float(place[0]), float(place[1]))
        else:
            wrong.append(f"sensor_at_metres: {sensor!r} is at {place!r}; [x, y] in metres would be right")
    return at


def _is_metres(number: Any) -> bool:
    return isinstance(number, int | float) and not isinstance(number, bool) and math.isfinite(number)


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
    """The plan of a layout: its rooms and edges, with the given sensors (keys as in a plan file) and people.

    Raises:
        LogError: if these make no plan, e.g. where nobody can reach a room.
    """
    rest = set(rest)
    rooms = {room: ({"rest": True} if room in rest else {}) for room in layout.rooms if not OUTSIDE.match(room)}
    plan = {
        "name": name,
        "time_zone": "UTC",
        "rooms": rooms,
        "doors": {door_id(edge): _door(edge, layout) for edge in layout.edges},
        "sensors": {key: dict(value) for key, value in sensors.items()},
        "people": {key: dict(value) for key, value in people.items()},
        "visitors": visitors,
    }
    try:
        return Floorplan.from_mapping(plan)
    except PlanError as error:
        raise LogError([Fault(layout.path, 0, f"makes no plan: {fault.message}") for fault in error.faults]) from None


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
