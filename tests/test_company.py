"""Two who pass a door together: the joint filter, Bayes' rule by hand, and what it changes at home."""

from __future__ import annotations

import numpy as np
import pytest

from presence import Event, Floorplan, Settings, Tracker
from presence.hypotheses import BACK, FORTH
from presence.model import Model
from tests.oracle import JointFilter, at, contact, home, motion, time_at

EXACT = 1e-9
PHONES = {f"P{n}_phone": {"kind": "phone", "person": f"P{n}"} for n in (1, 2, 3)}
ALL_OUT = [at(0.1 * n, f"P{n}_phone", "away") for n in (1, 2, 3)]
OPENED = [*ALL_OUT, at(200.0, "front_contact", "open")]
TOGETHER = [*OPENED, at(204.0, "front_contact", "closed"), at(225.0, "P1_phone", "home"), at(231.0, "P2_phone", "home")]


def three() -> Floorplan:
    """Three people with phones behind a front door that reports."""
    doors = {"front": {"between": ["hall", "away"]}, "inner": {"between": ["hall", "bed"]}}
    sensors = {**PHONES, "front_contact": contact("front"), "hall_motion": motion("hall")}
    return home(3, doors=doors, **sensors)


def told(events: list[Event], *, hypotheses: int | None = 16, share: float = 0.33) -> Tracker:
    """What is known after some events; what the exact joint filter knows nothing of is left out."""
    settings = Settings(
        door_company_share=share,
        phone_doubt=1.0,
        object_chatter=0.0,
        door_bounce_share=0.0,
        door_pulled_shut_share=0.0,
        door_repeats=0.0,
    )
    tracker = Tracker(three(), settings, hypotheses=hypotheses, numbering=False)
    tracker.advance(time_at(0.0))
    for event in events:
        tracker.observe(event)
    return tracker


@pytest.mark.parametrize(("hypotheses", "tolerance"), [(None, EXACT), (16, 2e-3)])
def test_three_people_equal_the_joint_filter(hypotheses: int | None, tolerance: float) -> None:
    exact = JointFilter(three())
    tracker = told(TOGETHER, hypotheses=hypotheses)
    for event in TOGETHER:
        exact.observe(event)
    answer = exact.model.read(exact.joint)
    np.testing.assert_allclose(tracker.belief.at_home, answer["at_home"], rtol=0, atol=tolerance)
    np.testing.assert_allclose(
        [tracker.belief.people[p]["away"] for p in answer["people"]],
        [each["away"] for each in answer["people"].values()],
        rtol=0,
        atol=tolerance,
    )


def test_a_door_is_passed_as_often_as_if_nobody_ever_asked() -> None:
    """Up to the first opening the log is as likely: who is asked along changes who is where, not when doors open."""
    alone, asking = (told(OPENED, hypotheses=None, share=share).log_likelihood for share in (0.0, 0.33))
    assert asking == pytest.approx(alone, rel=0, abs=EXACT)


def test_with_what_share_another_comes_along() -> None:
    """Everybody is surely out, so whoever opens comes back, and half of those asked are each of the other two."""
    share = 0.4
    tracker = told(OPENED, hypotheses=None, share=share)
    two, one = tracker.belief.at_home[2], tracker.belief.at_home[1]
    plain = told(OPENED, hypotheses=None, share=0.0).belief.at_home
    expected = share * plain[1] + (1.0 - share) * plain[2]  # almost: who is in already is not asked in
    assert two / (one + two) == pytest.approx(expected / (plain[1] + plain[2]), rel=0.05)


def test_two_who_come_together_are_two_at_home() -> None:
    """Two phones come back half a minute after one opening: an arrival of two, where others left the second waiting."""
    assert told(TOGETHER).belief.at_home[2] > 0.9
    assert told(TOGETHER).belief.at_home[2] > told(TOGETHER, share=0.0).belief.at_home[2]


