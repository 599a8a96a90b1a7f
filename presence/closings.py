"""Who shut a door, and was it a hand at all?"""

from __future__ import annotations

from presence.carried import CarriedEngine
from presence.events import Event
from presence.experience import DoorUse
from presence.snapshot import Snapshot, replace
from presence.unprompted import locks_itself_rate, opened_by, pulled_shut_rate


class ClosingEngine(CarriedEngine):
    """The part of the inference that takes in what ends a standing open: a door is shut, a lock is locked."""

    def _shut(self, snapshot: Snapshot, event: Event, by_itself: float, use: DoorUse) -> Snapshot:
        """A door is shut: by somebody beside it, by itself, or by whoever opened it, in the same move."""
        door = str(self.plan.sensors[event.sensor].door)
        world = self._world(snapshot)
        ways = world.ways(event.sensor, event.value, event.by, use.usual_share)
        if event.value == "closed" and not use.since and self.plan.outdoor_sides[door] is not None:
            # it has stood shut unless its opening was lost
            ways = [way._replace(rates=way.rates * world.sight.door_miss(door)) for way in ways]
        by_itself += self.settings.door_draught_factor * self.settings.door_false_alarm_rate
        pulled = self._gone_on_rate(snapshot, event, use)
        opener = opened_by(self.plan, door, use, snapshot.holders) if event.value == "closed" else None
        snapshot = self._branch(snapshot, event, ways, by_itself + pulled)
        if opener is None or snapshot.association is None or not pulled:
            return snapshot
        noise = snapshot.noise.get(event.sensor, 0.0)
        closer = snapshot.association.credited(opener, pulled / (by_itself + pulled + noise))
        return replace(snapshot, association=closer, holders={**snapshot.holders, event.sensor: closer})

    def _gone_on_rate(self, snapshot: Snapshot, event: Event, use: DoorUse) -> float:
        """Rate at which a door is shut by somebody who has gone on by now, wherever they are (1/s).

        Who opened it shuts it in the same move, and a lock may lock itself; an overhead door comes down while whoever
        set it going may go into the house by another door of the garage, if that stands open or has just been used.
        """
        door = str(self.plan.sensors[event.sensor].door)
        if self.plan.sensors[event.sensor].kind == "lock":
            return locks_itself_rate(self.plan, self.settings, event, snapshot.unprompted.get(event.sensor))
        if self.plan.doors[door].leaf != "overhead":
            return pulled_shut_rate(self.settings, event, use, snapshot.seconds)
        if event.value != "closed" or not use.open:
            return 0.0
        inside = set(self.plan.doors[door].between) & set(self.plan.indoor)
        others = (other for other in self.plan.doors.values() if other.id != door and inside & set(other.between))
        ways_on = (snapshot.doors[other.id] for other in others if other.id in snapshot.doors)
        travel = self.settings.overhead_travel
        open_lately = any(way.open or snapshot.seconds - way.heard <= travel for way in ways_on)
        return self.settings.door_pulled_shut_share * self.settings.door_closing_rate * open_lately
