"""A door is told to be shut whose opening was lost: who passed it, and before or after what else was heard."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import expm

from benchmarks.exact.dense import DenseModel
from presence import Event, Floorplan, Settings, Tracker
from presence.hypotheses import either, start
from presence.lost_openings import TrackerEngine
from presence.retaken import LiveEngine
from presence.retrace import TracingEngine, retrace
from presence.snapshot import replace
from tests.oracle import NOON, at, contact, home, motion, time_at

Array = NDArray[np.float64]
HOUR = 3600.0
QUIET = {"door_repeats": 0.0, "door_bounce_share": 0.0}
"""Contacts that neither rattle nor say again what they have said."""


def two_rooms(people: int = 1) -> Floorplan:
    """A hall with a front door that reports, and a living room."""
    return home(
        people,
        rooms={"hall": {}, "living": {}},
        doors={"front": {"between": ["hall", "away"]}, "arch": {"between": ["hall", "living"], "leaf": "none"}},
        front_contact=contact("front"),
        hall_motion=motion("hall", 30.0),
        living_motion=motion("living", 30.0),
    )


def three_rooms() -> Floorplan:
    """The same with a bedroom beside the hall."""
    doors = {"front": ["hall", "away"], "arch": ["hall", "living"], "niche": ["hall", "bed"]}
    watched = {f"{room}_motion": motion(room, 30.0) for room in ("hall", "living", "bed")}
    return home(
        1,
        rooms={"hall": {}, "living": {}, "bed": {}},
        doors={
            name: {"between": ends, "leaf": "hinged" if name == "front" else "none"} for name, ends in doors.items()
        },
        front_contact=contact("front"),
        **watched,
    )


def out(people: int) -> list[Event]:
    """All leave at noon."""
    seen = [at(20.0 * n, f"{room}_motion", "detected") for n, room in enumerate(("living", "hall"))]
    left = [at(30.0, "front_contact", "open"), at(33.0, "front_contact", "closed")] * people
    left = [at(e.seconds - NOON.timestamp() + 60.0 * (n // 2), e.sensor, e.value) for n, e in enumerate(left)]
    return [*seen, *left, at(300.0, "hall_motion", "clear"), at(301.0, "living_motion", "clear")]


def after(plan: Floorplan, events: list[Event], until: float, settings: Settings | None = None) -> Tracker:
    tracker = Tracker(plan, settings)
    for event in events:
        tracker.observe(event)
    tracker.advance(time_at(until))
    return tracker


@pytest.mark.parametrize("people", [1, 2])
def test_who_comes_home_has_come_though_the_opening_was_lost(people: int) -> None:
    """The hall's sensor sees them before they shut the door: nobody was at home who could have left."""
    home_again = [at(4 * HOUR, "hall_motion", "detected"), at(4 * HOUR + 1.0, "front_contact", "closed")]
    tracker = after(two_rooms(people), [*out(people), *home_again], 4 * HOUR + 2.0)
    assert tracker.belief.at_home[0] < 0.1
    assert max(tracker.passages[-1].directions.items(), key=lambda way: way[1])[0] == "away>hall"


