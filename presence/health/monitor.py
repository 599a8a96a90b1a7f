"""Watches over the sensors of one home, live and over logs.

    steps of the tracker -> chances of each sensor -> watches (silence, chatter, ...) -> findings, and whom to doubt

A step is the time up to an event or, while a sensor is suspected, up to a look at the sensors (`record.next_look`). It
counts once no late event can undo it any more; odds are brought up to date every five minutes of the log's time. Steps
that cannot change whom the belief doubts are put off while somebody waits for an answer: what is found is the same.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping

from presence.events import Event
from presence.floorplan import Floorplan
from presence.health.chances import ChanceMeter
from presence.health.chatter import ChatterWatch
from presence.health.contacts import ContactWatch
from presence.health.findings import Finding, ranked
from presence.health.silence import FIRST_DAYS, SilenceWatch
from presence.health.step import Step
from presence.health.timing import TimingWatch
from presence.health.twins import HOLE, KEPT, Twins
from presence.health.wear import WearWatch
from presence.inference import Engine
from presence.record import LOOK_EVERY
from presence.snapshot import Snapshot, replace
from presence.times import utc
from presence.turns import Turns

REMEMBERED = 200
"""How many findings that are over are kept."""
AT_EASE = 4
"""Steps that are taken in where nobody waits: when a sensor has gone off, or nothing has happened."""
PATIENCE = 8
"""So many steps may wait, each with two snapshots."""


class Watches:
    """All watches of one home, begun together.

    Args:
        plan: the home.
        seconds: when watching begins.
    """

    def __init__(self, plan: Floorplan, seconds: float) -> None:
        self.silence = SilenceWatch(plan, seconds)
        self.chatter = ChatterWatch(plan, seconds)
        self._others = (WearWatch(plan, seconds), ContactWatch(plan), TimingWatch(plan, seconds))
        self._weigh_at = seconds + LOOK_EVERY
        self._began = self._latest = seconds
        self.suspects: list[str] = []
        """Of whose silence a second opinion is wanted, the most suspicious first."""

    def take(self, step: Step) -> list[Finding]:
        """Take in one step; findings that are over."""
        if step.seconds >= self._weigh_at:
            self._weigh(step.seconds)
            self._weigh_at = (step.seconds // LOOK_EVERY + 1.0) * LOOK_EVERY
        if step.seconds - self._latest > HOLE:
            step = step._replace(expected=0.0 * step.expected, passed=0.0 * step.passed)
        if step.sensor is not None:
            self._latest = step.seconds
            self.suspects = [sensor for sensor in self.suspects if sensor != step.sensor]
        trusted = step.sensor not in self.chatter.named
        over = [*self.silence.take(step, trusted=trusted), *self.chatter.take(step)]
        for watch in self._others:
            over += watch.take(step)
        return over

    def _weigh(self, seconds: float) -> None:
        """Bring all odds up to date. The silence of others may be a chatterer's doing, so that comes first."""
        known = len(self.chatter.named)
        self.chatter.weigh(seconds)
        if len(self.chatter.named) > known:
            self.silence.forgive()
        suspects = self.chatter.suspects
        self.silence.weigh(seconds, doubtful=bool(suspects), excused=self.chatter.beside(suspects))
        self.suspects = self.silence.suspects() if self.may_suspect(seconds) else []

    def pressing(self, seconds: float) -> bool:
        """Whether steps up to an instant may change whom the belief doubts."""
        return seconds >= self._weigh_at or bool(self.suspects or self.silence.named or self.chatter.named)

    def may_suspect(self, seconds: float) -> bool:
        """Whether enough is known at an instant to want second opinions."""
        return seconds > self._began + FIRST_DAYS

    def findings(self) -> dict[str, Finding]:
        """What is probably wrong now, one for each sensor: what explains most goes first."""
        found: dict[str, Finding] = {}
        for watch in (self.silence, self.chatter, *self._others):
            for sensor, finding in watch.named.items():
                found.setdefault(sensor, finding)
        return found


