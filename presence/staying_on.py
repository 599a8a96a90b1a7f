"""What motion sensors that stay on after an outer door was used tell: the home is not empty (see `lingering`)."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from presence.doors import DoorEngine
from presence.events import Event
from presence.floorplan import Sensor
from presence.lingering import LONG_HOLD, lost_share, moved_since, tells_at
from presence.passages import Passage
from presence.snapshot import Snapshot, replace
from presence.unprompted import stray_rate
from presence.witness import Staying, nobody_inside

Array = NDArray[np.float64]


class StayingEngine(DoorEngine):
    """The part of the inference that hears how long motion sensors stay on."""

    unlikely = 1e-3
    """What is less likely is left as it is, to save time: visitors in a sensor's sight, an empty home."""

    def _door(self, snapshot: Snapshot, sensor: Sensor, event: Event, told: list[Passage]) -> Snapshot:
        """A contact or a lock reports; motion sensors that are on will tell whether somebody has stayed."""
        snapshot = super()._door(snapshot, sensor, event, told)
        if self.plan.outdoor_sides[str(sensor.door)] is None:
            return snapshot
        silent = [s for s in self.plan.sensors.values() if s.kind == "motion" and not self._tells_of_its_room(s)]
        telling = [(tells_at(self.plan, snapshot, s), s.id) for s in silent]
        waited_for = [(at, name) for at, name in telling if at is not None]
        if waited_for and nobody_inside(snapshot.mixture, self._indoors) >= self.unlikely:
            for at, name in waited_for:
                snapshot = self._schedule(snapshot, at, "linger", name)
        return snapshot

    def _fall_due(self, snapshot: Snapshot) -> Snapshot:
        """A motion sensor is on long after an outer door was heard; or anything else."""
        (_, what, sensor), *rest = snapshot.due
        if what != "linger":
            return super()._fall_due(snapshot)
        return self._lingered(replace(snapshot, due=tuple(rest)), self.plan.sensors[sensor])

    def _lingered(self, snapshot: Snapshot, sensor: Sensor) -> Snapshot:
        """A motion sensor that is on, or goes off, has seen somebody since an outer door was heard: somebody is home.

        Unless its off message is late or lost, or a false alarm kept it on.
        """
        kept_on = moved_since(self.plan, snapshot, sensor)
        nobody = nobody_inside(snapshot.mixture, self._indoors) if kept_on is not None else 0.0
        if kept_on is None or nobody < self.unlikely:
            return snapshot
        by_itself = self._false_alarm_rate(snapshot, sensor) + snapshot.noise.get(sensor.id, 0.0)
        alone = min(1.0, kept_on * by_itself)
        told = self._tells_of_its_room(sensor)
        staying = Staying() if told else snapshot.staying.get(sensor.id, Staying())
        staying = staying.at(nobody, lost_share(snapshot, sensor, self.settings.occupancy_lost))
        snapshot = self._witness(snapshot, self._indoors, staying.likelihood(alone))
        if told:
            return snapshot
        return replace(snapshot, staying={**snapshot.staying, sensor.id: staying.after(alone)})

    def _tells_of_its_room(self, sensor: Sensor) -> bool:
        """Whether a motion sensor that stays on bears witness of somebody in its room.

        So where who rests is told, or with a hold so long that most who rest stir in it.
        """
        return self.rest_is_told or (sensor.hold or 0.0) >= LONG_HOLD

    @cached_property
    def _indoors(self) -> Array:
        """1 for the states in which a being, animals too, is in the house, shape (P, S)."""
        rooms = self.model.states.rooms
        indoors = np.isin(self.model.states.room, [rooms.index(room) for room in self.plan.indoor])
        return np.tile(indoors.astype(float), (len(self.names), 1))

    def _false_alarm_rate(self, snapshot: Snapshot, sensor: Sensor) -> float:
        """Rate at which a sensor in a room reports somebody with nobody there (1/s)."""
        record, heard = snapshot.unprompted.get(sensor.id), snapshot.seconds - snapshot.begun
        return stray_rate(self.plan, self.settings, sensor, record, heard)
