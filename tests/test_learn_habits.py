"""Habits without labels: slopes of the likelihood, known habits found again, priors by hand, and the words for them."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm

from benchmarks.exact.drawing import draw_life
from presence import Floorplan, Settings
from presence.habits import WEEK, Habit, seconds_of
from presence.learn.habits import SLOTS, HourCounts, _counts, count_hours, habit_of, learn_habits, waking_hours, week_of
from presence.learn.report import report_lines
from presence.learn.statistics import count
from presence.learn.tape import Recorder, Tape
from tests.oracle import NOON, contact, home, motion
from tests.test_habits import one_hour

Array = NDArray[np.float64]
BEGIN = NOON.timestamp()
HOUR, DAY = 3600.0, 86400.0
PLAN = home(
    {"P1": {"awake": ["07:00", "22:30"]}},
    hall_motion=motion("hall"),
    bed_motion=motion("bed"),
    front_contact=contact("front"),
    P1_phone={"kind": "phone", "person": "P1"},
)
BUSY = Settings(outer_door_rate=0.03)


def taped(seconds: float, seed: int, lived: Settings, recorded: Settings, plan: Floorplan = PLAN) -> tuple[Tape, int]:
    """A tape of a life drawn with some settings, as others record it; and how often P1 left home in it."""
    life = draw_life(plan, seconds, seed, settings=lived)
    events = [event for event in life.events if event.seconds < BEGIN + seconds]
    rooms = [line.room for line in life.truth if line.person == "P1" and line.time.timestamp() < BEGIN + seconds]
    left = sum(a != "away" and b == "away" for a, b in pairwise(rooms))
    return Recorder(plan, recorded, 16).record(BEGIN, events, BEGIN + seconds), left


@pytest.mark.parametrize("to_bed", ["22:30", "14:30", "13:30"], ids=["by day", "about bedtime", "into the night"])
def test_what_is_counted_is_the_slope_of_the_likelihood(to_bed: str) -> None:
    """Fisher's identity, for going out and coming back in one hour of the week (Monday, 13:00)."""
    length, step = 2.4 * HOUR, 1e-3
    people = {"P1": replace(PLAN.people["P1"], awake=(7 * HOUR, seconds_of("to_bed", to_bed)))}
    plan = replace(PLAN, people=people)
    tape, _ = taped(length, 3, BUSY, BUSY, plan)
    counted = count_hours(plan, BUSY, [tape], 0)
    for name, happened, expected in (
        ("out", counted.out, counted.out_expected),
        ("back", counted.back, counted.back_expected),
    ):
        likelihoods = []
        for factor in (1.0 + step, 1.0 - step):
            settings = replace(BUSY, habits={"P1": Habit(**{name: one_hour(13, factor)})})
            turned, _ = taped(length, 3, BUSY, settings, plan)
            likelihoods.append(count(plan, settings, [turned], [0]).log_likelihood)
        slope = (likelihoods[0] - likelihoods[1]) / (2 * step)
        assert (happened - expected)[26:28].sum() == pytest.approx(slope, rel=1e-3, abs=1e-4)
        assert happened[:24].sum() == expected[:24].sum() == 0.0  # before noon nothing was


def test_as_many_departures_are_counted_as_there_were() -> None:
    tape, left = taped(1.5 * DAY, 9, BUSY, BUSY)
    counted = count_hours(PLAN, BUSY, [tape], 0)
    assert left >= 20
    assert counted.out.sum() == pytest.approx(left, rel=0.15)
    assert counted.back.sum() > 5.0
    assert all((part >= 0.0).all() for part in counted[:4])


def test_a_habit_that_is_lived_is_found_again() -> None:
    """Somebody goes out eight times as readily in some hours."""
    lived = replace(
        BUSY, habits={"P1": Habit(out=tuple(8.0 if n % 24 in (14, 15, 16, 17) else 0.5 for n in range(WEEK)))}
    )
    tape, left = taped(2.5 * DAY, 7, lived, BUSY)
    assert left >= 30
    (habit,) = learn_habits(PLAN, BUSY, [tape]).values()
    out = np.array(habit.out).reshape(7, 24)
    assert (out[:3, 14:18] >= 1.0).all()
    assert (out[:3, 14:18] >= 2.0).sum() > 6
    assert (out[:3, 8:13] <= 1.0).all()
    assert (out[:3, 19:22] <= 1.0).all()


def test_two_turns_tell_how_often_it_happened_and_was_expected() -> None:
    n, e = np.array([0.0, 3.0, 7.5]), np.array([0.2, 2.0, 11.0])

    def gained(f: float) -> Array:
        return n * math.log(f) - e * (f - 1.0)

    np.testing.assert_allclose(_counts(gained(2.0), gained(0.5)), (n, e), rtol=1e-12, atol=1e-12)


