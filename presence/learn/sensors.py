"""What the log says of each sensor by itself: silent, constant, and how long it holds. Nothing is invented."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from presence.events import Event
from presence.floorplan import Floorplan
from presence.learn.later import OFF, ON
from presence.learn.recordings import Stretch

ENOUGH = 30
"""Times on, from which a hold time is measured."""
HOLD_QUANTILE = 0.1
"""Most times on are held on by further movement; the short ones show the hold itself."""
WRONG_BY = 1.5
"""A measured hold that differs from the plan's by this factor replaces it."""
SEEN_AT_ALL = 10
"""Events below which nothing can be learned about a sensor."""


def sensor_notes(plan: Floorplan, stretches: Sequence[Stretch]) -> list[str]:
    """One line for each sensor that tells too little to learn from."""
    counts = dict.fromkeys(plan.sensors, 0)
    for event in _events(stretches):
        counts[event.sensor] += 1
    days = sum(stretch.days for stretch in stretches)
    notes: list[str] = []
    if not stretches:
        return notes
    for name, count in counts.items():
        if count == 0:
            notes.append(f"{name} never reported in {days:.1f} days: nothing is learned about it")
        elif count < SEEN_AT_ALL:
            notes.append(f"{name} reported {count} times only: its rates stay the defaults")
    for name, share in on_shares(plan, stretches).items():
        if share > 0.9:
            notes.append(f"{name} was on {share:.0%} of the time: it may be stuck, and says little")
    return notes


def on_shares(plan: Floorplan, stretches: Sequence[Stretch]) -> dict[str, float]:
    """Share of the time that each lasting sensor that reported was on."""
    total = sum(stretch.end - stretch.begin for stretch in stretches)
    lasting: dict[str, float] = {}
    for stretch in stretches:
        since: dict[str, float] = {}
        for event in stretch.events:
            kind = plan.sensors[event.sensor].kind
            if event.value == ON.get(kind):
                since.setdefault(event.sensor, event.seconds)
            elif event.value == OFF.get(kind) and event.sensor in since:
                lasting[event.sensor] = lasting.get(event.sensor, 0.0) + event.seconds - since.pop(event.sensor)
        for name, begun in since.items():
            lasting[name] = lasting.get(name, 0.0) + stretch.end - begun
    return {name: seconds / total for name, seconds in lasting.items()} if total else {}


def measured_holds(plan: Floorplan, stretches: Sequence[Stretch]) -> dict[str, float]:
    """Motion sensors whose hold, as measured, is not what the plan says: seconds, to a tenth."""
    times: dict[str, list[float]] = {}
    for stretch in stretches:
        since: dict[str, float] = {}
        for event in stretch.events:
            if plan.sensors[event.sensor].kind != "motion":
                continue
            if event.value == "detected":
                since.setdefault(event.sensor, event.seconds)
            elif event.value == "clear" and event.sensor in since:
                times.setdefault(event.sensor, []).append(event.seconds - since.pop(event.sensor))
    found = {}
    for name, lengths in times.items():
        if len(lengths) < ENOUGH:
            continue
        hold, told = float(np.quantile(lengths, HOLD_QUANTILE)), plan.sensors[name].hold or 0.0
        if hold > 0.1 and not told / WRONG_BY < hold < told * WRONG_BY:
            found[name] = round(hold, 1)
    return found


def _events(stretches: Sequence[Stretch]) -> Iterable[Event]:
    return (event for stretch in stretches for event in stretch.events)
