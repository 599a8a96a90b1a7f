"""Batteries that fade: a sensor that loses reports says the same thing twice.

A sensor that tells two things apart, on and off, says them in turn. Where one report is lost, the next repeats the last
but one. Each report is thus a trial, and the odds that the share of repeats has risen for good follow

    odds <- (odds + h dt) likelihood ratio      (Shiryaev 1963, Theory Probab. Appl. 8:22),

with the share before from the sensor's own record (some repeat themselves all the time: they cannot be judged so).
"""

from __future__ import annotations

import math

from presence.errors import counted
from presence.floorplan import TWO_STATES, Floorplan
from presence.health.findings import NAMED, Finding, Watch
from presence.health.odds import FAILURE_RATE, probability
from presence.health.step import Step
from presence.times import utc

REPEATS = (0.6, 100.0)
"""Repeats, and reports, that are taken as seen before any has been. Common practice, no source."""
FADED = 0.12
"""Share of repeats that means a fading battery: about one report in seven is lost. Common practice, no source."""
LEAST_SHARE = 0.004
"""Share of repeats below which nobody is trusted to be: messages get lost in bursts. Common practice, no source."""
TOO_MANY = 0.05
"""A sensor that repeats itself more often than this by nature cannot be judged."""
LEAST_GAIN = -4.0
"""Log odds that one report in turn can at most take away from what has been gathered, so that a bad day shows."""
MEMORY = 2000.0
"""Reports over which the usual share is learned."""


class WearWatch(Watch):
    """Watches for sensors that lose more and more of their reports.

    Args:
        plan: the home.
        seconds: when watching begins.
    """

    def __init__(self, plan: Floorplan, seconds: float) -> None:
        super().__init__(plan)
        self._turns = {s.id for s in plan.sensors.values() if s.kind in TWO_STATES}
        self._value: dict[str, str] = {}
        self._record: dict[str, tuple[float, float]] = dict.fromkeys(self._turns, REPEATS)
        self._log_odds: dict[str, float] = dict.fromkeys(self._turns, -math.inf)
        self._heard: dict[str, float] = dict.fromkeys(self._turns, seconds)
        self._run: dict[str, tuple[float, int, int]] = {}

    def take(self, step: Step) -> list[Finding]:
        """Take in one step; findings that are over because the sensor speaks in turn again."""
        sensor = step.sensor
        if sensor is None or sensor not in self._turns:
            return []
        if step.value in ("offline", "online"):
            self._value.pop(sensor, None)
            return []
        repeated = self._value.get(sensor) == step.value
        self._value[sensor] = step.value
        return self._report(sensor, step.seconds, repeated)

    def _report(self, sensor: str, seconds: float, repeated: bool) -> list[Finding]:
        repeats, reports = self._record[sensor]
        usual = max(LEAST_SHARE, repeats / reports)
        before = self._log_odds[sensor]
        prior = math.log(FAILURE_RATE * max(seconds - self._heard[sensor], 1.0))
        self._heard[sensor] = seconds
        ratio = math.log(FADED / usual) if repeated else math.log((1 - FADED) / (1 - usual))
        now = _log_add(before, prior) + ratio if usual < TOO_MANY else -math.inf
        self._log_odds[sensor] = now
        if now < LEAST_GAIN or sensor not in self._run:
            self._run[sensor] = (seconds, 0, 0)
        began, count, twice = self._run[sensor]
        self._run[sensor] = (began, count + 1, twice + repeated)
        if sensor not in self.named and now < 0.0:  # what is suspect is not learned as usual
            keep = 1.0 - 1.0 / MEMORY if reports > MEMORY else 1.0
            self._record[sensor] = (keep * repeats + repeated, keep * reports + 1.0)
        if now > NAMED and sensor not in self.named:
            self.named[sensor] = self._finding(sensor, usual)
        self._log_odds[sensor] = min(now, 2.0 * NAMED)
        return [self.named.pop(sensor)] if now < 0.0 and sensor in self.named else []

    def _finding(self, sensor: str, usual: float) -> Finding:
        began, count, twice = self._run[sensor]
        evidence = (
            f"{counted(twice, 'time')} in its last {counted(count, 'report')} it said the same thing twice over, so"
            f" that the report between was lost; usually that happens once in {max(1, round(1.0 / usual))} reports."
        )
        return Finding(sensor, "fading", probability(self._log_odds[sensor]), utc(began), evidence)


def _log_add(a: float, b: float) -> float:
    largest = max(a, b)
    return largest + math.log(math.exp(a - largest) + math.exp(b - largest))
