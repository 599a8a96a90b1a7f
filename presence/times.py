"""Instants and spans of time: as numbers, in files, and in words."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta


def utc(seconds: float) -> datetime:
    """Epoch seconds as a UTC time."""
    return datetime.fromtimestamp(seconds, UTC)


def at_clock(now: datetime, days: int, clock: float) -> float:
    """Epoch seconds of a local clock time (seconds after midnight), some days from now."""
    midnight = datetime(now.year, now.month, now.day) + timedelta(days=days)
    local = (midnight + timedelta(seconds=clock)).replace(tzinfo=now.tzinfo)
    return local.astimezone(UTC).timestamp()


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
