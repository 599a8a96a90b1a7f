"""Layouts: outlines, doors and sensors of any plan; shapely is the witness for what overlaps."""

import os
import subprocess
import sys
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest
import shapely
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from presence import Floorplan
from presence.draw.layout import HouseLayout, house_layout
from presence.draw.outlines import overlap, shared_wall
from presence.floorplan import AWAY
from presence.simulate.rooms import FRONT, GARDEN, function_of
from tests.strategies import plans

HOMES = sorted((Path(__file__).parents[1] / "floorplans").glob("*.yaml"))


def polygon(outline: Any) -> Any:
    return shapely.Polygon(outline)


def overlaps(layout: HouseLayout) -> list[tuple[str, str]]:
    """Pairs of rooms of one floor that share more than a square decimetre."""
    return [
        (a.id, b.id)
        for a, b in combinations(layout.rooms.values(), 2)
        if a.floor == b.floor and shapely.make_valid(polygon(a.outline)).intersection(polygon(b.outline)).area > 0.01
    ]


def without(plan: dict[str, Any], rooms: set[str]) -> dict[str, Any]:
    """The plan as if nobody had measured some rooms, their doors and sensors."""
    bare = {key: dict(value) if isinstance(value, dict) else value for key, value in plan.items()}
    hidden = {"outline"}
    bare["rooms"] = {
        id_: {k: v for k, v in (room or {}).items() if id_ not in rooms or k not in hidden}
        for id_, room in plan["rooms"].items()
    }
    bare["doors"] = {
        id_: {k: v for k, v in door.items() if k != "at" or not set(door["between"]) & rooms}
        for id_, door in plan["doors"].items()
    }
    bare["sensors"] = {
        id_: {k: v for k, v in sensor.items() if k != "at" or sensor.get("room") not in rooms}
        for id_, sensor in plan.get("sensors", {}).items()
    }
    return bare


def check_complete(plan: Floorplan, layout: HouseLayout) -> None:
    """Everything of the plan is drawn, and where the plan has it."""
    assert list(layout.rooms) == [room for room in plan.rooms if room != AWAY]
    assert list(layout.doors) == list(plan.doors)
    assert list(layout.sensors) == [id_ for id_, sensor in plan.sensors.items() if sensor.person is None]
    for id_, room in layout.rooms.items():
        assert polygon(room.outline).area > 0.005
        if plan.rooms[id_].outline is not None:
            assert room.given
            assert room.outline == plan.rooms[id_].outline
        else:
            assert polygon(room.outline).contains(shapely.Point(room.label_at))
    for id_, door in layout.doors.items():
        a, b = plan.doors[id_].between
        assert (door.ends[0].room, door.ends[1].room) == (a, b)
        floors = {plan.rooms[room].floor for room in (a, b) if room != AWAY}
        assert {end.floor for end in door.ends} == floors
        assert (door.kind == "exit") == (AWAY in (a, b))
        assert (door.kind == "stair") == (len(floors) == 2)


@pytest.mark.parametrize("path", HOMES, ids=lambda path: path.stem)
def test_homes_are_drawn_as_they_are_measured(path: Path) -> None:
    plan = Floorplan.load(path)
    layout = house_layout(plan)
    check_complete(plan, layout)
    assert not layout.notes
    assert not overlaps(layout)
    for id_, door in plan.doors.items():
        if door.at is not None:
            assert layout.doors[id_].at == door.at or layout.doors[id_].kind == "stair"
    for id_, sensor in layout.sensors.items():
        if plan.sensors[id_].at is not None:
            assert sensor.at == plan.sensors[id_].at
            assert sensor.given


@pytest.mark.parametrize("path", HOMES, ids=lambda path: path.stem)
def test_homes_without_outlines_look_like_houses(path: Path) -> None:
    """Every door lies in a wall that its two rooms share, the house is one rectangle, the outdoors lie around it."""
    mapping = yaml.safe_load(path.read_text(encoding="utf-8"))
    plan = Floorplan.from_mapping(without(mapping, set(mapping["rooms"])))
    layout = house_layout(plan)
    check_complete(plan, layout)
    assert not overlaps(layout)
    assert {door.kind for door in layout.doors.values()} <= {"wall", "stair", "exit"}
    for door in layout.doors.values():
        if door.kind == "wall":
            for room in door.between:
                assert polygon(layout.rooms[room].outline).exterior.distance(shapely.Point(door.at)) < 0.01
    for floor in layout.floors:
        house = shapely.union_all(
            [polygon(r.outline) for r in layout.rooms.values() if r.floor == floor and not r.outdoors]
        )
        assert house.area == pytest.approx(house.envelope.area, rel=1e-6)
    for room in layout.rooms.values():
        left, bottom, right, top = polygon(room.outline).bounds
        assert min(right - left, top - bottom) > 1.0


