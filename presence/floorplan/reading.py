"""From a file to a checked plan, or to every fault in it at once."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from numbers import Integral, Real
from os import PathLike, fspath
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from presence.errors import Fault, PlanError, did_you_mean, shown
from presence.floorplan.checks import Draft, check
from presence.floorplan.doubts import doubts
from presence.floorplan.fields import (
    ID_PATTERN,
    SENSOR_FIELDS,
    DoorFields,
    HeadingFields,
    LocationFields,
    PersonFields,
    PetFields,
    PlanFields,
    RoomFields,
)
from presence.floorplan.kinds import AWAY, KINDS
from presence.floorplan.text import MAX_DEPTH, MAX_SIZE, Path, Text, read_text, unquoted

Fields = TypeVar("Fields", bound=BaseModel)
MAX_ENTRIES = 1000
"""Rooms, doors or sensors in one plan."""
SECTIONS: dict[str, tuple[str, type[BaseModel] | None]] = {
    "rooms": ("room", RoomFields),
    "doors": ("door", DoorFields),
    "sensors": ("sensor", None),
    "people": ("person", PersonFields),
    "pets": ("pet", PetFields),
}
"""What one entry of a section is called, and its fields (those of a sensor depend on its kind)."""
EXAMPLES = {
    "rooms": "hall: {floor: 0}",
    "doors": "front: {between: [hall, away], leaf: hinged}",
    "sensors": "hall_motion: {kind: motion, room: hall, hold: 30}",
    "people": "ada: {bed: bedroom}",
    "pets": "cat: {rooms: [hall]}",
}
"""An entry of each."""
PARTS = {"location": LocationFields}
"""Keys of the heading that hold keys themselves."""
PLAIN = {"bool_type": "true|false", "int_type": "-?[0-9]+", "float_type": r"-?[0-9]+(\.[0-9]+)?"}
"""Words that without quotes are what a field wants, by what is wrong with it."""
PLACES = {"room": "in a room", "door": "at a door", "person": "with a person"}


def read_plan(path: str | PathLike[str], on_doubt: Callable[[Fault], None] | None = None) -> PlanFields:
    """The fields of the plan in a YAML or JSON file; `on_doubt` is told of what is good, but hardly meant.

    Raises:
        PlanError: with every fault in the file.
    """
    name = fspath(path)
    try:
        with open(path, "rb") as file:  # noqa: PTH123 (a path object would change how the name is shown)
            raw = file.read(MAX_SIZE + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise PlanError([Fault(name, 0, f"cannot be read ({reason}); give a floor plan in YAML or JSON")]) from None
    return _checked(read_text(name, raw), on_doubt)


def check_mapping(plan: Mapping[str, Any]) -> PlanFields:
    """The fields of the plan in a mapping.

    Raises:
        PlanError: with every fault, as `<mapping>` line 0.
    """
    return _checked(Text("<mapping>", value=_plain(plan, 0)))


def _plain(value: Any, depth: int) -> Any:
    """Mappings, sequences and numbers of any make as dict, list, int and float; anything else as it is."""
    if depth > MAX_DEPTH:
        raise PlanError([Fault("<mapping>", 0, f"is nested more than {MAX_DEPTH} levels deep; a plan needs six")])
    if isinstance(value, Mapping):
        return {key if isinstance(key, str) else str(key): _plain(item, depth + 1) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item, depth + 1) for item in value]
    if isinstance(value, (bool, int, float)):
        return value
    if isinstance(value, Integral):
        return int(value)
    return float(value) if isinstance(value, Real) else value


def _checked(text: Text, on_doubt: Callable[[Fault], None] | None = None) -> PlanFields:
    if isinstance(text.value, dict):
        draft = _draft(text)
        _check_numbers(draft)
        check(draft)
    elif not text.faults:
        text.add(
            text.line_of(()), f"is {shown(text.value)}; a plan is a mapping with `name`, `time_zone`, `rooms`, ..."
        )
    if text.faults:
        raise PlanError(sorted(dict.fromkeys(text.faults), key=lambda fault: fault.line))
    if on_doubt is not None:
        for doubt in doubts(draft):
            on_doubt(doubt)
    sections = {section: getattr(draft, section) for section in SECTIONS}
    beds = {person.bed for person in draft.people.values()}
    sections["rooms"] = {
        id_: room.model_copy(update={"rest": id_ in beds}) if room.rest is None else room
        for id_, room in draft.rooms.items()
    }
    return PlanFields.model_construct(**dict(draft.heading or {}), **sections)


def _draft(text: Text) -> Draft:
    """Every part checked for itself; those that are good go into the draft."""
    draft = Draft(text)
    heading = {key: value for key, value in text.value.items() if key not in SECTIONS}
    draft.heading = _fields(draft, (), "the plan", HeadingFields, heading)
    for section, (noun, model) in SECTIONS.items():
        entries = _entries(draft, section)
        draft.ids[section] = list(entries)
        for id_, entry in entries.items():
            where, name = (section, id_), f"{noun} {shown(id_)}"
            if re.fullmatch(ID_PATTERN, id_) is None or not id_.isprintable():
                draft.add(where, f"{name}: an id has 1 to 100 characters, no blank at either end, and no > in it")
                continue
            if not isinstance(entry, dict):
                draft.add(
                    where,
                    f"{name} is {_read(draft, where, entry)}; it should be a mapping, such as {EXAMPLES[section]}",
                )
                continue
            fields = _sensor(draft, where, name, entry) if model is None else _fields(draft, where, name, model, entry)
            if fields is not None:
                getattr(draft, section)[id_] = fields
    return draft


def _entries(draft: Draft, section: str) -> dict[str, Any]:
    """The entries of a section, without `away`; an entry of which nothing is said is an empty mapping."""
    entries = draft.text.value.get(section)
    right = f"it should be a mapping from ids to what is known of each, such as {EXAMPLES[section]}"
    if entries is None and section == "rooms":
        draft.add(("rooms",), "`rooms` is missing; a plan needs at least one room, such as rooms: {hall: {}}")
    elif entries is not None and not isinstance(entries, dict):
        draft.add((section,), f"`{section}` is {_read(draft, (section,), entries)}; {right}")
    elif entries is not None and len(entries) > MAX_ENTRIES:
        draft.add((section,), f"`{section}` has {len(entries)} entries; at most {MAX_ENTRIES} are allowed")
    elif section == "rooms" and not entries:
        draft.add(("rooms",), "`rooms` is empty; a plan needs at least one room, such as rooms: {hall: {}}")
    if not isinstance(entries, dict) or len(entries) > MAX_ENTRIES:
        return {}
    if section == "rooms" and entries.get(AWAY):
        draft.add(("rooms", AWAY), "`away` is always there and means everywhere off the property; leave it out")
    return {
        id_: {} if entry is None else entry
        for id_, entry in entries.items()
        if not (section == "rooms" and id_ == AWAY)
    }


def _sensor(draft: Draft, where: Path, name: str, entry: dict[str, Any]) -> BaseModel | None:
    """The fields of a sensor, by its kind."""
    kind = entry.get("kind")
    if "kind" not in entry:
        draft.add(where, f"{name}: `kind` is missing; it should be one of {', '.join(KINDS)}")
        return None
    if not isinstance(kind, str) or kind not in KINDS:
        right = did_you_mean(kind, KINDS) if isinstance(kind, str) else f"it should be one of {', '.join(KINDS)}"
        draft.add((*where, "kind"), f"{name}: `kind` is {_read(draft, (*where, 'kind'), kind)}; {right}")
        return None
    given, right = [place for place in PLACES if place in entry], KINDS[kind].place
    if given != [right]:
        has = " and ".join(f"`{place}`" for place in given) or "no place"
        draft.add(
            where, f"{name} has {has}; a {kind} sensor sits {PLACES[right]}: give it `{right}` and no other place"
        )
        draft.text.named.update((*where, place) for place in PLACES)
    return _fields(draft, where, name, SENSOR_FIELDS[kind], entry)


def _fields(draft: Draft, where: Path, name: str, model: type[Fields], entry: dict[str, Any]) -> Fields:
    """One part of a plan; a field that is wrong has a fault noted, and is None."""
    try:
        return model.model_validate(entry)
    except ValidationError as error:
        faults = error.errors(include_url=False, include_context=False)
        for fault in faults:
            _explain(draft, where, name, model, entry, fault["type"], fault["loc"])
    wrong = {str(fault["loc"][0]) for fault in faults}
    good = {key: value for key, value in entry.items() if key in model.model_fields and key not in wrong}
    return model.model_construct(None, **dict.fromkeys(wrong & set(model.model_fields)), **good)


def _explain(
    draft: Draft, where: Path, name: str, model: type[BaseModel], entry: dict[str, Any], fault: str, loc: Path
) -> None:
    """Say in our own words what is wrong with one field, and what would be right."""
    key = str(loc[0])
    fields = model.model_fields
    if len(loc) > 1 and key in PARTS:
        _explain(draft, (*where, key), f"{name}: `{key}`", PARTS[key], entry[key], fault, loc[1:])
    elif fault == "extra_forbidden":
        known = list(SECTIONS) + list(fields) if model is HeadingFields else list(fields)
        draft.add((*where, key), f"{name}: there is no key {shown(key)}; {did_you_mean(key, known)}")
    elif fault == "missing":
        if (*where, key) not in draft.text.named:
            draft.text.named.add((*where, key))
            draft.text.add(
                draft.text.line_of(where), f"{name}: `{key}` is missing; it should be {fields[key].description}"
            )
    else:
        value = _at(entry, loc)
        read = _read(draft, (*where, *loc), value, wants_text=fault == "string_type")
        if isinstance(value, str) and fault in PLAIN and re.fullmatch(PLAIN[fault], value):
            read = f"{read} (in quotes, and so text; leave them out)"
        has = "is" if len(loc) == 1 else "has"
        draft.add((*where, *loc), f"{name}: `{key}` {has} {read}; it should be {fields[key].description}")


def _at(value: Any, where: Path) -> Any:
    """The value at some keys and indices down from another."""
    for step in where:
        if isinstance(value, dict) or (isinstance(value, list) and isinstance(step, int)):
            value = value[step]  # type: ignore[index]
    return value


def _read(draft: Draft, where: Path, value: Any, *, wants_text: bool = False) -> str:
    """A value as it was read, with a warning if YAML made something unexpected of what was written."""
    written = draft.text.written.get(where)
    if written is None or not (wants_text or _is_trap(written, value)):
        return shown(value)
    return f"{shown(value)} ({unquoted(written, value)})"


def _check_numbers(draft: Draft) -> None:
    """Refuse numbers that YAML made of something that looks like a time or like text."""
    for where, written in draft.text.written.items():
        if where in draft.text.named or "" in where:  # said already, or dropped as the second of two with one name
            continue
        value = _at(draft.text.value, where)
        if not isinstance(value, bool) and _is_trap(written, value):
            draft.add(where, f"{unquoted(written, value)}, for the number {shown(value)}")


def _is_trap(written: str, value: Any) -> bool:
    """Whether an unquoted word became something that it does not look like: yes, 12:30, 0123."""
    if isinstance(value, bool):
        return written.lower() not in ("true", "false")
    return isinstance(value, (int, float)) and (":" in written or re.match("0[0-9box]", written) is not None)