def test_ten_days_tell_little_and_a_year_speaks() -> None:
    happened, expected = np.zeros(SLOTS), np.zeros(SLOTS)
    assert (week_of(happened, expected) == 1.0).all()
    for day in range(5):
        happened[48 * day + 16 : 48 * day + 18] = 0.5  # out at eight on weekdays, once a day
        expected[48 * day + 16 : 48 * day + 18] = 0.05
    short = week_of(happened, expected).reshape(7, 24)
    long = week_of(52 * happened, 52 * expected).reshape(7, 24)
    assert 1.1 < short[0, 8] < 1.4
    assert long[0, 8] == pytest.approx(10.0, rel=0.15)
    assert np.all(short[0, 12:] == 1.0)
    assert long[5, 8] < long[0, 8]
    assert np.isfinite(short).all()
    assert (short > 0).all()


def test_waking_hours_follow_what_suits_and_stay_with_the_plan_without_evidence() -> None:
    plan = (7 * HOUR, 22.5 * HOUR)
    assert waking_hours(np.zeros(48), plan) == plan
    asleep = np.full(48, -3.0)
    asleep[:12] = 3.0  # until six
    asleep[42:] = 3.0  # from nine in the evening
    assert waking_hours(asleep, plan) == (6 * HOUR, 21 * HOUR)
    assert waking_hours(0.001 * asleep, plan) == plan
    odd = (6 * HOUR + 60.0, 21 * HOUR)
    assert waking_hours(0.001 * asleep, odd) == odd
    by_day = np.roll(asleep, 24)  # somebody who works at night
    assert waking_hours(by_day, (19 * HOUR, 10 * HOUR)) == (18 * HOUR, 9 * HOUR)


@pytest.mark.parametrize("awake", [(7 * HOUR, 22.5 * HOUR), (6.25 * HOUR, 23 * HOUR), (14.5 * HOUR, 6.75 * HOUR)])
def test_waking_hours_are_the_likeliest_of_all_nights(awake: tuple[float, float]) -> None:
    """Nights of 4 to 12 hours, minute by minute; both clocks are normal about the plan's, which 2 nats must beat."""
    draws, changed, clocks = np.random.default_rng(3), 0, np.arange(48) * HOUR / 2
    law = norm(0.0, 1.5 * HOUR)
    off = (clocks[:, None] - np.array(awake) + 12 * HOUR) % (24 * HOUR) - 12 * HOUR
    prior = law.logpdf(off) - law.logpdf(0.0)

    def night(asleep: Array, wake: float, bed: float) -> float:
        minutes = np.tile(np.repeat(asleep, 30) / 30.0, 2)
        return float(minutes[round(bed / 60) : round((wake + 24 * HOUR * (wake <= bed)) / 60)].sum())

    for scale in np.repeat([0.3, 0.6, 1.2], 8):
        asleep = draws.normal(0.0, scale, 48) + 2.0 * scale * (np.roll(np.arange(48), int(awake[0] / HOUR) * 2) > 32)
        worth = {
            (float(clocks[k % 48]), float(clocks[n])): night(asleep, clocks[k % 48], clocks[n])
            + float(prior[k % 48, 0] + prior[n, 1])
            for n in range(48)
            for k in range(n + 8, n + 25)
        }
        best = max(worth, key=lambda hours: worth[hours])
        expected = best if worth[best] > night(asleep, *awake) + 2.0 else awake
        assert waking_hours(asleep, awake) == expected
        changed += expected != awake
    assert 0 < changed < 24


def test_nothing_counted_is_no_habit() -> None:
    nothing = HourCounts(*(np.zeros(SLOTS) for _ in HourCounts._fields))
    assert habit_of(nothing, (7 * HOUR, 22.5 * HOUR)) == Habit()


def test_people_who_cannot_be_told_apart_share_their_habits() -> None:
    plan = home(2, hall_motion=motion("hall"), bed_motion=motion("bed"), front_contact=contact("front"))
    events = [e for e in draw_life(plan, 0.7 * DAY, 2, settings=BUSY).events if e.seconds < BEGIN + 0.7 * DAY]
    quiet = Settings(outer_door_rate=0.001)
    tape = Recorder(plan, quiet, 4).record(BEGIN, events, BEGIN + 0.7 * DAY)
    found = learn_habits(plan, quiet, [tape])
    assert set(found) == {"P1", "P2"}
    assert found["P1"] == found["P2"]


def test_habits_are_told_in_words() -> None:
    week = tuple(4.0 if n % 24 in (7, 8) and n < 120 else 1.0 for n in range(WEEK))
    settings = Settings(habits={"ada": Habit((25200.0, 81000.0), out=week, back=one_hour(167, 0.5))})
    log = {"events": 5, "days": 10, "from": "a", "to": "b"}
    lines = list(report_lines({"log": log, "candidates": {}, "notes": [], "chosen": "habits"}, settings, {}))
    assert "  ada is awake from 07:00 to 22:30" in lines
    assert "  ada goes out 4 times as readily 07:00-09:00 Mon, Tue, Wed, Thu, Fri" in lines
    assert "  ada comes back 0.5 times as readily 23:00-24:00 Sun" in lines
