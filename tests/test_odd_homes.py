"""Small homes with few sensors, of unusual kinds: what whoever lives there would expect, hour by hour."""

from __future__ import annotations

import numpy as np
import pytest

from presence import Floorplan, Settings, Tracker
from tests.oracle import at, contact, doors, home, motion, motions, time_at

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
        doors=doors(bath_door="studio bath", entry="studio away"),
        bed_mat={"kind": "pressure", "room": "studio"},
        camera={"kind": "camera", "room": "studio"},
    )


def test_who_sleeps_on_a_mat_is_there_though_a_camera_reports_nobody_all_night() -> None:
    """Under a blanket in the dark nothing moves that would wake a camera."""
    night = [(11.4 * HOUR, "camera", "person"), (11.5 * HOUR, "bed_mat", "pressed"), (11.6 * HOUR, "camera", "clear")]
    tracker = followed(studio(), *night)
    for hour in range(12, 20):
        tracker.advance(time_at(hour * HOUR))
        assert tracker.belief.rooms["studio"] > 0.95, hour


def test_whom_a_camera_goes_on_seeing_is_there() -> None:
    """It reports somebody for eighteen minutes; until it says otherwise they are in its room."""
    tracker = followed(studio(), (-90.0, "camera", "person"), (-60.0, "camera", "clear"), (0.0, "camera", "person"))
    for minute in range(1, 19):
        tracker.advance(time_at(60.0 * minute))
        assert tracker.belief.rooms["studio"] > 0.8, minute
    tracker.observe(at(18.5 * 60.0, "camera", "clear"))
    assert tracker.belief.at_home[0] < 0.05


def test_a_camera_that_never_says_that_it_sees_nobody_keeps_nobody_there() -> None:
    """It reports whom it sees, and no more: that it has not gone off tells nothing."""
    plan = home(
        1,
        rooms={"hall": {}, "yard": {"outdoors": True}},
        doors=doors(front="hall yard", gate="yard away none"),
        camera={"kind": "camera", "room": "yard"},
    )
    tracker = followed(plan, *((60.0 * minute, "camera", "person") for minute in (0, 30, 60)))
    tracker.advance(time_at(70 * 60.0))
    assert tracker.belief.rooms["yard"] < 0.3


# --- beds with sensors ------------------------------------------------------------------------------------------------
EVENING = 6.0 * HOUR
"""Home at six."""
ARRIVAL: list[Report] = [
    (EVENING, "front_contact", "open"),
    (EVENING + 3.0, "hall_motion", "detected"),
    (EVENING + 5.0, "front_contact", "closed"),
    (EVENING + 9.0, "living_motion", "detected"),
    (EVENING + 40.0, "hall_motion", "clear"),
]
SLEEPER = {"P1": {"bed": "bed", "awake": ["07:00", "23:00"]}}
MAT: dict[str, object] = {"kind": "pressure", "room": "bed"}


def flat(**more: dict[str, object]) -> Floorplan:
    """Hall, living room and bedroom; motion sensors in the first two, a contact at the entrance."""
    return home(
        SLEEPER,
        rooms={"hall": {}, "living": {}, "bed": {"rest": True}},
        doors=doors(front="hall away", living_door="hall living", bed_door="hall bed"),
        front_contact=contact("front"),
        hall_motion=motion("hall", hold=30.0),
        living_motion=motion("living", hold=30.0),
        **more,
    )


@pytest.mark.parametrize("mat", [True, False], ids=["bed with a mat", "bed without"])
def test_who_reads_without_a_stir_is_at_home_whether_or_not_the_bed_reports(mat: bool) -> None:
    """A chair in the living room has no sensor: nothing but the bed's mat tells of nobody there."""
    plan = flat(**({"mat": MAT} if mat else {}))
    stirs = [(EVENING + s, "living_motion", v) for s, v in ((40.0, "clear"), (300.0, "detected"), (340.0, "clear"))]
    tracker = followed(plan, *ARRIVAL, *stirs)
    for minutes in (15, 30, 45):
        tracker.advance(time_at(EVENING + 60.0 * minutes))
        assert tracker.belief.at_home[0] < 0.05, minutes
        assert tracker.belief.rooms["living"] > 0.4, minutes


