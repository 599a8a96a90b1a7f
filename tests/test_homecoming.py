"""Coming home where little is sensed: the door falls shut behind whoever has gone on, and nobody is lost by silence."""

from __future__ import annotations

import math

import pytest

from presence import Event, Floorplan, Settings, Tracker
from tests.oracle import at, contact, home, motion

HOUR = 3600.0
OUTSIDE = {"path": {"outdoors": True}}
ENDS = {"front": ["path", "hall"], "street": ["path", "away"]}


def behind_the_hall(people: int) -> Floorplan:
    """A kitchen and a living room with motion sensors off a hall that has none; a front door that reports."""
    arches = {room: {"between": ["hall", room], "leaf": "none"} for room in ("kitchen", "living")}
    return home(
        people,
        rooms={"hall": {}, "kitchen": {}, "living": {}, **OUTSIDE},
        doors={**arches, **{name: {"between": between} for name, between in ENDS.items()}},
        front_contact=contact("front"),
        kitchen_motion=motion("kitchen", 30.0),
        living_motion=motion("living", 30.0),
    )


def day_out(plan: Floorplan, *later: Event, settings: Settings | None = None) -> Tracker:
    """Whoever was at home leaves at noon; nine hours later somebody opens the front door."""
    events = [at(0.0, "front_contact", "open"), at(3.0, "front_contact", "closed")]
    if "kitchen_motion" in plan.sensors:
        events = [at(-20.0, "kitchen_motion", "detected"), *events, at(10.0, "kitchen_motion", "clear")]
    tracker = Tracker(plan, settings)
    for event in [*events, at(9 * HOUR, "front_contact", "open"), *later]:
        tracker.observe(event)
    return tracker


@pytest.mark.parametrize("people", [1, 2])
def test_who_has_gone_on_into_the_next_room_is_there_when_the_front_door_falls_shut(people: int) -> None:
    """They shut it behind them: nobody else need stand beside it."""
    shut = [at(9 * HOUR + 3.0, "kitchen_motion", "detected"), at(9 * HOUR + 4.0, "front_contact", "closed")]
    before, after = (day_out(behind_the_hall(people), *shut[:n]).belief for n in (1, 2))
    assert after.rooms["kitchen"] > 0.7
    assert after.at_home[2:] == pytest.approx(before.at_home[2:], rel=0, abs=0.1)


def test_who_opened_the_door_shuts_it_behind_them() -> None:
    """Within a second of somebody's arrival they are the one who has shut it, not nobody."""
    closer = day_out(behind_the_hall(1), at(9 * HOUR + 1.0, "front_contact", "closed")).association
    assert closer is not None
    assert closer.people["P1"] > 0.9
    assert closer.nobody + sum(closer.people.values()) == pytest.approx(1.0, rel=0, abs=1e-9)


@pytest.mark.parametrize("age", [0.5, 5.0, 60.0])
def test_a_door_is_pulled_shut_behind_somebody_ever_less_the_longer_it_has_stood_open(age: float) -> None:
    """Bayes' rule by hand; where nobody is known to have opened it, nobody is given the closing."""
    share, delay, plan = 0.6, 5.0, home(1, inner_contact=contact("inner"))
    noise = 10 * Settings().door_false_alarm_rate
    trackers = []
    for value in (share, 0.0):
        tracker = Tracker(
            plan, Settings(door_pulled_shut_share=value, door_pulled_shut_delay=delay, door_bounce_share=0.0)
        )
        tracker.observe(at(60.0, "inner_contact", "open"))
        tracker.observe(at(60.0 + age, "inner_contact", "closed"))
        trackers.append(tracker)
    pulling, plain = (tracker.association for tracker in trackers)
    assert pulling is not None
    assert plain is not None
    somebody = noise * (1 - plain.nobody) / plain.nobody
    pulled = share * math.log(2.0) / delay * 2.0 ** (-age / delay)
    total = somebody + noise + pulled
    opened = Tracker(plan)
    opened.observe(at(60.0, "inner_contact", "open"))
    assert opened.association is not None
    expected = (noise + pulled * opened.association.nobody) / total
    assert pulling.nobody == pytest.approx(expected, rel=0, abs=1e-9)
    gained = trackers[0].log_likelihood - trackers[1].log_likelihood
    assert gained == pytest.approx(math.log(total / (somebody + noise)), rel=0, abs=1e-9)


def test_a_radio_that_says_again_that_a_door_is_open_has_not_opened_it() -> None:
    """Whoever shuts it next shuts a door that has long stood open: nobody does so in the move that opened it."""
    plan, gained = home(1, front_contact=contact("front")), []
    reports = [(60.0, "open"), (63.0, "closed"), (900.0, "open"), (HOUR, "open"), (HOUR + 1.0, "closed")]
    for share in (0.9, 0.0):
        tracker = Tracker(plan, Settings(door_pulled_shut_share=share, door_bounce_share=0.0))
        before = 0.0
        for seconds, value in reports:
            before = tracker.log_likelihood if seconds > HOUR else 0.0
            tracker.observe(at(seconds, "front_contact", value))
        gained.append(tracker.log_likelihood - before)
    assert gained[0] == pytest.approx(gained[1], rel=0, abs=0.01)


@pytest.mark.parametrize(
    "inner", [[], ["bath"], ["living", "kitchen", "bath"]], ids=lambda inner: f"{len(inner)} inner"
)
def test_who_comes_home_after_a_day_out_is_at_home_where_only_doors_report(inner: list[str]) -> None:
    """One return a day stands against a false alarm a week: a front door is latched, no draught opens it."""
    rooms = {room: {"rest": room == "bed"} for room in ("hall", "living", "kitchen", "bed", "bath")}
    ways = {room: {"between": ["hall", room]} for room in ("living", "kitchen", "bed", "bath")}
    plan = home(
        {"P1": {"bed": "bed"}},
        rooms={**rooms, **OUTSIDE},
        doors={**ways, **{name: {"between": between} for name, between in ENDS.items()}},
        front_contact=contact("front"),
        **{f"{door}_contact": contact(door) for door in inner},
    )
    assert day_out(plan).belief.at_home[0] < 0.1
