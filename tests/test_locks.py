"""Who works a lock: as often as the door is passed, so that standing beside one is no silence."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.exact.dense import DenseModel
from presence import Floorplan, Settings, Tracker
from presence.experience import Unprompted
from presence.hypotheses import BACK, FORTH
from presence.places import ACTIVE, MOVING
from presence.unprompted import locks_itself_rate
from tests.oracle import NOON, at, contact, doors, home, motion, time_at

LOCK = {"kind": "lock", "door": "front"}
DOORS = {"inner_contact": contact("inner"), "front_contact": contact("front")}
LOCKED = home(1, hall_motion=motion("hall", hold=120.0), bed_motion=motion("bed"), **DOORS, front_lock=LOCK)


def frequency(model: DenseModel, value: str, sensor: str, label: int, side: tuple[str, ...]) -> float:
    """Events of one kind that start on one side of the door, 1/s, where everybody is where they usually are."""
    hours = model.hours(NOON.timestamp())
    sight = model.sight(hours)
    weights = sight.weights[0] / sight.weights[0].sum()
    from_there = np.array([model.rooms[room] in side for room in model.room])
    options = [way for way in sight.options(model.plan.sensors[sensor], value) if way.label == label]
    each = [weights[way.source] @ (way.rates[0].sum(axis=1) * from_there[way.source]) for way in options]
    return float(sum(each))


@pytest.mark.parametrize("side", ["hall", "away"])
def test_a_door_is_unlocked_as_often_as_it_is_passed(side: str) -> None:
    model = DenseModel(LOCKED)
    passed = frequency(model, "open", "front_contact", 1 if side == "hall" else 2, (side,))
    unlocked = frequency(model, "unlocked", "front_lock", 0, (side,))
    assert unlocked == pytest.approx(passed / (1.0 - model.settings.outer_door_miss), rel=1e-9)


@pytest.mark.parametrize("side", ["hall", "away"])
def test_who_unlocks_a_door_and_goes_unheard_by_its_contact_is_as_rare_as_the_contact_misses(side: str) -> None:
    model = DenseModel(LOCKED)
    label = 1 if side == "hall" else 2
    heard = frequency(model, "open", "front_contact", label, (side,))
    unheard = frequency(model, "unlocked", "front_lock", label, (side,))
    assert unheard / (heard + unheard) == pytest.approx(model.settings.outer_door_miss, rel=1e-9)


def test_a_lock_that_must_do_as_a_contact_reports_half_of_the_passages() -> None:
    """What it reports and what is silent are all that pass, either way."""
    plan = home(1, hall_motion=motion("hall"), front_lock=LOCK)
    sight = DenseModel(plan).sight(DenseModel(plan).hours(NOON.timestamp()))
    for label, (i, j) in ((1, sight.door_states("front")[0]), (2, sight.door_states("front")[0][::-1])):
        way = next(way for way in sight.options(plan.sensors["front_lock"], "unlocked") if way.label == label)
        assert (way.source.tolist(), way.target.tolist()) == ([i], [j])
        reported = way.rates[0, 0, 0] * sight.weights[0, i]
        assert reported == pytest.approx(0.5 * sight.flows[0, i, j], rel=1e-12)
        assert sight.silent_flows()[0, i, j] == pytest.approx(0.5 * sight.flows[0, i, j], rel=1e-12)


@pytest.mark.parametrize(("by", "side"), [(None, {"hall", "away"}), ("inside", {"hall"}), ("keypad", {"away"})])
def test_who_locks_a_door_stays_on_their_side_of_it(by: str | None, side: set[str]) -> None:
    for plan in (LOCKED, home(1, hall_motion=motion("hall"), front_lock=LOCK)):
        sight = DenseModel(plan).sight(DenseModel(plan).hours(NOON.timestamp()))
        (way,) = sight.options(plan.sensors["front_lock"], "locked", by)
        assert way.label == 0
        assert {sight.states.rooms[room] for room in sight.states.room[way.source]} == side
        assert np.count_nonzero(way.rates[0] - np.diag(np.diagonal(way.rates[0]))) == 0


@pytest.mark.parametrize("between", [["hall", "away"], ["away", "hall"]])
@pytest.mark.parametrize("watched", [False, True])
def test_by_the_lever_somebody_goes_out_and_by_a_code_they_come_in(between: list[str], watched: bool) -> None:
    """With a contact or without; and whoever is inside may open for a guest where no contact tells of it."""
    joined = doors(front=" ".join(between), inner="hall bed")
    sensors = {"hall_motion": motion("hall"), "front_lock": LOCK}
    plan = home(1, doors=joined, visitors=1, **sensors, **({"front_contact": contact("front")} if watched else {}))
    sight = DenseModel(plan).sight(DenseModel(plan).hours(NOON.timestamp()))
    for by, starts in ((None, [{"hall"}, {"away"}]), ("inside", [{"hall"}]), ("keypad", [{"away"}])):
        ways = sight.options(plan.sensors["front_lock"], "unlocked", by)
        passing = [way for way in ways if way.label]
        assert [{sight.states.rooms[room] for room in sight.states.room[way.source]} for way in passing] == starts
        assert [way.label for way in passing] == [FORTH if start == {between[0]} else BACK for start in starts]
        assert any(way.companion for way in ways) == (not watched and by != "keypad")


def test_who_stands_beside_a_door_may_unlock_it_as_well_as_who_walks() -> None:
    sight = DenseModel(LOCKED).sight(DenseModel(LOCKED).hours(NOON.timestamp()))
    beside = next(way for way in sight.options(LOCKED.sensors["front_lock"], "unlocked") if not way.label)
    pairs = zip(beside.source.tolist(), np.diagonal(beside.rates[0]).tolist(), strict=True)
    rates = {int(sight.states.pace[i]): rate for i, rate in pairs if sight.states.rooms[sight.states.room[i]] == "hall"}
    assert set(rates) == {MOVING, ACTIVE}
    assert rates[MOVING] == pytest.approx(rates[ACTIVE], rel=1e-12)


def in_hall(plan: Floorplan) -> float:
    """How likely somebody who was seen in the hall is still there, after a minute in which its sensor is still on."""
    tracker = Tracker(plan)
    tracker.observe(at(10.0, "bed_motion", "detected"))
    tracker.observe(at(20.0, "bed_motion", "clear"))
    tracker.observe(at(21.0, "inner_contact", "open"))
    tracker.observe(at(22.0, "hall_motion", "detected"))
    tracker.advance(time_at(82.0))
    return float(tracker.belief.rooms["hall"])


def test_a_lock_that_keeps_silent_drives_nobody_out_of_the_hall() -> None:
    """Whoever stands there does not unlock the door every few seconds."""
    sensors = {name: sensor for name, sensor in LOCKED.sensors.items() if name != "front_lock"}
    without = home(1, hall_motion=motion("hall", hold=120.0), bed_motion=motion("bed"), **DOORS)
    assert set(without.sensors) == set(sensors)
    assert in_hall(LOCKED) == pytest.approx(in_hall(without), abs=0.03)


# --- locks that lock themselves ---------------------------------------------------------------------------------------
def came_in_by_code(locked_after: float, by: str | None = None) -> Tracker:
    """One of two who share a home of codes comes in and goes straight to their own room; the front door locks."""
    plan = home(
        {"P1": {"bed": "one", "codes": ["11"]}, "P2": {"bed": "two", "codes": ["22"]}},
        rooms={"hall": {}, "kitchen": {}, "one": {"rest": True}, "two": {"rest": True}},
        doors=doors(front="hall away", arch="hall kitchen none", door_one="hall one", door_two="hall two"),
        front_lock=LOCK,
        hall_motion=motion("hall", hold=30.0),
        kitchen_motion=motion("kitchen", hold=60.0),
        one_contact=contact("door_one"),
        two_contact=contact("door_two"),
    )
    reports = [
        at(0.0, "front_lock", "unlocked", by="keypad", code="11"),
        at(3.0, "hall_motion", "detected"),
        at(8.0, "one_contact", "open"),
        at(11.0, "one_contact", "closed"),
        at(35.0, "hall_motion", "clear"),
        at(locked_after, "front_lock", "locked", by=by),
    ]
    tracker = Tracker(plan)
    for event in [
        at(-7200.0, "front_lock", "unlocked", by="inside"),
        at(-7190.0, "front_lock", "locked"),
        *sorted(reports, key=lambda event: event.time),
    ]:
        tracker.observe(event)
    return tracker


@pytest.mark.parametrize("locked_after", [2.0, 9.5, 12.0, 30.0])
def test_a_keypad_that_locks_itself_does_not_call_back_who_has_come_in(locked_after: float) -> None:
    """Most do so some seconds after they were unlocked. Taken for a hand, half an hour later .69 were out again."""
    tracker = came_in_by_code(locked_after)
    for minute in (10, 30):
        tracker.advance(time_at(60.0 * minute))
        assert tracker.belief.people["P1"]["one"] > 0.8, minute
        assert tracker.belief.at_home[1] > 0.8, minute


def test_who_turns_a_lock_by_hand_inside_is_beside_it() -> None:
    assert came_in_by_code(36.0, "inside").belief.rooms["hall"] > 0.9
    assert came_in_by_code(36.0).belief.rooms["hall"] < 0.6


def test_a_lock_locks_itself_as_often_as_somebody_beside_it_does_unless_it_tells_who_did() -> None:
    settings, alone = Settings(), home(1, front_lock=LOCK)
    rate = settings.door_pulled_shut_share * settings.lock_rate
    for event, expected in (
        (at(0, "front_lock", "locked"), rate),
        (at(0, "front_lock", "locked", by="inside"), 0.0),
        (at(0, "front_lock", "locked", code="17"), 0.0),
        (at(0, "front_lock", "unlocked"), 0.0),
    ):
        assert locks_itself_rate(alone, settings, event, None) == expected


@pytest.mark.parametrize(
    ("record", "share"),
    [(None, 0.02), (Unprompted(30, 0.0), 0.005), (Unprompted(30, 19.8), 0.5), (Unprompted(990, 980.0), 0.9)],
)
def test_a_lock_beside_a_contact_locks_itself_as_often_as_it_has(record: Unprompted | None, share: float) -> None:
    """A hand that locks the door from outside tells that somebody has left, and most are taken for one at first."""
    rate = locks_itself_rate(LOCKED, Settings(), at(0, "front_lock", "locked"), record)
    assert rate == pytest.approx(share * Settings().lock_rate, rel=1e-12, abs=0.0)


def test_a_lock_that_locks_itself_is_found_out_by_its_own_record() -> None:
    """Again and again somebody comes in and goes to bed, where they are seen; the lock works itself, or they do it."""
    made = {}
    for hand in (False, True):
        tracker = Tracker(LOCKED)
        for k in range(20):
            begin = 7200.0 * k
            reports = [
                (0.0, "front_lock", "unlocked"),
                (2.0, "front_contact", "open"),
                (4.0, "hall_motion", "detected"),
            ]
            reports += [(6.0, "front_contact", "closed"), (8.0 if hand else 25.0, "front_lock", "locked")]
            reports += [
                (12.0, "inner_contact", "open"),
                (14.0, "bed_motion", "detected"),
                (24.0, "bed_motion", "clear"),
            ]
            reports += [(15.0, "inner_contact", "closed"), (120.0, "hall_motion", "clear")]
            reports += [(3600.0, "inner_contact", "open"), (3602.0, "front_contact", "open")]
            reports += [(3605.0, "front_contact", "closed"), (3606.0, "inner_contact", "closed")]
            for seconds, sensor, value in sorted(reports):
                tracker.observe(at(begin + seconds, sensor, value))
        made[hand] = tracker._known().unprompted["front_lock"]
        assert made[hand].occasions == 20
    assert made[False].by_itself > 7.0
    assert made[True].by_itself < 1.0