@pytest.mark.parametrize("mat", [True, False], ids=["bed with a mat", "bed without"])
def test_who_works_beside_their_bed_is_there_whether_or_not_it_reports(mat: bool) -> None:
    """Through the hall to a desk in the bedroom, or a doormat there was stepped on: nothing else reports."""
    stirs = [
        (EVENING + s, f"{room}_motion", v) for s, room, v in ((600.0, "hall", "detected"), (640.0, "hall", "clear"))
    ]
    stepped = [(EVENING + s, "mat", v) for s, v in ((612.0, "pressed"), (614.0, "released"))] if mat else []
    plan = flat(**({"mat": MAT} if mat else {}))
    tracker = followed(
        plan, *ARRIVAL, (EVENING + 60.0, "living_motion", "clear"), *sorted(stirs[:1] + stepped + stirs[1:])
    )
    for minutes in (30, 60, 90):
        tracker.advance(time_at(EVENING + 60.0 * minutes))
        assert tracker.belief.at_home[0] < 0.05, minutes
        assert tracker.belief.rooms["bed"] > 0.5, minutes


def test_whose_only_room_has_a_bed_with_a_mat_is_at_home_before_they_lie_down() -> None:
    """An evening in a studio where nothing but the mat and the entrance reports: a bed is for the night."""
    plan = home(
        {"P1": {"bed": "studio", "awake": ["07:00", "23:00"]}},
        rooms={"studio": {"rest": True}, "bath": {}},
        doors=doors(bath_door="studio bath", front="studio away"),
        mat={"kind": "pressure", "room": "studio"},
        front_contact=contact("front"),
    )
    tracker = followed(plan, (EVENING, "front_contact", "open"), (EVENING + 5.0, "front_contact", "closed"))
    came_back = tracker.belief.people["P1"]["away"]
    tracker.advance(time_at(10.0 * HOUR))
    assert tracker.belief.people["P1"]["away"] == pytest.approx(came_back, rel=0, abs=0.25)
    tracker.observe(at(10.75 * HOUR, "mat", "pressed"))
    for hour in (11.0, 13.0, 15.0):
        tracker.advance(time_at(hour * HOUR))
        assert tracker.belief.rooms["studio"] > 0.8, hour


KEPT_ON = [*ARRIVAL, (EVENING + 60.0, "kitchen_motion", "detected")]
"""Two are at home, and neither the living room's nor the kitchen's sensor goes off."""


@pytest.mark.parametrize("people", [1, 2])
def test_whom_a_motion_sensor_goes_on_seeing_has_not_left_although_no_seat_is_taken(people: int) -> None:
    """An hour of housework: a sofa and a bed report that nobody rests, and the sensor that somebody moves."""
    reports = KEPT_ON if people == 2 else ARRIVAL
    plan = home(
        dict.fromkeys(("P1", "P2")[:people], SLEEPER["P1"]),
        rooms={"hall": {}, "living": {}, "kitchen": {}, "bed": {"rest": True}},
        doors=doors(front="hall away", living_door="hall living", kitchen_door="hall kitchen", bed_door="hall bed"),
        front_contact=contact("front"),
        hall_motion=motion("hall", hold=30.0),
        **motions("living", "kitchen", "bed", hold=60.0),
        sofa={"kind": "pressure", "room": "living"},
        mat=MAT,
    )
    tracker = followed(plan, *reports)
    for minutes in (10, 20, 30, 60):
        tracker.advance(time_at(EVENING + 60.0 * minutes))
        assert tracker.belief.at_home[0] < 0.05, minutes
        assert max(tracker.belief.rooms["living"], tracker.belief.rooms["kitchen"] * (people - 1)) > 0.9, minutes


