"""Switches that report by themselves, hands that come in bursts, motion sensors outdoors."""

from __future__ import annotations

import pytest

from presence import Floorplan, Settings, Tracker
from presence.experience import Unprompted
from presence.unprompted import stray_rate
from tests.oracle import at, contact, home, motion

ROOMS = {"hall": {}, "bath": {}, "bed": {"rest": True}, "den": {}}
DOORS = {
    "front": {"between": ["hall", "away"]},
    "hall_bath": {"between": ["hall", "bath"]},
    "hall_bed": {"between": ["hall", "bed"], "leaf": "none"},
    "bed_den": {"between": ["bed", "den"], "leaf": "none"},
}
VISIT = (
    (0.0, "hall_motion", "detected"),
    (3.0, "bath_door", "open"),
    (5.0, "bath_door", "closed"),
    (12.0, "hall_motion", "clear"),
    (40.0, "tap", "pressed"),
    (80.0, "bath_door", "open"),
    (81.0, "hall_motion", "detected"),
    (82.0, "bath_door", "closed"),
    (92.0, "hall_motion", "clear"),
    (95.0, "bed_motion", "detected"),
    (105.0, "bed_motion", "clear"),
    (110.0, "den_motion", "detected"),
    (120.0, "den_motion", "clear"),
)


def bath_with_a_tap() -> Floorplan:
    """A bathroom with a contact on its door and a tap; every other room has a motion sensor."""
    sensors = {f"{room}_motion": motion(room) for room in ROOMS if room != "bath"}
    sensors |= {"tap": {"kind": "switch", "room": "bath"}, "bath_door": contact("hall_bath")}
    return home(1, rooms=ROOMS, doors=DOORS, **sensors)


def visit(tracker: Tracker, start: float, *, tap: bool = True) -> None:
    """From the hall to the bathroom and on to the den, shutting the door both times."""
    for second, sensor, value in VISIT:
        if tap or sensor != "tap":
            tracker.observe(at(start + second, sensor, value))


def nobody(tracker: Tracker, second: float) -> float:
    """Probability that a turn of the tap is nobody's."""
    tracker.observe(at(second, "tap", "pressed"))
    assert tracker.association is not None
    return tracker.association.nobody


def test_one_report_in_doubt_makes_no_chatterer_of_a_tap_that_is_used_day_by_day() -> None:
    """Nobody was heard on the way to the tap, which is then turned on and off again and again, as hands do."""
    tracker = Tracker(bath_with_a_tap())
    for number in range(20):
        visit(tracker, 1000.0 * number)
    start = 19_220.0
    assert nobody(tracker, start) > 0.8
    for second in (4.0, 6.0, 30.0, 60.0):
        nobody(tracker, start + second)
    assert tracker.belief.rooms["bath"] > 0.9


def test_a_tap_that_never_spoke_with_anybody_near_goes_on_by_itself() -> None:
    """Bursts once an hour, while somebody is heard in the den and the bathroom's door does not move."""
    tracker = Tracker(bath_with_a_tap())
    visit(tracker, 0.0, tap=False)
    doubts = []
    for hour in range(5):
        start = 2000.0 + 3600.0 * hour
        doubts.append([nobody(tracker, start + second) for second in (0.0, 4.0, 6.0)])
        for minute in range(1, 50, 7):
            tracker.observe(at(start + 60.0 * minute, "den_motion", "detected"))
            tracker.observe(at(start + 60.0 * minute + 10.0, "den_motion", "clear"))
    assert min(doubts[-1]) > 0.99


def test_a_motion_sensor_outdoors_goes_on_by_itself_as_often_as_it_has() -> None:
    """Expected of it are six times a day, worth a day; indoors, and of other sensors, what the settings say."""
    rooms = {"hall": {}, "yard": {"outdoors": True}}
    doors = {"front": {"between": ["hall", "yard"]}, "gate": {"between": ["yard", "away"], "leaf": "none"}}
    sensors = {"hall_motion": motion("hall"), "yard_motion": motion("yard"), "eye": {"kind": "camera", "room": "yard"}}
    sensors |= {"radar": {"kind": "occupancy", "room": "hall"}}
    plan, settings, day = home(1, rooms=rooms, doors=doors, **sensors), Settings(), 86400.0
    yard, record = plan.sensors["yard_motion"], Unprompted(occasions=500, by_itself=294.0)
    assert stray_rate(plan, settings, yard) * day == pytest.approx(6.0)
    assert stray_rate(plan, settings, yard, record, 2.0 * day) * day == pytest.approx(100.0)
    assert stray_rate(plan, settings, yard, Unprompted(), 7.0 * day) * day == pytest.approx(0.75)
    assert stray_rate(plan, settings, plan.sensors["hall_motion"]) * day == pytest.approx(2.0)
    assert stray_rate(plan, settings, plan.sensors["radar"]) * day == pytest.approx(2.0)
    assert stray_rate(plan, settings, plan.sensors["eye"], record, day) * 7.0 * day == pytest.approx(1.0)
