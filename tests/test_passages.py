"""Which way through a door: the stories that anybody at home could tell, and what every answer must obey.

What is likely here is common practice, no source: a garage door and then the house door is an arrival, movement
indoors and then the door is somebody going out, a code on the keypad is its owner outside.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as effort
from hypothesis import strategies as st

from presence import Event, Floorplan, Passage, Settings, Tracker
from presence.doors import MOST_WINDOWS, TRACKED_SHARE
from presence.floorplan import Sensor
from presence.model import Model
from presence.passages import INFERRED_LIMIT, inferred_passages
from tests.oracle import (
    NOON,
    JointFilter,
    at,
    contact,
    doors,
    draw_log,
    exact_direction,
    home,
    logs,
    mirrored,
    motion,
    motions,
    time_at,
)

GARAGE = Floorplan.load(Path(__file__).parents[1] / "floorplans" / "two_storey_garage.yaml")
WINDOW = Settings().passage_window
Line = tuple[float, str, str]


BESIDE = Settings(door_pulled_shut_share=0.0)
"""As in the exact filters: only who is beside a door shuts it."""


def told(
    plan: Floorplan,
    lines: Sequence[Line | Event],
    until: float | None = None,
    hypotheses: int = 16,
    settings: Settings | None = None,
) -> list[Passage]:
    """Every answer that a tracker gives over some lines of a log, from noon on."""
    tracker = Tracker(plan, settings, hypotheses=hypotheses)
    tracker.advance(NOON)
    for line in lines:
        tracker.observe(line if isinstance(line, Event) else at(*line))
    if until is not None:
        tracker.advance(time_at(until))
    return tracker.take_passages()


def at_once(passages: Sequence[Passage], seconds: float) -> Passage:
    """The first answer about the door event of an instant."""
    return next(p for p in passages if p.time == time_at(seconds) and not p.inferred)


def final(passages: Sequence[Passage], seconds: float) -> Passage:
    (answer,) = [p for p in passages if p.time == time_at(seconds) and p.final and not p.inferred]
    return answer


# --- the garage ------------------------------------------------------------------------------------------------------
ARRIVAL: list[Line] = [
    (0.5, "ada_phone", "home"),
    (0.6, "ben_phone", "away"),
    (0.7, "cleo_phone", "home"),
    (10.0, "living_motion", "detected"),
    (12.0, "spare_bedroom_motion", "detected"),
    (40.0, "living_motion", "clear"),
    (50.0, "living_motion", "detected"),
    (52.0, "spare_bedroom_motion", "clear"),
    (58.0, "spare_bedroom_motion", "detected"),
    (60.0, "drive_camera", "person"),
    (66.0, "overhead_contact", "open"),
    (95.0, "garage_motion", "detected"),
    (120.0, "garage_utility_contact", "open"),
    (121.5, "utility_motion", "detected"),
    (124.0, "garage_utility_contact", "closed"),
    (129.0, "kitchen_motion", "detected"),
    (160.0, "ben_phone", "home"),
]
GOING_OUT: list[Line] = [
    (0.5, "ada_phone", "home"),
    (0.6, "ben_phone", "home"),
    (0.7, "cleo_phone", "away"),
    (60.0, "kitchen_motion", "detected"),
    (71.0, "utility_motion", "detected"),
    (75.0, "garage_utility_contact", "open"),
    (78.0, "garage_motion", "detected"),
    (80.0, "garage_utility_contact", "closed"),
]


def test_overhead_door_then_house_door_is_an_arrival() -> None:
    passages = told(GARAGE, ARRIVAL, 600.0)
    assert at_once(passages, 120.0).directions["garage>utility"] > 0.9
    assert final(passages, 120.0).directions["garage>utility"] > 0.95
    assert final(passages, 120.0).people["ben"] > 0.5, "the others are heard indoors"


@pytest.mark.parametrize("minutes", [1, 3, 5])
def test_overhead_door_in_the_last_five_minutes_is_an_arrival(minutes: int) -> None:
    """Nothing but the doors is heard: the rule of thumb, "within the last five minutes" (common practice)."""
    doors = {name: sensor for name, sensor in GARAGE.sensors.items() if sensor.kind in ("contact", "lock")}
    lines: list[Line] = [(60.0, "overhead_contact", "open"), (90.0, "overhead_contact", "closed")]
    house = 60.0 + 60.0 * minutes
    passages = told(replace(GARAGE, sensors=doors), [*lines, (house, "garage_utility_contact", "open")])
    assert at_once(passages, house).directions["garage>utility"] > 0.5


def test_house_door_alone_after_movement_inside_is_somebody_going_out() -> None:
    passages = told(GARAGE, GOING_OUT, 600.0)
    assert at_once(passages, 75.0).directions["utility>garage"] > 0.9
    assert final(passages, 75.0).directions["utility>garage"] > 0.9


SET_GOING: list[Line] = [
    *((n / 2, f"{name}_phone", "home") for n, name in enumerate(GARAGE.people, 1)),
    (60.0, "kitchen_motion", "detected"),
    (71.0, "utility_motion", "detected"),
    (73.0, "overhead_contact", "open"),
    (75.0, "garage_utility_contact", "open"),
    (78.0, "garage_motion", "detected"),
    (80.0, "garage_utility_contact", "closed"),
    (95.0, "drive_camera", "person"),
    (105.0, "drive_camera", "clear"),
    (110.0, "overhead_contact", "closed"),
]
"""Everybody is at home; one walks from the kitchen to the car, and sets its door going on the way."""


def test_who_sets_the_overhead_door_going_on_the_way_to_it_goes_out() -> None:
    passages = told(GARAGE, SET_GOING, 600.0)
    assert at_once(passages, 75.0).directions["utility>garage"] > 0.8
    assert final(passages, 75.0).directions["utility>garage"] > 0.8
    assert final(passages, 73.0).directions["garage>drive"] > 0.8


def test_who_is_at_home_while_somebody_comes_by_car_has_not_gone_out() -> None:
    """Somebody walks about in the kitchen all the while: they may have set the door going, but it was not so."""
    kitchen = [(20.0, "kitchen_motion", "detected"), (52.0, "kitchen_motion", "clear")]
    passages = told(GARAGE, [*kitchen, *(line for line in ARRIVAL if line[0] > 52.0)], 600.0)
    assert at_once(passages, 120.0).directions["garage>utility"] > 0.8
    assert final(passages, 120.0).directions["garage>utility"] > 0.8


def test_the_next_answer_is_no_worse_informed() -> None:
    """Movement in the garage right after the door settles which way it was."""
    passages = told(GARAGE, GOING_OUT, 600.0)
    assert final(passages, 75.0).directions["utility>garage"] >= at_once(passages, 75.0).directions["utility>garage"]


# --- doors that stand open, doors that nobody goes through -----------------------------------------------------------
@pytest.mark.parametrize(("bounces", "passed"), [(0.02, False), (0.0, True)])
def test_who_goes_through_a_door_that_rattles(bounces: float, passed: bool) -> None:
    """It opens a second after it was shut, again and again: that is soon known of it, unless it never does so."""
    plan = home(1, hall_motion=motion("hall"), inner_contact=contact("inner"), back_contact=contact("back"))
    tracker = Tracker(plan, Settings(door_bounce_share=bounces))
    tracker.observe(at(30.0, "hall_motion", "detected"))
    tracker.observe(at(34.0, "inner_contact", "open"))
    tracker.observe(at(40.0, "hall_motion", "clear"))
    for n in range(31):
        tracker.observe(at(41.0 + n, "inner_contact", "open" if n % 2 else "closed"))
    tracker.advance(time_at(400.0))
    answers = {p.time: p.nobody for p in tracker.take_passages() if p.final}
    assert (answers[time_at(70.0)] < 0.2) == passed
    assert (answers[time_at(70.0)] > 0.8) != passed


def test_a_contact_that_always_says_twice_that_its_door_was_opened() -> None:
    """As in one open log (van Kasteren et al. 2010, house A), four seconds apart: its own record tells, in a week."""
    ends = {"inner": {"between": ["hall", "bed"]}, "front": {"between": ["hall", "away"]}}
    plan = home(1, doors=ends, hall_tap={"kind": "switch", "room": "hall"}, front_contact=contact("front"))
    lines: list[Line] = []
    for out in np.arange(160.0, 80_000.0, 8_000.0):
        twice = [(0.0, "open"), (1.0, "closed"), (5.0, "open"), (6.0, "closed")]
        lines += [(begin + s, "front_contact", value) for begin in (out, out + 3_600.0) for s, value in twice]
        lines += [(out - 60.0, "hall_tap", "pressed"), (out + 3_700.0, "hall_tap", "pressed")]
    passages = told(plan, sorted(lines), 90_000.0)
    left, back = ([at_once(passages, out + s) for s in (0.0, 5.0)] for out in (72_160.0, 75_760.0))
    assert left[0].directions["hall>away"] > 0.8
    assert min(left[1].nobody, back[1].nobody) > 0.5
    assert back[0].directions["away>hall"] > back[0].directions["hall>away"]
    assert at_once(passages, 165.0).nobody < 0.2  # not yet known of it


@pytest.mark.parametrize(("stood", "open_share"), [("open", 0.8), ("closed", 0.0)])
def test_who_opens_a_door_that_usually_stands_open_may_only_put_it_back(stood: str, open_share: float) -> None:
    """Somebody is heard on one side only, so both ways of opening it are theirs: odds of staying by hand."""
    plan, s = home(1, hall_motion=motion("hall"), bed_motion=motion("bed"), inner_contact=contact("inner")), Settings()
    tracker = Tracker(plan)
    tracker.observe(at(0.0, "inner_contact", stood))
    tracker.observe(at(20_000.0, "bed_motion", "detected"))
    tracker.observe(at(20_010.0, "bed_motion", "clear"))
    if stood == "open":
        tracker.observe(at(20_012.0, "inner_contact", "closed"))
    tracker.observe(at(20_100.0, "bed_motion", "detected"))
    tracker.observe(at(20_110.0, "bed_motion", "clear"))
    tracker.observe(at(20_113.0, "inner_contact", "open"))
    staying = (1 - open_share) * s.door_idle_share + open_share * s.door_put_back_share
    expected = staying / (staying + 1 - s.door_miss)
    assert at_once(tracker.take_passages(), 20_113.0).nobody == pytest.approx(expected, rel=0, abs=0.02)


# --- outdoors --------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("hours", [0.5, 2.0])
def test_a_door_that_stood_open_for_hours_and_is_shut_from_inside_was_not_passed(hours: float) -> None:
    """However long it stood open: whoever shuts it and is seen inside again at once has not gone out."""
    later = 3600.0 * hours
    lines = [*GOING_OUT, (85.0, "overhead_contact", "open"), (90.0, "garage_motion", "clear")]
    back = [(120.0, "garage_utility_contact", "open"), (122.0, "utility_motion", "detected")]
    around = [(later - 5.0, "garage_motion", "detected"), (later + 5.0, "overhead_contact", "closed")]
    tidied = [(later + 20.0, "garage_motion", "clear"), (later + 25.0, "garage_utility_contact", "open")]
    answers = told(
        GARAGE, [*lines, *back, *around, *tidied, (later + 27.0, "utility_motion", "detected")], later + 400.0
    )
    answer = final(answers, later + 5.0)
    assert answer.directions["garage>drive"] < 0.02  # they may have come in: somebody had probably gone out before
    assert answer.nobody > 0.5


@pytest.mark.parametrize("door", ["overhead", "cloakroom"])
def test_how_a_door_stands_is_unknown_before_it_reports(door: str) -> None:
    """A first report that it is shut: nobody need have passed."""
    answers = told(GARAGE, [(10.0, f"{door}_contact", "closed")], 600.0)
    assert final(answers, 10.0).nobody > 0.9


def test_who_goes_into_the_garden_is_there_and_not_off_by_the_side_gate() -> None:
    """A quarter of an hour later, phone at home; on the front path people do not stay that long."""
    for door, inside, least, most in (("back", "kitchen", 0.9, 1.0), ("front", "hall", 0.0, 0.5)):
        tracker = Tracker(replace(GARAGE, people={"ada": GARAGE.people["ada"]}, sensors=without("ben", "cleo")))
        tracker.advance(NOON)
        for line in (
            (1.0, "ada_phone", "home"),
            (30.0, f"{inside}_motion", "detected"),
            (33.0, f"{door}_contact", "open"),
            (36.0, f"{door}_contact", "closed"),
            (65.0, f"{inside}_motion", "clear"),
        ):
            tracker.observe(at(*line))
        tracker.advance(time_at(900.0))
        assert least <= 1.0 - tracker.belief.at_home[0] <= most


def without(*people: str) -> dict[str, Sensor]:
    """The garage house's sensors but the phones of some."""
    return {name: sensor for name, sensor in GARAGE.sensors.items() if sensor.person not in people}


