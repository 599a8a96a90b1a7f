"""The home as the rest of the program sees it: checked, frozen, in the order of the file."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from os import PathLike
from typing import TYPE_CHECKING, Any

from presence.display import Shown
from presence.floorplan.kinds import AWAY, KINDS, LINK_VALUES

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    import networkx as nx

    from presence.errors import Fault
    from presence.floorplan.fields import DoorFields, PersonFields, PlanFields, RoomFields, SensorFields

Point = tuple[float, float]
"""x and y in metres, one origin for all floors."""


@dataclass(frozen=True, slots=True)
class Room:
    """A room, an outdoors part of the property, or `away`."""

    id: str
    label: str
    floor: int
    """Storey; 0 is the ground floor."""
    outline: tuple[Point, ...] | None
    """Corners in order; the last joins the first."""
    outdoors: bool
    rest: bool
    """Whether people sleep here."""


@dataclass(frozen=True, slots=True)
class Door:
    """An opening between two rooms that people walk through."""

    id: str
    between: tuple[str, str]
    leaf: str
    """One of `kinds.LEAVES`."""
    at: Point | None


@dataclass(frozen=True, slots=True)
class Sensor:
    """A sensor; exactly one of `room`, `door` and `person` says where it sits."""

    id: str
    kind: str
    """One of `kinds.KINDS`."""
    room: str | None
    door: str | None
    person: str | None
    hold: float | None
    """Seconds that it stays on after the last movement; never None for `motion`."""
    at: Point | None
    reach: float | None
    """Metres that it sees."""


@dataclass(frozen=True, slots=True)
class Person:
    """A resident."""

    id: str
    bed: str | None
    """The room they sleep in."""
    awake: tuple[float, float]
    """Waking hours as local seconds of the day, start and end; the end comes before the start for a night worker."""
    codes: tuple[str, ...]
    """Keypad codes that they use."""


@dataclass(frozen=True, slots=True)
class Pet:
    """An animal that sets motion sensors off."""

    id: str
    rooms: tuple[str, ...]
    """Where it may be; empty means every indoor room."""


@dataclass(frozen=True)
class Floorplan(Shown):
    """A home: its rooms, doors, sensors and people, as dicts by id in the order of the file (`away` is the last room).

    Made by `load` or `from_mapping`, which check everything; a plan made by hand is not checked.
    """

    name: str
    time_zone: str
    location: tuple[float, float] | None
    """Latitude and longitude, degrees."""
    rooms: dict[str, Room]
    doors: dict[str, Door]
    sensors: dict[str, Sensor]
    people: dict[str, Person]
    pets: dict[str, Pet]
    visitors: int
    """How many unknown people are allowed for beyond `people`."""

    @classmethod
    def load(cls, path: str | PathLike[str], on_doubt: Callable[[Fault], None] | None = None) -> Floorplan:
        """The plan in a YAML or JSON file; `on_doubt` is told of what is good, but hardly meant.

        Raises:
            PlanError: with every fault in the file, each with its line.
        """
        from presence.floorplan.reading import read_plan

        return cls._of(read_plan(path, on_doubt))

    @classmethod
    def from_mapping(cls, plan: Mapping[str, Any]) -> Floorplan:
        """The plan in a mapping with the same keys as a file, for notebooks and tests.

        Raises:
            PlanError: with every fault, as `<mapping>` line 0.
        """
        from presence.floorplan.reading import check_mapping

        return cls._of(check_mapping(plan))

    @classmethod
    def _of(cls, plan: PlanFields) -> Floorplan:
        where = plan.location
        rooms = {id_: _room(id_, room) for id_, room in plan.rooms.items() if id_ != AWAY}
        return cls(
            name=plan.name,
            time_zone=plan.time_zone,
            location=None if where is None else (where.latitude, where.longitude),
            rooms=rooms | {AWAY: Room(AWAY, AWAY, 0, None, outdoors=True, rest=False)},
            doors={id_: _door(id_, door) for id_, door in plan.doors.items()},
            sensors={id_: _sensor(id_, sensor) for id_, sensor in plan.sensors.items()},
            people={id_: _person(id_, person) for id_, person in plan.people.items()},
            pets={id_: Pet(id_, tuple(pet.rooms) if pet else ()) for id_, pet in plan.pets.items()},
            visitors=plan.visitors,
        )

    @staticmethod
    def schema() -> dict[str, Any]:
        """The JSON Schema (2020-12) of a plan file, for editors."""
        from presence.floorplan.fields import PlanFields

        return {"$schema": "https://json-schema.org/draft/2020-12/schema", **PlanFields.model_json_schema()}

    @cached_property
    def graph(self) -> nx.MultiGraph[str]:
        """Rooms as nodes and doors as edges, whose keys are the doors' ids."""
        import networkx as nx

        graph: nx.MultiGraph[str] = nx.MultiGraph(name=self.name)
        graph.add_nodes_from(self.rooms)
        for door in self.doors.values():
            graph.add_edge(*door.between, key=door.id)
        return graph

    @cached_property
    def contacts(self) -> dict[str, Sensor]:
        """For each door that has one, its contact, or the lock that must do as one."""
        on_doors = [s for s in self.sensors.values() if s.door is not None]
        first = sorted(on_doors, key=lambda sensor: sensor.kind != "contact")
        return {str(sensor.door): sensor for sensor in reversed(first)}

    @cached_property
    def inner_sides(self) -> dict[str, int | None]:
        """For each door the side (0 or 1) that it alone joins to `away`, if there is one."""
        import networkx

        sides: dict[str, int | None] = {}
        for door in self.doors.values():
            graph = self.graph.copy()
            graph.remove_edge(*door.between, key=door.id)
            reachable = networkx.node_connected_component(graph, AWAY)
            sides[door.id] = next((k for k, room in enumerate(door.between) if room not in reachable), None)
        return sides

    @cached_property
    def outdoor_sides(self) -> dict[str, int | None]:
        """For each door the side (0 or 1) that is out of doors or off the property, if the other is not."""
        outdoors = {door.id: [room not in self.indoor for room in door.between] for door in self.doors.values()}
        return {door: sides.index(True) if sides[0] != sides[1] else None for door, sides in outdoors.items()}

    @cached_property
    def side_gates(self) -> frozenset[str]:
        """Doors between outdoor places that no entrance needs: without them every entrance is as near to `away`."""
        usual = self._distances()
        gates = {gate: self._distances(gate) for gate in self._ways_outdoors}
        return frozenset(g for g, found in gates.items() if all(found[door] == usual[door] for door in self.entrances))

    @cached_property
    def entrances(self) -> frozenset[str]:
        """The doors into the house with a lock or an overhead leaf.

        Where none with a lock is among the ones nearest to `away`, so are these: neither a lock that reports at the
        back only nor a garage makes the front path a side gate.
        """
        usual = self._distances()
        locks = {sensor.door for sensor in self.sensors.values() if sensor.kind == "lock"}
        locked = {door for door in usual if door in locks}
        overhead = {door for door in usual if self.doors[door].leaf == "overhead"}
        nearest = {door for door in usual if usual[door] == min(usual.values())}
        return frozenset(locked | overhead if locked & nearest else locked | overhead | nearest)

    @cached_property
    def approaches(self) -> frozenset[str]:
        """Outdoor places that are walked through rather than stayed in: beside an entrance that does not slide."""
        doors = [door for door in self.entrances if self.doors[door].leaf != "sliding"]
        beside = {self.doors[door].between[side] for door in doors if (side := self.outdoor_sides[door]) is not None}
        return frozenset(beside - {AWAY})

    @cached_property
    def _ways_outdoors(self) -> frozenset[str]:
        return frozenset(door.id for door in self.doors.values() if not set(self.indoor) & set(door.between))

    def _distances(self, without: str | None = None) -> dict[str, int]:
        """How many outdoor ways lie between `away` and each door into the house, one of the ways left out."""
        import networkx

        graph = networkx.Graph()
        graph.add_node(AWAY)
        graph.add_edges_from(self.doors[door].between for door in self._ways_outdoors if door != without)
        found: dict[str, int] = networkx.single_source_shortest_path_length(graph, AWAY)
        outer = {door: side for door, side in self.outdoor_sides.items() if side is not None}
        return {door: found.get(self.doors[door].between[side], len(self.rooms)) for door, side in outer.items()}

    @cached_property
    def corridors(self) -> frozenset[str]:
        """Rooms that people pass rather than stay in: three or more parts of the home meet only there.

        A kitchen or a living room often has three doors, too, but hardly ever is the only way between three parts.
        Outdoors it is where three or more ways meet.
        """
        import networkx

        home = networkx.Graph(self.graph.subgraph(self.indoor))
        parts = {room: networkx.number_connected_components(home.subgraph(set(home) - {room})) for room in home}
        meeting = {room for room in self.rooms if room not in parts and room != AWAY and self.graph.degree(room) > 2}
        return frozenset(meeting | {room for room, count in parts.items() if count > 2})

    @cached_property
    def indoor(self) -> list[str]:
        """Ids of the rooms that are neither outdoors nor away."""
        return [room.id for room in self.rooms.values() if not room.outdoors and room.id != AWAY]

    @cached_property
    def zone(self) -> ZoneInfo:
        """The time zone, for local hours."""
        from zoneinfo import ZoneInfo

        return ZoneInfo(self.time_zone)

    def values(self, sensor: str) -> tuple[str, ...]:
        """What a sensor's events may carry, `offline` and `online` last.

        Raises:
            KeyError: if the plan has no such sensor.
        """
        return (KINDS[self.sensors[sensor].kind].values or tuple(self.rooms)) + LINK_VALUES


