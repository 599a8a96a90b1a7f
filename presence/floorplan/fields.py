"""The keys of a plan file and what each must hold.

A field's description completes the sentence "it should be ...": it is both what an editor shows (by the JSON Schema)
and what a message says would be right.
"""

from __future__ import annotations

from typing import Annotated, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, StringConstraints
from pydantic.config import JsonDict

ID_PATTERN = r"^[^\s>]([^>\t\r\n]{0,98}[^\s>])?$"
Id = Annotated[str, StringConstraints(pattern=ID_PATTERN)]
"""Up to 100 characters, no blank at either end, and no > (which joins two rooms into a direction)."""
Metres = Annotated[float, Field(ge=-10_000, le=10_000)]
Spot = Annotated[list[Metres], Field(min_length=2, max_length=2)]
Clock = Annotated[str, StringConstraints(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]
Code = Annotated[str, StringConstraints(min_length=1, max_length=100)]


class _Fields(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class LocationFields(_Fields):
    """Where on earth the home is."""

    latitude: float = Field(ge=-90, le=90, description="degrees from -90 (south) to 90 (north)")
    longitude: float = Field(ge=-180, le=180, description="degrees from -180 (west) to 180 (east)")


class RoomFields(_Fields):
    """A room, or a part of the property outdoors."""

    label: str | None = Field(
        None, min_length=1, max_length=200, description="text to show, of 1 to 200 characters; else the id is shown"
    )
    floor: int = Field(0, ge=-20, le=200, description="a whole number from -20 to 200; 0 is the ground floor")
    outline: list[Spot] | None = Field(
        None,
        min_length=3,
        max_length=500,
        description="at least three corners [x, y] in metres; the last joins the first",
    )
    outdoors: bool = Field(False, description="true or false: a garden, drive, balcony or porch")
    rest: bool | None = Field(None, description="true or false: people sleep here; else whether somebody's bed is here")


class DoorFields(_Fields):
    """An opening between two rooms."""

    between: list[Id] = Field(min_length=2, max_length=2, description="the ids of two rooms, [room, room]")
    leaf: Literal["hinged", "sliding", "overhead", "none"] = Field(
        description="hinged, sliding, overhead or none (an archway, a stair, a gate without a sensor)"
    )
    at: Spot | None = Field(None, description="[x, y] in metres")


class _SensorFields(_Fields):
    hold: float | None = Field(
        None, gt=0, le=86_400, description="seconds it stays on after the last movement, above 0 and up to 86400"
    )
    at: Spot | None = Field(None, description="[x, y] in metres")
    reach: float | None = Field(None, gt=0, le=1_000, description="metres it sees, above 0 and up to 1000")


class MotionFields(_SensorFields):
    """A motion sensor: it goes on when something moves, and off `hold` seconds after the last movement."""

    kind: Literal["motion"]
    room: Id = Field(description="the id of a room")
    hold: float = Field(
        gt=0, le=86_400, description="seconds it stays on after the last movement, above 0 and up to 86400"
    )


class RoomSensorFields(_SensorFields):
    """A sensor that sits in a room."""

    kind: Literal["occupancy", "camera", "switch", "power", "pressure"]
    room: Id = Field(description="the id of a room")


class DoorSensorFields(_SensorFields):
    """A sensor that sits at a door."""

    kind: Literal["contact", "lock"]
    door: Id = Field(description="the id of a door")


class PersonSensorFields(_SensorFields):
    """A sensor that a person carries."""

    kind: Literal["phone", "badge"]
    person: Id = Field(description="the id of somebody in people")


class PersonFields(_Fields):
    """A resident."""

    bed: Id | None = Field(None, description="the id of a room where people sleep")
    awake: list[Clock] = Field(
        ["07:00", "22:30"],
        min_length=2,
        max_length=2,
        description='two clock times in quotes, from waking to going to bed, such as ["07:00", "22:30"]',
    )
    codes: list[Code] = Field(
        [], max_length=100, description='a list of the keypad codes they use, in quotes, such as ["2580"]'
    )


class PetFields(_Fields):
    """An animal that sets motion sensors off."""

    rooms: list[Id] = Field([], max_length=1_000, description="a list of ids of rooms; none means every indoor room")


SensorFields = MotionFields | RoomSensorFields | DoorSensorFields | PersonSensorFields
SENSOR_FIELDS: dict[str, type[SensorFields]] = {
    kind: fields for fields in get_args(SensorFields) for kind in get_args(fields.model_fields["kind"].annotation)
}
"""The fields of a sensor, by its kind."""

NO_OTHER_IDS: JsonDict = {"additionalProperties": False}
"""Else an editor passes over whatever stands under an id that is none."""
OR_NOTHING: JsonDict = {**NO_OTHER_IDS, "type": ["object", "null"]}
"""The key of a section alone is as good as none."""


class HeadingFields(_Fields):
    """What a plan says once."""

    name: str = Field(min_length=1, max_length=200, description="text of 1 to 200 characters")
    time_zone: str = Field(
        min_length=1, max_length=100, description="the name of a time zone, such as Europe/Berlin or America/New_York"
    )
    location: LocationFields | None = Field(None, description="{latitude: degrees, longitude: degrees}")
    visitors: int = Field(1, ge=0, le=8, description="a whole number from 0 to 8: unknown people allowed for at once")


class PlanFields(HeadingFields):
    """The plan of a home."""

    rooms: dict[Id, RoomFields | None] = Field(
        min_length=1, description="a mapping from ids to rooms, at least one", json_schema_extra=NO_OTHER_IDS
    )
    doors: dict[Id, DoorFields] = Field({}, description="a mapping from ids to doors", json_schema_extra=OR_NOTHING)
    sensors: dict[Id, Annotated[SensorFields, Field(discriminator="kind")]] = Field(
        {}, description="a mapping from ids to sensors", json_schema_extra=OR_NOTHING
    )
    people: dict[Id, PersonFields | None] = Field(
        {}, description="a mapping from ids to residents", json_schema_extra=OR_NOTHING
    )
    pets: dict[Id, PetFields | None] = Field(
        {}, description="a mapping from ids to animals", json_schema_extra=OR_NOTHING
    )