def test_a_closing_that_never_came_does_not_leave_an_outer_door_open_for_ever() -> None:
    """Ten hours after its last report the front door reports that it is shut: somebody has come in just now."""
    lines = [(5.0, "hall_motion", "detected"), (8.0, "front_contact", "open"), (35.0, "hall_motion", "clear")]
    evening = [(35990.0, "porch_motion", "detected"), (36000.0, "front_contact", "closed")]
    answers = told(row(1), [*lines, *evening], 36400.0)
    assert at_once(answers, 36000.0).directions["porch>hall"] > 0.5
    soon = [*lines, (60.0, "front_contact", "closed")]
    assert at_once(told(row(1), soon, 400.0), 60.0).nobody > 0.8


def test_who_has_left_by_a_flat_s_door_need_not_close_it_from_far_off() -> None:
    """Nobody off the property is beside a door, but those who are just walking away or up to it."""
    flat = Floorplan.load(Path(__file__).parents[1] / "floorplans" / "one_room_flat.yaml")
    lines = [(0.0, "studio_motion", "detected"), (62.0, "front_contact", "open"), (63.0, "studio_motion", "clear")]
    answers = told(flat, lines, 400.0)
    assert final(answers, 62.0).directions["studio>away"] > 0.5


def test_who_leaves_a_room_may_shut_its_door_behind_them() -> None:
    """Also where the door has stood open all the time: nothing that happens at a door is impossible."""
    model = Model(GARAGE, Settings())
    (way,) = model.world(model.hours(NOON.timestamp())[0]).ways("cloakroom_contact", "closed", None, 1.0)
    rates = dict(zip(way.source.tolist(), way.losses[0].tolist(), strict=True))
    inside, outside = (
        [rates[state] for state in rates if model.states.rooms[model.states.room[state]] == room]
        for room in ("cloakroom", "hall")
    )
    assert min(inside) > 5 * max(outside)
    assert min(outside) > 0.0


# --- a row of rooms ------------------------------------------------------------------------------------------------
def row(people: int = 2, visitors: int = 0, **more: dict[str, str]) -> Floorplan:
    """Porch (outdoors), hall and lounge in a row; a contact at the front, motion in each room."""
    return home(
        people,
        visitors=visitors,
        rooms={"porch": {"outdoors": True}, "hall": {}, "lounge": {"rest": True}},
        doors={
            "gate": {"between": ["porch", "away"], "leaf": "none"},
            "front": {"between": ["porch", "hall"]},
            "arch": {"between": ["hall", "lounge"], "leaf": "none"},
        },
        porch_motion=motion("porch"),
        hall_motion=motion("hall"),
        lounge_motion=motion("lounge"),
        front_contact=contact("front"),
        **more,
    )


def test_several_people_come_in_while_the_door_stands_open() -> None:
    """One opening, two arrivals: both end up indoors, and the answer is still an arrival."""
    lines: list[Line] = [
        (30.0, "porch_motion", "detected"),
        (34.0, "front_contact", "open"),
        (36.0, "hall_motion", "detected"),
        (44.0, "porch_motion", "clear"),
        (46.0, "hall_motion", "clear"),
        (47.0, "porch_motion", "detected"),
        (49.0, "lounge_motion", "detected"),
        (52.0, "hall_motion", "detected"),
        (55.0, "front_contact", "closed"),
        (57.0, "porch_motion", "clear"),
        (62.0, "hall_motion", "clear"),
    ]
    tracker, exact = Tracker(row(), BESIDE), JointFilter(row())
    tracker.advance(NOON)
    for line in lines:
        tracker.observe(at(*line))
        exact.observe(at(*line))
    np.testing.assert_allclose(list(tracker.belief.rooms.values()), exact.rooms(), rtol=0, atol=5e-3)
    assert tracker.belief.at_home[2] > 0.5
    assert tracker.belief.rooms["hall"] > 0.5
    tracker.advance(time_at(400.0))
    assert final(tracker.passages, 34.0).directions["porch>hall"] > 0.9


