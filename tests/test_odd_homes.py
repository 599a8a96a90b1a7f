"""Small homes with few sensors, of unusual kinds: what whoever lives there would expect, hour by hour."""

from __future__ import annotations

import pytest

from presence import Floorplan, Tracker
from tests.oracle import at, contact, home, time_at

HOUR = 3600.0
Report = tuple[float, str, str]


def followed(plan: Floorplan, *reports: Report) -> Tracker:
    """A tracker that has heard these reports, at seconds after noon."""
    tracker = Tracker(plan)
    for report in reports:
        tracker.observe(at(*report))
    return tracker


# --- a camera indoors -------------------------------------------------------------------------------------------------
def studio() -> Floorplan:
    """One room with a bed mat and a camera, a bath without sensors, an entry that does not report."""
    return home(
        {"P1": {"bed": "studio", "awake": ["08:00", "23:30"]}},
        rooms={"studio": {"rest": True}, "bath": {}},
        doors={"bath_door": {"between": ["studio", "bath"]}, "entry": {"between": ["studio", "away"]}},
        bed_mat={"kind": "pressure", "room": "studio"},
        camera={"kind": "camera", "room": "studio"},
    )


def test_who_sleeps_on_a_mat_is_there_though_a_camera_reports_nobody_all_night() -> None:
    """Under a blanket in the dark nothing moves that would wake a camera."""
    night = [(11.4 * HOUR, "camera", "person"), (11.5 * HOUR, "bed_mat", "pressed"), (11.6 * HOUR, "camera", "clear")]
    tracker = followed(studio(), *night)
    for hour in range(12, 19):
        tracker.advance(time_at(hour * HOUR))
        assert tracker.belief.rooms["studio"] > 0.95, hour


def test_whom_a_camera_goes_on_seeing_is_there() -> None:
    """It reports somebody for eighteen minutes; until it says otherwise they are in its room."""
    tracker = followed(studio(), (0.0, "camera", "person"))
    for minute in range(1, 19):
        tracker.advance(time_at(60.0 * minute))
        assert tracker.belief.rooms["studio"] > 0.8, minute
    tracker.observe(at(18.5 * 60.0, "camera", "clear"))
    assert tracker.belief.at_home[0] < 0.05


# --- two contacts on one door -----------------------------------------------------------------------------------------
@pytest.mark.parametrize("closed", [[], [(9000.0, "second_contact", "closed")]], ids=["left open", "shut later"])
def test_a_door_with_two_contacts_is_watched_while_one_of_them_is_offline(closed: list[Report]) -> None:
    """Its battery is flat; the other one would have told of anybody who leaves, and tells that the door is shut."""
    plan = home(
        1,
        rooms={"hall": {}},
        doors={"front": {"between": ["hall", "away"]}},
        front_contact=contact("front"),
        second_contact=contact("front"),
    )
    opened: list[Report] = [(5.0, "front_contact", "open"), (5.4, "second_contact", "open")]
    opened += [] if closed else [(8.0, "second_contact", "closed"), (8.3, "front_contact", "closed")]
    plain = followed(plan, *opened, *closed)
    flat = followed(plan, *opened, (600.0, "front_contact", "offline"), *closed)
    for tracker in (plain, flat):
        tracker.advance(time_at(3 * HOUR))
    assert flat.belief.people["P1"] == pytest.approx(plain.belief.people["P1"], rel=0, abs=1e-9)
    flat.observe(at(4 * HOUR, "second_contact", "offline"))
    for tracker in (plain, flat):
        tracker.advance(time_at(30 * HOUR))
    assert flat.belief.people["P1"] != pytest.approx(plain.belief.people["P1"], rel=0, abs=1e-3)
