"""The benchmarks of learning: ranks against scipy, the later part of a life, settings drawn the same each time."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import spearmanr

from benchmarks import recovery, usefulness
from benchmarks.judges import drawn, rank_correlation
from benchmarks.learning import later_part, tune
from benchmarks.trust.homes import Cell, home_of, live
from presence import Event, Floorplan, Settings
from presence.evaluate import evaluate
from presence.learned import Learned, apply
from presence.truth import TruthLine

numbers = st.lists(st.tuples(st.integers(-5, 5), st.integers(-5, 5)), min_size=3, max_size=30)


@given(numbers)
def test_rank_correlation_equals_scipys(pairs: list[tuple[int, int]]) -> None:
    a, b = (np.array(column, dtype=float) for column in zip(*pairs, strict=True))
    if np.ptp(a) == 0 or np.ptp(b) == 0:
        assert np.isnan(rank_correlation(a, b))
    else:
        assert rank_correlation(a, b) == pytest.approx(spearmanr(a, b).statistic, abs=1e-12)


def test_the_later_part_begins_where_everybody_is() -> None:
    lived = live(Cell("one_room_flat", 1, "plain", 3, 1.5))
    until = lived.log[len(lived.log) // 2].seconds
    events, truth = later_part(lived, until)
    assert events[0].seconds >= until
    assert len(events) == sum(event.seconds >= until for event in lived.log)
    before = [line for line in lived.truth if line.time.timestamp() < until]
    assert truth[0] == TruthLine(events[0].time, "noor", before[-1].room)
    assert truth[1:] == [line for line in lived.truth if line.time > events[0].time]


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
    assert usefulness.main(asked) == 1
    half, whole = given
    assert whole[-len(half) :] == half
    assert whole[0].seconds + 0.5 * 86400.0 <= half[0].seconds < whole[0].seconds + 86400.0
    lines = [line.split() for line in capsys.readouterr().out.splitlines()[2:4]]
    assert [float(line[2]) for line in lines] == [0.5, 1.0]
    assert [int(line[3]) for line in lines] == [len(half), len(whole)]
    assert lines[0][5:] == lines[1][5:]  # the scores
    lived = live(Cell("one_room_flat", 1, "plain", 3, 1.5))
    events, truth = later_part(lived, lived.log[0].seconds + 86400.0)
    scores = evaluate(lived.plan, events, truth)
    assert float(lines[0][5]) == pytest.approx(scores.at_home["accuracy"], abs=1e-4)


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
