"""Promises of the tracker under any stream of events: sums, symmetry, order of arrival, refusals, bounded memory."""

from __future__ import annotations

import copy
import gc
import io
import json
import os
import pickle
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import asdict, is_dataclass, replace
from datetime import UTC, datetime, timedelta, timezone
from itertools import permutations
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as effort
from hypothesis import strategies as st

from benchmarks import speed
from presence import (
    Event,
    EventError,
    Floorplan,
    LateEventError,
    SettingError,
    Settings,
    TimeError,
    Tracker,
    UnknownSensorError,
    UnknownValueError,
    VersionError,
    world,
)
from presence.errors import TooManyHypothesesError
from presence.habits import Hour
from presence.health import Monitor
from presence.health.twins import Heard
from presence.kept import LAID_OUT, this_version
from presence.model import Model
from presence.places import Place
from presence.recent import Derived, Recent
from presence.record import next_look
from presence.snapshot import Snapshot
from presence.world import World
from tests.oracle import NOON, DenseModel, at, contact, home, motion, time_at

GARAGE = Path(__file__).parents[1] / "floorplans" / "two_storey_garage.yaml"
EXACT = 1e-9


def small(people: int = 2, *, swap: bool = False, names: dict[str, str] | None = None, order: int = 1) -> Floorplan:
    """Hall, room, den and `away` with a sensor of every kind; doors told the other way round, or rooms renamed."""
    call = {"hall": "hall", "room": "room", "den": "den", "away": "away"} | (names or {})
    ends = {"inner": ["hall", "room"], "arch": ["hall", "den"], "front": ["hall", "away"], "back": ["den", "away"]}
    rooms: dict[str, Any] = {call["hall"]: {}, call["room"]: {"rest": True}, call["den"]: {}}
    sensors = {
        "hall_motion": motion(call["hall"], 20.0),
        "room_motion": motion(call["room"], 20.0),
        "inner_contact": contact("inner"),
        "front_contact": contact("front"),
        "front_lock": {"kind": "lock", "door": "front"},
        "back_lock": {"kind": "lock", "door": "back"},
        "P1_phone": {"kind": "phone", "person": "P1"},
        "P1_tag": {"kind": "badge", "person": "P1"},
        "mat": {"kind": "pressure", "room": call["room"]},
        "radar": {"kind": "occupancy", "room": call["room"]},
        "den_camera": {"kind": "camera", "room": call["den"]},
        "den_switch": {"kind": "switch", "room": call["den"]},
        "dryer": {"kind": "power", "room": call["den"]},
    }
    return home(
        {"P1": {"bed": call["room"], "codes": ["7"]}, **{f"P{n + 1}": {} for n in range(1, people)}},
        rooms=dict(list(rooms.items())[::order]),
        doors={k: {"between": [call[end] for end in (v[::-1] if swap else v)]} for k, v in ends.items()},
        visitors=people - 1,
        **sensors,
    )


def values_of(plan: Floorplan) -> list[tuple[str, str]]:
    return [(name, value) for name in plan.sensors for value in plan.values(name)]


SMALL = small()
GAPS = st.one_of(st.sampled_from([0.0, 0.5, 20.0]), st.floats(0, 60), st.floats(0, 20_000))


@st.composite
def streams(draw: st.DrawFn, most: int = 10, gaps: st.SearchStrategy[float] = GAPS) -> list[Event]:
    """Any reports in any order, possible or not: doors closed twice, things offline that speak on, tags everywhere."""
    now, events = 0.0, []
    for gap, (sensor, value) in draw(
        st.lists(st.tuples(gaps, st.sampled_from(values_of(SMALL))), min_size=1, max_size=most)
    ):
        now += round(gap, 3)
        lock = SMALL.sensors[sensor].kind == "lock"
        by = draw(st.sampled_from([None, "inside", "keypad"])) if lock else None
        code = draw(st.sampled_from([None, "7", "8"])) if lock else None
        events.append(at(now, sensor, value, by=by, code=code))
    return events


def followed(
    plan: Floorplan, events: Sequence[Event], hypotheses: int | None = 16, *, numbering: bool = True
) -> Tracker:
    tracker = Tracker(plan, hypotheses=hypotheses, numbering=numbering)
    tracker.advance(NOON)
    for event in events:
        tracker.observe(event)
    return tracker


def assert_same_belief(one: Tracker, other: Tracker, tolerance: float = EXACT) -> None:
    assert one.belief.rooms == pytest.approx(dict(other.belief.rooms), rel=0, abs=tolerance)
    assert one.belief.at_home == pytest.approx(other.belief.at_home, rel=0, abs=tolerance)
    for name, rooms in one.belief.people.items():
        assert rooms == pytest.approx(dict(other.belief.people[name]), rel=0, abs=tolerance)


# --- sums ------------------------------------------------------------------------------------------------------------
@effort(max_examples=60)
@given(events=streams(), hypotheses=st.sampled_from([1, 4, 16]))
def test_probabilities_sum_to_one_under_any_stream(events: list[Event], hypotheses: int) -> None:
    tracker = followed(SMALL, [], hypotheses)
    for event in events:
        tracker.observe(event)
        belief = tracker.belief
        assert belief.time == event.time
        assert list(belief.rooms) == ["hall", "room", "den"]
        assert len(belief.at_home) == 4  # 0 to 3 people: two residents and a visitor
        assert sum(belief.at_home) == pytest.approx(1.0, rel=0, abs=EXACT)
        assert all(0.0 <= p <= 1.0 for p in (*belief.rooms.values(), *belief.at_home))
        for rooms in belief.people.values():
            assert list(rooms) == ["hall", "room", "den", "away"]
            assert sum(rooms.values()) == pytest.approx(1.0, rel=0, abs=EXACT)
        if tracker.association is not None:
            caused = tracker.association
            assert sum(caused.people.values()) + caused.nobody == pytest.approx(1.0, rel=0, abs=EXACT)
    for passage in tracker.passages:
        assert sum(passage.directions.values()) + passage.nobody == pytest.approx(1.0, rel=0, abs=EXACT)
    assert np.isfinite(tracker.log_likelihood)
    assert tracker.merged >= 0.0


@effort(max_examples=30)
@given(events=streams())
def test_rooms_people_and_count_agree(events: list[Event]) -> None:
    """A room is at least as likely occupied as any one person is there; the mean count follows from who is away."""
    belief = followed(small(1), events).belief
    for room, p in belief.rooms.items():
        assert p == pytest.approx(belief.people["P1"][room], rel=0, abs=EXACT), "one person, no visitor"
    assert belief.at_home[1] == pytest.approx(1.0 - belief.people["P1"]["away"], rel=0, abs=EXACT)


def test_impossible_streams_are_borne() -> None:
    """Two tags in two places, a phone that contradicts itself, everything at once, over and over."""
    shouting = [at(0.01 * n, *values_of(SMALL)[n % len(values_of(SMALL))]) for n in range(400)]
    contradicting = [at(5 + n, "P1_phone", ("home", "away")[n % 2]) for n in range(200)]
    for events in (shouting, contradicting):
        belief = followed(SMALL, events).belief
        assert sum(belief.at_home) == pytest.approx(1.0, rel=0, abs=EXACT)
        assert all(np.isfinite(list(rooms.values())).all() for rooms in belief.people.values())


# --- symmetry --------------------------------------------------------------------------------------------------------
MERGED = 1e-3
"""Equally good merges may be made in either order: no more than merging itself costs."""


