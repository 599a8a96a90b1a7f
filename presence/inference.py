"""One step of inference in house words: let time pass, take in an event, read the belief.

An `Engine` holds what does not change; a `Snapshot` is everything that does, and is never changed in place.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from presence.at_rest import rest_of
from presence.conditions import forget_door
from presence.events import Event
from presence.experience import Said, Unprompted
from presence.floorplan import ON_VALUES, Sensor
from presence.hypotheses import Way, attribute
from presence.lingering import blind_time, holds_waited, off_after_all, said_again, spoke, stated_hold, went_off
from presence.merging import Mixture
from presence.passages import Passage, inferred_passages
from presence.places import WATCHERS
from presence.resting import visitors_factor
from presence.seats import SeatEngine
from presence.sides import forget_sides
from presence.snapshot import Belief, Snapshot, replace
from presence.unprompted import chatter_rate, strays, watched_by_another

Array = NDArray[np.float64]


def keyed(event: Event) -> Event:
    """A lock's report, from the keypad where it names a code: there is nowhere else to type one."""
    return dataclasses.replace(event, by="keypad") if event.code is not None and event.by is None else event


class Engine(SeatEngine):
    """The inference of one home."""

    # --- an event ---------------------------------------------------------------------------------------------------
    def observe(self, snapshot: Snapshot, event: Event) -> tuple[Snapshot, list[Passage]]:
        """Take in an event at the snapshot's own instant."""
        sensor = self.plan.sensors[event.sensor]
        if snapshot.begun == np.inf:
            snapshot = replace(snapshot, begun=snapshot.seconds)
        if event.value in ("offline", "online"):
            return self._reachable(snapshot, sensor, event.value == "online"), []
        told: list[Passage] = []
        snapshot = self._note_sides(snapshot, sensor)  # before the event that may be the first to tell of a passage
        before = snapshot.mixture
        if sensor.kind in ("phone", "badge"):
            snapshot = self._report(snapshot, sensor, event.value)
        elif sensor.kind in ("contact", "lock"):
            snapshot = self._door(snapshot, sensor, keyed(event), told)
            snapshot = self._recorded(snapshot, sensor) if event.value == "locked" else snapshot
        elif sensor.kind == "pressure":
            snapshot = self._seat(snapshot, sensor, event)
        elif event.value not in ON_VALUES:
            snapshot = self._off(snapshot, sensor, event)
        else:
            snapshot = self._on(snapshot, sensor, event)
        told += self._inferred(snapshot, before, sensor.door)
        return self._note_sides(self._follow(self._retell(snapshot, told))), told

    def _on(self, snapshot: Snapshot, sensor: Sensor, event: Event) -> Snapshot:
        """A motion, occupancy or camera sensor turns on; a switch is pressed; an appliance is started."""
        lasting = sensor.kind in WATCHERS
        blind = ("blind", sensor.id)
        if sensor.kind == "motion":
            snapshot = spoke(snapshot, sensor)
        if lasting and blind in snapshot.conditions:
            snapshot = said_again(snapshot, sensor)
        unknown = sensor.id not in snapshot.holders  # it may have been on since before, or be offline
        turned_on = unknown or not (lasting and blind in snapshot.conditions)
        if turned_on:
            last, record = snapshot.holders.get(sensor.id), snapshot.unprompted.get(sensor.id)
            nobody = self._false_alarm_rate(snapshot, sensor)
            nobody += chatter_rate(self.settings, last, record, snapshot.seconds)
            ways = self._world(snapshot).ways(sensor.id, event.value)
            if (factor := self._visitors(snapshot, sensor, ways, nobody)) is not None:
                snapshot = self._factor(snapshot, factor)
            snapshot = self._recorded(self._set_off(snapshot, event, ways, nobody), sensor)
        else:  # on already: nothing new
            snapshot = self._told_again(snapshot, sensor, event)
        if not lasting:
            return snapshot
        return self._stays_on(snapshot, sensor, turned_on)

    def _set_off(self, snapshot: Snapshot, event: Event, ways: list[Way], nobody: float) -> Snapshot:
        """A sensor of a room is set off: by whom, or by itself (1/s)?"""
        return self._branch(snapshot, event, ways, nobody)

    def _stays_on(self, snapshot: Snapshot, sensor: Sensor, turned_on: bool) -> Snapshot:
        """A sensor that is on reports nothing; when it bears witness, or is taken to have lost its off message.

        A motion sensor indoors, too, where who rests is told, or nobody rests: else whoever is up for long would be
        believed to have left; but for one that never goes off, whose being on tells nothing. One outdoors may be kept
        on by trees in the wind, traffic, strangers.
        """
        blinded = snapshot.conditions | {("blind", sensor.id)}
        patience = blind_time(snapshot, sensor)
        surely = sensor.kind == "occupancy" or (sensor.kind == "camera" and sensor.id in snapshot.said)
        indoors = sensor.kind == "motion" and sensor.room in self.plan.indoor and patience is None
        told = self.rest_is_told or sensor.id in self._kept_on_by_moving
        if surely or (turned_on and indoors and told):
            staying = {name: held for name, held in snapshot.staying.items() if name != sensor.id}
            again = snapshot.seconds + (sensor.hold or 0.0) + self._refresh(snapshot, sensor)
            snapshot = self._schedule(snapshot, again, "witness", sensor.id, staying=staying, conditions=blinded)
        if surely:
            return snapshot
        if patience is None:
            patience = holds_waited(snapshot, sensor, self.settings.hold_expiry) * (stated_hold(sensor) + 1.0)
        return self._schedule(snapshot, snapshot.seconds + patience, "expire", sensor.id, conditions=blinded)

    def _recorded(self, snapshot: Snapshot, sensor: Sensor) -> Snapshot:
        """How many reports a switch, an appliance, a lock (that it is locked) or a motion sensor outdoors has made.

        And how many by itself, after one more.
        """
        stray = strays(self.plan, sensor)
        if sensor.kind not in ("switch", "power", "lock") and not stray:
            return snapshot
        record, nobody = snapshot.unprompted.get(sensor.id, Unprompted()), snapshot.holders[sensor.id].nobody
        record = record.in_time(nobody, snapshot.begun, snapshot.seconds) if stray else record.after(nobody)
        return replace(snapshot, unprompted={**snapshot.unprompted, sensor.id: record})

    def _inferred(self, snapshot: Snapshot, before: Mixture, spoken: str | None) -> list[Passage]:
        """Passages through doors without sensors, told where an event, of the door `spoken` of maybe, moves the belief.

        What an event has left as it was is not looked at, to save time.
        """
        if snapshot.mixture is before:
            return []
        people = slice(self.model.persons)
        old, new = (self.model.marginals(m)[people] @ self.model.room_of for m in (before, snapshot.mixture))
        if (old.argmax(axis=1) == new.argmax(axis=1)).all():
            return []
        return list(inferred_passages(self.plan, self.names[people], old, new, snapshot.seconds, spoken))

    def _visitors(self, snapshot: Snapshot, sensor: Sensor, ways: list[Way], nobody: float) -> Array | None:
        """Factors on visitors, shape (P, K, S): that others stir there does not tell of them (see `resting`)."""
        visitors, since = slice(len(self.plan.people), self.model.persons), snapshot.able.get(sensor.id)
        last = snapshot.holders.get(sensor.id)
        if visitors.start == visitors.stop or since is None or last is None or since < last.time.timestamp():
            return None
        sight = self._world(snapshot).sight
        rest = self._rests.get_or((snapshot.hours, sensor.id), lambda: rest_of(sight, sensor, visitors.start))
        if self.model.marginals(snapshot.mixture)[visitors, rest.in_sight].sum() < self.unlikely:
            return None
        factor = np.ones_like(snapshot.mixture.x)
        silence = snapshot.seconds - since
        nobody += snapshot.noise.get(sensor.id, 0.0)
        factor[visitors] = visitors_factor(snapshot.mixture, visitors, ways, nobody, rest, silence)
        return factor

    def _told_again(self, snapshot: Snapshot, sensor: Sensor, event: Event) -> Snapshot:
        """A sensor that is on says so again: no evidence, but somebody caused it, with whom the next is compared.

        Since when the sensor has been on stays as it was.
        """
        ways = self._world(snapshot).ways(sensor.id, event.value)
        mixture, caused = attribute(snapshot.mixture, ways, self.settings.motion_false_alarm_rate)
        told = self._remember(snapshot, event, mixture, caused)
        holder = replace(told.holders[sensor.id], time=snapshot.holders[sensor.id].time)
        return replace(told, holders={**told.holders, sensor.id: holder})

    def _off(self, snapshot: Snapshot, sensor: Sensor, event: Event) -> Snapshot:
        """A sensor turns off; one that sees still people says that nobody is there."""
        if sensor.kind == "occupancy":
            snapshot = self._vacant(snapshot, sensor)
        if event.value != "stopped":
            blind = ("blind", sensor.id)
            if sensor.kind == "camera":  # from now on it is known to tell when it sees nobody any more
                snapshot = replace(snapshot, said={**snapshot.said, sensor.id: Said(event.value, snapshot.seconds)})
            if sensor.kind == "motion" and blind not in snapshot.conditions:
                snapshot = off_after_all(snapshot, sensor)
            elif sensor.kind == "motion":
                if snapshot.awaits("expire", sensor.id):  # not out of reach meanwhile
                    snapshot = went_off(self._lingered(snapshot, sensor), sensor)
                snapshot = replace(snapshot, able={**snapshot.able, sensor.id: snapshot.seconds})
            snapshot = self._unschedule(snapshot, sensor.id, conditions=snapshot.conditions - {blind})
        return self._credit(snapshot, sensor, event)

    def _vacant(self, snapshot: Snapshot, sensor: Sensor) -> Snapshot:
        """A sensor that sees still people sees nobody: in error as often whether one resident is there or several.

        So it says nothing of how many, but for visitors, each of whom it speaks against: the settings have two turn it
        on again sooner than one, and a sensor that flickers would make a guest of that.
        """
        error, residents = self.settings.badge_error, self._inside(sensor.id)
        factor = np.ones_like(residents)
        visitors = slice(len(self.plan.people), self.model.persons)
        factor[visitors, self._states_in(str(sensor.room))] = error
        residents[visitors] = 0.0
        return self._factor(self._witness(snapshot, residents, 1.0 / error), factor)

    def _reachable(self, snapshot: Snapshot, sensor: Sensor, online: bool) -> Snapshot:
        """A sensor says that it can or cannot report; what it reported last holds no longer.

        How a seat stands that was taken then is unknown until it says so, as is a bedroom's door that was never heard,
        and whether a sensor that sees still people is on: as when a log begins. A door with another contact is still
        watched.
        """
        if sensor.id in snapshot.said:
            said = dataclasses.replace(snapshot.said[sensor.id], reachable=online, current=False)
            snapshot = replace(snapshot, said={**snapshot.said, sensor.id: said})
        if watched_by_another(self.plan, sensor, snapshot.said):
            return snapshot
        kind, name = ("unwatched", str(sensor.door)) if sensor.kind == "contact" else ("blind", sensor.id)
        conditions = forget_door(snapshot.conditions, name) if sensor.kind == "contact" else snapshot.conditions
        taken = sensor.kind == "pressure" and (held := snapshot.holders.get(name)) and held.value == "pressed"
        unheard = kind == "unwatched" and name in self.bedroom_doors and name not in snapshot.doors
        if not online:
            conditions = conditions - {("pressed", name)} | {(kind, name)}
        elif not (taken or unheard or sensor.kind == "occupancy"):
            conditions -= {(kind, name)}
        if sensor.kind == "contact" and name in snapshot.doors:
            snapshot = forget_sides(snapshot, snapshot.noted_of(name))
            snapshot = replace(snapshot, doors={**snapshot.doors, name: snapshot.doors[name].unknown()})
        reports, able = ({s: x for s, x in d.items() if s != sensor.id} for d in (snapshot.reports, snapshot.able))
        snapshot = replace(snapshot, reports=reports, able=able)
        return self._unschedule(snapshot, sensor.id, conditions=conditions)

    def foresee(self, snapshot: Snapshot) -> bool:
        """Prepare for what may come next, a piece at a time; whether there was anything left to prepare."""
        return self._world(snapshot).foresee(snapshot.conditions)

    def heed(self, snapshot: Snapshot, silent: frozenset[str], noise: Mapping[str, float]) -> Snapshot:
        """Let the silence of sick sensors, and the reports of chattering ones, count as little as they should."""
        if snapshot.silent == silent and snapshot.noise == noise:
            return snapshot
        for sensor in sorted(snapshot.silent ^ silent):
            snapshot = self._reachable(snapshot, self.plan.sensors[sensor], sensor not in silent)
        return replace(snapshot, silent=silent, noise=noise)

    # --- reading ----------------------------------------------------------------------------------------------------
    def belief(self, snapshot: Snapshot) -> Belief:
        """Read rooms, people and the count from the hypotheses."""
        mixture, model, rooms = snapshot.mixture, self.model, self.model.states.rooms
        there = mixture.x[: model.persons] @ model.room_of  # (P, K, R)
        someone = mixture.weight @ (1.0 - np.prod(1.0 - np.minimum(there, 1.0), axis=0))
        each = np.einsum("k,pkr->pr", mixture.weight, there)[: len(self.plan.people)]
        where = (each / each.sum(axis=1, keepdims=True)).tolist()
        count = np.zeros((len(mixture.weight), model.persons + 1))
        count[:, 0] = 1.0
        away = np.minimum(there[:, :, model.away, None], 1.0)
        for gone, home in zip(away, 1.0 - away, strict=True):  # Poisson-binomial, one person at a time
            before, count = count, count * gone
            count[:, 1:] += before[:, :-1] * home
        at_home = mixture.weight @ count
        return Belief(
            snapshot.time,
            {room: min(1.0, p) for room, p in zip(rooms, someone.tolist(), strict=True) if room != "away"},
            {name: dict(zip(rooms, row, strict=True)) for name, row in zip(self.plan.people, where, strict=True)},
            tuple((at_home / at_home.sum()).tolist()),
            self.plan,
        )
