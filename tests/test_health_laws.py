"""The mathematics of sick sensors against sums written out, other libraries and logs drawn from the model itself."""

from __future__ import annotations

import math
import re
from datetime import timedelta
from itertools import pairwise, product

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import settings as effort
from hypothesis import strategies as st
from scipy import stats

from benchmarks.clairvoyant import chances, log_odds
from benchmarks.exact.drawing import draw_life
from presence import Floorplan
from presence.health.chances import ChanceMeter, locks_beside, ways_past
from presence.health.chatter import ChatterWatch
from presence.health.contacts import ContactWatch
from presence.health.findings import NAMED
from presence.health.odds import FAILURE_RATE, ChangeOdds, probability
from presence.health.step import Step
from presence.health.tails import ENOUGH, STEPS, GapTails
from presence.health.timing import CLOSE, TimingWatch, best_lag, coincidences, exchange_gains, rooms_apart
from presence.health.timing import LAGS as TRIED
from presence.health.wear import FADED, LEAST_SHARE, REPEATS, WearWatch
from presence.inference import Engine
from presence.settings import Settings
from presence.times import duration
from presence.truth import TruthLine
from tests.oracle import NOON, at, contact, home, motion

NOTHING = np.zeros(0)


# --- chatter ----------------------------------------------------------------------------------------------------------
def chatter_by_hand(log: list[tuple[float, str, str]], start: float) -> list[set[str]]:
    """Who is suspect after each report of a contact and a motion sensor next door: two buckets, filled and drained.

    A report is worth 1, a fifth within two minutes of the other's; the motion sensor's at most its share of three
    minutes. Each drains at three times what is usual in the hour and those beside it, but half a report an hour.
    Suspect is who comes beyond 8, and beyond all that was there before the bucket was last empty.
    """
    level, latest = {"front": 0.0, "bed": 0.0}, {"front": -math.inf, "bed": -math.inf}
    filled, peak, record = {name: [0.5] * 24 for name in level}, dict(level), dict.fromkeys(level, 8.0)
    watched, hour, now, found = [3600.0] * 24, int(start // 3600), start, []

    def drain(name: str) -> float:
        beside = [(hour + k) % 24 for k in (-1, 0, 1)]
        usual = sum(filled[name][h] for h in beside) / sum(watched[h] for h in beside)
        return max(3.0 * usual, 0.5 / 3600.0)

    drains = {name: drain(name) for name in level}
    for time, name, value in log:
        watched[hour % 24] += time - now
        level = {each: max(0.0, level[each] - drains[each] * (time - now)) for each in level}
        now = time
        for each in (each for each in level if level[each] == 0.0):
            record[each], peak[each] = max(record[each], peak[each]), 0.0
        if int(time // 3600) != hour:
            hour = int(time // 3600)
            for each in level:
                filled[each][hour % 24] *= math.exp(-1 / 14)
            watched[hour % 24] *= math.exp(-1 / 14)
            drains = {each: drain(each) for each in level}
        if value in ("open", "detected"):
            other = "bed" if name == "front" else "front"
            worth = 0.2 if time - latest[other] < 120.0 else 1.0
            worth *= min(1.0, (time - latest[name]) / 180.0) if name == "bed" else 1.0
            latest[name], level[name] = time, level[name] + worth
            peak[name] = max(peak[name], level[name])
            filled[name][hour % 24] += worth
        found.append({each for each in level if level[each] > record[each]})
    return found


def test_reports_fill_a_bucket_that_drains_at_the_usual_rate_of_the_hour() -> None:
    plan = home(1, front=contact("front"), bed=motion("bed", 5.0))
    draws, start = np.random.default_rng(5), NOON.timestamp()
    times = start + np.cumsum(draws.choice([20.0, 60.0, 119.0, 121.0, 170.0, 190.0, 400.0], size=1500))  # two days
    log = []
    for time, chance in zip(times.tolist(), draws.random(len(times)), strict=True):
        name = ("front", "bed")[int(time // 5000) % 2 if chance < 0.95 else int(1000 * chance) % 2]  # bursts of each
        log.append((time, name, {"front": "open", "bed": ("detected", "clear")[int(chance < 0.2)]}[name]))
    watch, told = ChatterWatch(plan, start), []
    for time, name, value in log:
        watch.take(Step(time, NOTHING, NOTHING, name, value))
        told.append({list(plan.sensors)[n] for n in watch.suspects})
    assert told == chatter_by_hand(log, start)
    assert {frozenset(each) for each in told} >= {frozenset(), frozenset({"front"}), frozenset({"bed"})}


@pytest.mark.parametrize(("begin", "named"), [(2.2, False), (4.2, True)])
def test_who_goes_on_by_itself_is_named_since_it_began_once_three_days_have_shown_what_is_usual(
    begin: float, named: bool
) -> None:
    """Once a minute for fourteen hours, after five reports a day; its rate is that of the last six hours."""
    plan, start = home(1, front=contact("front"), hall_motion=motion("hall")), NOON.timestamp()
    usual = [start + 86400.0 * day + 3600.0 * hour for day in range(int(begin)) for hour in (1, 2, 3, 4, 4.5)]
    burst = [start + 86400.0 * begin + 60.0 * n for n in range(840)]
    watch, found = ChatterWatch(plan, start), []
    for time in sorted([*usual, *burst]):
        watch.take(Step(time, NOTHING, NOTHING, "front", "open"))
        watch.weigh(time)
        if watch.named and not found:
            found = [time, watch.named["front"]]
    assert bool(watch.named) == named == bool(found)
    if named:
        lasted, finding = found[0] - burst[0], found[1]
        assert finding.since.timestamp() == burst[0]
        an_hour = 60.0 * (1.0 - math.exp(-lasted / (6 * 3600.0)))
        told = re.search(
            r"about (\d+) times an hour.*: (\d+) reports more in (.*) than .*the most was (\d+)", finding.evidence
        )
        assert told is not None
        assert int(told[1]) == pytest.approx(an_hour, abs=1.0)
        assert int(told[2]) < lasted / 60.0
        assert told[3] == duration(lasted)
        assert int(told[4]) <= 5
        assert watch.rates()["front"] == pytest.approx((1.0 - math.exp(-14 / 6)) / 60.0, rel=0.02)
        assert watch.suspects == []  # who is named is no suspect any more
        assert watch.beside([0]) == [1]  # and it is the sensor in the hall that may be silent because of it
        late = burst[-1] + np.arange(0.0, 4 * 86400.0, 600.0)
        over = next(time for time in late.tolist() if watch.take(Step(time, NOTHING, NOTHING, "hall_motion", "clear")))
        held = 1.25 * int(told[2])  # of what it had when it was named, at half a report an hour or more
        assert 0.1 * 3600.0 < over - burst[-1] < (held + 2.0) / 0.5 * 3600.0


# --- chances ----------------------------------------------------------------------------------------------------------
def watched(people: int) -> Floorplan:
    return home(people, hall_motion=motion("hall", 20.0), bed_motion=motion("bed", 20.0), contact=contact("front"))


def steps_of(plan: Floorplan, hours: float, seed: int) -> tuple[np.ndarray, np.ndarray, float]:
    """Reports that could be expected of each sensor, what was expected, and the log-likelihood of all silences."""
    engine = Engine(plan, Settings(), 16)
    meter, names = ChanceMeter(engine.model), list(plan.sensors)
    events = draw_life(plan, hours * 3600.0, seed).events
    snapshot = engine.start(events[0].seconds)
    made, expected, lost = np.zeros(len(names)), np.zeros(len(names)), 0.0
    for event in events:
        while snapshot.seconds < event.seconds:  # in short steps: rates change while nothing is heard
            quiet, _ = engine.advance(snapshot, min(event.seconds, snapshot.seconds + 5.0))
            expected += meter.measure(snapshot, quiet, quiet, None).expected
            lost += snapshot.mixture.log_likelihood - quiet.mixture.log_likelihood
            snapshot = quiet
        telling = event.value in ("detected", "open") or (
            event.value == "closed" and ("open", "front") in snapshot.conditions
        )
        made[names.index(event.sensor)] += telling
        snapshot, _ = engine.observe(snapshot, event)
    return made, expected, lost


@pytest.mark.parametrize("people", [1, 2])
def test_a_healthy_sensor_makes_as_many_reports_as_it_owes(people: int) -> None:
    """Counts less compensators are martingales (Daley & Vere-Jones 2003, section 7.2) on logs drawn from the model."""
    made, expected, lost = steps_of(watched(people), 12.0 / people, 8)
    assert made.sum() > 100
    assert (np.abs(made - expected) < 4.0 * np.sqrt(expected) + 1.0).all(), (made, expected)
    assert expected.sum() == pytest.approx(lost, rel=0.02)  # the likelihood says exactly how much all together owed


@pytest.mark.parametrize(
    ("said", "sensor", "past"),
    [
        ([(0.0, "bed_motion", "detected"), (10.0, "bed_motion", "clear")], "hall_motion", "bed"),
        ([(0.0, "bed_motion", "detected")], "hall_motion", None),  # on still: it had nothing more to say
        ([(0.0, "hall_motion", "detected"), (10.0, "hall_motion", "clear")], "front_contact", "hall"),
    ],
)
@pytest.mark.parametrize("pets", [{}, {"cat": {}}])
def test_who_is_seen_elsewhere_has_passed_what_they_were_in_sight_of(
    said: list[tuple[float, str, str]], sensor: str, past: str | None, pets: dict[str, dict[str, str]]
) -> None:
    """As many people as the event takes out of a sensor's room, animals aside; of the one who spoke nothing is owed."""
    plan = home(1, pets=pets, hall_motion=motion("hall"), bed_motion=motion("bed"), front_contact=contact("front"))
    engine = Engine(plan, Settings(), None)
    meter, snapshot = ChanceMeter(engine.model), engine.start(NOON.timestamp())
    for event in (at(*line) for line in said):
        snapshot, _ = engine.advance(snapshot, event.seconds)
        snapshot, _ = engine.observe(snapshot, event)
    event = at(14.0, sensor, "detected" if sensor == "hall_motion" else "open")
    quiet, _ = engine.advance(snapshot, event.seconds)
    after, _ = engine.observe(quiet, event)
    was, told = (engine.belief(known).people["P1"] for known in (quiet, after))
    left = {room: max(0.0, was[room] - told[room]) for room in was}
    expected = {"hall_motion": left["hall"], "bed_motion": left["bed"] if past else 0.0, "front_contact": 0.0}
    expected |= {"front_contact": left["away"]} if sensor == "hall_motion" else {}  # else who leaves is told by it
    found = dict(zip(plan.sensors, meter.measure(snapshot, quiet, after, sensor).passed.tolist(), strict=True))
    assert found == pytest.approx(expected, rel=1e-9, abs=1e-12)
    assert past is None or left[past] > 0.1


def test_ways_lead_past_what_lies_between() -> None:
    rooms = {"hall": {}, "bed": {}, "den": {}}
    doors = {"front": ["hall", "away"], "inner": ["hall", "den"], "last": ["den", "bed"]}
    ends = {name: {"between": between} for name, between in doors.items()}
    sensors = {
        "h": motion("hall"),
        "d": motion("den"),
        "b": motion("bed"),
        "f": contact("front"),
        "i": contact("inner"),
    }
    plan = home(1, rooms=rooms, doors=ends, **sensors)
    order = ("hall", "bed", "den", "away")
    ways = ways_past(plan, order)
    past = {name: ways[order.index("away"), order.index("bed"), n] for n, name in enumerate(plan.sensors)}
    assert past == {"h": 1.0, "d": 1.0, "b": 0.0, "f": 1.0, "i": 1.0}
    back = {name: ways[order.index("bed"), order.index("den"), n] for n, name in enumerate(plan.sensors)}
    assert back == {"h": 0.0, "d": 0.0, "b": 1.0, "f": 0.0, "i": 0.0}  # whoever leaves a room was in its sight


def test_a_lock_tells_of_its_contact_only() -> None:
    plan = home(1, h=motion("hall"), f=contact("front"), o=contact("back"), l={"kind": "lock", "door": "front"})
    beside = locks_beside(plan)
    names = list(plan.sensors)
    assert beside[names.index("l"), names.index("f")] == 0.5
    assert beside.sum() == 0.5


# --- tails and odds ---------------------------------------------------------------------------------------------------
def test_few_gaps_give_the_heavy_tail_of_their_gamma_posterior() -> None:
    """Exponential excesses with a Gamma posterior on the rate have a Lomax tail: scipy's, with k of n above."""
    tails = GapTails(1, 1.0, 4.0)
    for gap in (0.5, 0.2, 3.0, 6.0, 1.5):
        tails.learn(0, gap)
    above, gaps, excess = 2.0 + 3.0, 4.0 + 5.0, 2.0 * 4.0 + 2.0 + 5.0 + 0.5
    for gap in (2.0, 10.0, 80.0):
        expected = math.log(above / gaps) + stats.lomax(above, scale=excess).logsf(gap - 1.0)
        assert tails.log_survival(np.array([gap]))[0] == pytest.approx(expected, rel=1e-12)
    assert tails.log_survival(np.array([0.9]))[0] == 0.0


@given(st.lists(st.integers(0, 40), max_size=90), st.integers(1, 300))
@example([3] * (ENOUGH - 2), 30)  # with the two supposed just enough above 2, and 18 of 20 at 3
@example([3] * (ENOUGH - 3), 30)
@example([30] * ENOUGH, 3)
@effort(deadline=None, max_examples=80)
def test_the_tail_begins_at_the_highest_threshold_below_that_enough_gaps_exceed(gaps: list[int], gap: int) -> None:
    """The law of the module's head, counted out: thresholds 1, 2, 4, ..., two gaps supposed above each of them."""
    tails = GapTails(1, 1.0, 4.0)
    for each in gaps:
        tails.learn(0, float(each))
    ladder = [2.0**step for step in range(STEPS) if 2.0**step < gap]
    usable = [u for u in ladder if 2 + sum(each > u for each in gaps) >= ENOUGH] or ladder[:1]
    expected = 0.0
    if ladder:
        beyond = [each - usable[-1] for each in gaps if each > usable[-1]]
        k, t = 2.0 + len(beyond), 2.0 * max(4.0, usable[-1]) + sum(beyond)
        expected = math.log(min(1.0, k / (4.0 + len(gaps)))) + stats.lomax(k, scale=t).logsf(gap - usable[-1])
    assert tails.log_survival(np.array([float(gap)]))[0] == pytest.approx(expected, rel=1e-9)
    assert tails.longest[0] == max(gaps, default=0)


def test_many_gaps_give_their_own_tail_whatever_their_short_ones() -> None:
    """Nine in ten gaps are short; far out the law is that of the long ones alone."""
    rng = np.random.default_rng(3)
    tails = GapTails(1, 1.0, 4.0)
    for _ in range(4000):
        tails.learn(0, rng.exponential(8.0) if rng.random() < 0.1 else rng.exponential(0.4))
    true = math.log(0.1) - 100.0 / 8.0
    assert tails.log_survival(np.array([100.0]))[0] == pytest.approx(true, abs=2.5)


@given(st.lists(st.floats(0.0, 500.0), max_size=80), st.floats(0.0, 400.0), st.floats(1.0, 300.0))
@effort(deadline=None, max_examples=60)
def test_no_gap_is_impossible_and_longer_ones_are_rarer(gaps: list[float], gap: float, more: float) -> None:
    tails = GapTails(1, 1.0, 4.0)
    for each in gaps:
        tails.learn(0, each)
    here, there = (float(tails.log_survival(np.array([x]))[0]) for x in (gap, gap + more))
    assert -np.inf < there <= 0.0
    same_law = len(gaps) < ENOUGH  # with more, a longer gap may be read from a higher threshold
    assert there <= here + 1e-12 or not same_law


def test_odds_of_a_change_are_the_sum_over_all_times_of_it() -> None:
    """Bayes' rule written out: dead since any earlier minute, against alive and silent all the time."""
    odds = ChangeOdds(1, 0.0, 1.0, 4.0)
    reaches = np.cumsum(np.random.default_rng(1).exponential(0.5, 400))
    for minute, reach in enumerate(reaches, start=1):
        odds.reach[0] = reach
        odds.weigh(60.0 * minute)
    survival = np.exp([odds.tails.log_survival(np.array([reach]))[0] for reach in reaches])
    died = sum(FAILURE_RATE * 60.0 * s for s in survival)  # alive until then, silent by death ever since
    assert odds.log_odds[0] == pytest.approx(math.log(died / survival[-1]), rel=1e-9)
    odds.end(0, float(reaches[-1]))
    assert odds.log_odds[0] == -np.inf
    assert odds.tails.longest[0] == reaches[-1]


def test_probabilities_are_never_quite_sure() -> None:
    assert probability(0.0) == 0.5
    assert 0.0 < probability(-np.inf) < 1e-5
    assert 1.0 - 1e-5 < probability(1e9) < 1.0
    assert probability(NAMED) > 0.99


# --- repeats ----------------------------------------------------------------------------------------------------------
def test_repeats_are_weighed_by_bayes_rule_over_all_times_of_a_change() -> None:
    plan = home(1, h=motion("hall"))
    watch = WearWatch(plan, 0.0)
    rng = np.random.default_rng(5)
    values = ["clear", "detected"]
    log = [values[0]]
    for _ in range(30):
        log.append(log[-1] if rng.random() < 0.1 else values[1 - values.index(log[-1])])
    repeats, reports, died = *REPEATS, 0.0
    log_lr = 0.0
    terms: list[float] = []  # of a change just before each report: its prior, and the evidence from then on
    for n, value in enumerate(log):
        watch.take(Step(60.0 * n, NOTHING, NOTHING, "h", value))
        again = n > 0 and log[n - 1] == value
        usual = max(LEAST_SHARE, repeats / reports)
        log_lr = math.log(FADED / usual) if again else math.log((1 - FADED) / (1 - usual))
        terms = [t + log_lr for t in [*terms, math.log(FAILURE_RATE * (60.0 if n else 1.0))]]
        died = float(np.logaddexp.reduce(terms))
        if died < 0.0:
            repeats, reports = repeats + again, reports + 1.0
    assert watch._log_odds["h"] == pytest.approx(died, rel=1e-9)


def fading_by_hand(said: list[str], gap: float) -> list[tuple[float, tuple[float, str] | None]]:
    """After each report: the odds that the share of repeats has risen, and since when and why a sensor is named.

    `odds <- (odds + h dt) likelihood ratio`, h once in two years; 12 % of a fading sensor's reports are repeats, of
    others as many as so far, .6 in 100 reports beforehand, but .4 %; beyond 5 % nobody can tell. Named from log odds of
    6 on until below 0, and no more than 12; learned from below 0, with weights that shrink by 1 in 2000 beyond so many.
    """
    odds, repeats, reports, run, named, told = 0.0, 0.6, 100.0, (0.0, 0, 0), None, []
    for n, value in enumerate(said):
        again, usual = n > 0 and said[n - 1] == value, max(0.004, repeats / reports)
        odds = (odds + (gap if n else 1.0) / (2 * 365 * 86400.0)) * (0.12 / usual if again else 0.88 / (1.0 - usual))
        odds = odds if usual < 0.05 else 0.0
        since, count, twice = run if odds >= math.exp(-4.0) and n else (n * gap, 0, 0)
        run = (since, count + 1, twice + again)
        if named is None and odds < 1.0:
            keep = 1.0 - 1.0 / 2000.0 if reports > 2000.0 else 1.0
            repeats, reports = keep * repeats + again, keep * reports + 1.0
        why = f"{run[2]} times in its last {run[1]} reports .* that happens once in {round(1.0 / usual)} reports"
        named = (named or (since, why)) if odds > math.exp(6.0) or (named and odds >= 1.0) else None
        odds = min(odds, math.exp(12.0))
        told.append((odds, named))
    return told


def spoken(rng: np.random.Generator, *shares: tuple[int, float]) -> list[str]:
    """On and off in turn, so many reports after each other with such a share of repeats."""
    again = np.concatenate([rng.random(count) < share for count, share in shares])
    return [("detected", "clear")[int(on)] for on in np.cumsum(~again) % 2]


@pytest.mark.parametrize(
    ("shares", "found"),
    [
        pytest.param([(400, 0.0), (150, 0.2), (400, 0.0)], {False, True}, id="has a new battery"),
        pytest.param([(2600, 0.02), (300, 0.2), (300, 0.0)], {False, True}, id="after a year"),
        pytest.param([(300, 0.9), (150, 0.2)], {False}, id="repeats itself by nature"),
    ],
)
def test_who_loses_reports_is_named_as_long_as_they_get_lost(shares: list[tuple[int, float]], found: set[bool]) -> None:
    said, gap = spoken(np.random.default_rng(4), *shares), 300.0
    watch, by_hand, before = WearWatch(home(1, h=motion("hall")), 0.0), fading_by_hand(said, gap), None
    for n, (value, (odds, named)) in enumerate(zip(said, by_hand, strict=True)):
        over = watch.take(Step(gap * n, NOTHING, NOTHING, "h", value))
        assert np.exp(watch._log_odds["h"]) == pytest.approx(odds, rel=1e-9, abs=1e-300)
        assert [finding.kind for finding in over] == ["fading"] * (before is not None and named is None)
        assert list(watch.named) == ["h"] * (named is not None)
        if named is not None:
            assert watch.named["h"].since.timestamp() == named[0]
            assert re.match(named[1], watch.named["h"].evidence)
        before = named
    assert {named is not None for _, named in by_hand} == found
    assert before is None


def test_what_is_said_after_a_sensor_was_out_of_reach_is_no_repeat() -> None:
    """Whatever it said meanwhile was not to be heard; of every nine reports one would be a repeat."""
    watch = WearWatch(home(1, h=motion("hall")), 0.0)
    said = ["detected", "clear"] * 200 + (["detected", "clear"] * 4 + ["detected", "offline", "online"]) * 30
    for n, value in enumerate(said):
        watch.take(Step(60.0 * n, NOTHING, NOTHING, "h", value))
    assert watch.named == {}


# --- contacts that are the wrong way round ----------------------------------------------------------------------------
def turned_by_hand(told: list[tuple[float, str]]) -> list[tuple[float, str | None]]:
    """After each report of an outer door's contact: log odds that it is the wrong way round, and why it is named.

    One in a hundred is. Spells are log-normal, a median of 15 s open and an hour shut (scipy); none tells more than 2,
    no more than 12 are gathered; named from 6 on until below 0, by the middle ones of the last twenty.
    """
    odds, named, answers, spell, begun = math.log(1 / 99), None, [], "", 0.0
    lengths: dict[str, list[float]] = {"open": [], "closed": []}
    for now, value in told:
        if {spell, value} == {"open", "closed"}:
            as_open, as_shut = (stats.lognorm(2.5, scale=median).logpdf(now - begun) for median in (15.0, 3600.0))
            gain = as_shut - as_open if spell == "open" else as_open - as_shut
            odds = min(max(odds + min(max(gain, -2.0), 2.0), -12.0), 12.0)
            lengths[spell] = [*lengths[spell], now - begun][-20:]
            middle = {name: duration(sorted(spells)[len(spells) // 2]) for name, spells in lengths.items() if spells}
            why = f"open for {middle.get('open', 'no time')} and shut for {middle.get('closed', 'no time')} at a time"
            why += f" ({sum(map(len, lengths.values()))} spells"
            named = (named or why) if odds > 6.0 or (named and odds >= 0.0) else None
        if value != spell:
            spell, begun = value, now
        answers.append((odds, named))
    return answers


def test_spells_of_an_outer_door_are_weighed_both_ways_round() -> None:
    """Turned round, and set right again; now and then out of reach, or the report between two alike lost."""
    told, now, rng = [], NOON.timestamp(), np.random.default_rng(2)
    for n in range(220):
        value, wrong = ("open", "closed")[n % 2], 60 <= n < 130
        told += [(now, value), *([(now + 1.0, value)] if n % 7 == 0 else [])]
        now += 1.0 + rng.lognormal(math.log(3600.0 if (value == "open") == wrong else 15.0), 2.0)
        if n % 35 == 30:
            told += [(now, "offline"), (now + 600.0, "online")]
            now += 3600.0
    watch, before = ContactWatch(home(1, front=contact("front"), inner=contact("inner"))), None
    by_hand = turned_by_hand(told)
    for (seconds, value), (odds, why) in zip(told, by_hand, strict=True):
        over = watch.take(Step(seconds, NOTHING, NOTHING, "front", value))
        over += watch.take(Step(seconds, NOTHING, NOTHING, "inner", value))  # stands open or shut as people like
        assert watch._log_odds["front"] == pytest.approx(odds, rel=1e-9)
        assert [finding.kind for finding in over] == ["inverted"] * (before is not None and why is None)
        assert list(watch.named) == ["front"] * (why is not None)
        if why is not None:
            assert why in watch.named["front"].evidence
            assert watch.named["front"].since == NOON
        before = why
    assert {why is not None for _, why in by_hand} == {False, True}
    assert before is None
    assert {12.0, -12.0} <= {odds for odds, _ in by_hand}


# --- timing -----------------------------------------------------------------------------------------------------------
def test_coincidences_are_counted_as_by_hand() -> None:
    rng = np.random.default_rng(2)
    own, near, lags = (
        np.sort(rng.uniform(0, 5000, 60)),
        np.sort(rng.uniform(0, 5000, 40)),
        np.array([-300.0, 0.0, 70.0]),
    )
    by_hand = [np.mean([min(abs(t - lag - u) for u in near) < CLOSE for t in own]) for lag in lags]
    assert coincidences(own, near, lags) == pytest.approx(by_hand, rel=1e-12)


@pytest.mark.parametrize("off", [-3600.0, -120.0, 300.0, 1330.0, -2850.0, 5.75 * 3600, -9.5 * 3600])
def test_a_clock_that_is_off_fits_at_its_lag_alone(off: float) -> None:
    rng = np.random.default_rng(4)
    near = np.sort(rng.uniform(0, 7 * 86400.0, 600))
    own = np.sort(rng.choice(near, 120, replace=False) + rng.uniform(-8, 8, 120))
    right = best_lag(coincidences(own, near, TRIED), len(own))
    wrong = best_lag(coincidences(own + off, near, TRIED), len(own))
    assert right.log_odds < 0.0
    assert wrong.log_odds > NAMED
    assert wrong.seconds == pytest.approx(off, abs=10.0)


def test_odds_of_a_lag_are_those_of_bernoulli_trials() -> None:
    """Of 80 reports 60 coincide at one lag, 16 at any other: which of two lags has the higher rate, by scipy's law."""
    count, often, seldom = 80, 0.75, 0.2
    shares = np.where(TRIED == -120.0, often, seldom)
    likelihoods = [
        stats.bernoulli.logpmf([1] * hits + [0] * (count - hits), rate).sum()
        for hits, rate in ((60, often), (16, seldom), (60, seldom), (16, often))
    ]
    gain = sum(likelihoods[:2]) - sum(likelihoods[2:])  # at the lag the high rate and at zero the low one, or exchanged
    lag = best_lag(shares, count)
    others = int((np.abs(TRIED) >= 60.0).sum())
    assert (lag.seconds, lag.share, lag.at_zero) == (-120.0, often, seldom)
    assert lag.log_odds == pytest.approx(gain / 2.0 + math.log(0.001 / others), rel=1e-9)


def in_a_row(*kinds: str) -> Floorplan:
    """Rooms in a row that ends away, with one sensor of these kinds in each: m0, m1, ..."""
    rooms = {f"r{n}": {} for n in range(len(kinds))}
    doors = {f"d{n}": {"between": [a, b]} for n, (a, b) in enumerate(pairwise([*rooms, "away"]))}
    sensors = {f"m{n}": {**motion(f"r{n}"), "kind": kind} for n, kind in enumerate(kinds)}
    return home(1, rooms=rooms, doors=doors, **sensors)


def test_of_three_rooms_in_a_row_the_clock_in_the_middle_is_named_alone() -> None:
    """Those beside it fit their only neighbour as well, but each on half of its visits: without it they are right."""
    watch, rng = TimingWatch(in_a_row(*["motion"] * 3), 0.0), np.random.default_rng(9)
    walks = enumerate(np.sort(rng.uniform(0.0, 4.9 * 86400.0, 400)).tolist())
    told = sorted((t + late, f"m{n}") for k, t in walks for n, late in ((1, 1200.0), (0 if k % 2 else 2, 5.0)))
    for seconds, sensor in told:
        watch.take(Step(seconds, NOTHING, NOTHING, sensor, "detected"))
    assert {sensor: finding.kind for sensor, finding in watch.named.items()} == {"m1": "clock"}


def test_clocks_are_named_once_enough_is_known_and_no_more_when_they_have_been_right_for_a_week() -> None:
    """Twenty walks a day through six rooms, two clocks wrong for ten days; a cat sets m3 off when m5 is late.

    What is said was counted at the third look: how many visits of two days began beside a neighbour's report.
    """
    watch, rng = TimingWatch(in_a_row(*["motion"] * 6), 0.0), np.random.default_rng(8)
    named, over, heard = [], [], []
    for day in range(20):
        walks = 86400.0 * day + np.sort(rng.uniform(0.0, 86000.0, 20))
        wrong = {0: -200.0, 5: 300.0} if day < 10 else {}
        passed = [(t + 4.0 * n + wrong.get(n, 0.0), f"m{n}") for t in walks.tolist() for n in range(6)]
        again = [(seconds + 30.0, sensor) for seconds, sensor in passed if sensor == "m5"]  # still the same visit
        cat = [(t + 320.0, "m3") for t in walks.tolist()]
        told = sorted((*each, "detected") for each in [*passed, *again, *cat])
        told = sorted([*told, *((seconds + 150.0, sensor, "clear") for seconds, sensor, _ in told)])
        heard += told
        for seconds, sensor, value in told:
            over += [finding.sensor for finding in watch.take(Step(seconds, NOTHING, NOTHING, sensor, value))]
        named.append({sensor: finding.kind for sensor, finding in watch.named.items()})
        if day == 9:
            kept = watch.named["m5"]
    clocks = {"m0": "clock", "m5": "clock"}
    assert named[:2] == [{}, {}]  # a look at twenty visits, fewer than LEAST
    assert named[2:11] == [clocks] * 9
    assert named[17:] == [{}] * 3  # none of the wrong ones is looked at any more
    assert sorted(over) == ["m0", "m5"]
    looked = next(seconds for seconds, _, _ in heard if seconds >= 2 * 86400.0)
    on = {name: [t for t, sensor, value in heard if (sensor, value) == (name, "detected")] for name in ("m4", "m5")}
    begun = [t for before, t in pairwise([-math.inf, *on["m5"]]) if t - before > 120.0 and t < looked]
    beside = [sum(any(abs(t - lag - u) < 15.0 for u in on["m4"]) for t in begun) for lag in (300.0, 0.0)]
    then, now = (f"{100 * hits / len(begun):.0f} %" for hits in beside)
    told_lag = re.search(r"its clock is (\d+) s ahead: (.* %) of (\d+) visits .* instead of (.* %)", kept.evidence)
    assert told_lag is not None
    assert float(told_lag[1]) == pytest.approx(300.0, abs=CLOSE)
    assert (told_lag[2], int(told_lag[3]), told_lag[4]) == (then, len(begun), now)
    assert kept.since.timestamp() == pytest.approx(begun[0], abs=1e-5)


def test_exchanged_labels_gain_what_the_two_likelihoods_differ_by() -> None:
    """A chain of nine rooms whose neighbours follow each other; the labels of two are exchanged."""
    apart = rooms_apart(in_a_row(*["motion"] * 9))
    assert apart[0].tolist() == [0, 1, 2, 3, 3, 3, 3, 3, 3]
    rng = np.random.default_rng(6)
    pairs = rng.poisson(np.where(apart == 1, 90.0, np.where(apart == 2, 9.0, 1.0))).astype(float)
    pairs = np.triu(pairs, 1) + np.triu(pairs, 1).T
    right = exchange_gains(pairs, apart)
    assert right.max() <= 0.0
    order = [6, 1, 2, 3, 4, 5, 0, 7, 8]
    told = pairs[np.ix_(order, order)]
    gains = exchange_gains(told, apart)
    assert np.unravel_index(gains.argmax(), gains.shape) in ((0, 6), (6, 0))
    assert gains[0, 6] > 50.0


def by_multinomials(pairs: np.ndarray, apart: np.ndarray, place: list[int]) -> float:
    """Log-likelihood of who comes next to whom when the sensors hang in these places, but for what no place changes.

    Next to a report of i comes one of j in proportion to j's reports and how close it hangs. How close the home's own
    pairs tell by rooms apart, half a pair and one expected supposed at each; what is farther is no closer. A pair is
    told by both of its two.
    """
    n, total, rates = len(pairs), pairs.sum(axis=1), []
    for d in range(4):
        there = [(i, j) for i in range(n) for j in range(n) if apart[i, j] == d]
        chances = sum(total[i] * total[j] / total.sum() for i, j in there if i != j)
        rates.append((sum(pairs[i, j] for i, j in there) + 0.5) / (chances + 1.0))
    close, found = [max(rates[d:]) for d in range(4)], 0.0
    for i in range(n):
        others = [j for j in range(n) if j != i]
        weights = np.array([total[j] * close[apart[place[i], place[j]]] for j in others])
        found += stats.multinomial.logpmf(pairs[i, others], total[i], weights / weights.sum()) / 2.0
    return found


def test_exchanging_labels_gains_what_multinomial_laws_say() -> None:
    """Eight sensors at random, two of them in one room and one that hardly speaks; far pairs more often than near."""
    apart = np.minimum(np.abs(np.subtract.outer(places := [0, 0, 1, 2, 3, 4, 5, 6], places)), 3)
    drawn = np.triu(np.random.default_rng(7).poisson(np.where(apart == 2, 18.0, 10.0)), 1).astype(float)
    drawn[:, 7] = np.minimum(drawn[:, 7], 2.0)  # at most 14 pairs: of it nothing is said
    pairs, right = drawn + drawn.T, list(range(8))
    gains = exchange_gains(pairs, apart)
    for a, b in product(right, right):
        place = [{a: b, b: a}.get(n, n) for n in right]
        expected = by_multinomials(pairs, apart, place) - by_multinomials(pairs, apart, right) if 7 not in (a, b) else 0
        assert gains[a, b] == pytest.approx(expected, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(
    ("kinds", "named"),
    [
        (("motion", "motion"), True),
        (("occupancy", "occupancy"), True),
        (("motion", "occupancy"), False),  # who mounts them sees which is which
        (("switch", "switch"), False),  # pressed by who stands there, whoever else does
    ],
)
def test_who_is_heard_where_another_is_said_to_hang_is_named_with_what_is_heard_beside_it(
    kinds: tuple[str, str], named: bool
) -> None:
    """The labels of the second and the last of seven sensors in a row: two days of walks, or of three at once anywhere.

    Each stir is heard twice: a sensor's own reports are no pair.
    """
    plan = in_a_row("motion", kinds[0], *["motion"] * 4, kinds[1])
    watch, rng = TimingWatch(plan, 0.0), np.random.default_rng(3)
    on = {"motion": "detected", "occupancy": "occupied", "switch": "pressed"}
    swapped, told = {"m1": "m6", "m6": "m1"}, []
    for begin in np.sort(rng.uniform(0.0, 172000.0, 150)).tolist():
        first = int(rng.integers(0, 5))
        heard = [first, first + 1, first + 2] if rng.random() < 0.65 else rng.integers(0, 7, 3).tolist()
        told += [(begin + 5.0 * n + twice, f"m{m}") for n, m in enumerate(heard) for twice in (0.0, 1.0)]
    told = sorted((seconds, swapped.get(sensor, sensor)) for seconds, sensor in told)
    for seconds, sensor in [*told, (180000.0, "m0")]:
        watch.take(Step(seconds, NOTHING, NOTHING, sensor, on[plan.sensors[sensor].kind]))
    assert {sensor: finding.kind for sensor, finding in watch.named.items()} == (
        dict.fromkeys(swapped, "misplaced") if named else {}
    )
    if named:
        pairs = np.zeros((7, 7))
        for (before, one), (after, other) in pairwise(told):
            if after - before < 15.0 and one != other:
                pairs[int(one[1]), int(other[1])] += 1.0
                pairs[int(other[1]), int(one[1])] += 1.0
        apart = np.minimum(np.abs(np.subtract.outer(range(7), range(7))), 3)
        swap, right = [0, 6, 2, 3, 4, 5, 1], list(range(7))
        gain = by_multinomials(pairs, apart, swap) - by_multinomials(pairs, apart, right)
        assert watch.named["m1"].probability == pytest.approx(stats.logistic.cdf(gain / 2.0 + math.log(0.001)))
        assert "those of m5" in watch.named["m1"].evidence
        assert "where m6 is said to be" in watch.named["m1"].evidence


# --- the clairvoyant of the benchmark -------------------------------------------------------------------------------
def test_a_clairvoyant_knows_by_bayes_rule_from_the_chances_that_were_missed() -> None:
    """Two stays of which one was reported, and a passage; odds by the recursion written out."""
    rooms, doors = {"hall": {}, "bath": {}}, {"b": ["hall", "bath"], "front": ["hall", "away"]}
    ends = {name: {"between": between} for name, between in doors.items()}
    plan = home(1, rooms=rooms, doors=ends, bath=motion("bath"), b=contact("b"))
    moves = [(0.0, "hall"), (100.0, "bath"), (160.0, "hall"), (1000.0, "bath"), (1060.0, "hall")]
    truth = [TruthLine(NOON + timedelta(seconds=s), "P1", room) for s, room in moves]
    zero = NOON.timestamp()
    bath = chances(plan, truth, plan.sensors["bath"], [zero + 101.0])
    assert [(c.begin - zero, c.end - zero, c.spoke) for c in bath] == [(100.0, 160.0, True), (1000.0, 1060.0, False)]
    assert {c.share for c in bath} == {1.5 / 3.0}
    door = chances(plan, truth, plan.sensors["b"], [])
    assert [c.end - zero for c in door] == [100.0, 160.0, 1000.0, 1060.0]
    assert {c.share for c in door} == {0.5 / 5.0}
    told = log_odds(bath, zero + 500.0, zero)
    assert [seconds - zero for seconds, _ in told] == [1060.0]
    assert told[0][1] == pytest.approx(math.log(FAILURE_RATE * 900.0 / 0.5))  # watched anew from 160 s on
    odds = 0.0
    for seconds in (100.0, 60.0, 840.0, 60.0):
        odds = (odds + FAILURE_RATE * seconds) / 0.9
    assert log_odds(door, zero, zero)[-1][1] == pytest.approx(math.log(odds))