@pytest.mark.parametrize(
    ("people", "hypotheses", "tolerance"), [(1, 16, EXACT), (2, None, EXACT), (2, 16, MERGED)], ids=str
)
@effort(max_examples=25)
@given(events=streams(6))
def test_order_and_names_of_rooms_do_not_matter(
    people: int, hypotheses: int | None, tolerance: float, events: list[Event]
) -> None:
    names = {"hall": "z", "room": "hall", "den": "room"}
    plain = followed(small(people), [], hypotheses)
    other = followed(small(people, names=names, order=-1), [], hypotheses)
    for event in events if hypotheses else events[:3]:
        renamed = names.get(event.value, event.value) if event.sensor == "P1_tag" else event.value
        plain.observe(event)
        other.observe(replace(event, value=renamed))
    told = {room: other.belief.rooms[names[room]] for room in plain.belief.rooms}
    assert told == pytest.approx(dict(plain.belief.rooms), rel=0, abs=tolerance)
    where = {room: other.belief.people["P1"][names.get(room, room)] for room in plain.belief.people["P1"]}
    assert where == pytest.approx(dict(plain.belief.people["P1"]), rel=0, abs=tolerance)


@pytest.mark.parametrize(
    ("people", "hypotheses", "tolerance"), [(1, 16, EXACT), (2, None, EXACT), (2, 16, MERGED)], ids=str
)
@effort(max_examples=25)
@given(events=streams(6))
def test_a_mirror_image_moves_nobody(
    people: int, hypotheses: int | None, tolerance: float, events: list[Event]
) -> None:
    """Doors told the other way round: the same belief (directions: see test_passages)."""
    events = events if hypotheses else events[:3]
    plain, mirror = (followed(small(people, swap=swap), events, hypotheses) for swap in (False, True))
    assert_same_belief(plain, mirror, tolerance)


@effort(max_examples=25)
@given(events=streams(6))
def test_people_who_are_alike_are_believed_alike(events: list[Event]) -> None:
    plan = alike()
    known = [event for event in events if event.sensor in plan.sensors]
    people = followed(plan, known, 64, numbering=False).belief.people
    assert people["P1"] == pytest.approx(dict(people["P2"]), rel=0, abs=1e-4)


def alike() -> Floorplan:
    """Two people whom the plan cannot tell apart."""
    plan = replace(SMALL, people={name: replace(p, bed=None, codes=()) for name, p in SMALL.people.items()})
    return replace(plan, sensors={name: s for name, s in plan.sensors.items() if s.person is None})


@effort(max_examples=15)
@given(events=streams(3))
def test_numbering_people_who_are_alike_changes_their_names_only(events: list[Event]) -> None:
    """Rooms, count and likelihood stay; the mean over the names is what both have without numbers; nothing merged."""
    plan = alike()
    known = [event for event in events if event.sensor in plan.sensors and event.sensor != "radar"]
    numbered, equal = (followed(plan, known, None, numbering=n) for n in (True, False))
    assert numbered.belief.rooms == pytest.approx(dict(equal.belief.rooms), rel=0, abs=EXACT)
    assert numbered.belief.at_home == pytest.approx(equal.belief.at_home, rel=0, abs=EXACT)
    assert numbered.log_likelihood == pytest.approx(equal.log_likelihood, rel=0, abs=1e-8)
    for room, p in equal.belief.people["P1"].items():
        mean = (numbered.belief.people["P1"][room] + numbered.belief.people["P2"][room]) / 2
        assert mean == pytest.approx(p, rel=0, abs=EXACT)


@pytest.mark.parametrize("before", [[], [at(1.0, "room_motion", "clear")]], ids=["", "a log that begins with an end"])
def test_the_first_to_be_noticed_is_the_first_by_number(before: list[Event]) -> None:
    tracker = followed(alike(), [*before, at(5.0, "hall_motion", "detected")])
    assert tracker.association is not None
    assert tracker.association.people["P1"] > 0.9
    assert tracker.association.people["P2"] == 0.0


# --- time ------------------------------------------------------------------------------------------------------------
@effort(max_examples=50)
@given(events=streams(6), first=st.floats(0.0, 20_000), second=st.floats(0.0, 20_000))
def test_two_silences_equal_one(events: list[Event], first: float, second: float) -> None:
    once, twice = followed(SMALL, events), followed(SMALL, events)
    halfway = events[-1].time + timedelta(seconds=first)
    twice.advance(halfway)
    for tracker in (once, twice):
        tracker.advance(halfway + timedelta(seconds=second))
    assert_same_belief(once, twice, 1e-8)
    assert once.log_likelihood == pytest.approx(twice.log_likelihood, rel=0, abs=1e-8)


@effort(max_examples=20)
@given(events=streams(6), count=st.integers(2, 40))
def test_looking_often_changes_nothing(events: list[Event], count: int) -> None:
    once, often = followed(SMALL, events), followed(SMALL, events)
    for n in range(1, count + 1):
        often.advance(events[-1].time + timedelta(seconds=900.0 * n / count))
        assert sum(often.belief.at_home) == pytest.approx(1.0, rel=0, abs=EXACT)
    once.advance(often.belief.time)
    assert_same_belief(once, often, 1e-8)


def test_how_often_anybody_asks_moves_nobody() -> None:
    """Four who are alike: many merges cost the same, and no rounding may decide between them."""
    rooms = ["hall", "den", "bed", "bath"]
    plan = home(
        4,
        rooms={room: {} for room in rooms},
        doors={"front": {"between": ["hall", "away"]}, **{room: {"between": ["hall", room]} for room in rooms[1:]}},
        front_contact=contact("front"),
        **{f"{room}_motion": motion(room) for room in rooms[:3]},
    )
    never, often, random, now = Tracker(plan), Tracker(plan), np.random.default_rng(1), 0.0
    for tracker in (never, often):
        tracker.advance(NOON)
    for _ in range(120):
        after = now + 1.0 + random.exponential(40.0)
        for second in np.arange(now + 3.0, after, 7.0):
            often.advance(time_at(float(second)))
        now = after
        sensor, value = values_of(plan)[int(random.integers(len(values_of(plan))))]
        for tracker in (never, often):
            tracker.observe(at(now, sensor, value))
        assert_same_belief(never, often, 1e-9)


@pytest.mark.parametrize("hours", [9, 10, 11, 24, 24 * 30])
def test_a_long_silence_is_the_same_in_one_step_or_twelve(hours: int) -> None:
    """Over bedtime, over days: what passes meanwhile changes nothing."""
    events = [at(5.0, "hall_motion", "detected"), at(25.0, "hall_motion", "clear")]
    once, often = followed(small(1), events), followed(small(1), events)
    for n in range(1, 13):
        often.advance(NOON + timedelta(hours=hours * n / 12))
    once.advance(NOON + timedelta(hours=hours))
    assert_same_belief(once, often, 1e-8)


def answers(plan: Floorplan, events: Sequence[Event]) -> list[str]:
    """Everything told, event by event, as text to the last digit."""
    tracker, lines = Tracker(plan), []
    for event in events:
        tracker.observe(event)
        told = [asdict(passage) for passage in tracker.take_passages()]
        caused = asdict(tracker.association) if tracker.association else None
        lines.append(json.dumps([asdict(tracker.belief), told, caused, tracker.log_likelihood], default=str))
    return lines


