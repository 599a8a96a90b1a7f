"""What sensors that stay on tell: somebody is in the room, or has moved there of late, or the home is not empty.

The last is told by motion sensors that are on after an outer door was used (see `lingering`).
"""

from __future__ import annotations

import math
from collections import Counter
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from presence.doors import DoorEngine
from presence.events import Event
from presence.floorplan import Sensor
from presence.lingering import known_hold, last_said, lost_share, moved_since, tells_at
from presence.passages import Passage
from presence.places import is_small
from presence.snapshot import Snapshot, replace
from presence.unprompted import stray_rate
from presence.witness import Staying, nobody_inside

Array = NDArray[np.float64]
HOME = ""
"""Under which `Snapshot.staying` keeps, for all motion sensors together, whether off messages were lost while the home
is empty: one hub that is out of reach as people leave loses those of all of them."""
LONG = 12 * 3600.0
"""Seconds: a sensor that has been on for so many times longer bears witness so many times more rarely. Nobody stays for
longer than this in an ordinary day; an outage of weeks would take a look at each minute of them."""
MOST = 60.0
"""So many times, at most: an occupancy sensor bears witness once an hour, however long it is on."""


class StayingEngine(DoorEngine):
    """The part of the inference that hears how long motion sensors stay on."""

    unlikely = 1e-3
    """What is less likely is left as it is, to save time: visitors in a sensor's sight, an empty home."""

    def _door(self, snapshot: Snapshot, sensor: Sensor, event: Event, told: list[Passage]) -> Snapshot:
        """A contact or a lock reports; motion sensors that are on will tell whether somebody has stayed.

        Not those that tell of their rooms: one message that is lost would be heard as two.
        """
        if self.plan.outdoor_sides[str(sensor.door)] is None or self.rest_is_told:  # there all do
            return super()._door(snapshot, sensor, event, told)
        if HOME in snapshot.staying:  # who has come home since leaves anew
            held = snapshot.staying[HOME].at(self._nobody_home(snapshot), self.settings.occupancy_lost)
            snapshot = replace(snapshot, staying={**snapshot.staying, HOME: held})
        snapshot = super()._door(snapshot, sensor, event, told)
        others = [s for s in self.plan.sensors.values() if s.kind == "motion" and s.id not in self._kept_on_by_moving]
        telling = [(tells_at(self.plan, snapshot, s), s.id) for s in others]
        waited_for = [(at, name) for at, name in telling if at is not None]
        if waited_for and self._nobody_home(snapshot) >= self.unlikely:
            for at, name in waited_for:
                snapshot = self._schedule(snapshot, at, "linger", name)
        return snapshot

    def _fall_due(self, snapshot: Snapshot) -> Snapshot:
        """A motion sensor is on long after an outer door was heard, a sensor is on still; or anything else."""
        (at, what, name), *rest = snapshot.due
        if what not in ("linger", "witness"):
            return super()._fall_due(snapshot)
        snapshot, sensor = replace(snapshot, due=tuple(rest)), self.plan.sensors[name]
        return self._lingered(snapshot, sensor) if what == "linger" else self._on_still(snapshot, sensor, at)

    def _on_still(self, snapshot: Snapshot, sensor: Sensor, at: float) -> Snapshot:
        """A sensor is on still, as falls due at this instant: somebody keeps it on, or its off message was lost."""
        keeping, staying = self._keeping_on(snapshot, sensor), snapshot.staying.get(sensor.id, Staying())
        nobody, alone = nobody_inside(snapshot.mixture, keeping), self._kept_by_itself(snapshot, sensor)
        lost = lost_share(snapshot, sensor, self.settings.occupancy_lost)  # of a motion sensor, by its own record
        times = min(MOST, max(1.0, (at - last_said(snapshot, sensor)) / LONG))
        likelihood, staying = staying.once_more(nobody, lost, alone**times)
        snapshot = self._witness(snapshot, keeping, likelihood)
        snapshot = replace(snapshot, staying={**snapshot.staying, sensor.id: staying})
        return self._schedule(snapshot, at + times * self._refresh(snapshot, sensor), "witness", sensor.id)

    def _kept_by_itself(self, snapshot: Snapshot, sensor: Sensor) -> float:
        """How likely a sensor stays on with nobody there, its message not being lost; a chatterer by itself."""
        alone, noise = self.settings.occupancy_alone, snapshot.noise.get(sensor.id, 0.0)
        since = known_hold(snapshot, sensor) if sensor.kind == "motion" else self.settings.occupancy_refresh
        return alone - (1.0 - alone) * math.expm1(-noise * since)

    @cached_property
    def _kept_on_by_moving(self) -> frozenset[str]:
        """Motion sensors that tell of who moves in a room too small to live in, where nothing tells who rests.

        Not several in one room: they see the same movements, and one hub that is out of reach loses both messages.
        """
        small = {room for room in self.plan.indoor if is_small(self.plan, room) and not self.rest_is_told}
        rooms = Counter(s.room for s in self.plan.sensors.values() if s.kind == "motion")
        alone = {room for room in small if rooms[room] == 1}
        return frozenset(s.id for s in self.plan.sensors.values() if s.kind == "motion" and s.room in alone)

    def _keeping_on(self, snapshot: Snapshot, sensor: Sensor) -> Array:
        """Probability that a being in each state keeps a sensor on, being in its room or moving there: shape (P, S)."""
        if sensor.id not in self._kept_on_by_moving:
            return self._inside(sensor.id)
        keeping, seen = np.zeros_like(self._indoors), self._world(snapshot).ways(sensor.id, "detected")[0]
        keeping[:, seen.source] = -np.expm1(-known_hold(snapshot, sensor) * seen.losses)
        return keeping

    def _refresh(self, snapshot: Snapshot, sensor: Sensor) -> float:
        """Seconds after which a sensor that stays on bears witness again; not for whoever has just left its sight."""
        often = self.settings.occupancy_refresh
        holds = 1.0 if sensor.id in self._kept_on_by_moving else 2.0
        return max(often, holds * known_hold(snapshot, sensor)) if sensor.kind == "motion" else often

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
        record = snapshot.unprompted.get(sensor.id)
        begun = snapshot.begun if record is None else max(record.since, snapshot.begun)
        return stray_rate(self.plan, self.settings, sensor, record, snapshot.seconds - begun)