@pytest.mark.parametrize(
    "ages",
    [
        {"hall": 3.0},
        {"living": 9.0, "hall": 4.0},
        {"bed": 14.0, "living": 9.0, "hall": 2.0},
        {"living": 16.0, "hall": 2.0},  # three delays are 15 s: nothing is made of what came before
        {"living": 28.0, "bed": 16.0},
    ],
    ids=lambda ages: ",".join(f"{room} {age:g}" for room, age in ages.items()),
)
def test_the_stories_of_a_lost_opening_are_weighed_by_bayes_rule(ages: dict[str, float]) -> None:
    """The model written out: passed before one of the last reports, or after all; a door is shut within some delays."""
    plan, settings, shut = three_rooms(), Settings.from_mapping(QUIET), 600.0
    seen = [at(shut - age, f"{room}_motion", "detected") for room, age in ages.items()]
    events = [at(0.0, "front_contact", "closed"), *seen, at(shut, "front_contact", "closed")]
    dense, begin = DenseModel(plan, settings), NOON.timestamp()
    hours = dense.hours(begin)
    before = after(plan, events[:1], 0.0, settings)._known().mixture.x[0, 0]
    opening = sum(cause.matrix for cause in dense.causes(at(0.0, "front_contact", "open"), hours))
    lost = settings.outer_door_miss / (1.0 - settings.outer_door_miss)
    jolted = lost * settings.outer_door_false_alarm_rate * np.eye(dense.size)
    still_open = [2.0 ** (-age / settings.door_pulled_shut_delay) * (age <= 15.0) for age in ages.values()]
    shares = [*np.diff([0.0, *still_open]), 1.0 - still_open[-1]]  # opened in the silence before each, and in the last

    def story(opened: int, jolt: Array = jolted) -> Array:
        """With the opening in that silence: everything after it as if it had been reported."""
        x, blind, last = before, set[tuple[str, str]](), 0.0
        for n, event in enumerate(events[1:]):
            now = event.seconds - begin
            x, last = x @ expm(dense.silent(hours, frozenset(blind))[0] * (now - last)), now
            if n == opened:
                x = x @ (shares[n] * lost * opening + (jolt if event is events[-1] else 0.0))
            if event is not events[-1]:
                alarm = settings.motion_false_alarm_rate * np.eye(dense.size)
                x = x @ (sum(cause.matrix for cause in dense.causes(event, hours)) + alarm)
                blind.add(("blind", event.sensor))
        return x

    stories = [story(n) for n in range(len(shares)) if shares[n] > 0.0]
    joint = np.sum(stories, axis=0)
    tracker = after(plan, events, shut, settings)
    rooms = {room: float(joint[dense.room == n].sum() / joint.sum()) for n, room in enumerate(dense.rooms)}
    assert tracker.belief.people["P1"] == pytest.approx(rooms, rel=0, abs=1e-9)
    told = tracker.log_likelihood - after(plan, events[:1], 0.0, settings).log_likelihood
    assert told == pytest.approx(math.log(joint.sum()), rel=0, abs=1e-9)
    assert tracker.association is not None
    by_itself = (stories[-1] - story(len(shares) - 1, 0.0 * jolted)).sum() / joint.sum()
    assert tracker.association.sensor == "front_contact"
    assert tracker.association.nobody == pytest.approx(by_itself, rel=1e-6)
    assert tracker.association.people["P1"] == pytest.approx(1.0 - by_itself, rel=1e-6)
    if ages == {"hall": 3.0}:
        assert stories[0].sum() > stories[1].sum()  # else the test would be of nothing new


WALK = [at(0.0, "front_contact", "closed"), at(9991.0, "hall_motion", "detected")]


@pytest.mark.parametrize(
    ("told", "alike"),
    [
        (WALK, False),
        ([*WALK, at(9994.0, "inner_contact", "open")], True),
        ([at(0.0, "front_contact", "open"), WALK[1]], True),
    ],
    ids=["a walk", "another door since", "stood open for hours, taken to have been shut"],
)
def test_no_opening_is_looked_for_where_none_can_have_been(told: list[Event], alike: bool) -> None:
    """Then all is as if the engine knew of no earlier silences; else it is not."""
    rooms = {"hall": {}, "living": {}}
    doors = {"front": {"between": ["hall", "away"]}, "inner": {"between": ["hall", "living"]}}
    watched = {f"{room}_motion": motion(room, 30.0) for room in rooms}
    plan = home(1, rooms=rooms, doors=doors, front_contact=contact("front"), inner_contact=contact("inner"), **watched)
    found = []
    for kind in (TrackerEngine, LiveEngine):
        engine = kind(plan, Settings.from_mapping(QUIET), 16)
        snapshot = engine.start(NOON.timestamp())
        for event in [*told, at(10_000.0, "front_contact", "closed")]:
            snapshot, _ = engine.observe(engine.advance(snapshot, event.seconds)[0], event)
        found.append(snapshot.mixture.log_likelihood)
    assert (found[0] == pytest.approx(found[1], abs=1e-9)) == alike


def test_who_was_last_seen_just_before_a_door_was_shut_has_likely_left() -> None:
    """Alone in one room, at rest before; the sensor goes off a hold after a movement that was just before the closing.

    Whether anybody is there was hardly in doubt; who has passed the door was.
    """
    sensors = {"front_contact": contact("front"), "hall_motion": motion("hall", 60.0)}
    plan = home(1, rooms={"hall": {}}, doors={"front": {"between": ["hall", "away"]}}, **sensors)
    stirs = [
        at(1000.0 * n + lasting, "hall_motion", value)
        for n in range(1, 8)
        for lasting, value in ((0.0, "detected"), (60.0, "clear"))
    ]
    kept_on = [at(8000.0, "hall_motion", "detected"), at(8944.0, "front_contact", "closed")]
    begun = [at(0.0, "front_contact", "open"), at(1.0, "front_contact", "closed"), *stirs, *kept_on]
    off = at(9000.0, "hall_motion", "clear")
    shut = after(plan, begun, 8999.0).belief.at_home[0]
    assert after(plan, [*begun, off], 9000.0).belief.at_home[0] > 2.0 * shut


