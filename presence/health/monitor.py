"""Watches over the sensors of one home, live and over logs.

    steps of the tracker -> chances of each sensor -> watches (silence, chatter, ...) -> findings, and whom to doubt

A step counts once no late event can undo it any more; odds are brought up to date once a minute of the log's time.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from presence.events import Event
from presence.health.chances import ChanceMeter
from presence.health.chatter import ChatterWatch
from presence.health.findings import Finding, ranked
from presence.health.silence import SilenceWatch
from presence.health.step import Step
from presence.model import Model
from presence.passages import utc
from presence.snapshot import Snapshot

EVERY = 60.0
"""Seconds between two weighings."""
REMEMBERED = 200
"""How many findings that are over are kept."""


class Monitor:
    """Finds sick sensors from what the tracker expected and what came.

    Args:
        model: the tracker's model of the home.
    """

    def __init__(self, model: Model) -> None:
        self.plan = model.plan
        self._meter = ChanceMeter(model)
        self._waiting: deque[Step] = deque()
        self._silence: SilenceWatch | None = None
        self._chatter: ChatterWatch | None = None
        self._weighed = -np.inf
        self._over: deque[Finding] = deque(maxlen=REMEMBERED)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What is probably wrong now, likeliest first."""
        if self._silence is None or self._chatter is None:
            return ()
        silent = self._silence.named
        return ranked([*silent.values(), *(f for s, f in self._chatter.named.items() if s not in silent)])

    @property
    def over(self) -> tuple[Finding, ...]:
        """Recent findings that are over, latest last."""
        return tuple(self._over)

    @property
    def silent(self) -> frozenset[str]:
        """Sensors whose silence is no evidence now."""
        if self._silence is None or not self._silence.named:
            return frozenset()
        return frozenset(self._silence.named) - {step.sensor for step in self._waiting if step.sensor}

    @property
    def noise(self) -> Mapping[str, float]:
        """1/s: how often sensors report by themselves that are known to do so."""
        return {} if self._chatter is None or not self._chatter.named else self._chatter.rates()

    # --- what the tracker tells -------------------------------------------------------------------------------------
    def note(self, before: Snapshot, quiet: Snapshot, after: Snapshot, event: Event | None = None) -> None:
        """One step: silence from `before` to `quiet`, then an event that led to `after`."""
        sensor, value = (None, "") if event is None else (event.sensor, event.value)
        chances = self._meter.measure(before, quiet, after, sensor)
        self._waiting.append(Step(quiet.seconds, chances.expected, chances.passed, sensor, value))

    def go_back(self, seconds: float) -> None:
        """A late event is about to be put in its place: forget the steps after it."""
        while self._waiting and self._waiting[-1].seconds > seconds:
            self._waiting.pop()

    def settle(self, horizon: float) -> None:
        """Take in the steps before an instant that nothing can change any more."""
        while self._waiting and self._waiting[0].seconds < horizon:
            self._take(self._waiting.popleft())

    # --- inside -----------------------------------------------------------------------------------------------------
    def _take(self, step: Step) -> None:
        if self._silence is None or self._chatter is None:
            self._silence = SilenceWatch(self.plan, step.seconds)
            self._chatter = ChatterWatch(self.plan, step.seconds)
            self._weighed = step.seconds
        if step.seconds >= self._weighed + EVERY:
            self._weigh(self._silence, self._chatter, step.seconds)
            self._weighed = step.seconds
        over = [self._silence.take(step), *self._chatter.take(step)]
        self._over.extend(replace(finding, until=utc(step.seconds)) for finding in over if finding is not None)

    def _weigh(self, silence: SilenceWatch, chatter: ChatterWatch, seconds: float) -> None:
        """Bring all odds up to date. The silence of others may be a chatterer's doing, so that comes first."""
        known = len(chatter.named)
        chatter.weigh(seconds)
        if len(chatter.named) > known:
            silence.forgive()
        silence.weigh(seconds, naming=not chatter.suspected)