def _room(id_: str, room: RoomFields | None) -> Room:
    label = (room and room.label) or id_.replace("_", " ")
    if room is None:
        return Room(id_, label, 0, None, outdoors=False, rest=False)
    outline = None if room.outline is None else tuple((x, y) for x, y in room.outline)
    return Room(id_, label, room.floor, outline, outdoors=room.outdoors, rest=bool(room.rest))


def _door(id_: str, door: DoorFields) -> Door:
    a, b = door.between
    return Door(id_, (a, b), door.leaf, _point(door.at))


def _sensor(id_: str, sensor: SensorFields) -> Sensor:
    room, door, person = (getattr(sensor, key, None) for key in ("room", "door", "person"))
    return Sensor(id_, sensor.kind, room, door, person, sensor.hold, _point(sensor.at), sensor.reach)


def _person(id_: str, person: PersonFields | None) -> Person:
    bed, codes = (person.bed, tuple(person.codes)) if person else (None, ())
    up, down = person.awake if person else ("07:00", "22:30")
    return Person(id_, bed, (_seconds_of_day(up), _seconds_of_day(down)), codes)


def _point(spot: list[float] | None) -> Point | None:
    return None if spot is None else (spot[0], spot[1])


def _seconds_of_day(clock: str) -> float:
    hours, minutes = clock.split(":")
    return 3600.0 * int(hours) + 60.0 * int(minutes)
