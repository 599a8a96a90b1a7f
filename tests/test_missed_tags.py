"""Tags in a hub that never says `away`: whether their silence tells that their owner has gone, or nothing of it."""

from __future__ import annotations

import pickle
from collections.abc import Iterator

import numpy as np
import pytest

from presence import Floorplan, Tracker
from presence.carried import GAPS, longest_usual
from tests.oracle import at, doors, home, motions, time_at

HOUR = 3600.0
MORNING, TEN = 19.0 * HOUR, 22.0 * HOUR
"""Seven and ten o'clock of the day after, seconds after noon."""
Report = tuple[float, str, str]


def shared() -> Floorplan:
    """A bedroom each, a hall and a kitchen; the front door has no sensor. The first of two residents wears a tag."""
    awake = ["07:00", "22:30"]
    return home(
        {"P1": {"bed": "bed", "awake": awake}, "P2": {"bed": "spare", "awake": awake}},
        rooms={"bed": {"rest": True}, "spare": {"rest": True}, "hall": {}, "kitchen": {}},
        doors=doors(arch="bed hall", spare_door="spare hall", kitchen_door="hall kitchen", front="hall away"),
        tag={"kind": "badge", "person": "P1"},
        **motions("bed", "spare", "hall", "kitchen"),
    )


def stirring(room: str, begin: float, end: float, every: float) -> Iterator[Report]:
    """A motion sensor goes on and off."""
    for seconds in np.arange(begin, end, every):
        yield float(seconds), f"{room}_motion", "detected"
        yield float(seconds) + 11.0, f"{room}_motion", "clear"


def heard(room: str, begin: float, end: float, every: float) -> Iterator[Report]:
    """A tag speaks by itself, by a clock of its own."""
    rng = np.random.default_rng(int(begin))
    seconds = begin
    while seconds < end:
        yield seconds, "tag", room
        seconds += every * float(rng.lognormal(0.0, 0.2))


def a_night(every: float = 300.0) -> list[Report]:
    """The owner of the tag is in the kitchen until eleven, in bed until seven, in the kitchen until ten."""
    spoken = [("kitchen", 0.0, 11.0 * HOUR), ("bed", 11.01 * HOUR, MORNING), ("kitchen", MORNING + 60.0, TEN)]
    reports = [report for room, begin, end in spoken for report in heard(room, begin, end, every)]
    reports += [*stirring("kitchen", 30.0, 11.0 * HOUR, 400.0), *stirring("bed", 11.01 * HOUR, 11.2 * HOUR, 100.0)]
    reports += [*stirring("spare", 5.0, TEN, 700.0), *stirring("hall", 11.0 * HOUR, 11.01 * HOUR, 20.0)]
    return [
        *reports,
        *stirring("hall", MORNING, MORNING + 30.0, 40.0),
        *stirring("kitchen", MORNING + 60.0, TEN, 400.0),
    ]


def followed(plan: Floorplan, reports: list[Report]) -> Tracker:
    tracker = Tracker(plan)
    for report in sorted(reports):
        tracker.observe(at(*report))
    return tracker


def away(tracker: Tracker, seconds: float) -> float:
    tracker.advance(time_at(seconds))
    return tracker.belief.people["P1"]["away"]


def test_whose_tag_is_not_heard_any_more_has_gone_while_others_stir() -> None:
    """They left at ten by a door without a sensor; the other one was up and about all day."""
    tracker = followed(shared(), [*a_night(), *stirring("hall", TEN, TEN + 10.0, 20.0)])
    for report in sorted(stirring("spare", TEN + 60.0, TEN + 8.0 * HOUR, 700.0)):
        tracker.observe(at(*report))
        if report[0] > TEN + 1.5 * HOUR:
            assert tracker.belief.people["P1"]["away"] > 0.8, report
    for report in [(-5.0, "hall_motion", "detected"), (0.0, "tag", "hall"), (60.0, "tag", "kitchen")]:
        tracker.observe(at(TEN + 8.01 * HOUR + report[0], *report[1:]))
    assert tracker.belief.people["P1"]["away"] < 0.1


