"""A sensor that stays on for days, in a home of which little else is heard: ever rarer witness, the same belief."""

from __future__ import annotations

import math
from datetime import timedelta
from itertools import pairwise
from typing import Any

import pytest

from presence import Floorplan, staying_on
from presence.staying_on import StayingEngine
from presence.witness import Staying
from tests.oracle import NOON, at, contact, home, motion
from tests.test_tracker import followed

DAY = timedelta(days=1)


def with_radar(people: int = 1) -> Floorplan:
    """A hall, and a bedroom in which a radar sees who sits or lies still."""
    radar = {"kind": "occupancy", "room": "bed"}
    return home(people, radar=radar, hall_motion=motion("hall", 20.0), front_contact=contact("front"))


def days(plan: Floorplan, count: int, *, stirring: bool = False) -> list[float]:
    """How likely somebody is in the bedroom, four times a day, the radar being on since noon of the first."""
    tracker, found = followed(plan, [at(0.0, "radar", "occupied")]), []
    for quarter in range(4 * count):
        if stirring:
            told = 21_600.0 * quarter + 300.0
            tracker.observe(at(told, "hall_motion", "detected"))
            tracker.observe(at(told + 25.0, "hall_motion", "clear"))
        tracker.advance(NOON + (quarter + 1) * DAY / 4)
        found.append(tracker.belief.rooms["bed"])
    return found


@pytest.mark.parametrize("stirring", [False, True], ids=["alone", "somebody else is about"])
def test_who_is_ill_is_believed_in_as_with_a_witness_every_minute(
    stirring: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """For the first half day to the last digit; for days as far as who may leave meanwhile is still to be heard."""
    plan = with_radar(2)
    rarer = days(plan, 3, stirring=stirring)
    monkeypatch.setattr(staying_on, "LONG", 1e9)
    each_minute = days(plan, 3, stirring=stirring)
    assert rarer[:2] == each_minute[:2]
    assert rarer[2:] != each_minute[2:]
    assert rarer == pytest.approx(each_minute, rel=0, abs=0.01)
    assert min(rarer) > 0.97


def test_two_months_out_of_reach_are_not_looked_at_minute_by_minute(monkeypatch: pytest.MonkeyPatch) -> None:
    """86,400 minutes; that who sat there has left by then, unheard, is for the prior to say."""
    tracker, told = followed(with_radar(), [at(0.0, "radar", "occupied")]), list[float]()
    usual = StayingEngine._on_still

    def once_more(engine: StayingEngine, *arguments: Any) -> Any:
        told.append(arguments[2])
        return usual(engine, *arguments)

    monkeypatch.setattr(StayingEngine, "_on_still", once_more)
    tracker.advance(NOON + 60 * DAY)
    assert 3000 < len(told) < 4500  # 720 * (1 + log(60)) and once an hour for 30 days: 4388
    gaps = [after - before for before, after in pairwise(told)]
    assert gaps[:715] == [60.0] * 715
    assert gaps == sorted(gaps)
    assert max(gaps) == 3600.0


def test_how_often_anybody_asks_in_those_days_changes_nothing() -> None:
    once, often = (followed(with_radar(), [at(0.0, "radar", "occupied")]) for _ in range(2))
    for n in range(1, 50):
        often.advance(NOON + n * timedelta(hours=1.1))
    once.advance(NOON + 49 * timedelta(hours=1.1))
    assert once.belief.rooms == pytest.approx(dict(often.belief.rooms), rel=0, abs=1e-8)
    assert once.log_likelihood == pytest.approx(often.log_likelihood, rel=0, abs=1e-8)


@pytest.mark.parametrize("every", [70.0, 300.0])
def test_a_radio_that_checks_in_bears_witness_each_minute(every: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """It has been on for two days, but was silent for minutes only."""
    told = []
    for long in (staying_on.LONG, math.inf):
        monkeypatch.setattr(staying_on, "LONG", long)
        reports = [at(n * every, "radar", "occupied") for n in range(int(2.0 * 86400.0 / every))]
        tracker = followed(with_radar(), reports)
        tracker.advance(NOON + timedelta(days=2, seconds=200.0))
        told.append((dict(tracker.belief.rooms), tracker.log_likelihood))
    assert told[0] == told[1]


@pytest.mark.parametrize("spacing", [[1.0] * 7, [1.0, 1.0, 2.0, 3.0], [7.0]])
def test_the_evidence_of_a_while_does_not_hang_on_how_often_it_is_told(spacing: list[float]) -> None:
    """With nobody there it stays on for seven times with probability `lost + (1 - lost) alone ** 7`."""
    lost, alone, staying, product = 0.01, 0.3, Staying(0.01, 1.0), 1.0
    for times in spacing:
        likelihood, staying = staying.once_more(1.0, lost, alone**times)
        product *= likelihood
    assert product == pytest.approx(lost + (1.0 - lost) * alone**7.0, rel=1e-12)
