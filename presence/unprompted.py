"""What sensors report whoever is there: a jolt, a rattle, a door pulled shut in passing, the same once more.

Radios and second contacts say what has been said. Rattles, repetitions and the chatter of switches come at rates
learned from the sensor's own record, with what the settings say for a start.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from presence.events import Event
from presence.experience import DoorUse, Said, Unprompted
from presence.floorplan import Floorplan, Sensor
from presence.settings import Settings
from presence.snapshot import Association

TOGETHER = 5.0
"""Seconds within which a hub that starts anew tells again how everything stands: after one such report the next comes
so soon half of the time. Common practice, no source."""

TRUSTED = 10
"""A switch or an appliance is trusted as if it had reported so many times before, never by itself. Common practice, no
source."""


def strays(plan: Floorplan, sensor: Sensor) -> bool:
    """Whether wind, sun, animals and traffic set a sensor off: a motion sensor outdoors."""
    return sensor.kind == "motion" and sensor.room not in plan.indoor


def stray_rate(
    plan: Floorplan, settings: Settings, sensor: Sensor, record: Unprompted | None = None, heard: float = 0.0
) -> float:
    """Rate at which a sensor in a room reports somebody with nobody there (1/s).

    Of a motion sensor outdoors (`strays`), `(usual rate * period + m) / (period + heard)`: it made m of its reports by
    itself (mean of a gamma distribution, whose inverse scale is the period beforehand).

    Args:
        plan: the home.
        settings: of the home.
        sensor: the sensor.
        record: what it has reported so far, if anything.
        heard: seconds since the log began, or since when its reports are counted.
    """
    if strays(plan, sensor):
        alone = 0.0 if record is None else record.by_itself
        period = settings.outdoor_false_alarm_period
        return (settings.outdoor_false_alarm_rate * period + alone) / (period + max(0.0, heard))
    moving = sensor.kind in ("motion", "occupancy")
    return settings.motion_false_alarm_rate if moving else settings.object_false_alarm_rate


def contacts_of(plan: Floorplan, door: str | None) -> list[str]:
    """The contacts of a door; a gate, say, may have two."""
    return [s.id for s in plan.sensors.values() if s.kind == "contact" and s.door == door]


def _told_by_others(plan: Floorplan, sensor: Sensor, said: Mapping[str, Said]) -> list[Said]:
    """What the other contacts of a contact's door said last, of those that have been heard."""
    return [said[name] for name in contacts_of(plan, sensor.door) if name != sensor.id and name in said]


def watched_by_another(plan: Floorplan, sensor: Sensor, said: Mapping[str, Said]) -> bool:
    """Whether a contact's door has another one, which has been heard and can report."""
    return sensor.kind == "contact" and any(other.reachable for other in _told_by_others(plan, sensor, said))


def is_echo(plan: Floorplan, event: Event, use: DoorUse, said: Mapping[str, Said], seconds: float) -> bool:
    """Whether a contact only tells, too, what another one has just told of the same door, or is heard first after it.

    One that was out of reach is heard first again.

    Args:
        plan: the home.
        event: the report.
        use: how the door has stood.
        said: what each contact and lock said before it.
        seconds: when it came, epoch seconds.
    """
    sensor = plan.sensors[event.sensor]
    stands = use.since > 0.0 and use.open == (event.value == "open")
    known = sensor.id in said and said[sensor.id].current
    soon = seconds - use.heard <= TOGETHER or not known
    if sensor.kind != "contact" or not stands or not soon:
        return False
    return any(other.value == event.value for other in _told_by_others(plan, sensor, said))


def false_alarm_rate(plan: Floorplan, settings: Settings, door: str) -> float:
    """Rate at which a contact or a lock reports an opening with nobody near (1/s): one to the outside is latched."""
    inner = plan.outdoor_sides[door] is None
    return settings.door_false_alarm_rate if inner else settings.outer_door_false_alarm_rate


def bounce_rate(settings: Settings, event: Event, use: DoorUse, seconds: float) -> float:
    """Rate at which a contact follows up its last report by itself (1/s): a door that is not latched rattles.

    `share * log(2) / delay * 2 ** (-age / delay)`: half of such reports come within the delay. The share is the
    contact's own record, with what the settings say for a start.
    """
    usual, delay = settings.door_bounce_share, settings.door_bounce_delay
    if not usual or not use.since or use.open == (event.value == "open"):
        return 0.0
    age = seconds - use.since
    return _soon_rate(use.bounce_share(usual), delay, age)


def pulled_shut_rate(settings: Settings, event: Event, use: DoorUse, seconds: float) -> float:
    """Rate at which whoever has opened a door shuts it in the same move, wherever they are a moment later (1/s).

    `share * log(2) / delay * 2 ** (-age / delay)`: half of such closings come within the delay. That the door still
    stands open tells nothing of where anybody is, so this rate is not taken off the silence. Share and delay are what
    the first halves of two open logs show without labels (van Kasteren et al. 2010, house A; ARAS house A): most doors
    are shut again within seconds.
    """
    if event.value != "closed" or not use.open:
        return 0.0
    return _soon_rate(settings.door_pulled_shut_share, settings.door_pulled_shut_delay, seconds - use.since)


