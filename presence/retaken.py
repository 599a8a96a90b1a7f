"""A motion sensor that goes off saw its last movement a hold ago, and none since: heard where it belongs.

While such a sensor is on it is blind, and a filter lets whoever is in its sight come and go unseen. Its off report says
when the last movement was. So the belief of that instant is taken up again: somebody in sight moved then, from then on
the sensor is silent, and the few events since are taken in once more.

That somebody moved is told of them, but not how readily they do: a rate would make two of whoever is restless (as in
`resting`). In each hypothesis alike, the likelihood is the probability that anybody is in sight; who of them moved
goes by their rates. What must be exact or undone (all hypotheses kept, learning, looking back) is left without.
"""

from __future__ import annotations

import math
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from presence.doorways import caused_too, newly_opened, theirs_too
from presence.events import Event
from presence.floorplan import Sensor
from presence.hypotheses import Way, branch
from presence.inference import Engine
from presence.lingering import earliest_movement, last_movement
from presence.merging import Mixture
from presence.passages import Passage, as_told, labels_of
from presence.places import WATCHERS
from presence.snapshot import Snapshot, Taken, replace
from presence.witness import nobody_inside

Array = NDArray[np.float64]

IN_DOUBT = 0.05
"""Nothing is made of an off report where less than this speaks against somebody, or for anybody, being in sight: it
would hardly tell, and take the time of several events. No source."""


