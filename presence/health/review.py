"""The health of a home's sensors over a whole log."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import takewhile

from presence.events import Event
from presence.floorplan import Floorplan
from presence.health.exchanged import LATEST, exchanged_contacts
from presence.health.findings import Finding, ranked
from presence.settings import Settings
from presence.times import utc
from presence.tracker import Tracker

EVERY = 60.0
"""Seconds: silences are looked at no less often."""
OUT_OF_STEP = 25 * 3600.0
"""Seconds by which lines may be out of order: whose clock is off by hours is to be named, not left out of the log."""
LONGEST_HOLE = 86400.0
"""Seconds: while nothing at all is said for longer, the log has a hole, and nobody is blamed."""


@dataclass(frozen=True, slots=True)
class Review:
    """What a log says about the sensors that wrote it."""

    begin: datetime | None
    end: datetime | None
    events: int
    findings: tuple[Finding, ...]
    """What is probably wrong at the end, likeliest first."""
    over: tuple[Finding, ...]
    """What was probably wrong for a while, in order of the time at which it was over."""


def review(
    plan: Floorplan, events: Iterable[Event], *, settings: Settings | None = None, hypotheses: int = 8
) -> Review:
    """Track a whole log, watching over its sensors.

    Args:
        plan: the home.
        events: in order of time (see `presence.events.reorder`).
        settings: rates and probabilities of the model.
        hypotheses: the largest number of hypotheses kept.

    Raises:
        EventError: if an event is of an unknown sensor or value, or out of order by more than the tracker puts right.
    """
    tracker = Tracker(plan, settings, hypotheses=hypotheses)
    over: list[Finding] = []
    latest: deque[Event] = deque(maxlen=LATEST)
    begin: datetime | None = None
    count, step = 0, math.inf
    for event in events:
        begin = begin or event.time
        step = min(step, math.floor(event.seconds / EVERY) + 1.0)
        if event.seconds - step * EVERY > LONGEST_HOLE:
            step = math.floor(event.seconds / EVERY)
        while step * EVERY < event.seconds:
            tracker.advance(utc(step * EVERY))
            step += 1.0
        tracker.observe(event)
        latest.append(event)
        count += 1
        over += _after(over[-1] if over else None, tracker.health.over)
    exchanged = exchanged_contacts(plan, latest, settings, hypotheses)  # what else is wrong with one stands beside it
    found = ranked([*tracker.health.findings, *exchanged])
    return Review(begin, tracker.time, count, found, tuple(over))


def _after(latest: Finding | None, findings: Sequence[Finding]) -> list[Finding]:
    """Those that came after the latest that is known already; all where that is not among them any more."""
    new = list(takewhile(lambda finding: finding is not latest, reversed(findings)))
    return new[::-1]