def test_a_missed_tag_that_is_told_to_be_away_after_all_has_not_come_back() -> None:
    """Its hub says so after three hours, for the first time."""
    tracker = followed(shared(), [*a_night(), *stirring("spare", TEN + 60.0, TEN + 3.0 * HOUR, 700.0)])
    before = away(tracker, TEN + 3.0 * HOUR)
    tracker.observe(at(TEN + 3.0 * HOUR + 1.0, "tag", "away"))
    assert away(tracker, TEN + 3.0 * HOUR + 1.0) > before


@pytest.mark.parametrize("outage", ["silent", "offline"])
def test_a_hub_that_is_down_tells_nothing_of_a_tag(outage: str) -> None:
    """Nothing is heard for four hours: as if the tag could not report, whether its hub says so or not."""
    night = a_night()
    told, twin = followed(shared(), night), followed(shared(), night)
    twin.observe(at(TEN + 1.0, "tag", "offline"))
    if outage == "offline":
        told.observe(at(TEN + 1.0, "tag", "offline"))
        told.observe(at(TEN + 2.0, "tag", "online"))
    for hours in (0.3, 0.5, 1.0, 2.0, 4.0):
        expected = away(twin, TEN + hours * HOUR)
        assert away(told, TEN + hours * HOUR) == pytest.approx(expected, rel=0, abs=1e-6), hours


@pytest.mark.parametrize("later", range(0, 900, 60))
def test_a_hub_that_is_back_is_given_the_time_to_hear_a_tag(later: float) -> None:
    """Motion is heard at once, the tag five minutes later, whenever in its rhythm the hub comes back."""
    back = TEN + 3.0 * HOUR + later
    told, twin = followed(shared(), a_night()), followed(shared(), a_night())
    twin.observe(at(TEN + 1.0, "tag", "offline"))
    for seconds in (0.0, 60.0, 120.0, 180.0, 240.0):
        for tracker in (told, twin):
            tracker.observe(at(back + seconds, "spare_motion", "detected"))
            tracker.observe(at(back + seconds + 11.0, "spare_motion", "clear"))
    assert away(told, back + 300.0) == pytest.approx(away(twin, back + 300.0), rel=0, abs=0.02)


def test_a_tag_that_only_speaks_when_it_is_moved_sends_no_sleeper_away() -> None:
    """Woken by being moved it speaks every minute or so, and hardly at night, while the other one walks about."""
    rng = np.random.default_rng(5)
    plan, reports, asleep = shared(), [], []
    for day in range(4):
        noon = day * 24.0 * HOUR
        up = [("bed", noon - 5.0 * HOUR, noon - 4.9 * HOUR), ("kitchen", noon - 4.9 * HOUR, noon + 11.0 * HOUR)]
        for room, begin, end in [*up, ("bed", noon + 11.0 * HOUR, noon + 11.3 * HOUR)]:
            if begin < 0.0:
                continue
            seconds = begin
            while seconds < end:
                reports.append((seconds, "tag", room))
                seconds += 60.0 if rng.random() < 0.9 else float(rng.exponential(1200.0))
            reports += [*stirring("hall", begin - 20.0, begin - 10.0, 30.0), *stirring(room, begin, end, 150.0)]
        turning = rng.uniform(noon + 11.5 * HOUR, noon + 19.0 * HOUR, 3)
        reports += [(float(seconds), "tag", "bed") for seconds in turning]
        for seconds in turning:
            reports += stirring("bed", float(seconds), float(seconds) + 1.0, 10.0)
        reports += stirring("spare", noon, noon + 24.0 * HOUR, 900.0)
        asleep.append((noon + 12.0 * HOUR, noon + 18.5 * HOUR))
    tracker = Tracker(plan)
    for report in sorted(r for r in reports if r[0] >= 0.0):
        tracker.observe(at(*report))
        if any(begin < report[0] < end for begin, end in asleep):
            assert tracker.belief.people["P1"]["away"] < 0.1, report


