"""Seats, beds and mats: who sits down or gets up, and what a sensor says by itself, stuck, or fluttering."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from presence.doorways import caused_too, theirs_too
from presence.events import Event
from presence.experience import Unprompted
from presence.floorplan import Sensor
from presence.hypotheses import attribute
from presence.merging import Mixture
from presence.places import shared_bed
from presence.snapshot import Association, Snapshot, replace
from presence.staying_on import StayingEngine
from presence.unprompted import flutter_rate

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]


class SeatEngine(StayingEngine):
    """The part of the inference that takes in what presses a seat, a bed or a mat."""

    def _seat(self, snapshot: Snapshot, sensor: Sensor, event: Event) -> Snapshot:
        """A seat, bed or mat is taken or left; or it reports by itself, for a moment or stuck."""
        pressed, unknown = event.value == "pressed", ("blind", sensor.id) in snapshot.conditions
        condition, index = ("pressed", sensor.id), self.seats.index(sensor.id)
        if not unknown and (condition in snapshot.conditions) == pressed:
            return self._credit(snapshot, sensor, event)
        s, ghosts = self.settings, snapshot.mixture.ghosts
        nobody: Array | float = s.seat_false_alarm_rate
        if not pressed:
            nobody = ghosts[:, index] @ self.ghost_rates + s.object_false_alarm_rate
            nobody += unknown * s.door_repeats / s.door_repeat_period  # may only say that it is as it has been
        silent = np.array([1.0, 0.0, 0.0])
        by_itself = np.array([0.0, 1 - s.seat_stuck_share, s.seat_stuck_share]) if pressed else silent
        last, record = snapshot.holders.get(sensor.id), snapshot.unprompted.get(sensor.id)
        flutter = 0.0 if pressed else flutter_rate(s, last, record, snapshot.seconds)
        ways = self._world(snapshot).ways(sensor.id, event.value)
        after = self._branch(snapshot, event, ways, nobody + flutter, ghost=(index, by_itself, silent))
        if flutter:
            others = float(snapshot.mixture.weight @ nobody) + snapshot.noise.get(sensor.id, 0.0)
            after = self._fluttered(snapshot, after, sensor, flutter, others)
        snapshot = after
        conditions = snapshot.conditions - {condition, ("blind", sensor.id)}
        snapshot = replace(snapshot, conditions=conditions | {condition} if pressed else conditions)
        return snapshot if not pressed or shared_bed(self.plan, sensor) else self._one_each(snapshot, sensor)

    def _fluttered(self, before: Snapshot, after: Snapshot, sensor: Sensor, flutter: float, others: float) -> Snapshot:
        """A seat that let go by itself is still kept by whoever presses it, and its record knows.

        Args:
            before: what was known before it let go.
            after: and after, where that is told as nobody's doing.
            sensor: the seat.
            flutter: rate at which it lets go under whoever presses it (1/s)...
            others: ...and for any other reason, nobody having got up.
        """
        told, sat_down = after.association, before.holders[sensor.id].time.timestamp()
        assert told is not None
        record, age = before.unprompted.get(sensor.id, Unprompted()), before.seconds - sat_down
        by_itself = told.nobody * flutter / (flutter + others)
        record = record.after(by_itself, math.log1p(age / self.settings.object_chatter_delay))
        then, now = (flutter * self._pressing(known.mixture, sensor) for known in (before, after))
        theirs = before.mixture.weight @ then
        others += flutter - float(theirs.sum())
        mixture, same = caused_too(before.mixture, after.mixture, then, now, others)
        kept = theirs_too(told, self.names, theirs, others)
        return replace(
            after,
            mixture=mixture,
            association=kept,
            same_as_previous=(after.same_as_previous or 0.0) + (told.nobody - kept.nobody) * same,
            holders={**after.holders, sensor.id: kept},
            unprompted={**after.unprompted, sensor.id: record},
        )

    def _pressing(self, mixture: Mixture, sensor: Sensor) -> Array:
        """Probability that it is each being who presses a seat, under each hypothesis: shape (K, 1 + 2 P), by label."""
        on = mixture.x[:, :, self._states_on(sensor)].sum(axis=2).T  # (K, P)
        on = on / np.maximum(1.0, on.sum(axis=1, keepdims=True))
        return np.pad(on, ((0, 0), (1, on.shape[1])))

    def _states_on(self, sensor: Sensor) -> IndexArray:
        """All states of who is on a seat."""
        place = next(i for i, p in enumerate(self.model.states.places) if p.seat == sensor.id)
        return self.model.states.select([place])

    def _one_each(self, snapshot: Snapshot, sensor: Sensor) -> Snapshot:
        """A seat that somebody has just taken is not taken by others as well."""
        mixture = snapshot.mixture
        there = self._states_on(sensor)
        took = mixture.cause[:, :-1].T  # (P, K)
        factor = np.ones_like(mixture.x)
        factor[:, :, there] = (took + (1.0 - took) * self.settings.seat_shared_share)[:, :, None]
        return self._factor(snapshot, factor)

    def _credit(self, snapshot: Snapshot, sensor: Sensor, event: Event) -> Snapshot:
        """A report that only ends or repeats another is theirs who caused that; if none was heard, theirs who can."""
        holder = snapshot.holders.get(sensor.id)
        if holder is not None:
            told = Association(event.time, event.sensor, event.value, holder.people, holder.nobody)
            return replace(snapshot, association=told)
        ways = self._world(snapshot).sight.resting_options(sensor)
        _, caused = attribute(snapshot.mixture, ways, self._false_alarm_rate(snapshot, sensor))
        return replace(snapshot, association=self._association(event, caused))
