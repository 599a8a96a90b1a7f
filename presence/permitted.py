"""What a setting may be: numbers above zero, factors by place, habits by person."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Mapping
from dataclasses import is_dataclass
from numbers import Integral, Real
from typing import Any

from presence.errors import SettingError, shown
from presence.habits import Habit

FACTORED = {
    "pausing_rate": "room",
    "starting_rate": "room",
    "settling_rate": "room",
    "rising_rate": "room",
    "zone_pausing_rate": "room",
    "zone_starting_rate": "room",
    "zone_settling_rate": "room",
    "zone_rising_rate": "room",
    "motion_rates": "sensor",
    "zone_motion_rates": "sensor",
    "door_rate": "door",
    "outer_door_rate": "door",
    "outdoor_rate": "door",
}
"""The settings that may carry a factor in one place, and what kind of place that is."""


def check_number(name: str, number: object, *, zero: bool = False) -> None:
    """Refuse what is no finite number above zero, or of at least zero.

    Raises:
        SettingError: says which setting, and what it is; also of a fraction of what comes in whole numbers.
    """
    if (
        isinstance(number, bool)
        or not isinstance(number, (int, float))
        or not (0 < number <= sys.float_info.max or (zero and number == 0))
    ):
        raise SettingError(f"{name}: {number!r} is not a finite number {'of at least' if zero else 'above'} zero")
    if name in WHOLE and number % 1:
        raise SettingError(f"{name}: {number!r} is not a whole number")


def check_seconds(name: str, seconds: float, least: float) -> None:
    """Refuse what is no finite number of seconds, or of fewer than so many.

    Raises:
        SettingError: says which, and what it is.
    """
    if not (math.isfinite(seconds) and seconds >= least):
        raise SettingError(f"{name}: {seconds!r} is not a number of seconds of at least {least:g}")


def check_setting(name: str, value: object, usual: object) -> None:
    """Refuse what a setting cannot be, whose default is `usual`.

    Raises:
        SettingError: if it is not as many numbers as that, or a share of 1 or more; see `check_number`.
    """
    if name in WITH_NAMES:
        WITH_NAMES[name](value)
        return
    several = isinstance(usual, tuple)
    numbers: tuple[Any, ...] = value if isinstance(value, tuple) else (value,)
    if isinstance(value, tuple) != several or (isinstance(usual, tuple) and len(numbers) != len(usual)):
        raise SettingError(f"{name}: {value!r} is not {'four numbers' if several else 'one number'}")
    for number in numbers:
        check_number(name, number, zero=name in MAY_BE_ZERO)
        if name.endswith(SHARES) and not number < 1:
            raise SettingError(f"{name}: {value!r} must be below 1")


def _check_factors(factors: Mapping[str, Mapping[str, float]]) -> None:
    _check_places("factors", "settings", factors, FACTORED)


def _check_own_places(own: Mapping[str, Mapping[str, float]]) -> None:
    _check_places("own_places", "people", own)


def _check_places(setting: str, of: str, parts: object, known: Mapping[str, str] | None = None) -> None:
    """Factors by place of each of some things, which are these if they are known here."""
    if not isinstance(parts, Mapping) or not all(isinstance(places, Mapping) for places in parts.values()):
        raise SettingError(f"{setting}: {parts!r} is not a mapping from {of} to places to factors")
    for name, places in parts.items():
        if known is not None and name not in known:
            raise SettingError(f"{setting}: {name!r} cannot differ by place; these can: {', '.join(known)}")
        for where, factor in places.items():
            check_number(f"{setting}: {name}: {where}", factor)


def _check_habits(habits: Mapping[str, Habit]) -> None:
    if not isinstance(habits, Mapping) or not all(isinstance(habit, Habit) for habit in habits.values()):
        raise SettingError(f"habits: {habits!r} is not a mapping from people to habits")


MAY_BE_ZERO = (
    *("object_chatter", "door_bounce_share", "door_repeats", "door_company_share", "door_pulled_shut_share"),
    *("put_back_events", "door_step_delay", "seat_flutter"),
)
"""The settings that only add to something else that is above zero."""
SHARES = ("_share", "_miss", "_error", "_slip", "_alone", "_lost")
"""How the names of probabilities end."""
WHOLE = ("put_back_events",)
"""The settings that count something."""
WITH_NAMES: Mapping[str, Callable[[Any], None]] = {
    "factors": _check_factors,
    "own_places": _check_own_places,
    "habits": _check_habits,
}
"""The settings that are no numbers, and their checks."""


def check_options(settings: object, hypotheses: object, window: object) -> None:
    """Refuse settings, a number of hypotheses, or a reordering window, that make no sense.

    Raises:
        SettingError: if `settings` are none (nor None), `hypotheses` is no positive whole number (nor None), or
            `window` no number of seconds.
    """
    if settings is not None and (isinstance(settings, type) or not is_dataclass(settings)):
        raise SettingError(f"{shown(settings)} are no settings; Settings.from_mapping() makes them of a mapping")
    number = not isinstance(hypotheses, bool) and isinstance(hypotheses, Integral) and int(hypotheses) >= 1
    whole = hypotheses is None or number
    if not whole or not isinstance(window, Real) or not 0 <= float(window) < math.inf:
        raise SettingError(
            f"hypotheses={hypotheses!r}, reordering_window={window!r}: a whole number of at least 1 (or None) and a"
            " finite number of seconds from 0 on would be right"
        )
