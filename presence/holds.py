"""What an off report says of the past: a motion sensor stays on for its hold after the last movement.

A filter hears this too late; after the fact the report is put where it belongs. A sensor that was on for longer than
its hold saw a movement `hold` seconds before it went off, and none since. One that was on for just its hold may have
been blind for as long (some cannot be triggered again while on): nothing is made of that. Whoever goes out is seen for
a few steps after they have opened the door, and so is the door as it swings: nothing is made of a movement just after
the report of a door of the same room, which may be theirs who have gone, or theirs who have come.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import timedelta

from presence.events import Event
from presence.floorplan import Floorplan

SLACK = 1.0
"""Seconds by which a hold may differ from what the plan says."""
PASSING = 5.0
"""Seconds after a door's report in which whoever passes it, or the door itself, is still seen from the room that they
leave: a few steps. Common practice, no source."""
PATIENCE = 3600.0
"""Seconds for which an off report is waited for."""


def put_back(plan: Floorplan, events: Iterable[Event]) -> Iterator[Event]:
    """The same log, in order, with the off reports of prolonged holds moved back to the last movement.

    Each becomes off, on and off again at that instant, a movement then and silence after it; and stays where it was,
    where it says nothing more.

    Args:
        plan: the home; sensors without a stated hold are left as they are.
        events: in order of time.
    """
    waiting: deque[Event] = deque()
    on: dict[str, float] = {}
    for event in events:
        sensor = plan.sensors[event.sensor]
        hold = sensor.hold if sensor.kind == "motion" else None
        if hold and event.value == "detected":
            on.setdefault(sensor.id, event.seconds)
        elif hold and event.value in ("clear", "offline"):
            last = event.seconds - hold
            since = on.pop(sensor.id, math.inf)
            prolonged = last > since + SLACK and event.value == "clear"
            if prolonged and (not waiting or waiting[0].seconds <= last):
                _insert(plan, waiting, replace(event, time=event.time - timedelta(seconds=hold)), since)
        waiting.append(event)
        on = {name: since for name, since in on.items() if event.seconds - since < PATIENCE}
        begin = min(on.values(), default=event.seconds)
        while waiting and waiting[0].seconds < begin:
            yield waiting.popleft()
    yield from waiting


def _insert(plan: Floorplan, waiting: deque[Event], off: Event, since: float) -> None:
    """Put a movement and the silence after it in its place; the sensor has been on `since` (epoch seconds)."""
    place = next((n for n, event in enumerate(waiting) if event.seconds > off.seconds), len(waiting))
    room = plan.sensors[off.sensor].room
    for n in reversed(range(place)):
        earlier = waiting[n]
        if earlier.seconds <= since or off.seconds - earlier.seconds > PASSING:
            break
        if (door := plan.sensors[earlier.sensor].door) is not None and room in plan.doors[door].between:
            return
    for event in (off, replace(off, value="detected"), off):
        waiting.insert(place, event)
        place += 1