@effort(max_examples=15)
@given(events=streams(10), cut=st.integers(0, 10))
def test_same_input_same_bytes_and_no_later_event_is_used(events: list[Event], cut: int) -> None:
    whole = answers(SMALL, events)
    assert answers(small(), events) == whole
    assert answers(SMALL, events[:cut]) == whole[:cut]


def test_same_bytes_in_another_process() -> None:
    """Nothing hangs on the order of a set."""
    program = (
        "from tests.test_tracker import *; import hashlib;"
        "random = np.random.default_rng(8); reports = values_of(SMALL);"
        "events = [at(7.0 * n, *reports[int(random.integers(len(reports)))]) for n in range(150)];"
        "print(hashlib.sha256(''.join(answers(SMALL, events)).encode()).hexdigest())"
    )
    told = set()
    for seed in ("1", "2"):
        environment = {**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": str(GARAGE.parents[1])}
        done = subprocess.run(
            [sys.executable, "-c", program], env=environment, capture_output=True, text=True, check=True
        )
        told.add(done.stdout)
    assert len(told) == 1


def test_the_offset_of_a_time_does_not_matter() -> None:
    events = [
        at(5.0, "hall_motion", "detected"),
        at(9.0, "front_contact", "open"),
        at(40_000.0, "room_motion", "detected"),
    ]
    elsewhere = [replace(e, time=e.time.astimezone(timezone(timedelta(hours=-7, minutes=-30)))) for e in events]
    assert_same_belief(followed(SMALL, events), followed(SMALL, elsewhere), 0.0)


# --- order of arrival ------------------------------------------------------------------------------------------------
BURST = [
    at(5.0, "hall_motion", "detected"),
    at(5.4, "inner_contact", "open"),
    at(5.9, "mat", "pressed"),
    at(6.6, "room_motion", "detected"),
]


@pytest.mark.parametrize("order", list(permutations(range(4))), ids=lambda order: "".join(map(str, order)))
def test_late_events_are_put_in_their_place(order: tuple[int, ...]) -> None:
    """Inside the window of 2 s, in whatever order they come."""
    ordered, late = followed(SMALL, BURST), followed(SMALL, [BURST[n] for n in order])
    assert_same_belief(ordered, late)
    assert ordered.log_likelihood == pytest.approx(late.log_likelihood, rel=0, abs=EXACT)
    for tracker in (ordered, late):
        tracker.advance(time_at(400.0))
    finals = [[p for p in t.passages if p.final and not p.inferred] for t in (ordered, late)]
    assert len(finals[0]) == len(finals[1]) == 1
    assert finals[0][0].directions == pytest.approx(dict(finals[1][0].directions), rel=0, abs=EXACT)


def test_threads_may_share_a_tracker() -> None:
    """Told by four at once, while others look, copy and pickle it, the same is believed as told by one in order."""
    reports = values_of(SMALL)
    events = [at(7.0 * k, *reports[5 * k % len(reports)]) for k in range(24)]
    alone, shared = followed(SMALL, events), Tracker(SMALL, reordering_window=1e6)
    shared.advance(NOON)
    looked: list[float] = []
    kept: list[Tracker] = []
    broken: list[Exception] = []
    done = threading.Event()

    def work(part: Sequence[Event]) -> None:
        try:
            for event in part:
                shared.observe(event)
        except Exception as error:
            broken.append(error)

    def look() -> None:
        try:
            while not done.is_set():
                looked.append(sum(shared.belief.at_home))
        except Exception as error:
            broken.append(error)

    def keep() -> None:
        try:
            while not done.is_set():
                kept.extend([copy.deepcopy(shared), pickle.loads(pickle.dumps(shared))])
        except Exception as error:
            broken.append(error)

    usual = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    try:
        others = [threading.Thread(target=look), threading.Thread(target=keep)]
        threads = [threading.Thread(target=work, args=(events[k::4],)) for k in range(4)]
        for thread in (*others, *threads):
            thread.start()
        for thread in threads:
            thread.join()
        done.set()
        for thread in others:
            thread.join()
    finally:
        sys.setswitchinterval(usual)
    assert broken == []
    assert looked
    assert looked == pytest.approx([1.0] * len(looked))
    assert kept
    assert [sum(one.belief.at_home) for one in kept] == pytest.approx([1.0] * len(kept))
    assert_same_belief(alone, shared)


@pytest.mark.parametrize("kept", [lambda tracker: tracker, copy.copy], ids=["as begun", "a copy"])
def test_who_asks_for_sick_sensors_waits_while_an_event_is_taken_in(
    kept: Callable[[Tracker], Tracker], monkeypatch: pytest.MonkeyPatch
) -> None:
    """An answer brings the watches up to date: a step that both threads took in counted twice."""
    tracker, waited = kept(followed(SMALL, [at(5.0, "hall_motion", "detected")])), list[bool]()
    asking = threading.Thread(target=lambda: tracker.health.findings)

    def note(monitor: Monitor, *step: Any) -> None:
        asking.start()
        asking.join(0.3)
        waited.append(asking.is_alive())

    monkeypatch.setattr(Monitor, "note", note)
    tracker.observe(at(9.0, "hall_motion", "clear"))
    asking.join(60.0)
    assert waited == [True]
    assert not asking.is_alive()


def test_an_event_late_behind_the_very_first_is_put_in_its_place() -> None:
    """The log may begin in disorder: no `advance` before the first event."""
    ordered, late = Tracker(SMALL), Tracker(SMALL)
    for one, other in zip(BURST, [BURST[n] for n in (1, 0, 2, 3)], strict=True):
        ordered.observe(one)
        late.observe(other)
    assert_same_belief(ordered, late)


@effort(max_examples=40)
@given(events=streams(8, st.one_of(st.sampled_from([0.25, 0.5, 30.0]), st.floats(0.01, 3.0))), data=st.data())
def test_any_stream_shuffled_inside_the_window(events: list[Event], data: st.DataObject) -> None:
    """Each event late by up to a second: the same belief in the end."""
    delays = data.draw(st.lists(st.floats(0, 1.0), min_size=len(events), max_size=len(events)))
    arrival = sorted(range(len(events)), key=lambda n: (events[n].seconds + delays[n], n))
    ordered, late = followed(SMALL, events), followed(SMALL, [events[n] for n in arrival])
    assert_same_belief(ordered, late)
    assert late.counts.observed == len(events) - late.counts.duplicates


def test_sensors_are_looked_at_as_often_where_the_event_that_ends_a_silence_comes_before_a_late_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A late event goes back to before what ended the silence: by then nobody had been heard for hours."""
    monkeypatch.setattr(Monitor, "suspecting", True)
    ending = [at(3 * 3600.0 + 1700.0, "hall_motion", "detected"), at(3 * 3600.0 + 1701.0, "hall_motion", "clear")]
    ordered, late = followed(SMALL, [*BURST, *ending]), followed(SMALL, [*BURST, *ending[::-1]])
    steps = [[step.seconds for step in t._record.with_latest(t._recent)] for t in (ordered, late)]
    assert len(steps[0]) > len(BURST) + 8
    assert steps[1] == steps[0]
    assert_same_belief(ordered, late)


def test_a_late_event_after_time_has_passed() -> None:
    ordered, late = followed(SMALL, BURST), followed(SMALL, BURST[:1])
    late.advance(time_at(6.9))
    for event in BURST[1:]:
        late.observe(event)
    ordered.advance(time_at(6.9))
    assert late.belief.time == time_at(6.9)
    assert_same_belief(ordered, late)
    assert late.counts.reordered == 3


def test_said_twice_is_said_once() -> None:
    once, twice = followed(SMALL, BURST), followed(SMALL, [*BURST, BURST[1], BURST[3]])
    assert twice.counts.duplicates == 2
    assert_same_belief(once, twice, 0.0)


def test_a_sensor_that_is_on_repeats_itself_or_has_lost_its_off_message() -> None:
    """Within its hold of 20 s a second "on" is no evidence; after it the sensor must have been off in between."""
    first = [at(0, "hall_motion", "detected"), at(10, "room_motion", "detected")]
    for second, told_again in ((19.0, True), (21.0, False)):
        without, repeated = followed(SMALL, first), followed(SMALL, [*first, at(second, "hall_motion", "detected")])
        without.advance(time_at(second))
        assert (repeated.log_likelihood == without.log_likelihood) is told_again
        assert repeated.association is not None
        assert repeated.association.time == time_at(second)


def test_a_report_told_twice_is_compared_with_the_report_before_it() -> None:
    """Two people in two rooms; a second report of the one who spoke before last is not the same person's as the last.

    By the definition of `same_as_previous`; and what comes next is compared with the repeated report.
    """
    shut = at(0, "inner_contact", "closed")
    tracker = followed(SMALL, [shut, at(60, "hall_motion", "detected"), at(65, "room_motion", "detected")])
    tracker.observe(at(300, "hall_motion", "clear"))
    tracker.observe(at(300, "room_motion", "clear"))
    tracker.observe(at(301, "hall_motion", "detected"))
    tracker.observe(at(301.2, "room_motion", "detected"))  # too soon for the same walker
    apart = tracker.same_as_previous
    tracker.observe(at(301.4, "hall_motion", "detected"))
    repeated = tracker.same_as_previous
    tracker.observe(at(301.6, "hall_motion", "detected"))
    assert apart is not None
    assert repeated is not None
    assert apart < 0.5
    assert repeated < 0.5
    assert tracker.same_as_previous is not None
    assert tracker.same_as_previous > 0.9, "nobody else can have caused the second of two in the same place"


def test_a_report_told_twice_is_caused_by_who_is_there_now() -> None:
    """One of two with tags sets the hall's sensor off and goes; the other is there when it says so again."""
    tags = {f"{person}_tag": {"kind": "badge", "person": person} for person in ("P1", "P2")}
    plan = home(2, hall_motion=motion("hall", 60.0), bed_motion=motion("bed", 60.0), **tags)
    came = [at(0, "P1_tag", "hall"), at(0, "P2_tag", "bed"), at(1, "hall_motion", "detected")]
    tracker = followed(plan, came)
    assert tracker.association is not None
    assert tracker.association.people["P1"] > 0.8
    tracker.observe(at(30, "P1_tag", "bed"))
    tracker.observe(at(30, "P2_tag", "hall"))
    for seconds, value in ((31, "detected"), (61, "clear")):  # a hold of 60 s: told again, no new event
        tracker.observe(at(seconds, "hall_motion", value))
        assert tracker.association.time == time_at(seconds)
        assert tracker.association.value == value
        assert tracker.association.people["P2"] > tracker.association.people["P1"]
        assert sum(tracker.association.people.values()) + tracker.association.nobody == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("value", ["home", "away"])
def test_a_phone_that_says_again_where_it_is_tells_nothing_new(value: str) -> None:
    """Left behind, or lost: as often as it checks in, so often the owner would be called back."""
    now, again = ("home", "away") if value == "away" else ("away", "home")
    plan = home(
        1, front_contact=contact("front"), hall_motion=motion("hall"), P1_phone={"kind": "phone", "person": "P1"}
    )
    once, often = (followed(plan, [at(5.0, "P1_phone", value)]) for _ in range(2))
    for n in range(1, 40):
        often.observe(at(5.0 + 60.0 * n, "P1_phone", value))
    once.advance(often.belief.time)
    assert_same_belief(once, often, 1e-8)
    assert once.log_likelihood == pytest.approx(often.log_likelihood, rel=0, abs=1e-8)
    for tracker in (once, often):
        tracker.observe(at(3000.0, "P1_phone", now))
        tracker.observe(at(3001.0, "P1_phone", again))
    assert_same_belief(once, often, 1e-8)


def test_who_has_left_without_their_phone_is_not_called_back_as_often_as_it_checks_in() -> None:
    tracker = Tracker(Floorplan.load(GARAGE))
    for name, value in (("ada", "home"), ("ben", "away"), ("cleo", "away")):
        tracker.observe(at(0.0, f"{name}_phone", value))
    out = [(600.0, "hall_motion", "detected"), (606.0, "front_contact", "open"), (612.0, "front_contact", "closed")]
    for report in out:
        tracker.observe(at(*report))
    tracker.observe(at(620.0, "front_lock", "locked", by="keypad", code="4071"))
    tracker.observe(at(636.0, "hall_motion", "clear"))
    for minutes in range(12, 40, 2):
        tracker.observe(at(60.0 * minutes, "ada_phone", "home"))
    assert tracker.belief.people["ada"]["away"] > 0.8


@pytest.mark.parametrize("linked", [True, False])
def test_a_phone_that_was_long_silent_says_something_new(linked: bool) -> None:
    """Out of reach, or its last change was lost."""
    link = [at(900.0, "P1_phone", "offline"), at(4000.0, "P1_phone", "online")] if linked else []
    tracker = followed(home(1, P1_phone={"kind": "phone", "person": "P1"}), [at(5.0, "P1_phone", "home"), *link])
    again = 4001.0 if linked else 20_000.0
    tracker.advance(time_at(again))
    before = tracker.belief.people["P1"]["away"]
    tracker.observe(at(again, "P1_phone", "home"))
    assert tracker.belief.people["P1"]["away"] < 0.1 * before


@pytest.mark.parametrize("late_by", [2.001, 60.0, 86400.0 * 3])
def test_older_events_are_refused_and_change_nothing(late_by: float) -> None:
    tracker = followed(SMALL, BURST)
    before = pickle.dumps(tracker.belief)
    with pytest.raises(LateEventError, match=r"front_contact open at .* older than .* clock was ahead"):
        tracker.observe(at(6.6 - late_by, "front_contact", "open"))
    assert pickle.dumps(tracker.belief) == before
    tracker.observe(at(6.6 - 1.999, "front_contact", "open"))
    assert tracker.counts.reordered == 1


# --- refusals --------------------------------------------------------------------------------------------------------
def test_what_cannot_be_is_refused_by_name() -> None:
    with pytest.raises(SettingError, match=r'"plan.yaml" is no floor plan; Floorplan.load\(\) reads one'):
        Tracker("plan.yaml")  # type: ignore[arg-type]
    tracker = Tracker(SMALL)
    for ask in (lambda: tracker.belief, lambda: tracker.log_likelihood, lambda: tracker.merged):
        with pytest.raises(TimeError, match="before the first event"):
            ask()
    assert tracker.time is None
    assert tracker.passages == []
    assert tracker.association is None
    tracker.advance(NOON)
    before = pickle.dumps(tracker.belief)
    with pytest.raises(UnknownSensorError, match=r"nothing_such.*hall_motion"):
        tracker.observe(at(1, "nothing_such", "detected"))
    with pytest.raises(UnknownValueError, match=r'hall_motion.*does not report "open".*detected'):
        tracker.observe(at(1, "hall_motion", "open"))
    for nothing in (None, True, 1):  # no word is misspelt
        with pytest.raises(UnknownValueError, match=f"does not report {json.dumps(nothing)}; there is detected, clear"):
            tracker.observe(at(1, "hall_motion", nothing))  # type: ignore[arg-type]
    with pytest.raises(UnknownValueError, match=r'P1_tag.*"cellar".*hall'):
        tracker.observe(at(1, "P1_tag", "cellar"))
    with pytest.raises(TimeError, match="no offset"):
        tracker.observe(Event(datetime(2026, 3, 2, 12, 0, 1), "hall_motion", "detected"))
    with pytest.raises(TimeError, match="no offset"):
        tracker.advance(datetime(2026, 3, 2, 12, 0, 1))
    with pytest.raises(TimeError, match=r"'2026-03-02T12:00:01Z' is no datetime"):
        tracker.advance("2026-03-02T12:00:01Z")  # type: ignore[arg-type]
    with pytest.raises(TimeError, match=r"12:59:59\+01:00 lies before .*T13:00:00\+01:00; .* only goes forward"):
        tracker.advance((NOON - timedelta(seconds=1)).astimezone(timezone(timedelta(hours=1))))
    assert pickle.dumps(tracker.belief) == before
    assert tracker.counts.observed == 0


@pytest.mark.parametrize("value", ["offline", "online"])
@pytest.mark.parametrize("sensor", list(SMALL.sensors))
def test_any_sensor_may_come_and_go(sensor: str, value: str) -> None:
    belief = followed(SMALL, [at(1.0, sensor, value), at(90.0, sensor, "offline"), at(3000.0, sensor, "online")]).belief
    assert sum(belief.at_home) == pytest.approx(1.0, rel=0, abs=EXACT)


def test_silence_of_a_sensor_that_is_offline_is_no_evidence() -> None:
    """Ten silent minutes say that nobody is up in the hall, unless its sensor cannot be heard."""
    heard, unheard = followed(small(1), []), followed(small(1), [at(0.0, "hall_motion", "offline")])
    for tracker in (heard, unheard):
        tracker.observe(at(1.0, "P1_tag", "hall"))
        tracker.advance(time_at(600.0))
    assert unheard.belief.rooms["hall"] > heard.belief.rooms["hall"]


# --- nothing is changed behind one's back, nothing grows without bound -----------------------------------------------
@effort(max_examples=20)
@given(before=streams(5), after=streams(5))
def test_what_was_read_stays_as_it_was(before: list[Event], after: list[Event]) -> None:
    tracker = followed(SMALL, before)
    read = [tracker.belief, tracker.association, tracker.passages, tracker._snapshot]
    kept = pickle.dumps(read)
    for event in after:
        tracker.observe(replace(event, time=event.time + (before[-1].time - NOON)))
    tracker.advance(tracker.belief.time + timedelta(hours=9))
    assert pickle.dumps(read) == kept


def test_passages_are_taken_once() -> None:
    tracker = followed(SMALL, [at(10.0, "front_contact", "open")])
    assert [p.final for p in tracker.take_passages() if not p.inferred] == [False]
    assert tracker.take_passages() == []
    tracker.advance(time_at(310.0))
    (answer,) = [p for p in tracker.take_passages() if p.final and not p.inferred]
    assert answer.decided == time_at(310.0)
    assert [p.final for p in tracker.passages if not p.inferred] == [False, True]


@effort(max_examples=15)
@given(streams(), streams())
def test_a_restart_changes_nothing_where_the_tracker_was_kept(before: list[Event], after: list[Event]) -> None:
    """Pickled and loaded again it goes on as if nothing had happened: what it says, what it tells, what it explains."""
    whole = followed(SMALL, before)
    whole.advance(NOON + timedelta(days=1))
    kept = pickle.loads(pickle.dumps(whole))
    for tracker in (whole, kept):
        for event in after:
            tracker.observe(replace(event, time=event.time + timedelta(days=2)))
    assert kept.belief == whole.belief
    assert kept.passages == whole.passages
    assert kept.log_likelihood == whole.log_likelihood
    assert kept.explain("hall").text() == whole.explain("hall").text()


@pytest.mark.parametrize("written_by", [None, "0.0.9-00000000"], ids=["before pickles said so", "another"])
def test_what_another_version_has_pickled_is_refused_by_name(written_by: str | None) -> None:
    """Settings lie in a pickle by their order alone: one more in between, and each would be its neighbour."""
    tracker = followed(SMALL, [at(5.0, "hall_motion", "detected")])
    state = tracker.__getstate__()
    assert pickle.loads(pickle.dumps(tracker)).belief == copy.copy(tracker).belief == tracker.belief
    writer = state.pop("written_by")
    other = object.__new__(Tracker)
    with pytest.raises(VersionError, match=rf"pickled by another version.*this one is {writer}.*last days of your log"):
        other.__setstate__(state if written_by is None else {**state, "written_by": written_by})
    assert not vars(other)


@pytest.mark.parametrize("copied", [copy.copy, copy.deepcopy])
def test_a_copy_goes_on_by_itself(copied: Callable[[Tracker], Tracker]) -> None:
    """Asked what would be believed if somebody came, it leaves the other as it is."""
    begun = [at(5.0, "hall_motion", "detected"), at(6.0, "front_contact", "open")]
    tracker, alone = followed(SMALL, begun), followed(SMALL, begun)
    other = copied(tracker)
    other.observe(at(3000.0, "front_contact", "closed"))
    for each in (tracker, alone):
        each.observe(at(60.0, "front_contact", "closed"))
        each.advance(time_at(400.0))
    assert tracker.belief == alone.belief
    assert tracker.passages == alone.passages
    assert tracker.explain("hall").text() == alone.explain("hall").text()
    assert other.belief.time == time_at(3000.0)


def test_a_version_is_told_by_the_fields_of_its_records(monkeypatch: pytest.MonkeyPatch) -> None:
    now = this_version()
    monkeypatch.setattr(Snapshot, "_fields", (*Snapshot._fields[:-1], "another", Snapshot._fields[-1]))
    this_version.cache_clear()
    assert this_version() != now
    monkeypatch.undo()
    this_version.cache_clear()
    assert this_version() == now


class Naming(pickle.Unpickler):
    """Remembers which classes it has read."""

    def __init__(self, file: io.BytesIO) -> None:
        super().__init__(file)
        self.read = set[type]()

    def find_class(self, module_name: str, global_name: str) -> Any:
        found = super().find_class(module_name, global_name)
        self.read |= {found} if isinstance(found, type) else set()
        return found


def test_the_version_tells_how_every_record_in_a_pickle_is_laid_out() -> None:
    """All of them lie there by the order of their fields: events, people's hours and places, too."""
    first = [at(60.0 * n, *report) for n, report in enumerate(values_of(SMALL))]
    after_a_week = [replace(event, time=event.time + timedelta(days=8)) for event in first]
    inner = Naming(io.BytesIO(followed(SMALL, [*first, *after_a_week], 4).__getstate__()["kept"]))
    inner.load()
    records = [c for c in inner.read if hasattr(c, "_fields") or is_dataclass(c)]
    assert {Event, Hour, Place, Snapshot, Heard} <= set(records)
    assert [c for c in records if c.__module__ not in {module.__name__ for module in LAID_OUT}] == []


def test_a_pickle_is_no_larger_for_questions_that_were_asked() -> None:
    """What was worked out for them is: a hundred snapshots. It is worked out again when somebody asks again."""
    tracker = followed(SMALL, [at(30.0 * n, *report) for n, report in enumerate(values_of(SMALL))])
    before = len(pickle.dumps(tracker))
    told = tracker.explain("hall").text()
    kept = pickle.dumps(tracker)
    assert len(kept) < 1.1 * before
    assert pickle.loads(kept).explain("hall").text() == told


def test_memory_stays_bounded() -> None:
    """Two weeks of random reports in a large home: caches keep to their bounds and the state does not grow."""
    plan, random = Floorplan.load(GARAGE), np.random.default_rng(3)
    reports, sizes = values_of(plan), []
    tracker, now = Tracker(plan, hypotheses=4), NOON
    for _ in range(4):
        for _ in range(250):
            now += timedelta(seconds=float(random.exponential(1200.0)))
            tracker.observe(Event(now, *reports[int(random.integers(len(reports)))]))
        sizes.append(len(pickle.dumps(tracker._snapshot)))
    gc.collect()
    caches: list[Any] = [thing for thing in gc.get_objects() if issubclass(type(thing), Recent)]
    assert len(caches) >= 3
    assert max(len(cache) for cache in caches) > 16, "the log must fill something"
    for cache in caches:
        assert len(cache) <= cache.most <= 1000
    assert len(tracker.passages) <= 200
    assert len(tracker._recent) <= 10
    assert sizes[-1] < 1.5 * sizes[0] + 100_000


RESTORED = [
    (60.0, "hall_motion", "detected"),
    (70.0, "inner_contact", "open"),
    (71.0, "front_contact", "open"),
    (81.0, "hall_motion", "clear"),
    (91.0, "hall_motion", "detected"),
    (151.0, "inner_contact", "closed"),
    (154.0, "inner_contact", "open"),
    (214.0, "front_contact", "closed"),
    (514.0, "front_contact", "open"),
    (814.0, "front_lock", "unlocked"),
]


def test_who_is_restored_tells_every_passage_to_the_last_digit() -> None:
    """A pickle restores numbers, not where they lie in memory; with one person alone that turned a digit."""
    sensors = {"front_contact": contact("front"), "inner_contact": contact("inner"), "hall_motion": motion("hall")}
    tracker = Tracker(home(1, visitors=0, front_lock={"kind": "lock", "door": "front"}, **sensors))
    restored: list[Tracker] = []
    for report in RESTORED:
        for each in (tracker, *restored):
            each.observe(at(*report))
        told = tracker.take_passages()
        assert [each.take_passages() for each in restored] == [told] * len(restored)
        restored.append(pickle.loads(pickle.dumps(tracker)))


def test_what_is_worked_out_ahead_of_time_changes_no_digit(monkeypatch: pytest.MonkeyPatch) -> None:
    """After an off message one small set of conditions is decomposed, if none was since the last; others hardly are."""
    plan = speed.home(people=3, rooms=12)
    log = speed.log_of(plan, 200)
    done: list[int] = []
    decomposed, forgets = world.absorb, World.foresee
    monkeypatch.setattr(world, "absorb", lambda *change: done.append(1) or decomposed(*change))
    counts, answers = [], []
    for foresee in (forgets, lambda *_: None):
        monkeypatch.setattr(World, "foresee", foresee)
        tracker, each = Tracker(plan), []
        for event in log:
            done.clear()
            tracker.observe(event)
            each.append((event.value, len(done)))
        counts.append(each)
        answers.append((tracker.log_likelihood, tracker.belief))
    assert answers[0] == answers[1]
    ahead, late = counts
    on = [sum(n for value, n in each if value == "detected") for each in counts]
    assert on[0] < on[1], "who turns on a light waits for less"
    assert max(n for _, n in ahead) <= max(n for _, n in late)


def test_sets_that_were_foreseen_are_not_all_remembered() -> None:
    """How a door usually stands drifts, in a long life through more sets than there is room for."""
    plan = speed.home(people=1, rooms=3)
    seen = Model(plan, Settings())
    then = seen.world(seen.hours(NOON.timestamp())[0])
    for n in range(world.CHANGES + 50):
        then.foresee(frozenset({(f"usually 0.{n % 9 + 1}", f"{n}"), *(("blind", f"{i}") for i in range(3))}))
    assert 0 < len(then._foreseen) <= world.CHANGES


def test_what_was_computed_from_one_object_is_no_others() -> None:
    memory: Derived[int] = Derived(2)
    first, second = [1], [1]
    assert memory.of(first, lambda: 1, "a") == memory.of(first, lambda: 2, "a") == 1
    assert memory.of(first, lambda: 3, "b") == 3
    assert memory.of(second, lambda: 4, "a") == 4
    memory[id(second), "b"] = (first, 5)  # as if an object that is gone had had this id
    assert memory.of(second, lambda: 6, "b") == 6


def test_a_recent_memory_forgets_the_oldest() -> None:
    memory: Recent[int] = Recent(2)
    calls: list[str] = []

    def value(key: str) -> int:
        return memory.get_or(key, lambda: calls.append(key) or len(calls))

    assert [value(key) for key in "abacab"] == [1, 2, 1, 3, 1, 4]
    assert calls == ["a", "b", "c", "b"]
    assert len(memory) == 2


def test_a_contact_that_bounces_is_forgotten() -> None:
    """A loose magnet, twice a second for two minutes: by the next use of the door the state is as small as before."""
    tracker = followed(small(1), [at(2.0, "front_contact", "open"), at(3.0, "front_contact", "closed")])
    tracker.advance(time_at(400.0))
    before = len(pickle.dumps(tracker._snapshot))
    for n in range(240):
        tracker.observe(at(410.0 + 0.5 * n, "front_contact", ("open", "closed")[n % 2]))
    tracker.advance(time_at(900.0))
    finals = [p for p in tracker.take_passages() if p.final and not p.inferred]
    assert len(finals) == 242
    for n, value in enumerate(("open", "closed")):
        tracker.observe(at(1000.0 + n, "front_contact", value))
    tracker.advance(time_at(1400.0))
    assert len(pickle.dumps(tracker._snapshot)) < before + 10_000


# --- the garage ------------------------------------------------------------------------------------------------------
def test_the_garage_case() -> None:
    """Common practice: overhead door, then the house door: an arrival; the house door alone: somebody going out."""
    plan = Floorplan.load(GARAGE)
    evening = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)

    def at_once(lines: list[tuple[float, str, str]]) -> dict[str, float]:
        tracker = Tracker(plan)
        tracker.advance(evening)
        for seconds, sensor, value in lines:
            tracker.observe(Event(evening + timedelta(seconds=seconds), sensor, value))
        return dict(next(p for p in reversed(tracker.passages) if p.door == "garage_utility").directions)

    arrival = at_once(
        [(60, "overhead_contact", "open"), (85, "overhead_contact", "closed"), (100, "garage_utility_contact", "open")]
    )
    leaving = at_once(
        [(60, "kitchen_motion", "detected"), (70, "utility_motion", "detected"), (75, "garage_utility_contact", "open")]
    )
    assert arrival["garage>utility"] > 0.9
    assert leaving["utility>garage"] > 0.9