def test_a_sensor_that_always_stays_on_for_longer_than_its_plan_says_keeps_nobody_at_home() -> None:
    """Five minutes for every movement, not half a minute; its owner has left by the front door, seen in the hall."""
    plan = home(
        SLEEPER,
        rooms={"hall": {}, "living": {}, "bed": {"rest": True}},
        doors=doors(front="hall away", living_door="hall living", bed_door="hall bed"),
        front_contact=contact("front"),
        **motions("hall", "living", hold=30.0),
        sofa={"kind": "pressure", "room": "living"},
        mat=MAT,
    )
    evening: list[Report] = []
    for up in (0.0, 900.0, 1800.0, 2700.0, 3600.0, 4500.0):
        evening += [(up, "living_motion", "detected"), (up + 300.0, "living_motion", "clear")]
        evening += [(up + 310.0, "sofa", "pressed"), (up + 890.0, "sofa", "released")]
    leaving = [(20.0, "hall_motion", "detected"), (25.0, "front_contact", "open"), (30.0, "front_contact", "closed")]
    leaving += [(0.0, "living_motion", "detected"), (50.0, "hall_motion", "clear")]
    tracker = followed(plan, *sorted([*evening, *((5400.0 + s, sensor, value) for s, sensor, value in leaving)]))
    for seconds in (160.0, 230.0, 299.0):
        tracker.advance(time_at(5400.0 + seconds))
        assert tracker.belief.at_home[0] > 0.8, seconds


def test_a_porch_sensor_that_stays_on_in_the_wind_brings_nobody_home() -> None:
    """Outdoors trees, traffic and strangers keep a sensor on; of two residents one is out, one on the sofa."""
    plan = home(
        dict.fromkeys(("P1", "P2"), SLEEPER["P1"]),
        rooms={"hall": {}, "living": {}, "bed": {"rest": True}, "porch": {"outdoors": True}},
        doors=doors(front="hall porch", gate="porch away none", living_door="hall living", bed_door="hall bed"),
        front_contact=contact("front"),
        **motions("hall", "living", "porch", hold=30.0),
        sofa={"kind": "pressure", "room": "living"},
        mat=MAT,
    )
    seated = [(0.0, "living_motion", "detected"), (30.0, "living_motion", "clear"), (40.0, "sofa", "pressed")]
    tracker = followed(plan, *seated, (1800.0, "porch_motion", "detected"))
    for minutes in (35, 40, 45):
        tracker.advance(time_at(60.0 * minutes))
        assert tracker.belief.rooms["porch"] < 0.5, minutes
        assert tracker.belief.at_home[1] > 0.5, minutes


@pytest.mark.parametrize(("people", "hold"), [(1, 60.0), (2, 300.0), (1, 1200.0)])
@pytest.mark.parametrize("lost", [["hall"], ["hall", "living"]], ids=["one", "all of those that were on"])
def test_off_messages_that_are_lost_as_all_leave_keep_nobody_at_home_all_day(
    people: int, hold: float, lost: list[str]
) -> None:
    """A hub out of reach for a minute: of the sensors on since then none says so, and each has been on ever since."""
    rooms = ("hall", "living", "kitchen")
    plan = home(
        people,
        rooms={"bed": {"rest": True}, **{room: {} for room in rooms}},
        doors=doors(front="hall away", living_door="hall living", kitchen_door="hall kitchen", bed_door="hall bed"),
        front_contact=contact("front"),
        **motions(*rooms, "bed", hold=hold),
    )
    came = [(k * 90.0 + s, "front_contact", ("open", "closed")[s > 0]) for k in range(people) for s in (0, 5)]
    turns = [(10.0 + (2.5 * k + n) * hold, f"{room}_motion") for k in range(8) for n, room in enumerate(rooms[:2])]
    day = [(t + s, sensor, ("detected", "clear")[s > 0]) for t, sensor in turns for s in (0, 1.2 * hold)]
    left = 24.0 * hold
    out = [(left + s, f"{room}_motion", "detected") for s, room in ((-12.0, "living"), (-6.0, "hall"))]
    out += [(left, "front_contact", "open"), (left + 8.0, "front_contact", "closed")]
    out += [(left + hold, f"{room}_motion", "clear") for room in ("hall", "living") if room not in lost]
    tracker = followed(plan, *sorted([*came, *day]), *out)
    tracker.advance(time_at(left + 8 * HOUR))
    assert tracker.belief.at_home[0] > 0.9


def garden_home() -> Floorplan:
    """One resident and perhaps a visitor; a garden behind a watched back door, and a motion sensor in it."""
    return home(
        SLEEPER,
        rooms={"living": {}, "bed": {"rest": True}, "garden": {"outdoors": True}},
        doors={
            "front": {"between": ["living", "away"]},
            "back": {"between": ["living", "garden"]},
            "gate": {"between": ["garden", "away"], "leaf": "none"},
            "bed_door": {"between": ["living", "bed"]},
        },
        visitors=1,
        front_contact=contact("front"),
        back_contact=contact("back"),
        **{f"{room}_motion": motion(room, hold=30.0) for room in ("living", "bed", "garden")},
    )


