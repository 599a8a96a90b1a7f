"""A motion sensor that goes off later than its hold after it went on saw somebody move while it was on.

A filter hears of it too late to put that movement in its place (after the fact `holds` does), but one thing needs no
place: where no outer door has been heard since, whoever moved then is still at home. So somebody who has opened the
front door to a parcel, and was seen in the living room afterwards, is not believed to have left.
"""

from __future__ import annotations

import math

from presence.floorplan import Floorplan, Sensor
from presence.holds import PASSING, SLACK
from presence.snapshot import Snapshot, replace

LEAST_HEARD = 5
"""Times that a sensor must have gone off before its hold is believed: some stay on for longer than the plan says."""


def moved_since(plan: Floorplan, snapshot: Snapshot, sensor: Sensor) -> float | None:
    """Seconds for which a motion sensor that goes off now was kept on by somebody who has not gone out since.

    Args:
        plan: the home.
        snapshot: what is known just before it goes off.
        sensor: the motion sensor.

    Returns:
        From its going on to the last movement that it saw. None if it was on for its hold alone, or if the last
        movement came before an outer door's last report, or within a few steps after it: theirs who have gone.
    """
    on, record = snapshot.holders.get(sensor.id), snapshot.times_on.get(sensor.id, (0, math.inf))
    if on is None or not sensor.hold or sensor.room not in plan.indoor or record[0] < LEAST_HEARD:
        return None
    went_on, last = on.time.timestamp(), snapshot.seconds - max(sensor.hold, record[1])
    outer = {s.id for s in plan.sensors.values() if s.door is not None and plan.outdoor_sides[s.door] is not None}
    heard = [snapshot.holders[door].time.timestamp() for door in outer & snapshot.holders.keys()]
    return last - went_on if last > max([went_on + SLACK, *(at + PASSING for at in heard)]) else None


def recorded(snapshot: Snapshot, sensor: Sensor) -> Snapshot:
    """How long a motion sensor that goes off was on is kept: how often that was heard, and the shortest time."""
    if sensor.id not in snapshot.holders:
        return snapshot
    heard, shortest = snapshot.times_on.get(sensor.id, (0, math.inf))
    on = snapshot.seconds - snapshot.holders[sensor.id].time.timestamp()
    return replace(snapshot, times_on={**snapshot.times_on, sensor.id: (heard + 1, min(shortest, on))})