def test_a_tag_whose_battery_is_flat_does_not_send_its_owner_away_for_good() -> None:
    """It fell silent at ten; its owner cooks and reads on alone, seen every few minutes."""
    plan = home(
        {"P1": {"bed": "bed", "awake": ["07:00", "22:30"]}},
        rooms={"bed": {"rest": True}, "spare": {}, "hall": {}, "kitchen": {}},
        doors=doors(arch="bed hall", spare_door="spare hall", kitchen_door="hall kitchen", front="hall away"),
        tag={"kind": "badge", "person": "P1"},
        **motions("bed", "spare", "hall", "kitchen"),
    )
    night = [report for report in a_night() if report[1] != "spare_motion"]
    tracker = followed(plan, night)
    for report in sorted(stirring("kitchen", TEN, TEN + 10.0 * HOUR, 400.0)):
        tracker.observe(at(*report))
        if report[2] == "detected":
            assert tracker.belief.people["P1"]["away"] < 0.1, report


def test_a_tag_in_a_hub_that_says_away_is_not_missed() -> None:
    """Its hub would say so: the same night, but for one outing the day before."""
    tracker = followed(shared(), [(-2.0 * HOUR, "tag", "away"), *a_night()])
    assert ("unheard", "tag") not in {note[1:] for note in tracker._known().due}


def test_the_record_of_a_tag_is_bounded_and_kept_in_a_pickle() -> None:
    tracker = followed(shared(), a_night(every=60.0))
    assert len(tracker._known().gaps["tag"]) == GAPS
    again = pickle.loads(pickle.dumps(tracker))
    for hours in (0.2, 1.0):
        assert away(again, TEN + hours * HOUR) == away(tracker, TEN + hours * HOUR)


def test_a_tag_that_repeats_itself_at_once_holds_nothing_up() -> None:
    """A hub that hands on every message twice, with the same time: of a gap of no seconds nothing follows at once."""
    reports = [report for report in heard("bed", 11.0 * HOUR, MORNING, 300.0) for _ in range(2)]
    tracker = followed(shared(), [*reports, *[(MORNING, "tag", "bed")] * 80])
    assert away(tracker, MORNING + HOUR) < 0.9


@pytest.mark.parametrize("lost", [0.0, 0.1, 0.2])
def test_a_tag_that_speaks_by_a_clock_has_a_rhythm_though_some_reports_are_lost(lost: float) -> None:
    rng = np.random.default_rng(1)
    times = np.cumsum(300.0 * rng.lognormal(0.0, 0.2, 2000))
    gaps = np.diff(times[rng.random(2000) >= lost])
    found = [longest_usual(tuple(gaps[n : n + GAPS])) for n in range(0, len(gaps) - GAPS, GAPS)]
    assert np.mean([usual is not None for usual in found]) > 0.9
    usual = [u for u in found if u is not None]
    assert np.mean(gaps > 2.0 * np.median(usual)) < 0.01


def test_what_is_moved_at_random_has_no_rhythm() -> None:
    """Gaps of a Poisson process, and of Pareto's law: of hundreds of records hardly one passes for a clock."""
    rng = np.random.default_rng(2)
    for gaps in (rng.exponential(300.0, (400, GAPS)), 60.0 * (1.0 + rng.pareto(1.2, (400, GAPS)))):
        assert np.mean([longest_usual(tuple(row)) is not None for row in gaps]) < 0.05


def test_an_evening_of_steady_reports_and_a_silent_night_are_no_rhythm() -> None:
    assert longest_usual((60.0,) * 60) == 60.0
    assert longest_usual((*(60.0,) * 60, 8.0 * HOUR)) is None
    assert longest_usual((300.0,) * 19) is None
