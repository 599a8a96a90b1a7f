"""What the search turns: few scalars on a log scale, each a factor on one or several settings that belong together.

The prior of each is log-normal about the default. Never turned: the chance that a door contact misses somebody, which
a fit drives to where everybody is lost; false-alarm rates, which need more than a few days to show.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

from presence.floorplan import Floorplan
from presence.places import motion_zones, rest_reports, seen, well_sensed
from presence.settings import Settings
from presence.zones import close_set

MOST_SHARE = 0.95
"""A share or probability is not turned beyond this."""
WIDEST = 32.0
"""No dial is turned further than this factor, up or down."""
SPREAD = 2.0
"""The factor that is one standard deviation of the log-normal prior."""


@dataclass(frozen=True)
class Dial:
    """One scalar: a factor on settings."""

    name: str
    meaning: str
    settings: tuple[str, ...]
    """Setting names; `motion_rates:2` is the third of four."""


UNSEATED = Dial("rising", "how soon people stir who rest on no seat with a sensor", ("unseated_rising_rate",))
PACES = (
    Dial("rising", "how soon people stir from sitting", ("rising_rate", "unseated_rising_rate")),
    Dial("still", "how often people who sit set motion sensors off", ("motion_rates:2",)),
    Dial("settling", "how readily people settle", ("settling_rate",)),
    Dial("active", "how often people who are up set motion sensors off", ("motion_rates:1",)),
    Dial("starting", "how soon people who are up walk on", ("starting_rate",)),
)
SLEEP = (
    Dial("sleeping", "how readily people fall asleep", ("dozing_rate", "bedtime_rate")),
    Dial("waking", "how readily people wake", ("waking_rate", "night_waking_rate")),
)
OUT = (
    Dial("outings", "how often outer doors are used", ("outer_door_rate",)),
    Dial("away", "share of time away", ("away_share",)),
    Dial("returning", "how soon people come home", ("errand_rate", "outing_rate", "return_rate")),
)
ZONES = (
    Dial("zone_rising", "how soon people stir, zones", ("zone_rising_rate",)),
    Dial("zone_settling", "how readily people settle, zones", ("zone_settling_rate",)),
    Dial("zone_starting", "how soon people walk on, zones", ("zone_starting_rate",)),
)
CLOSE = (
    Dial("zone_active", "how often people who are up set zones off", ("zone_motion_rates:1",)),
    Dial("zone_still", "how often people who sit set zones off", ("zone_motion_rates:2",)),
)
SEATS = (
    Dial("seat_release", "how often people on a seat shift", ("seat_release_rate",)),
    Dial("seat_use", "how readily people sit on a seat with a sensor", ("seat_rate",)),
    Dial("seat_by_itself", "how often seat sensors turn on by themselves", ("seat_false_alarm_rate",)),
    Dial("seat_stuck", "how often seat sensors stick", ("seat_stuck_share",)),
)
UNSEEN = Dial("unseen_rising", "how soon people leave rooms that no sensor sees", ("unsensed_rising_rate",))
WITHOUT = Dial("walk_by", "how often doors are opened and nobody passes", ("door_idle_share",))
HANDS = Dial("switches", "how often switches are used", ("switch_rates:0", "switch_rates:1", "switch_rates:2"))
GUESTS = Dial("guests", "share of time somebody unknown is there", ("visitor_share",))
SEEING = Dial(
    "presence_sensors",
    "how soon sensors that see still people turn on",
    ("occupancy_rates:0", "occupancy_rates:1", "occupancy_rates:2", "occupancy_rates:3"),
)


def dials_of(plan: Floorplan, silent: Collection[str] = ()) -> list[Dial]:
    """The dials that mean something in a home, those that mattered most in trials first; none of `silent` sensors."""
    kinds = {sensor.kind for name, sensor in plan.sensors.items() if name not in silent}
    zoned = any(motion_zones(plan, room) for room in plan.rooms)
    plain = any(not motion_zones(plan, room) for room in plan.indoor)
    found: list[Dial] = [*(SEATS if "pressure" in kinds else ())]
    paces = (UNSEATED, *PACES[1:]) if all(rest_reports(plan, room) for room in plan.rooms) else PACES
    found += [d for d in paces if plain and ("motion" in kinds or not d.settings[0].startswith("motion_rates"))]
    close = any(close_set(plan, room) for room in plan.rooms)
    found += [*(ZONES if zoned else ()), *(CLOSE if close else ()), *OUT, *SLEEP]
    if well_sensed(plan) and any(not seen(plan, room) for room in plan.indoor):
        found.append(UNSEEN)
    found += [dial for kind, dial in (("switch", HANDS), ("occupancy", SEEING), ("contact", WITHOUT)) if kind in kinds]
    return [*found, *([GUESTS] if plan.visitors else [])]


def turned(settings: Settings, dials: Mapping[Dial, float]) -> Settings:
    """Settings with factors (not logarithms) applied; shares stay below `MOST_SHARE`."""
    values: dict[str, float | tuple[float, ...]] = {}
    for dial, factor in dials.items():
        for name in dial.settings:
            base, _, pace = name.partition(":")
            old = values.get(base, getattr(settings, base))
            if isinstance(old, tuple):
                values[base] = tuple(v * factor if str(n) == pace else v for n, v in enumerate(old))
            elif base.endswith("_share"):
                odds = old / (1.0 - old) * factor
                values[base] = min(odds / (1.0 + odds), MOST_SHARE)
            else:
                values[base] = old * factor
    return replace(settings, **values)  # type: ignore[arg-type]
