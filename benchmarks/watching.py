"""Watching over a log with or without a tracker, and what counts as a day of activity of a sensor."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from benchmarks import faults
from presence.events import Event
from presence.floorplan import Floorplan
from presence.health import Finding
from presence.health.monitor import Watches
from presence.health.silence import SilenceWatch
from presence.health.step import Step
from presence.tracker import Tracker

Array = NDArray[np.float64]

EVERY = 60.0
"""Seconds between two instants of the grid."""
WEIGHED = 300.0
"""The same for watches without a tracker."""
APART = 600.0
"""Reports of a sensor further apart than this, seconds, are two visits."""
BUSY_DAY = 0.9
"""A busy day is one that has more visits than this share of the days before."""


def follow(tracker: Tracker, events: Iterable[Event], until: float) -> Iterator[datetime]:
    """Feed a tracker up to an instant (epoch seconds), telling every minute of the log's time."""
    step = np.nan
    for event in events:
        if event.seconds >= until:
            break
        if np.isnan(step):
            begun = tracker.time
            step = np.floor((event.seconds if begun is None else begun.timestamp()) / EVERY) + 1.0
        while step * EVERY < event.seconds:
            now = datetime.fromtimestamp(step * EVERY, UTC)
            tracker.advance(now)
            yield now
            step += 1.0
        tracker.observe(event)


def begin(plan: Floorplan, log: list[Event], *, log_only: bool, hypotheses: int) -> Tracker | Watches:
    """Somebody to watch over a home from the beginning of a log."""
    return Watches(plan, log[0].seconds) if log_only else Tracker(plan, hypotheses=hypotheses)


def named_by(watcher: Tracker | Watches) -> tuple[Finding, ...]:
    """What is named now."""
    return watcher.health.findings if isinstance(watcher, Tracker) else tuple(watcher.findings().values())


def silence_of(watcher: Tracker | Watches) -> SilenceWatch | None:
    """Who watches for silent sensors; None before the first event."""
    watches = watcher.health.watches if isinstance(watcher, Tracker) else watcher
    return None if watches is None else watches.silence


def watch(
    watcher: Tracker | Watches, events: Iterable[Event], until: float
) -> Iterator[tuple[datetime, tuple[Finding, ...]]]:
    """What is named at each instant of the grid; without a tracker nothing is expected, and the log tells alone."""
    if isinstance(watcher, Tracker):
        for now in follow(watcher, events, until):
            yield now, named_by(watcher)
        return
    nothing, next_look = np.zeros(len(watcher.silence.sensors)), np.nan
    for event in events:
        if event.seconds >= until:
            break
        if np.isnan(next_look):
            next_look = (np.floor(event.seconds / WEIGHED) + 1.0) * WEIGHED
        while next_look < event.seconds:
            watcher.take(Step(next_look, nothing, nothing))
            yield datetime.fromtimestamp(next_look, UTC), named_by(watcher)
            next_look += WEIGHED
        watcher.take(Step(event.seconds, nothing, nothing, event.sensor, event.value))


def visits(log: list[Event], sensor: str) -> Array:
    """Epoch seconds at which visits begin that a healthy sensor reports; shape (V,)."""
    times = np.array([event.seconds for event in faults.reports(log, sensor)])
    return times[np.diff(times, prepend=-np.inf) > APART]


def busy_day(times: Array, at: datetime, days: int) -> float:
    """Visits of a busy day: exceeded on one of ten of the days before an instant; at least one."""
    edges = [(at - timedelta(days=k)).timestamp() for k in range(days, -1, -1)]
    return max(1.0, float(np.quantile(np.histogram(times, edges)[0], BUSY_DAY)))


def missed(times: Array, since: datetime, until: datetime) -> int:
    """Visits between two instants."""
    return int(((times >= since.timestamp()) & (times < until.timestamp())).sum())