LEFT_OPEN: list[Line] = [
    (5.0, "hall_motion", "detected"),
    (8.0, "front_contact", "open"),
    (15.0, "hall_motion", "clear"),
    (20.0, "hall_motion", "detected"),
    (23.0, "porch_motion", "detected"),
    (33.0, "porch_motion", "clear"),
    (33.5, "hall_motion", "clear"),
]


def test_a_door_left_open_lets_people_out_unreported() -> None:
    """The opening was for nobody; later somebody walks out through it: the count follows."""
    tracker = Tracker(row(1))
    tracker.advance(NOON)
    for line in LEFT_OPEN:
        tracker.observe(at(*line))
    assert tracker.belief.people["P1"]["hall"] + tracker.belief.people["P1"]["lounge"] < 0.1
    tracker.advance(time_at(320.0))
    assert final(tracker.passages, 8.0).directions["hall>porch"] > 0.8


def test_a_door_opened_and_nobody_passes() -> None:
    """Somebody opens the front door, takes the post and goes back to the lounge."""
    lines: list[Line] = [
        (5.0, "lounge_motion", "detected"),
        (14.0, "hall_motion", "detected"),
        (15.0, "lounge_motion", "clear"),
        (18.0, "front_contact", "open"),
        (23.0, "front_contact", "closed"),
        (24.5, "hall_motion", "clear"),
        (26.0, "hall_motion", "detected"),
        (29.0, "lounge_motion", "detected"),
        (45.0, "lounge_motion", "clear"),
        (50.0, "hall_motion", "clear"),
        (55.0, "lounge_motion", "detected"),
        (70.0, "lounge_motion", "clear"),
        (75.0, "lounge_motion", "detected"),
        (95.0, "lounge_motion", "clear"),
    ]
    answer = final(told(row(1), lines, 400.0), 18.0)
    assert answer.nobody > 0.5
    assert answer.nobody > at_once(told(row(1), lines[:4]), 18.0).nobody


def test_closing_a_door_is_no_second_passage() -> None:
    """Who shuts the door behind them has passed it once."""
    passages = told(GARAGE, GOING_OUT, 600.0)
    assert final(passages, 80.0).nobody > 0.7


def test_who_goes_out_and_comes_back_before_the_door_is_shut_is_told_at_both() -> None:
    lines: list[Line] = [
        (1.0, "hall_motion", "detected"),
        (6.0, "front_contact", "open"),
        (9.0, "porch_motion", "detected"),
        (11.0, "hall_motion", "clear"),
        (40.0, "hall_motion", "detected"),
        (42.0, "front_contact", "closed"),
        (46.0, "lounge_motion", "detected"),
        (56.0, "lounge_motion", "clear"),
    ]
    passages = told(row(1), lines, 400.0)
    assert final(passages, 6.0).directions["hall>porch"] > 0.9
    assert final(passages, 42.0).directions["porch>hall"] > 0.9
    assert final(passages, 42.0).people["P1"] > 0.9
    once = told(row(1), [*lines[:4], (12.0, "front_contact", "closed")], 400.0)
    assert final(once, 6.0).directions["hall>porch"] > 0.9
    assert final(once, 12.0).nobody > 0.9


@pytest.mark.parametrize("way", ["porch>hall", "hall>porch"])
def test_the_order_of_a_log_counts_where_times_are_the_same(way: str) -> None:
    """Where a log knows whole seconds only, the order in which it was written is all that tells which way."""
    rooms = way.split(">")
    lines: list[Line] = [
        (60.0, f"{rooms[0]}_motion", "detected"),
        (60.0, "front_contact", "open"),
        (60.0, f"{rooms[1]}_motion", "detected"),
        (63.0, "front_contact", "closed"),
    ]
    assert final(told(row(1), lines, 400.0), 60.0).directions[way] > 0.99


@pytest.mark.parametrize("closed", [41.5, 43.0, 50.0])
def test_a_crossing_is_told_once_though_the_lock_speaks_before_the_contact(closed: float) -> None:
    """Out and back in while the door stands open; it is locked, and its contact's closing comes before that, or after.

    One opening and one way back: one passage in, whichever of the two reports tells it.
    """
    lines: list[Line] = [
        (1.0, "hall_motion", "detected"),
        (6.0, "front_contact", "open"),
        (9.0, "porch_motion", "detected"),
        (11.0, "hall_motion", "clear"),
        (40.0, "hall_motion", "detected"),
        *sorted([(42.0, "front_lock", "locked"), (closed, "front_contact", "closed")]),
        (56.0, "lounge_motion", "detected"),
        (66.0, "lounge_motion", "clear"),
    ]
    passages = told(row(1, front_lock={"kind": "lock", "door": "front"}), lines, 400.0)
    inward = [final(passages, seconds).directions["porch>hall"] for seconds in sorted([42.0, closed])]
    assert inward[0] > 0.8
    assert inward[1] < 0.2


TWO_CONTACTS = [
    (0.0, "hall_motion", "detected"),
    (5.0, "front_contact", "open"),
    (6.0, "second_contact", "open"),
    (9.0, "second_contact", "closed"),
    (9.5, "front_contact", "closed"),
    (36.0, "hall_motion", "clear"),
]


@pytest.mark.parametrize("lost", [None, 1, 2, 3, 4])
def test_two_contacts_of_one_door_tell_one_passage(lost: int | None) -> None:
    """Whichever is heard first tells of it, the other repeats that; each may lose a message."""
    sensors = {"front_contact": contact("front"), "second_contact": contact("front"), "hall_motion": motion("hall")}
    tracker = Tracker(home(1, doors={"front": {"between": ["hall", "away"]}}, rooms={"hall": {}}, **sensors))
    tracker.advance(NOON)
    for n, report in enumerate(TWO_CONTACTS):
        if n != lost:
            tracker.observe(at(*report))
    tracker.advance(time_at(1200.0))
    finals = [passage for passage in tracker.passages if passage.final]
    assert len(finals) == (4 if lost is None else 3)
    assert [passage.directions["hall>away"] > 0.5 for passage in finals] == [True, *[False] * (len(finals) - 1)]
    assert sum(passage.directions["away>hall"] for passage in finals) < 0.3
    assert tracker.belief.at_home[0] > 0.9


def test_whichever_of_two_contacts_is_shut_it_was_shut_by_who_opened_the_door() -> None:
    """One contact repeats an opening, or missed it: its closing is theirs of whom the other one has told."""
    sensors = {"front_contact": contact("front"), "second_contact": contact("front"), "hall_motion": motion("hall")}
    for repeated in (True, False):
        tracker = Tracker(home(1, doors={"front": {"between": ["hall", "away"]}}, rooms={"hall": {}}, **sensors))
        tracker.advance(NOON)
        before = [(0.0, "second_contact", "open"), (9.0, "second_contact", "closed"), (9.5, "front_contact", "closed")]
        opening = [(900.0, "front_contact", "open"), (900.5, "second_contact", "open")][: 1 + repeated]
        for report in [*before, *opening, (902.0, "second_contact", "closed")]:
            tracker.observe(at(*report))
        assert tracker.association is not None
        assert tracker.association.people["P1"] > 0.9


def test_the_second_contact_of_a_door_may_be_heard_first_much_later() -> None:
    sensors = {"front_contact": contact("front"), "second_contact": contact("front"), "hall_motion": motion("hall")}
    tracker = Tracker(home(1, **sensors))
    tracker.observe(at(0.0, "front_contact", "closed"))
    tracker.observe(at(900.0, "second_contact", "closed"))
    assert tracker.take_passages()[-1].nobody > 0.99