def windy(begin: float, end: float, every: float, seed: int = 1) -> list[Report]:
    """A motion sensor in a garden goes on for half a minute at random, whoever is there."""
    rng, reports, now = np.random.default_rng(seed), [], begin
    while (now := now + 31.0 + rng.exponential(every)) < end:
        reports += [(now, "garden_motion", "detected"), (now + 30.0, "garden_motion", "clear")]
    return reports


def test_a_garden_sensor_in_the_wind_makes_no_guests() -> None:
    """It goes on by itself forty times a day and more; who lives alone is watching a film."""
    film = [(300.0 * n + k, "living_motion", ("detected", "clear")[k > 0]) for n in range(120) for k in (0, 30)]
    tracker, alone = Tracker(garden_home(), watching=False), []
    for report in sorted([*film, *windy(600.0, 36000.0, 1500.0)]):
        tracker.observe(at(*report))
        alone.append(tracker.belief.at_home[1])
    assert np.mean(alone) > 0.95
    assert min(alone[-20:]) > 0.9


def test_who_works_in_the_garden_is_there_however_windy_it_was() -> None:
    """What the sensor has done by itself all night does not explain away whoever went out to it by the back door."""
    out: list[Report] = [
        (36000.0, "living_motion", "detected"),
        (36010.0, "back_contact", "open"),
        (36013.0, "back_contact", "closed"),
        (36016.0, "garden_motion", "detected"),
        (36040.0, "living_motion", "clear"),
    ]
    work = [
        (36130.0 + 120.0 * n + k, "garden_motion", "detected" if k else "clear") for n in range(20) for k in (0, 40)
    ]
    tracker = followed(garden_home(), *windy(0.0, 35900.0, 1500.0), *out, *work)
    assert tracker.belief.rooms["garden"] > 0.95
    assert tracker.belief.at_home[0] < 0.05


@pytest.mark.parametrize("room", ["hall", "living"])
def test_one_chair_with_a_sensor_does_not_make_whoever_reads_on_another_leave(room: str) -> None:
    plan = flat(chair={"kind": "pressure", "room": room})
    stirs = [(EVENING + s, "living_motion", v) for s, v in ((40.0, "clear"), (300.0, "detected"), (340.0, "clear"))]
    tracker = followed(plan, *ARRIVAL, *stirs)
    tracker.advance(time_at(EVENING + 1800.0))
    assert tracker.belief.at_home[0] < 0.05
    assert tracker.belief.rooms["living"] > 0.5


# --- bedrooms ---------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("watched", [False, True], ids=["door without a contact", "door with one"])
def test_who_is_quiet_in_their_own_room_is_not_in_the_spare_one(watched: bool) -> None:
    """Next door is a bedroom that is nobody's, and has no sensor that could tell of somebody in it."""
    plan = home(
        {"P1": {"bed": "own", "awake": ["07:00", "21:00"]}},
        rooms={"hall": {}, "landing": {}, "own": {"rest": True}, "spare": {"rest": True}},
        doors=doors(front="hall away", stairs="hall landing none", own_door="landing own", spare_door="landing spare"),
        front_contact=contact("front"),
        own_motion=motion("own", hold=60.0),
        **motions("hall", "landing", hold=30.0),
        **({"own_contact": contact("own_door")} if watched else {}),
    )
    reports: list[Report] = [(0.0, "hall_motion", "detected"), (4.0, "landing_motion", "detected")]
    reports += [(6.0, "own_contact", "open")] if watched else []
    reports += [(7.0, "own_motion", "detected"), (31.0, "hall_motion", "clear")]
    tracker = followed(plan, *reports, (35.0, "landing_motion", "clear"), (68.0, "own_motion", "clear"))
    for minutes in (5, 15, 30, 45, 60):
        tracker.advance(time_at(60.0 * minutes))
        assert tracker.belief.rooms["own"] > 0.5 > tracker.belief.rooms["spare"], minutes