@pytest.mark.parametrize("visitors", [0, 1], ids=["a resident asked along", "a guest let in"])
def test_who_comes_in_with_another_walks_on_beside_the_zones_near_the_door(visitors: int) -> None:
    """Three sensors in a row, 3 m apart, and the door nearer to the first: most are seen by that one next."""
    spots = {"near": [1.0, 1.0], "middle": [4.0, 1.0], "far": [7.0, 1.0]}
    outline = [[0, 0], [8, 0], [8, 2], [0, 2]]
    plan = home(
        2 - visitors,
        rooms={"room": {"outline": outline}},
        doors={"front": {"between": ["away", "room"], "at": [1.8, 0.0]}},
        visitors=visitors,
        front_contact=contact("front"),
        **{name: motion("room", at=spot) for name, spot in spots.items()},
    )
    model = Model(plan, Settings())
    ways = model.sight(model.hours(time_at(0.0).timestamp())[0]).options(plan.sensors["front_contact"], "open")
    coming = [way.companion for way in ways if way.companion is not None and way.companion.label == FORTH]
    assert len(coming) == 1
    zones = [model.states.places[model.states.place[state]].zone for state in coming[0].target]
    further = np.hypot(2.2, 1.0) - np.hypot(0.8, 1.0)
    share = 1.0 / (1.0 + np.exp(-Settings().zone_decay * further / 3.0))
    for row in coming[0].moves:
        assert dict(zip(zones, row.tolist(), strict=True)) == pytest.approx({"near": share, "middle": 1.0 - share})


@pytest.mark.parametrize("between", [["hall", "away"], ["away", "hall"]], ids=["out", "in"])
@pytest.mark.parametrize("visitors", [1, 2])
def test_whoever_is_inside_lets_guests_in_and_out_as_often_as_the_settings_say(
    between: list[str], visitors: int
) -> None:
    """Of all who pass the door from inside one in twenty stays and lets one of the guests pass, whichever it is."""
    settings = Settings(door_guest_share=0.05, door_idle_share=0.2)
    doors = {"front": {"between": between}, "inner": {"between": ["hall", "bed"]}}
    model = Model(home(1, doors=doors, visitors=visitors, front_contact=contact("front")), settings)
    sight = model.sight(model.hours(time_at(0.0).timestamp())[0])
    ways = sight.options(model.plan.sensors["front_contact"], "open")
    rooms = np.array(sight.states.rooms)[sight.states.room]
    outwards = FORTH if between[0] == "hall" else BACK
    (passing,) = (way for way in ways if way.label == outwards)
    letting = {way.companion.label: way for way in ways if way.companion is not None}
    assert sorted(letting) == [FORTH, BACK]
    for label, way in letting.items():
        assert way.companion is not None
        assert way.companion.beings == tuple(range(1, 1 + visitors))
        assert set(rooms[way.companion.source]) == ({"hall", "bed"} if label == outwards else {"away"})
        assert set(rooms[way.companion.target]) == ({"away"} if label == outwards else {"hall"})
        assert set(rooms[way.source]) == {"hall"}
        assert not way.rates[1:].any()
        heard, stays = (sight.weights[0, w.source] @ w.rates[0].sum(axis=1) for w in (passing, way))
        assert stays * visitors == pytest.approx(0.05 * heard / (1.0 - settings.outer_door_miss), rel=1e-9)


@pytest.mark.parametrize(("to", "from_away"), [("away", True), ("drive", True), ("garden", False)])
def test_who_is_asked_along_from_off_the_property_comes_by_a_door_to_the_street(to: str, from_away: bool) -> None:
    """Who comes back by the front door may have met another in the street; nobody is met in the garden."""
    rooms = {"hall": {}, "bed": {}, "drive": {"outdoors": True}, "garden": {"outdoors": True}}
    doors = {
        "watched": {"between": ["hall", to]},
        "street": {"between": ["drive", "away"], "leaf": "none"},
        "steps": {"between": ["hall", "drive"], "leaf": "none"},
        "inner": {"between": ["hall", "bed"]},
        "terrace": {"between": ["bed", "garden"]},
    }
    model = Model(home(2, rooms=rooms, doors=doors, contact=contact("watched")), Settings())
    sight = model.sight(model.hours(time_at(0.0).timestamp())[0])
    asked = [way for way in sight.options(model.plan.sensors["contact"], "open") if way.companion is not None]
    met = {
        way.label: {sight.states.rooms[i] for i in sight.states.room[way.companion.source]}
        for way in asked
        if way.companion
    }
    assert met == {FORTH: {"hall"}, BACK: {to, "away"} if from_away else {to}}
