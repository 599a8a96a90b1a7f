"""Everything that a page shows, as one JSON value: the plan as it is drawn, and what a replay told."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from presence.draw.encoding import numbers, runs, since
from presence.draw.layout import DoorShape, HouseLayout, RoomShape, house_layout
from presence.draw.levels import levels
from presence.draw.reasons import reasons
from presence.draw.recording import Recording, Seen, Told, percents
from presence.draw.shapes import floor_name
from presence.floorplan import Floorplan
from presence.truth import TruthLine
from presence.wording import capitalised

QUARTER = 900.0
"""s: offsets from UTC change on quarters of an hour only."""
UNKNOWN, NOBODY, SOMEBODY = 0, 1, 2
"""Who caused an event: not told, nobody, or from SOMEBODY on the index of a being."""


def document(
    plan: Floorplan, kept: Recording | None, truth: Sequence[TruthLine] | None, log: str | None
) -> dict[str, Any]:
    """What a page needs to know of a home, and of a replayed log where there is one.

    Args:
        plan: the home.
        kept: what the replay of the log told.
        truth: where everybody was, in order of time.
        log: the name of the log.
    """
    layout = house_layout(plan)
    found: dict[str, Any] = {
        "name": plan.name,
        "zone": plan.time_zone,
        "log": log,
        "rooms": [_room(layout.rooms[id_]) for id_ in layout.rooms],
        "doors": [_door(plan, layout.doors[id_]) for id_ in plan.doors],
        "sensors": _sensors(plan, layout),
        "floors": [_floor(layout, floor) for floor in layout.floors],
        "people": list(plan.people),
        "notes": list(layout.notes),
        "replay": None,
        "truth": None,
    }
    if kept is not None:
        start = _start(kept)
        found["replay"] = _replay(plan, kept, start)
        if truth is not None and kept.events:
            found["truth"] = _truth(plan, truth, start)
    return found


# --- the plan ---------------------------------------------------------------------------------------------------------
def _room(room: RoomShape) -> dict[str, Any]:
    return {
        "name": room.label,
        "floor": room.floor,
        "outdoors": room.outdoors,
        "outline": [_metres(point) for point in room.outline],
        "at": _metres(room.label_at),
        "levels": _metres(levels(room.outline)),
    }


def _door(plan: Floorplan, door: DoorShape) -> dict[str, Any]:
    rooms = list(plan.rooms)
    return {
        "name": _words(door.id),
        "between": [rooms.index(room) for room in door.between],
        "leaf": door.leaf,
        "kind": door.kind,
        "floor": door.floor,
        "at": _metres(door.at),
        "angle": round(door.angle, 4),
        "width": round(door.width, 3),
        "ends": [{"floor": end.floor, "at": _metres(end.at)} for end in door.ends],
    }


def _sensors(plan: Floorplan, layout: HouseLayout) -> list[dict[str, Any]]:
    rooms, doors, people = list(plan.rooms), list(plan.doors), list(plan.people)
    found = []
    for sensor in plan.sensors.values():
        entry: dict[str, Any] = {"name": _words(sensor.id), "kind": sensor.kind, "values": _values(plan, sensor.id)}
        if sensor.room is not None:
            entry["room"] = rooms.index(sensor.room)
        elif sensor.door is not None:
            entry["door"] = doors.index(sensor.door)
        else:
            entry["person"] = people.index(str(sensor.person))
        shape = layout.sensors.get(sensor.id)
        if shape is not None:
            entry |= {"floor": shape.floor, "at": _metres(shape.at)}
        found.append(entry)
    return found


def _values(plan: Floorplan, sensor: str) -> list[str]:
    """What the values of a sensor are called: rooms by their labels."""
    return [plan.rooms[value].label if value in plan.rooms else value for value in plan.values(sensor)]


def _floor(layout: HouseLayout, floor: int) -> dict[str, Any]:
    return {"floor": floor, "name": capitalised(floor_name(floor, layout.floors)), "box": _metres(layout.bounds[floor])}


def _metres(values: Iterable[float]) -> list[float]:
    return [round(value, 3) for value in values]


def _words(id_: str) -> str:
    return id_.replace("_", " ")


# --- the replay -------------------------------------------------------------------------------------------------------
def _start(kept: Recording) -> float:
    """Epoch seconds from which the page counts: an instant of the grid, not after anything that is shown."""
    times = [seen.event.seconds for seen in kept.events] + [told.first.time.timestamp() for told in kept.passages]
    if len(kept.steps):
        times.append(float(kept.steps[0]) * kept.every)
    return min(times, default=0.0) // kept.every * kept.every


def _replay(plan: Floorplan, kept: Recording, start: float) -> dict[str, Any]:
    first = round(start / kept.every)
    beings = list(plan.people)
    passages = [_passage(plan, told, start, beings) for told in kept.passages]
    events = numbers(n for entry in _events(plan, kept.events, start, beings) for n in entry)
    end = max([start, *(seen.event.seconds for seen in kept.events[-1:])])
    steps = kept.steps - first
    return {
        "start": round(start * 1000),
        "every": kept.every,
        "steps": numbers(int(n) for n in (steps[:1].tolist() + (steps[1:] - steps[:-1]).tolist())),
        "columns": runs(kept.columns),
        "count": kept.columns.shape[1],
        "told": kept.told,
        "tolerance": kept.tolerance,
        "offsets": _offsets(plan, start, end + 86400),
        "passages": passages,
        "events": events,
        **reasons(plan, kept, start),
        "eventsLeftOut": kept.events_left_out,
        "beings": beings,
    }


def _passage(plan: Floorplan, told: Told, start: float, beings: list[str]) -> list[Any]:
    """Ms, door, forth, back, nobody, both ways at once, final, inferred, [being, percent, ...]."""
    first, last = told.first, told.last
    at_once, answer = (percents(p.directions.values()).tolist() for p in (first, last))
    who = sorted(last.people.items(), key=lambda item: -item[1])[:3]
    named = [n for name, p in who if p >= 0.05 for n in (_index(beings, name), percents([p]).tolist()[0])]
    nobody = percents([last.nobody]).tolist()[0]
    door = list(plan.doors).index(last.door)
    final, inferred = int(last.final), int(last.inferred)
    return [since(last.time, start), door, *answer, nobody, *at_once, final, inferred, named]


def _events(plan: Floorplan, events: Sequence[Seen], start: float, beings: list[str]) -> Iterable[list[int]]:
    """Each event as ms since the one before, sensor, value, who caused it, and with which percentage."""
    sensors = {id_: (k, {v: i for i, v in enumerate(plan.values(id_))}) for k, id_ in enumerate(plan.sensors)}
    before = 0
    for seen in sorted(events, key=lambda seen: seen.event.seconds):
        at = since(seen.event.time, start)
        sensor, values = sensors[seen.event.sensor]
        cause = [UNKNOWN]
        if seen.probability is not None:
            who = NOBODY if seen.cause is None else SOMEBODY + _index(beings, seen.cause)
            cause = [who, percents([seen.probability]).tolist()[0]]
        yield [at - before, sensor, values[seen.event.value], *cause]
        before = at


def _index(names: list[str], name: str) -> int:
    if name not in names:
        names.append(name)
    return names.index(name)


def _offsets(plan: Floorplan, start: float, end: float) -> list[list[int]]:
    """[ms, seconds east of UTC] at the start and at every change, so that a page needs no table of time zones."""
    found: list[list[int]] = []
    instant = start
    while instant <= end:
        offset = datetime.fromtimestamp(instant, UTC).astimezone(plan.zone).utcoffset()
        seconds = 0 if offset is None else int(offset.total_seconds())
        if not found or found[-1][1] != seconds:
            found.append([round((instant - start) * 1000), seconds])
        instant = (instant // QUARTER + 1) * QUARTER
    return found


def _truth(plan: Floorplan, lines: Sequence[TruthLine], start: float) -> Mapping[str, list[list[int]]]:
    """For each person [ms, room] changes; what came before the log counts as its beginning."""
    rooms = list(plan.rooms)
    found: dict[str, list[list[int]]] = {}
    for line in lines:
        changes = found.setdefault(line.person, [])
        at = max(0, since(line.time, start))
        if changes and changes[-1][0] == at:
            changes.pop()
        changes.append([at, rooms.index(line.room)])
    return found