@pytest.mark.parametrize("online", [False, True], ids=["silent", "online at the start"])
@pytest.mark.parametrize("watched", [[], ["bed_door"], ["bed_door", "terrace_door"]], ids=len)
@pytest.mark.parametrize("ways", [1, 2], ids=["one way in", "two ways in"])
def test_who_goes_to_bed_through_a_door_that_has_long_stood_open_is_there(
    watched: list[str], ways: int, online: bool
) -> None:
    """Its contact has not said since before the log how it stands, nor does now; the bedroom has no other sensor."""
    joined = doors(
        front="hall away",
        living_door="hall living",
        stairs="hall landing none",
        bed_door="landing bed",
        terrace_door="hall bed",
    )
    kept = [*joined][: 3 + ways]
    contacts = {f"{door}_contact": contact(door) for door in watched if door in kept}
    plan = home(
        {"P1": {"bed": "bed", "awake": ["07:00", "23:00"]}},
        rooms={"hall": {}, "living": {}, "landing": {}, "bed": {"rest": True}},
        doors={door: joined[door] for door in kept},
        front_contact=contact("front"),
        living_motion=motion("living", hold=60.0),
        **motions("hall", "landing", hold=30.0),
        **contacts,
    )
    walk = [(0.0, "living"), (60.0, "living"), (120.0, "hall"), (124.0, "landing")]
    reports = [(11.0 * HOUR + s, f"{room}_motion", "detected") for s, room in walk if s != 60.0]
    reports += [
        (11.0 * HOUR + s, f"{room}_motion", "clear") for s, room in [*walk[1:2], (150.0, "hall"), (154.0, "landing")]
    ]
    reports += [(11.0 * HOUR - 5.0, name, "online") for name in contacts if online]
    tracker = followed(plan, *sorted(reports))
    for hour in (11.5, 13.0, 16.0):
        tracker.advance(time_at(hour * HOUR))
        assert tracker.belief.rooms["bed"] > 0.8, hour


def test_who_sits_still_before_a_camera_has_not_left() -> None:
    """It tells of somebody who moves, and no more while they read."""
    plan = flat(camera={"kind": "camera", "room": "living"})
    turns = [
        (-600.0, "person"),
        (-580.0, "clear"),
        (9.5, "person"),
        (60.0, "clear"),
        (301.0, "person"),
        (330.0, "clear"),
    ]
    seen = [(EVENING + s, "camera", v) for s, v in turns]
    stirs = [(EVENING + s, "living_motion", v) for s, v in ((40.0, "clear"), (300.0, "detected"), (340.0, "clear"))]
    tracker = followed(plan, *sorted([*ARRIVAL, *seen, *stirs]))
    tracker.advance(time_at(EVENING + 600.0))
    assert tracker.belief.rooms["living"] > 0.8


# --- a motion sensor that stays on ------------------------------------------------------------------------------------
def test_a_motion_sensor_that_stays_on_does_not_tell_of_nobody_there() -> None:
    """An hour of cooking keeps it on; its off message comes at last."""
    tracker = followed(flat(), *ARRIVAL)
    for minutes in (15, 30, 60):
        tracker.advance(time_at(EVENING + 60.0 * minutes))
        assert tracker.belief.rooms["living"] > 0.55, minutes
    tracker.observe(at(EVENING + HOUR, "living_motion", "clear"))
    assert tracker.belief.rooms["living"] > 0.55


# --- an occupancy sensor that flickers --------------------------------------------------------------------------------
def bedroom(people: int, visitors: int = 1) -> Floorplan:
    """A hall and a bedroom for all who live there, with an occupancy sensor over the bed."""
    return home(
        {f"P{n + 1}": {"bed": "bed", "awake": ["07:00", "11:00"]} for n in range(people)},
        doors=doors(inner="hall bed", front="hall away"),
        visitors=visitors,
        radar={"kind": "occupancy", "room": "bed"},
        hall_motion=motion("hall", 30.0),
        front_contact=contact("front"),
    )


@pytest.mark.parametrize("people", [1, 2])
def test_all_who_sleep_are_there_however_often_an_occupancy_sensor_says_that_nobody_is(people: int) -> None:
    """For some seconds, every quarter of an hour: it says no more of two than of one, and makes no guest."""
    tracker, rng = Tracker(bedroom(people), watching=False), np.random.default_rng(7)
    tracker.observe(at(0.0, "radar", "occupied"))
    before = tracker.belief.at_home[people]
    for now in np.arange(600.0, 6 * HOUR, 900.0).tolist():
        tracker.observe(at(now, "radar", "vacant"))
        tracker.observe(at(now + rng.uniform(2.0, 20.0), "radar", "occupied"))
        assert tracker.belief.rooms["bed"] > 0.9
    assert tracker.belief.at_home[people] > min(before, 0.9)


