"""What a motion sensor sees of its neighbours' zones, against closed formulas for circles and rectangles."""

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from presence import Event, Floorplan, Settings, Tracker
from presence.floorplan import area_of
from presence.habits import Hour
from presence.movement import PET, RESIDENT, VISITOR, beings, weights_and_flows
from presence.places import ASLEEP, SETTLED, States, is_corridor, is_small, narrow, states_of
from presence.views import SPOTS, in_view, inside, views
from tests.oracle import at, contact, home, motion, time_at
from tests.test_exactness import VIEWS, assert_same, brute_force, tracked

FINE = 3 / SPOTS**0.5
"""Sums over a grid of n spots a side are within a few parts in n of an area."""


def room(outline: list[list[float]], **sensors: dict[str, Any]) -> Floorplan:
    return home(1, rooms={"hall": {"outline": outline}, "bed": {}}, bed_motion=motion("bed"), **sensors)


def two(reach: float, *, apart: float = 3.0) -> Floorplan:
    """Two sensors beside each other in a strip 6 m by 3 m, each in the middle of its half."""
    spots = {"west": 3 - apart / 2, "east": 3 + apart / 2}
    strip = [[0, 0], [6, 0], [6, 3], [0, 3]]
    return room(strip, **{name: motion("hall", at=[x, 1.5], reach=reach) for name, x in spots.items()})


def share(plan: Floorplan, sensor: str, zone: str) -> float:
    states = states_of(plan)
    index = next(i for i, place in enumerate(states.places) if place.zone == zone)
    return views(plan, states)[sensor].get(index, 0.0)


def segment(reach: float, distance: float) -> float:
    """Area of a circle beyond a line at some distance from its centre: r^2 acos(d / r) - d sqrt(r^2 - d^2)."""
    return reach**2 * math.acos(distance / reach) - distance * math.sqrt(reach**2 - distance**2)


@pytest.mark.parametrize("reach", [1.6, 1.9, 2.1])
def test_a_circle_reaches_over_the_line_between_two_zones(reach: float) -> None:
    """Beyond the line it is cut by the walls above and below only if its chord is longer than the strip is wide."""
    assert math.sqrt(reach**2 - 1.5**2) <= 1.5
    assert share(two(reach), "west", "east") == pytest.approx(segment(reach, 1.5) / 9.0, abs=FINE)


def test_nothing_is_seen_of_a_neighbour_beyond_reach() -> None:
    assert share(two(1.4), "west", "east") == 0.0
    assert share(two(50.0), "west", "east") == pytest.approx(1.0)


def test_a_corner_hides_what_is_behind_it() -> None:
    """In an L of three squares of 2 m, from the end of one arm: of the other arm's square, a triangle.

    From (1, 0) the line over the inner corner (2, 2) reaches the far wall y = 4 at x = 3, so of the square [2, 4] x
    [2, 4] the part above that line is seen: a triangle of 1 m by 2 m.
    """
    outline = np.array([[0, 0], [2, 0], [2, 2], [4, 2], [4, 4], [0, 4]], dtype=float)
    axis = np.arange(0.01, 4, 0.02)
    spots = np.column_stack([a.ravel() for a in np.meshgrid(axis, axis)])
    within = inside(spots, outline)
    assert within.mean() == pytest.approx(12 / 16, abs=1e-3)
    arm = (spots > 2).all(axis=1)
    seen = in_view(spots, (1.0, 0.0), 99.0, outline)
    assert seen[arm].mean() == pytest.approx(1 / 4, abs=0.01)
    assert seen[within & (spots[:, 0] < 2)].all()


@pytest.mark.parametrize("missing", ["at", "reach", "outline"])
def test_plans_that_do_not_say_see_their_own_zone_only(missing: str) -> None:
    spots = [{"at": [1.5, 1.5], "reach": 2.5}, {"at": [4.5, 1.5], "reach": 2.5}]
    sensors = [motion("hall", **{k: v for k, v in about.items() if k != missing}) for about in spots]
    given = {} if missing == "outline" else {"outline": [[0, 0], [6, 0], [6, 3], [0, 3]]}
    rooms = {"hall": given, "bed": {}}
    plan = home(1, rooms=rooms, bed_motion=motion("bed"), west=sensors[0], east=sensors[1])
    states: States = states_of(plan)
    assert not any(views(plan, states).values())