@pytest.mark.parametrize("stood", ["open", "closed"])
def test_how_a_door_stood_is_forgotten_while_its_contact_is_offline(stood: str) -> None:
    """Back online a contact says that the door is shut, as somebody walks by: that is no passage, however it stood."""
    lines: list[Line] = [(5.0, "front_contact", "open"), (6.0, "front_contact", "closed")]
    lines += [(9.0, "front_contact", "open")] if stood == "open" else []
    for start in range(20, 690, 40):
        lines += [(float(start), "lounge_motion", "detected"), (start + 10.0, "lounge_motion", "clear")]
    lines += [
        (400.5, "front_contact", "offline"),
        (695.0, "hall_motion", "detected"),
        (700.5, "front_contact", "online"),
        (701.5, "front_contact", "closed"),
        (706.0, "lounge_motion", "detected"),
    ]
    passages = told(row(1), sorted(lines), 1200.0)
    assert at_once(passages, 701.5).nobody > 0.9
    assert final(passages, 701.5).nobody > 0.9
    opened = told(row(1), sorted([*lines[:-2], (701.5, "front_contact", "open")]), 702.0)
    assert at_once(opened, 701.5).nobody < 0.2, "that it is open is news"


@pytest.mark.parametrize("reports", [("front_contact",), ("front_lock",), ("front_contact", "front_lock")])
@pytest.mark.parametrize("phone", [True, False])
def test_radios_that_say_again_how_a_door_stands_bring_nobody_home(reports: tuple[str, ...], phone: bool) -> None:
    """One person leaves and locks up; every twenty minutes the door's radios say that it is shut, and locked."""
    more = {"front_lock": {"kind": "lock", "door": "front"}}
    more |= {"phone": {"kind": "phone", "person": "P1"}} if phone else {}
    lines: list[Line] = [
        (20.0, "hall_motion", "detected"),
        (30.0, "front_contact", "open"),
        (33.0, "porch_motion", "detected"),
        (35.0, "front_contact", "closed"),
        (38.0, "front_lock", "locked"),
        (50.0, "hall_motion", "clear"),
        (60.0, "porch_motion", "clear"),
    ]
    lines += [(90.0, "phone", "away")] if phone else []
    values = {"front_contact": "closed", "front_lock": "locked"}
    tracker = Tracker(row(1, visitors=1, **more))
    for line in lines:
        tracker.observe(at(*line))
    for beat in range(1, 12):
        for n, sensor in enumerate(reports):
            tracker.observe(at(1200.0 * beat + n, sensor, values[sensor]))
        assert tracker.belief.at_home[0] > 0.8
        assert tracker.passages[-1].nobody > 0.8
    tracker.observe(at(15000.0, "front_contact", "open"))
    tracker.observe(at(15004.0, "hall_motion", "detected"))
    assert tracker.belief.at_home[0] < 0.1, "who opens the door all the same has come home"


@pytest.mark.parametrize("reports", [("back_contact",), ("back_contact", "closet_contact", "front_lock")])
def test_a_hub_that_starts_and_tells_how_all_stands_moves_nobody(reports: tuple[str, ...]) -> None:
    """Somebody is busy in the lounge; the hub starts anew, and hears for the first time that the doors are shut."""
    rooms = {"hall": {}, "lounge": {}, "closet": {}, "porch": {"outdoors": True}, "garden": {"outdoors": True}}
    ways = {"front": ["porch", "hall"], "street": ["porch", "away"], "back": ["garden", "lounge"]}
    ways |= {"gate": ["garden", "away"], "arch": ["hall", "lounge"], "closet_door": ["hall", "closet"]}
    sensors = {"front_lock": {"kind": "lock", "door": "front"}, "back_contact": contact("back")}
    sensors |= {
        "closet_contact": contact("closet_door"),
        "lounge_motion": motion("lounge"),
        "hall_motion": motion("hall"),
    }
    plan = home(1, rooms=rooms, doors={k: {"between": v} for k, v in ways.items()}, visitors=1, **sensors)
    tracker = Tracker(plan)
    for start in range(5, 1800, 120):
        tracker.observe(at(float(start), "lounge_motion", "detected"))
        tracker.observe(at(start + 12.0, "lounge_motion", "clear"))
    tracker.advance(time_at(1800.0))
    before = tracker.belief
    for n, sensor in enumerate(reports):
        tracker.observe(at(1800.0 + 0.2 * n, sensor, "locked" if sensor == "front_lock" else "closed"))
    after = tracker.belief
    assert after.at_home == pytest.approx(before.at_home, rel=0, abs=0.02)
    assert all(
        after.rooms[room] == pytest.approx(before.rooms[room], rel=0, abs=0.03) for room in plan.rooms if room != "away"
    )


@pytest.mark.parametrize("order", [("front", "bath", "bed"), ("bath", "front", "bed"), ("front", "bath_open", "bed")])
def test_a_hub_that_tells_how_all_stands_as_a_log_begins_puts_nobody_behind_a_door(order: tuple[str, ...]) -> None:
    """Told first, the bathroom's door had just been shut: somebody was in there by .94 five minutes later."""
    doors = {"front": ["hall", "away"], "bath": ["hall", "bathroom"], "bed": ["hall", "bedroom"]}
    sensors = {door: contact(door) for door in doors} | {"hall_motion": motion("hall")}
    plan = home(
        2,
        rooms={"hall": {}, "bathroom": {}, "bedroom": {"rest": True}},
        doors={door: {"between": between} for door, between in doors.items()},
        **sensors,
    )
    silent, told = Tracker(plan), Tracker(plan)
    for n, door in enumerate(order):
        told.observe(at(0.4 * n, door.removesuffix("_open"), "open" if door.endswith("_open") else "closed"))
    for minutes in (0.1, 5.0):
        silent.advance(time_at(60.0 * minutes))
        told.advance(time_at(60.0 * minutes))
        for room in plan.rooms:
            if room != "away":
                assert told.belief.rooms[room] == pytest.approx(silent.belief.rooms[room], abs=0.1), (minutes, room)


@pytest.mark.parametrize("hours", [0.0, 5.0])
def test_a_log_has_begun_once_whatever_its_other_sensors_said_last(hours: float) -> None:
    """A contact first heard to shut just after its neighbour: as the log begins it tells how things stand."""
    plan = home(1, front_contact=contact("front"), hall_motion=motion("hall"))
    tracker = Tracker(plan)
    for start in np.arange(0.0, 3600.0 * hours, 300.0).tolist():
        tracker.observe(at(start, "hall_motion", "detected"))
        tracker.observe(at(start + 40.0, "hall_motion", "clear"))
    tracker.observe(at(3600.0 * hours, "hall_motion", "detected"))
    tracker.observe(at(3600.0 * hours + 2.0, "front_contact", "closed"))
    assert tracker.association is not None
    assert (tracker.association.nobody > 0.95) == (hours == 0.0)


def test_who_comes_back_by_a_door_left_open_is_told_at_its_closing_though_all_was_quiet_before() -> None:
    """The first report in many minutes is of somebody who has come in already: before it they were outside."""
    lines: list[Line] = [
        (1.0, "hall_motion", "detected"),
        (6.0, "front_contact", "open"),
        (9.0, "porch_motion", "detected"),
        (16.0, "hall_motion", "clear"),
        (19.0, "porch_motion", "clear"),
        (700.0, "porch_motion", "detected"),
        (710.0, "porch_motion", "clear"),
        (1000.0, "hall_motion", "detected"),
        (1001.0, "front_contact", "closed"),
        (1004.0, "lounge_motion", "detected"),
        (1014.0, "hall_motion", "clear"),
    ]
    answer = final(told(row(1), lines, 1400.0), 1001.0)
    assert answer.directions["porch>hall"] > 0.9


BACK_FROM_THE_GARAGE: list[Line] = [
    (0.5, "ada_phone", "home"),
    (0.6, "ben_phone", "home"),
    (0.7, "cleo_phone", "away"),
    (20.0, "kitchen_motion", "detected"),
    (26.0, "utility_motion", "detected"),
    (28.5, "garage_utility_contact", "open"),
    (29.5, "garage_motion", "detected"),
    (52.0, "kitchen_motion", "clear"),
    (56.0, "utility_motion", "clear"),
    (112.0, "utility_motion", "detected"),
    (112.7, "garage_utility_contact", "closed"),
    (117.0, "kitchen_motion", "detected"),
    (142.0, "utility_motion", "clear"),
    (147.0, "kitchen_motion", "clear"),
]


