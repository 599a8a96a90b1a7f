"""Instants and spans of time: as numbers, in files, and in words."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta


def utc(seconds: float) -> datetime:
    """Epoch seconds as a UTC time."""
    return datetime.fromtimestamp(seconds, UTC)


def at_clock(now: datetime, days: int, clock: float) -> float:
    """Epoch seconds of a local clock time (seconds after midnight), some days from now.

    Of an hour that comes twice, the first is meant, or the second if that has begun.
    """
    midnight = datetime(now.year, now.month, now.day) + timedelta(days=days)
    local = (midnight + timedelta(seconds=clock)).replace(tzinfo=now.tzinfo, fold=now.fold)
    return local.astimezone(UTC).timestamp()


def a_day_on(now: datetime) -> float:
    """Epoch seconds of a local time a day on, or of when clocks are changed before that, to the second."""
    usual = now.timestamp() + 86400.0
    if datetime.fromtimestamp(usual, now.tzinfo).utcoffset() == now.utcoffset():
        return usual
    early, late = math.floor(now.timestamp()), math.ceil(usual)
    while late - early > 1:
        middle = (early + late) // 2
        if datetime.fromtimestamp(middle, now.tzinfo).utcoffset() == now.utcoffset():
            early = middle
        else:
            late = middle
    return float(late)


def rfc3339(time: datetime) -> str:
    """An aware time in UTC, to the second, millisecond or microsecond, whichever is exact."""
    precision = "microseconds" if time.microsecond % 1000 else "milliseconds" if time.microsecond else "seconds"
    return time.astimezone(UTC).isoformat(timespec=precision)


def apart(seconds: float) -> str:
    """How far two instants lie apart: to the millisecond where that is little, `2.250 s`, else as `duration`."""
    return f"{seconds:.3f} s" if seconds < 90 else duration(seconds)


def duration(seconds: float) -> str:
    """A span of time in words, as exact as people tell it: `8 s`, `12 min`, `1 h 5 min`, `3 days`."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 90:
        return f"{minutes} min"
    hours, rest = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {rest} min" if rest else f"{hours} h"
    return f"{round(seconds / 86400)} days"
