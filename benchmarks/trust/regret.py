"""What a bounded number of hypotheses costs: log-likelihood lost against the exact joint filter, nats per event.

The exact filter holds one array with an axis a person, so it is feasible for up to three people; what it does not know
(seats, occupancy sensors, tags, pets, visitors) is taken out of the home before anybody lives there; clocks show UTC.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from benchmarks.exact.drawing import draw_life
from benchmarks.exact.joint_filter import PLAIN, JointFilter
from benchmarks.trust.homes import DRAWABLE, DRAWN, Cell, home_of, in_utc, settings_of
from presence import Event, Floorplan, Tracker
from presence.events import reorder
from presence.model import Model
from presence.simulate import simulate

LARGEST = 600_000
"""Joint states that are still feasible."""
COMPARED = ("plain", "no phones", "lost", DRAWN)
"""Variants of which the exact filter knows all that the tracker does; not of a dead sensor that the tracker doubts."""
EVENTS = {1: 1500, 2: 800, 3: 800}
"""Number of people -> events that are compared."""


def exact_home(cell: Cell) -> Floorplan | None:
    """The cell's home without what the exact filter does not know; None if that is still too large."""
    plan = home_of(cell.plan, cell.people, cell.variant)
    sensors = {name: sensor for name, sensor in plan.sensors.items() if sensor.kind in DRAWABLE}
    small = in_utc(replace(plan, sensors=sensors, pets={}, visitors=0))
    feasible = cell.people in EVENTS and Model(small, PLAIN).states.size ** cell.people <= LARGEST
    return small if feasible else None


def events_of(cell: Cell, plan: Floorplan) -> list[Event]:
    """The first events of a day and a half of life in it, the small hours left out."""
    if cell.variant == DRAWN:
        return draw_life(plan, 1.5 * 86400.0, cell.seed).events[: EVENTS[cell.people]]
    log = list(reorder(simulate(plan, days=3, seed=cell.seed, settings=settings_of(cell)).log))
    return [event for event in log if event.seconds > log[0].seconds + 5 * 3600][: EVENTS[cell.people]]


def regret(plan: Floorplan, events: Sequence[Event], hypotheses: int) -> float:
    """`(exact log-likelihood - the tracker's) / events`, nats."""
    exact = JointFilter(plan, events[0].time, PLAIN)
    tracker = Tracker(plan, PLAIN, hypotheses=hypotheses, numbering=False)
    for event in events:
        exact.observe(event)
        tracker.observe(event)
    return (exact.log_likelihood - tracker.log_likelihood) / len(events)


def regret_of(cell: Cell, hypotheses: int) -> dict[str, float]:
    """The regret in a cell's home and the events it rests on; empty where the exact filter is not feasible."""
    plan = exact_home(cell) if cell.variant in COMPARED else None
    events = events_of(cell, plan) if plan is not None else []
    if plan is None or not events:
        return {}
    return {"regret_nats_per_event": regret(plan, events, hypotheses), "regret_events": len(events)}
