"""The exact joint filter of one home: what any number of hypotheses must come near to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm

from benchmarks.exact.dense import NOON, DenseModel
from benchmarks.exact.senses import Senses, silence
from presence import Event, Floorplan, Settings
from presence.markov import mark_joint, move_joint
from presence.times import utc

Array = NDArray[np.float64]

PLAIN = Settings(
    phone_doubt=1.0,
    object_chatter=0.0,
    seat_flutter=0.0,
    door_bounce_share=0.0,
    door_pulled_shut_share=0.0,
    door_step_delay=0.0,
    door_repeats=0.0,
    put_back_events=0,
    occupancy_refresh=1e9,
)
"""What a tracker that is compared is told: this filter takes a report for what it says by itself, a phone's once."""


class JointFilter:
    """The belief about all beings in one array: exact, for small homes (shape (S,) * P)."""

    def __init__(self, plan: Floorplan, start: datetime = NOON, settings: Settings | None = None) -> None:
        self.model = DenseModel(plan, settings)
        self.senses = Senses(plan, self.model.settings)
        self.seconds = start.timestamp()
        self.joint: Array = np.ones(())
        for row in self.model.prior(self.seconds):
            self.joint = np.multiply.outer(self.joint, row)
        self.log_likelihood = 0.0

    def advance(self, seconds: float) -> None:
        """Nothing is reported until an instant; who keeps a sensor on shows by that that they are at home."""
        while (due := self.senses.next_stay(seconds)) is not None:
            self._silent(due[0])
            self._lingered(due[1])
        self._silent(seconds)

    def _silent(self, seconds: float) -> None:
        if seconds > self.seconds:
            for stretch in silence(self.model, self.senses, self.seconds, seconds):
                generators = self.model.silent(stretch.hours, stretch.conditions)
                moves = expm(np.array(generators) * stretch.seconds)
                self._condition(move_joint(self.joint, list(moves)))
        self.seconds = seconds

    def observe(self, event: Event) -> None:
        """An event that one of the beings caused, or none."""
        self.advance(event.seconds)
        if event.value == "clear" and event.sensor in self.senses.on:
            self._lingered(event.sensor)
        if self.senses.outer(event.sensor) and self.senses.staying != (0.0, 0.0):
            self._gone(self.model.settings.occupancy_lost)  # who has come home since leaves anew
        if self.model.plan.sensors[event.sensor].kind in ("phone", "badge"):
            joint = self.joint
            for axis, factor in enumerate(self.model.report(event, self.senses.before(event))):
                joint = joint * factor.reshape([-1 if n == axis else 1 for n in range(joint.ndim)])
            self._condition(joint)
            return
        share, tells = self.senses.open_share(event), self.senses.tells(event, self._miss(event))
        if self.senses.take(event):
            self._caused(event, tells, share)

    def _caused(self, event: Event, tells: Mapping[str, float], share: float) -> None:
        """One of the beings did what a report may tell, each with its weight, or nobody did."""
        alone = self.model.nobody_rate(replace(event, value=next(iter(tells))))
        alone *= tells.get("open", 1.0) if len(tells) == 1 else 1.0
        marked = [np.zeros((self.model.size, self.model.size)) for _ in self.model.names]
        together, still = np.zeros_like(self.joint), np.eye(self.model.size)
        for value, weight in tells.items():
            for cause in self.model.causes(replace(event, value=value), self.model.hours(event.seconds), share):
                if cause.moves is None:
                    marked[cause.being] += weight * cause.matrix
                else:
                    who = {cause.being: weight * cause.matrix, cause.companion: cause.moves}
                    together += move_joint(self.joint, [who.get(p, still) for p in range(self.joint.ndim)])
        self._condition(mark_joint(self.joint, marked, alone) + together)

    def _miss(self, event: Event) -> float:
        """Share of a door's openings that its contact does not report."""
        door = self.model.plan.sensors[event.sensor].door
        return 0.0 if door is None else self.model.sight(self.model.hours(event.seconds)).door_miss(door)

    def _lingered(self, name: str) -> None:
        """Somebody who has not gone out since kept a motion sensor on, which is on still or goes off: they are indoors.

        Unless its message is late or lost (once and for all, as somebody goes), or a false alarm kept it on.
        """
        if (seconds := self.senses.kept_on(name, self.seconds)) is None:
            return
        alarm = Event(utc(self.seconds), name, "detected")
        lost, empty = self._gone(self.senses.lost(name))
        alone = lost + (1.0 - lost) * min(1.0, seconds * self.model.nobody_rate(alarm))
        self._condition(self.joint * (1.0 - (1.0 - alone) * self._nobody()))
        self.senses.staying = lost / alone, empty * alone / (1.0 - empty * (1.0 - alone))

    def _gone(self, share: float) -> tuple[float, float]:
        """Of those who have gone since it was last weighed, the off messages are lost in this share; how it stands."""
        empty, (lost, before) = float((self.joint * self._nobody()).sum()), self.senses.staying
        gone = max(0.0, empty - before)
        self.senses.staying = (lost * (empty - gone) + share * gone) / max(empty, 1e-300), empty
        return self.senses.staying

    def _nobody(self) -> Array:
        """1 where nobody is indoors."""
        outside = np.array([float(room not in self.model.plan.indoor) for room in self.model.rooms])[self.model.room]
        nobody: Array = np.ones(())
        for _ in self.model.names:
            nobody = np.multiply.outer(nobody, outside)
        return nobody

    def rooms(self) -> Array:
        """Probability that at least one person is in each room but `away`."""
        absent = []
        for room in range(len(self.model.rooms) - 1):
            elsewhere = self.joint
            for p in range(self.joint.ndim):
                outside = self.model.room != room if p in self.model.people else np.ones(self.model.size)
                elsewhere = np.tensordot(elsewhere, outside.astype(float), axes=(0, 0))
            absent.append(float(elsewhere))
        return 1.0 - np.array(absent)

    def _condition(self, joint: Array) -> None:
        total = float(joint.sum())
        self.joint = joint / total
        self.log_likelihood += float(np.log(total))
