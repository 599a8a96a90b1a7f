"""A log taken in and recorded, a stretch at a time, so that the belief can be looked at from the future as well."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from presence.events import Event
from presence.floorplan import Floorplan, Sensor
from presence.hypotheses import Way
from presence.inference import Engine
from presence.settings import Settings
from presence.snapshot import Snapshot
from presence.tape import Ghost, Mark, Operation, Quiet, Weigh, Witness

Array = NDArray[np.float64]


class RecordingEngine(Engine):
    """Does what an engine does, and notes each operation with what was believed before it.

    Looking back, an event moves one being, so that two who pass together are two passages here.
    """

    unlikely = 0.0
    """Whoever is unlikely by what came before may be likely by what comes later."""

    def __init__(self, plan: Floorplan, settings: Settings, *args: Any, **options: Any) -> None:
        super().__init__(plan, replace(settings, door_company_share=0.0), *args, **options)
        self.tape: list[Operation] = []
        self.before: list[Snapshot] = []
        """What was known before each operation."""

    def _note(self, operation: Operation, before: Snapshot) -> None:
        self.tape.append(operation)
        self.before.append(before)

    def _silence(self, snapshot: Snapshot, seconds: float) -> Snapshot:
        world, dt = self._world(snapshot), seconds - snapshot.seconds
        if dt > 0:
            self._note(Quiet(world.base, world.change(snapshot.conditions), dt), snapshot)
        return super()._silence(snapshot, seconds)

    def _witness(self, snapshot: Snapshot, inside: Array, alone: float) -> Snapshot:
        self._note(Witness(inside, alone), snapshot)
        return super()._witness(snapshot, inside, alone)

    def _branch(
        self,
        snapshot: Snapshot,
        event: Event,
        ways: list[Way],
        nobody_rate: float | Array,
        accepting: tuple[int, ...] = (),
        ghost: tuple[int, Array, Array] | None = None,
    ) -> Snapshot:
        numbered = self._numbered(snapshot, ways)
        if ghost is None:
            self._note(Mark(numbered, float(np.mean(nobody_rate))), snapshot)
        else:
            own = np.zeros(3) if event.value == "pressed" else self.ghost_rates
            others = float(np.mean(nobody_rate - snapshot.mixture.ghosts[:, ghost[0]] @ own))
            self._note(Mark(numbered, 0.0, Ghost(ghost[0], ghost[1], own + others)), snapshot)
        return super()._branch(snapshot, event, ways, nobody_rate, accepting, ghost)

    def _one_each(self, snapshot: Snapshot, sensor: Sensor) -> Snapshot:
        mark = self.tape[-1]
        assert isinstance(mark, Mark)
        self.tape[-1] = mark._replace(shared=(self._states_on(sensor), self.settings.seat_shared_share))
        return super()._one_each(snapshot, sensor)

    def _visitors(self, snapshot: Snapshot, sensor: Sensor, ways: list[Way], nobody: float) -> Array | None:
        """The mean over hypotheses: looking back, what is evidence by itself is the same in all of them."""
        factor = super()._visitors(snapshot, sensor, ways, nobody)
        if factor is None:
            return None
        mass = snapshot.mixture.weight[:, None] * snapshot.mixture.x
        total = mass.sum(axis=1)
        return np.where(total > 0.0, (factor * mass).sum(axis=1) / np.maximum(total, 1e-300), 1.0)

    def _factor(self, snapshot: Snapshot, factor: Array) -> Snapshot:
        if factor.ndim == 2:  # per being and state; what differs by hypothesis belongs to an event
            self._note(Weigh(factor), snapshot)
        return super()._factor(snapshot, factor)


@dataclass(slots=True)
class Stretch:
    """A part of a log: what was done to the belief, and at which points of it beliefs are wanted."""

    begin: Snapshot
    until: float
    """Where the chunk ends that is told of it, epoch seconds."""
    tape: list[Operation] = field(default_factory=list)
    starts: list[float] = field(default_factory=list)
    """When each operation began, epoch seconds."""
    wanted: list[tuple[int, Snapshot]] = field(default_factory=list)
    """(number of operations done by then, what was known then), in order."""
    end: Snapshot = field(init=False)

    def __post_init__(self) -> None:
        self.end = self.begin

    @property
    def done(self) -> int:
        """How many operations belong to the chunk that is told."""
        return bisect_left(self.starts, self.until)

    @property
    def told(self) -> list[tuple[int, Snapshot]]:
        """What is wanted of the chunk."""
        return [(n, snapshot) for n, snapshot in self.wanted if snapshot.seconds < self.until]

    def rest(self, chunk: float) -> Stretch:
        """What lies beyond the chunk, to be told next."""
        done = self.done
        wanted = [(n - done, snapshot) for n, snapshot in self.wanted if snapshot.seconds >= self.until]
        following = Stretch(self.begin, self.until + chunk, self.tape[done:], self.starts[done:])
        following.wanted, following.end = wanted, self.end
        return following


def stretches(
    engine: RecordingEngine, events: Iterable[Event], every: float, chunk: float, overlap: float
) -> Iterator[Stretch]:
    """Stretches of a log: a chunk and what lies beyond it."""
    stretch: Stretch | None = None
    step = 0
    for event in events:
        if stretch is None:
            stretch = Stretch(engine.start(event.seconds), event.seconds + chunk)
            step = math.ceil(event.seconds / every)
        while step * every < event.seconds:
            stretch.end, _ = engine.advance(stretch.end, step * every)
            _collect(engine, stretch)
            stretch.wanted.append((len(stretch.tape), stretch.end._replace(mixture=stretch.end.mixture.bare)))
            step += 1
            while stretch.end.seconds >= stretch.until + overlap:  # of a coarse grid a step may fill several
                yield stretch
                stretch = stretch.rest(chunk)
        stretch.end, _ = engine.advance(stretch.end, event.seconds)
        stretch.end, _ = engine.observe(stretch.end, event)
        _collect(engine, stretch)
    while stretch is not None:
        yield stretch
        stretch = stretch.rest(chunk) if stretch.until <= stretch.end.seconds else None


def _collect(engine: RecordingEngine, stretch: Stretch) -> None:
    """Take over what the engine has noted."""
    for operation, before in zip(engine.tape, engine.before, strict=True):
        stretch.tape.append(operation)
        stretch.starts.append(before.seconds)
    engine.tape, engine.before = [], []