STATES = [(name, value) for name, value in values_of(SMALL) if name in ("mat", "inner_contact", "hall_motion")]


@effort(max_examples=60)
@given(reports=st.lists(st.sampled_from(STATES), min_size=1, max_size=8))
def test_no_silence_is_more_than_certain(reports: list[tuple[str, str]]) -> None:
    """Whatever is on, open, taken or offline at once: rows of D0 sum to 0 or less (Asmussen & Koole 1993)."""
    tracker, model = followed(SMALL, []), DenseModel(SMALL)
    for n, (sensor, value) in enumerate(reports):
        tracker.observe(at(5.0 * n, sensor, value))
        snapshot = tracker._known()
        for generator in model.silent(snapshot.hours, snapshot.conditions):
            assert generator.sum(axis=1).max() <= 1e-12


def test_a_sensor_that_speaks_again_is_in_sight_again() -> None:
    """Offline, then a report all the same: the report holds, and nothing is counted twice."""
    conditions = {}
    for name, lines in {
        "door": [(5.0, "inner_contact", "open"), (6.0, "inner_contact", "offline"), (9.0, "inner_contact", "open")],
        "seat": [(5.0, "mat", "offline"), (6.0, "mat", "pressed")],
        "unknown": [(5.0, "mat", "pressed"), (6.0, "mat", "offline"), (7.0, "mat", "online")],
        "taken": [(5.0, "mat", "pressed"), (6.0, "mat", "offline"), (7.0, "mat", "online"), (8.0, "mat", "pressed")],
        "left": [(5.0, "mat", "pressed"), (6.0, "mat", "offline"), (7.0, "mat", "online"), (8.0, "mat", "released")],
    }.items():
        lines = [(1.0, "radar", "vacant"), (2.0, "inner_contact", "closed"), *lines]
        conditions[name] = followed(SMALL, [at(*line) for line in lines])._known().conditions
    assert conditions == {
        "door": frozenset({("open", "inner")}),
        "seat": frozenset({("pressed", "mat")}),
        "unknown": frozenset({("blind", "mat")}),
        "taken": frozenset({("pressed", "mat")}),
        "left": frozenset(),
    }


