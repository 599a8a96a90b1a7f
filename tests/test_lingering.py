"""A motion sensor that is on for longer than its hold saw somebody move: what that says of who has gone out."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.joint_engine import joint_tracker
from presence import Floorplan, Settings, Tracker
from presence.experience import TimesOn
from presence.inference import Engine
from presence.lingering import blind_time, holds_waited, last_movement, lost_share, none_passed
from presence.snapshot import Snapshot, replace
from presence.telling import Evidence
from tests.oracle import PLAIN, JointFilter, at, contact, home, motion, time_at

ROOMS: dict[str, object] = {"hall": {}, "living": {}, "bath": {}}
DOORS = {
    "front": {"between": ["hall", "away"]},
    "living_door": {"between": ["hall", "living"]},
    "bath_door": {"between": ["hall", "bath"]},
}
Report = tuple[float, str, str]


def house(hold: float = 60.0, pets: dict[str, object] | None = None, *, back: bool = False) -> Floorplan:
    """One person's; with a back door that has no contact, if so."""
    sensors = {"hall_motion": motion("hall", 20.0), "living_motion": motion("living", hold)}
    doors = DOORS | ({"back": {"between": ["living", "away"]}} if back else {})
    return home(1, rooms=ROOMS, doors=doors, pets=pets, **sensors, front_contact=contact("front"))


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


def followed(plan: Floorplan, reports: list[Report]) -> Tracker:
    """What is known three minutes after."""
    tracker = Tracker(plan, watching=False)
    for seconds, sensor, value in reports:
        tracker.observe(at(1000.0 + seconds, sensor, value))
    tracker.advance(time_at(1180.0))
    return tracker


def at_home(plan: Floorplan, reports: list[Report]) -> float:
    """Whether anybody is at home, three minutes after."""
    return 1.0 - followed(plan, reports).belief.at_home[0]


def test_who_takes_a_parcel_in_and_is_seen_afterwards_has_not_gone() -> None:
    """With a hold of a minute, off at 110 s says that somebody moved at 50 s, when the door had long been shut."""
    assert at_home(house(), evening() + parcel(clear=110.0)) > 0.9


def test_who_takes_a_parcel_in_and_goes_on_cooking_has_not_gone() -> None:
    """The sensor stays on, for an hour maybe: it need not go off to tell that somebody moved since."""
    tracker = followed(house(), evening() + parcel(clear=110.0)[:-1])
    assert tracker.belief.at_home[0] < 0.1
    stayed = [e for e in tracker.explain("living").evidence if e.text.startswith("movement in the living still after")]
    assert [e.end for e in stayed] == [time_at(1096.0)]  # shut at 15 s, 5 s of steps, a hold, a quarter and a second
    assert stayed[0].decibans > 5.0


def test_off_messages_that_are_lost_together_tell_little_more_than_one() -> None:
    """A hub out of reach as they leave loses those of all sensors: not one in ten thousand times."""
    hall = [(seconds + 20.0, "hall_motion", value) for seconds, _, value in evening(living_on=25.0)]
    left = [report for report in parcel(clear=0.0) if report[2] != "clear"]
    odds = []
    for cleared in ([(36.0, "hall_motion", "clear")], []):
        home, empty = reversed(followed(house(), sorted([*evening(), *hall]) + left + cleared).belief.at_home)
        odds.append(home / empty)
    assert odds[1] < 10.0 * odds[0]


def test_off_messages_that_were_lost_as_they_left_once_say_nothing_of_the_next_time() -> None:
    """Nine hours away, back home, a parcel: as if it had never happened."""
    lost = [report for report in parcel(clear=0.0) if report[2] != "clear"]
    back = [(0.0, "front_contact", "open"), (4.0, "front_contact", "closed"), (5.0, "hall_motion", "clear")]
    back += [(6.0, "hall_motion", "detected"), (26.0, "hall_motion", "clear"), (30.0, "living_motion", "clear")]
    empty = []
    for first in (evening() + lost, evening()):
        days = [(seconds - 9 * 3600.0, *said) for seconds, *said in first]
        days += [(seconds - 3600.0, *said) for seconds, *said in back]
        tracker = Tracker(house(), watching=False)
        for seconds, sensor, value in [*days, *evening(), *parcel(clear=110.0)[:-1]]:
            tracker.observe(at(50000.0 + seconds, sensor, value))
        tracker.advance(time_at(50180.0))
        empty.append(tracker.belief.at_home[0])
    assert empty[0] == pytest.approx(empty[1], rel=0.01, abs=0.0)


def test_an_off_report_that_speaks_for_somebody_at_home_is_told_as_what_it_tells() -> None:
    """The same report without evidence, after the hold alone, moves nothing and is told as the end of a movement."""
    late, plain = told(parcel(clear=110.0)), told(parcel(clear=60.5))
    lingered = [e for e in late if e.text.startswith("movement in the living, which went on after the last use")]
    assert [e.end for e in lingered] == [time_at(1110.0)]
    assert lingered[0].decibans > 5.0
    assert not any(" over at " in e.text for e in plain)


