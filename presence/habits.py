"""What somebody's week is like: waking hours, and how readily they go out and come back by the hour of the week.

A habit only turns rates: nothing becomes impossible at any hour. Factors are powers of two, so that a week has few
different hours and the model of each can be kept.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple, TypeGuard

from presence.errors import SettingError

WEEK = 168
"""Hours of a week, from Monday 00:00 of the local clock."""
DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
WIDEST = 16.0
"""No factor is larger, or smaller than its inverse."""
BEDTIME = 3600.0
"""Seconds: for so long before their sleeping hours begin, and after, those who are out go home. No source."""


class Hour(NamedTuple):
    """What somebody's habits say at an instant."""

    asleep: bool = False
    """Whether these are their sleeping hours."""
    out: float = 1.0
    """Factor on the rates of leaving the house."""
    back: float = 1.0
    """Factor on the rates of coming home from off the property."""


Hours = tuple[Hour, ...]
"""What the habits of each being say at an instant."""


@dataclass(frozen=True, slots=True)
class Habit:
    """The habits of one resident.

    Raises:
        SettingError: if there are not 168 factors, or one is not a number from 1/16 to 16.
    """

    awake: tuple[float, float] | None = None
    """Waking hours as local seconds of the day, in place of the plan's; None: the plan's hold."""
    out: tuple[float, ...] = (1.0,) * WEEK
    back: tuple[float, ...] = (1.0,) * WEEK

    def __post_init__(self) -> None:
        for name in ("out", "back"):
            factors = getattr(self, name)
            if not isinstance(factors, tuple) or len(factors) != WEEK:
                raise SettingError(f"habits: {name} is not {WEEK} factors, one for each hour of the week")
            _check_factors(name, factors)
        if self.awake is not None and not (
            len(self.awake) == 2 and all(_is_number(v) and 0 <= v < 86400 for v in self.awake)
        ):
            raise SettingError(f"habits: awake: {self.awake!r} is not two clock times")


def hour_of_week(now: datetime) -> int:
    """0 for Monday 00:00 to 01:00 of a local time, 167 for the last of Sunday."""
    return 24 * now.weekday() + now.hour


def within(hours: tuple[float, float], now: datetime) -> bool:
    """Whether a local time lies between two clock times, such as somebody's waking hours, which may pass midnight."""
    start, end = hours
    second = now.hour * 3600 + now.minute * 60 + now.second + now.microsecond / 1e6
    return start <= second < end if start <= end else not end <= second < start


def bedtime(awake: tuple[float, float]) -> tuple[float, float]:
    """When those who are out go home to sleep, local seconds of the day."""
    return (awake[1] - BEDTIME) % 86400.0, (awake[1] + BEDTIME) % 86400.0


def hours_to_change(habit: Habit, now: datetime) -> tuple[int, ...]:
    """How many hours on, within a day, the factors first differ from those of this hour: one number or none."""
    here = hour_of_week(now)
    for hours in range(1, 25):
        there = (here + hours) % WEEK
        if (habit.out[there], habit.back[there]) != (habit.out[here], habit.back[here]):
            return (hours,)
    return ()


def power_of_two(factor: float) -> float:
    """The nearest power of two, none beyond `WIDEST`."""
    most = round(math.log2(WIDEST))
    return float(2.0 ** max(-most, min(most, round(math.log2(factor)))))


def to_mapping(habit: Habit) -> dict[str, Any]:
    """A habit as JSON values: clock times, and a line of 24 factors for each day on which one is not 1."""
    mapping: dict[str, Any] = {} if habit.awake is None else {"awake": [clock(seconds) for seconds in habit.awake]}
    for name in ("out", "back"):
        factors = getattr(habit, name)
        rows = {day: list(factors[24 * k : 24 * k + 24]) for k, day in enumerate(DAYS)}
        mapping[name] = {
            day: " ".join(f"{factor:.4g}" for factor in row)
            for day, row in rows.items()
            if any(factor != 1.0 for factor in row)
        }
    return mapping


def from_mapping(name: str, content: Any) -> Habit:
    """A habit from JSON values.

    Raises:
        SettingError: if it is none; `name` says whose.
    """
    if not isinstance(content, Mapping) or not set(content) <= {"awake", "out", "back"}:
        raise SettingError(f"habits: {name}: {content!r} is not a mapping of awake, out and back")
    awake = content.get("awake")
    if awake is not None:
        if not isinstance(awake, list) or len(awake) != 2:
            raise SettingError(f"habits: {name}: {awake!r} is not two clock times")
        awake = tuple(seconds_of(f"habits: {name}: awake", text) for text in awake)
    return Habit(awake, *(_week(f"{name}: {key}", content.get(key, {})) for key in ("out", "back")))


def clock(seconds: float) -> str:
    """`07:30` for 27,000 s after midnight."""
    return f"{int(seconds // 3600):02d}:{int(seconds % 3600 // 60):02d}"


def seconds_of(what: str, text: Any) -> float:
    """Seconds after midnight of a clock time `07:30`.

    Raises:
        SettingError: if it is none.
    """
    hours, _, minutes = text.partition(":") if isinstance(text, str) else ("", "", "")
    if not (hours.isdecimal() and minutes.isdecimal() and int(hours) < 24 and int(minutes) < 60):
        raise SettingError(f"{what}: {text!r} is not a clock time such as 07:30")
    return 3600.0 * int(hours) + 60.0 * int(minutes)


def _week(name: str, rows: Any) -> tuple[float, ...]:
    if not isinstance(rows, Mapping) or not set(rows) <= set(DAYS):
        raise SettingError(f"habits: {name}: {rows!r} is not a mapping from {', '.join(DAYS)} to 24 factors each")
    return tuple(factor for day in DAYS for factor in _day(f"{name}: {day}", rows.get(day, "1 " * 24)))


def _day(name: str, line: Any) -> list[float]:
    try:
        factors = [float(part) for part in line.split()]
    except (AttributeError, ValueError):
        factors = []
    if len(factors) != 24:
        raise SettingError(f"habits: {name}: {line!r} is not a line of 24 factors, one for each hour")
    _check_factors(name, factors)
    return factors


def _check_factors(name: str, factors: Iterable[object]) -> None:
    for factor in factors:
        if not (_is_number(factor) and 1.0 / WIDEST <= factor <= WIDEST):
            raise SettingError(f"habits: {name}: {factor!r} is not a number from 1/{WIDEST:g} to {WIDEST:g}")


def _is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
