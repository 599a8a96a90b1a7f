"""Where somebody can stay unseen, by the plan's sensors: rules of the trade, checked on small plans."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from presence import Floorplan, Settings, Tracker
from presence.model import Model
from presence.movement import NEVER
from presence.places import ASLEEP, is_bed, is_byway, rest_reports, seats_beside_beds, seats_report, seen
from tests.oracle import NOON, at, contact, home, motion, time_at

ROOMS = {"hall": {}, "bath": {}, "bed": {"rest": True}}
DOORS = {
    "front": {"between": ["hall", "away"]},
    "bath_door": {"between": ["hall", "bath"]},
    "bed_door": {"between": ["hall", "bed"]},
}
BEDS = {"bed_mat": {"kind": "pressure", "room": "bed"}}
WATCHED: dict[str, Any] = {
    "hall_motion": motion("hall"),
    "front_contact": contact("front"),
    "bath_contact": contact("bath_door"),
    "bath_seat": {"kind": "pressure", "room": "bath"},
}


def plan_of(**sensors: Any) -> Floorplan:
    return home(1, rooms=ROOMS, doors=DOORS, **sensors)


def test_a_room_whose_doors_all_report_is_seen_whatever_else_is_in_it() -> None:
    """Who goes in is remembered until somebody comes out, standing at the basin as well as on a seat."""
    plan = plan_of(**WATCHED, **BEDS)
    assert seen(plan, "bath")
    assert not seen(plan_of(**{k: v for k, v in WATCHED.items() if k != "bath_contact"}), "bath")
    assert not seen(plan, "bed")  # its door does not report, and who rests there rests on the mat


@pytest.mark.parametrize("seats", [True, False])
def test_where_beds_and_seats_report_nobody_sleeps_elsewhere(seats: bool) -> None:
    """A bed alone does not tell where people sit: they doze in a chair without a sensor."""
    sensors = {k: v for k, v in WATCHED.items() if seats or k != "bath_seat"}
    plan = plan_of(**sensors, **BEDS)
    assert seats_report(plan) == seats
    model = Model(plan, Settings())
    weights = model.sight(model.hours(NOON.timestamp())[0]).weights[0]
    states = model.states
    asleep, room = states.pace == ASLEEP, np.array(states.rooms)[states.room]
    place = np.array([states.places[p].seat is None for p in states.place])
    share = {n: weights[asleep & place & (room == n)].sum() / weights[room == n].sum() for n in ("hall", "bath")}
    usual = Settings().dozing_rate * Settings().nap_share
    assert all((s < 10 * NEVER / Settings().waking_rate) if seats else (s > usual) for s in share.values())


@pytest.mark.parametrize(("mats", "residents", "seats"), [(1, 1, 0), (2, 1, 1), (2, 2, 0), (3, 2, 1), (1, 0, 0)])
def test_a_bed_for_everybody_who_sleeps_in_a_room_is_no_seat(mats: int, residents: int, seats: int) -> None:
    people = {f"P{n}": {"bed": "bed"} for n in range(residents)}
    sensors: dict[str, Any] = {f"mat_{n}": {"kind": "pressure", "room": "bed"} for n in range(mats)}
    plan = home(people, rooms=ROOMS, doors=DOORS, **sensors)
    assert seats_beside_beds(plan)["bed"] == seats
    assert is_bed(plan, plan.sensors["mat_0"]) == (not seats)


def test_a_sofa_where_nobody_has_their_bed_is_a_seat_though_people_may_rest_there() -> None:
    rooms = {"hall": {}, "living": {"rest": True}, "bed": {"rest": True}}
    doors = {f"door_{room}": {"between": ["hall", room]} for room in ("away", "living", "bed")}
    sensors: dict[str, Any] = {room: {"kind": "pressure", "room": room} for room in ("living", "bed")}
    stated, unknown = ({"P1": {"bed": "bed"}}, {"P1": {}})
    for people, bed in ((stated, False), (unknown, True)):
        plan = home(people, rooms=rooms, doors=doors, **sensors)
        assert is_bed(plan, plan.sensors["living"]) == bed
        assert is_bed(plan, plan.sensors["bed"])
    assert seats_report(home(stated, rooms=rooms, doors=doors, **sensors))


@pytest.mark.parametrize(
    ("residents", "chairs", "mats", "report"),
    [(1, 1, 1, True), (2, 1, 2, False), (2, 2, 1, False), (2, 2, 2, True)],
)
def test_who_rests_is_noticed_where_all_residents_find_a_seat_and_a_bed_that_report(
    residents: int, chairs: int, mats: int, report: bool
) -> None:
    """Beside one armchair or on one mat, the other of a couple may rest unnoticed; not where nobody rests long."""
    sensors: dict[str, Any] = {f"chair_{n}": {"kind": "pressure", "room": "bath"} for n in range(chairs)}
    sensors |= {f"mat_{n}": {"kind": "pressure", "room": "bed"} for n in range(mats)}
    people = {f"P{n}": {"bed": "bed"} for n in range(residents)}
    plan = home(people, rooms=ROOMS, doors=DOORS, **sensors)
    assert seats_report(plan)
    assert {room: rest_reports(plan, room) for room in ROOMS} == {"hall": True, "bath": report, "bed": report}


def test_a_second_who_rests_where_no_seat_is_left_has_not_left_the_house() -> None:
    """Two sit in the living room, one on the only sofa that reports; nobody goes to the front door for an hour."""
    people = {name: {"bed": "bed"} for name in ("P1", "P2")}
    rooms = {"hall": {}, "kitchen": {}, "living": {}, "bed": {"rest": True}}
    doors = {f"{room}_door": {"between": ["hall", room]} for room in ("kitchen", "living", "bed")}
    sensors: dict[str, Any] = {room: {"kind": "pressure", "room": room} for room in ("living", "bed")}
    sensors |= {f"{room}_motion": motion(room, 30.0) for room in ("hall", "kitchen", "living")}
    doors["front"] = {"between": ["hall", "away"]}
    plan = home(people, rooms=rooms, doors=doors, front_contact=contact("front"), **sensors)
    tracker = Tracker(plan, hypotheses=16)
    reports = [(1.0, "living", "pressed")]
    for start in range(5, 600, 60):
        reports += [(float(start), "kitchen_motion", "detected"), (start + 31.0, "kitchen_motion", "clear")]
    for start, room in ((600.0, "hall"), (604.0, "living"), (1500.0, "living"), (2700.0, "living")):
        reports += [(start, f"{room}_motion", "detected"), (start + 31.0, f"{room}_motion", "clear")]
    for report in sorted(reports):
        tracker.observe(at(*report))
    tracker.advance(time_at(4200.0))
    assert tracker.belief.at_home[2] > 0.8


def test_somebody_stands_in_a_shut_bathroom_until_its_door_opens() -> None:
    tracker = Tracker(plan_of(**WATCHED, **BEDS), hypotheses=16)
    for seconds, sensor, value in [
        (0.0, "bed_mat", "released"),
        (5.0, "hall_motion", "detected"),
        (7.0, "bath_contact", "open"),
        (8.0, "hall_motion", "clear"),
        (10.0, "bath_contact", "closed"),
    ]:
        tracker.observe(at(seconds, sensor, value))
    tracker.advance(time_at(400.0))
    assert tracker.belief.rooms["bath"] > 0.9
    for seconds, sensor, value in [(401.0, "bath_contact", "open"), (403.0, "hall_motion", "detected")]:
        tracker.observe(at(seconds, sensor, value))
    assert tracker.belief.rooms["bath"] < 0.1


def test_the_only_sensor_of_a_room_sees_fewer_walks_than_a_zone_does() -> None:
    """Two beams in the hall divide it, and somebody who walks from one into the other crosses it."""
    rates, settings = {}, Settings(zone_miss=0.05, room_miss=0.3)
    for beams in (1, 2):
        sensors = {f"beam_{n}": motion("hall", at=[n, 0]) for n in range(beams)} | {"bath_motion": motion("bath")}
        model = Model(plan_of(**sensors), settings)
        sight = model.sight(model.hours(NOON.timestamp())[0])
        for i, j in sight.zone_moves():
            place = sight.states.places[sight.states.place[j]]
            rates[beams, place.zone or place.room] = sight.silent_flows()[0, i, j] / sight.flows[0, i, j]
    assert rates == pytest.approx(
        {(1, "hall"): 0.3, (1, "bath"): 0.3, (2, "beam_0"): 0.05, (2, "beam_1"): 0.05, (2, "bath"): 0.05}, rel=1e-12
    )


def test_sensors_of_which_it_is_unknown_where_they_sit_see_together_as_one_does() -> None:
    """A movement sets off either of them, or both: as many reports as of one, and nothing tells where in the room."""
    ways = []
    for count in (1, 3):
        sensors = {f"hall_{n}": motion("hall") for n in range(count)} | {"bath_motion": motion("bath")}
        model = Model(plan_of(**sensors), Settings())
        sight = model.sight(model.hours(NOON.timestamp())[0])
        assert [place.zone for place in model.states.places] == [None] * len(model.states.places)
        losses = np.zeros(model.states.size)
        for n in range(count):
            for way in sight.motion_nearby(sight.plan.sensors[f"hall_{n}"]):
                losses[way.source] += way.losses[0]
        ways.append(losses)
    assert ways[1] == pytest.approx(ways[0], rel=1e-12)
    assert ways[0].max() > 0.5  # somebody on the move in the hall


def stirs_before_two_sensors(seed: int) -> list[tuple[float, str, str]]:
    """Two come home five minutes apart and sit down; whenever either stirs, two sensors with a hold of 30 s see it."""
    rng = np.random.default_rng(seed)
    gaps = rng.exponential(210.0, size=60)
    moved = [2.0, 10.0, 302.0, 310.0, *(400.0 + np.cumsum(gaps))]
    reports = [(300.0 * n + 4.0 * k, "front_contact", ("open", "closed")[k]) for n in (0, 1) for k in (0, 1)]
    begins = [t for before, t in zip([-100.0, *moved], moved, strict=False) if t > before + 30.0]
    ends = [t + 30.0 for t, after in zip(moved, [*moved[1:], math.inf], strict=True) if after > t + 30.0]
    for name, delay in (("west", 0.0), ("east", 0.3)):
        reports += [(t + delay, name, "detected") for t in begins] + [(t + delay, name, "clear") for t in ends]
    return sorted(reports)


def test_two_who_sit_before_two_motion_sensors_of_one_room_are_two_all_evening() -> None:
    """Told to see a zone each, the sensors took one of them away within the hour, in each of three such evenings."""
    sensors = {"west": motion("hall", 30.0), "east": motion("hall", 30.0), "front_contact": contact("front")}
    ends = {"front": ["hall", "away"], "bed_door": ["hall", "bed"]}
    plan = home(
        2,
        rooms={"hall": {}, "bed": {"rest": True}},
        doors={name: {"between": between} for name, between in ends.items()},
        bed_motion=motion("bed", 30.0),
        visitors=1,
        **sensors,
    )
    two = []
    for seed in (1, 2, 3):
        tracker = Tracker(plan, watching=False)
        for report in stirs_before_two_sensors(seed):
            tracker.observe(at(*report))
            if report[0] > 600.0:
                two.append(tracker.belief.at_home[2])
    assert np.mean(two) > 0.5


ODDS = math.exp(-Settings().zone_decay * (math.hypot(3.6, 2.0) - math.hypot(2.4, 2.0)) / 6.0)
"""Stove against table from a door at 3.4 m: by their distances from it, in units of the 6 m between them."""
TURNED = {"stove": ODDS / (1.0 + ODDS), "table": 1.0 / (1.0 + ODDS)}


@pytest.mark.parametrize(("door", "near"), [(1.0, {"table": 1.0}), (4.0, {"stove": 0.5, "table": 0.5}), (3.4, TURNED)])
def test_a_door_leads_to_the_zones_near_it_and_as_many_pass_it_as_any(door: float, near: dict[str, float]) -> None:
    """Between two sensors, as well to one as to the other; beside one of them, there."""
    rooms = {"hall": {}, "kitchen": {}}
    doors = {"front": {"between": ["hall", "away"]}, "way": {"between": ["hall", "kitchen"], "at": [door, 0.0]}}
    zones = {name: {**motion("kitchen"), "at": [x, 2.0]} for name, x in (("table", 1.0), ("stove", 7.0))}
    model = Model(home(1, rooms=rooms, doors=doors, hall_motion=motion("hall"), **zones), Settings())
    flows = model.sight(model.hours(NOON.timestamp())[0]).flows[0]
    moving = {model.states.places[p].zone or model.states.places[p].room: i for p, i in model.states.moving.items()}
    rate = Settings().door_rate
    found = {zone: flows[moving["hall"], moving[zone]] / rate for zone in zones}
    assert {zone: share for zone, share in found.items() if share} == pytest.approx(near, rel=1e-12)


def test_who_turns_to_the_further_end_of_a_kitchen_is_not_taken_for_two() -> None:
    """Whoever comes in turns left or right; the sensor that is a little nearer to the door need not see them."""
    rooms: dict[str, Any] = {"hall": {}, "kitchen": {}, "bath": {}}
    doors: dict[str, Any] = {"front": {"between": ["hall", "away"]}, "bath_door": {"between": ["hall", "bath"]}}
    doors["way"] = {"between": ["hall", "kitchen"], "at": [3.5, 0.0]}
    zones = {name: {**motion("kitchen"), "at": [x, 2.0]} for name, x in (("table", 1.0), ("stove", 7.0))}
    sensors = {"hall_motion": motion("hall"), "front": contact("front")}
    tracker = Tracker(home(1, rooms=rooms, doors=doors, visitors=1, **sensors, **zones))
    coming = [(0.0, "front", "open"), (1.0, "hall_motion", "detected"), (3.0, "front", "closed")]
    there = [(6.0, "stove", "detected"), (20.0, "stove", "clear")]
    for seconds, sensor, value in [*coming, *there, (40.0, "hall_motion", "detected"), (44.0, "stove", "detected")]:
        tracker.observe(at(seconds, sensor, value))
    assert tracker.belief.at_home[1] > 0.6


def test_who_sits_still_in_a_kitchen_with_three_doors_is_not_taken_to_have_moved_on() -> None:
    """A kitchen with a way to a cellar and one to the yard is no corridor: people sit there over their breakfast."""
    rooms: dict[str, Any] = {"hall": {}, "dining": {}, "kitchen": {}, "cellar": {}, "yard": {"outdoors": True}}
    ways = [("hall", "away"), ("hall", "dining"), ("dining", "kitchen"), ("kitchen", "cellar"), ("kitchen", "yard")]
    doors = {f"{a}_{b}": {"between": [a, b]} for a, b in ways}
    watched = {f"{room}_motion": motion(room, 60.0) for room in ("hall", "dining", "kitchen")}
    tracker = Tracker(home(1, rooms=rooms, doors=doors, front=contact("hall_away"), **watched))
    tracker.observe(at(0.0, "kitchen_motion", "detected"))
    tracker.observe(at(100.0, "kitchen_motion", "clear"))
    for minute in range(3, 16):
        tracker.advance(time_at(60.0 * minute))
        assert tracker.belief.rooms["kitchen"] > 0.5, minute


@pytest.mark.parametrize("path", [False, True])
def test_who_left_by_the_front_is_not_taken_to_come_back_by_the_garden_gate(path: bool) -> None:
    """The house is entered where the lock is, else by the door nearest to the street: the gate is not its entrance."""
    rooms: dict[str, Any] = {"hall": {}, "living": {}, "kitchen": {}, "garden": {"outdoors": True}}
    ways = [("hall", "living"), ("living", "kitchen"), ("kitchen", "garden"), ("garden", "away")]
    if path:
        rooms["path"] = {"outdoors": True}
        ways += [("path", "away")]
    outside = "path" if path else "away"
    doors = {f"{a}_{b}": {"between": [a, b]} for a, b in ways} | {"front": {"between": ["hall", outside]}}
    locks = {"front_lock": {"kind": "lock", "door": "front"}} if path else {}
    watched = {f"{room}_motion": motion(room) for room in ("hall", "living", "kitchen")}
    plan = home(1, rooms=rooms, doors=doors, front_contact=contact("front"), **locks, **watched)
    assert plan.side_gates == {"garden_away"}
    tracker = Tracker(plan)
    tracker.observe(at(0.0, "hall_motion", "detected"))
    tracker.observe(at(5.0, "front_contact", "open"))
    tracker.observe(at(8.0, "front_contact", "closed"))
    tracker.observe(at(15.0, "hall_motion", "clear"))
    for minute in range(1, 11):
        tracker.advance(time_at(60.0 * minute))
        assert tracker.belief.rooms["garden"] < 0.1, minute


def test_who_has_left_by_the_front_does_not_stay_for_hours_on_the_path_round_the_house() -> None:
    """Nothing sees that path, but people walk along it in a minute: it must not be a hiding place."""
    rooms: dict[str, Any] = {"hall": {}, "kitchen": {}} | {n: {"outdoors": True} for n in ("yard", "path", "garden")}
    ways = [("hall", "kitchen"), ("kitchen", "garden"), ("yard", "path"), ("path", "garden"), ("yard", "away")]
    doors = {f"{a}_{b}": {"between": [a, b]} for a, b in ways} | {"front": {"between": ["yard", "hall"]}}
    locks = {"front_lock": {"kind": "lock", "door": "front"}}
    seen = {"camera": {"kind": "camera", "room": "yard"}} | {f"{room}_motion": motion(room) for room in rooms}
    del seen["yard_motion"], seen["path_motion"]
    contacts = {"front_contact": contact("front"), "back_contact": contact("kitchen_garden")}
    plan = home(1, rooms=rooms, doors=doors, **contacts, **locks, **seen)
    assert plan.side_gates == {"yard_path", "path_garden"}
    assert [room for room in plan.rooms if is_byway(plan, room)] == ["path"]
    tracker = Tracker(plan)
    tracker.observe(at(0.0, "hall_motion", "detected"))
    tracker.observe(at(5.0, "front_contact", "open"))
    tracker.observe(at(6.0, "camera", "person"))
    tracker.observe(at(8.0, "front_contact", "closed"))
    tracker.observe(at(20.0, "camera", "clear"))
    tracker.observe(at(35.0, "hall_motion", "clear"))
    for minute in range(2, 240):
        tracker.advance(time_at(60.0 * minute))
        assert tracker.belief.rooms["path"] < 0.02, minute


def test_a_pet_lies_deeply_still_for_more_than_half_of_its_time_wherever_it_likes() -> None:
    """Laboratory cats slept .57 of the time (Sterman et al. 1965, from memory); most books say 12 to 16 hours a day."""
    plan = home(1, rooms=ROOMS, doors=DOORS, pets={"cat": {}}, **WATCHED, **BEDS)
    model = Model(plan, Settings())
    weights = model.sight(model.hours(NOON.timestamp())[0]).weights[-1]
    states = model.states
    asleep, room = states.pace == ASLEEP, np.array(states.rooms)[states.room]
    assert 12 / 24 < weights[asleep].sum() / weights.sum() < 16 / 24
    assert weights[asleep & (room == "hall")].sum() > 0.4 * weights[room == "hall"].sum()


def test_who_has_gone_out_by_the_drive_is_soon_off_the_property() -> None:
    """A drive between an overhead door and the street is crossed, not stayed in; a terrace may be stayed on."""
    left = {}
    for leaf in ("overhead", "sliding"):
        rooms: dict[str, Any] = {"hall": {}, "garage": {}, "drive": {"outdoors": True}}
        ends = {"inner": ["hall", "garage"], "out": ["garage", "drive"], "street": ["drive", "away"]}
        doors = {name: {"between": between} for name, between in ends.items()} | {
            "front": {"between": ["hall", "away"]}
        }
        doors["out"]["leaf"] = leaf  # type: ignore[assignment]
        watched = {f"{room}_motion": motion(room) for room in ("hall", "garage")}
        tracker = Tracker(home(1, rooms=rooms, doors=doors, contact=contact("out"), front=contact("front"), **watched))
        tracker.observe(at(0.0, "garage_motion", "detected"))
        tracker.observe(at(10.0, "contact", "open"))
        tracker.observe(at(12.0, "garage_motion", "clear"))
        tracker.observe(at(25.0, "contact", "closed"))
        tracker.advance(time_at(325.0))
        assert tracker.belief.rooms["garage"] < 0.1
        left[leaf] = tracker.belief.people["P1"]["away"]
    assert left["overhead"] > 0.5 > left["sliding"], left
