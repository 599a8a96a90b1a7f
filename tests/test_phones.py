"""Phones and tags that are wrong for hours: that they say so all the time may be bounded evidence."""

from __future__ import annotations

import pytest

from presence import Floorplan, Settings, Tracker
from tests.oracle import at, contact, doors, home, motions, time_at

HOUR = 3600.0
TOLD = 2000.0
"""Seconds after noon at which something carried says something new."""
LOOKS = (300.0, 1200.0, 4800.0)
"""Seconds after which it tells again by not having changed: `phone_still`, then four times as long."""
Report = tuple[float, str, str]


def followed(plan: Floorplan, reports: list[Report], until: float, settings: Settings | None = None) -> Tracker:
    """A tracker that has taken in some reports, in order of time, up to an instant."""
    tracker = Tracker(plan, settings)
    tracker.advance(time_at(0.0))
    for seconds, sensor, value in sorted(report for report in reports if report[0] <= until):
        tracker.observe(at(seconds, sensor, value))
    tracker.advance(time_at(until))
    return tracker


def used(seconds: float) -> list[Report]:
    """The front door is opened, and shut."""
    return [(seconds, "front_contact", "open"), (seconds + 3.0, "front_contact", "closed")]


def stirring(room: str, begin: float, end: float, every: float) -> list[Report]:
    """A motion sensor goes on and off."""
    times = range(int(begin), int(end), int(every))
    return [(t + dt, f"{room}_motion", value) for t in times for dt, value in ((0.0, "detected"), (11.0, "clear"))]


def house(people: int, *seen: str) -> Floorplan:
    """Four rooms, some with a motion sensor, a contact at the only door to the outside, a phone each."""
    phones = {f"P{n + 1}_phone": {"kind": "phone", "person": f"P{n + 1}"} for n in range(people)}
    return home(
        {f"P{n + 1}": {"bed": "bed", "awake": ["07:00", "23:00"]} for n in range(people)},
        rooms={"hall": {}, "living": {}, "kitchen": {}, "bed": {"rest": True}},
        doors=doors(arch="hall living none", kitchen_door="hall kitchen", bed_door="hall bed", front="hall away"),
        front_contact=contact("front"),
        **motions(*seen),
        **phones,
    )


def odds_away(tracker: Tracker) -> float:
    """Odds of the first resident being off the property."""
    away = tracker.belief.people["P1"]["away"]
    return away / (1.0 - away)


@pytest.mark.parametrize("looks", [1, 2, 3])
@pytest.mark.parametrize(
    ("door", "explained"),
    [
        (used(50.0), False),
        (used(TOLD - Settings().phone_explained + 1.0), True),
        (used(TOLD + 200.0), True),
        ([*used(50.0), *used(TOLD + 310.0)], False),
        (used(50.0)[:1], True),
        ([*used(50.0), (60.0, "front_contact", "offline")], True),
        ([], True),
        ([*used(50.0), *((seconds, "front_contact", "closed") for seconds in range(653, 8000, 600))], False),
        ([*used(50.0), (1700.0, "front_contact", "offline"), (1900.0, "front_contact", "online")], True),
    ],
    ids=["long ago", "before", "near", "later", "open", "unwatched", "never heard", "checks in", "back in reach"],
)
@pytest.mark.parametrize(("kind", "value"), [("phone", "home"), ("phone", "away"), ("badge", "away")])
def test_what_no_door_explains_is_bounded_evidence_for_hours(
    kind: str, value: str, door: list[Report], explained: bool, looks: int
) -> None:
    """Bayes' rule by hand, where nobody moves: a wrong report lasts, or has been missed to mend at each look."""
    ends = doors(inner="hall bed", front="hall away")
    plan = home(1, doors=ends, front_contact=contact("front"), P1_carried={"kind": kind, "person": "P1"})
    settings, until = Settings(outer_door_rate=1e-12), TOLD + LOOKS[looks - 1]
    prior = odds_away(followed(plan, door, until, settings))
    told = odds_away(followed(plan, [*door, (TOLD, "P1_carried", value)], until, settings))
    wrong, right = settings.phone_error, 1.0 - settings.phone_error
    if kind == "badge":  # in any other of three rooms alike, away among them
        wrong, right = settings.badge_error / 2.0, 1.0 - settings.badge_error
    lasting = 0.0 if explained else settings.phone_lasting_share
    factor = wrong / right * (lasting + (1.0 - lasting) * settings.phone_doubt**looks)
    exact = 0.03 if (TOLD + 310.0, "front_contact", "open") in door else 1e-5  # whoever shuts it then is at home
    assert told == pytest.approx(prior * factor if value == "home" else prior / factor, rel=exact)