@pytest.mark.parametrize("settled", [0.02, 0.002, 1e-9])
def test_who_comes_back_is_told_however_long_it_was_open_who_had_gone(
    monkeypatch: pytest.MonkeyPatch, settled: float
) -> None:
    """The report that tells of the return may be the first to tell that somebody had gone at all, or nothing is."""
    monkeypatch.setattr("presence.doors.TRACKED_SHARE", settled)
    monkeypatch.setattr("presence.doors.SETTLED_SHARE", settled)
    passages = told(GARAGE, BACK_FROM_THE_GARAGE, 600.0)
    assert final(passages, 28.5).directions["utility>garage"] > 0.9
    assert final(passages, 112.7).directions["garage>utility"] > 0.75


HOME_BY_CAR: list[Line] = [
    (0.5, "ada_phone", "away"),
    (0.6, "ben_phone", "away"),
    (0.7, "cleo_phone", "away"),
    (10.0, "garage_utility_contact", "open"),
    (5000.0, "drive_camera", "person"),
    (5002.0, "overhead_contact", "open"),
    (5015.0, "drive_camera", "clear"),
    (5017.0, "garage_motion", "detected"),
    (5025.5, "utility_motion", "detected"),
]
"""Everybody is away and the house door has been left open; somebody drives in and goes on into the house by it."""


def test_an_overhead_door_that_comes_down_behind_somebody_does_not_call_them_back() -> None:
    """It takes a dozen seconds: they have gone on into the house by a door that stood open."""
    lines: list[Line] = [
        *HOME_BY_CAR,
        (5026.5, "garage_utility_contact", "closed"),
        (5038.0, "overhead_contact", "closed"),
        (5055.0, "utility_motion", "clear"),
    ]
    passages = told(GARAGE, lines, 5400.0)
    assert final(passages, 5026.5).directions["garage>utility"] > 0.8


def test_an_overhead_door_that_is_shut_from_the_car_does_not_keep_the_driver_on_the_drive() -> None:
    """The camera has seen them off, the door comes down twenty seconds later: two of three are out (one phone is)."""
    tracker = Tracker(GARAGE)
    for line in [
        *GOING_OUT,
        (85.0, "overhead_contact", "open"),
        (90.0, "garage_motion", "clear"),
        (98.0, "drive_camera", "person"),
        (113.0, "drive_camera", "clear"),
        (118.0, "overhead_contact", "closed"),
    ]:
        tracker.observe(at(*line))
    assert tracker.belief.rooms["drive"] + tracker.belief.rooms["garage"] < 0.5
    assert max(range(5), key=tracker.belief.at_home.__getitem__) == 1


def test_who_is_seen_further_in_as_an_overhead_door_comes_down_is_not_taken_back_to_the_garage() -> None:
    """The house door has stood open for more than an hour, so that nothing tells when they passed it."""
    tracker = Tracker(GARAGE)
    for line in [
        *HOME_BY_CAR,
        (5030.0, "kitchen_motion", "detected"),
        (5038.0, "overhead_contact", "closed"),
    ]:
        tracker.observe(at(*line))
    assert tracker.belief.rooms["garage"] < 0.6


@pytest.mark.parametrize("inner", ["open", "closed"])
def test_a_lock_of_an_overhead_door_is_turned_by_somebody_beside_it_however_the_house_door_stands(inner: str) -> None:
    """Nobody who has gone on turns it: it is no leaf that is still coming down."""
    lock = replace(GARAGE.sensors["front_lock"], id="overhead_lock", door="overhead")
    tracker = Tracker(replace(GARAGE, sensors={**GARAGE.sensors, lock.id: lock}))
    for line in [
        (10.0, "overhead_contact", "open"),
        (25.0, "overhead_contact", "closed"),
        (300.0, "garage_utility_contact", "open"),
        (304.0, "garage_motion", "detected"),
        (400.0, "garage_utility_contact", inner),
        (425.0, "garage_motion", "clear"),
        (470.0, "garage_motion", "detected"),
        (475.0, "overhead_lock", "locked"),
    ]:
        tracker.observe(at(*line))
    assert tracker.association is not None
    assert tracker.association.sensor == lock.id
    assert tracker.association.nobody < 0.15  # one locking in fifty is made by the lock itself


def test_no_direction_of_a_closing_is_ruled_out_when_its_opening_has_long_been_told() -> None:
    lines: list[Line] = [
        (1.0, "hall_motion", "detected"),
        (6.0, "front_contact", "open"),
        (9.0, "hall_motion", "clear"),
        (WINDOW + 200.0, "hall_motion", "detected"),
        (WINDOW + 260.0, "front_contact", "closed"),
        (WINDOW + 270.0, "hall_motion", "clear"),
    ]
    answer = final(told(row(1), lines, 2 * WINDOW + 300.0), WINDOW + 260.0)
    assert answer.directions["porch>hall"] > 10.0 * answer.directions["hall>porch"]
    assert answer.directions["hall>porch"] > 0.005


BACK_AGAIN: dict[str, list[Line]] = {
    "the closing is heard first": [(200.0, "front_contact", "closed"), (200.4, "hall_motion", "detected")],
    "out and in again within a minute": [
        (60.0, "hall_motion", "detected"),
        (70.0, "hall_motion", "clear"),
        (120.0, "hall_motion", "detected"),
        (130.0, "hall_motion", "clear"),
        (170.0, "porch_motion", "detected"),
        (180.0, "porch_motion", "clear"),
        (198.8, "hall_motion", "detected"),
        (200.0, "front_contact", "closed"),
    ],
}


@pytest.mark.parametrize(("story", "least"), [*zip(BACK_AGAIN, (0.9, 0.4), strict=True)])
def test_who_shuts_a_door_as_they_come_back_is_told_whenever_they_are_heard(story: str, least: float) -> None:
    lines: list[Line] = [
        (1.0, "hall_motion", "detected"),
        (6.0, "front_contact", "open"),
        (9.0, "porch_motion", "detected"),
        (11.0, "hall_motion", "clear"),
        (30.0, "porch_motion", "clear"),
        *BACK_AGAIN[story],
        (204.0, "lounge_motion", "detected"),
        (210.4, "hall_motion", "clear"),
    ]
    directions = final(told(row(1), lines, 600.0), 200.0).directions
    assert directions["porch>hall"] > max(least, 10.0 * directions["hall>porch"])


def test_who_shuts_themselves_in_behind_a_door_that_stood_open_has_gone_in() -> None:
    """The bathroom door stands open for an hour: its opening is told long before somebody goes in and shuts it."""
    plan = home(
        1,
        rooms={"hall": {}, "bath": {}, "lounge": {"rest": True}},
        doors={
            "front": {"between": ["hall", "away"]},
            "bath_door": {"between": ["hall", "bath"]},
            "arch": {"between": ["hall", "lounge"], "leaf": "none"},
        },
        hall_motion=motion("hall"),
        lounge_motion=motion("lounge"),
        front_contact=contact("front"),
        bath_contact=contact("bath_door"),
    )
    lines: list[Line] = [
        (1.0, "bath_contact", "open"),
        (2.0, "hall_motion", "detected"),
        (12.0, "hall_motion", "clear"),
    ]
    for start in range(20, 3600, 60):
        lines += [(float(start), "lounge_motion", "detected"), (start + 10.0, "lounge_motion", "clear")]
    lines += [(3604.0, "hall_motion", "detected"), (3608.0, "bath_contact", "closed"), (3614.0, "hall_motion", "clear")]
    passages = told(plan, lines, 4000.0)
    assert at_once(passages, 3608.0).directions["hall>bath"] > 0.3
    assert final(passages, 3608.0).directions["hall>bath"] > 0.7


def test_who_works_the_lock_may_have_gone_though_the_contact_says_nothing() -> None:
    """A contact may miss an opening: after the lock nobody is heard indoors any more, and the phone goes away."""
    phones = {f"p{i}_phone": {"kind": "phone", "person": f"P{i}"} for i in (1, 2)}
    plan = locked(with_contact=True, **phones)
    lines: list[Line | Event] = [
        (0.1, "p1_phone", "home"),
        (0.2, "p2_phone", "away"),
        (1.0, "hall_motion", "detected"),
        at(6.0, "front_lock", "unlocked", by="inside"),
        (11.0, "hall_motion", "clear"),
        (150.0, "p1_phone", "away"),
    ]
    passages = told(plan, lines, 400.0)
    at_first, later = (answer.directions for answer in (at_once(passages, 6.0), final(passages, 6.0)))
    assert 0.001 < at_first["hall>porch"] < 0.1
    assert later["hall>porch"] > 5.0 * at_first["hall>porch"]
    assert later["porch>hall"] < 0.001


