"""Words for what the model did: events, silences and people as a householder would tell them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from presence.carried import MISSING
from presence.events import Event
from presence.floorplan import AWAY, Floorplan, Sensor
from presence.places import WATCHERS
from presence.snapshot import Reported

SAYINGS = {
    ("motion", "detected"): "movement in {room}",
    ("motion", "clear"): "movement in {room} over",
    ("occupancy", "occupied"): "somebody noticed in {room}",
    ("occupancy", "vacant"): "nobody noticed in {room} any more",
    ("camera", "person"): "somebody seen in {room}",
    ("camera", "clear"): "nobody seen in {room} any more",
    ("contact", "open"): "{door} opened",
    ("contact", "closed"): "{door} closed",
    ("phone", "home"): "{person}'s phone says home",
    ("phone", "away"): "{person}'s phone says away",
}
"""How reports are told; other kinds are told as `name of the sensor, value`."""
BY = {"inside": " from inside", "keypad": " on the keypad"}
LINGERED = "movement in {room}, which went on after the last use of an outer door, over"
"""How the off report of a motion sensor is told that speaks for somebody being at home (see `lingering`)..."""
STILL = "no movement in {room} for as long as its sensor stays on"
"""...and that of one which tells when it saw its last movement (see `retaken`)."""


def capitalised(text: str) -> str:
    """A text with which a line begins; names inside it stay as they are."""
    return text[:1].upper() + text[1:]


def room_name(plan: Floorplan, room: str) -> str:
    """`the kitchen`; a label that begins with a capital letter is a name and takes no article."""
    label = plan.rooms[room].label
    return label if label[:1].isupper() or room == AWAY else f"the {label}"


def door_name(plan: Floorplan, door: str) -> str:
    """`overhead door`, `garage utility door`; an archway or a stair by its own name."""
    return door.replace("_", " ") if plan.doors[door].leaf == "none" else leaf_name(door)


def leaf_name(door: str) -> str:
    """What a door that opens and shuts is called: what is called a door or a gate already stays as it is."""
    name = door.replace("_", " ")
    return name if name.endswith(("door", "gate")) else f"{name} door"


def direction_name(plan: Floorplan, direction: str) -> str:
    """`garage > utility room`."""
    return " > ".join(plan.rooms[room].label for room in direction.split(">"))


def event_text(plan: Floorplan, event: Event, off: str | None = None) -> str:
    """What a report says; of a motion sensor that was on for so long that its going `off` is evidence, of what."""
    sensor = plan.sensors[event.sensor]
    if off is not None:
        return off.format(room=room_name(plan, str(sensor.room)))
    name = sensor.id.replace("_", " ")
    if event.value in ("offline", "online"):
        return f"{name} {event.value}"
    if sensor.kind == "badge":
        return f"{sensor.person}'s tag heard in {room_name(plan, event.value)}"
    if sensor.kind == "lock":
        return f"{door_name(plan, str(sensor.door))} {event.value}{BY.get(event.by or '', '')}"
    saying = SAYINGS.get((sensor.kind, event.value))
    if saying is None:
        return f"{name} {event.value}"
    room = room_name(plan, sensor.room) if sensor.room else ""
    door = door_name(plan, sensor.door) if sensor.door else ""
    return saying.format(room=room, door=door, person=sensor.person)


def due_text(plan: Floorplan, what: str, sensor: Sensor, reports: Mapping[str, Reported]) -> str:
    """What a sensor that has not changed its report still says."""
    if what == "still":
        said = reports[sensor.id].value
        if sensor.kind == "badge":
            return f"{sensor.person}'s tag still {'away' if said == AWAY else f'heard in {room_name(plan, said)}'}"
        return f"{sensor.person}'s phone still says {said}"
    if what in MISSING:
        return f"{sensor.person}'s tag not heard for long"
    if what == "shut":
        return f"{door_name(plan, str(sensor.door))} open for so long that it must have been shut"
    if what == "linger":
        return f"movement in {room_name(plan, str(sensor.room))} still after the last use of an outer door"
    return f"somebody still noticed in {room_name(plan, str(sensor.room))}"


def quiet_text(plan: Floorplan, room: str) -> str:
    """That a room's own sensors say nothing new; one that is still on may have seen somebody all the time."""
    kinds = {s.kind for s in plan.sensors.values() if s.room == room}
    if not kinds:
        return f"nothing heard around {room_name(plan, room)}"
    return f"{'no new movement' if not kinds.isdisjoint(WATCHERS) else 'nothing used'} in {room_name(plan, room)}"


def clock(plan: Floorplan, time: datetime) -> str:
    """Local time of day."""
    return f"{time.astimezone(plan.zone):%H:%M:%S}"


def likeliest(plan: Floorplan, people: Mapping[str, float]) -> str:
    """Who it was, if that is known at all: `ada .93`; empty where nobody stands out."""
    if not people:
        return ""
    name = max(people, key=lambda n: people[n])
    return f"{being_name(plan, name)} {people[name]:.2f}" if people[name] >= 0.5 else ""


def being_name(plan: Floorplan, being: str) -> str:
    """A resident's or pet's own name; a visitor has none."""
    return being if being in plan.people or being in plan.pets else "a visitor"