def told(reports: list[Report]) -> tuple[Evidence, ...]:
    """What speaks for somebody in the living room and against it, three minutes after."""
    return followed(house(), evening() + reports).explain("living").evidence


def test_who_was_seen_only_on_the_way_out_has_gone() -> None:
    """Off at 62 s: the last movement came before the door was opened."""
    assert at_home(house(), evening() + parcel(clear=62.0)) < 0.2


def test_a_sensor_that_always_stays_on_for_longer_than_the_plan_says_keeps_nobody_at_home() -> None:
    """The plan says ten seconds, its own record says ninety: then off at 110 s tells of a movement at 20 s."""
    assert at_home(house(hold=10.0), evening(living_on=90.0) + parcel(clear=110.0)) < 0.2


def test_an_animal_that_may_have_kept_it_on_keeps_nobody_at_home() -> None:
    reports = evening() + parcel(clear=110.0)
    assert at_home(house(pets={"cat": {}}), reports) == pytest.approx(
        at_home(house(pets={"cat": {}}), reports[:-1]), abs=0.1
    )


def without(monkeypatch: pytest.MonkeyPatch, plan: Floorplan, reports: list[Report]) -> float:
    """The same where nothing is made of how long a sensor was on."""
    with monkeypatch.context() as patch:
        patch.setattr("presence.staying_on.moved_since", lambda *_: None)
        return at_home(plan, reports)


def test_it_is_how_long_the_sensor_was_on_that_tells(monkeypatch: pytest.MonkeyPatch) -> None:
    reports = evening() + parcel(clear=110.0)
    assert at_home(house(), reports) > 2 * without(monkeypatch, house(), reports)