def test_that_nobody_is_there_any_more_is_bayes_rule_whoever_is_there() -> None:
    """Somebody is there at odds a twentieth of what they were (`badge_error`), however many; all else stays."""
    tracker = Tracker(bedroom(2, visitors=0), hypotheses=None, watching=False)
    tracker.observe(at(0.0, "hall_motion", "detected"))
    tracker.advance(time_at(200.0))
    before = tracker.belief
    tracker.observe(at(200.0, "radar", "vacant"))
    odds = [b.rooms["bed"] / (1.0 - b.rooms["bed"]) for b in (before, tracker.belief)]
    assert odds[1] == pytest.approx(Settings().badge_error * odds[0], rel=1e-9)


# --- two contacts on one door -----------------------------------------------------------------------------------------
def twice_watched(**more: dict[str, object]) -> Floorplan:
    """A hall with two contacts on its front door, and maybe more sensors."""
    return home(
        1,
        rooms={"hall": {}},
        doors=doors(front="hall away"),
        front_contact=contact("front"),
        second_contact=contact("front"),
        **more,
    )


OPENED: list[Report] = [(20.0, "front_contact", "open"), (20.4, "second_contact", "open")]
STIR: list[Report] = [(905.0, "hall_motion", "detected"), (915.0, "hall_motion", "clear")]


@pytest.mark.parametrize("closed", [[], [(9000.0, "second_contact", "closed")]], ids=["left open", "shut later"])
def test_a_door_with_two_contacts_is_watched_while_one_of_them_is_offline(closed: list[Report]) -> None:
    """Its battery is flat; the other one would have told of anybody who leaves, and tells that the door is shut."""
    plan = twice_watched()
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


def test_a_contact_that_is_back_tells_no_passage_by_saying_how_its_door_has_long_stood() -> None:
    """The other one told of the closing while it was out of reach; its owner has been in the hall since."""
    reports = [*OPENED, (600.0, "front_contact", "offline"), (900.0, "second_contact", "closed"), *STIR]
    plan = twice_watched(hall_motion=motion("hall"))
    back: list[Report] = [(1500.0, "front_contact", "online"), (1500.5, "front_contact", "closed")]
    plain, found = (followed(plan, *reports, *more) for more in ([], back))
    for tracker in (plain, found):
        tracker.advance(time_at(2500.0))
    assert found.passages[-1].time == time_at(1500.5)
    assert found.passages[-1].nobody > 0.99
    assert found.belief.rooms["hall"] == pytest.approx(plain.belief.rooms["hall"], rel=0, abs=0.01)


def test_a_door_is_not_taken_to_be_shut_because_of_an_opening_before_the_last() -> None:
    """Its first opening was told by a contact that never told that it was shut again; the other one did."""
    plan = twice_watched()
    shut: list[Report] = [(25.0, "second_contact", "closed"), (600.0, "front_contact", "offline")]
    tracker = followed(plan, *OPENED, *shut, (3500.0, "second_contact", "open"))
    tracker.advance(time_at(3700.0))
    assert ("open", "front") in tracker._known().conditions
    tracker.advance(time_at(7200.0))
    assert ("open", "front") not in tracker._known().conditions


# --- tags -------------------------------------------------------------------------------------------------------------
def tagged(people: int = 1) -> Floorplan:
    """A bedroom, a hall and a kitchen with motion sensors in a row; the first resident wears a tag."""
    return home(
        people,
        rooms={"bed": {"rest": True}, "hall": {}, "kitchen": {}},
        doors=doors(arch="bed hall none", kitchen_door="hall kitchen", front="hall away"),
        tag={"kind": "badge", "person": "P1"},
        **motions("bed", "hall", "kitchen"),
    )