@pytest.mark.parametrize("path", HOMES, ids=lambda path: path.stem)
@pytest.mark.parametrize("every", [2, 3])
def test_rooms_without_outline_find_a_place_beside_the_others(path: Path, every: int) -> None:
    mapping = yaml.safe_load(path.read_text(encoding="utf-8"))
    plan = Floorplan.from_mapping(without(mapping, set(list(mapping["rooms"])[::every])))
    layout = house_layout(plan)
    check_complete(plan, layout)
    assert not overlaps(layout)
    assert not layout.notes


@settings(max_examples=40, deadline=None)
@given(plans())
def test_any_plan_is_laid_out_whole_and_only_given_outlines_overlap(mapping: dict[str, Any]) -> None:
    """Only outlines that the plan gives may overlap, and then it is said."""
    plan = Floorplan.from_mapping(mapping)
    layout = house_layout(plan)
    check_complete(plan, layout)
    assert layout == house_layout(plan)
    for pair in overlaps(layout):
        assert all(layout.rooms[room].given for room in pair)
        assert any(all(room in note for room in pair) for note in layout.notes)


@pytest.mark.parametrize("room", ["front_room", "back_room", "FRONT", "garden kitchen", "porch"])
def test_a_front_room_or_a_back_room_is_a_room_indoors(room: str) -> None:
    plan = Floorplan.from_mapping(
        {
            "name": "terrace",
            "time_zone": "UTC",
            "rooms": {room: {}},
            "doors": {"door": {"between": [room, "away"], "leaf": "hinged"}},
        }
    )
    check_complete(plan, house_layout(plan))
    assert function_of(plan.rooms[room], 1) not in (GARDEN, FRONT)


@settings(max_examples=25, deadline=None)
@given(plans(max_rooms=9))
def test_rooms_without_outlines_never_overlap(mapping: dict[str, Any]) -> None:
    plan = Floorplan.from_mapping(without(mapping, set(mapping["rooms"])))
    layout = house_layout(plan)
    check_complete(plan, layout)
    assert not overlaps(layout)
    assert not layout.notes


@given(plans(), st.booleans())
@settings(max_examples=20, deadline=None)
def test_floors_on_one_sheet_do_not_overlap(mapping: dict[str, Any], beside: bool) -> None:
    layout = house_layout(Floorplan.from_mapping(mapping))
    shifts = layout.offsets(beside=beside)
    boxes = [
        shapely.box(b.left + shifts[f][0], b.bottom + shifts[f][1], b.right + shifts[f][0], b.top + shifts[f][1])
        for f, b in layout.bounds.items()
    ]
    assert all(a.distance(b) > 1 for a, b in combinations(boxes, 2))


shapes = st.lists(st.tuples(st.integers(0, 6), st.integers(0, 6)), min_size=3, max_size=6, unique=True).map(
    lambda points: polygon(points)
)


@settings(max_examples=200, deadline=None)
@given(shapes.filter(lambda s: s.is_valid and s.area > 0), shapes.filter(lambda s: s.is_valid and s.area > 0))
def test_overlap_is_what_shapely_says(a: Any, b: Any) -> None:
    outlines = [tuple(shape.exterior.coords[:-1]) for shape in (a, b)]
    assert overlap(*outlines) == (a.intersection(b).area > 1e-9)


def test_rooms_beside_each_other_share_a_wall_and_rooms_apart_none() -> None:
    a = ((0.0, 0.0), (4.0, 0.0), (4.0, 3.0), (0.0, 3.0))
    b = ((4.2, 1.0), (6.0, 1.0), (6.0, 5.0), (4.2, 5.0))
    wall = shared_wall(a, b)
    assert wall is not None
    assert sorted(y for _, y in wall) == pytest.approx([1.0, 3.0])
    assert [x for x, _ in wall] == pytest.approx([4.1, 4.1])
    far = tuple((x + 1, y) for x, y in b)
    assert shared_wall(a, far) is None