@pytest.mark.parametrize("before", ["occupied", "vacant"])
def test_whether_a_sensor_of_still_people_is_on_is_unknown_once_it_is_back_online(before: str) -> None:
    """It has not said so, and may have been on since: its silence tells nothing, its next word does."""
    plan = home(1, radar={"kind": "occupancy", "room": "bed"}, front_contact=contact("front"))
    link = [at(600.0, "radar", "offline"), at(630.0, "radar", "online")]
    away, back = (followed(plan, [at(5.0, "radar", before), *link[:n]]) for n in (1, 2))
    for tracker in (away, back):
        tracker.advance(time_at(3600.0))
    assert back.belief.rooms == pytest.approx(away.belief.rooms, rel=0, abs=1e-9)
    assert followed(plan, [at(5.0, "radar", before), *link, at(4000.0, "radar", "occupied")]).belief.rooms["bed"] > 0.9
    left = followed(plan, [at(5.0, "radar", before), *link, at(4000.0, "radar", "vacant")])
    left.advance(time_at(4060.0))
    assert left.belief.rooms["bed"] < 0.1


def test_a_sensor_that_speaks_for_the_first_time_while_it_is_offline_is_heard() -> None:
    heard = followed(small(1), [at(1.0, "hall_motion", "offline"), at(60.0, "hall_motion", "detected")])
    assert heard.belief.rooms["hall"] > 0.9


