"""What a simulated home is asked for: how its people live, and how well its sensors see and speak.

Everything can be changed: `SimulationSettings(misses={"motion": 0.2, "hall_motion": 0.5}, dead={"bath_motion": 3})`.
Where no source is named, here and in the rest of this package: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from types import MappingProxyType

from presence.errors import SettingError

ROLES = ("office", "hybrid", "student", "late", "night", "home")

MISSES: Mapping[str, float] = MappingProxyType(
    {
        "motion": 0.1,
        "occupancy": 0.02,
        "contact": 0.02,
        "lock": 0.01,
        "camera": 0.3,
        "switch": 0.0,
        "power": 0.01,
        "pressure": 0.02,
        "phone": 0.0,
        "badge": 0.1,
    }
)
"""Chance that a sensor does not see one thing that happens: a movement in reach, an edge of a door, a press.
Common practice, no source."""

FALSE_ALARMS: Mapping[str, float] = MappingProxyType(
    {
        "motion": 0.3,
        "occupancy": 0.2,
        "contact": 0.03,
        "lock": 0.0,
        "camera": 0.3,
        "switch": 0.02,
        "power": 0.02,
        "pressure": 0.1,
        "phone": 0.05,
        "badge": 0.0,
    }
)
"""How often a day a sensor reports something with nobody there. Common practice, no source."""

HOLDS: Mapping[str, float] = MappingProxyType({"motion": 30.0, "camera": 15.0, "occupancy": 45.0})
"""Seconds for which a sensor stays on after the last movement, where the plan does not say. Common practice, no
source."""

BLIND_TIMES: Mapping[str, float] = MappingProxyType({"motion": 6.0, "camera": 2.0, "occupancy": 0.0})
"""Seconds for which a sensor sees nothing after it went off. Motion: Rana et al., IEEE Sensors Journal 16(16):6351;
others: common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulationSettings:
    """How people live in a simulated home and how its sensors report.

    The mappings `hold`, `blind_time`, `misses`, `false_alarms`, `lost` and `late` take sensor ids and sensor kinds as
    keys; a sensor's own entry goes before its kind's, and `"*"` stands for every sensor.

    Raises:
        SettingError: if a value is out of its range or a role is unknown.
    """

    # --- people ---------------------------------------------------------------------------------------------------
    roles: Mapping[str, str] = field(default_factory=dict)
    """Person to one of `ROLES`; others are drawn. Whoever's waking hours pass midnight works at night."""
    visits_per_week: float = 2.0
    """Unknown people who stay for one to four hours. Common practice, no source."""
    deliveries_per_week: float = 3.0
    """Unknown people who ring, hand something over and go. Common practice, no source."""
    car_share: float = 0.6
    """Share of outings by car where the plan has an overhead door."""
    together_share: float = 0.35
    """Chance that two people who leave for work at about the same time go together. Common practice, no source."""
    no_phones: bool = False
    no_visitors: bool = False
    no_pets: bool = False
    # --- walking --------------------------------------------------------------------------------------------------
    walking_speed: tuple[float, float] = (1.27, 1.46)
    """m/s outdoors, slowest and fastest person: Bohannon 1997 (Age and Ageing 26:15), comfortable speed by age, sex."""
    indoor_share: float = 0.65
    """Indoor speed relative to that: short ways, turns and furniture. Common practice, no source."""
    # --- doors ----------------------------------------------------------------------------------------------------
    outer_door_closing: float = 0.97
    """Chance that an outer door, or one to a garage, is shut after passing; less on a short way out and back."""
    inner_door_closing: float = 0.25
    idle_door_share: float = 0.05
    """Openings without passing, relative to passages. Common practice, no source."""
    locking: float = 0.75
    """Chance that a lock is locked once its door is shut. Common practice, no source."""
    # --- sensors --------------------------------------------------------------------------------------------------
    hold: Mapping[str, float] = field(default_factory=dict)
    """Seconds; defaults are the plan's, else in `HOLDS`."""
    blind_time: Mapping[str, float] = field(default_factory=dict)
    """Seconds; defaults in `BLIND_TIMES`."""
    misses: Mapping[str, float] = field(default_factory=dict)
    """Probabilities; defaults in `MISSES`."""
    false_alarms: Mapping[str, float] = field(default_factory=dict)
    """Per day; defaults in `FALSE_ALARMS`."""
    lost: Mapping[str, float] = field(default_factory=dict)
    """Share of messages that never arrive; default `lost_share`."""
    late: Mapping[str, float] = field(default_factory=dict)
    """Share of messages that arrive late; default `late_share`."""
    lost_share: float = 0.002
    late_share: float = 0.03
    late_up_to: float = 1.5
    """Seconds: a late message is late by anything up to this."""
    stuck_share: float = 0.005
    """Share of releases of a pressure sensor that come only hours later. Common practice, no source."""
    forgotten_phone: float = 0.03
    """Chance that a phone is left at home on an outing. Common practice, no source."""
    phone_delay: tuple[float, float] = (150.0, 25.0)
    """Median seconds until a phone counts as away, and as home; both with a heavy tail. Common practice, no source."""
    dead: Mapping[str, float] = field(default_factory=dict)
    """Sensor to the day (0 is the first, fractions count) on which its battery dies."""
    offline_reports: bool = False
    """Whether a hub notices a dead sensor (four hours later) and says `offline`."""

    def __post_init__(self) -> None:
        for item in fields(self):
            if isinstance(getattr(self, item.name), Mapping) != (item.default_factory is dict):
                shape = "a mapping, by name," if item.default_factory is dict else "no mapping"
                raise SettingError(f"{item.name}: {getattr(self, item.name)!r}; {shape} would be right")
        for person, role in self.roles.items():
            if role not in ROLES:
                raise SettingError(f"roles: {person} has the unknown role {role!r}; the roles are {', '.join(ROLES)}")
        for item in fields(self):
            for number in _numbers(getattr(self, item.name)):
                if not (math.isfinite(number) and number >= 0):
                    raise SettingError(f"{item.name}: {number!r} is not a finite number from zero up")
                if number > 1 and (item.name in _SHARES or item.name.endswith("_share")):
                    raise SettingError(f"{item.name}: {number!r} must be a probability, at most 1")
        if not 0 < self.walking_speed[0] <= self.walking_speed[1] or not self.indoor_share:
            raise SettingError(f"walking_speed: {self.walking_speed!r} must be above zero, the slowest first")

    def held(self, sensor: str, kind: str, planned: float | None) -> float:
        """Seconds for which `sensor` stays on after the last movement; `planned` is what the plan says."""
        return _look_up(self.hold, sensor, kind, HOLDS[kind] if planned is None else planned)

    def blind(self, sensor: str, kind: str) -> float:
        """Seconds for which `sensor` sees nothing after it went off."""
        return _look_up(self.blind_time, sensor, kind, BLIND_TIMES[kind])

    def miss(self, sensor: str, kind: str) -> float:
        """Chance that `sensor` does not see one thing that happens."""
        return _look_up(self.misses, sensor, kind, MISSES[kind])

    def false_alarm(self, sensor: str, kind: str) -> float:
        """False alarms of `sensor` a day."""
        return _look_up(self.false_alarms, sensor, kind, FALSE_ALARMS[kind])

    def loss(self, sensor: str, kind: str) -> float:
        """Share of messages of `sensor` that never arrive."""
        return _look_up(self.lost, sensor, kind, self.lost_share)

    def lateness(self, sensor: str, kind: str) -> float:
        """Share of messages of `sensor` that arrive late."""
        return _look_up(self.late, sensor, kind, self.late_share)


_SHARES = {
    "misses",
    "lost",
    "late",
    "outer_door_closing",
    "inner_door_closing",
    "locking",
    "forgotten_phone",
}


def _numbers(value: object) -> Iterable[float]:
    if isinstance(value, (bool, str)):
        return ()
    if isinstance(value, (int, float)):
        return (value,)
    if isinstance(value, tuple):
        return value
    return [number for number in value.values() if not isinstance(number, str)] if isinstance(value, Mapping) else ()


def _look_up(values: Mapping[str, float], sensor: str, kind: str, default: float) -> float:
    for key in (sensor, kind, "*"):
        if key in values:
            return values[key]
    return default
