"""The benchmarks of learning: ranks against scipy, the later part of a life, settings drawn the same each time."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.stats import chi2, spearmanr

from benchmarks import agreement, recovery, usefulness
from benchmarks.exact.drawing import draw_life
from benchmarks.judges import drawn, number_alone, rank_correlation, silence
from benchmarks.learning import later_part, tune
from benchmarks.trust.homes import Cell, home_of, live
from presence import Event, Floorplan, Settings, Tracker
from presence.evaluate import evaluate
from presence.learn.certainty import slopes_by_block
from presence.learn.em import Rate, rates_of
from presence.learn.judge import Array, Foresight, judge
from presence.learn.report import FIRST
from presence.learn.steps import AGREEING
from presence.learn.tape import Recorder
from presence.learned import Learned, apply
from presence.truth import TruthLine
from tests.oracle import NOON, at, home, motion

numbers = st.lists(st.tuples(st.integers(-5, 5), st.integers(-5, 5)), min_size=3, max_size=30)


@given(numbers)
def test_rank_correlation_equals_scipys(pairs: list[tuple[int, int]]) -> None:
    a, b = (np.array(column, dtype=float) for column in zip(*pairs, strict=True))
    if np.ptp(a) == 0 or np.ptp(b) == 0:
        assert np.isnan(rank_correlation(a, b))
    else:
        assert rank_correlation(a, b) == pytest.approx(spearmanr(a, b).statistic, abs=1e-12)


def test_who_knows_when_nobody_is_at_home_foretells_silence() -> None:
    """Heard every ten minutes for five hours, then never: the score of a sure belief by hand, from counts and prior."""
    plan = home(1, hall_motion=motion("hall"))
    events = [at(600.0 * n, "hall_motion", value) for n in range(31) for value in ("detected", "clear")]
    grid = NOON.timestamp() + 120.0 * np.arange(300) + 60.0
    empty = (grid > NOON.timestamp() + 18000.0).astype(float)

    def told(nobody: Array) -> float:
        belief, none = np.stack([nobody, 1.0 - nobody], axis=1), np.zeros((300, 1), np.intp)
        return silence(plan, events, [Foresight(grid, belief, none, none[:, 0], none[:, 0], none, 0.0)])

    n0, n1 = int(empty.sum()), int((1.0 - empty).sum())
    by_hand = (n0 * np.log((n0 + 10) / (n0 + 20)) + n1 * np.log((n1 + 10) / (n1 + 20))) / 300
    assert told(empty) == pytest.approx(by_hand, rel=0, abs=1e-6)
    assert told(empty) > told(np.full(300, 0.5))


def test_who_knows_the_number_at_home_tells_what_is_seen_later_only_if_that_is_asked_by_what_was_seen_before() -> None:
    """Three live there. Quiet nights, busy days: who believes two by day and three by night only knows when it is day.

    One who has gone out is seen no more: that is what the number tells.
    """
    random = np.random.default_rng(5)
    instants = np.arange(4000)
    day, all_in = instants // 40 % 2, random.random(4000) < 0.7
    there = np.where(all_in, 3, 2)
    most = random.binomial(there, np.where(day, 0.8, 0.1))

    def told(number: NDArray[np.intp]) -> Foresight:
        none = np.zeros((4000, 0))
        return Foresight(instants * 120.0, np.eye(4)[number], none, most, day, none.astype(int), 0.0)

    knows, knows_when = told(there), told(np.where(day, 2, 3))
    assert number_alone([knows]) < number_alone([knows_when]) - 0.1
    assert judge([knows]).number > judge([knows_when]).number + 0.005


def test_the_later_part_begins_where_everybody_is() -> None:
    lived = live(Cell("one_room_flat", 1, "plain", 3, 1.5))
    until = lived.log[len(lived.log) // 2].seconds
    events, truth = later_part(lived, until)
    assert events[0].seconds >= until
    assert len(events) == sum(event.seconds >= until for event in lived.log)
    before = [line for line in lived.truth if line.time.timestamp() < until]
    assert truth[0] == TruthLine(datetime.fromtimestamp(until, UTC), "noor", before[-1].room)
    assert truth[1:] == lived.truth[len(before) :]


def test_settings_are_drawn_the_same_and_begin_with_the_defaults() -> None:
    plan = home_of("one_room_flat", 1, "plain")
    first, second = list(drawn(plan, 5)), list(drawn(plan, 5))
    assert first == second
    assert first[0] == Settings()
    assert all(settings != Settings() for settings in first[1:])


def test_tuning_by_labels_climbs_the_scores_it_is_shown() -> None:
    """Among made-up scores, the best of those that were tried is told."""
    plan = home_of("one_room_flat", 1, "plain")
    asked = []

    def scored(settings: Settings) -> dict[str, float]:
        good = 1.0 - abs(np.log(settings.rising_rate / Settings().rising_rate / 2.5))
        asked.append(good)
        return {"bal. acc.": float(good), "count": 0.5}

    best = tune(plan, scored, 12)
    assert best["bal. acc."] == max(asked) == pytest.approx(1.0)
    assert len(asked) <= 13


def test_usefulness_scores_the_same_later_days_whatever_was_learned_from(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A made-up fit that is told which days it got: sensors that see nobody make every score worse."""
    given: list[list[Event]] = []
    blind = Settings(occupancy_rates=(1e-6,) * 4, motion_rates=(1e-6,) * 4, phone_error=0.5)

    def fitted(plan: Floorplan, logs: list[list[Event]], **_: object) -> Learned:
        given.extend(logs)
        return apply(plan, blind, {}, {"chosen": "made up"})

    monkeypatch.setattr(usefulness, "fit", fitted)
    asked = ["--plan", "one_room_flat", "--people", "1", "--days", "1,0.5", "--score-days", "0.5", "--seeds", "3"]
    assert usefulness.main([*asked, "--variants", "lost"]) == 1
    half, whole = given
    assert whole[-len(half) :] == half
    assert whole[0].seconds + 0.5 * 86400.0 <= half[0].seconds < whole[0].seconds + 86400.0
    lines = [line.split() for line in capsys.readouterr().out.splitlines()[2:4]]
    assert [line[1] for line in lines] == ["lost", "lost"]
    assert [float(line[3]) for line in lines] == [0.5, 1.0]
    assert [int(line[4]) for line in lines] == [len(half), len(whole)]
    assert lines[0][6:] == lines[1][6:]  # the scores
    lived = live(Cell("one_room_flat", 1, "lost", 3, 1.5))
    events, truth = later_part(lived, lived.log[0].seconds + 86400.0)
    scores = evaluate(lived.plan, events, truth)
    assert float(lines[0][6]) == pytest.approx(scores.at_home["accuracy"], abs=1e-4)
    assert lines[0][9] == "nan"  # one day tells no error


