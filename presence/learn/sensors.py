"""What the log says of each sensor by itself: silent, constant, how long it holds, how late it is; nothing invented."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence

import numpy as np

from presence.errors import counted
from presence.events import Event
from presence.floorplan import LINK_VALUES, OFF, ON, Floorplan
from presence.learn.recordings import Stretch

ENOUGH = 30
"""Times on, from which a hold time is measured."""
HOLD_QUANTILE = 0.1
"""Most times on are held on by further movement; the short ones show the hold itself."""
WRONG_BY = 1.5
"""A measured hold that differs from the plan's by this factor replaces it."""
LONGEST_DELAY = 1800.0
"""Seconds: a phone's report that comes later after the use of a door has to do with something else. No source."""
FEW_DELAYS = 5
"""Reports from which a phone's delay is told."""
PATIENCE = (60.0, 1800.0)
"""Seconds between which a learned `phone_still` lies. No source."""
SEEN_AT_ALL = 10
"""Events below which nothing can be learned about a sensor."""


def silent_sensors(plan: Floorplan, stretches: Sequence[Stretch]) -> frozenset[str]:
    """Sensors that have never told anything: dead, or never used. Nobody can say which, so nothing is learned."""
    return frozenset(name for name, count in _reports(plan, stretches).items() if not count)


def _reports(plan: Floorplan, stretches: Sequence[Stretch]) -> Counter[str]:
    """How often each sensor of the plan told anything but whether it can be heard."""
    told = Counter(event.sensor for event in _events(stretches) if event.value not in LINK_VALUES)
    return Counter({name: told[name] for name in plan.sensors})


def sensor_notes(plan: Floorplan, stretches: Sequence[Stretch]) -> list[str]:
    """One line for each sensor that tells too little to learn from."""
    counts = _reports(plan, stretches)
    days = sum(stretch.days for stretch in stretches)
    notes: list[str] = []
    if not stretches:
        return notes
    for name, count in counts.items():
        if count == 0:
            notes.append(f"{name} never reported in {days:.1f} days: nothing is learned about it")
        elif count < SEEN_AT_ALL:
            notes.append(f"{name} reported {counted(count, 'time')} only: too few to learn much about it")
    momentary = _never_off(plan, stretches)
    told = "reports is taken for movement just then"
    notes += [f"{name} never said clear: each of its {counts[name]} {told}" for name in momentary]
    for name, share in on_shares(plan, stretches).items():
        if share > 0.9 and name not in momentary:
            notes.append(f"{name} was on {share:.0%} of the time: it may be stuck, and says little")
    if not any(sensor.room for sensor in plan.sensors.values()):
        notes.append("no sensor stands in a room: nothing that is seen later tells how well rooms are told")
    return notes


def _never_off(plan: Floorplan, stretches: Sequence[Stretch]) -> list[str]:
    """Motion sensors that turned on more than once, and never off: there are such."""
    told = Counter((event.sensor, event.value) for event in _events(stretches))
    moving = [name for name, sensor in plan.sensors.items() if sensor.kind == "motion"]
    return [name for name in moving if told[name, ON["motion"]] > 1 and not told[name, OFF["motion"]]]


def on_shares(plan: Floorplan, stretches: Sequence[Stretch]) -> dict[str, float]:
    """Share of the time that each lasting sensor that reported was on."""
    total = sum(stretch.end - stretch.begin for stretch in stretches)
    lasting: dict[str, float] = {}
    for stretch in stretches:
        for name, begin, end in _times_on(plan, stretch):
            lasting[name] = lasting.get(name, 0.0) + (stretch.end if end is None else end) - begin
    return {name: seconds / total for name, seconds in lasting.items()} if total else {}


def _times_on(plan: Floorplan, stretch: Stretch) -> Iterator[tuple[str, float, float | None]]:
    """Each lasting sensor's times on: from when until when (epoch seconds); None: until the stretch ends."""
    since: dict[str, float] = {}
    for event in stretch.events:
        kind = plan.sensors[event.sensor].kind
        if event.value == ON.get(kind):
            since.setdefault(event.sensor, event.seconds)
        elif event.value == OFF.get(kind) and event.sensor in since:
            yield event.sensor, since.pop(event.sensor), event.seconds
    for name, begin in since.items():
        yield name, begin, None


def measured_holds(plan: Floorplan, stretches: Sequence[Stretch]) -> dict[str, float]:
    """Motion sensors whose hold, as measured, is not what the plan says: seconds, to a tenth."""
    times: dict[str, list[float]] = {}
    for stretch in stretches:
        for name, begin, end in _times_on(plan, stretch):
            if plan.sensors[name].kind == "motion" and end is not None:
                times.setdefault(name, []).append(end - begin)
    found = {}
    for name, lengths in times.items():
        if len(lengths) < ENOUGH:
            continue
        hold, told = float(np.quantile(lengths, HOLD_QUANTILE)), plan.sensors[name].hold or 0.0
        if hold > 0.1 and not told / WRONG_BY < hold < told * WRONG_BY:
            found[name] = round(hold, 1)
    return found


def phone_delays(plan: Floorplan, stretches: Sequence[Stretch]) -> dict[str, dict[str, list[float]]]:
    """Seconds from the latest use of an outer door to each change of a phone, by phone and value, ascending.

    That it says the same again is no change. Where others use the doors as well the true delays are longer: these are
    no more than what the log shows.
    """
    outer = {door.id for door in plan.doors.values() if any(room not in plan.indoor for room in door.between)}
    found: dict[str, dict[str, list[float]]] = {}
    for stretch in stretches:
        used = -math.inf
        said: dict[str, str] = {}
        for event in stretch.events:
            sensor = plan.sensors[event.sensor]
            if sensor.door in outer and event.value in ("open", "unlocked"):
                used = event.seconds
            elif sensor.kind == "phone" and event.value in ("home", "away"):
                if said.get(sensor.id, event.value) != event.value and event.seconds - used < LONGEST_DELAY:
                    by_value = found.setdefault(sensor.id, {})
                    by_value.setdefault(event.value, []).append(event.seconds - used)
                said[sensor.id] = event.value
    return {phone: {value: sorted(delays) for value, delays in told.items()} for phone, told in found.items()}


def phone_notes(delays: Mapping[str, Mapping[str, Sequence[float]]]) -> list[str]:
    """How late phones are, in words."""
    notes = []
    for phone, by_value in delays.items():
        for value, seconds in sorted(by_value.items()):
            if len(seconds) >= FEW_DELAYS:
                middle, late = np.quantile(seconds, [0.5, 0.9])
                notes.append(
                    f"{phone} says {value} {middle:.0f} s after the door (median of {len(seconds)};"
                    f" nine in ten within {late:.0f} s)"
                )
    return notes


def phone_patience(delays: Mapping[str, Mapping[str, Sequence[float]]]) -> float | None:
    """Seconds after which nearly every phone has reported (19 in 20); None where too few reports tell."""
    lengths = [delay for by_value in delays.values() for told in by_value.values() for delay in told]
    if len(lengths) < ENOUGH:
        return None
    return float(np.clip(np.quantile(lengths, 0.95), *PATIENCE))


def _events(stretches: Sequence[Stretch]) -> Iterable[Event]:
    return (event for stretch in stretches for event in stretch.events)