class LiveEngine(Engine):
    """The inference as time goes by, which remembers the latest events with what was known right after each."""

    @property
    def looks_back(self) -> float:
        """Seconds of which the latest events are kept in any case, with the one before them."""
        return 0.0

    def observe(self, snapshot: Snapshot, event: Event) -> tuple[Snapshot, list[Passage]]:
        """Take in an event at the snapshot's own instant, an off report where it belongs."""
        if (again := self._put_back(snapshot, event)) is not None:
            return self._ended(again, event)
        after, told = super().observe(snapshot, event)
        return self._remembering(after, snapshot.lately, Taken(event)), told

    def _set_off(self, snapshot: Snapshot, event: Event, ways: list[Way], nobody: float) -> Snapshot:
        """A sensor of a room is set off: by whom, by itself (1/s), or by who stands in a door that they have opened?"""
        doors = self._newly_opened(snapshot, event, ways)
        if not doors:
            return super()._set_off(snapshot, event, ways, nobody)
        seen = _seen(snapshot, doors)
        after = self._branch(snapshot, event, ways, nobody + seen.sum(axis=1))
        others = nobody + snapshot.noise.get(event.sensor, 0.0)
        mixture, same = caused_too(snapshot.mixture, after.mixture, seen, _seen(after, doors), others)
        told = after.association
        after = self._theirs_too(replace(after, mixture=mixture), event, snapshot.mixture.weight @ seen, others)
        assert told is not None
        assert after.association is not None
        theirs = told.nobody - after.association.nobody
        return replace(after, same_as_previous=(after.same_as_previous or 0.0) + theirs * same)

    def _newly_opened(self, snapshot: Snapshot, event: Event, ways: list[Way]) -> list[tuple[int, Array]]:
        """The doors in which somebody may stand who sets a sensor off, see `doorways`."""
        sensor = self.plan.sensors[event.sensor]
        if sensor.kind not in WATCHERS or not any(use.open for use in snapshot.doors.values()):
            return []
        return list(newly_opened(snapshot, self._world(snapshot).sight, sensor, ways))

    def _theirs_too(self, snapshot: Snapshot, event: Event, seen: Array, others: float) -> Snapshot:
        """Who stands in a door set the sensor off, at these rates by label (1/s), or nobody did."""
        assert snapshot.association is not None
        caused = theirs_too(snapshot.association, self.names, seen, others)
        return replace(snapshot, association=caused, holders={**snapshot.holders, event.sensor: caused})

    def _put_back(self, snapshot: Snapshot, event: Event) -> Snapshot | None:
        """What is known now, given the last movement seen by a sensor that goes off; None if nothing is made of it."""
        sensor = self.plan.sensors[event.sensor]
        if not self.settings.put_back_events or not self.most:
            return None
        if event.value != "clear" or sensor.id not in self._see_all:
            return None
        moved = last_movement(self.plan, snapshot, sensor)
        if moved is None:
            return None
        begin = next((n for n, taken in enumerate(snapshot.lately) if taken.at > moved), len(snapshot.lately)) - 1
        if begin < 0 or not (self._in_doubt(snapshot, sensor) or _opened_unheard(snapshot.lately[begin + 1 :])):
            return None
        doubts = snapshot.silent, snapshot.noise
        alike = all(
            taken.known and doubts == (taken.known.silent, taken.known.noise) for taken in snapshot.lately[begin:]
        )
        said_again = any(taken.event.sensor == sensor.id for taken in snapshot.lately[begin + 1 :])
        return self._again(snapshot, begin, moved, event) if alike and not said_again else None

    def _in_doubt(self, snapshot: Snapshot, sensor: Sensor) -> bool:
        """Whether it is in doubt that anybody, or nobody, is where a motion sensor sees."""
        return IN_DOUBT < self._nobody_in_sight(snapshot, sensor) < 1.0 - IN_DOUBT

    def _nobody_in_sight(self, snapshot: Snapshot, sensor: Sensor) -> float:
        """Probability that nobody is where a motion sensor sees."""
        return nobody_inside(snapshot.mixture, self._inside(sensor.id))

    @cached_property
    def _see_all(self) -> frozenset[str]:
        """The motion sensors that are the only one of a room in the house, so that they see all of it.

        Wind and traffic keep on those that are outdoors.
        """
        motion = [sensor for sensor in self.plan.sensors.values() if sensor.kind == "motion"]
        rooms = [sensor.room for sensor in motion]
        return frozenset(s.id for s in motion if rooms.count(s.room) == 1 and s.room in self.plan.indoor)

    def _again(self, snapshot: Snapshot, begin: int, moved: float, event: Event) -> Snapshot:
        """Take in what has come since an instant once more, after the last movement that a sensor saw then."""
        known, since = snapshot.lately[begin].known, (Taken(event, moved), *snapshot.lately[begin + 1 :])
        assert known is not None
        now = self._retake(known, snapshot.lately[: begin + 1], since, snapshot.seconds)
        return replace(now, windows=as_told(now.windows, snapshot.windows))

    def _retake(self, now: Snapshot, lately: tuple[Taken, ...], since: tuple[Taken, ...], until: float) -> Snapshot:
        """Take in once more what has come since an instant, up to another (epoch seconds); `lately` came before it."""
        for taken in since:
            now, _ = self.advance(now, taken.at)
            if taken.moved is not None:
                now = self._remembering(self._seen(now, self.plan.sensors[taken.event.sensor]), lately, taken)
            elif taken.ended:
                now, _ = self._ended(replace(now, lately=lately), taken.event)
            else:
                now, _ = super().observe(now, taken.event)
                now = self._remembering(now, lately, taken)
            lately = now.lately
        return self.advance(now, until)[0]

    def _ended(self, snapshot: Snapshot, event: Event) -> tuple[Snapshot, list[Passage]]:
        """The off report of a sensor whose last movement is in its place already."""
        on = replace(snapshot, conditions=snapshot.conditions | {("blind", event.sensor)})
        after, told = super().observe(on, event)
        return self._remembering(after, snapshot.lately, Taken(event, ended=True)), told

    def _seen(self, snapshot: Snapshot, sensor: Sensor) -> Snapshot:
        """Somebody in a sensor's sight moves, for the last time before it goes off: from now on its silence tells."""
        due = tuple(note for note in snapshot.due if note[2] != sensor.id or note[1] not in ("linger", "witness"))
        conditions = snapshot.conditions - {("blind", sensor.id)}
        return replace(snapshot, mixture=self._moved_last(snapshot, sensor), conditions=conditions, due=due)

    def _moved_last(self, snapshot: Snapshot, sensor: Sensor) -> Mixture:
        """The hypotheses, given that somebody in a sensor's sight moved, or that its off report came by itself."""
        mixture = snapshot.mixture
        ways = self._world(snapshot).ways(sensor.id, "detected")
        there = np.clip(np.einsum("pks,ps->pk", mixture.x, self._inside(sensor.id)), 0.0, 1.0)
        absent = np.prod(1.0 - there, axis=0)
        rate = sum(np.einsum("pkm,pmt->k", mixture.x[:, :, way.source], way.rates) for way in ways)
        by_itself = self._false_alarm_rate(snapshot, sensor) + snapshot.noise.get(sensor.id, 0.0)
        readily = np.maximum(1.0 - absent, 1e-9) / (rate + by_itself)
        weight = mixture.weight * readily
        nobody = by_itself + self.settings.occupancy_lost * absent / readily
        total = float(weight.sum())
        even = mixture._replace(weight=weight / total, log_likelihood=mixture.log_likelihood + math.log(total))
        seen, _ = branch(even, ways, nobody, self.most)
        return seen

    def _remembering(self, after: Snapshot, lately: tuple[Taken, ...], taken: Taken) -> Snapshot:
        """What is known after an event, with the latest as far back as a sensor that is on may have seen somebody."""
        most = int(self.settings.put_back_events)
        back = earliest_movement(self.plan, after, self._see_all) if most else math.inf
        if most and self.looks_back:  # nothing that came before another report of a door
            at_door = self.plan.sensors[taken.event.sensor].door is not None
            back = min(back, taken.at if at_door else after.seconds - self.looks_back)
        if back == math.inf:
            return replace(after, lately=(), put_back=taken.ended)
        lately = (*lately[-most:], taken._replace(known=replace(after, lately=())))
        passed = sum(earlier.at <= back for earlier in lately)
        return replace(after, lately=lately[max(0, passed - 1) :], put_back=taken.ended)


def _opened_unheard(lately: tuple[Taken, ...]) -> bool:
    """Whether a door was told to be shut that was not open: who has passed it hangs on who was up beside it."""
    closings = (taken for taken in lately if taken.event.value == "closed" and taken.known is not None)
    return any(
        window.seconds == taken.at and not window.beyond
        for taken in closings
        for window in (taken.known.windows if taken.known else ())
    )


def _seen(snapshot: Snapshot, doors: list[tuple[int, Array]]) -> Array:
    """Rates at which those who stand in some doors set a sensor off, 1/s: shape (K, 1 + 2 P), by label."""
    found: Array = np.sum([labels_of(snapshot.mixture, snapshot.windows, n) * rates for n, rates in doors], axis=0)
    return found