def test_what_is_odd_about_outlines_is_said() -> None:
    box, shifted = [[0, 0], [4, 0], [4, 3], [0, 3]], [[2, 1], [6, 1], [6, 4], [2, 4]]
    rooms = {"hall": {"outline": box}, "den": {"outline": shifted}, "loft": {"floor": 1, "outline": box}}
    rooms["bow"] = {"outline": [[10, 0], [14, 3], [14, 0], [10, 2.5]]}
    doors = {f"d{k}": {"between": [room, AWAY], "leaf": "hinged"} for k, room in enumerate(rooms)}
    plan = Floorplan.from_mapping({"name": "odd", "time_zone": "UTC", "rooms": rooms, "doors": doors})
    notes = house_layout(plan).notes
    assert len(notes) == 2
    assert any("hall" in note and "den" in note and "overlap" in note for note in notes)
    assert any("bow" in note and "crosses itself" in note for note in notes)


def of_graph(pairs: list[tuple[int, int]], outdoors: tuple[int, ...] = (), exits: tuple[int, ...] = (0,)) -> Floorplan:
    """A home with one floor, a room for each number, a door for each pair."""
    numbers = sorted({n for pair in pairs for n in pair})
    rooms = {f"r{n}": {"outdoors": n in outdoors} for n in numbers}
    ends = [(f"r{a}", f"r{b}") for a, b in pairs] + [(f"r{n}", AWAY) for n in exits]
    doors = {f"d{k}": {"between": list(pair), "leaf": "hinged"} for k, pair in enumerate(ends)}
    return Floorplan.from_mapping({"name": "odd", "time_zone": "UTC", "rooms": rooms, "doors": doors})


@st.composite
def graphs(draw: st.DrawFn) -> tuple[Floorplan, int]:
    """A home of a plain kind, and how many of its doors may be drawn as lines through the house."""
    n = draw(st.integers(3, 10))
    kind = draw(st.sampled_from(["corridor", "row", "ring", "tree", "ring between two gardens"]))
    ring = [(k, (k + 1) % n) for k in range(n)]
    if kind == "corridor":
        return of_graph([(0, k) for k in range(1, n + 1)]), 0
    if kind == "row":
        return of_graph(ring[:-1]), 0
    if kind == "ring":
        return of_graph(ring), 0
    if kind == "tree":
        return of_graph([(draw(st.integers(0, k - 1)), k) for k in range(1, n)]), 1
    return of_graph(ring, (0, n // 2), (0, n // 2)), 0


@settings(max_examples=16, deadline=None)
@given(graphs())
def test_plain_houses_have_every_door_in_a_wall(drawn: tuple[Floorplan, int]) -> None:
    plan, lines = drawn
    layout = house_layout(plan)
    check_complete(plan, layout)
    assert not overlaps(layout)
    assert not layout.notes
    assert sum(door.kind == "link" for door in layout.doors.values()) <= lines


def test_four_rooms_that_all_meet_and_a_house_that_no_sheet_can_hold() -> None:
    """Four rectangles cannot all share walls with each other, and five rooms that all meet have no planar drawing."""
    for n, lines in ((4, 1), (5, 2)):
        layout = house_layout(of_graph(list(combinations(range(n), 2))))
        assert not overlaps(layout)
        assert sum(door.kind == "link" for door in layout.doors.values()) == lines


def test_many_rooms_are_laid_out_without_overlap() -> None:
    """A hotel, with more rooms than are cut out of one rectangle: six corridors in a row, nine rooms at each."""
    rooms: dict[str, Any] = {f"corridor_{k}": {} for k in range(6)} | {f"room_{k}": {} for k in range(54)}
    ends = [(f"corridor_{k}", f"corridor_{k - 1}" if k else AWAY) for k in range(6)]
    ends += [(f"room_{k}", f"corridor_{k // 9}") for k in range(54)]
    doors = {f"d{k}": {"between": list(pair), "leaf": "hinged"} for k, pair in enumerate(ends)}
    layout = house_layout(Floorplan.from_mapping({"name": "h", "time_zone": "UTC", "rooms": rooms, "doors": doors}))
    assert not overlaps(layout)
    assert sum(door.kind != "link" for door in layout.doors.values()) >= 54


def test_same_layout_in_another_process_and_without_matplotlib() -> None:
    code = (
        "import sys\nfrom presence import Floorplan\nfrom presence.draw.layout import house_layout\n"
        "rooms = {c: {} for c in 'abcdef'}\n"
        "doors = {c: {'between': [c, 'away' if c == 'a' else 'a'], 'leaf': 'hinged'} for c in rooms}\n"
        "plan = {'name': 'p', 'time_zone': 'UTC', 'rooms': rooms, 'doors': doors}\n"
        "print(house_layout(Floorplan.from_mapping(plan)))\nassert 'matplotlib' not in sys.modules"
    )
    said = []
    for seed in ("1", "2"):
        environment = {**os.environ, "PYTHONHASHSEED": seed}
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environment)
        said.append(done.stdout)
    assert said[0] == said[1] != ""