OPEN_DOOR: dict[str, list[Line]] = {
    "shut at once, then the porch": [(8.5, "front_contact", "closed"), (14.0, "porch_motion", "detected")],
    "shut at once, then the lounge": [(8.5, "front_contact", "closed"), (14.0, "lounge_motion", "detected")],
    "open for 4 s": [(12.0, "front_contact", "closed")],
    "open for 12 s, then the lounge": [(14.0, "lounge_motion", "detected"), (20.0, "front_contact", "closed")],
    "left open, out later": LEFT_OPEN[2:],
    "left open, nobody goes": [(15.0, "hall_motion", "clear"), (16.0, "lounge_motion", "detected")],
}


@pytest.mark.parametrize("story", OPEN_DOOR)
def test_direction_while_a_door_stands_open(story: str) -> None:
    """Within .05 of the exact answer for one person (the label carried as part of the state)."""
    events = [at(*line) for line in [*LEFT_OPEN[:2], *OPEN_DOOR[story]]]
    answer = final(told(row(1), events, 400.0, settings=BESIDE), 8.0)
    exact = exact_direction(row(1), events, 1)
    np.testing.assert_allclose([answer.nobody, *answer.directions.values()], exact, rtol=0, atol=0.05)


@pytest.mark.parametrize("order", ["abc", "cab"])
def test_of_three_doors_that_stand_open_in_doubt_the_latest_two_are_followed(order: str) -> None:
    """Who has passed them is followed on, not begun anew at every event."""
    doors = {"front": {"between": ["hall", "away"]}, "arch": {"between": ["hall", "den"]}}
    doors |= {door: {"between": ["hall", f"room_{door}"]} for door in order}
    rooms: dict[str, dict[str, str]] = {room: {} for room in ("hall", "den", *(f"room_{door}" for door in order))}
    sensors = {
        "hall_motion": motion("hall", 20.0),
        "den_motion": motion("den", 20.0),
        "front_contact": contact("front"),
    }
    sensors |= {f"{door}_contact": contact(door) for door in order}
    plan = home(2, rooms=rooms, doors=doors, **sensors)
    tracker = Tracker(plan, Settings(door_idle_share=0.6))  # in doubt, for who opens a door mostly does so for nothing
    tracker.advance(NOON)
    for line in [(0.0, "hall_motion", "detected"), *((20.0 + n, f"{d}_contact", "open") for n, d in enumerate(order))]:
        tracker.observe(at(*line))
    for n in range(12):
        tracker.observe(at(30.0 + n, "den_motion", ("detected", "clear")[n % 2]))
        followed = {window.door: window.tracked for window in tracker._known().windows}
        assert min(tracker._engine._label(tracker._known(), n)[0] for n in range(3)) > TRACKED_SHARE
        assert followed == dict(zip(order, (False, True, True), strict=True))


# --- locks -----------------------------------------------------------------------------------------------------------
def locked(with_contact: bool, **more: dict[str, str]) -> Floorplan:
    sensors = {"front_contact": contact("front")} if with_contact else {}
    return home(
        {"P1": {"codes": ["17"]}, "P2": {"codes": ["42"]}},
        rooms={"porch": {"outdoors": True}, "hall": {}, "lounge": {"rest": True}},
        doors={
            "gate": {"between": ["porch", "away"], "leaf": "none"},
            "front": {"between": ["porch", "hall"]},
            "arch": {"between": ["hall", "lounge"], "leaf": "none"},
        },
        hall_motion=motion("hall"),
        lounge_motion=motion("lounge"),
        front_lock={"kind": "lock", "door": "front"},
        **sensors,
        **more,
    )


def unlocking(by: str | None, code: str | None, with_contact: bool) -> list[Event]:
    events = [at(60.0, "front_lock", "unlocked", by=by, code=code)]
    return [*events, at(63.0, "front_contact", "open")] if with_contact else events


def test_a_code_that_two_use_is_one_of_them_and_not_the_third() -> None:
    people = {"P1": {"codes": ["17"]}, "P2": {"codes": ["17"]}, "P3": {"codes": ["42"]}}
    phones = {f"{who}_phone": {"kind": "phone", "person": who} for who in people}
    tracker = Tracker(home(people, hall_motion=motion("hall"), front_lock={"kind": "lock", "door": "front"}, **phones))
    for phone in phones:
        tracker.observe(at(1.0, phone, "away"))
    tracker.observe(at(3600.0, "front_lock", "unlocked", by="keypad", code="17"))
    assert tracker.association is not None
    assert tracker.association.people["P1"] == pytest.approx(tracker.association.people["P2"], rel=0, abs=1e-6)
    assert tracker.association.people["P1"] > 0.45


@pytest.mark.parametrize("with_contact", [False, True], ids=["lock_alone", "lock_and_contact"])
@pytest.mark.parametrize("by", ["keypad", None])
def test_a_code_outside_is_its_owner_coming_in(by: str | None, with_contact: bool) -> None:
    """Also where the lock does not say that it was worked from outside: there is nowhere else to type a code."""
    passages = told(locked(with_contact), unlocking(by, "42", with_contact))
    assert passages[-1].directions["porch>hall"] > 0.5
    assert passages[-1].directions["hall>porch"] < 0.05
    assert passages[-1].people["P2"] > 0.8
    assert passages[-1].people["P1"] < 0.1


@pytest.mark.parametrize("with_contact", [False, True], ids=["lock_alone", "lock_and_contact"])
def test_the_lever_inside_is_somebody_going_out(with_contact: bool) -> None:
    events = [at(50.0, "hall_motion", "detected"), *unlocking("inside", None, with_contact)]
    passages = told(locked(with_contact), events)
    assert passages[-1].directions["hall>porch"] > 0.5
    assert passages[-1].directions["porch>hall"] < 0.05


@pytest.mark.parametrize("code", ["17", "42"])
def test_a_code_tells_who_is_at_home(code: str) -> None:
    """Then somebody moves in the hall: the owner of the code."""
    plan = locked(with_contact=True)
    tracker = Tracker(plan)
    tracker.advance(NOON)
    for event in [*unlocking("keypad", code, with_contact=True), at(66.0, "hall_motion", "detected")]:
        tracker.observe(event)
    owner, other = ("P1", "P2") if code == "17" else ("P2", "P1")
    assert tracker.belief.people[owner]["away"] < 0.05
    assert tracker.belief.people[owner]["hall"] > tracker.belief.people[other]["hall"]


def test_an_unlocking_without_passage_is_not_settled_by_the_next() -> None:
    """A lock alone: once it has locked again, a later passage belongs to the later unlocking."""
    plan = home(1, hall_motion=motion("hall"), bed_motion=motion("bed"), front_lock={"kind": "lock", "door": "front"})
    first = [
        at(5.0, "bed_motion", "detected"),
        at(9.0, "hall_motion", "detected"),
        at(12.0, "front_lock", "unlocked", by="inside"),
        at(15.0, "front_lock", "locked", by="inside"),
        at(16.0, "bed_motion", "clear"),
        at(18.0, "bed_motion", "detected"),
        at(19.5, "hall_motion", "clear"),
        at(30.0, "bed_motion", "clear"),
        at(32.0, "bed_motion", "detected"),
        at(45.0, "bed_motion", "clear"),
    ]
    second = [
        at(60.0, "bed_motion", "detected"),
        at(66.0, "hall_motion", "detected"),
        at(70.0, "front_lock", "unlocked", by="inside"),
        at(76.0, "hall_motion", "clear"),
        at(77.0, "bed_motion", "clear"),
    ]
    before = final(told(plan, first, 400.0), 12.0).nobody
    after = final(told(plan, first + second, 400.0), 12.0).nobody
    assert before > 0.5
    assert after == pytest.approx(before, rel=0, abs=0.15)