def test_a_tag_left_behind_says_nothing_new_however_often_it_is_heard() -> None:
    """It lies by the bed and is heard there every minute, while its owner is busy in the kitchen."""
    reports: list[Report] = [(1.0, "bed_motion", "detected"), (11.0, "bed_motion", "clear")]
    reports += [(70.0, "hall_motion", "detected"), (73.0, "kitchen_motion", "detected"), (80.0, "hall_motion", "clear")]
    reports += [(83.0, "kitchen_motion", "clear")]
    for minute in range(31):
        reports.append((60.0 * minute, "tag", "bed"))
        if minute > 2 and minute % 2:
            reports += [(60.0 * minute + 20.0, "kitchen_motion", "detected")]
            reports += [(60.0 * minute + 30.0, "kitchen_motion", "clear")]
    tracker = followed(tagged(), *sorted(reports))
    assert tracker.belief.people["P1"]["kitchen"] > 0.9


@pytest.mark.parametrize("people", [1, 2])
def test_a_tag_that_is_worn_keeps_its_owner_where_it_is_heard(people: int) -> None:
    """In bed, reading: all is quiet but for the tag, every minute for two hours."""
    tracker = followed(tagged(people), (1.0, "bed_motion", "detected"), (11.0, "bed_motion", "clear"))
    for minute in range(1, 121):
        tracker.observe(at(60.0 * minute, "tag", "bed"))
        assert tracker.belief.people["P1"]["bed"] > 0.9, minute


def of_tags_alone() -> Floorplan:
    """A home in which nothing but the tag of its one resident speaks."""
    return home(
        {"P1": {"bed": "bed"}},
        rooms={"foyer": {}, "lounge": {}, "bed": {"rest": True}},
        doors=doors(front="foyer away", inner="foyer lounge", bed_door="lounge bed"),
        tag={"kind": "badge", "person": "P1"},
    )


@pytest.mark.parametrize("home_again", [False, True])
def test_a_tag_that_is_told_to_be_away_is_believed_until_it_is_heard_again(home_again: bool) -> None:
    """In a home of tags alone nothing else speaks; half an hour after it had left, its owner was away by .26."""
    tracker = followed(of_tags_alone(), (0.0, "tag", "lounge"), (600.0, "tag", "foyer"), (640.0, "tag", "away"))
    for hours in (0.5, 2.0, 6.0):
        tracker.advance(time_at(hours * HOUR))
        assert tracker.belief.people["P1"]["away"] > 0.7, hours
    if home_again:
        tracker.observe(at(6.1 * HOUR, "tag", "foyer"))
        for hours in (6.5, 8.0, 12.0):
            tracker.advance(time_at(hours * HOUR))
            assert tracker.belief.people["P1"]["away"] < 0.1, hours


@pytest.mark.parametrize("hours", [0.01, 0.5, 2.0, 6.0])
def test_a_room_on_the_way_out_that_is_told_only_after_away_does_not_bring_the_owner_back(hours: float) -> None:
    """A hub that is in no hurry tells of the foyer last; half an hour later the owner was away by .11."""
    tracker = followed(of_tags_alone(), (0.0, "tag", "lounge"), (640.0, "tag", "away"), (652.0, "tag", "foyer"))
    tracker.advance(time_at(652.0 + hours * HOUR))
    assert tracker.belief.people["P1"]["away"] > 0.7


@pytest.mark.parametrize(
    "reports",
    [
        [(600.0, "tag", "foyer"), (640.0, "tag", "away"), (652.0, "tag", "foyer")],  # out of reach for a moment
        [(640.0, "tag", "away"), (652.0, "tag", "lounge")],  # in no room by the door
        [(640.0, "tag", "away"), (670.0, "tag", "foyer")],  # too late for a message that was overtaken
        [(640.0, "tag", "away"), (652.0, "tag", "foyer"), (670.0, "tag", "lounge")],  # they have come back, indeed
    ],
)
def test_a_tag_that_is_heard_again_brings_its_owner_back(reports: list[Report]) -> None:
    tracker = followed(of_tags_alone(), (0.0, "tag", "lounge"), *reports)
    for hours in (0.5, 2.0):
        tracker.advance(time_at(700.0 + hours * HOUR))
        assert tracker.belief.people["P1"]["away"] < 0.2, hours


def test_that_a_tag_is_heard_again_where_it_was_does_not_put_off_or_hasten_what_its_silence_tells() -> None:
    """Left behind by the bed, it is heard every minute: after three hours that is no more than once every hour."""
    away: list[Report] = [(0.0, "tag", "away"), (600.0, "tag", "bed")]
    often = followed(tagged(), *away, *((600.0 + 60.0 * k, "tag", "bed") for k in range(1, 181)))
    seldom = followed(tagged(), *away, *((600.0 + 3600.0 * k, "tag", "bed") for k in range(1, 4)))
    assert [len(tracker._known().due) for tracker in (often, seldom)] == [1, 1]
    assert often._known().due == seldom._known().due