def test_gains_of_days_alike_have_no_error_and_a_day_by_itself_scores_as_if_it_were_all() -> None:
    lived = live(Cell("one_room_flat", 1, "plain", 3, 3.0))
    until = lived.log[0].seconds + 43200.0
    whole, *days = usefulness.by_day(lived, lived.plan, until, None)
    assert len(days) == 3
    samples = [day.covered["samples"] for day in days]
    right = [day.at_home["accuracy"] * n for day, n in zip(days, samples, strict=True)]
    assert sum(samples) == whole.covered["samples"]
    assert sum(right) / sum(samples) == pytest.approx(whole.at_home["accuracy"], abs=1e-12)
    assert usefulness.gain("count", [whole, *days], [whole, *days]) == pytest.approx(
        (*[whole.at_home["accuracy"]] * 2, 0.0)
    )


def test_recovery_says_where_it_began_and_what_it_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recovery, "ROUNDS", 2)
    found = recovery.recover("zones", 1, 0.3, 3)
    assert found.falls == 0.0
    assert all(0.25 <= one.begun <= 0.5 or 2.0 <= one.begun <= 4.0 for one in found.rates)
    assert all(one.error > 0.0 for one in found.rates)
    often = [one for one in found.rates if one.chances >= 20]
    assert often
    nearer = [abs(np.log(one.found)) < abs(np.log(one.begun)) for one in often]
    assert sum(nearer) > len(nearer) / 2