# --- animals ---------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("everybody", [1, 0], ids=["somebody asleep", "nobody lives there"])
def test_an_animal_opens_no_door(everybody: int) -> None:
    """The cat is up in the hall when the bathroom's door is opened: by somebody who has got up, else by a draught."""
    plan = home(
        everybody,
        rooms={"hall": {}, "bath": {}, "bed": {"rest": True}},
        doors=doors(front="hall away", bath_door="hall bath", bed_door="hall bed none"),
        pets={"cat": {}},
        **motions("hall", "bed"),
        bath_contact=contact("bath_door"),
        front_contact=contact("front"),
    )
    lines: list[Line] = [(1.0, "bed_motion", "detected"), (11.0, "bed_motion", "clear")]
    lines += [(600.0, "hall_motion", "detected"), (605.0, "bath_contact", "open"), (607.0, "bath_contact", "closed")]
    for answer in told(plan, lines, 400.0 + 605.0)[-3:]:
        assert answer.people["cat"] < 0.1, "it may walk in while the door stands open"
    assert final(told(plan, lines, 1000.0), 605.0).nobody == pytest.approx(1.0 - everybody, rel=0, abs=0.15)


def test_an_animal_walks_through_a_door_that_stands_open() -> None:
    """Nobody but the cat lives there, and is heard beyond the door that a draught has opened."""
    ends = doors(front="hall away", bath_door="hall bath")
    sensors = {**motions("hall", "bath"), "bath_contact": contact("bath_door")}
    plan = home({}, rooms={"hall": {}, "bath": {}}, doors=ends, pets={"cat": {}}, **sensors)
    lines: list[Line] = [(5.0, "hall_motion", "detected"), (15.0, "hall_motion", "clear")]
    gained = []
    for opened in ([(20.0, "bath_contact", "open")], []):
        tracker = Tracker(plan)
        for line in [*lines, *opened]:
            tracker.observe(at(*line))
        tracker.advance(time_at(60.0))
        before = tracker.log_likelihood
        tracker.observe(at(60.0, "bath_motion", "detected"))
        gained.append(tracker.log_likelihood - before)
        assert tracker.association is not None
        assert tracker.association.people["cat"] > 0.8
    assert gained[0] > gained[1] + 1.0, "through a shut door it hardly comes"


# --- what every answer obeys -----------------------------------------------------------------------------------------
STREAM = row(2)


@effort(max_examples=40)
@given(data=st.data())
def test_answers_sum_to_one_and_every_event_has_one_final_answer(data: st.DataObject) -> None:
    events = data.draw(logs(STREAM, 12, longest=600.0))
    doors = {event.time: event for event in events if event.sensor == "front_contact"}
    events = [event for event in events if event.sensor != "front_contact" or doors[event.time] is event]
    passages = told(STREAM, events, (events[-1].time - NOON).total_seconds() + WINDOW + 1.0)
    for passage in passages:
        assert sum(passage.directions.values()) + passage.nobody == pytest.approx(1.0, rel=0, abs=1e-9)
        assert all(0.0 <= p <= 1.0 for p in (*passage.directions.values(), passage.nobody, *passage.people.values()))
        first, second = STREAM.doors[passage.door].between
        assert list(passage.directions) == [f"{first}>{second}", f"{second}>{first}"]
        assert sum(passage.people.values()) <= 1.0 + 1e-9
        assert passage.decided >= passage.time
    spoken = [p for p in passages if not p.inferred]
    door_events = Counter(e.time for e in events if e.sensor == "front_contact")
    assert Counter(p.time for p in spoken if p.final) == door_events
    for p in spoken:
        if p.final:
            assert (p.decided - p.time).total_seconds() == pytest.approx(WINDOW, rel=0, abs=1e-6)
    firsts = {p.time: p for p in reversed(spoken)}
    assert all(p.decided == p.time and not p.final for p in firsts.values()), "each is told at once"


def test_somebody_inside_lets_a_guest_in() -> None:
    """The resident's phone is at home, they open and stay in; then two are heard at once. Without visitors: nobody."""
    lines: list[Line] = [
        (0.5, "P1_phone", "home"),
        (5.0, "hall_motion", "detected"),
        (8.0, "front_contact", "open"),
        (12.0, "front_contact", "closed"),
        (14.0, "lounge_motion", "detected"),
        (24.0, "hall_motion", "clear"),
        (25.0, "hall_motion", "detected"),
        (27.0, "lounge_motion", "clear"),
        (27.5, "lounge_motion", "detected"),
        (38.0, "hall_motion", "clear"),
        (38.5, "hall_motion", "detected"),
        (39.0, "lounge_motion", "clear"),
        (39.2, "lounge_motion", "detected"),
    ]
    phone = {"P1_phone": {"kind": "phone", "person": "P1"}}
    answers = [final(told(row(1, visitors=n, **phone), lines, 400.0), 8.0) for n in (1, 0)]
    assert answers[0].directions["porch>hall"] > 0.5
    assert answers[0].people["visitor_1"] > 0.5
    assert answers[1].nobody > 0.5


def test_a_contact_that_bounces_costs_no_more_and_loses_no_answer() -> None:
    """Forty openings in four seconds, each shut at once: every event has an answer at once and one final answer."""
    tracker = Tracker(row(1))
    tracker.advance(NOON)
    for n in range(80):
        tracker.observe(at(10.0 + 0.05 * n, "front_contact", "open" if n % 2 == 0 else "closed"))
        assert len(tracker._known().windows) <= MOST_WINDOWS
    tracker.advance(time_at(10.0 + 0.05 * 80 + WINDOW))
    answers = [p for p in tracker.take_passages() if not p.inferred]
    assert Counter(p.time for p in answers if p.final) == Counter(time_at(10.0 + 0.05 * n) for n in range(80))
    assert all((p.decided - p.time).total_seconds() == pytest.approx(WINDOW, abs=1e-6) for p in answers if p.final)
    assert [p.decided for p in answers] == sorted(p.decided for p in answers)


def test_two_events_of_one_door_in_one_instant_have_a_final_answer_each() -> None:
    """Logs with whole seconds hold such pairs."""
    passages = told(STREAM, [(5.0, "front_contact", "open"), (5.0, "front_contact", "closed")], 400.0)
    assert sum(p.final for p in passages if not p.inferred) == 2


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_inferred_passages_are_marked_and_never_certain(seed: int) -> None:
    """Doors without a sensor: told where the belief moves, in final answers, with room for doubt."""
    plan = home(
        2,
        rooms={"hall": {}, "kitchen": {}, "bed": {"rest": True}},
        doors={
            "front": {"between": ["hall", "away"]},
            "arch": {"between": ["hall", "kitchen"], "leaf": "none"},
            "stairs": {"between": ["kitchen", "bed"], "leaf": "none"},
        },
        front_contact=contact("front"),
        **{f"{room}_motion": motion(room) for room in ("hall", "kitchen", "bed")},
    )
    passages = told(plan, draw_log(plan, 12 * 3600.0, seed))
    inferred = [p for p in passages if p.inferred]
    assert len(inferred) >= 5
    for passage in passages:
        assert passage.inferred == (passage.door != "front")
    for passage in inferred:
        assert passage.final
        assert max(passage.directions.values()) <= INFERRED_LIMIT < 1.0
        assert sum(passage.directions.values()) + passage.nobody == pytest.approx(1.0, rel=0, abs=1e-9)
        assert passage.nobody > 0.0


def test_an_inferred_passage_names_door_direction_and_person() -> None:
    lines: list[Line] = [(5.0, "lounge_motion", "detected"), (15.0, "lounge_motion", "clear")]
    lines += [(17.0, "hall_motion", "detected"), (27.0, "hall_motion", "clear")]
    (passage,) = [p for p in told(row(1), [(1.0, "lounge_motion", "detected"), *lines[1:]]) if p.inferred]
    assert passage.door == "arch"
    assert passage.directions["lounge>hall"] > 0.5
    assert max(passage.people, key=lambda name: passage.people[name]) == "P1"


def test_an_inferred_passage_is_told_once_though_an_event_before_it_comes_late() -> None:
    tracker = Tracker(row(1))
    tracker.advance(NOON)
    in_order = [at(5.0, "lounge_motion", "detected"), at(17.0, "hall_motion", "detected")]
    for event in [*in_order, at(16.0, "lounge_motion", "clear")]:
        tracker.observe(event)
    assert tracker.counts.reordered == 1
    assert [p.door for p in tracker.take_passages() if p.inferred] == ["arch"]