def in_bed(*reports: tuple[float, str, str]) -> Tracker:
    """Somebody living alone, in bed since a moment after noon."""
    sensors = {"hall_motion": motion("hall"), "mat": {"kind": "pressure", "room": "bed"}, "front": contact("front")}
    plan = home({"P1": {"bed": "bed"}}, **sensors)
    return followed(plan, [at(*report) for report in [(5.0, "mat", "pressed"), *reports]])


def test_a_bed_whose_mat_is_offline_holds_nobody() -> None:
    """Its release is not to be heard: whoever sets off another sensor has got up."""
    tracker = in_bed((3600.0, "mat", "offline"))
    tracker.advance(time_at(7200.0))
    assert tracker.belief.people["P1"]["bed"] > 0.9
    tracker.observe(at(20_000.0, "hall_motion", "detected"))
    assert tracker.belief.people["P1"]["hall"] > 0.85  # a mat in a bedroom is a bed, in which nobody lies by day


def test_who_lies_in_a_bed_whose_mat_was_offline_for_a_moment_lies_there_still() -> None:
    tracker = in_bed((3600.0, "mat", "offline"), (3630.0, "mat", "online"))
    tracker.advance(time_at(7200.0))
    assert tracker.belief.people["P1"]["bed"] > 0.9
    tracker.observe(at(7201.0, "mat", "released"))
    tracker.observe(at(7210.0, "hall_motion", "detected"))
    assert tracker.belief.people["P1"]["hall"] > 0.9


