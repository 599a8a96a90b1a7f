"""The first step of learning: which rates go together, and what it turns."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from benchmarks.exact.drawing import draw_life
from presence import Floorplan, Settings
from presence.learn import bench
from presence.learn.em import BY_PACE, Rate, rates_of, with_factors
from presence.learn.journal import Journal
from presence.learn.statistics import Statistics, count, expected_log_likelihood
from presence.learn.steps import first_step, grouped, one_by_one
from presence.learn.tape import Recorder
from tests.oracle import home, motion
from tests.test_learn import BEGIN, DAY, WATCHED

TRULY = Settings(motion_rates=(1.8, 0.24, 0.006, 0.0006), door_idle_share=0.3, away_share=0.01)
"""How sensors see and doors are used, and where people are, quite unlike the defaults."""


@pytest.mark.parametrize(
    ("rate", "group"),
    [
        (Rate("motion_rates", 2), "sensors"),
        (Rate("camera_rates", 0), "sensors"),
        (Rate("motion_rates", where="hall_motion"), "single sensors"),
        (Rate("switch_rates", 1), "hands"),
        (Rate("door_closing_rate"), "doors"),
        (Rate("seat_press_rate"), "seats"),
        (Rate("return_rate"), "going out"),
        (Rate("outer_door_rate"), "going out"),
        (Rate("outer_door_rate", where="front"), "going out"),
        (Rate("night_waking_rate"), "sleeping"),
        (Rate("rising_rate"), "resting"),
        (Rate("rising_rate", where="hall"), "single places"),
        (Rate("pausing_rate"), "walking"),
        (Rate("door_rate"), "walking"),
        (Rate("door_rate", where="inner"), "single places"),
    ],
    ids=str,
)
def test_what_is_learned_together_is_of_a_kind(rate: Rate, group: str) -> None:
    assert [name for name, part in grouped([rate]).items() if part] == [group]


def test_every_rate_belongs_to_one_group() -> None:
    for name in ("two_storey_garage", "open_plan_bungalow", "one_room_flat"):
        rates = rates_of(Floorplan.load(Path(__file__).parents[1] / f"floorplans/{name}.yaml"), places=True)
        parts = grouped(rates)
        assert sorted(str(rate) for part in parts.values() for rate in part) == sorted(map(str, rates))
        assert {rate.setting for rate in parts["sensors"]} <= {*BY_PACE.values(), "zone_motion_rates"}
        assert all(rate.where is not None for rate in (*parts["single sensors"], *parts["single places"]))


def test_groups_stepped_one_by_one_each_raise_what_is_expected() -> None:
    """Two groups that explain the same events: both steps at once go too far, one after the other never."""
    events = draw_life(WATCHED, 0.1 * DAY, 6, settings=TRULY).events
    tape = Recorder(WATCHED, Settings(), 1).record(BEGIN, events, BEGIN + 0.1 * DAY)
    found = count(WATCHED, Settings(), [tape], [0])
    groups = [[Rate("motion_rates", pace) for pace in range(4)], [Rate("motion_rates", where="hall_motion")], []]
    groups.append([Rate("door_idle_share")])
    expected = [expected_log_likelihood(WATCHED, found, Settings())]
    logs: dict[Rate, float] = {}
    for n in range(len(groups)):
        logs = one_by_one(WATCHED, found, groups[: n + 1])
        expected.append(expected_log_likelihood(WATCHED, found, with_factors(Settings(), logs)))
    assert list(logs) == [rate for group in groups for rate in group]
    assert all(after >= before for before, after in pairwise(expected))
    assert expected[-1] > expected[0] + 1.0
    alone = [one_by_one(WATCHED, found, [group]) for group in groups]
    at_once = with_factors(Settings(), {rate: log for each in alone for rate, log in each.items()})
    assert expected_log_likelihood(WATCHED, found, at_once) < expected[-1]


@pytest.fixture(scope="module")
def found() -> Statistics:
    """What is counted under the defaults of some hours lived by `TRULY`."""
    events = draw_life(WATCHED, 0.3 * DAY, 6, settings=TRULY).events
    tape = Recorder(WATCHED, Settings(), 1).record(BEGIN, events, BEGIN + 0.3 * DAY)
    return count(WATCHED, Settings(), [tape], [0])


class Counted(bench.Bench):
    """A bench whose E step is done."""

    def __init__(self, found: Statistics) -> None:
        super().__init__(WATCHED, [], [], Journal(None, {}, resume=False))
        self.found = found

    def counts(self, settings: Settings, stretches: object) -> Statistics:
        return self.found


def test_the_first_step_turns_only_how_sensors_see(found: Statistics) -> None:
    told = Counted(found)
    settings = first_step(told, [])
    assert settings is not None
    usual, gained = (expected_log_likelihood(WATCHED, found, each) for each in (Settings(), settings))
    assert gained > usual + 20.0
    assert Settings().motion_rates[0] < settings.motion_rates[0] < TRULY.motion_rates[0]
    assert set(settings.factors) == {"motion_rates"}
    reports = ("motion_rates", "factors")  # of doors, likelihood and answers do not agree
    assert replace(settings, **{name: getattr(Settings(), name) for name in reports}) == Settings()
    assert first_step(told, []) == settings  # from the journal


def test_nobody_takes_a_first_step_in_a_home_where_nobody_lives() -> None:
    empty = home({}, hall_motion=motion("hall"))
    assert first_step(bench.Bench(empty, [], [], Journal(None, {}, resume=False)), []) is None