def test_inferred_passages_follow_the_shortest_way() -> None:
    """From the lounge to away: through the arch and the gate; the front door has a sensor and speaks for itself."""
    plan, rooms = row(1), list(row(1).rooms)
    before, after = np.eye(len(rooms))[[rooms.index("lounge")]], np.eye(len(rooms))[[rooms.index("away")]]
    passages = list(inferred_passages(plan, ["P1"], before, after, NOON.timestamp()))
    assert [p.door for p in passages] == ["arch", "gate"]
    assert passages[0].directions["lounge>hall"] == INFERRED_LIMIT
    assert passages[1].directions["porch>away"] == INFERRED_LIMIT


def test_of_several_ways_as_short_each_is_as_likely_in_whatever_order_the_plan_names_them() -> None:
    """Round a court: from one corner to the far one by either of two, through four archways."""
    corners = ["north", "east", "south", "west"]
    arches = {f"{a}_{b}": {"between": [a, b], "leaf": "none"} for a, b in pairwise([*corners, "north"])}
    answers = []
    for turned in (1, -1):
        out = {"gate": {"between": ["north", "away"]}}
        plan = home(1, rooms={room: {} for room in corners[::turned]}, doors=dict(list(arches.items())[::turned]) | out)
        rooms = list(plan.rooms)
        before, after = np.eye(len(rooms))[[rooms.index("south")]], np.eye(len(rooms))[[rooms.index("north")]]
        found = list(inferred_passages(plan, ["P1"], before, after, NOON.timestamp()))
        assert [set(p.door.split("_")) & {"north", "south"} for p in found] == [{"south"}] * 2 + [{"north"}] * 2
        answers.append({p.door: (dict(p.directions), p.nobody, dict(p.people)) for p in found})
    assert answers[0] == answers[1]
    assert answers[0]["east_south"][0]["south>east"] == answers[0]["south_west"][0]["south>west"] == INFERRED_LIMIT / 2


def test_who_went_by_a_door_that_tells_of_it_did_not_go_by_the_archway_beside_it() -> None:
    plan = home(
        1, doors={"front": {"between": ["hall", "away"]}, **doors(inner="hall bed hinged", arch="bed hall none")}
    )
    rooms = list(plan.rooms)
    before, after = np.eye(len(rooms))[[rooms.index("hall")]], np.eye(len(rooms))[[rooms.index("bed")]]
    assert list(inferred_passages(plan, ["P1"], before, after, 0.0, "inner")) == []
    assert len(list(inferred_passages(plan, ["P1"], before, after, 0.0))) == 2


HEARD: dict[str, tuple[dict[str, Any], list[Line], list[str]]] = {
    "tag": (
        {"P1_tag": {"kind": "badge", "person": "P1"}},
        [(5.0, "P1_tag", "lounge"), (400.0, "P1_tag", "kitchen"), (600.0, "P1_tag", "hall")],
        ["lounge>kitchen", "kitchen>hall"],
    ),
    "seat": (
        {"kitchen_motion": motion("kitchen"), "sofa": {"kind": "pressure", "room": "lounge"}},
        [(5.0, "kitchen_motion", "detected"), (15.0, "kitchen_motion", "clear"), (20.0, "sofa", "pressed")],
        ["kitchen>lounge"],
    ),
    "door two rooms off": (
        {"lounge_motion": motion("lounge"), "bath_contact": contact("bath_door")},
        [(5.0, "lounge_motion", "detected"), (15.0, "lounge_motion", "clear"), (25.0, "bath_contact", "open")],
        ["lounge>kitchen", "kitchen>hall"],
    ),
}


@pytest.mark.parametrize("story", HEARD)
def test_passages_are_inferred_from_whatever_tells_that_somebody_is_elsewhere(story: str) -> None:
    """Not from motion sensors alone: by archways only one can have come from the lounge to where they are heard."""
    sensors, lines, ways = HEARD[story]
    plan = home(
        1,
        rooms={room: {} for room in ("hall", "kitchen", "lounge", "bath")},
        doors=doors(front="hall away", arch="hall kitchen none", wide="kitchen lounge none", bath_door="hall bath"),
        **sensors,
    )
    inferred = [p for p in told(plan, lines) if p.inferred]
    assert [max(p.directions, key=lambda way: p.directions[way]) for p in inferred] == ways
    assert all(p.final and p.nobody > 0.0 and p.people["P1"] > 0.25 for p in inferred)


@pytest.mark.parametrize(("people", "visitors"), [(1, 0), (2, 0), (2, 1)])
@effort(max_examples=20)
@given(data=st.data())
def test_a_mirror_image_swaps_directions(people: int, visitors: int, data: st.DataObject) -> None:
    """The same answers, at once and final, in the other order, but for merges between which only rounding decides."""
    plan = row(people, visitors)
    events = data.draw(logs(plan, 8, longest=300.0))
    assert_mirrored(plan, events, (events[-1].time - NOON).total_seconds(), tolerance=1e-3)


@pytest.mark.parametrize("lasts", [0.0, 0.7])
def test_a_mirror_image_merges_alike_where_merges_cost_alike(lasts: float) -> None:
    """Two residents who are alike, an opening and a closing: many pairs of hypotheses could be merged for nothing."""
    lines: list[Line] = [(4.2, "front_contact", "open"), (4.2 + lasts, "front_contact", "closed")]
    assert_mirrored(row(2), lines, lines[-1][0], tolerance=1e-9)


def assert_mirrored(plan: Floorplan, lines: Sequence[Line | Event], end: float, tolerance: float) -> None:
    """The passages of a log are those of the mirrored plan, the other way."""
    both = [told(home, lines, end + WINDOW + 1.0) for home in (plan, mirrored(plan))]
    ones, others = [[p for p in passages if p.final or p.decided == p.time] for passages in both]
    for one, other in zip(ones, others, strict=True):
        assert list(one.directions) == list(other.directions)[::-1]
        assert replace(one, directions={}, people={}, nobody=0) == replace(other, directions={}, people={}, nobody=0)
        assert one.directions == pytest.approx(dict(other.directions), rel=0, abs=tolerance)
        assert one.people == pytest.approx(dict(other.people), rel=0, abs=tolerance)


def test_a_tie_is_told_again_when_it_breaks_either_way() -> None:
    """Nothing but the door: both ways are equally likely. Then somebody moves in the hall, in either plan the news."""
    lines: list[Line] = [(0.0, "front_contact", "open"), (0.0, "hall_motion", "detected")]
    for plan in (STREAM, mirrored(STREAM)):
        tied, broken = (passage.directions for passage in told(plan, lines))
        assert tied["porch>hall"] == pytest.approx(tied["hall>porch"], rel=1e-12)
        assert broken["porch>hall"] > broken["hall>porch"] + 0.01


def test_who_is_told_apart_at_closings_is_merged_once_time_passes_and_nobody_moves_by_that() -> None:
    """Two doors that stood open are shut in one instant; until then each hypothesis is two at most."""
    rooms: dict[str, dict[str, str]] = {room: {} for room in ("hall", "bath", "den")}
    plan = home(
        2,
        rooms=rooms,
        doors={
            "front": {"between": ["hall", "away"]},
            **{f"{r}_door": {"between": ["hall", r]} for r in ("bath", "den")},
        },
        **{f"{room}_motion": motion(room) for room in rooms},
        **{f"{room}_contact": contact(f"{room}_door") for room in ("bath", "den")},
    )
    tracker = Tracker(plan, hypotheses=8)
    tracker.observe(at(0.0, "bath_contact", "open"))
    tracker.observe(at(5.0, "den_contact", "open"))
    for n in range(12):
        tracker.observe(at(60.0 + 30.0 * n, f"{list(rooms)[n % 3]}_motion", "detected"))
        tracker.observe(at(72.0 + 30.0 * n, f"{list(rooms)[n % 3]}_motion", "clear"))
    for door in ("bath", "den"):
        tracker.observe(at(410.0, f"{door}_contact", "closed"))
        assert 8 < len(tracker._known().mixture.weight) <= 16
    before = tracker.belief
    tracker.advance(time_at(410.001))
    assert len(tracker._known().mixture.weight) <= 8
    for name, rooms_now in tracker.belief.people.items():
        assert rooms_now == pytest.approx(before.people[name], rel=0, abs=1e-4)