@pytest.mark.parametrize("people", [1, 2])
def test_why_it_is_believed_is_told_of_what_was_believed(people: int) -> None:
    """Taken in again for an explanation, every event ends where it ended; one piece each."""
    told = [(0.0, "hall_motion", "detected"), (1.0, "front_contact", "closed"), (21.0, "living_motion", "detected")]
    events = [at(4 * HOUR + seconds, *said) for seconds, *said in [*told, (70.0, "hall_motion", "clear")]]
    tracker = after(two_rooms(people), [*out(people), *events], 4 * HOUR + 200.0)
    tracing = TracingEngine(tracker._engine)
    steps = tracker._record.with_latest(tracker._recent)
    pieces = retrace(tracing, steps, tracker._known(), NOON.timestamp() + 4 * HOUR - 100.0)
    found = [piece for piece in pieces if piece.event is not None]
    assert [piece.event for piece in found] == events
    then = after(two_rooms(people), out(people), 4 * HOUR - 100.0)
    for event, piece in zip(events, found, strict=True):
        then.observe(event)
        assert piece.after.mixture.x == pytest.approx(then._known().mixture.x, rel=0, abs=1e-9)
    for one, other in pairwise(pieces):
        assert one.after.seconds <= other.after.seconds
    explained = tracker.explain_passage([p for p in tracker.passages if p.door == "front"][-1])
    assert math.isfinite(sum(evidence.decibans for evidence in explained.evidence))


@pytest.mark.parametrize("gap", [0.0, 1.0])
@pytest.mark.parametrize("people", [0, 1, 2])
def test_what_is_told_at_one_instant_is_told_as_if_just_after(people: int, gap: float) -> None:
    """Hubs stamp whole seconds: two sensors and the closing, or both sensors alone, at the same one."""
    stories = []
    for slip in (0.0, 1e-5):
        walk = [(0.0, "living_motion", "detected"), (slip, "hall_motion", "detected")]
        walk.append((gap + 2 * slip, "front_contact", "closed"))
        told = [at(4 * HOUR + seconds, *said) for seconds, *said in walk]
        stories.append(after(two_rooms(people), [*out(people), *told], 4 * HOUR + 600.0))
    same, apart = stories
    assert same.belief.at_home == pytest.approx(apart.belief.at_home, rel=0, abs=1e-3)
    assert same.log_likelihood == pytest.approx(apart.log_likelihood, rel=0, abs=1e-2)


def test_a_contact_that_chatters_does_so_once_whatever_is_weighed() -> None:
    """By itself at 1/60 s: nothing passes by far, however many silences it may have come after."""
    plan, rate = two_rooms(1), 1.0 / 60.0
    engine = TrackerEngine(plan, Settings.from_mapping(QUIET), 16)
    snapshot = engine.start(NOON.timestamp())
    closed = at(609.0, "front_contact", "closed")
    seen = [at(600.0, "hall_motion", "detected"), at(605.0, "living_motion", "detected")]
    for event in [at(0.0, "front_contact", "closed"), *seen]:
        snapshot, _ = engine.observe(engine.advance(snapshot, event.seconds)[0], event)
    snapshot, _ = engine.advance(snapshot, closed.seconds)
    known = [taken._replace(known=replace(taken.known, noise={"front_contact": rate})) for taken in snapshot.lately]
    after_all, _ = engine.observe(snapshot._replace(noise={"front_contact": rate}, lately=tuple(known)), closed)
    quiet, _ = engine.observe(snapshot, closed)
    told = math.exp(after_all.mixture.log_likelihood) - math.exp(quiet.mixture.log_likelihood)
    assert told == pytest.approx(rate * math.exp(snapshot.mixture.log_likelihood), rel=1e-6, abs=0.0)


def test_either_of_two_mixtures_is_weighed_by_its_likelihood() -> None:
    first = start(np.array([[0.2, 0.8]]), 0)._replace(log_likelihood=-2.0)
    second = start(np.array([[0.7, 0.3]]), 0)._replace(log_likelihood=-3.0, merged=0.25)
    share = math.exp(-2.0) / (math.exp(-2.0) + math.exp(-3.0))
    for most in (1, 2, None):
        both = either([first, second], most)
        assert both.weight @ both.x[0] == pytest.approx(
            [0.2 * share + 0.7 * (1 - share), 0.8 * share + 0.3 * (1 - share)]
        )
        assert both.log_likelihood == pytest.approx(math.log(math.exp(-2.0) + math.exp(-3.0)))
        assert both.merged >= 0.25


def test_what_was_noted_of_no_door_any_more_is_no_hindrance() -> None:
    """Sides keep the shape of when the last note was forgotten."""
    plain = start(np.array([[0.2, 0.8]]), 0)
    both = either([plain, plain._replace(sides=np.zeros((6, 0, 1)))], 16)
    assert both.weight @ both.x[0] == pytest.approx(plain.x[0, 0])
