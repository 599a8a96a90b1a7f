"""The kinds of sensors and doors that a plan can name: a new kind begins with a line here."""

from __future__ import annotations

from typing import Final, NamedTuple


class Kind(NamedTuple):
    """What a plan and a log may say about sensors of one kind."""

    place: str
    """The key that says where such a sensor sits: `room`, `door` or `person`."""
    values: tuple[str, ...]
    """What its events carry; none are listed where they are the ids of rooms."""


KINDS: Final = {
    "motion": Kind("room", ("detected", "clear")),
    "occupancy": Kind("room", ("occupied", "vacant")),
    "contact": Kind("door", ("open", "closed")),
    "lock": Kind("door", ("unlocked", "locked")),
    "camera": Kind("room", ("person", "clear")),
    "switch": Kind("room", ("pressed",)),
    "power": Kind("room", ("started", "stopped")),
    "pressure": Kind("room", ("pressed", "released")),
    "phone": Kind("person", ("home", "away")),
    "badge": Kind("person", ()),
}
VALUES: Final = {name: kind.values for name, kind in KINDS.items()}
"""Values by kind; an empty tuple stands for the ids of the plan's rooms. Any sensor may also send `LINK_VALUES`."""
ON_VALUES: Final = frozenset(kind.values[0] for kind in KINDS.values() if kind.place != "person")
"""What sensors that nobody carries say when they turn on: the first of their two values, or the only one."""
TWO_STATES: Final = tuple(name for name, kind in KINDS.items() if kind.place != "person" and len(kind.values) == 2)
"""Kinds of such sensors that say two things in turn, on and off."""
LASTING: Final = ("motion", "occupancy", "camera", "pressure")
"""Kinds that stay on while somebody is there, and turn off by themselves once nobody is..."""
ON: Final = {kind: VALUES[kind][0] for kind in LASTING}
OFF: Final = {kind: VALUES[kind][1] for kind in LASTING}
"""...and how they say so."""
LINK_VALUES: Final = ("offline", "online")
"""A sensor that can no longer be heard, and one that can again."""
LEAVES: Final = ("hinged", "sliding", "overhead", "none")
"""What closes a doorway; `none` is an archway, a stair, a gate without a sensor."""
AWAY: Final = "away"
"""The room that every plan has: everywhere off the property."""
