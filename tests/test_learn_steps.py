"""Small steps of learning: which rates go together, what a step promises, and when it is kept."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import cast

import numpy as np
import pytest

from benchmarks.exact.drawing import draw_life
from presence import Floorplan, Settings
from presence.learn import bench
from presence.learn.em import BY_PACE, Rate, rates_of, with_factors
from presence.learn.journal import Journal
from presence.learn.judge import Verdict
from presence.learn.statistics import Statistics, count, expected_log_likelihood
from presence.learn.steps import Step, Wanted, first_step, grouped, one_by_one, preferred, small_steps
from presence.learn.tape import Recorder
from tests.oracle import home, motion
from tests.test_learn import BEGIN, BETTER, DAY, FLAT_LINE, SLIGHTLY_WORSE, WATCHED, WORSE, verdict

TRULY = Settings(motion_rates=(1.8, 0.24, 0.006, 0.0006), door_idle_share=0.3, away_share=0.01)
"""How sensors see and doors are used, and where people are, quite unlike the defaults."""


@pytest.mark.parametrize("most", [0, 1, 5, 100])
def test_no_more_small_steps_are_tried_than_asked_for(most: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """A home of many groups in which nothing helps: each group whole and by half, until there have been enough."""
    asked: list[Settings] = []

    def refused(_: object, settings: Settings, now: Settings) -> bool:
        asked.append(settings)
        return settings == now  # never

    def wanted(bench: object, stretches: object, now: dict[Rate, float]) -> Wanted:
        return dict.fromkeys(now, (0.1, 10.0))

    monkeypatch.setattr("presence.learn.steps.preferred", refused)
    monkeypatch.setattr("presence.learn.steps._wanted", wanted)
    told = bench.Bench(WATCHED, [], [], Journal(None, {}, resume=False))
    settings, tried = small_steps(told, [], most)
    groups = [name for name, part in grouped(dict.fromkeys(rates_of(WATCHED, places=True), (0.1, 1.0))).items() if part]
    every = [Step(group, share, False) for group in groups for share in (1.0, 0.5)]
    assert len(every) > 5
    assert settings == Settings()
    assert tried == every[:most]
    assert len(asked) == min(most, len(every))


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
    assert [name for name, part in grouped({rate: (0.1, 1.0)}).items() if part] == ["all rates", group]


def test_every_rate_belongs_to_one_group_of_steps() -> None:
    for name in ("two_storey_garage", "open_plan_bungalow", "one_room_flat"):
        rates = rates_of(Floorplan.load(Path(__file__).parents[1] / f"floorplans/{name}.yaml"), places=True)
        parts = grouped(dict.fromkeys(rates, (0.1, 1.0)))
        assert sorted(map(str, parts.pop("all rates"))) == sorted(map(str, rates))
        assert sorted(str(rate) for part in parts.values() for rate in part) == sorted(map(str, rates))
        assert {rate.setting for rate in parts["sensors"]} <= {*BY_PACE.values(), "zone_motion_rates"}
        assert all(rate.where is not None for rate in (*parts["single sensors"], *parts["single places"]))


class Told:
    """A bench that has been told what everything is worth: verdicts on the days for fitting, and on later ones."""

    def __init__(self, usual: tuple[Verdict, Verdict], other: tuple[Verdict, Verdict]) -> None:
        self.answers = {1 / 900: usual, 1 / 600: other}

    def in_sample(self, settings: Settings) -> Verdict:
        return self.answers[settings.rising_rate][0]

    def verdict(self, settings: Settings) -> Verdict:
        return self.answers[settings.rising_rate][1]


@pytest.mark.parametrize(
    ("fitted", "later", "kept"),
    [
        (verdict(FLAT_LINE, BETTER, 5.0), verdict(FLAT_LINE, BETTER, 5.0), True),
        (verdict(FLAT_LINE, BETTER, 5.0), verdict(SLIGHTLY_WORSE, BETTER, 5.0), True),  # by less than half an error
        (verdict(FLAT_LINE, SLIGHTLY_WORSE, 5.0), verdict(FLAT_LINE, BETTER, 5.0), True),  # better on both together
        (verdict(FLAT_LINE, SLIGHTLY_WORSE, 5.0), verdict(FLAT_LINE, FLAT_LINE, 5.0), False),
        (verdict(FLAT_LINE, FLAT_LINE, 5.0), verdict(FLAT_LINE, FLAT_LINE, 5.0), False),  # likelihood alone
        (verdict(FLAT_LINE, BETTER, 5.0), verdict(FLAT_LINE, BETTER, -5.0), False),  # less likely later
        (verdict(FLAT_LINE, BETTER, -5.0), verdict(FLAT_LINE, BETTER, 5.0), False),
        (verdict(WORSE, BETTER, 5.0), verdict(FLAT_LINE, BETTER, 5.0), False),  # the number pays for rooms
        (verdict([-1.25, -0.9, -1.2, -0.9], BETTER, 5.0), verdict(FLAT_LINE, BETTER, 5.0), False),  # by .6 errors
        (verdict(FLAT_LINE, BETTER, 5.0), verdict(FLAT_LINE, WORSE, 5.0), False),  # better only where it was fitted
    ],
)
def test_a_step_is_kept_only_if_every_witness_agrees_twice(fitted: Verdict, later: Verdict, kept: bool) -> None:
    usual = verdict(FLAT_LINE, FLAT_LINE)
    told = cast(bench.Bench, Told((usual, usual), (fitted, later)))
    assert preferred(told, Settings(rising_rate=1 / 600), Settings()) == kept


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


def test_what_is_asked_of_a_small_step_is_worth_what_the_counts_promise(
    found: Statistics, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Group by group the log is expected to be likelier after a step, and after half of it; nothing else is turned."""
    asked: list[Settings] = []

    def refused(_: object, settings: Settings, now: Settings) -> bool:
        asked.append(settings)
        return False

    monkeypatch.setattr("presence.learn.steps.preferred", refused)
    _, tried = small_steps(Counted(found), [], 100)
    usual = expected_log_likelihood(WATCHED, found, Settings())
    gains = [expected_log_likelihood(WATCHED, found, settings) - usual for settings in asked]
    by_step = {(step.group, step.share): gain for step, gain in zip(tried, gains, strict=True)}
    assert by_step["sensors", 1.0] > by_step["sensors", 0.5] > 20.0
    assert by_step["doors", 1.0] > by_step["doors", 0.5] > 1.0
    assert "seats" not in {group for group, _ in by_step}  # there are none
    settings = dict(zip(((step.group, step.share) for step in tried), asked, strict=True))
    whole, half = (np.array(settings["sensors", share].motion_rates) for share in (1.0, 0.5))
    np.testing.assert_allclose(half**2, whole * np.array(Settings().motion_rates), rtol=0.02)  # half in the logarithm
    assert replace(settings["sensors", 1.0], motion_rates=Settings().motion_rates) == Settings()


