"""What each being of a home went through, as steps for the E step: silences, marks, factors.

The tracker's own engine is run and watched, so that habits, blind sensors, open doors, missed openings and
phones mean the same here as there. For one being alone the steps are exact. For several, an event that others may have
caused is given a background rate: the rate at which they would cause it by what is believed at that instant. The
expected counts are then approximate, and what is made of them is only a proposal.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple, cast

import numpy as np
from numpy.typing import NDArray

from presence.events import Event
from presence.floorplan import Floorplan
from presence.habits import Hours
from presence.hypotheses import Way
from presence.inference import Engine
from presence.settings import Settings
from presence.snapshot import Snapshot
from presence.world import Condition, World

Array = NDArray[np.float64]

Stage = tuple[Hours, frozenset[Condition]]
"""What decides the generators: what everybody's habits say, and the conditions."""


class Report(NamedTuple):
    """What decides the ways of causing an event."""

    hours: Hours
    sensor: str
    value: str
    by: str | None = None
    open_share: float = 0.0
    code: str | None = None


class Quiet(NamedTuple):
    """A silence under a stage."""

    stage: Stage
    dt: float


class Caused(NamedTuple):
    """An event, and for each being the rate (1/s) at which something else caused it: shape (P,)."""

    report: Report
    background: Array


class Told(NamedTuple):
    """A likelihood for each being and state: shape (P, S)."""

    likelihood: Array


def own_hours(hours: Hours, p: int) -> Hours:
    """What one being's habits say, as if everybody's said so: fewer hours differ, and its own rates stay the same."""
    return (hours[p],) * len(hours)


def alone(step: Quiet | Caused | Told, p: int) -> Quiet | Caused | Told:
    """A step with one being's own hours."""
    if isinstance(step, Quiet):
        return Quiet((own_hours(step.stage[0], p), step.stage[1]), step.dt)
    if isinstance(step, Caused):
        return Caused(step.report._replace(hours=own_hours(step.report.hours, p)), step.background)
    return step


@dataclass
class Tape:
    """One stretch of a log as steps."""

    begin: Hours
    """What habits said at its start."""
    seconds: float = 0.0
    """Epoch seconds of its start."""
    steps: list[Quiet | Caused | Told] = field(default_factory=list)
    log_likelihood: float = 0.0
    """Of the tracker that was watched, nats."""


class _Watched:
    """A world that remembers what it was last asked for."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.asked: tuple[str, str, str | None, float] = ("", "", None, 0.0)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.world, name)

    def ways(self, sensor: str, value: str, by: str | None = None, open_share: float = 0.0) -> list[Way]:
        """See `World.ways`."""
        self.asked = (sensor, value, by, open_share)
        return self.world.ways(sensor, value, by, open_share)


class Recorder(Engine):
    """An engine that writes down what it does."""

    def __init__(self, plan: Floorplan, settings: Settings, hypotheses: int | None) -> None:
        super().__init__(plan, settings, hypotheses, numbering=False)
        self.tape = Tape(())
        self._asked: _Watched | None = None

    def record(self, begin: float, events: Iterable[Event], end: float) -> Tape:
        """Everything that happens to everybody from `begin` to `end` (epoch seconds)."""
        snapshot = self.start(begin)
        self.tape = Tape(snapshot.hours, begin)
        for event in events:
            snapshot, _ = self.advance(snapshot, event.seconds)
            snapshot, _ = self.observe(snapshot, event)
        snapshot, _ = self.advance(snapshot, end)
        self.tape.log_likelihood = snapshot.mixture.log_likelihood
        return self.tape

    def _world(self, snapshot: Snapshot) -> World:
        world = super()._world(snapshot)
        if self._asked is None or self._asked.world is not world:
            self._asked = _Watched(world)
        return cast(World, self._asked)

    def _silence(self, snapshot: Snapshot, seconds: float) -> Snapshot:
        dt = seconds - snapshot.seconds
        if dt > 0:
            self.tape.steps.append(Quiet((snapshot.hours, snapshot.conditions), dt))
        return super()._silence(snapshot, seconds)

    def _branch(
        self, snapshot: Snapshot, event: Event, ways: list[Way], nobody_rate: float | Array, *rest: Any, **more: Any
    ) -> Snapshot:
        assert self._asked is not None
        mixture = snapshot.mixture
        rates = np.zeros(mixture.x.shape[:2])
        for way in ways:
            rates += (mixture.x[:, :, way.source] @ way.rates).sum(axis=2) * way.times
        mean = rates @ mixture.weight
        nobody = float(np.broadcast_to(nobody_rate, mixture.weight.shape) @ mixture.weight)
        sensor, value, by, share = self._asked.asked
        report = Report(snapshot.hours, sensor, value, by, share, event.code)
        self.tape.steps.append(Caused(report, nobody + mean.sum() - mean))
        return super()._branch(snapshot, event, ways, nobody_rate, *rest, **more)

    def _factor(self, snapshot: Snapshot, factor: Array) -> Snapshot:
        if factor.ndim == 2:  # what differs by hypothesis belongs to an event, and is left out
            self.tape.steps.append(Told(factor))
        return super()._factor(snapshot, factor)

    def _witness(self, snapshot: Snapshot, inside: Array, alone: float) -> Snapshot:
        """How likely a sensor is to stay on, for each being's state, by what is believed about the others."""
        mixture = snapshot.mixture
        shares = np.einsum("pks,ps->pk", mixture.x, inside)
        factor = np.ones((len(self.names), self.model.states.size))
        for p in np.flatnonzero(inside.any(axis=1)):
            others = np.prod(1.0 - np.delete(shares, p, axis=0), axis=0) @ mixture.weight
            factor[p] = 1.0 - (1.0 - inside[p]) * others * (1.0 - alone)
        self.tape.steps.append(Told(factor))
        return super()._witness(snapshot, inside, alone)


def record(
    plan: Floorplan, settings: Settings, stretches: Sequence[tuple[float, Sequence[Event], float]], hypotheses: int
) -> list[Tape]:
    """Tapes of several stretches (begin, events, end)."""
    recorder = Recorder(plan, settings, hypotheses)
    return [recorder.record(begin, events, end) for begin, events, end in stretches]
