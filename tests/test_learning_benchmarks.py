"""The benchmarks of learning: ranks against scipy, the later part of a life, settings drawn the same each time."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import spearmanr

from benchmarks import recovery
from benchmarks.judges import drawn, rank_correlation
from benchmarks.learning import later_part, tune
from benchmarks.trust.homes import Cell, home_of, live
from presence import Settings
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


def test_recovery_says_where_it_began_and_what_it_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recovery, "ROUNDS", 2)
    found = recovery.recover("zones", 1, 0.3, 3)
    assert found.falls == 0.0
    assert all(0.25 <= one.begun <= 0.5 or 2.0 <= one.begun <= 4.0 for one in found.rates)
    often = [one for one in found.rates if one.chances >= 20]
    assert often
    nearer = [abs(np.log(one.found)) < abs(np.log(one.begun)) for one in often]
    assert sum(nearer) > len(nearer) / 2
