"""A motion sensor that is on for longer than its hold saw somebody move: what that says of who has gone out."""

from __future__ import annotations

import pytest

from presence import Floorplan, Tracker
from tests.oracle import at, contact, home, motion, time_at

ROOMS: dict[str, object] = {"hall": {}, "living": {}, "bath": {}}
DOORS = {
    "front": {"between": ["hall", "away"]},
    "living_door": {"between": ["hall", "living"]},
    "bath_door": {"between": ["hall", "bath"]},
}
Report = tuple[float, str, str]


def house(hold: float = 60.0, pets: dict[str, object] | None = None) -> Floorplan:
    sensors = {"hall_motion": motion("hall", 20.0), "living_motion": motion("living", hold)}
    return home(1, rooms=ROOMS, doors=DOORS, pets=pets, **sensors, front_contact=contact("front"))


def evening(living_on: float = 60.0) -> list[Report]:
    """Six times somebody stirs in the living room, whose sensor stays on for so long each time."""
    pairs = [[(-900.0 + n * 120.0, "detected"), (-900.0 + n * 120.0 + living_on, "clear")] for n in range(6)]
    return [(seconds, "living_motion", value) for pair in pairs for seconds, value in pair]


def parcel(clear: float) -> list[Report]:
    """Up to the front door, open for ten seconds; the living room's sensor, on since before, goes off so late."""
    door = [(4.0, "hall_motion", "detected"), (5.0, "front_contact", "open"), (15.0, "front_contact", "closed")]
    return [
        (0.0, "living_motion", "detected"),
        *door,
        (36.0, "hall_motion", "clear"),
        (clear, "living_motion", "clear"),
    ]


def at_home(plan: Floorplan, reports: list[Report]) -> float:
    """Whether anybody is at home, three minutes after."""
    tracker = Tracker(plan, watching=False)
    for seconds, sensor, value in reports:
        tracker.observe(at(1000.0 + seconds, sensor, value))
    tracker.advance(time_at(1180.0))
    return 1.0 - tracker.belief.at_home[0]


def test_who_takes_a_parcel_in_and_is_seen_afterwards_has_not_gone() -> None:
    """With a hold of a minute, off at 95 s says that somebody moved at 35 s, when the door had long been shut."""
    assert at_home(house(), evening() + parcel(clear=95.0)) > 0.9


def test_who_was_seen_only_on_the_way_out_has_gone() -> None:
    """Off at 62 s: the last movement came before the door was opened."""
    assert at_home(house(), evening() + parcel(clear=62.0)) < 0.2


def test_a_sensor_that_always_stays_on_for_longer_than_the_plan_says_keeps_nobody_at_home() -> None:
    """The plan says ten seconds, its own record says ninety: then off at 95 s tells of a movement at 5 s."""
    assert at_home(house(hold=10.0), evening(living_on=90.0) + parcel(clear=95.0)) < 0.2


def test_an_animal_that_may_have_kept_it_on_keeps_nobody_at_home() -> None:
    reports = evening() + parcel(clear=95.0)
    assert at_home(house(pets={"cat": {}}), reports) == pytest.approx(
        at_home(house(pets={"cat": {}}), reports[:-1]), abs=0.1
    )
