"""The home: rooms, doors, sensors and people; what a plan file may say, and everything that can be wrong with it.

    kinds    the kinds of sensors and doors                       (a new kind begins there)
    home     Floorplan and its parts, as the rest of the program sees them
    outline  what the outline of a room encloses
    text     YAML or JSON text -> plain values, each with its line; nothing is guessed, nothing explodes
    fields   the keys of a plan file and what each must hold      (pydantic; also the JSON Schema)
    checks   what no key can know alone: places, references, ways in
    reading  text, fields and checks in turn -> a checked plan, or every fault at once

`home`, `kinds` and `outline` are light; the others are imported when a plan is read.
"""

from presence.floorplan.home import Door, Floorplan, Person, Pet, Point, Room, Sensor
from presence.floorplan.kinds import (
    AWAY,
    KINDS,
    LEAVES,
    LINK_VALUES,
    OFF,
    ON,
    ON_VALUES,
    TWO_STATES,
    VALUES,
    Kind,
)
from presence.floorplan.outline import area_of, contains

__all__ = [
    "AWAY",
    "KINDS",
    "LEAVES",
    "LINK_VALUES",
    "OFF",
    "ON",
    "ON_VALUES",
    "TWO_STATES",
    "VALUES",
    "Door",
    "Floorplan",
    "Kind",
    "Person",
    "Pet",
    "Point",
    "Room",
    "Sensor",
    "area_of",
    "contains",
]
