"""A motion sensor that is on for longer than its hold, or goes off later, saw somebody move while it was on.

A filter hears of it too late to put that movement in its place (after the fact `holds` does), but one thing needs no
place: where no outer door has been heard since, whoever moved then is still at home. So somebody who has opened the
front door to a parcel, and was seen in the living room afterwards, is not believed to have left.

One that stays on for very long has lost its off message.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection

from presence.experience import JITTER, TimesOn
from presence.floorplan import Floorplan, Sensor
from presence.holds import PASSING, SLACK
from presence.snapshot import Snapshot, replace

USUAL = 20
"""Off messages of a sensor's own record that what is expected of it counts for. Common practice, no source."""
UNKNOWN_HOLD = 60.0
"""Seconds that a sensor without a stated hold is taken to stay on. Common practice, no source."""
LEAST_HEARD = 5
"""Times that a sensor must have gone off before its hold is believed: some stay on for longer than the plan says."""
LEAST_HOLD = 1.0
"""Seconds within which a sensor that turns on twice repeats itself, whatever its hold. Common practice, no source."""
ALIKE = 0.02
"""Share by which a radio's clock may be off; as `SLACK` where that is more. Common practice, no source."""
REPEATED = 5.0
"""Seconds within which a radio sends the same report once more, unsure whether it was heard. Common practice, no
source."""
GAPS = 20
"""Latest times between reports that are kept of a sensor that never goes off. Common practice, no source."""
MOST_BLIND = 600.0
"""Seconds: no sensor to save a battery reports nothing for longer after it has spoken. Common practice, no source."""
UNHEARD = TimesOn()
"""The record of a sensor that has not gone off yet."""


def moved_since(plan: Floorplan, snapshot: Snapshot, sensor: Sensor) -> float | None:
    """Seconds for which a motion sensor was kept on by somebody who has not gone out since, as its being on shows.

    Args:
        plan: the home.
        snapshot: what is known just before it goes off, or while it is on.
        sensor: the motion sensor.

    Returns:
        From its going on to the last movement that it can have seen, at the latest a hold ago. None if it was on for
        its hold alone; if that movement came before an outer door's last report, or soon after it: theirs who have
        gone; or if somebody may have gone unheard, for an outer door stands open or is not watched by a contact.
    """
    told = _told_from(plan, snapshot, sensor)
    if told is None or not _all_shut(plan, snapshot):
        return None
    last = snapshot.seconds - known_hold(snapshot, sensor)
    return last - snapshot.holders[sensor.id].time.timestamp() if last > told else None


def tells_at(plan: Floorplan, snapshot: Snapshot, sensor: Sensor) -> float | None:
    """When a motion sensor that is on shows, by being on still, that somebody has not gone out; epoch seconds.

    None if it is not on, or never shows it.
    """
    if not snapshot.awaits("expire", sensor.id):
        return None
    told = _told_from(plan, snapshot, sensor)
    return None if told is None else told + known_hold(snapshot, sensor) + SLACK


def _told_from(plan: Floorplan, snapshot: Snapshot, sensor: Sensor) -> float | None:
    """After when a movement seen by a motion sensor is no longer theirs who have gone, nor what turned it on.

    Epoch seconds; None if it is outdoors, has never gone on, or how long it stays on is not known well.
    """
    on, record = snapshot.holders.get(sensor.id), _record(snapshot, sensor)
    if on is None or not sensor.hold or sensor.room not in plan.indoor or record.heard < LEAST_HEARD:
        return None
    outer, late = _outer(plan), PASSING + JITTER * known_hold(snapshot, sensor)
    gone = [seconds + late for seconds in _latest(plan, snapshot, lambda other: other.door in outer)]
    return max([on.time.timestamp() + SLACK, *gone])


def none_passed(plan: Floorplan, snapshot: Snapshot, since: float) -> bool:
    """Whether nobody was heard to pass an outer door since an instant (epoch seconds), all being shut and watched.

    That a contact says again what it has said is no use of its door (`DoorUse.since`). One that has been out of reach
    may have missed somebody, and a door that is only taken to have been shut may stand open: they count as used.
    """
    outer = _outer(plan)
    uses = [snapshot.doors[door] for door in outer if door in snapshot.doors]
    told = [math.inf if use.given_up or not use.since else use.since for use in uses]
    told += _latest(plan, snapshot, lambda other: other.kind == "lock" and other.door in outer)
    return bool(uses) and _all_shut(plan, snapshot) and max(told) < since