def test_a_seat_is_seen_by_every_sensor_in_reach() -> None:
    plan = room(
        [[0, 0], [6, 0], [6, 3], [0, 3]],
        west=motion("hall", at=[1.5, 1.5], reach=2.0),
        east=motion("hall", at=[4.5, 1.5], reach=2.0),
        chair={"kind": "pressure", "room": "hall", "at": [3.2, 1.5]},
    )
    states = states_of(plan)
    chair = next(i for i, place in enumerate(states.places) if place.seat)
    assert views(plan, states)["west"][chair] == 1.0
    assert views(plan, states)["east"][chair] == 1.0


def test_the_tracker_is_exact_where_views_overlap() -> None:
    events = [*_pair(30.0), at(42.0, "west", "detected"), at(60.0, "inner_contact", "open")]
    assert_same(tracked(VIEWS, events, until=300.0), brute_force(VIEWS, events, until=time_at(300.0)))


def test_one_person_in_view_of_two_is_likelier_than_without() -> None:
    """Two sensors that answer each other for an hour: with the overlap known, one person explains it better."""
    events = [e for k in range(12) for e in _pair(30.0 + 60.0 * k)]
    counts = [tracked_count(two(reach), events) for reach in (2.1, 1.4)]
    assert counts[0] < counts[1]


def _pair(seconds: float) -> list[Event]:
    return [
        at(seconds, "west", "detected"),
        at(seconds + 0.1, "east", "detected"),
        at(seconds + 10, "west", "clear"),
        at(seconds + 10.1, "east", "clear"),
    ]


def tracked_count(plan: Floorplan, events: list[Event]) -> float:
    """Probability that there are two at home, a visitor being allowed for."""
    tracker = Tracker(replace(plan, visitors=1))
    tracker.advance(time_at(0))
    for event in events:
        tracker.observe(event)
    return tracker.belief.at_home[2]


@pytest.mark.parametrize(("width", "expected"), [(1.2, True), (1.4, True), (1.6, False), (3.0, False)])
def test_only_a_narrow_outline_makes_a_corridor(width: float, expected: bool) -> None:
    outline = [[0.0, 0.0], [5.0, 0.0], [5.0, width], [0.0, width]]
    plan = home(1, rooms={"hall": {"outline": outline}, "bed": {}}, hall_motion=motion("hall"))
    assert narrow(plan, "hall") is expected
    assert not narrow(plan, "bed")  # nobody knows


@pytest.mark.parametrize("x", [0.0, 0.1, 3.3, -7.7])
@pytest.mark.parametrize("y", [0.0, 1.1, -4.45])
def test_wherever_a_room_is_drawn_it_is_as_wide_and_as_large(x: float, y: float) -> None:
    """1.5 m wide, not narrower, and 6.5 m2: sums of coordinates are off by rounding, and sizes then are not exact."""
    corridor = [[x, y], [x + 3.2, y], [x + 3.2, y + 1.5], [x, y + 1.5]]
    bath = [[x, y], [x, y + 2.5], [x + 2.6, y + 2.5], [x + 2.6, y]]
    rooms: dict[str, dict[str, Any]] = {"hall": {"outline": corridor}, "bath": {"outline": bath}}
    doors = {"inner": {"between": ["hall", "bath"]}, "front": {"between": ["hall", "away"]}}
    plan = home(1, rooms=rooms, doors=doors, bath_motion=motion("bath"))
    assert not narrow(plan, "hall")
    assert not is_small(plan, "bath")


def test_an_area_is_that_of_the_triangles_and_squares_it_is_made_of() -> None:
    """An L of three unit squares, and half of one; the other way round it is counted as negative."""
    corners = [(0, 0), (2, 0), (2, 1), (1, 1), (1, 2), (0, 2)]
    assert area_of(corners) == 3.0
    assert area_of(corners[::-1]) == -3.0
    assert area_of([*corners[:2], (0, 1)]) == 1.0


@pytest.mark.parametrize(("width", "expected"), [(1.4, True), (3.0, False)])
def test_a_narrow_hall_with_three_doors_is_a_corridor_though_one_can_walk_round_it(
    width: float, expected: bool
) -> None:
    outline = [[0.0, 0.0], [5.0, 0.0], [5.0, width], [0.0, width]]
    ways = [("hall", "living"), ("hall", "kitchen"), ("living", "kitchen"), ("hall", "bath"), ("hall", "away")]
    plan = home(
        1,
        rooms={"hall": {"outline": outline}, "living": {}, "kitchen": {}, "bath": {}},
        doors={f"{a}_{b}": {"between": [a, b]} for a, b in ways},
        hall_motion=motion("hall"),
    )
    assert plan.corridors == frozenset()
    assert is_corridor(plan, "hall") is expected


