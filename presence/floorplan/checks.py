"""What no field can know alone: references, places, ways in, names that would be mistaken for each other."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

from presence.errors import closest, did_you_mean, shown
from presence.floorplan.fields import (
    DoorFields,
    HeadingFields,
    PersonFields,
    PetFields,
    RoomFields,
    SensorFields,
)
from presence.floorplan.kinds import AWAY, KINDS, LEAVES
from presence.floorplan.outline import area_of
from presence.floorplan.text import Path, Text

GUESSES = 100
"""Unknown names for which a likely one is looked up; a file with more of them is no plan."""
LEAST_AREA = 0.01
"""Square metres; the corners of a smaller outline lie on one line."""


@dataclass
class Draft:
    """A plan whose parts have been checked each for itself; what was at fault in one is None there."""

    text: Text
    heading: HeadingFields | None = None
    rooms: dict[str, RoomFields] = field(default_factory=dict)
    doors: dict[str, DoorFields] = field(default_factory=dict)
    sensors: dict[str, SensorFields] = field(default_factory=dict)
    people: dict[str, PersonFields] = field(default_factory=dict)
    pets: dict[str, PetFields] = field(default_factory=dict)
    ids: dict[str, list[str]] = field(default_factory=dict)
    """All ids by section, in the order of the file."""
    guesses: int = 0

    def add(self, where: Path, message: str) -> None:
        """Note a fault, unless the same value has one already."""
        if where not in self.text.named:
            self.text.named.add(where)
            self.text.add(self.text.line_of(where), message)

    def unknown(self, where: Path, what: str, name: str, known: list[str]) -> None:
        """Note that a name stands for nothing in the plan, and which one may be meant."""
        self.guesses += 1
        right = did_you_mean(name, known) if self.guesses <= GUESSES else "it must be in the plan"
        self.add(where, f"{what} {shown(name)} is not in the plan; {right}")


def check(draft: Draft) -> None:
    """Note every fault between the parts of a plan."""
    _check_heading(draft)
    _check_outlines(draft)
    _check_doors(draft)
    _check_ways_in(draft)
    _check_sensors(draft)
    _check_people(draft)
    _check_codes(draft)
    _check_names(draft)


def _check_heading(draft: Draft) -> None:
    import zoneinfo

    name = draft.heading.time_zone if draft.heading else None
    if name is None:
        return
    try:
        zoneinfo.ZoneInfo(name)
    except (OSError, ValueError, zoneinfo.ZoneInfoNotFoundError):
        known = zoneinfo.available_timezones()
        if not known:
            draft.add(("time_zone",), f"`time_zone` {shown(name)}: this machine knows no time zones; install tzdata")
            return
        likest = closest(name, sorted(known)) or closest(name, {zone.rpartition("/")[2]: zone for zone in known})
        right = f"did you mean {shown(likest)}?" if likest else "such as Europe/Berlin or America/New_York"
        draft.add(("time_zone",), f"`time_zone` {shown(name)} is not the name of a time zone; {right}")


def _check_outlines(draft: Draft) -> None:
    for id_, room in draft.rooms.items():
        if room.outline is None:
            continue
        if abs(area_of(room.outline)) < LEAST_AREA:
            where = ("rooms", id_, "outline")
            draft.add(where, f"room {shown(id_)}: `outline` encloses nothing; give its corners in order, in metres")


def _check_doors(draft: Draft) -> None:
    known = [*draft.ids["rooms"], AWAY]
    for id_, door in draft.doors.items():
        where: Path = ("doors", id_, "between")
        for index, room in enumerate(door.between or ()):
            if room not in known:
                draft.unknown((*where, index), f"door {shown(id_)}: room", room, known)
        if door.between and door.between[0] == door.between[1]:
            room = shown(door.between[0])
            draft.add(where, f"door {shown(id_)} leads from {room} to itself; name the two rooms that it joins")


def _check_ways_in(draft: Draft) -> None:
    """Find rooms that nobody can come to from `away`; rooms at a faulty door are given the benefit of the doubt."""
    rooms = [*draft.ids["rooms"], AWAY]
    beside: dict[str, set[str]] = {room: set() for room in rooms}
    reached = {AWAY}
    for id_ in draft.ids["doors"]:
        ends, sound = _ends(draft, id_, rooms)
        reached.update(() if sound else ends)
        for room in ends:
            beside[room].update(ends)
    if not draft.doors and len(reached) == 1 and draft.ids["rooms"]:
        first = draft.ids["rooms"][0]
        example = f"doors: {{front: {{between: [{first}, away], leaf: hinged}}}}"
        draft.add(("doors",), f"no door leads into the home; a plan needs a way in, such as {example}")
        return
    waiting = list(reached)
    while waiting:
        new = beside[waiting.pop()] - reached
        reached |= new
        waiting.extend(new)
    for room in rooms:
        if room not in reached:
            draft.add(("rooms", room), f"room {shown(room)} cannot be reached from away; a door must lead there")


def _ends(draft: Draft, id_: str, rooms: list[str]) -> tuple[set[str], bool]:
    """The rooms that a door joins as far as can be told, and whether that is beyond doubt."""
    between = draft.doors[id_].between if id_ in draft.doors else None
    if between and all(room in rooms for room in between):
        return set(between), between[0] != between[1]
    where: Path = ("doors", id_)
    likely: set[str | None] = set()
    key, words = _meant(draft.text.value["doors"][id_])
    for index, word in enumerate(words[:2]):
        name = str(draft.text.written.get((*where, key, index), word))
        draft.guesses += name not in rooms
        if draft.guesses > GUESSES:
            return set(rooms), False
        likely |= {name} if name in rooms else {closest(name, rooms)}
    return {room for room in likely if room is not None}, False


def _meant(door: Any) -> tuple[str, list[Any]]:
    """The key of a faulty door that must mean `between`, and the rooms that it names; also where it is one text."""
    fields = door if isinstance(door, dict) else {"between": door}
    key = closest("between", fields) or "between"
    named = fields.get(key)
    return key, re.split(r"\s*[,;>]\s*", named) if isinstance(named, str) else named if isinstance(named, list) else []


def _check_sensors(draft: Draft) -> None:
    for id_, sensor in draft.sensors.items():
        place = KINDS[sensor.kind].place
        name = getattr(sensor, place, None)
        if name is None:
            continue
        where: Path = ("sensors", id_, place)
        known = draft.ids["people" if place == "person" else f"{place}s"]
        if name == AWAY and place == "room":
            draft.add(where, f"sensor {shown(id_)} cannot sit in away, which is off the property; name another room")
        elif name not in known:
            draft.unknown(where, f"sensor {shown(id_)}: {place}", name, known)
        elif place == "door" and name in draft.doors and draft.doors[name].leaf == "none":
            leaves = ", ".join(leaf for leaf in LEAVES if leaf != "none")
            draft.add(
                where,
                f"sensor {shown(id_)}: a {sensor.kind} needs a door that opens and shuts, but door {shown(name)} has"
                f" `leaf: none`; its leaf should be one of {leaves}",
            )


def _check_people(draft: Draft) -> None:
    known, resting = draft.ids["rooms"], [id_ for id_, room in draft.rooms.items() if room.rest]
    for id_, person in draft.people.items():
        where: Path = ("people", id_, "bed")
        if person.bed is not None and person.bed not in known:
            draft.unknown(where, f"person {shown(id_)}: bed", person.bed, resting or known)
        elif person.bed in draft.rooms and draft.rooms[person.bed].rest is False:
            room = shown(person.bed)
            draft.add(where, f"person {shown(id_)}: bed is in {room}, where `rest: false` says that nobody sleeps")
        if person.awake and person.awake[0] == person.awake[1]:
            where = ("people", id_, "awake")
            draft.add(where, f"person {shown(id_)}: `awake` begins when it ends; give two different clock times")
    for id_, pet in draft.pets.items():
        for index, room in enumerate(pet.rooms or ()):
            if room not in known:
                draft.unknown(("pets", id_, "rooms", index), f"pet {shown(id_)}: room", room, known)


def _check_codes(draft: Draft) -> None:
    for id_, person in draft.people.items():
        codes = person.codes or []
        for index, code in enumerate(codes):
            if code in codes[:index]:
                where = ("people", id_, "codes", index)
                draft.add(where, f"person {shown(id_)}: code {shown(code)} is there already; once would be right")


def _check_names(draft: Draft) -> None:
    """Answers name residents, pets, visitors and nobody side by side: each name must stand for one of them."""
    for section in ("people", "pets"):
        for id_ in draft.ids[section]:
            if id_ == "nobody" or re.fullmatch(r"visitor_[0-9]+", id_):
                draft.add((section, id_), f"{shown(id_)} has a meaning of its own in answers; choose another name")
    for id_ in draft.ids["pets"]:
        if id_ in draft.ids["people"]:
            draft.add(("pets", id_), f"{shown(id_)} is a person already; give the pet another name")