def _soon_rate(share: float, delay: float, age: float) -> float:
    """Rate (1/s) of what follows with some share, half of it within the delay (s), at some age (s)."""
    return share * math.log(2.0) / delay * math.exp(-math.log(2.0) * age / delay)


def _own_share(record: Unprompted | None, usual: float) -> float:
    """Share of occasions on which a sensor reports by itself, by its own record.

    `(usual * TRUSTED + m) / (TRUSTED + n)`: m times on n occasions (mean of a beta or gamma distribution).
    """
    record = record or Unprompted()
    return (usual * TRUSTED + record.by_itself) / (TRUSTED + record.occasions)


def locks_itself_rate(plan: Floorplan, settings: Settings, event: Event, record: Unprompted | None) -> float:
    """Rate at which a lock that has been unlocked locks by itself, wherever anybody is (1/s).

    `share * lock_rate`: that of somebody who stands beside it, for keypads mostly lock themselves after a while. Common
    practice, no source. Where the door's contact tells who passes it, it matters whether a hand locked it from outside:
    then the share is the lock's own record, (.2 + m) / (10 + n) if it locked m of n times by itself. Not where it says
    `by` whom.
    """
    if event.value != "locked" or event.by is not None or event.code is not None:
        return 0.0
    share = settings.door_pulled_shut_share
    if contacts_of(plan, plan.sensors[event.sensor].door):
        share = min(share, _own_share(record, settings.lock_itself_share))
    return share * settings.lock_rate


def opened_by(plan: Floorplan, door: str, use: DoorUse, holders: Mapping[str, Association]) -> Association | None:
    """Who opened a door, by the latest of its contacts' openings; of several that told of it, by what is no echo."""
    said = [holders[name] for name in contacts_of(plan, door) if name in holders]
    told = [report for report in said if report.value == "open"]
    latest = [opening for opening in told if use.since - opening.time.timestamp() <= TOGETHER]
    return min(latest, key=lambda opening: opening.nobody, default=None)


def repeat_rate(
    settings: Settings, event: Event, said: Mapping[str, Said], seconds: float, *, begun: bool = False
) -> float:
    """Rate at which a contact or a lock says again what it has said, nothing having happened (1/s).

    `(repeats + n) / (period + T)`: n such reports since it was first heard T ago (mean of a gamma distribution, whose
    shape is `repeats` and inverse scale `period` beforehand); more where another has just done so, or has first been
    heard to stand shut: a hub that starts tells how everything stands. Who works a lock by its lever or a code is no
    radio; a contact that has never said anything but `open` reports openings alone. What is heard first when the log
    has just begun is how a door stands, unless it stands open and no other has told so yet.

    Args:
        settings: of the home.
        event: the report.
        said: what each contact and lock said before it.
        seconds: when it came, epoch seconds.
        begun: whether the log has only just begun.
    """
    own, expected, period = said.get(event.sensor), settings.door_repeats, settings.door_repeat_period
    news = own is not None and own.value != event.value
    if not expected or news or event.by is not None or event.code is not None:
        return 0.0
    first, opening = own is None and begun, event.value in ("open", "unlocked")
    together = any(seconds - other.unprompted <= TOGETHER for name, other in said.items() if name != event.sensor)
    if opening and not ((own and own.both) or (first and together)):
        return 0.0
    together = together or first
    usual = 0.0 if own is None else (expected + own.repeats) / (period + max(0.0, seconds - own.first))
    return usual + together * 0.5 / TOGETHER


def flutter_rate(settings: Settings, last: Association | None, record: Unprompted | None, seconds: float) -> float:
    """Rate at which a seat, bed or mat that is pressed lets go though whoever presses it stays (1/s).

    `share / (delay + age)`: who sits down shifts about, ever more rarely, and a sensor near its threshold lets go each
    time. The share is its own record, `(seat_flutter * TRUSTED + m) / (TRUSTED + e)`: it let go m times by itself in e
    e-folds of time spent pressed (mean of a gamma distribution).

    Args:
        settings: of the home.
        last: who caused its last report, if it has made any.
        record: how often it has let go so far.
        seconds: when it lets go now, epoch seconds.
    """
    if last is None or last.value != "pressed" or not settings.seat_flutter:
        return 0.0
    share = _own_share(record, settings.seat_flutter)
    return share / (settings.object_chatter_delay + max(0.0, seconds - last.time.timestamp()))


def chatter_rate(settings: Settings, last: Association | None, record: Unprompted | None, seconds: float) -> float:
    """Rate at which a switch or an appliance goes on reporting by itself, having probably done so before (1/s).

    `share * chatter * max(0, 2 P(nobody) - 1) / (delay + age)`, P(nobody) and age those of its last report: false
    reports come in bursts. The share is its own record, m / (10 + n): of n reports it made m by itself. Hands come in
    bursts, too: one report in doubt must not make a chatterer of a tap that is used day by day.

    Args:
        settings: of the home.
        last: who caused its last report, if it has made any.
        record: what it has reported so far; sensors of other kinds have none.
        seconds: when it reports now, epoch seconds.
    """
    if last is None or record is None:
        return 0.0
    share = _own_share(record, 0.0)
    age = max(0.0, seconds - last.time.timestamp())
    falsely = max(0.0, 2.0 * last.nobody - 1.0)
    return share * falsely * settings.object_chatter / (settings.object_chatter_delay + age)
