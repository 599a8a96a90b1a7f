"""What a sensor did years ago tells little of what it does now: records over time, with numpy as witness."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from presence import Floorplan, Tracker
from presence.experience import OCCASIONS, PERIOD, TIMES, DoorUse, Said, TimesOn, Unprompted
from presence.unprompted import stray_rate
from tests.oracle import at, contact, home, motion

DAY = 86400.0
ROOMS: dict[str, object] = {"hall": {}, "living": {}}
DOORS = {"front": {"between": ["hall", "away"]}, "living_door": {"between": ["hall", "living"]}}
YARD = {"gate": {"between": ["yard", "away"]}}


def house() -> Floorplan:
    """A hall and a living room, each with a motion sensor that stays on for a minute."""
    sensors = {"hall_motion": motion("hall", 60.0), "living_motion": motion("living", 60.0)}
    return home(1, rooms=ROOMS, doors=DOORS, **sensors, front_contact=contact("front"))


def put_back(*, glitches: int, evenings: int = 12) -> bool:
    """Whether the living room's late off report is put before the hall's movement, after so many short times on."""
    tracker, now = Tracker(house(), watching=False), 0.0
    reports: list[tuple[float, str, str]] = []
    for on in [*[3.0] * glitches, *(60.0 + 7.0 * (n % 5) for n in range(evenings))]:
        reports += [(600.0, "living_motion", "detected"), (on, "living_motion", "clear")]
    reports += [(600.0, "living_motion", "detected"), (33.0, "hall_motion", "detected")]
    reports += [(60.0, "hall_motion", "clear"), (90.0, "hall_motion", "detected"), (7.0, "living_motion", "clear")]
    for passed, sensor, value in reports:
        now += passed
        tracker.observe(at(now, sensor, value))
    return tracker._known().put_back


def test_one_off_message_that_came_too_soon_is_not_held_against_a_sensor() -> None:
    """Its `detected` came late by radio, once: its off reports are still put where they belong."""
    assert put_back(glitches=0)
    assert put_back(glitches=1)


def test_a_sensor_that_is_often_on_for_less_than_its_hold_is_not_believed_until_it_has_mended() -> None:
    """Twice is no accident; a hundred times on later it is forgotten."""
    assert not put_back(glitches=2)
    assert put_back(glitches=2, evenings=TIMES)


@given(st.lists(st.floats(min_value=1.0, max_value=500.0), min_size=1, max_size=250))
def test_the_shortest_time_on_is_that_of_the_latest(times: list[float]) -> None:
    """But for one alone that is shorter than three quarters of the hold and of all the others."""
    record = TimesOn()
    for on in times:
        record = record.went_off(on, 60.0)
    latest = np.sort(times[-TIMES:])
    alone = len(latest) > 1 and latest[0] < 0.75 * min(60.0, latest[1])
    assert record.shortest == latest[int(alone)]
    assert record.heard == len(times)


def test_a_hold_that_was_changed_is_known_after_a_hundred_times() -> None:
    """From two minutes to 30 s, and back."""
    record = TimesOn()
    seen = []
    for hold in (120.0, 30.0, 120.0):
        for _ in range(TIMES):
            record = record.went_off(hold, 120.0)
        seen.append(record.shortest)
    assert seen == [120.0, 30.0, 120.0]


@pytest.mark.parametrize("share", [0.0, 0.2, 1.0])
def test_shares_follow_what_a_sensor_does_now(share: float) -> None:
    """Ten thousand occasions of one kind, then twice what a record holds of another: e**-2 of the old is left."""
    old, left = 0.5, math.exp(-2.0)
    lost, alone, door = TimesOn(), Unprompted(), DoorUse()
    expected = left * old + (1.0 - left) * share
    for now, count in ((old, 10_000), (share, 2 * int(OCCASIONS))):
        for n in range(count):
            happened = math.floor((n + 1) * now) - math.floor(n * now) == 1
            lost = lost.with_more(heard=int(not happened), lost=int(happened))
            lost = lost.came_again(0.0, 0.0, happened)
            alone, door = alone.after(float(happened)), door.reopened(soon=happened)
    assert lost.heard + lost.lost == pytest.approx(OCCASIONS)
    assert lost.lost / OCCASIONS == pytest.approx(expected, abs=2e-3)
    assert lost.punctual / (lost.punctual + lost.irregular) == pytest.approx(expected, abs=2e-3)
    assert alone.by_itself / alone.occasions == pytest.approx(expected, abs=2e-3)
    assert door.bounces / door.reopenings == pytest.approx(expected, abs=2e-3)


def test_short_records_count_every_occasion() -> None:
    """Up to a thousand of them: whole numbers, as before."""
    alone, door = Unprompted(), DoorUse()
    for n in range(int(OCCASIONS)):
        alone, door = alone.after(n % 2), door.reopened(soon=n % 4 == 0)
    assert (alone.occasions, alone.by_itself) == (1000, 500)
    assert (door.reopenings, door.bounces) == (1000, 250)


@pytest.mark.parametrize(("before", "after"), [(1, 24), (24, 0), (24, 1)])
def test_rates_follow_what_a_sensor_does_now(before: int, after: int) -> None:
    """So many reports a day for three years, then others for two of the record's periods: e**-2 of the old is left.

    A radio that begins to check in every hour, or one that ceases to.
    """
    plan = home(1, rooms=ROOMS | {"yard": {"outdoors": True}}, doors=DOORS | YARD, yard_motion=motion("yard", 60.0))
    settled = PERIOD / DAY * before
    said, alone, now = Said("closed", 0.0), Unprompted(), 0.0
    for a_day, days in ((before, 3 * 365), (after, round(2.0 * PERIOD / DAY))):
        for _ in range(a_day * days):
            now += DAY / a_day
            said, alone = said.after("closed", now), alone.in_time(1.0, 0.0, now)
        if days == 3 * 365:
            assert said.repeats == pytest.approx(settled + 0.5, abs=1.0)
            assert alone.by_itself == said.repeats
    if not after:
        now += 2.0 * PERIOD
        said, alone = said.after("closed", now), alone.in_time(1.0, 0.0, now)
    left = 1.0 / 3.0 if not after else math.exp(-2.0)  # one report after so long a silence: over all of it
    expected = left * before + (1.0 - left) * after
    assert said.repeats / (now - said.first) * DAY == pytest.approx(expected, rel=0.02, abs=0.02)
    rate = stray_rate(plan, Tracker(plan).settings, plan.sensors["yard_motion"], alone, now - alone.since)
    assert rate * DAY == pytest.approx(expected, rel=0.03, abs=0.02)
