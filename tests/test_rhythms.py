"""Somebody who moves now and then in one room is one person; who is heard in two rooms at once is two."""

from __future__ import annotations

from datetime import timedelta

import pytest

from benchmarks.rhythms import RHYTHMS, START, Case, cases, log_of, others_believed_in
from presence import Event, Tracker

CASES = cases()


@pytest.mark.parametrize("rhythm", RHYTHMS)
@pytest.mark.parametrize("name", list(CASES))
def test_who_moves_for_ten_seconds_every_few_minutes_is_one_person(name: str, rhythm: str) -> None:
    assert max(others_believed_in(CASES[name], rhythm, 2)) < 0.1


@pytest.mark.parametrize("other", ["room, hold 30 s", "studio, 60 s", "kitchen, 30 s"])
def test_two_who_move_every_other_minute_in_two_rooms_at_once_are_two(other: str) -> None:
    """A sensor elsewhere follows each movement within a second."""
    case = CASES[other]
    others = {"room_motion": "hall_motion", "studio_motion": "bathroom_motion", "kitchen_motion": "bathroom_motion"}
    sensor = others[case.sensor]
    log = log_of(case, "2", 3600.0)
    follow = [Event(time=e.time + timedelta(seconds=1), sensor=sensor, value=e.value) for e in log]
    tracker = Tracker(case.plan)
    for event in sorted([*log, *follow], key=lambda event: event.time):
        tracker.observe(event)
    assert sum(tracker.belief.at_home[2:]) > 0.9


def test_logs_turn_on_and_off_in_turn() -> None:
    case: Case = CASES["room, hold 30 s"]
    log = log_of(case, "1~", 3600.0)
    assert [event.value for event in log] == ["detected", "clear"] * (len(log) // 2)
    assert [event.time for event in log] == sorted(event.time for event in log)
    regular = log_of(case, "2", 240.0)
    assert [(event.time - START).total_seconds() for event in regular] == [0.0, 40.0, 120.0, 160.0]
