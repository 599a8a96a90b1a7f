"""Instants in UTC, told exactly; spans of time told as people tell them."""

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from presence.times import apart, duration, rfc3339, utc

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
UNITS = {"s": 1, "min": 60, "h": 3600, "days": 86400}


@pytest.mark.parametrize(
    ("time", "text"),
    [
        (NOON, "2026-03-02T12:00:00+00:00"),
        (NOON + timedelta(milliseconds=250), "2026-03-02T12:00:00.250+00:00"),
        (NOON + timedelta(microseconds=1), "2026-03-02T12:00:00.000001+00:00"),
        (datetime(2026, 3, 2, 13, tzinfo=timezone(timedelta(hours=1))), "2026-03-02T12:00:00+00:00"),
    ],
)
def test_times_are_told_in_utc_and_exactly(time: datetime, text: str) -> None:
    assert rfc3339(time) == text
    assert datetime.fromisoformat(text) == time


def test_epoch_seconds_are_counted_from_1970_in_utc() -> None:
    assert utc(0.0) == datetime(1970, 1, 1, tzinfo=UTC)
    assert utc(NOON.timestamp()).isoformat() == "2026-03-02T12:00:00+00:00"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.4, "0 s"),
        (89, "89 s"),
        (90, "2 min"),
        (720, "12 min"),
        (5369, "89 min"),
        (5399, "1 h 30 min"),
        (7200, "2 h"),
        (7260, "2 h 1 min"),
        (47 * 3600 + 300, "47 h 5 min"),
        (48 * 3600, "2 days"),
        (10.4 * 86400, "10 days"),
    ],
)
def test_durations_are_told_in_words(seconds: float, text: str) -> None:
    assert duration(seconds) == text


@pytest.mark.parametrize(("seconds", "text"), [(2.25, "2.250 s"), (89.9994, "89.999 s"), (5460.0, "1 h 31 min")])
def test_how_far_instants_lie_apart_is_told_to_the_millisecond_where_it_is_little(seconds: float, text: str) -> None:
    assert apart(seconds) == text


@given(st.floats(min_value=0, max_value=1e8))
def test_a_duration_in_words_is_wrong_by_no_more_than_a_third(seconds: float) -> None:
    words = duration(seconds).split()
    told = sum(int(number) * UNITS[unit] for number, unit in zip(words[::2], words[1::2], strict=True))
    assert abs(told - seconds) <= max(0.5, seconds / 3)
