"""Whoever sits or lies on a bed or seat that the plan puts somewhere is there, one at a time on a seat."""

from dataclasses import replace
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from presence import Floorplan
from presence.advise import candidates
from presence.simulate import SimulationSettings, simulate
from presence.simulate.deeds import seats
from presence.simulate.living import Lives, live, stream
from presence.simulate.walking import ASLEEP

PLAN = Floorplan.load(Path(__file__).parents[1] / "floorplans" / "open_plan_bungalow.yaml")
SPOT = PLAN.sensors["armchair"].at or (0.0, 0.0)
SURE = SimulationSettings(misses={"pressure": 0.0}, false_alarms={"pressure": 0.0}, stuck_share=0.0)
ROUND: dict[str, Any] = {"days": 3, "seed": 4, "start": date(2026, 3, 2), "settings": SURE}


@pytest.fixture(scope="module")
def lives() -> Lives:
    return live(PLAN, days=6, seed=4, start=date(2026, 3, 2), settings=SURE)


def test_who_presses_the_seat_moves_there(lives: Lives) -> None:
    """Fidgets stray 0.25 m (one sigma) from where somebody sits, so hardly one in ten thousand goes 1 m off."""
    told = seats(PLAN.sensors["armchair"], lives, SURE, stream(4))
    assert len(told) > 20
    tables = {trace.being: trace.movements() for trace in lives.people}
    for pressed, released in zip(told[::2], told[1::2], strict=True):
        table = tables[str(pressed.being)]
        during = (table.time > pressed.time) & (table.time < released.time - 0.2)
        far = np.hypot(table.x[during] - SPOT[0], table.y[during] - SPOT[1])
        assert (far < 1.5).all(), pressed


def test_a_seat_holds_one_person_at_a_time(lives: Lives) -> None:
    on_it = sorted(
        (stay.start, stay.end)
        for trace in lives.people
        for stay in trace.sojourns
        if stay.room == "great_room" and stay.spot == SPOT
    )
    assert len(on_it) > 20
    assert all(end <= start for (_, end), (start, _) in pairwise(on_it))


def test_two_lie_side_by_side_in_one_bed(lives: Lives) -> None:
    middle = PLAN.sensors["bed"].at or (0.0, 0.0)
    lying = [s for t in lives.people for s in t.sojourns if s.room == "bedroom" and s.activity == ASLEEP]
    assert len(lying) > 10
    assert all(abs(s.spot[0] - middle[0]) <= 0.4 and s.spot[1] == middle[1] for s in lying)


def test_a_seat_without_a_place_changes_no_life() -> None:
    """`presence advise` compares plans with and without a sensor over the same lives."""
    placeless = replace(PLAN.sensors["armchair"], id="sofa", at=None)
    more = replace(PLAN, sensors={**PLAN.sensors, "sofa": placeless})
    assert simulate(more, days=2, seed=4).truth == simulate(PLAN, days=2, seed=4).truth


def test_a_mat_in_a_bed_is_a_bed() -> None:
    """Called `bed_mat`, it is lain on for hours; a mat by the door is trodden on."""
    bed = PLAN.sensors["bed"]
    called = {name: replace(bed, id=name, at=None) for name in ("bed_mat", "door_mat")}
    home = replace(PLAN, sensors={**PLAN.sensors, **called})
    lives = live(home, **ROUND)
    longest = {}
    for name, sensor in called.items():
        told = seats(sensor, lives, SURE, stream(4))
        longest[name] = max(off.time - on.time for on, off in zip(told[::2], told[1::2], strict=True))
    assert longest["bed_mat"] > 3 * 3600.0
    assert longest["door_mat"] < 60.0


@pytest.mark.parametrize(
    ("name", "lain_on"),
    [("berth", True), ("Bett_links", True), ("mat", True), ("sofa", False), ("floor_mat", False)],
)
def test_a_pressure_sensor_where_people_sleep_is_a_beds_unless_its_id_says_otherwise(name: str, lain_on: bool) -> None:
    bed = replace(PLAN.sensors["bed"], id=name, at=None)
    told = seats(bed, live(replace(PLAN, sensors={name: bed}), **ROUND), SURE, stream(4))
    longest = max((off.time - on.time for on, off in zip(told[::2], told[1::2], strict=True)), default=0.0)
    assert (longest > 3 * 3600.0) == lain_on


def test_the_bed_that_advise_tries_is_slept_in() -> None:
    """Whoever adds "a pressure sensor on the bed in the bedroom" hears from it for most of each night."""
    bare = replace(PLAN, sensors={name: sensor for name, sensor in PLAN.sensors.items() if name != "bed"})
    change = next(c for c in candidates(bare, ["pressure"], removals=False) if c.sensor.room == "bedroom")
    home = replace(bare, sensors={**bare.sensors, change.sensor.id: change.sensor})
    told = seats(change.sensor, live(home, **ROUND), SURE, stream(4))
    pressed = sum(off.time - on.time for on, off in zip(told[::2], told[1::2], strict=True))
    assert pressed > ROUND["days"] * 5 * 3600.0
