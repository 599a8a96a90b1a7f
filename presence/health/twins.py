"""A second opinion on a silence: what would be believed had the sensor been known to be dead since its last word?

A belief explains silence as absence, so a dead sensor's expected reports fall asleep with it. A twin of the belief that
does not heed the sensor's silence stays awake. Both have heard the same reports of all others, so that their
likelihoods differ by the silence alone (chain rule):

    log p(others) - log p(others, silence) = -log p(silence | others)

in nats: how unusual the silence is for a healthy sensor by all that others said before it, during it and since. A rate
that is expected as time passes cannot know what was seen later.

A twin costs as much as the tracker. So only who is under suspicion has one, and only the most suspicious are kept up to
date; it begins at the sensor's last word and takes in what has been said since a piece at a time. The belief itself is
not touched.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from presence.events import Event
from presence.inference import Engine
from presence.snapshot import Snapshot

MOST = 2
"""Twins that are kept up to date at a time."""
PIECE, PIECE_IDLE = 1, 100
"""Events that a twin takes in at an event, and at a look at the sensors every five minutes: some ten milliseconds. No
source."""
KEPT, LARGEST = 3 * 86400.0, 6000
"""Seconds, and events, of the log that are kept for twins; one that has fallen behind further is given up."""
HOLE = 12 * 3600.0
"""Seconds without a word from anybody after which it may have been the hub, or a holiday: nobody is blamed, and twins
begin anew."""


class Heard(NamedTuple):
    """An event that all have heard, or a change in whom the belief doubts."""

    seconds: float
    event: Event | None
    log_likelihood: float
    """Of the belief itself after it, nats."""
    silent: frozenset[str]
    noise: Mapping[str, float]
    """Whose silence, and whose reports, the belief doubted."""


class Twin:
    """A belief that does not heed one sensor's silence, since that was last heard.

    Args:
        snapshot: what was known right after its last word.
        sensor: whose silence is not heeded.
        engine: the inference.
        position: number of the first event after that word.
    """

    def __init__(self, snapshot: Snapshot, sensor: str, engine: Engine, position: int) -> None:
        self.snapshot = engine.heed(snapshot, snapshot.silent | {sensor}, snapshot.noise)
        self.position = position
        self._sensor = sensor
        self.reach = 0.0
        """-log p(silence | others), nats, up to the latest event that it has taken in."""

    def take(self, heard: Heard, engine: Engine) -> None:
        """Take in the next event."""
        snapshot, _ = engine.advance(self.snapshot, heard.seconds)
        snapshot = engine.heed(snapshot, heard.silent | {self._sensor}, heard.noise)
        if heard.event is not None:
            snapshot, _ = engine.observe(snapshot, heard.event)
        self.snapshot = snapshot
        self.reach = self.snapshot.mixture.log_likelihood - heard.log_likelihood
        self.position += 1


class Twins:
    """The twins of one home's belief, and what they need to begin.

    Args:
        engine: the inference.
    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._log: deque[Heard] = deque()
        self._heard = math.inf
        """When an event was heard last, epoch seconds."""
        self._doubts: tuple[frozenset[str], Mapping[str, float]] = (frozenset(), {})
        """Whose silence, and whose reports, the belief doubted then."""
        self._gone = 0
        """Events that are no longer kept."""
        self._last: dict[str, tuple[int, Snapshot]] = {}
        """Of each sensor: number of the first event after its last word, and what was known right after that."""
        self._twins: dict[str, Twin] = {}

    def hear(self, event: Event | None, after: Snapshot) -> None:
        """An event has been taken in, or there was a look at the sensors, and that led to `after`."""
        doubts = after.silent, after.noise
        if event is None and doubts == self._doubts:
            return
        self._doubts = doubts
        if event is not None and after.seconds - self._heard > HOLE:
            self.forget()
        self._log.append(Heard(after.seconds, event, after.mixture.log_likelihood, *doubts))
        if event is not None:
            self._heard = after.seconds
            self._last[event.sensor] = (self._end, after)
            self._twins.pop(event.sensor, None)
        while len(self._log) > LARGEST or self._log[0].seconds < after.seconds - KEPT:
            gone = self._log.popleft().event
            self._gone += 1
            if gone is not None and self._last[gone.sensor][0] == self._gone:  # that was its last word
                del self._last[gone.sensor]

    @property
    def _end(self) -> int:
        return self._gone + len(self._log)

    def forget(self) -> None:
        """Begin anew."""
        self._gone = self._end
        self._log.clear()
        self._last.clear()
        self._twins.clear()

    def look(self, suspects: Sequence[str], *, idle: bool) -> Iterator[tuple[str, float]]:
        """Keep the twins of the first of some suspects up to date; (sensor, nats) for each that is.

        Args:
            suspects: the most suspicious first; twins of others are given up.
            idle: whether nothing happens just now.
        """
        self._twins = {sensor: twin for sensor, twin in self._twins.items() if sensor in suspects}
        served = 0
        for sensor in suspects:
            twin = self._twin(sensor)
            if twin is None:
                continue
            for _ in range(min(PIECE_IDLE if idle else PIECE, self._end - twin.position)):
                twin.take(self._log[twin.position - self._gone], self._engine)
            if twin.position == self._end:
                yield sensor, twin.reach
            served += 1
            if served == MOST:
                return

    def _twin(self, sensor: str) -> Twin | None:
        """The twin that a sensor has or can have."""
        if sensor not in self._twins and sensor in self._last:
            position, snapshot = self._last[sensor]
            self._twins[sensor] = Twin(snapshot, sensor, self._engine, position)
        twin = self._twins.get(sensor)
        if twin is not None and twin.position < self._gone:  # it has fallen behind
            del self._twins[sensor]
            return None
        return twin