@pytest.mark.parametrize(
    ("length", "width", "expected"),
    [(2.4, 2.0, True), (2.9, 2.2, True), (3.0, 2.2, False), (3.5, 1.8, True), (6.0, 2.0, False)],
)
def test_a_room_too_small_to_live_in_is_below_70_square_feet(length: float, width: float, expected: bool) -> None:
    """6.5 m2 (International Residential Code, R304.1); not where people sleep, pass through, or are out of doors."""
    outline = [[0.0, 0.0], [length, 0.0], [length, width], [0.0, width]]
    outlined: dict[str, dict[str, Any]] = {"hall": {}, "bed": {"rest": True}, "bath": {}, "yard": {"outdoors": True}}
    outlined |= {"porch": {}, "unheard": {}}
    ways = [("porch", "hall"), *(("hall", room) for room in ("bed", "bath", "unheard", "attic", "yard"))]
    plan = home(
        1,
        rooms={name: {"outline": outline, **more} for name, more in outlined.items()} | {"attic": {}},
        doors={f"{a}_{b}": {"between": [a, b]} for a, b in [*ways, ("porch", "away")]},
        **{f"{name}_motion": motion(name) for name in (*outlined, "attic") if name != "unheard"},
    )
    assert [room for room in plan.rooms if is_small(plan, room)] == (["bath"] if expected else [])


@pytest.mark.parametrize(
    ("role", "sensor"),
    [(RESIDENT, motion("bath")), (VISITOR, motion("bath")), (PET, motion("bath")), (RESIDENT, contact("inner"))],
)
def test_nobody_passes_through_a_room_too_small_to_live_in_nor_rests_there(role: str, sensor: dict[str, Any]) -> None:
    """Rates, by the definition of weights and flows, beside those of a larger room; a cat goes and rests anywhere."""

    def rates(width: float) -> Any:
        """Of walking in and out, of a walk's end, of walking on, of settling, of rising."""
        outline = [[0.0, 0.0], [3.0, 0.0], [3.0, width], [0.0, width]]
        rooms: dict[str, Any] = {"hall": {}, "bath": {"outline": outline}}
        doors = {"inner": {"between": ["hall", "bath"]}, "front": {"between": ["hall", "away"]}}
        plan = home(1, rooms=rooms, doors=doors, visitors=1, pets={"cat": {}}, bath=sensor)
        states = states_of(plan)
        being = next(being for being in beings(plan) if being.role == role)
        weights, flows = weights_and_flows(plan, states, being, Hour(False), Settings())
        hall, (moving, active, settled, _) = (states.select(states.places_of(room)) for room in ("hall", "bath"))
        pairs = [(hall[0], moving), (moving, hall[0]), (moving, active), (active, moving), (active, settled)]
        return np.array([flows[i, j] / weights[i] for i, j in [*pairs, (settled, active)]])

    s, small = Settings(), role != PET and sensor["kind"] == "motion"
    share, sooner = (s.small_room_share, s.small_room_rising_factor) if small else (1.0, 1.0)
    assert rates(2.0) / rates(2.5) == pytest.approx([share, 1.0, 1.0 / share, 1.0, 1.0, sooner])


def test_a_corridor_with_several_sensors_is_no_room_to_settle_in() -> None:
    """As with one sensor: `Settings.corridor_share` on settling; the great room has four doors and is wide."""
    plan = Floorplan.load(Path(__file__).parents[1] / "floorplans" / "open_plan_bungalow.yaml")
    states, being = states_of(plan), beings(plan)[0]
    weights, _ = weights_and_flows(plan, states, being, Hour(False), Settings())

    def odds(room: str, pace: int) -> float:
        """Of a stiller pace against the one before it, in a room's zones."""
        places = states.places_of(room)
        return float(weights[states.select(places, pace)].sum() / weights[states.select(places, pace - 1)].sum())

    assert odds("passage", SETTLED) == pytest.approx(Settings().corridor_share * odds("great_room", SETTLED))
    assert odds("passage", ASLEEP) < 1e-4 < odds("great_room", ASLEEP)