# --- guests who stay the night ----------------------------------------------------------------------------------------
def guest_night(guest: str) -> Tracker:
    """One resident, at home all day; from eight on a guest sits in the lounge, and at eleven leaves or goes to bed.

    The resident stirs every 80 minutes, the guest once, at half past one. The last report is of twenty past four.

    Args:
        guest: `none`, `leaves` or `stays`.
    """
    plan = home(
        {"P1": {"bed": "main", "awake": ["07:00", "22:30"]}},
        rooms={"hall": {}, "lounge": {}, "main": {"rest": True}, "spare": {"rest": True}},
        doors=doors(arch="hall lounge none", front="hall away", main_door="hall main", spare_door="hall spare"),
        visitors=1,
        front_contact=contact("front"),
        phone={"kind": "phone", "person": "P1"},
        **motions("hall", "lounge", "main", "spare", hold=30.0),
    )
    came, left = 8.0 * HOUR, 11.0 * HOUR
    seen = [(600.0 * k, "main") for k in range(1, 66)] + [(left + 4800.0 * k, "main") for k in range(1, 5)]
    opened = []
    if guest != "none":
        opened += [came]
        seen += [(came - 20.0, "hall"), (came - 40.0, "main")]
        seen += [(came + 6.0, "lounge"), (came + 40.0, "hall"), (came + 46.0, "main")]
        seen += [(came + 170.0 * k, "lounge") for k in range(1, 63)]
        seen += [(left - 6.0, "hall")]
    if guest == "leaves":
        opened += [left]
    if guest == "stays":
        seen += [(left, "spare"), (left + 300.0, "spare"), (left + 2.5 * HOUR, "spare")]
    reports: list[Report] = [(1.0, "phone", "home")]
    for seconds in opened:
        reports += [(seconds, "front_contact", "open"), (seconds + 4.0, "front_contact", "closed")]
    for seconds, room in seen:
        reports += [(seconds, f"{room}_motion", "detected"), (seconds + 31.0, f"{room}_motion", "clear")]
    return followed(plan, *sorted(reports))


def test_a_guest_who_sleeps_in_a_spare_bedroom_is_there_all_night() -> None:
    """The front door stays shut; all the same, two were at home by .003: guests never slept."""
    belief = guest_night("stays").belief
    assert belief.at_home[2] > 0.9
    assert belief.rooms["spare"] > 0.9


@pytest.mark.parametrize("guest", ["none", "leaves"])
def test_nobody_sleeps_in_a_spare_bedroom_who_has_left_or_never_came(guest: str) -> None:
    assert guest_night(guest).belief.at_home[1] > 0.95


@pytest.mark.parametrize("hour", [5.75, 22.75])
def test_who_leaves_in_hours_that_others_sleep_in_has_left(hour: float) -> None:
    """An early shift, a late one: through the hall, out by the front door, and silence; of hours the plan says nothing.

    Common practice, no source: who goes to the door and is heard no more has gone, whatever the time of day.
    """
    rooms = {"hall": {}, "living": {}, "bed": {"rest": True}}
    ways = doors(front="hall away", a="hall living", b="hall bed")
    plan = home(
        {"P1": {"bed": "bed"}}, rooms=rooms, doors=ways, front_contact=contact("front"), **motions("hall", "living")
    )
    leaves = 3600.0 * ((hour - 12.0) % 24.0)
    seen = [(t, "living_motion") for t in (3600.0, 7200.0, 32400.0, leaves - 60.0)] + [(leaves - 15.0, "hall_motion")]
    lines = [(t + lasts, sensor, value) for t, sensor in seen for lasts, value in ((0.0, "detected"), (11.0, "clear"))]
    lines += [(leaves, "front_contact", "open"), (leaves + 4.0, "front_contact", "closed")]
    tracker = Tracker(plan)
    for line in sorted(lines):
        tracker.observe(at(*line))
    tracker.advance(time_at(leaves + 900.0))
    assert tracker.belief.at_home[0] > 0.75
