"""Contacts that are mounted or reported the wrong way round.

A door between indoors and outdoors stands shut for hours and open for moments. Each spell of one value is weighed under
both readings: lengths are log-normal with a median for open and one for shut, and with wide spreads, so that a warm
afternoon with the door open, or a gust, changes little. Doors inside a home stand open or shut as people like; their
contacts are not judged.
"""

from __future__ import annotations

import math

from presence.errors import counted
from presence.floorplan import Floorplan
from presence.health.findings import NAMED, Finding, Watch
from presence.health.odds import probability
from presence.health.step import Step
from presence.times import duration, utc

OPEN, SHUT = math.log(15.0), math.log(3600.0)
"""Log of the median seconds that an outer door stands open, and shut. Common practice, no source."""
SPREAD = 2.5
"""Standard deviation of the log. Common practice, no source."""
LARGEST = 2.0
"""One spell changes the log odds by no more than this."""
PRIOR = math.log(0.01 / 0.99)
"""One contact in a hundred is the wrong way round. Common practice, no source."""


class ContactWatch(Watch):
    """Watches for contacts of outer doors that say open for closed.

    Args:
        plan: the home.
    """

    def __init__(self, plan: Floorplan) -> None:
        super().__init__(plan)
        self._outer = {
            s.id
            for s in plan.sensors.values()
            if s.kind == "contact" and s.door and plan.outdoor_sides[s.door] is not None
        }
        self._spell: dict[str, tuple[str, float]] = {}
        self._log_odds: dict[str, float] = dict.fromkeys(self._outer, PRIOR)
        self._lengths: dict[str, dict[str, list[float]]] = {s: {"open": [], "closed": []} for s in self._outer}
        self._began: dict[str, float] = {}

    def take(self, step: Step) -> list[Finding]:
        """Take in one step; findings that are over because the contact reads right again."""
        sensor = step.sensor
        if sensor is None or sensor not in self._outer:
            return []
        value, since = self._spell.get(sensor, ("", step.seconds))
        self._began.setdefault(sensor, step.seconds)
        if step.value == value:  # a report between was lost
            return []
        self._spell[sensor] = (step.value, step.seconds)
        if value not in ("open", "closed") or step.value not in ("open", "closed"):
            return []
        return self._weigh(sensor, value, max(step.seconds - since, 0.1))

    def _weigh(self, sensor: str, value: str, length: float) -> list[Finding]:
        as_open, as_shut = (-(((math.log(length) - median) / SPREAD) ** 2) / 2 for median in (OPEN, SHUT))
        gain = as_shut - as_open if value == "open" else as_open - as_shut
        gain = max(-LARGEST, min(LARGEST, gain))
        log_odds = max(-2.0 * NAMED, min(2.0 * NAMED, self._log_odds[sensor] + gain))
        self._log_odds[sensor] = log_odds
        lengths = self._lengths[sensor][value]
        lengths.append(length)
        del lengths[:-20]
        if log_odds > NAMED and sensor not in self.named:
            self.named[sensor] = self._finding(sensor, log_odds)
        return [self.named.pop(sensor)] if log_odds < 0.0 and sensor in self.named else []

    def _finding(self, sensor: str, log_odds: float) -> Finding:
        open_, shut = (sorted(self._lengths[sensor][value]) for value in ("open", "closed"))
        evidence = (
            f"By its own word this outer door stands open for {_middle(open_)} and shut for {_middle(shut)} at a time"
            f" ({counted(len(open_) + len(shut), 'spell')} looked at): the wrong way round."
        )
        return Finding(sensor, "inverted", probability(log_odds), utc(self._began[sensor]), evidence)


def _middle(lengths: list[float]) -> str:
    return duration(lengths[len(lengths) // 2]) if lengths else "no time"