def _all_shut(plan: Floorplan, snapshot: Snapshot) -> bool:
    """Whether every outer door's contact is watching it, and has not told that it is open."""
    return all(_shut(plan, snapshot, door) for door in _outer(plan))


def _outer(plan: Floorplan) -> set[str]:
    """The doors to the outside."""
    return {door for door, side in plan.outdoor_sides.items() if side is not None}


def stated_hold(sensor: Sensor) -> float:
    """Seconds for which a sensor stays on after what it saw last, by the plan."""
    return sensor.hold or UNKNOWN_HOLD


def last_movement(plan: Floorplan, snapshot: Snapshot, sensor: Sensor) -> float | None:
    """When a motion sensor that goes off now saw its last movement, epoch seconds.

    None if it was on for its hold alone (or for several whole ones: some look only once a hold), if its hold is shorter
    than the plan says, if it has been out of reach meanwhile, or if that movement followed a report of a door of its
    room or of an outer one: it may be theirs who have gone through, or the door's own.
    """
    on, record = snapshot.holders.get(sensor.id), _record(snapshot, sensor)
    if on is None or not sensor.hold or record.heard < LEAST_HEARD:
        return None
    hold, lasted = known_hold(snapshot, sensor), snapshot.seconds - on.time.timestamp()
    whole = abs(lasted - round(lasted / hold) * hold) <= SLACK
    if lasted < hold or whole or record.shortest < (1.0 - JITTER) * hold:
        return None
    if not snapshot.awaits("expire", sensor.id):
        return None
    last = snapshot.seconds - hold
    doors = _outer(plan) | {door.id for door in plan.doors.values() if sensor.room in door.between}
    told = _latest(plan, snapshot, lambda other: other.door in doors)
    passing = any(0.0 <= last - seconds <= PASSING + JITTER * hold for seconds in told)
    return None if passing or _next_door(plan, snapshot, sensor, last) else last


def earliest_movement(plan: Floorplan, snapshot: Snapshot, sensors: Collection[str]) -> float:
    """Before when none of some motion sensors that are on can have seen its last movement, epoch seconds.

    They have been on since they went on, and go off a hold after it, now at the earliest; infinite if none is on.
    """
    earliest = math.inf
    for _, what, name in snapshot.due:
        if what == "expire" and name in sensors and (on := snapshot.holders.get(name)) and plan.sensors[name].hold:
            hold = known_hold(snapshot, plan.sensors[name])
            earliest = min(earliest, max(on.time.timestamp(), snapshot.seconds - hold))
    return earliest


def _next_door(plan: Floorplan, snapshot: Snapshot, sensor: Sensor, last: float) -> bool:
    """Whether a motion sensor next door spoke just before a movement: they may be one walk, in either order."""
    nearby = set(plan.graph.neighbors(sensor.room)) if sensor.room else set()
    spoke = _latest(plan, snapshot, lambda other: other.kind == "motion" and other.room in nearby)
    return any(0.0 <= last - seconds <= PASSING for seconds in spoke)


def _latest(plan: Floorplan, snapshot: Snapshot, of: Callable[[Sensor], bool]) -> list[float]:
    """When somebody last set off each of some sensors, epoch seconds; not when one that is on says so again."""
    sensors = (sensor for sensor in plan.sensors.values() if of(sensor) and sensor.id in snapshot.holders)
    return [snapshot.holders[sensor.id].time.timestamp() for sensor in sensors]


def known_hold(snapshot: Snapshot, sensor: Sensor) -> float:
    """Seconds for which a motion sensor stays on after the last movement: longer than stated if it always does."""
    record, stated = _record(snapshot, sensor), stated_hold(sensor)
    return stated if record.heard < LEAST_HEARD else max(stated, record.shortest)


def _shut(plan: Floorplan, snapshot: Snapshot, door: str) -> bool:
    """Whether a door's contact is watching it, and has not told that it is open."""
    contact = plan.contacts.get(door)
    told = {("open", door), ("unwatched", door)} & snapshot.conditions
    return contact is not None and contact.kind == "contact" and not told


def holds_waited(snapshot: Snapshot, sensor: Sensor, most: float) -> float:
    """Holds for which a motion sensor that stays on is believed: as many as of its messages come for one that is lost.

    By its own record; where that is short by that of all together, where that is short `most`.
    """
    each = snapshot.times_on.values()
    own = _record(snapshot, sensor)
    share = _share(sum(record.heard for record in each), sum(record.lost for record in each), 1.0 / most)
    return min(most, 1.0 / _share(own.heard, own.lost, share))