class Monitor(Turns):
    """Finds sick sensors from what the tracker expected and what came; who asks it waits for the tracker, too.

    Args:
        engine: the tracker's inference.
    """

    def __init__(self, engine: Engine) -> None:
        self.plan = engine.plan
        self._meter = ChanceMeter(engine.model)
        self._twins = Twins(engine)
        self._waiting: deque[tuple[Snapshot, Snapshot, Event | None]] = deque()
        """Steps that do not count yet: what was known at the end of the silence, after it, and what ended it."""
        self._settled: Snapshot | None = None
        """What was known after the last step that counts."""
        self._began = 0.0
        self._watches: Watches | None = None
        self._horizon = -math.inf
        """Steps before this instant count."""
        self._over: deque[Finding] = deque(maxlen=REMEMBERED)

    @property
    def watches(self) -> Watches | None:
        """All watches; None before the first event."""
        self.settle(self._horizon)
        return self._watches

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What is probably wrong now, likeliest first."""
        watches = self.watches
        return () if watches is None else ranked(watches.findings().values())

    @property
    def over(self) -> tuple[Finding, ...]:
        """Recent findings that are over, latest last."""
        self.settle(self._horizon)
        return tuple(self._over)

    @property
    def silent(self) -> frozenset[str]:
        """Sensors whose silence is no evidence now."""
        if self._watches is None or not self._watches.silence.named:
            return frozenset()
        return frozenset(self._watches.silence.named) - {event.sensor for _, _, event in self._waiting if event}

    @property
    def behind(self) -> bool:
        """Whether more steps wait than are taken in at a time."""
        return len(self._waiting) > AT_EASE

    @property
    def suspecting(self) -> bool:
        """Whether of any sensor's silence a second opinion is wanted."""
        return self._watches is not None and bool(self._watches.suspects)

    @property
    def noise(self) -> Mapping[str, float]:
        """1/s: how often sensors report by themselves that are known to do so."""
        return {} if self._watches is None else self._watches.chatter.rates()

    # --- what the tracker tells -------------------------------------------------------------------------------------
    def begin(self, snapshot: Snapshot) -> None:
        """What is known before the first step."""
        self._settled, self._began = snapshot, snapshot.seconds

    def note(self, quiet: Snapshot, after: Snapshot, event: Event | None = None) -> None:
        """One step: silence from the last one up to `quiet`, then an event, or a look, that led to `after`.

        What was known earlier is left out: a twin, which has other doubts, makes nothing of it (`retaken`).
        """
        self._waiting.append((replace(quiet, lately=()), replace(after, lately=()), event))

    def go_back(self, seconds: float) -> None:
        """A late event is about to be put in its place: forget the steps after it."""
        while self._waiting and self._waiting[-1][0].seconds > seconds:
            self._waiting.pop()

    def settle(self, horizon: float, steps: float = math.inf) -> None:
        """Take in the steps before an instant that nothing can change any more.

        Args:
            horizon: the instant.
            steps: so many may be taken in; more only if they press, or where more than `PATIENCE` would wait.
        """
        self._horizon = horizon
        left = 0 if self._pressing() else max(0.0, min(PATIENCE, len(self._waiting) - steps))
        while len(self._waiting) > left and self._waiting[0][0].seconds < horizon:
            quiet, after, event = self._waiting[0]
            sensor, value = (None, "") if event is None else (event.sensor, event.value)
            chances = self._meter.measure(self._settled or quiet, quiet, after, sensor)
            self._waiting.popleft()
            step = Step(quiet.seconds, chances.expected, chances.passed, sensor, value)
            self._settled = after
            self._watches = watches = self._watches or Watches(self.plan, self._began)
            self._over.extend(replace(finding, until=utc(step.seconds)) for finding in watches.take(step))
            if watches.may_suspect(step.seconds + KEPT):
                self._twins.hear(event, after)
            watches.silence.look(self._twins.look(watches.suspects, idle=event is None))

    def _pressing(self) -> bool:
        """Whether the steps that count may change whom the belief doubts."""
        latest = min(self._horizon, self._waiting[-1][0].seconds) if self._waiting else -math.inf
        return self._watches is None or self._watches.pressing(latest)
