"""What `replay` promises: a grid, no line from the future, the same bytes each time, the fields of the contract."""

import json
import math
from datetime import UTC, datetime, timedelta
from typing import TypeGuard

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from presence import Event, Floorplan, SettingError, Tracker, UnknownSensorError
from presence.replay import replay, to_json
from presence.snapshot import Association, Belief
from presence.times import rfc3339
from tests.strategies import events as any_events
from tests.strategies import plans

START = datetime(2026, 3, 2, 12, tzinfo=UTC)
PLAN = Floorplan.from_mapping(
    {
        "name": "a flat with a stair",
        "time_zone": "Europe/Berlin",
        "rooms": {"hall": {}, "den": {"rest": True}, "stair": {"outdoors": True}},
        "doors": {
            "front": {"between": ["stair", "hall"], "leaf": "hinged"},
            "inner": {"between": ["hall", "den"], "leaf": "hinged"},
            "street": {"between": ["stair", "away"], "leaf": "none"},
        },
        "sensors": {
            "front_contact": {"kind": "contact", "door": "front"},
            "hall_motion": {"kind": "motion", "room": "hall", "hold": 20},
            "den_motion": {"kind": "motion", "room": "den", "hold": 20},
            "lamp": {"kind": "switch", "room": "den"},
            "phone": {"kind": "phone", "person": "P1"},
        },
        "people": {"P1": {"bed": "den"}},
        "pets": {"cat": {}},
    }
)
SAYINGS = [
    ("front_contact", "open"),
    ("front_contact", "closed"),
    ("hall_motion", "detected"),
    ("hall_motion", "clear"),
    ("den_motion", "detected"),
    ("den_motion", "clear"),
    ("lamp", "pressed"),
    ("phone", "home"),
    ("phone", "away"),
    ("hall_motion", "offline"),
]


@st.composite
def logs(draw: st.DrawFn) -> list[Event]:
    """Events in order, sensible or not."""
    gaps = draw(st.lists(st.sampled_from([0.0, 0.5, 3.25, 20.0, 60.0, 333.3]), min_size=1, max_size=25))
    seconds, events = 0.0, []
    for gap in gaps:
        seconds += gap
        events.append(Event(START + timedelta(seconds=seconds), *draw(st.sampled_from(SAYINGS))))
    return events


def lines(events: list[Event], **options: object) -> list[str]:
    return [to_json(line) for line in replay(PLAN, events, **options)]


@given(logs(), st.integers(0, 25))
def test_a_log_that_is_cut_short_gives_the_same_prefix(events: list[Event], cut: int) -> None:
    whole = lines(events, associations=True)
    part = lines(events[:cut], associations=True)
    assert whole[: len(part)] == part


@given(logs())
def test_beliefs_lie_on_the_grid_and_stop_before_the_last_event(events: list[Event]) -> None:
    times = [line.time.timestamp() for line in replay(PLAN, events, every=30.0) if isinstance(line, Belief)]
    first, last = events[0].seconds, events[-1].seconds
    expected = [30.0 * k for k in range(math.ceil(first / 30), math.ceil(last / 30))]
    assert times == expected


@given(logs())
def test_a_belief_is_the_trackers_own_from_events_up_to_its_instant(events: list[Event]) -> None:
    tracker, left = Tracker(PLAN), list(events)
    for line in replay(PLAN, events, every=60.0):
        if isinstance(line, Belief):
            while left and left[0].time <= line.time:
                tracker.observe(left.pop(0))
            tracker.advance(line.time)
            assert tracker.belief == line


@given(logs())
def test_every_distribution_sums_to_one(events: list[Event]) -> None:
    for text in lines(events, associations=True):
        line = json.loads(text)
        if line["kind"] == "occupancy":
            assert sum(line["at_home"]) == pytest.approx(1, abs=1e-9)
            assert all(sum(rooms.values()) == pytest.approx(1, abs=1e-9) for rooms in line["people"].values())
            assert all(0 <= p <= 1 for p in line["rooms"].values())
            assert set(line["rooms"]) == set(PLAN.rooms) - {"away"}
        elif line["kind"] == "passage":
            assert sum(line["directions"].values()) + line["nobody"] == pytest.approx(1, abs=1e-9)
        else:
            assert sum(line["people"].values()) + line["nobody"] == pytest.approx(1, abs=1e-9)


@given(logs())
def test_every_door_event_is_answered_at_once_and_finally(events: list[Event]) -> None:
    end = Event(events[-1].time + timedelta(hours=1), "lamp", "pressed")
    told = [json.loads(text) for text in lines([*events, end])]
    for event in events:
        if event.sensor == "front_contact":
            mine = [
                line
                for line in told
                if line["kind"] == "passage" and line["door"] == "front" and line["time"] == rfc3339(event.time)
            ]
            assert mine[0]["decided"] == mine[0]["time"]
            assert not mine[0]["final"]
            assert mine[-1]["final"]


CAUSED = ("motion", "camera", "switch", "pressure", "contact", "lock")


@settings(max_examples=40)
@given(st.data())
def test_every_event_that_beings_cause_is_told_with_who_caused_it(data: st.DataObject) -> None:
    """In any home, whether the sensor had spoken before or not, said the same before or not."""
    plan = Floorplan.from_mapping(data.draw(plans(4)))
    events = data.draw(any_events(plan, max_size=10))
    told = {(line.time, line.sensor, line.value) for line in replay(plan, events, associations=True) if is_told(line)}
    for event in events:
        if plan.sensors[event.sensor].kind in CAUSED and event.value not in ("offline", "online"):
            assert (event.time, event.sensor, event.value) in told


def is_told(line: object) -> TypeGuard[Association]:
    return isinstance(line, Association)


def test_lines_have_the_fields_of_the_contract() -> None:
    events = [Event(START + timedelta(seconds=s), *SAYINGS[i]) for s, i in ((1, 0), (3, 2), (400, 2))]
    found = {}
    for text in lines(events, associations=True):
        line = json.loads(text)
        found.setdefault(line["kind"], line)
    assert list(found["occupancy"]) == ["kind", "time", "rooms", "people", "at_home"]
    assert list(found["passage"]) == ["kind", "time", "decided", "door", "directions", "nobody", "people", "final"]
    assert list(found["association"]) == ["kind", "time", "sensor", "value", "people", "nobody"]
    assert set(found["passage"]["directions"]) == {"stair>hall", "hall>stair"}
    assert "cat" in found["association"]["people"]
    assert found["occupancy"]["time"] == "2026-03-02T12:01:00+00:00"


def test_same_input_same_bytes() -> None:
    events = [Event(START + timedelta(seconds=17.3 * i), *SAYINGS[i % len(SAYINGS)]) for i in range(40)]
    assert lines(events, associations=True) == lines(events, associations=True)


@pytest.mark.parametrize("every", [0.0, -1.0, math.nan, math.inf, 1e-9])
def test_a_grid_that_makes_no_sense_is_refused(every: float) -> None:
    with pytest.raises(SettingError, match="every"):
        list(replay(PLAN, [], every=every))


def test_an_unknown_sensor_is_refused() -> None:
    with pytest.raises(UnknownSensorError, match="doorbell"):
        list(replay(PLAN, [Event(START, "doorbell", "pressed")]))
