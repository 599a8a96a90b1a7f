"""Who is where at home, and which way they went through a door, from sensors that know nobody.

A floor plan and a stream of events go in; for every instant come out the probability that each room is occupied,
where each resident is, how many people are at home, and the direction of every passage through a door.

Names are imported when first used, so that `import presence` costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from presence.errors import (
        EventError,
        Fault,
        InputError,
        LateEventError,
        LogError,
        PlanError,
        PresenceError,
        SettingError,
        TimeError,
        TooManyHypothesesError,
        UnexplainedError,
        UnknownSensorError,
        UnknownValueError,
        VersionError,
    )
    from presence.events import Event
    from presence.floorplan import Floorplan
    from presence.occupancy import Switch
    from presence.passages import Passage
    from presence.settings import Settings
    from presence.snapshot import Association, Belief
    from presence.tracker import Tracker

__version__ = "0.1.0"

__all__ = [
    "Association",
    "Belief",
    "Event",
    "EventError",
    "Fault",
    "Floorplan",
    "InputError",
    "LateEventError",
    "LogError",
    "Passage",
    "PlanError",
    "PresenceError",
    "SettingError",
    "Settings",
    "Switch",
    "TimeError",
    "TooManyHypothesesError",
    "Tracker",
    "UnexplainedError",
    "UnknownSensorError",
    "UnknownValueError",
    "VersionError",
]

_MODULES = {
    "Association": "snapshot",
    "Belief": "snapshot",
    "Event": "events",
    "Floorplan": "floorplan",
    "Passage": "passages",
    "Settings": "settings",
    "Switch": "occupancy",
    "Tracker": "tracker",
}
"""Where each public name lives; errors for the rest."""


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module 'presence' has no attribute {name!r}")
    value = getattr(import_module(f"presence.{_MODULES.get(name, 'errors')}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
