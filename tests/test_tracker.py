"""Promises of the tracker under any stream of events, and the story of the garage."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from presence import Event, Floorplan, LateEventError, TimeError, Tracker, UnknownSensorError, UnknownValueError

NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
GARAGE = Path(__file__).parents[1] / "floorplans" / "two_storey_garage.yaml"


def small(swap: bool = False, prefix: str = "") -> Floorplan:
    """Hall, room and `away`; optionally with each door told the other way round, or rooms renamed."""
    hall, room = f"{prefix}hall", f"{prefix}room"
    ends = {"inner": [hall, room], "front": [hall, "away"]}
    return Floorplan.from_mapping(
        {
            "name": "small",
            "time_zone": "UTC",
            "rooms": {hall: {}, room: {"rest": True}},
            "doors": {k: {"between": v[::-1] if swap else v, "leaf": "hinged"} for k, v in ends.items()},
            "sensors": {
                "hall_motion": {"kind": "motion", "room": hall, "hold": 20},
                "room_motion": {"kind": "motion", "room": room, "hold": 20},
                "inner_contact": {"kind": "contact", "door": "inner"},
                "front_contact": {"kind": "contact", "door": "front"},
                "P1_phone": {"kind": "phone", "person": "P1"},
                "mat": {"kind": "pressure", "room": room},
                "radar": {"kind": "occupancy", "room": room},
            },
            "people": {"P1": {"bed": room}, "P2": {}},
        }
    )


REPORTS = [
    (sensor, value)
    for sensor, values in {
        "hall_motion": ("detected", "clear", "offline", "online"),
        "room_motion": ("detected", "clear"),
        "inner_contact": ("open", "closed", "offline", "online"),
        "front_contact": ("open", "closed"),
        "P1_phone": ("home", "away"),
        "mat": ("pressed", "released"),
        "radar": ("occupied", "vacant"),
    }.items()
    for value in values
]
STREAMS = st.lists(st.tuples(st.floats(0, 3000, allow_nan=False), st.sampled_from(REPORTS)), min_size=1, max_size=8)


def log_of(stream: list[tuple[float, tuple[str, str]]]) -> list[Event]:
    """Events in order from gaps and reports."""
    now, events = NOON, []
    for gap, (sensor, value) in stream:
        now += timedelta(seconds=round(gap, 3))
        events.append(Event(now, sensor, value))
    return events


def followed(plan: Floorplan, events: list[Event]) -> Tracker:
    tracker = Tracker(plan)
    tracker.advance(NOON)
    for event in events:
        tracker.observe(event)
    return tracker


@settings(max_examples=40, deadline=None)
@given(STREAMS)
def test_probabilities_sum_to_one_under_any_stream(stream: list[tuple[float, tuple[str, str]]]) -> None:
    tracker = followed(small(), log_of(stream))
    belief = tracker.belief
    assert sum(belief.at_home) == pytest.approx(1.0, rel=0, abs=1e-9)
    assert all(0.0 <= p <= 1.0 for p in belief.rooms.values())
    for rooms in belief.people.values():
        assert sum(rooms.values()) == pytest.approx(1.0, rel=0, abs=1e-9)
    for passage in tracker.passages:
        assert sum(passage.directions.values()) + passage.nobody == pytest.approx(1.0, rel=0, abs=1e-9)
    if tracker.association is not None:
        told = tracker.association
        assert sum(told.people.values()) + told.nobody == pytest.approx(1.0, rel=0, abs=1e-9)


@settings(max_examples=25, deadline=None)
@given(STREAMS)
def test_a_mirror_image_swaps_directions_and_nothing_else(stream: list[tuple[float, tuple[str, str]]]) -> None:
    events = log_of(stream)
    plain, mirror = followed(small(), events), followed(small(swap=True), events)
    assert dict(plain.belief.rooms) == pytest.approx(dict(mirror.belief.rooms), rel=0, abs=1e-7)
    for one, other in zip(plain.passages, mirror.passages, strict=True):
        assert dict(one.directions) == pytest.approx(dict(other.directions), rel=0, abs=1e-7)


@settings(max_examples=25, deadline=None)
@given(STREAMS)
def test_names_of_rooms_do_not_matter(stream: list[tuple[float, tuple[str, str]]]) -> None:
    events = log_of(stream)
    plain, renamed = followed(small(), events), followed(small(prefix="x_"), events)
    assert list(plain.belief.rooms.values()) == list(renamed.belief.rooms.values())


@settings(max_examples=25, deadline=None)
@given(STREAMS, st.floats(0.1, 2000), st.floats(0.1, 2000))
def test_two_silences_equal_one(stream: list[tuple[float, tuple[str, str]]], first: float, second: float) -> None:
    events = log_of(stream)
    once, twice = followed(small(), events), followed(small(), events)
    end = events[-1].time + timedelta(seconds=first) + timedelta(seconds=second)
    twice.advance(events[-1].time + timedelta(seconds=first))
    once.advance(end)
    twice.advance(end)
    assert dict(once.belief.rooms) == pytest.approx(dict(twice.belief.rooms), rel=0, abs=1e-8)


def test_a_late_event_is_put_in_its_place_and_an_older_one_refused() -> None:
    events = [
        Event(NOON + timedelta(seconds=s), sensor, value)
        for s, sensor, value in ((5, "hall_motion", "detected"), (6, "inner_contact", "open"), (7, "mat", "pressed"))
    ]
    ordered, late = followed(small(), events), followed(small(), [events[0], events[2], events[1]])
    assert dict(ordered.belief.rooms) == pytest.approx(dict(late.belief.rooms), rel=0, abs=1e-9)
    assert late.counts.reordered == 1
    late.observe(events[2])
    assert late.counts.duplicates == 1
    late.advance(NOON + timedelta(seconds=30))
    with pytest.raises(LateEventError, match="older than"):
        late.observe(events[1])


def test_what_cannot_be_is_refused_by_name() -> None:
    tracker = Tracker(small())
    with pytest.raises(TimeError, match="before the first event"):
        tracker.belief  # noqa: B018
    with pytest.raises(UnknownSensorError, match="nothing_such"):
        tracker.observe(Event(NOON, "nothing_such", "detected"))
    with pytest.raises(UnknownValueError, match="cannot report"):
        tracker.observe(Event(NOON, "hall_motion", "open"))
    with pytest.raises(TimeError, match="no offset"):
        tracker.advance(datetime(2026, 3, 2, 12, 0))
    tracker.advance(NOON)
    with pytest.raises(TimeError, match="forward"):
        tracker.advance(NOON - timedelta(seconds=1))


def test_a_belief_read_before_stays_as_it_was() -> None:
    tracker = followed(small(), [Event(NOON, "hall_motion", "detected")])
    before = tracker.belief
    copy = dict(before.rooms)
    tracker.observe(Event(NOON + timedelta(seconds=60), "room_motion", "detected"))
    assert dict(before.rooms) == copy


def test_every_opening_has_one_final_answer_when_its_window_has_passed() -> None:
    events = [Event(NOON + timedelta(seconds=10), "front_contact", "open")]
    tracker = followed(small(), events)
    assert [passage.final for passage in tracker.passages] == [False]
    tracker.advance(NOON + timedelta(seconds=310))
    final = [passage for passage in tracker.passages if passage.final and not passage.inferred]
    assert len(final) == 1
    assert final[0].decided == NOON + timedelta(seconds=310)


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
