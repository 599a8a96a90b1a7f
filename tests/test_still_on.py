"""A motion sensor that is still on well past its hold has seen somebody move since: it bears witness to them."""

import pytest

from presence import Floorplan, Settings, Tracker
from tests.oracle import NOON, at, contact, home, motion, time_at

HOLD, REFRESH = 10.0, 60.0
PLAN = home(1, hall_motion=motion("hall", HOLD), bed_motion=motion("bed", HOLD), inner_contact=contact("inner"))


def odds(plan: Floorplan, settings: Settings, until: float, clear: float | None = None) -> float:
    """That P1 is in the bedroom, some seconds after its sensor went on there."""
    tracker = Tracker(plan, settings)
    tracker.advance(NOON)
    tracker.observe(at(0.0, "bed_motion", "detected"))
    if clear is not None:
        tracker.observe(at(clear, "bed_motion", "clear"))
    tracker.advance(time_at(until))
    there = tracker.belief.people["P1"]["bed"]
    return there / (1.0 - there)


def test_it_speaks_for_who_is_there_after_its_hold_and_once_more() -> None:
    """One person: the odds grow by one over the chance of staying on alone, bounded by a lost off message.

    `lost + (1 - lost) alone`, then on the rest; before that moment nothing differs.
    """
    s, deaf = Settings(), Settings(occupancy_refresh=1e9)
    once = s.occupancy_lost + (1.0 - s.occupancy_lost) * s.occupancy_alone
    first = HOLD + REFRESH
    assert odds(PLAN, s, first - 1.0) == pytest.approx(odds(PLAN, deaf, first - 1.0), rel=1e-9)
    assert odds(PLAN, s, first) == pytest.approx(odds(PLAN, deaf, first) / once, rel=1e-9)
    assert odds(PLAN, s, first + REFRESH) > 1.5 * odds(PLAN, deaf, first + REFRESH) / once


def test_once_it_is_off_it_says_no_more() -> None:
    s, deaf = Settings(), Settings(occupancy_refresh=1e9)
    later = HOLD + REFRESH + 5.0
    assert odds(PLAN, s, later, clear=HOLD) == pytest.approx(odds(PLAN, deaf, later, clear=HOLD), rel=1e-9)


def test_no_sooner_than_a_long_hold() -> None:
    deaf = Settings(occupancy_refresh=1e9)
    long = home(1, bed_motion=motion("bed", 300.0), hall_motion=motion("hall"))
    assert odds(long, Settings(), 599.0) == pytest.approx(odds(long, deaf, 599.0), rel=1e-9)
    assert odds(long, Settings(), 601.0) > 2.0 * odds(long, deaf, 601.0)


def test_a_pet_may_be_what_keeps_it_on() -> None:
    """With a cat about, a sensor that stays on says less of people."""
    with_cat = home(1, pets={"cat": {}}, hall_motion=motion("hall", HOLD), bed_motion=motion("bed", HOLD))
    without = home(1, hall_motion=motion("hall", HOLD), bed_motion=motion("bed", HOLD))
    deaf = Settings(occupancy_refresh=1e9)
    gain = [odds(plan, Settings(), 75.0) / odds(plan, deaf, 75.0) for plan in (with_cat, without)]
    assert 1.0 < gain[0] < gain[1]
