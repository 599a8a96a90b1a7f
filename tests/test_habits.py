"""Habits by the hour of the week: what they turn and what they leave, against the exact filter, and clock changes."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmarks.exact.drawing import draw_life
from benchmarks.exact.joint_filter import JointFilter
from presence import Event, Floorplan, SettingError, Settings, Tracker
from presence.habits import WEEK, Habit, Hour, from_mapping, power_of_two, to_mapping
from presence.model import WORLDS, Model
from presence.movement import beings, weights_and_flows
from presence.places import ACTIVE, MOVING, SETTLED, states_of
from presence.sensing import Sight
from tests.oracle import NOON, contact, home, motion

PLAN = home(
    2,
    hall_motion=motion("hall"),
    bed_motion=motion("bed"),
    front_contact=contact("front"),
    P1_phone={"kind": "phone", "person": "P1"},
)
powers = st.integers(-4, 4).map(lambda k: 2.0**k)
weeks = st.lists(powers, min_size=WEEK, max_size=WEEK).map(tuple)
clocks = st.integers(0, 1439).map(lambda minute: 60.0 * minute)


def one_hour(hour: int, factor: float) -> tuple[float, ...]:
    return tuple(factor if n == hour else 1.0 for n in range(WEEK))


@given(st.builds(Habit, st.none() | st.tuples(clocks, clocks), weeks, weeks))
def test_a_habit_is_read_as_it_was_written(habit: Habit) -> None:
    assert from_mapping("P1", to_mapping(habit)) == habit


def test_days_like_any_other_are_not_written() -> None:
    assert to_mapping(Habit()) == {"out": {}, "back": {}}
    written = to_mapping(Habit((27000.0, 81000.0), out=one_hour(26, 4.0)))
    assert written["awake"] == ["07:30", "22:30"]
    assert written["out"] == {"Tue": "1 1 4" + " 1" * 21}


@pytest.mark.parametrize("out", [(1.0,) * 167, one_hour(3, 0.0), one_hour(3, float("nan")), one_hour(3, 17.0)])
def test_what_is_no_week_is_refused(out: tuple[float, ...]) -> None:
    with pytest.raises(SettingError, match="habits"):
        Habit(out=out)


def test_factors_become_powers_of_two_within_bounds() -> None:
    assert [power_of_two(f) for f in (1e-9, 0.3, 0.7, 0.72, 1.0, 3.0, 1e9)] == [1 / 16, 0.25, 0.5, 1.0, 1.0, 4.0, 16.0]


def test_an_hour_turns_going_out_and_coming_back_and_nothing_else() -> None:
    """By hand, from the definitions of the two factors."""
    states, being = states_of(PLAN), beings(PLAN)[0]
    (hall,), (away,) = states.places_of("hall"), states.places_of("away")

    def rates(hour: Hour) -> list[float]:
        weights, flows = weights_and_flows(PLAN, states, being, hour, Settings())

        def rate(a: tuple[int, int], b: tuple[int, int]) -> float:
            (i,), (j,) = states.select([a[0]], a[1]), states.select([b[0]], b[1])
            return float(flows[i, j] / weights[i])

        steps = [
            ((hall, MOVING), (away, MOVING)),
            ((away, MOVING), (hall, MOVING)),
            ((away, MOVING), (away, ACTIVE)),
            ((away, ACTIVE), (away, MOVING)),
            ((away, ACTIVE), (away, SETTLED)),
            ((away, SETTLED), (away, ACTIVE)),
            ((hall, MOVING), (hall, ACTIVE)),
            ((hall, ACTIVE), (hall, MOVING)),
        ]
        assert np.array_equal(flows, flows.T)
        return [rate(a, b) for a, b in steps]

    turned = np.array(rates(Hour(out=4.0, back=0.5))) / np.array(rates(Hour()))
    assert turned == pytest.approx([4.0, 1.0, 1.0, 0.5, 1.0, 0.5, 1.0, 1.0], rel=1e-12)
    asleep = np.array(rates(Hour(asleep=True))) / np.array(rates(Hour()))
    assert asleep[[0, *range(2, 8)]] == pytest.approx([Settings().night_leaving_share, *[1.0] * 6], rel=1e-12)


@pytest.mark.parametrize("bed", ["22:30", "00:15"])
def test_who_is_out_comes_home_sooner_within_an_hour_of_bedtime(bed: str) -> None:
    model = Model(home({"P1": {"awake": ["07:00", bed]}, "P2": {}}), Settings())
    now, sooner = NOON.timestamp(), set[float]()
    while now < NOON.timestamp() + 86400.0:
        hours, change = model.hours(now)
        if hours[0].back > 1.0:
            sooner |= {now, change}
        now = change
    hour, minute = map(int, bed.split(":"))
    at = NOON + timedelta(hours=(hour - 12) % 24, minutes=minute)
    assert min(sooner) == (at - timedelta(hours=1)).timestamp()
    assert max(sooner) == (at + timedelta(hours=1)).timestamp()


def test_who_is_out_by_night_is_the_one_who_is_awake_then() -> None:
    """One of two leaves in the evening, the other is heard later on; who it was is told from their hours alone."""
    people = {"day": {"awake": ["07:00", "22:30"]}, "night": {"awake": ["14:00", "06:30"]}}
    plan = home(people, hall_motion=motion("hall"), front_contact=contact("front"), back_contact=contact("back"))
    evening = datetime(2026, 3, 2, 19, tzinfo=UTC)
    tracker = Tracker(plan)
    stirs = [(600.0 * n + s, "hall_motion", value) for n in range(18) for s, value in ((0, "detected"), (30, "clear"))]
    left = [(60.0, "front_contact", "open"), (63.0, "front_contact", "closed")]
    for seconds, sensor, value in sorted([*stirs, *left]):
        tracker.observe(Event(evening + timedelta(seconds=seconds), sensor, value))
    tracker.advance(evening + timedelta(hours=5))
    away = {name: p["away"] for name, p in tracker.belief.people.items()}
    assert away["night"] > 6 * away["day"]


def test_a_tracker_with_habits_equals_the_joint_filter() -> None:
    """Over the hours before and after both residents' factors and one's sleeping hours change."""
    noon = 12  # of a Monday
    habits = {
        "P1": Habit((3600.0, 43200.0 + 1500.0), one_hour(noon, 4.0), one_hour(noon + 1, 0.25)),
        "P2": Habit(None, one_hour(noon + 1, 8.0), one_hour(noon, 2.0)),
    }
    settings = Settings(habits=habits, phone_doubt=1.0)
    events = draw_life(PLAN, 3 * 3600.0, 4, settings=settings).events[::5]  # over all three hours
    exact, tracker = JointFilter(PLAN, settings=settings), Tracker(PLAN, settings, hypotheses=None, numbering=False)
    plain = Tracker(PLAN, replace(settings, habits={}), hypotheses=None, numbering=False)
    for each in (tracker, plain):
        each.advance(NOON)
    for event in events:
        exact.observe(event)
        tracker.observe(event)
        plain.observe(event)
        np.testing.assert_allclose(list(tracker.belief.rooms.values()), exact.rooms(), rtol=0, atol=1e-9)
    assert events[-1].time > NOON + timedelta(hours=1)
    assert tracker.log_likelihood == pytest.approx(exact.log_likelihood, rel=0, abs=1e-9)
    assert plain.log_likelihood != pytest.approx(tracker.log_likelihood, rel=0, abs=1e-3)


@pytest.mark.parametrize(
    ("zone", "now", "after"),
    [
        ("UTC", datetime(2026, 3, 2, 7, 59, 30, tzinfo=UTC), 30.0),
        ("UTC", datetime(2026, 3, 2, 8, 0, tzinfo=UTC), 3600.0),
        ("Asia/Kathmandu", datetime(2026, 3, 2, 2, 15, tzinfo=UTC), 3600.0),  # 08:00 there
        ("Europe/Berlin", datetime(2026, 3, 29, 0, 30, tzinfo=UTC), 5400.0),  # 01:30, and 02:00 never comes
    ],
)
def test_factors_change_on_the_local_hour(zone: str, now: datetime, after: float) -> None:
    awake = (0.0, 86340.0)
    hour = 24 * 6 + 4 if zone == "Europe/Berlin" else 8
    habits = {"P1": Habit(awake, out=one_hour(hour, 4.0)), "P2": Habit(awake)}
    plan = Floorplan(**{f: getattr(PLAN, f) for f in PLAN.__dataclass_fields__} | {"time_zone": zone})
    model = Model(plan, Settings(habits=habits))
    begin = now.timestamp()
    hours, change = model.hours(begin)
    while model.hours(change)[0] == hours:  # asked anew where clocks are changed
        change = model.hours(change)[1]
    assert change - begin == after
    assert model.hours(change - 0.01)[0] == hours


@pytest.mark.parametrize(
    ("zone", "eve"),
    [
        ("Europe/Berlin", datetime(2026, 3, 28, 18, tzinfo=UTC)),  # 02:00 to 03:00 never comes
        ("Europe/Berlin", datetime(2026, 10, 24, 18, tzinfo=UTC)),  # it comes twice
        ("Australia/Lord_Howe", datetime(2026, 4, 4, 8, tzinfo=UTC)),  # half an hour comes twice
    ],
)
def test_hours_hold_until_they_are_said_to_change_in_nights_when_clocks_are_changed(zone: str, eve: datetime) -> None:
    people = {"P1": {"awake": ["09:00", "02:30"]}, "P2": {"awake": ["02:10", "18:00"]}}
    model = Model(replace(home(people), time_zone=zone), Settings())
    for begin in range(0, 16 * 3600, 600):
        hours, change = model.hours(eve.timestamp() + begin)
        assert change > eve.timestamp() + begin
        until = np.arange(eve.timestamp() + begin, min(change, eve.timestamp() + 20 * 3600.0), 300.0)
        assert all(model.hours(now)[0] == hours for now in until)


def test_a_week_of_habits_is_worked_out_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three people who each go out and come back differently: more hours than are kept for plain homes."""
    plan = home(3, hall_motion=motion("hall"), front_contact=contact("front"))
    week = range(WEEK)
    habits = {
        f"P{k}": Habit(
            (3600.0 * (5 + k), 3600.0 * (20 + k)),
            tuple(2.0 ** (h * k % 5 - 2) for h in week),
            tuple(2.0 ** (h * k % 3 - 1) for h in week),
        )
        for k in (1, 2, 3)
    }
    model, monday = Model(plan, Settings(habits=habits)), datetime(2026, 3, 2, tzinfo=UTC).timestamp()
    different = {model.hours(monday + 1800.0 * n)[0] for n in range(2 * WEEK)}
    assert len(different) > WORLDS
    made = 0
    sight = model.sight

    def counted(hours: tuple[Hour, ...]) -> Sight:
        nonlocal made
        made += 1
        return sight(hours)

    monkeypatch.setattr(model, "sight", counted)
    for n in range(2 * 2 * WEEK):
        model.world(model.hours(monday + 1800.0 * n)[0])
    assert made == len(different) == model.worlds_kept


def test_the_hours_kept_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("presence.model.WORLD_BYTES", 0)
    week = tuple(2.0 ** (h % 9 - 4) for h in range(WEEK))
    assert Model(PLAN, Settings(habits={"P1": Habit(None, week), "P2": Habit(None, week[::-1])})).worlds_kept == WORLDS
    assert Model(PLAN, Settings()).worlds_kept == WORLDS
