"""One thing that a sensor said."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that a sensor said, at one instant; equal instants are equal whatever their offsets."""

    time: datetime
    """With an offset from UTC (the tracker refuses others)."""
    sensor: str
    value: str
    by: str | None = None
    """How a lock was worked: `inside` or `keypad`."""
    code: str | None = None
    """Which keypad code was used."""

    @property
    def seconds(self) -> float:
        """Seconds since 1970-01-01T00:00Z."""
        return self.time.timestamp()