def test_a_sensor_that_may_be_on_since_before_the_log_is_not_silent_yet() -> None:
    """Its first report settles it: until then only the tag speaks, and its silence is no sign of an empty room."""
    tag = at(5.0, "P1_tag", "room")
    unknown, vacant = (followed(SMALL, [*first, tag]) for first in ([], [at(1.0, "radar", "vacant")]))
    for tracker in (unknown, vacant):
        tracker.advance(time_at(1800.0))
    assert unknown.belief.rooms["room"] > 2 * vacant.belief.rooms["room"]
    unknown.observe(at(1801.0, "radar", "occupied"))
    assert unknown.belief.rooms["room"] > 0.9


def test_a_log_that_begins_at_night_begins_with_people_in_their_beds() -> None:
    """Nine in ten of those at home sleep at three at night (American Time Use Survey, from memory); at noon, hardly."""
    plan = Floorplan.load(GARAGE)
    for clock, least, most in (("03:00", 0.88, 0.97), ("12:00", 0.0, 0.2)):
        tracker = Tracker(plan)
        tracker.advance(datetime.fromisoformat(f"2026-03-02T{clock}:00+00:00"))
        for person in plan.people.values():
            assert least < tracker.belief.people[person.id][str(person.bed)] < most


def test_keeping_all_hypotheses_is_refused_before_memory_runs_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever may be there multiplies them in every minute in which the radar stays on; what is known is kept."""
    monkeypatch.setattr("presence.merging.ALL_BYTES", 2**22)
    everything, few = (followed(SMALL, [at(0.0, "radar", "occupied")], most) for most in (None, 16))
    with pytest.raises(TooManyHypothesesError, match=r"keeps all, now [\d,]+, which take \d+ MB, more than 4 MB"):
        everything.advance(time_at(1200.0))
    few.advance(time_at(1200.0))
    assert everything.time == NOON
    assert min(few.belief.rooms["room"], everything.belief.rooms["room"]) > 0.5


@pytest.mark.parametrize("most_bytes", [0, 2**20], ids=["itself", "what came after it"])
def test_a_late_event_that_is_refused_leaves_the_tracker_as_it_was(
    monkeypatch: pytest.MonkeyPatch, most_bytes: int
) -> None:
    """What came after it is still known, was told once, and what follows is as if it had never come."""
    turns = [(0.0, "front_contact", "open"), (3.0, "hall_motion", "detected"), (4.0, "front_contact", "closed")]
    reports = [at(*turn) for turn in (*turns, (5.0, "room_motion", "detected"))]
    plain, refused = followed(SMALL, reports, None), followed(SMALL, reports, None)
    monkeypatch.setattr("presence.merging.ALL_BYTES", most_bytes)
    with pytest.raises(TooManyHypothesesError):
        refused.observe(at(3.5, "den_switch", "pressed"))
    monkeypatch.undo()
    assert (refused.time, refused.counts) == (plain.time, plain.counts)
    for tracker in (plain, refused):
        tracker.observe(at(4.5, "hall_motion", "clear"))
        tracker.advance(time_at(4000.0))
    assert refused.counts == plain.counts
    assert_same_belief(refused, plain, 1e-12)
    assert refused.log_likelihood == plain.log_likelihood
    assert refused.take_passages() == plain.take_passages()
    explained = [tracker.explain("room", time_at(0.0)) for tracker in (refused, plain)]
    assert explained[0] == explained[1]


@pytest.mark.parametrize(
    "options",
    [
        *({"hypotheses": wrong} for wrong in (0, -1, 1.5, "16", True)),
        *({"settings": wrong} for wrong in ({"rising_rate": 0.1}, {}, "quick", [0.1], Settings)),
        *({"reordering_window": wrong} for wrong in (-1.0, float("nan"), float("inf"), "2", None)),
    ],
)
def test_options_that_make_no_sense_are_refused(options: dict[str, Any]) -> None:
    with pytest.raises(SettingError, match=r"would be right|Settings\.from_mapping"):
        Tracker(small(), **options)


def test_a_misspelt_setting_is_told_what_it_may_mean() -> None:
    with pytest.raises(SettingError, match=r"unknown setting 'rising_rat'; did you mean .rising_rate"):
        Settings.from_mapping({"rising_rat": 0.1})


@pytest.mark.parametrize(
    ("event", "error", "text"),
    [
        ({"time": NOON, "sensor": "hall_motion", "value": "detected"}, EventError, "is no event; Event"),
        (Event(NOON, cast(str, ["hall_motion"]), "detected"), UnknownSensorError, 'did you mean "hall_motion"'),
        (Event(NOON, "hall_motion", cast(str, {"value": 1})), UnknownValueError, "there is detected, clear"),
        (Event(NOON, "front_lock", "unlocked", "outside"), UnknownValueError, "'inside' or 'keypad' would be right"),
        (Event(NOON, "front_lock", "unlocked", cast(str, ["inside"])), UnknownValueError, "would be right"),
        (Event(NOON, "front_lock", "unlocked", "keypad", cast(str, 3)), UnknownValueError, "text, in quotes"),
    ],
)
def test_what_is_no_event_of_this_home_is_refused_by_name(event: Any, error: type[Exception], text: str) -> None:
    """As in a log, and nothing that was known is lost by it."""
    plan = home(
        1,
        hall_motion=motion("hall"),
        front_contact=contact("front"),
        front_lock={"kind": "lock", "door": "front"},
    )
    tracker = Tracker(plan)
    tracker.observe(at(0.0, "front_lock", "unlocked"))
    before = tracker.belief
    with pytest.raises(error, match=text):
        tracker.observe(event)
    assert tracker.belief == before
    assert tracker.counts.observed == 1
    tracker.observe(Event(NOON, "front_lock", "unlocked", "keypad", "3"))
    assert tracker.counts.observed == 2


@pytest.mark.parametrize("year", [1, 1970, 9999])
def test_a_clock_that_has_lost_its_time_is_refused(year: int) -> None:
    """As in a log: otherwise one such call would let centuries pass, half hour by half hour."""
    tracker, wrong = Tracker(small()), datetime(year, 6, 1, tzinfo=UTC)
    with pytest.raises(TimeError, match="would be right"):
        tracker.observe(Event(wrong, "hall_motion", "detected"))
    tracker.observe(at(0.0, "hall_motion", "detected"))
    with pytest.raises(TimeError, match="would be right"):
        tracker.advance(wrong)
    assert tracker.time == NOON


def test_where_nobody_lives_and_nobody_comes_every_report_is_false() -> None:
    """A plan without people, visitors or pets is valid: whatever its sensors say, nobody is anywhere."""
    sensors = {
        "hall_motion": motion("hall"),
        "bed_motion": motion("bed"),
        "front_contact": contact("front"),
        "front_lock": {"kind": "lock", "door": "front"},
        "radar": {"kind": "occupancy", "room": "bed"},
        "mat": {"kind": "pressure", "room": "bed"},
        "dryer": {"kind": "power", "room": "hall"},
    }
    tracker = Tracker(home({}, **sensors))
    reports = ["hall_motion detected", "bed_motion detected", "front_contact open", "radar occupied"]
    reports += [
        "mat pressed",
        "dryer started",
        "hall_motion clear",
        "front_lock unlocked",
        "front_contact closed",
        "radar vacant",
        "mat released",
    ]
    for n, report in enumerate(reports):
        tracker.observe(at(100.0 * n, *report.split()))
        assert tracker.association is not None
        assert tracker.association.nobody == 1.0
    tracker.advance(time_at(40_000.0))
    assert tracker.belief.rooms == {"hall": 0.0, "bed": 0.0}
    assert tracker.belief.at_home == (1.0,)
    assert all(passage.nobody == 1.0 for passage in tracker.passages)


def test_a_home_of_one_room_is_followed_while_all_its_sensors_are_on() -> None:
    """With nothing between rooms there is nothing to take apart."""
    sensors = {"motion": motion("room"), "radar": {"kind": "occupancy", "room": "room"}, "front_contact": contact("o")}
    plan = home(1, rooms={"room": {"rest": True}}, doors={"o": {"between": ["room", "away"]}}, visitors=1, **sensors)
    reports = [(0.0, "front_contact", "open"), (2.0, "motion", "detected"), (4.0, "radar", "occupied")]
    belief = followed(plan, [at(*report) for report in reports]).belief
    assert belief.rooms["room"] > 0.9
    assert sum(belief.at_home) == pytest.approx(1.0, rel=0, abs=EXACT)


@pytest.mark.parametrize("name", ["front", "unlike"])
def test_a_sensor_may_be_called_like_a_door(name: str) -> None:
    """Names mean nothing: that it cannot be heard does not shut the door of its name."""
    sensors = {name: motion("hall"), "bed_motion": motion("bed"), "front_contact": contact("front")}
    tracker = Tracker(home(1, **sensors), watching=False)
    reports = [(0.0, name, "detected"), (9.0, "front_contact", "open"), (20.0, name, "offline"), (40.0, name, "online")]
    for report in [*reports, (50.0, name, "clear")]:
        tracker.observe(at(*report))
    assert ("open", "front") in tracker._known().conditions
    assert ("blind", name) not in tracker._known().conditions


@given(st.floats(0.0, 1e5), st.lists(st.floats(0.0, 1e5), max_size=5))
def test_looks_at_the_sensors_are_at_the_same_instants_however_often_anybody_asks(
    heard: float, asked: list[float]
) -> None:
    def looks(asked: list[float]) -> list[float]:
        found, seconds = [], heard
        for until in [*sorted(heard + min(9000.0, after) for after in asked), heard + 9000.0]:
            while (look := next_look(seconds, heard)) <= until:
                found.append(look)
                seconds = look
            seconds = until
        return found

    alone = looks([])
    assert looks(asked) == alone
    gaps = np.diff([heard, *alone])
    assert gaps.max() <= 1800.0 + 1e-6
    assert (gaps[np.array(alone) <= heard + 1800.0] <= 300.0).all()
