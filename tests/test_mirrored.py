"""Which of a door's two rooms is written first decides which way is called forth, and nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as effort
from hypothesis import strategies as st

from presence import Event, Floorplan, Passage, Tracker
from presence.locks import outer_side
from presence.places import first_side
from tests.oracle import NOON, at, contact, home, mirrored, motion, time_at
from tests.strategies import events, plans

RING: dict[str, Any] = {
    "rooms": {"hall": {}, "kitchen": {}, "den": {}, "yard": {"outdoors": True}},
    "doors": {
        "front": {"between": ["hall", "away"]},
        "back": {"between": ["yard", "kitchen"]},
        "gate": {"between": ["yard", "away"], "leaf": "none"},
        "kitchen_door": {"between": ["hall", "kitchen"]},
        "hall_den": {"between": ["hall", "den"], "leaf": "none"},
        "den_kitchen": {"between": ["den", "kitchen"], "leaf": "none"},
    },
}


def followed(plan: Floorplan, log: Sequence[Event]) -> Tracker:
    tracker = Tracker(plan)
    tracker.advance(min([event.time for event in log], default=NOON))
    for event in log:
        tracker.observe(event)
    return tracker


def assert_mirrored(plan: Floorplan, log: Sequence[Event]) -> None:
    one, other = (followed(home, log) for home in (plan, mirrored(plan)))
    assert other.belief.rooms == pytest.approx(dict(one.belief.rooms), rel=0, abs=1e-9)
    assert other.log_likelihood == pytest.approx(one.log_likelihood, rel=0, abs=1e-7)
    for a, b in zip(asked(one), asked(other), strict=True):
        assert (a.door, a.time, a.final) == (b.door, b.time, b.final)
        assert list(a.directions) == list(b.directions)[::-1]
        assert b.directions == pytest.approx(dict(a.directions), rel=0, abs=1e-9)
        assert b.nobody == pytest.approx(a.nobody, rel=0, abs=1e-9)


def asked(tracker: Tracker) -> list[Passage]:
    """Answers that are told however likely they are: those that are told again are told for a change alone."""
    return [p for p in tracker.take_passages() if not p.inferred and (p.final or p.decided == p.time)]


@effort(max_examples=40, deadline=None)
@given(mapping=plans(max_rooms=5), data=st.data())
def test_the_order_of_a_doors_rooms_decides_nothing(mapping: dict[str, Any], data: st.DataObject) -> None:
    """In homes of any shape, ways round among them; of one person, so that nothing is merged."""
    alone = dict(list(mapping["people"].items())[:1])
    sensors = {k: s for k, s in mapping["sensors"].items() if s.get("person") in (None, *alone)}
    plan = Floorplan.from_mapping(mapping | {"people": alone, "sensors": sensors, "pets": {}, "visitors": 0})
    assert_mirrored(plan, data.draw(events(plan, max_size=12)))


@pytest.mark.parametrize("door", ["kitchen_door", "back", "front"])
def test_who_went_round_is_told_alike_in_either_order(door: str) -> None:
    """Somebody in the den, from where the kitchen's door is as near on either side, while it stands open."""
    plan = home(1, **RING, contact=contact(door), **{f"{r}_motion": motion(r) for r in ("hall", "kitchen", "den")})
    lines = [
        (0.0, "den_motion", "detected"),
        (10.0, "den_motion", "clear"),
        (15.0, "hall_motion", "detected"),
        (18.0, "contact", "open"),
        (25.0, "hall_motion", "clear"),
        (80.0, "den_motion", "detected"),
        (90.0, "den_motion", "clear"),
        (95.0, "kitchen_motion", "detected"),
        (130.0, "contact", "closed"),
        (900.0, "kitchen_motion", "clear"),
    ]
    assert_mirrored(plan, [at(*line) for line in lines])


def test_rooms_as_near_on_either_side_are_on_neither_unless_the_door_leads_out_of_doors() -> None:
    plan = home(1, **RING)
    assert first_side(plan, "kitchen_door")["den"] == 0.5
    assert first_side(mirrored(plan), "kitchen_door")["den"] == 0.5
    ring = home(1, **(RING | {"doors": RING["doors"] | {"side": {"between": ["den", "yard"]}}}))
    assert (outer_side(ring, "back"), outer_side(mirrored(ring), "back")) == (0, 1)


def test_a_lock_out_to_a_yard_is_worked_from_indoors_though_the_hall_is_as_near_to_the_street() -> None:
    """The hall has the front door to the street, the yard a gate: both are one door from `away`."""
    doors = {
        "front": {"between": ["hall", "away"]},
        "gate": {"between": ["yard", "away"], "leaf": "none"},
        "back": {"between": ["yard", "hall"]},
    }
    plan = home(1, rooms={"hall": {}, "yard": {"outdoors": True}}, doors=doors, bolt={"kind": "lock", "door": "back"})
    for order in (plan, mirrored(plan)):
        told = Event(time_at(60.0), "bolt", "locked", "inside")
        tracker = Tracker(order)
        tracker.advance(NOON)
        tracker.observe(told)
        assert tracker.belief.rooms["hall"] > 0.9
        assert outer_side(order, "back") == order.doors["back"].between.index("yard")


def test_who_came_from_neither_side_of_an_open_door_is_told_the_way_they_go_minutes_later() -> None:
    """Into the hall and the kitchen; minutes later the den's door, open so far, is pulled shut from the den."""
    ways = "hall away", "kitchen away", "hall kitchen", "hall den", "kitchen den"
    doors = {way.replace(" ", "_"): {"between": way.split()} for way in ways}
    rooms = {"hall": {}, "kitchen": {}, "den": {"rest": True}}
    contacts = {f"{door}_contact": contact(door) for door in doors if door != "hall_den"}
    eyes = {"hall_motion": motion("hall", 30.0), "kitchen_motion": motion("kitchen", 60.0)}
    plan = home(1, rooms=rooms, doors=doors, **contacts, **eyes)
    lines = [
        (0.0, "kitchen_motion", "detected"),
        (2.0, "kitchen_den_contact", "open"),
        (60.0, "kitchen_motion", "clear"),
        (120.0, "hall_motion", "detected"),
        (124.0, "hall_away_contact", "open"),
        (127.0, "hall_away_contact", "closed"),
        (152.0, "hall_motion", "clear"),
        (4000.0, "hall_away_contact", "open"),
        (4001.1, "hall_motion", "detected"),
        (4001.6, "hall_away_contact", "closed"),
        (4067.6, "hall_kitchen_contact", "open"),
        (4069.8, "kitchen_motion", "detected"),
        (4097.2, "hall_motion", "clear"),
        (4214.2, "kitchen_den_contact", "closed"),
        (4271.1, "kitchen_motion", "clear"),
        (4800.0, "kitchen_motion", "detected"),
    ]
    for order in (plan, mirrored(plan)):
        passages = followed(order, [at(*line) for line in lines]).take_passages()
        closing = [p for p in passages if p.final and p.door == "kitchen_den"][-1]
        assert closing.directions["kitchen>den"] > 10.0 * closing.directions["den>kitchen"]