def lost_share(snapshot: Snapshot, sensor: Sensor, usual: float) -> float:
    """Share of a motion sensor's off messages that are lost: `usual`, or more where its own record says so."""
    record = _record(snapshot, sensor)
    return max(usual, _share(record.heard, record.lost, usual))


def _share(heard: float, lost: float, usual: float) -> float:
    return (lost + USUAL * usual) / (heard + lost + USUAL)


def _record(snapshot: Snapshot, sensor: Sensor) -> TimesOn:
    return snapshot.times_on.get(sensor.id, UNHEARD)


def _kept(snapshot: Snapshot, sensor: Sensor, record: TimesOn) -> Snapshot:
    return replace(snapshot, times_on={**snapshot.times_on, sensor.id: record})


def went_off(snapshot: Snapshot, sensor: Sensor) -> Snapshot:
    """How long a motion sensor was on that goes off now is kept."""
    if sensor.id not in snapshot.holders:
        return snapshot
    record = _record(snapshot, sensor)
    on = snapshot.seconds - snapshot.holders[sensor.id].time.timestamp()
    return _kept(snapshot, sensor, record.went_off(on, stated_hold(sensor)))


def last_said(snapshot: Snapshot, sensor: Sensor) -> float:
    """When a sensor that has been on last said so, epoch seconds."""
    return max(snapshot.holders[sensor.id].time.timestamp(), _record(snapshot, sensor).again)


def spoke(snapshot: Snapshot, sensor: Sensor) -> Snapshot:
    """A motion sensor says that it is on: how long after its last report is kept, as long as it has never gone off."""
    record = _record(snapshot, sensor)
    if sensor.id not in snapshot.holders or record.heard:
        return snapshot
    gap = snapshot.seconds - last_said(snapshot, sensor)
    gaps = (*record.gaps, gap)[-GAPS:] if gap > REPEATED else record.gaps
    return _kept(snapshot, sensor, record._replace(gaps=gaps))


def blind_time(snapshot: Snapshot, sensor: Sensor) -> float | None:
    """Seconds for which a motion sensor that never goes off reports nothing after it has spoken.

    Many that run on a battery only say that they are on, once in so many seconds: what the plan says of their hold is a
    guess. Whoever keeps moving makes them speak as soon as they can, so it is the second shortest time between their
    reports (the shortest may be an echo), if the third is much the same. None if it does go off, or is not known.
    """
    record = _record(snapshot, sensor)
    if record.heard or record.lost < LEAST_HEARD or len(record.gaps) < LEAST_HEARD:
        return None
    _, second, third, *_ = sorted(record.gaps)
    return second if third <= (1.0 + JITTER) * second and second <= MOST_BLIND else None


def said_again(snapshot: Snapshot, sensor: Sensor) -> Snapshot:
    """A sensor that is on says so again: since its last report it may have been off, unheard.

    Not within its hold; and not if it is a radio that checks in, which comes again as long after its last report as it
    did before, and has done so at least as often as not: people are not as punctual as that.
    """
    if sensor.id not in snapshot.holders:
        return snapshot
    passed = snapshot.seconds - last_said(snapshot, sensor)
    record = _record(snapshot, sensor)._replace(again=snapshot.seconds)
    if passed <= max(sensor.hold or 0.0, LEAST_HOLD):
        return _kept(snapshot, sensor, record)
    punctual = abs(passed - record.period) <= max(SLACK, ALIKE * passed)
    checks_in = punctual and record.punctual >= record.irregular
    snapshot = _kept(snapshot, sensor, record.came_again(snapshot.seconds, passed, punctual))
    return snapshot if checks_in else off_lost(snapshot, sensor)


def off_lost(snapshot: Snapshot, sensor: Sensor) -> Snapshot:
    """A sensor is off again although nobody said so: its off message was lost; of a motion sensor that is kept."""
    snapshot = replace(snapshot, conditions=snapshot.conditions - {("blind", sensor.id)})
    if sensor.kind != "motion":
        return snapshot
    record = _record(snapshot, sensor)
    return _kept(snapshot, sensor, record.with_more(lost=1))


def off_after_all(snapshot: Snapshot, sensor: Sensor) -> Snapshot:
    """An off message that was taken to be lost comes after all: somebody has kept the sensor on for very long."""
    record, on = _record(snapshot, sensor), snapshot.holders.get(sensor.id)
    if on is None or not record.lost:
        return snapshot
    if record.heard and snapshot.able.get(sensor.id, 0.0) > on.time.timestamp():  # it has gone off since
        return snapshot
    snapshot = replace(snapshot, able={**snapshot.able, sensor.id: snapshot.seconds})
    return _kept(snapshot, sensor, record.with_more(heard=1, lost=-1))
