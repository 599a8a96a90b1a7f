"""What motion sensors that stay on after an outer door was used tell: the home is not empty (see `lingering`)."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from presence.doors import DoorEngine
from presence.events import Event
from presence.floorplan import Sensor
from presence.lingering import lost_share, moved_since, tells_at
from presence.passages import Passage
from presence.snapshot import Snapshot, replace
from presence.unprompted import stray_rate
from presence.witness import Staying, nobody_inside

Array = NDArray[np.float64]
HOME = ""
"""Under which `Snapshot.staying` keeps, for all motion sensors together, whether off messages were lost while the home
is empty: one hub that is out of reach as people leave loses those of all of them."""


class StayingEngine(DoorEngine):
    """The part of the inference that hears how long motion sensors stay on."""

    unlikely = 1e-3
    """What is less likely is left as it is, to save time: visitors in a sensor's sight, an empty home."""

    def _door(self, snapshot: Snapshot, sensor: Sensor, event: Event, told: list[Passage]) -> Snapshot:
        """A contact or a lock reports; motion sensors that are on will tell whether somebody has stayed."""
        if self.plan.outdoor_sides[str(sensor.door)] is None or self.rest_is_told:  # there they tell of their rooms
            return super()._door(snapshot, sensor, event, told)
        if HOME in snapshot.staying:  # who has come home since leaves anew
            held = snapshot.staying[HOME].at(self._nobody_home(snapshot), self.settings.occupancy_lost)
            snapshot = replace(snapshot, staying={**snapshot.staying, HOME: held})
        snapshot = super()._door(snapshot, sensor, event, told)
        telling = [(tells_at(self.plan, snapshot, s), s.id) for s in self.plan.sensors.values() if s.kind == "motion"]
        waited_for = [(at, name) for at, name in telling if at is not None]
        if waited_for and self._nobody_home(snapshot) >= self.unlikely:
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
        if kept_on is None or (nobody := self._nobody_home(snapshot)) < self.unlikely:
            return snapshot
        by_itself = self._false_alarm_rate(snapshot, sensor) + snapshot.noise.get(sensor.id, 0.0)
        alone = min(1.0, kept_on * by_itself)
        known = Staying() if self.rest_is_told else snapshot.staying.get(HOME, Staying())
        staying = known.at(nobody, lost_share(snapshot, sensor, self.settings.occupancy_lost))
        snapshot = self._witness(snapshot, self._indoors, staying.likelihood(alone))
        if self.rest_is_told:  # only what goes off is heard so, and each for itself
            return snapshot
        return replace(snapshot, staying={**snapshot.staying, HOME: staying.after(alone)})

    def _nobody_home(self, snapshot: Snapshot) -> float:
        """Probability that no being, animals too, is in the house."""
        return nobody_inside(snapshot.mixture, self._indoors)

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
