"""Sensors fall ill: healthy logs, changed as a sick sensor would have written them. Invented, for measuring only."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
from numpy.random import Generator

from presence.events import Event

ON = {"detected": "clear", "occupied": "vacant", "person": "clear", "pressed": "released", "open": "closed"}
"""What turns a lasting sensor on, and what turns it off again."""
Log = list[Event]


def die(log: Log, sensor: str, at: datetime) -> Log:
    """Nothing more is heard of it."""
    return [e for e in log if e.sensor != sensor or e.time < at]


def stick(log: Log, sensor: str, at: datetime) -> Log:
    """It turns on once more and never off."""
    last = next((e.time for e in log if e.sensor == sensor and e.time >= at and e.value in ON), at)
    return [e for e in log if e.sensor != sensor or e.time <= last]


def chatter(log: Log, sensor: str, at: datetime, rng: Generator, per_hour: float = 20.0) -> Log:
    """It turns on and off by itself, day and night, between its true reports."""
    on, off = next((on, off) for on, off in ON.items() if any(e.sensor == sensor and e.value == on for e in log))
    own = [e for e in log if e.sensor == sensor]
    hours = (log[-1].time - at).total_seconds() / 3600.0
    made = []
    for hour in np.sort(rng.uniform(0, hours, rng.poisson(per_hour * hours))):
        begin = at + timedelta(hours=float(hour))
        end = begin + timedelta(seconds=float(rng.uniform(5, 40)))
        made += [Event(begin, sensor, on), Event(end, sensor, off)]
    state, merged = off, []
    for event in sorted([*own, *made], key=lambda e: e.time):
        if event.value != state:  # it reports changes only
            merged.append(event)
            state = event.value
    return _in_order([*(e for e in log if e.sensor != sensor), *merged])


def fade(log: Log, sensor: str, at: datetime, days: float, rng: Generator) -> Log:
    """More and more of its reports are lost, until after some days none comes through."""
    kept = []
    for event in log:
        gone = (event.time - at).total_seconds() / (86400.0 * days)
        if event.sensor != sensor or rng.random() >= gone:
            kept.append(event)
    return kept


def swap(log: Log, sensor: str, other: str) -> Log:
    """Two sensors hang in each other's place."""
    names = {sensor: other, other: sensor}
    return [replace(e, sensor=names.get(e.sensor, e.sensor)) for e in log]


def shift_clock(log: Log, sensor: str, seconds: float) -> Log:
    """Its clock is ahead (positive) or behind; the log is sorted by the clocks."""
    late = timedelta(seconds=seconds)
    return _in_order([replace(e, time=e.time + late) if e.sensor == sensor else e for e in log])


def invert(log: Log, sensor: str) -> Log:
    """It says open for closed and closed for open."""
    other = {"open": "closed", "closed": "open"}
    return [replace(e, value=other.get(e.value, e.value)) if e.sensor == sensor else e for e in log]


def _in_order(log: Log) -> Log:
    return sorted(log, key=lambda e: e.time)


def midnight(log: Log, days: float) -> datetime:
    """Some days after the midnight before the log begins."""
    first = log[0].time
    return first.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=days)


def reports(log: Log, sensor: str) -> Iterator[Event]:
    """What one sensor reports."""
    return (e for e in log if e.sensor == sensor)
