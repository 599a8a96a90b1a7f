"""Sensors that report by themselves, day and night.

A belief follows a chattering sensor: it soon takes somebody to be there. What gives the sensor away is that it goes on
without anybody's coming or going: reports that no neighbour prompted fill a bucket that drains at a few times their
usual rate, and the levels that it reached before say how high is ordinary. What counts of a sensor that looks into a
room is how much of the time it goes on, not how often it speaks: somebody who is busy there for an hour makes it speak
more than any chatterer. Seats, contacts and appliances speak when they are touched, and each report counts. Switches,
which say one thing only, are not judged here (`unprompted.chatter_rate`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from presence.errors import counted
from presence.floorplan import ON_VALUES, TWO_STATES, Floorplan
from presence.health.findings import NAMED, Finding, Watch
from presence.health.odds import ChangeOdds, probability
from presence.health.step import Step, neighbours
from presence.times import duration, utc

Array = NDArray[np.float64]

PROMPTED_WITHIN = 120.0
"""Seconds after a neighbour's report in which a sensor's own counts as prompted. Common practice, no source."""
PROMPTED_WEIGHT = 0.2
"""What a prompted report counts, relative to an unprompted one. Common practice, no source."""
APART = 180.0
"""Seconds after a report of a sensor that looks into a room until another counts whole: one that comes sooner adds only
the time since. Common practice, no source."""
DRAIN = 3.0
"""How fast the bucket drains, relative to the usual rate of filling at this hour of the day."""
LEAST_DRAIN = 0.5 / 3600.0
"""1/s: and at least so fast."""
PATIENCE = 14.0
"""Days over which the usual rates are learned. Common practice, no source."""
FIRST_DAYS = 3 * 86400.0
"""Seconds at the beginning in which nobody is named: what is usual is not known yet."""
RECENT = 6 * 3600.0
"""Seconds over which the rate of a chattering sensor is taken."""
ORDINARY, SUPPOSED = 4.0, 12.0
"""Reports in the bucket that are ordinary, and how many excursions beyond the expectation is worth."""
BEYOND = {"motion": 5.0, "occupancy": 5.0, "camera": 5.0}
"""How far an excursion is expected to go beyond the ordinary, by the kind of a sensor that looks into a room; 3 for the
others. Common practice, no source."""
FULL = 1.25
"""The bucket of a sensor that has been named holds this many times what it held then, so that it empties again."""


class ChatterWatch(Watch):
    """Watches for sensors that report much more than ever without anybody's coming or going.

    Args:
        plan: the home.
        seconds: when watching begins.
    """

    def __init__(self, plan: Floorplan, seconds: float) -> None:
        super().__init__(plan)
        count = len(self.sensors)
        beyond = np.array([BEYOND.get(kind, 3.0) for kind in self.kinds])
        self._odds = ChangeOdds(count, seconds, ORDINARY, beyond, SUPPOSED)
        self._neighbours = neighbours(plan)
        self._speaking = [kind in TWO_STATES for kind in self.kinds]
        self._latest: Array = np.full(count, -math.inf)
        self._filled: Array = np.full((24, count), 0.5)
        self._watched: Array = np.full(24, 3600.0)
        self._hour = int(seconds // 3600)
        self._drain: Array = self._drain_of(self._hour)
        self._recent: Array = np.zeros(count)
        self._since: Array = np.full(count, seconds)
        self._peak: Array = np.zeros(count)
        self._limit: Array = np.full(count, math.inf)
        self._began = self._seconds = seconds

    def take(self, step: Step) -> list[Finding]:
        """Take in one step; findings that are over because a bucket has emptied."""
        over = self._pass_time(step.seconds)
        n = self.index[step.sensor] if step.sensor is not None else -1
        if n < 0 or not self._speaking[n] or step.value not in ON_VALUES:
            return over
        near = self._latest[self._neighbours[n]]
        prompted = near.size > 0 and step.seconds - float(near.max()) < PROMPTED_WITHIN
        weight = PROMPTED_WEIGHT if prompted else 1.0
        if self.kinds[n] in BEYOND:
            weight *= min(1.0, (step.seconds - self._latest[n]) / APART)
        self._latest[n] = step.seconds
        if self._odds.reach[n] <= 0.0:
            self._since[n] = step.seconds
        self._odds.reach[n] = min(self._odds.reach[n] + weight, self._limit[n])
        self._peak[n] = max(self._peak[n], self._odds.reach[n])
        self._recent[n] += 1.0 / RECENT
        if self.sensors[n] not in self.named:
            self._filled[self._hour % 24, n] += weight
        return over

    def _pass_time(self, seconds: float) -> list[Finding]:
        dt = seconds - self._seconds
        if dt <= 0:
            return []
        self._seconds = seconds
        self._watched[self._hour % 24] += dt
        reach = self._odds.reach
        filled = reach > 0.0
        reach -= self._drain * dt
        self._recent *= math.exp(-dt / RECENT)
        if int(seconds // 3600) != self._hour:
            self._begin_hour(int(seconds // 3600))
        over = []
        for n in (filled & (reach <= 0.0)).nonzero()[0].tolist():
            self._odds.end(n, float(self._peak[n]))
            self._peak[n], self._limit[n] = 0.0, math.inf
            finding = self.named.pop(self.sensors[n], None)
            over += [] if finding is None else [finding]
        np.maximum(reach, 0.0, out=reach)
        return over

    def _begin_hour(self, hour: int) -> None:
        self._hour = hour
        self._filled[hour % 24] *= math.exp(-1.0 / PATIENCE)
        self._watched[hour % 24] *= math.exp(-1.0 / PATIENCE)
        self._drain = self._drain_of(hour)

    def _drain_of(self, hour: int) -> Array:
        """How fast each bucket drains at this hour: by what is usual in it and the hours beside it. Shape (N,), 1/s."""
        hours = [(hour + beside) % 24 for beside in (-1, 0, 1)]
        usual = self._filled[hours].sum(axis=0) / self._watched[hours].sum()
        drain: Array = np.maximum(DRAIN * usual, LEAST_DRAIN)
        return drain

    def weigh(self, seconds: float) -> None:
        """Name who has reported by itself for too long."""
        self._odds.weigh(seconds)
        if seconds < self._began + FIRST_DAYS:
            return
        for n in np.flatnonzero(self._odds.log_odds > NAMED):
            if self.sensors[n] not in self.named:
                self._limit[n] = FULL * self._odds.reach[n]
                self.named[self.sensors[n]] = self._finding(int(n), seconds)

    @property
    def suspects(self) -> list[int]:
        """Sensors, not named yet, that report by themselves more than ever: others' silence may be their doing."""
        above = self._odds.reach > np.maximum(self._odds.tails.longest, 2.0 * ORDINARY)
        return [int(n) for n in np.flatnonzero(above & np.isinf(self._limit))]

    def beside(self, sensors: list[int]) -> list[int]:
        """Neighbours of some sensors."""
        return sorted({int(m) for n in sensors for m in self._neighbours[n]})

    def rates(self) -> Mapping[str, float]:
        """1/s: how often each sensor that has been named reports by itself, as far as is known."""
        return {sensor: max(float(self._recent[self.index[sensor]]), LEAST_DRAIN) for sensor in self.named}

    def _finding(self, n: int, seconds: float) -> Finding:
        reach, lasted = float(self._odds.reach[n]), float(seconds - self._since[n])
        usual = self._odds.tails.longest[n]
        evidence = (
            f"It turned on about {counted(3600.0 * self._recent[n], 'time')} an hour, mostly while nothing stirred"
            f" next to it: {counted(reach, 'report')} more in {duration(lasted)} than it usually makes by"
            f" itself; before, the most was {round(float(usual))}."
        )
        since = utc(float(self._since[n]))
        return Finding(self.sensors[n], "chattering", probability(float(self._odds.log_odds[n])), since, evidence)