@pytest.mark.parametrize(("worth", "shares"), [(0.9, []), (1.1, [1.0]), (2.1, [1.0, 0.5])])
def test_a_step_that_promises_less_than_a_nat_is_not_tried(
    worth: float, shares: list[float], monkeypatch: pytest.MonkeyPatch
) -> None:
    def wanted(bench: object, stretches: object, now: dict[Rate, float]) -> Wanted:
        return {rate: (0.1, worth if rate.setting == "door_idle_share" else 0.0) for rate in now}

    monkeypatch.setattr("presence.learn.steps._wanted", wanted)
    monkeypatch.setattr("presence.learn.steps.preferred", lambda *_: False)
    _, tried = small_steps(bench.Bench(WATCHED, [], [], Journal(None, {}, resume=False)), [], 100)
    assert tried == [Step(group, share, False) for group in ("all rates", "doors") for share in shares]


def test_days_weigh_by_how_many_instants_were_judged() -> None:
    """Rooms gain .1 nats in 400 instants, and lose .03, within noise, in 1,600 later ones."""
    level = [-1.0] * 16
    usual = verdict(FLAT_LINE, FLAT_LINE), verdict(level, level)
    other = verdict(FLAT_LINE, [-0.9] * 4, 5.0), verdict(level, [-1.33, -0.73] * 8, 5.0)
    assert not preferred(cast(bench.Bench, Told(usual, other)), Settings(rising_rate=1 / 600), Settings())
    briefly = verdict(FLAT_LINE, [-0.6] * 4, 5.0), other[1]
    assert preferred(cast(bench.Bench, Told(usual, briefly)), Settings(rising_rate=1 / 600), Settings())


def test_the_first_step_turns_only_how_things_report(found: Statistics) -> None:
    told = Counted(found)
    settings = first_step(told, [])
    assert settings is not None
    usual, gained = (expected_log_likelihood(WATCHED, found, each) for each in (Settings(), settings))
    assert gained > usual + 20.0
    assert Settings().motion_rates[0] < settings.motion_rates[0] < TRULY.motion_rates[0]
    assert settings.door_idle_share > Settings().door_idle_share
    assert set(settings.factors) == {"motion_rates"}
    reports = ("motion_rates", "door_idle_share", "door_closing_rate", "factors")
    assert replace(settings, **{name: getattr(Settings(), name) for name in reports}) == Settings()
    assert first_step(told, []) == settings  # from the journal


def test_nobody_takes_a_first_step_in_a_home_where_nobody_lives() -> None:
    empty = home({}, hall_motion=motion("hall"))
    assert first_step(bench.Bench(empty, [], [], Journal(None, {}, resume=False)), []) is None
