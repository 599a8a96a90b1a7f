"""What is wrong with which sensor, since when, and why it is thought so."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, tzinfo

from presence.floorplan import Floorplan
from presence.times import utc

NAMED = 6.0
"""Log odds from which on a sensor is named: healthy sensors of simulated homes came up to about 4 in a month."""

MEANING = {
    "dead": "says nothing any more",
    "stuck": "does not turn off any more",
    "chattering": "reports by itself",
    "fading": "loses more and more reports",
    "inverted": "says open for closed and closed for open",
    "misplaced": "hangs where another sensor is said to be",
    "clock": "has a wrong clock",
}
"""The kinds of finding."""


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that is probably wrong with a sensor."""

    sensor: str
    kind: str
    """A key of `MEANING`."""
    probability: float
    since: datetime
    """Since when it has probably been so."""
    evidence: str
    """Why it is thought so, in plain words."""
    until: datetime | None = None
    """When the sensor came back; None while it has not."""

    @property
    def meaning(self) -> str:
        """What its kind means, in plain words."""
        return MEANING[self.kind]


class Watch:
    """What all watches begin with: the sensors in the plan's order, their kinds, and nobody named.

    Args:
        plan: the home.
    """

    def __init__(self, plan: Floorplan) -> None:
        self.sensors = list(plan.sensors)
        self.index = {sensor: n for n, sensor in enumerate(self.sensors)}
        self.kinds = [s.kind for s in plan.sensors.values()]
        self.named: dict[str, Finding] = {}


def ranked(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Likeliest first."""
    return tuple(sorted(findings, key=lambda f: (-f.probability, f.since, f.sensor)))


def local(seconds: float, zone: tzinfo) -> str:
    """A time as people at home read it: `Tue 3 Mar, 14:05`."""
    time = utc(seconds).astimezone(zone)
    return f"{time:%a} {time.day} {time:%b}, {time:%H:%M}"