@pytest.mark.parametrize(
    "case", ["a door unheard", "a door open", "a contact out of reach", "late", "back from offline"]
)
def test_nothing_is_made_of_it_where_somebody_may_have_gone_all_the_same(
    case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A back door without a contact; a front door that stands open or is not watched; an off message 8 s late."""
    reports = evening() + parcel(clear=110.0)
    if case == "a door open":
        reports = [report for report in reports if report[1:] != ("front_contact", "closed")]
    elif case == "a contact out of reach":
        reports = [
            *evening(),
            (-200.0, "front_contact", "offline"),
            *parcel(clear=110.0)[:1],
            *parcel(clear=110.0)[-1:],
        ]
    elif case == "late":
        reports = evening() + parcel(clear=4.0 + 60.0 + 15.0)
    elif case == "back from offline":
        reports = sorted([*reports, (20.0, "living_motion", "offline")])
    plan = house(back=case == "a door unheard")
    assert at_home(plan, reports) == pytest.approx(without(monkeypatch, plan, reports), abs=1e-12)


@pytest.mark.parametrize(("noise", "tells"), [(0.0, True), (1 / 20, False)])
def test_a_chatterer_does_not_tell_by_staying_on_that_somebody_is_at_home(
    noise: float, tells: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On for 50 s longer than its hold: one that goes on by itself every 20 s did so in that time for sure."""
    engine, empty = Engine(house(), Settings(), 16), []
    for weighed in (True, False):
        if not weighed:
            monkeypatch.setattr("presence.staying_on.moved_since", lambda *_: None)
        snapshot = engine.start(time_at(0.0).timestamp())
        snapshot = engine.heed(snapshot, frozenset(), {"living_motion": noise} if noise else {})
        for seconds, sensor, value in evening() + parcel(clear=110.0):
            event = at(1000.0 + seconds, sensor, value)
            snapshot, _ = engine.advance(snapshot, event.seconds)
            snapshot, _ = engine.observe(snapshot, event)
        empty.append(engine.belief(snapshot).at_home[0])
    assert (empty[0] < 0.9 * empty[1]) == tells
    assert (empty[0] == pytest.approx(empty[1], rel=1e-9)) != tells


# --- lost off messages ------------------------------------------------------------------------------------------------
def waited(records: dict[str, TimesOn], name: str = "hall_motion") -> float:
    """Holds for which a sensor of the house is believed to be on, with such records."""
    plan = house()
    engine = Engine(plan, Settings(), 4)
    snapshot = replace(engine.start(time_at(0.0).timestamp()), times_on=records)
    return holds_waited(snapshot, plan.sensors[name], most=240.0)


def test_a_sensor_that_stays_on_is_believed_for_long_unless_off_messages_are_known_to_get_lost() -> None:
    """As many holds as messages come for one lost: ten, where every tenth is. One's own record counts most."""
    good, poor, mute = TimesOn(2000, 0, 60.0), TimesOn(1800, 200, 60.0), TimesOn(0, 50)
    assert waited({}) == pytest.approx(240.0)
    assert waited({"hall_motion": poor, "living_motion": poor}) == pytest.approx(10.0, rel=0.02)
    assert waited({"living_motion": poor}) == pytest.approx(10.0, rel=0.02)  # not heard of yet: by the others
    assert waited({"hall_motion": mute, "living_motion": good}) < 2.0
    assert waited({"hall_motion": mute}, "living_motion") < 20.0  # nothing in this home ever goes off
    assert waited({"hall_motion": good, "living_motion": mute}) == pytest.approx(240.0)


@pytest.mark.parametrize(
    ("record", "share"), [(TimesOn(2000, 0, 60.0), 0.01), (TimesOn(), 0.01), (TimesOn(10, 10, 60.0), 10.2 / 40.0)]
)
def test_a_sensor_whose_off_messages_get_lost_tells_less_by_staying_on(record: TimesOn, share: float) -> None:
    """One in a hundred at least, as the settings say; where half have been lost, a quarter after twenty of them."""
    plan = house()
    snapshot = replace(Engine(plan, Settings(), 4).start(time_at(0.0).timestamp()), times_on={"hall_motion": record})
    assert lost_share(snapshot, plan.sensors["hall_motion"], Settings().occupancy_lost) == pytest.approx(share)


def test_on_said_again_after_the_hold_is_an_off_message_lost() -> None:
    tracker = Tracker(house(), watching=False)
    for seconds, value in [
        (0.0, "detected"),
        (20.0, "clear"),
        (100.0, "detected"),
        (500.0, "detected"),
        (520.0, "clear"),
    ]:
        tracker.observe(at(seconds, "hall_motion", value))
    record = tracker._known().times_on["hall_motion"]
    assert (record.heard, record.lost, record.shortest) == (2, 1, 20.0)


def said_again(gaps: list[float], times: int = 6) -> TimesOn:
    """The record of a sensor with a hold of 20 s that goes on and off some times, and says so again in between."""
    tracker, now = Tracker(house(), watching=False), 0.0
    for _ in range(times):
        tracker.observe(at(now, "hall_motion", "detected"))
        for gap in gaps:
            now += gap
            tracker.observe(at(now, "hall_motion", "detected"))
        tracker.observe(at(now + 19.0, "hall_motion", "clear"))
        now += 1000.0
    return tracker._known().times_on["hall_motion"]


def test_on_said_again_within_the_hold_of_the_last_report_is_no_off_message_lost() -> None:
    """Many sensors say so at each movement: on for 90 s, and off a hold after the last."""
    assert said_again([18.0, 12.0, 19.0, 15.0, 7.0]).lost == 0


def test_a_sensor_that_checks_in_while_it_is_on_has_not_lost_its_off_message() -> None:
    """One every minute; only the first could be anything else. People who come back after another while do not."""
    assert said_again([60.0, 60.3, 59.8]).lost <= 2
    assert said_again([60.0, 87.0, 190.0]).lost == 18


def test_an_off_message_that_comes_after_all_was_not_lost() -> None:
    """A hold of 20 s, an expiry of 10 holds: somebody cooks for an hour and the sensor goes off at the end."""
    tracker = Tracker(house(), Settings(hold_expiry=10.0), watching=False)
    for seconds, value in [(0.0, "detected"), (3600.0, "clear"), (3700.0, "clear")]:
        tracker.observe(at(seconds, "hall_motion", value))
    record = tracker._known().times_on["hall_motion"]
    assert (record.heard, record.lost) == (1, 0)


# --- when somebody was seen last, and whether anybody has passed since ------------------------------------------------
def known(reports: list[Report], until: float, **more: dict[str, str]) -> tuple[Floorplan, Snapshot]:
    """What a tracker knows of the house that has heard some reports, up to an instant."""
    sensors = {"hall_motion": motion("hall", 20.0), "living_motion": motion("living", 60.0), **more}
    tracker = Tracker(home(1, rooms=ROOMS, doors=DOORS, **sensors), watching=False)
    for report in reports:
        tracker.observe(at(*report))
    tracker.advance(time_at(until))
    return tracker.plan, tracker._known()


@pytest.mark.parametrize(
    ("beside", "told"),
    [
        ([], True),
        ([(28.0, "living_contact", "open")], False),  # 17 s before: within steps, a quarter of a hold and late messages
        ([(24.0, "living_contact", "open")], True),
        ([(28.0, "bath_contact", "open")], True),  # neither a door of its room nor an outer one
        ([(28.0, "front_contact", "open")], False),
        ([(43.0, "hall_motion", "detected")], False),  # next door, just before: one walk
        ([(43.0, "hall_tap", "pressed")], True),  # who turns a tap does not walk
    ],
)
def test_the_last_movement_was_a_hold_before_it_goes_off_unless_of_somebody_who_walked_by(
    beside: list[Report], told: bool
) -> None:
    """Six times on for its hold of a minute; then for 105 s, so that it saw somebody 45 s after it went on."""
    contacts = {
        name: contact(door) for name, door in (("living_contact", "living_door"), ("bath_contact", "bath_door"))
    }
    reports = [*evening(), (0.0, "living_motion", "detected"), *beside]
    tap = {"kind": "switch", "room": "hall"}
    plan, snapshot = known(reports, 105.0, front_contact=contact("front"), hall_tap=tap, **contacts)
    last = last_movement(plan, snapshot, plan.sensors["living_motion"])
    assert last == (pytest.approx(time_at(45.0).timestamp()) if told else None)


@pytest.mark.parametrize(
    ("reports", "until", "since"),
    [
        ([(100.0, "front_contact", "open"), (110.0, "front_contact", "closed")], 900.0, 110.0),
        ([(100.0, "front_contact", "closed"), (300.0, "front_lock", "locked")], 900.0, 300.0),
        ([(100.0, "front_contact", "open")], 900.0, None),  # it stands open
        ([(100.0, "front_contact", "open")], 86400.0, None),  # and is only taken to be shut by now
        ([(100.0, "hall_motion", "detected")], 900.0, None),  # how it stands has never been told
        (
            [
                (100.0, "front_contact", "open"),
                (110.0, "front_contact", "closed"),
                (400.0, "front_contact", "offline"),
                (500.0, "front_contact", "online"),
            ],
            900.0,
            None,
        ),
    ],
)
def test_nobody_has_passed_since_the_last_use_of_a_door_that_is_watched_and_shut(
    reports: list[Report], until: float, since: float | None
) -> None:
    plan, snapshot = known(reports, until, front_contact=contact("front"), front_lock={"kind": "lock", "door": "front"})
    for seconds in (50.0, 111.0, 301.0, 800.0, 86_000.0):
        expected = since is not None and since < seconds
        assert none_passed(plan, snapshot, time_at(seconds).timestamp()) == expected, seconds


def test_a_lock_alone_does_not_watch_a_door() -> None:
    reports = [(100.0, "front_lock", "unlocked"), (110.0, "front_lock", "locked")]
    plan, snapshot = known(reports, 900.0, front_lock={"kind": "lock", "door": "front"})
    assert not none_passed(plan, snapshot, time_at(800.0).timestamp())


LATER = [(300.0, "front_contact", "open"), (308.0, "front_contact", "closed"), (900.0, "living_motion", "clear")]
BRIEF = [(0.0, "living_motion", "detected"), (60.5, "living_motion", "clear")]


@pytest.mark.parametrize(
    ("reports", "tells"),
    [
        (evening() + parcel(clear=62.0), False),  # the last movement came before the door was opened
        (evening() + parcel(clear=90.0), False),  # 30 s: within steps and a late message of the door's closing at 15 s
        (evening() + parcel(clear=97.0), True),
        (evening() + parcel(clear=110.0), True),
        (evening() + BRIEF, False),  # it differs from the hold by less than what is known of that
        (evening()[:8] + parcel(clear=110.0), False),  # gone off four times: what its hold is is not known yet
        (evening() + parcel(clear=900.0), True),  # told while it was on; a second time by no more than false alarms
        (evening() + parcel(clear=900.0)[:-1] + LATER, True),  # another passage meanwhile
    ],
)
def test_it_is_weighed_as_in_the_joint_filter(
    reports: list[Report], tells: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of one person, to the last digits; here nothing is too unlikely to be weighed."""
    monkeypatch.setattr(Engine, "unlikely", 0.0)
    plan = house()
    tracker = Tracker(plan, PLAIN, numbering=False, watching=False)
    exact = JointFilter(plan, time_at(0.0), PLAIN)
    tracker.advance(time_at(0.0))
    for seconds, sensor, value in reports:
        event = at(1000.0 + seconds, sensor, value)
        tracker.advance(event.time)
        before = tracker.log_likelihood
        exact.observe(event)
        tracker.observe(event)
        np.testing.assert_allclose(list(tracker.belief.rooms.values()), exact.rooms(), rtol=0, atol=1e-9)
        if value == "clear":
            last = (seconds, sensor) == (reports[-1][0], reports[-1][1])
            assert (tracker.log_likelihood < before) == (tells and last)
    assert tracker.log_likelihood == pytest.approx(exact.log_likelihood, rel=1e-12, abs=1e-9)


def test_a_sensor_outdoors_says_nothing_of_who_is_indoors() -> None:
    """Whoever lingers in the garden is not at home for it."""
    rooms = ROOMS | {"garden": {"outdoors": True}}
    doors = DOORS | {"gate": {"between": ["garden", "away"]}}
    plan = home(1, rooms=rooms, doors=doors, garden_motion=motion("garden", 60.0), front_contact=contact("front"))
    tracker = Tracker(plan)
    reports = [(seconds, sensor.replace("living", "garden"), value) for seconds, sensor, value in evening()]
    for seconds, sensor, value in [*reports, (0.0, "garden_motion", "detected")]:
        tracker.observe(at(1000.0 + seconds, sensor, value))
    tracker.advance(time_at(1110.0))
    before = tracker.log_likelihood
    tracker.observe(at(1110.0, "garden_motion", "clear"))
    assert tracker.log_likelihood == before


# --- sensors that never go off ----------------------------------------------------------------------------------------
def mute(gaps: list[float], hold: float = 20.0, *, beside: list[Report] | None = None) -> Tracker:
    """A home whose hall's sensor says again that it is on, after each of these times; and other reports."""
    spoke = np.concatenate([[0.0], np.cumsum(gaps)]).tolist()
    reports = sorted([*((s, "hall_motion", "detected") for s in spoke), *(beside or [])])
    sensors = {"hall_motion": motion("hall", hold), "living_motion": motion("living", 60.0)}
    tracker = Tracker(home(1, rooms=ROOMS, doors=DOORS, **sensors, front_contact=contact("front")), watching=False)
    for seconds, sensor, value in reports:
        tracker.observe(at(seconds, sensor, value))
    return tracker


def blind_for(tracker: Tracker) -> float | None:
    return blind_time(tracker._known(), tracker.plan.sensors["hall_motion"])


BUSY = [120.4, 121.5, 126.0, 300.0, 122.0, 700.0, 131.0, 900.0, 120.9, 5000.0]


@pytest.mark.parametrize("hold", [5.0, 20.0, 118.0])
def test_a_sensor_that_never_goes_off_is_blind_for_the_shortest_time_between_its_reports(hold: float) -> None:
    """Two minutes, whatever the plan says of its hold; the very shortest may be an echo."""
    assert blind_for(mute(BUSY, hold)) == pytest.approx(120.9)
    assert blind_for(mute([*BUSY, 30.0], hold)) == pytest.approx(120.4)
    assert blind_for(mute([0.4, *BUSY], hold)) == pytest.approx(120.9)  # a bounce


def test_a_radio_that_sends_every_third_report_twice_is_no_less_blind() -> None:
    twice = [gap for n, gap in enumerate(BUSY) for gap in ([gap] if n % 3 else [2.0, gap - 2.0])]
    assert blind_for(mute(twice)) == pytest.approx(120.0, abs=2.0)


def test_a_plan_whose_hold_is_four_times_too_long_is_set_right_too() -> None:
    """Reports within the hold tell nothing until five off messages must have been lost."""
    long = [gap for gap in BUSY for gap in (gap, 500.0)]
    assert blind_for(mute(long, 480.0)) == pytest.approx(120.9)
    assert blind_for(mute([120.0, 121.0] * 10, 480.0)) is None


@pytest.mark.parametrize(
    "gaps",
    [
        pytest.param(BUSY[:4], id="too few"),
        pytest.param([700.0, 1100.0, 4000.0, 9000.0, 2000.0, 7000.0], id="not alike"),
        pytest.param([3600.0, 3700.0, 3800.0, 3900.0, 4000.0], id="a room that is seldom used"),
    ],
)
def test_how_long_it_is_blind_is_not_known_of_a_sensor_that_is_seldom_set_off(gaps: list[float]) -> None:
    assert blind_for(mute(gaps)) is None


def test_a_sensor_that_has_ever_gone_off_is_taken_at_its_word() -> None:
    """Many say so again at each movement, every ten seconds: they go off in the end."""
    assert blind_for(mute(BUSY, beside=[(60_000.0, "hall_motion", "clear")])) is None
    assert blind_for(mute([10.0] * 40)) is None


def test_a_sensor_that_never_goes_off_reports_anew_once_its_blind_time_is_over() -> None:
    """And not before: in a minute after its report its silence says nothing, in three that somebody has gone on."""
    tracker = mute(BUSY, 5.0)
    told = sum(BUSY)
    for seconds, blind in ((60.0, True), (120.0, True), (121.0, False), (3600.0, False)):
        tracker.advance(time_at(told + seconds))
        assert (("blind", "hall_motion") in tracker._known().conditions) is blind, seconds


@pytest.mark.parametrize("hold", [15.0, 60.0, 240.0])
def test_one_who_works_before_a_sensor_that_never_goes_off_is_one(hold: float) -> None:
    """Two hours in a kitchen that says so once a minute at most; a hold of 15 s, taken at its word, makes it two."""
    rooms = {"hall": {}, "kitchen": {}}
    doors = {"front": {"between": ["hall", "away"]}, "kitchen_door": {"between": ["hall", "kitchen"]}}
    sensors = {"kitchen_motion": motion("kitchen", hold), "front_contact": contact("front")}
    plan = home(1, rooms=rooms, doors=doors, visitors=1, hall_motion=motion("hall", hold), **sensors)
    tracker, rng, now = Tracker(plan, watching=False), np.random.default_rng(3), 0.0
    while now < 7200.0:
        tracker.observe(at(now, "kitchen_motion", "detected"))
        now += 60.0 + rng.exponential(10.0 if rng.random() < 0.7 else 300.0)
    tracker.advance(time_at(7260.0))
    assert tracker.belief.at_home[1] > 0.9


@pytest.mark.parametrize("hold", [15.0, 480.0])
def test_a_sensor_that_never_goes_off_is_heard_as_in_the_joint_filter(hold: float) -> None:
    """Its blind time known, and before: of one person, to the last digits."""
    plan = home(1, rooms=ROOMS, doors=DOORS, hall_motion=motion("hall", hold), living_motion=motion("living", 60.0))
    tracker = Tracker(plan, PLAIN, numbering=False, watching=False)
    exact = JointFilter(plan, time_at(0.0), PLAIN)
    tracker.advance(time_at(0.0))
    gaps = [*BUSY, 480.5, 481.0, *(gap + 0.25 for gap in BUSY)]
    for seconds in (10.0 + np.cumsum(gaps)).tolist():
        event = at(seconds, "hall_motion", "detected")
        exact.observe(event)
        tracker.observe(event)
        np.testing.assert_allclose(list(tracker.belief.rooms.values()), exact.rooms(), rtol=0, atol=1e-9)
    assert tracker.log_likelihood == pytest.approx(exact.log_likelihood, rel=1e-12, abs=1e-9)


def test_a_sensor_that_never_goes_off_does_not_tell_by_staying_on_that_somebody_is_there() -> None:
    """Where seats and beds tell who rests, other sensors do; for 181 s this one can tell nothing."""
    seats = {name: {"kind": "pressure", "room": name} for name in ("bed", "living")}
    plan = home(
        {"P1": {"bed": "bed"}},
        rooms={"hall": {}, "bed": {"rest": True}, "living": {"rest": True}},
        doors={"front": {"between": ["hall", "away"]}}
        | {name: {"between": ["hall", name], "leaf": "none"} for name in ("bed", "living")},
        front_contact=contact("front"),
        hall_motion=motion("hall", 15.0),
        **{f"{name}_seat": seat for name, seat in seats.items()},
    )
    tracker = Tracker(plan, watching=False)
    assert tracker._engine.rest_is_told
    times = np.cumsum([181.0 if n % 3 else 900.0 for n in range(40)]).tolist()
    left = times[-1] + 2000.0
    for seconds in [*times, left]:
        tracker.observe(at(seconds, "hall_motion", "detected"))
    assert blind_time(tracker._known(), plan.sensors["hall_motion"]) == 181.0
    for seconds, value in ((left + 3.0, "open"), (left + 6.0, "closed")):
        tracker.observe(at(seconds, "front_contact", value))
    there = []
    for seconds in (left + 70.0, left + 90.0):
        tracker.advance(time_at(seconds))
        there.append(tracker.belief.rooms["hall"])
    assert there[1] < there[0] + 0.05


def with_bath(people: int = 1, width: float = 2.0) -> Floorplan:
    """A studio, and a bathroom of 3 m by so many: 6 m2 are no room to live in, 7.5 m2 may be (`places.HABITABLE`)."""
    return home(
        people,
        rooms={
            "studio": {"rest": True},
            "bath": {"outline": [[0.0, 0.0], [3.0, 0.0], [3.0, width], [0.0, width]]},
        },
        doors={"front": {"between": ["studio", "away"]}, "bath_door": {"between": ["studio", "bath"]}},
        front_contact=contact("front"),
        studio_motion=motion("studio", 60.0),
        bath_motion=motion("bath", 120.0),
    )


@pytest.mark.parametrize(("width", "told"), [(2.0, True), (2.5, False)])
@pytest.mark.parametrize("people", [1, 2])
def test_a_sensor_on_past_its_hold_tells_that_somebody_has_moved_in_a_small_room(
    people: int, width: float, told: bool
) -> None:
    """By Bayes' rule, a hold after it should have gone off; each has moved in it by the rate of their pace, or not.

    With nobody moving, the off message is late or lost. Just before nothing is told, and nothing in a larger room.
    """
    tracker = Tracker(with_bath(people, width), watching=False, hypotheses=None)
    engine, s = tracker._engine, tracker.settings
    tracker.observe(at(0.0, "bath_motion", "detected"))
    tracker.advance(time_at(240.0 - 1e-6))
    mixture, bath = tracker._known().mixture, engine._states_in("bath")
    x, weight = mixture.x[:, :, bath], mixture.weight
    still = np.prod(1.0 - x @ -np.expm1(-120.0 * np.array(s.motion_rates)), axis=0)  # in each hypothesis
    empty = np.prod(1.0 - x.sum(axis=2), axis=0)
    on = s.occupancy_lost + (1.0 - s.occupancy_lost) * s.occupancy_alone if told else 1.0
    expected = weight @ empty * on / (weight @ (1.0 - still * (1.0 - on)))
    tracker.advance(time_at(240.0 + 1e-6))
    assert 1.0 - tracker.belief.rooms["bath"] == pytest.approx(expected, rel=1e-5)
    assert weight @ still > weight @ empty + 0.01  # who is there and sits still has hardly moved


@pytest.mark.parametrize("people", [1, 2])
def test_it_tells_so_as_in_the_joint_filter(people: int) -> None:
    """For one person exactly; for two, what a lost message is worth is read from marginals."""
    plan = with_bath(people)
    joint, tracker = joint_tracker(plan), Tracker(plan, hypotheses=64)
    said = [(0.0, "studio_motion", "detected"), (40.0, "bath_motion", "detected"), (60.0, "studio_motion", "clear")]
    for seconds, sensor, value in [*said, (1500.0, "bath_motion", "clear")]:
        for each in (joint, tracker):
            each.observe(at(seconds, sensor, value))
    apart = [abs(p - joint.belief.rooms[room]) for room, p in tracker.belief.rooms.items()]
    assert max(apart) < (1e-9 if people == 1 else 5e-3)


def stirring(every: float) -> list[Report]:
    """Somebody goes into the bathroom, whose sensor stays on for good; next door somebody stirs every so often."""
    times = [0.0, *np.arange(100.0, 3900.0, every).tolist()]
    pairs = [[(at, "studio_motion", "detected"), (at + 60.0, "studio_motion", "clear")] for at in times]
    return sorted([(40.0, "bath_motion", "detected"), *(report for pair in pairs for report in pair)])


def in_the_bath(people: int, reports: list[Report], minutes: range) -> list[float]:
    """What is believed of the bathroom at each of these minutes."""
    tracker, waiting, there = Tracker(with_bath(people), watching=False), list(reports), []
    for minute in minutes:
        while waiting and waiting[0][0] <= 60.0 * minute:
            tracker.observe(at(*waiting.pop(0)))
        tracker.advance(time_at(60.0 * minute))
        there.append(tracker.belief.rooms["bath"])
    return there


@pytest.mark.parametrize(("people", "minutes"), [(1, 17), (2, 35), (3, 46)])
def test_one_lost_off_message_keeps_nobody_in_a_small_room_for_long(people: int, minutes: int) -> None:
    """Somebody stirs next door every five minutes: they may go back each time, and others may be there."""
    there = in_the_bath(people, stirring(300.0), range(1, 62))
    assert max(there[:minutes]) > 0.7  # somebody is taking a shower, for all that is known
    assert max(there[minutes:]) < 0.5
    assert max(there[56:]) < 0.35
    assert there[11] < there[10] - 0.2  # right after somebody has stirred


def with_lost_message(reports: list[Report], minutes: range) -> list[float]:
    """One person in the bathroom, exactly: whether the off message was lost as a part of what is known of them.

    Once a hold, with nobody having moved in it, the message is lost from now on, or only late, or has been lost before.
    """
    tracker = Tracker(with_bath(1), watching=False)
    for report in reports[:2]:
        tracker.observe(at(*report))
    engine, s, known = tracker._engine, tracker.settings, tracker._known()
    still = np.ones(engine.model.states.size)
    still[engine._states_in("bath")] = np.exp(-120.0 * np.array(s.motion_rates))
    begun = replace(known, due=tuple(note for note in known.due if note[1] != "witness"))
    stories, weights = [begun, begun], np.array([1.0, 1e-12])
    notes: list[tuple[float, str, str]] = [(reports[1][0] + 120.0 * n, "witness", "") for n in range(2, 40)]
    notes += [(60.0 * minute, "read", "") for minute in minutes]
    there = []
    for seconds, what, value in sorted([*notes, *reports[2:]], key=lambda note: note[0]):
        before = [story.mixture.log_likelihood for story in stories]
        stories = [engine.advance(story, time_at(seconds).timestamp())[0] for story in stories]
        if value:
            stories = [engine.observe(story, at(seconds, what, value))[0] for story in stories]
        gained = np.array([story.mixture.log_likelihood for story in stories]) - before
        joint = weights[:, None] * np.exp(gained)[:, None] * [story.mixture.x[0, 0] for story in stories]
        if what == "witness":
            joint[1] += s.occupancy_lost * still * joint[0]
            joint[0] *= 1.0 - still + (1.0 - s.occupancy_lost) * s.occupancy_alone * still
        weights = joint.sum(axis=1) / joint.sum()
        mixtures = [
            story.mixture._replace(x=row[None, None] / row.sum()) for story, row in zip(stories, joint, strict=True)
        ]
        stories = [replace(story, mixture=mixture) for story, mixture in zip(stories, mixtures, strict=True)]
        if what == "read":
            there.append(float(joint[:, engine._states_in("bath")].sum() / joint.sum()))
    return there


@pytest.mark.parametrize(("every", "apart"), [(120.0, 0.01), (300.0, 0.06), (900.0, 0.17)])
def test_what_a_lost_off_message_is_worth_is_nearly_exact(every: float, apart: float) -> None:
    """In the mean over an hour; it is kept for all who have not moved, though those who went long ago are elsewhere."""
    minutes = range(1, 64)
    exact, told = with_lost_message(stirring(every), minutes), in_the_bath(1, stirring(every), minutes)
    assert np.mean(np.abs(np.subtract(exact, told))) < apart
    assert max(exact) > 0.7


@pytest.mark.parametrize("people", [1, 2])
def test_an_off_message_that_is_lost_as_the_last_leaves_keeps_nobody_at_home_for_long(people: int) -> None:
    """Whoever has washed goes out; the bathroom's sensor, which has gone off five times before, is on for good."""
    visit = [(0.0, "studio_motion", "detected"), (40.0, "bath_motion", "detected"), (60.0, "studio_motion", "clear")]
    visit += [(160.0, "bath_motion", "clear"), (170.0, "studio_motion", "detected"), (230.0, "studio_motion", "clear")]
    before = [(800.0 * n + seconds, *said) for n in range(6) for seconds, *said in visit]
    out = [(0.0, "bath_motion", "detected"), (40.0, "studio_motion", "detected"), (60.0, "front_contact", "open")]
    out += [(66.0, "front_contact", "closed"), (105.0, "studio_motion", "clear"), (150.0, "bath_motion", "clear")]
    at_home = []
    for heard in (5, 6):
        tracker = Tracker(with_bath(people), watching=False)
        for seconds, sensor, value in [*before, *((5000.0 + seconds, *said) for seconds, *said in out[:heard])]:
            tracker.observe(at(seconds, sensor, value))
        there = []
        for minute in (10, 60):
            tracker.advance(time_at(5000.0 + 60.0 * minute))
            there.append(1.0 - tracker.belief.at_home[0])
        at_home.append(there)
    lost, told = np.array(at_home)
    assert (lost - told < (0.25, 0.2)).all()  # heard as two lost messages, the home would not be empty by .94 and .4
    assert (lost > told).all()


def two_in_one_small_room(sensors: int) -> Floorplan:
    """A bathroom of 6 m2 beside a living room, with so many motion sensors."""
    seeing = {f"bath_motion_{n}": motion("bath", 60.0) for n in range(sensors)}
    small = {"outline": [[0.0, 0.0], [3.0, 0.0], [3.0, 2.0], [0.0, 2.0]]}
    return home(
        1,
        rooms={"living": {"rest": True}, "bath": small},
        doors={"front": {"between": ["living", "away"]}, "bath_door": {"between": ["living", "bath"]}},
        front_contact=contact("front"),
        living_motion=motion("living", 30.0),
        **seeing,
    )


def test_sensors_that_see_the_same_do_not_each_tell_that_somebody_is_in_a_small_room() -> None:
    """One hub that is out of reach loses all their messages: told by each, they would be independent witnesses."""
    there = {}
    for sensors in (1, 2):
        tracker = Tracker(two_in_one_small_room(sensors), watching=False)
        for n in range(sensors):
            tracker.observe(at(float(n), f"bath_motion_{n}", "detected"))
        for seconds in np.arange(60.0, 500.0, 120.0).tolist():
            tracker.observe(at(seconds, "living_motion", "detected"))
            tracker.observe(at(seconds + 40.0, "living_motion", "clear"))
        there[sensors] = tracker.belief.rooms["bath"]
    assert there[2] < there[1] - 0.1


def kept_on(*, lost: int = 0, noise: float = 0.0) -> float:
    """Whether somebody is in the bathroom: its sensor is on for ten minutes, another room's has just gone off.

    Before that it has gone off ten times, and lost its off message so often; health has named it a chatterer, or not.
    """
    engine = Engine(with_bath(1), Settings(), 16)
    snapshot = engine.start(time_at(0.0).timestamp())
    snapshot = replace(snapshot, times_on={"bath_motion": TimesOn(heard=10, lost=lost, shortest=120.0)})
    snapshot = engine.heed(snapshot, frozenset(), {"bath_motion": noise} if noise else {})
    said = [(10.0, "bath_motion", "detected"), (300.0, "studio_motion", "detected"), (360.0, "studio_motion", "clear")]
    for report in said:
        event = at(*report)
        snapshot, _ = engine.advance(snapshot, event.seconds)
        snapshot, _ = engine.observe(snapshot, event)
    snapshot, _ = engine.advance(snapshot, time_at(610.0).timestamp())
    return engine.belief(snapshot).rooms["bath"]


def test_a_sensor_that_loses_its_off_messages_tells_less_of_a_small_room_by_staying_on() -> None:
    never, seldom, often = kept_on(), kept_on(lost=2), kept_on(lost=5)
    assert never > seldom + 0.05 > often + 0.1


def test_a_chatterer_does_not_tell_by_staying_on_that_somebody_is_in_a_small_room() -> None:
    """On by itself every twenty seconds, it stays on for a minute in 19 of 20 cases with nobody there."""
    assert kept_on(noise=1 / 20) < kept_on() / 3


def test_how_often_time_passes_does_not_tell_who_of_three_alike_is_in_a_small_room() -> None:
    """All of them are as likely to be there: which is taken first is not for a rounding error to say."""
    tracker, often = (Tracker(with_bath(3), watching=False) for _ in range(2))
    tracker.advance(time_at(0.0))
    said = [(10.0, "bath_motion", "detected"), (700.0, "studio_motion", "detected"), (760.0, "studio_motion", "clear")]
    said += [(2000.0, "bath_motion", "clear"), (2400.0, "bath_motion", "detected"), (5000.0, "bath_motion", "clear")]
    for seconds in np.arange(0.0, 5000.0, 97.0).tolist():
        while said and said[0][0] <= seconds:
            report = said.pop(0)
            for each in (tracker, often):
                each.observe(at(*report))
        often.advance(time_at(seconds))
    for each in (tracker, often):
        each.advance(time_at(5200.0))
    for room, p in tracker.belief.rooms.items():
        assert often.belief.rooms[room] == pytest.approx(p, abs=1e-9)
