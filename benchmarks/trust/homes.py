"""The homes of the accuracy benchmark: each plan of `floorplans/`, with so many people, in one of several variants.

    plain     no pet, no visitor, sensors as the simulator has them by default
    pet       the plan's own pets, or a cat in a plan without
    visitor   a guest nearly every day
    no phones neither phones nor tags
    dead      the busiest motion sensor falls silent for good after a third of the time, and nobody says so
    lost      one message in twenty never arrives
    drawn     lived by the tracker's own model instead of the simulator: the ceiling
    drawn pet the same with the pet

People beyond the plan's own get a bed, hours, a phone and, where there is a lock, a code; the last ones are left out
where there are fewer. The plan's `visitors` stays as it is, so one unknown person is allowed for even where none comes.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import yaml

from benchmarks.exact.drawing import RESTING, draw_life
from presence import Event, Floorplan
from presence.events import reorder
from presence.simulate import SimulationSettings, simulate
from presence.truth import TruthLine

PLANS = Path(__file__).resolve().parents[2] / "floorplans"
PEOPLE = (1, 2, 3, 4, 6)
LIVED = ("plain", "pet", "visitor", "no phones", "dead", "lost")
DRAWN, DRAWN_PET = CEILING = ("drawn", "drawn pet")
VARIANTS = (*LIVED, *CEILING)
LOST = 0.05
"""Share of messages lost in that variant; by default the simulator loses 0.002."""
HOURS = (("06:30", "22:30"), ("07:15", "23:15"), ("08:00", "23:45"))
"""Waking hours of people who are added to a plan."""
DRAWABLE = {*RESTING, "phone"}


@dataclass(frozen=True, order=True)
class Cell:
    """One home that is scored."""

    plan: str
    """Name of a file in `floorplans/`, without its ending."""
    people: int
    variant: str
    seed: int
    days: float


@dataclass(frozen=True)
class Lived:
    """A cell's plan, its log in order of time, and its truth."""

    plan: Floorplan
    log: list[Event]
    truth: list[TruthLine]


def plan_names() -> list[str]:
    """Every plan in `floorplans/`."""
    return sorted(path.stem for path in PLANS.glob("*.yaml"))


def home_of(name: str, people: int, variant: str) -> Floorplan:
    """A plan of `floorplans/` edited for a number of people and a variant."""
    fields: dict[str, Any] = yaml.safe_load((PLANS / f"{name}.yaml").read_text(encoding="utf-8"))
    fields["people"] = _people(fields, people)
    fields["sensors"] |= {
        f"{person}_phone": {"kind": "phone", "person": person} for person in fields["people"] if "resident_" in person
    }
    without = ("phone", "badge") if variant == "no phones" else ()
    fields["sensors"] = {
        name: sensor
        for name, sensor in fields["sensors"].items()
        if sensor["kind"] not in without
        and (variant not in CEILING or sensor["kind"] in DRAWABLE)
        and sensor.get("person", next(iter(fields["people"]))) in fields["people"]
    }
    own = fields.pop("pets", None) or {"cat": {}}
    fields["pets"] = own if variant in ("pet", DRAWN_PET) else {}
    return Floorplan.from_mapping(fields)


def _people(fields: dict[str, Any], number: int) -> dict[str, dict[str, Any]]:
    """The plan's first people, and others as needed, each in the bedroom with the fewest beds so far."""
    people = dict(list(fields["people"].items())[:number])
    resting = [room for room, about in fields["rooms"].items() if (about or {}).get("rest")]
    locked = any(sensor["kind"] == "lock" for sensor in fields["sensors"].values())
    for k in range(len(people), number):
        beds = Counter(dict.fromkeys(resting, 0) | Counter(p["bed"] for p in people.values() if p.get("bed")))
        up, down = HOURS[k % len(HOURS)]
        codes = {"codes": [f"2{k}5{k}"]} if locked else {}
        people[f"resident_{k + 1}"] = {"bed": min(beds, key=lambda room: beds[room]), "awake": [up, down], **codes}
    return people


def live(cell: Cell) -> Lived:
    """Let the people of a cell live."""
    plan = home_of(cell.plan, cell.people, cell.variant)
    if cell.variant in CEILING:
        plan = in_utc(plan)
        life = draw_life(plan, cell.days * 86400.0, cell.seed)
        return Lived(plan, life.events, life.truth)
    settings = settings_of(cell)
    if cell.variant == "dead":
        before = simulate(plan, days=cell.days, seed=cell.seed, settings=settings)
        settings = settings_of(cell, {busiest(plan, before.log): cell.days / 3})
    made = simulate(plan, days=cell.days, seed=cell.seed, settings=settings)
    return Lived(plan, list(reorder(made.log)), made.truth)


def settings_of(cell: Cell, dead: dict[str, float] | None = None) -> SimulationSettings:
    """What the simulator is asked for in a cell; `dead` as in its settings."""
    return SimulationSettings(
        no_visitors=cell.variant != "visitor",
        no_pets=cell.variant != "pet",
        visits_per_week=6.0,
        lost_share=LOST if cell.variant == "lost" else 0.002,
        dead=dead or {},
    )


def busiest(plan: Floorplan, log: Iterable[Event]) -> str:
    """The motion sensor with the most reports."""
    counts = Counter(event.sensor for event in log if plan.sensors[event.sensor].kind == "motion")
    return max(sorted(counts), key=lambda sensor: counts[sensor])


def in_utc(plan: Floorplan) -> Floorplan:
    """The same home where clocks show UTC: the exact model knows no other."""
    return replace(plan, time_zone="UTC")
