"""Lives drawn from the model: as often in each room as the model says, reports as often, and the filter calibrated."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import numpy as np
import pytest

from benchmarks.exact.dense import DenseModel
from benchmarks.exact.drawing import RESTING, draw_life
from benchmarks.exact.joint_filter import JointFilter
from presence import Floorplan
from tests.oracle import NOON, contact, home, motion

DAY = 86400.0
SENSORS = {
    "hall_motion": motion("hall"),
    "bed_motion": motion("bed"),
    "inner_contact": contact("inner"),
    "front_lock": {"kind": "lock", "door": "front"},
    "kettle": {"kind": "power", "room": "bed"},
}


@pytest.fixture(scope="module")
def always_awake() -> Floorplan:
    return home({"P1": {"awake": ["00:00", "23:59"]}}, pets={"cat": {"rooms": ["hall", "bed"]}}, **SENSORS)


def test_they_are_in_each_room_as_long_as_the_stationary_law_says(always_awake: Floorplan) -> None:
    """The prior is the stationary distribution of movement alone; 24 days of it, in 6 parts for the spread."""
    model = DenseModel(always_awake)
    expected = np.bincount(model.room, model.prior(NOON.timestamp())[0], minlength=3)
    shares = []
    for seed in range(6):
        truth = [line for line in draw_life(always_awake, 4 * DAY, seed).truth if line.person == "P1"]
        seconds = dict.fromkeys(model.rooms, 0.0)
        ends = [*(line.time.timestamp() for line in truth[1:]), NOON.timestamp() + 4 * DAY]
        for line, end in zip(truth, ends, strict=True):
            seconds[line.room] += end - line.time.timestamp()
        shares.append([s / (4 * DAY) for s in seconds.values()])
    spread = np.std(shares, axis=0) / np.sqrt(len(shares))
    assert np.abs(np.mean(shares, axis=0) - expected).max() < 4 * spread.max()
    assert spread.max() < 0.1  # tight enough to fail


def test_things_are_reported_as_often_as_their_rates_say(always_awake: Floorplan) -> None:
    """A kettle never blinds: its reports are a sum over states of stationary share times rate, and false alarms."""
    model = DenseModel(always_awake)
    hours = model.hours(NOON.timestamp())
    prior, event = model.prior(NOON.timestamp()), "kettle"
    life = draw_life(always_awake, 20 * DAY, 1)
    counted = Counter(e.sensor for e in life.events if e.value == "started")[event]
    kettle = next(e for e in life.events if e.sensor == event)
    expected = model.nobody_rate(kettle) + sum(
        float(prior[cause.being] @ cause.matrix.sum(axis=1)) for cause in model.causes(kettle, hours)
    )
    assert counted == pytest.approx(expected * 20 * DAY, rel=0.3)  # 30 %: stays in the room make it burst
    assert counted > 40


def test_a_sensor_that_is_on_says_nothing_and_a_door_is_opened_and_closed_in_turn(always_awake: Floorplan) -> None:
    events = draw_life(always_awake, 4 * DAY, 3).events
    for sensor, plan_sensor in always_awake.sensors.items():
        values = [event.value for event in events if event.sensor == sensor]
        assert RESTING[plan_sensor.kind] in values
        if plan_sensor.kind in ("motion", "contact"):
            assert all(a != b for a, b in pairwise(values))


def test_the_exact_filter_is_calibrated_on_what_is_drawn_from_its_model() -> None:
    """Sum of (truth - p) over instants far apart, in standard errors: what is probable happens as often."""
    plan = home(2, **SENSORS)
    surplus = []
    for seed in range(12):
        life, exact = draw_life(plan, 8 * 3600.0, seed), JointFilter(plan)
        grid, where, k = NOON.timestamp() + 1200.0 * np.arange(1, 24), dict[str, str](), 0
        for now in grid:
            while k < len(life.events) and life.events[k].seconds <= now:
                exact.observe(life.events[k])
                k += 1
            exact.advance(now)
            where |= {line.person: line.room for line in life.truth if line.time.timestamp() <= now}
            true = [float(room in where.values()) for room in ("hall", "bed")]
            surplus.append((np.array(true) - exact.rooms(), exact.rooms() * (1 - exact.rooms())))
    difference = np.sum([d for d, _ in surplus], axis=0)
    error = np.sqrt(np.sum([v for _, v in surplus], axis=0))
    assert (np.abs(difference) < 4 * error).all()
    assert error.max() < 0.1 * len(surplus)


def test_an_animal_opens_no_door() -> None:
    """Four days of a cat alone: false alarms of the contact, one a day, are all that opens a door between its rooms."""
    plan = home({}, pets={"cat": {"rooms": ["hall", "bed"]}}, **SENSORS)
    life = draw_life(plan, 4 * DAY, 1)
    heard = Counter((event.sensor, event.value) for event in life.events)
    assert heard["inner_contact", "open"] <= 12  # of a Poisson law with mean 4 (P = .9997)
    assert heard["hall_motion", "detected"] + heard["bed_motion", "detected"] > 100


def test_what_cannot_be_drawn_is_refused() -> None:
    plan = home(1, mat={"kind": "pressure", "room": "bed"})
    with pytest.raises(ValueError, match="pressure cannot be drawn"):
        draw_life(plan, 60.0, 1)