def test_a_door_that_was_told_open_and_never_shut_is_not_known_to_be_shut() -> None:
    """Its closing may be lost, or it stands open still: whoever says that they are away is believed as ever."""
    ends = doors(inner="hall bed", front="hall away")
    plan = home(1, doors=ends, front_contact=contact("front"), P1_phone={"kind": "phone", "person": "P1"})
    since = Settings().outer_door_expiry + TOLD
    door, until = [(50.0, "front_contact", "open")], since + LOOKS[2]
    settings = Settings(outer_door_rate=1e-12)
    prior = odds_away(followed(plan, door, until, settings))
    told = odds_away(followed(plan, [*door, (since, "P1_phone", "home")], until, settings))
    wrong = settings.phone_error / (1.0 - settings.phone_error) * settings.phone_doubt**3
    assert told == pytest.approx(prior * wrong, rel=1e-5)


def test_of_those_who_leave_later_as_many_have_left_it_as_it_is_ever_wrong() -> None:
    """Just before the second look somebody leaves, at evens or so: their phone stays behind, or it will tell."""
    left = [(TOLD + 1190.0, "hall_motion", "detected"), *used(TOLD + 1196.0)]
    reports = [*used(50.0), (TOLD, "P1_phone", "home"), *stirring("hall", TOLD, TOLD + 400.0, 90.0), *left]
    odds = {}
    for doubt in (1.0, 0.05):
        settings = Settings(outer_door_miss=1e-9, phone_doubt=doubt)  # nobody leaves unheard before
        looks = (TOLD + 1199.9, TOLD + 1200.0)
        odds[doubt] = [odds_away(followed(house(1, "hall"), reports, until, settings)) for until in looks]
    before, told = odds[0.05]
    meanwhile = odds[1.0][1] / odds[1.0][0]
    share = Settings().phone_error
    assert meanwhile == pytest.approx(1.0, abs=0.05)
    assert told / before == pytest.approx((share + (1.0 - share) * 0.05) * meanwhile, rel=0.02)


def test_a_phone_that_is_wrongly_away_does_not_take_its_owner_out_of_a_shut_house() -> None:
    """Its battery is flat from one o'clock on; its owner stirs in the bedroom each 52 minutes (two were home by .3)."""
    reports = [(1.0, "P1_phone", "home"), (2.0, "P2_phone", "home"), *used(30.0), (HOUR, "P1_phone", "away")]
    reports += stirring("living", 60.0, 6.0 * HOUR, 610.0) + stirring("bed", 90.0, 6.0 * HOUR, 3100.0)
    plan = house(2, "hall", "living", "kitchen", "bed")
    for hour in (2.0, 3.0, 4.0, 5.0, 6.0):
        assert followed(plan, reports, hour * HOUR).belief.at_home[2] > 0.8


def test_a_phone_that_is_wrongly_home_does_not_fill_an_empty_house() -> None:
    """Its owner leaves at half past twelve and it says so; at two, that it is back (nobody was home by .34 to .86)."""
    out = [(1790.0, "hall_motion", "detected"), *used(1796.0), (1803.0, "hall_motion", "clear")]
    reports = [(1.0, "P1_phone", "home"), *stirring("living", 60.0, 1700.0, 110.0), *out]
    reports += [(1900.0, "P1_phone", "away"), (2.0 * HOUR, "P1_phone", "home")]
    for hour in (2.5, 3.0, 4.0, 6.0, 8.0):
        assert followed(house(1, "hall", "living"), reports, hour * HOUR).belief.at_home[0] > 0.9


@pytest.mark.parametrize("people", [2, 3])
def test_a_phone_still_tells_which_of_several_has_left(people: int) -> None:
    """One leaves, nobody else stirs: the front door tells that somebody has, the phone who."""
    reports = [(float(n), f"P{n + 1}_phone", "home") for n in range(people)]
    reports += [*stirring("living", 60.0, 1700.0, 110.0), (1790.0, "hall_motion", "detected"), *used(1796.0)]
    reports += [(1803.0, "hall_motion", "clear"), (1950.0, "P2_phone", "away")]
    reports += stirring("living", 2000.0, 2.0 * HOUR, 310.0)
    belief = followed(house(people, "hall", "living", "kitchen", "bed"), reports, 2.0 * HOUR).belief
    assert belief.people["P2"]["away"] > 0.99
    assert belief.people["P1"]["away"] < 0.05
