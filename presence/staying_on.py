"""What motion sensors that stay on after an outer door was used tell: the home is not empty (see `lingering`)."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from presence.doors import DoorEngine
from presence.events import Event
from presence.floorplan import Sensor
from presence.lingering import LONG_HOLD, known_hold, lost_share, moved_since, tells_at
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
        """A motion sensor is on long after an outer door was heard, or a hold after it last told; or anything else."""
        (at, what, name), *rest = snapshot.due
        sensor = self.plan.sensors[name]
        if what == "linger":
            return self._lingered(replace(snapshot, due=tuple(rest)), sensor)
        if what == "witness" and sensor.kind == "motion" and not self.rest_is_told:
            snapshot = self._stirred(replace(snapshot, due=tuple(rest)), sensor)
            return self._schedule(snapshot, at + self._refresh(snapshot, sensor), "witness", name)
        return super()._fall_due(snapshot)

    def _stirred(self, snapshot: Snapshot, sensor: Sensor) -> Snapshot:
        """A motion sensor is on: somebody before it has stirred within its hold, or its off message was lost.

        Who is still hardly does, so that nobody is kept in a room all day by one lost message.
        """
        hold = known_hold(snapshot, sensor)
        rates = np.array(self.settings.rates_at("motion_rates", sensor.id))[self.model.states.pace]
        stirring = self._inside(sensor.id) * -np.expm1(-hold * rates)
        return self._still_on(snapshot, sensor, sensor.id, stirring, hold)

    def _still_on(self, snapshot: Snapshot, sensor: Sensor, key: str, seen: Array, seconds: float) -> Snapshot:
        """A motion sensor is on as somebody was seen, if not by a false alarm, or as its off message was lost.

        Args:
            snapshot: what is known.
            sensor: the motion sensor.
            key: under which it is kept whether messages are lost (`Snapshot.staying`).
            seen: chance that each being in each state is, shape (P, S).
            seconds: for how long a false alarm may have come instead.
        """
        alone = min(1.0, seconds * (self._false_alarm_rate(snapshot, sensor) + snapshot.noise.get(sensor.id, 0.0)))
        staying, lost = snapshot.staying.get(key, Staying()), lost_share(snapshot, sensor, self.settings.occupancy_lost)
        staying = staying.at(nobody_inside(snapshot.mixture, seen), lost)
        snapshot = self._witness(snapshot, seen, staying.likelihood(alone))
        return replace(snapshot, staying={**snapshot.staying, key: staying.after(alone)})

    def _lingered(self, snapshot: Snapshot, sensor: Sensor) -> Snapshot:
        """A motion sensor that is on, or goes off, has seen somebody since an outer door was heard: somebody is home.

        Unless its off message is late or lost, or a false alarm kept it on.
        """
        kept_on = moved_since(self.plan, snapshot, sensor)
        if kept_on is None or nobody_inside(snapshot.mixture, self._indoors) < self.unlikely:
            return snapshot
        if self.rest_is_told:  # only what goes off is heard so, and each for itself
            anew = {key: held for key, held in snapshot.staying.items() if key != HOME}
            snapshot = replace(snapshot, staying=anew)
        return self._still_on(snapshot, sensor, HOME, self._indoors, kept_on)

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