def test_at_the_rates_by_which_a_life_was_drawn_slopes_are_noise_and_at_others_they_are_not(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The score test (Rao 1948): chi-square with as many degrees of freedom as there are rates."""
    monkeypatch.setattr("presence.learn.certainty.BLOCKS", 20)  # their number bounds what is noticed
    plan = Floorplan.from_mapping(
        {"name": "zones", "time_zone": "UTC", "people": {"P1": {}}, "visitors": 0, **recovery.HOMES["zones"]}
    )
    begin, end = NOON.timestamp(), NOON.timestamp() + 86400.0
    life = draw_life(plan, 86400.0, 1, settings=recovery.LIVELY)
    tape = Recorder(plan, recovery.LIVELY, 1).record(begin, [e for e in life.events if e.seconds < end], end)
    rates = [Rate("door_rate"), Rate("door_closing_rate"), Rate("zone_rate"), Rate("motion_rates", 0)]

    def misfit(logs: dict[Rate, float]) -> float:
        return recovery.misfit_of(slopes_by_block(plan, [tape], [0], recovery.LIVELY, logs))

    truth = dict.fromkeys(rates, 0.0)
    assert chi2.sf(misfit(truth), len(rates)) > 0.01
    for rate in rates:
        assert chi2.sf(misfit(truth | {rate: np.log(2.0)}), len(rates)) < 0.001


# --- where likelihood and answers agree -------------------------------------------------------------------------------
def test_a_class_agrees_if_the_log_is_likelier_and_no_answer_surely_falls() -> None:
    same = {name: [0.0, -0.01, 0.01] for name in agreement.ANSWERS["two_residents"]}
    likelier = {"log_likelihood": [5.0]}
    assert agreement.agrees("two_residents", same | likelier)
    assert not agreement.agrees("two_residents", same | {"log_likelihood": [-5.0]})
    assert not agreement.agrees("two_residents", same | likelier | {"room_set": [-0.02, -0.03, -0.01]})
    assert not agreement.agrees("two_residents", same | likelier | {"same_person_log_loss": [0.02, 0.01, 0.03]})
    assert agreement.agrees("two_residents", same | likelier | {"same_person_log_loss": [-0.02, -0.03, -0.01]})


def test_every_rate_is_in_one_class_and_the_first_step_is_made_of_whole_ones() -> None:
    plan = home_of("two_storey_garage", 2, "plain")
    parts = agreement.classes(plan)
    together = parts.pop(FIRST)
    assert sorted(str(rate) for part in parts.values() for rate in part) == sorted(
        map(str, rates_of(plan, places=True))
    )
    assert set(together) == {rate for name in AGREEING for rate in parts.get(name, [])}


def test_one_step_goes_towards_the_rates_that_a_life_was_drawn_with_and_turns_no_others() -> None:
    """Sensors that fire twice as often: half of such lives tells so, and the other half is likelier for it."""
    plan = home(1, hall_motion=motion("hall", hold=1.0), bed_motion=motion("bed", hold=1.0))
    truly = Settings(motion_rates=(1.2, 0.16, 0.004, 0.0004), away_share=0.01)
    begin = NOON.timestamp()
    log = draw_life(plan, 14400.0, 3, settings=truly).events
    later = draw_life(plan, 14400.0, 4, settings=truly).events
    asked: list[Settings] = []

    def score(settings: Sequence[Settings]) -> dict[str, float]:
        asked.append(settings[0])
        tracker = Tracker(plan, settings[0], watching=False)
        for event in later:
            tracker.observe(event)
        return {"log_likelihood": tracker.log_likelihood} | dict.fromkeys(agreement.ANSWERS["homes"], 0.0)

    material = agreement.Material(plan, [[(begin, log, begin + 14400.0)]], score)
    (row,) = agreement.told(material, ["sensors"])
    assert row["gains"]["log_likelihood"][0] > 0.0
    usual, stepped = asked
    assert usual == Settings()
    assert replace(stepped, motion_rates=usual.motion_rates) == usual
    for before, after, true in zip(usual.motion_rates[:2], stepped.motion_rates, truly.motion_rates, strict=False):
        assert before < after < 1.25 * true
