"""Learning without labels: recovery of known rates, days kept apart, stop and resume, and what is said of bad input."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any
from unittest.mock import Mock

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from benchmarks.exact.drawing import draw_life
from presence import Event, EventError, Floorplan, InputError, Settings, Tracker, UnknownSensorError
from presence.habits import Hour
from presence.kept import this_version
from presence.learn import Effort, bench, fit
from presence.learn.certainty import standard_errors
from presence.learn.dials import dials_of, turned
from presence.learn.em import Rate, iterate, log_prior, rates_of, slopes, with_factors
from presence.learn.fit import choose, decide
from presence.learn.grid import room_emissions
from presence.learn.journal import FORMAT, VERSION, WRITER, Journal
from presence.learn.judge import Verdict, courses, foresee, judge
from presence.learn.later import look_ahead
from presence.learn.rates import Views
from presence.learn.recordings import OVERLAP, Stretch, cut, first_days, judged_longer, material, overlapping
from presence.learn.report import report_lines
from presence.learn.search import climb
from presence.learn.sensors import (
    measured_holds,
    phone_delays,
    phone_notes,
    phone_patience,
    sensor_notes,
    silent_sensors,
)
from presence.learn.statistics import count
from presence.learn.tables import fit_table, log_scores
from presence.learn.tape import Recorder
from presence.learned import apply, read_learned, rounded, write_learned
from presence.model import Model
from presence.simulate import simulate
from tests.oracle import NOON, at, contact, home, motion, time_at

Array = NDArray[np.float64]
FLAT = Floorplan.load(Path(__file__).parents[1] / "floorplans/one_room_flat.yaml")
QUICK = Effort(turns=2, fitting_days=1.0, judging_days=1.0, hypotheses=3, grid=False)
BEGIN = NOON.timestamp()
DAY = 86400.0


@pytest.fixture(scope="module")
def flat_log() -> list[Event]:
    return simulate(FLAT, days=2.3, seed=4).log


# --- recovery ---------------------------------------------------------------------------------------------------------
ALWAYS = {"P1": {"awake": ["00:00", "23:59"]}}
WATCHED = home(
    ALWAYS,
    hall_motion=motion("hall"),
    bed_motion=motion("bed"),
    front_contact=contact("front"),
    inner_contact=contact("inner"),
    back_contact=contact("back"),
)


def test_rates_that_are_wrong_by_up_to_four_times_come_back() -> None:
    """From a log drawn from the model: within 25 % for every rate with 200 expected events; EM never falls."""
    days = 2.5
    events = [e for e in draw_life(WATCHED, days * DAY, 2).events if e.seconds < BEGIN + days * DAY]
    random = np.random.default_rng(2)
    rates = rates_of(WATCHED, places=False)
    wrong = {}
    for rate in rates:
        sign = 1.0 if random.random() < 0.5 else -1.0
        wrong[rate] = math.log(4.0) * sign * random.uniform(0.5, 1.0)
    start = with_factors(Settings(door_pulled_shut_share=0.0, door_bounce_share=0.0), wrong)  # as lives are drawn
    tape = Recorder(WATCHED, start, 1).record(BEGIN, events, BEGIN + days * DAY)
    history = []
    for fitted in iterate(WATCHED, [tape], [0], rates, start):
        history.append(fitted)
        if len(history) == 17:
            break
    assert all(after.log_posterior >= before.log_posterior - 1e-6 for before, after in pairwise(history))
    well_known = {rate: math.exp(fitted.logs[rate] + wrong[rate]) for rate in rates if fitted.events[rate] >= 200}
    assert len(well_known) >= 6
    assert {str(rate): factor for rate, factor in well_known.items() if not 0.8 < factor < 1.25} == {}


def test_without_priors_the_likelihood_itself_never_falls_and_nothing_is_nan() -> None:
    """Also with a sensor that never fires, whose rates only the bounds hold."""
    plan = home(1, hall_motion=motion("hall"), bed_motion=motion("bed"), lamp={"kind": "switch", "room": "bed"})
    both = ((0.0, "detected"), (10.0, "clear"))
    events = [at(700.0 * n + d, "hall_motion", value) for n in range(12) for d, value in both]
    tape = Recorder(plan, Settings(), 1).record(BEGIN, events, BEGIN + 9000.0)
    history = []
    for fitted in iterate(plan, [tape], [0], rates_of(plan, places=True), Settings(), pseudo=0.0):
        history.append(fitted)
        if len(history) == 6:
            break
    likelihoods = [fitted.log_likelihood for fitted in history]
    assert all(after >= before - 1e-6 for before, after in pairwise(likelihoods))
    assert likelihoods[-1] > likelihoods[0] + 1.0
    assert all(math.isfinite(log) for log in fitted.logs.values())  # Settings refuses NaN, zero and shares of 1


def test_priors_are_pseudo_counts() -> None:
    """`n` events where `e` were expected and `a` pseudo-counts: the posterior is highest at (n + a) / (e + a)."""
    rate = Rate("rising_rate")
    factors = np.linspace(0.2, 5.0, 20001)
    for n, e in ((3.0, 12.0), (3000.0, 12000.0)):
        posterior = [n * math.log(f) - e * f + log_prior({rate: math.log(f)}, 1.0) for f in factors]
        best = float(factors[int(np.argmax(posterior))])
        assert best == pytest.approx((n + rate.pseudo) / (e + rate.pseudo), abs=1e-3)


def test_factors_multiply_and_shares_stay_shares() -> None:
    logs = {
        Rate("rising_rate"): 1.0,
        Rate("motion_rates", 2): -1.0,
        Rate("door_idle_share"): 9.0,
        Rate("rising_rate", where="hall"): 0.5,
    }
    settings = with_factors(Settings(), logs)
    usual = Settings()
    assert settings.rising_rate == pytest.approx(usual.rising_rate * math.e)
    assert settings.motion_rates[2] == pytest.approx(usual.motion_rates[2] / math.e)
    assert settings.motion_rates[:2] == usual.motion_rates[:2]
    assert 0.9 < settings.door_idle_share < 1.0
    assert settings.factors == {"rising_rate": {"hall": pytest.approx(math.exp(0.5))}}


def test_every_place_may_differ_in_every_rate_that_is_fitted_there(tmp_path: Path) -> None:
    """The file of what was learned, which refuses what cannot differ and what the plan has not, takes them all."""
    seated = home(
        1,
        hall_motion=motion("hall"),
        bed_motion=motion("bed"),
        mat={"kind": "pressure", "room": "bed"},
        front_contact=contact("front"),
    )
    zoned = home(1, west=motion("hall", at=[0, 0]), east=motion("hall", at=[3, 0]))
    for plan in (seated, zoned, FLAT):
        rates = rates_of(plan, places=True)
        settings = rounded(with_factors(Settings(), dict.fromkeys(rates, 0.3)))
        write_learned(tmp_path / "learned.json", plan, apply(plan, settings, {}, {}))
        assert read_learned(tmp_path / "learned.json", plan).settings == settings
        assert {sensor.id for sensor in plan.sensors.values() if sensor.kind == "motion"} == {
            place for name, places in settings.factors.items() if name.endswith("motion_rates") for place in places
        }


@pytest.mark.parametrize("positions", [[[0, 0], [3, 0]], [None, None]])
def test_what_is_fitted_in_a_place_changes_how_people_move_or_are_seen_there(positions: Any) -> None:
    """Also where a room's motion sensors are no zones, for the plan does not say where each sits."""
    sensors = [motion("hall", **({"at": p} if p else {})) for p in positions]
    plan = home(1, west=sensors[0], east=sensors[1], bed_motion=motion("bed"))

    def rates(settings: Settings) -> list[Array]:
        sight, flows, leaving = Views(Model(plan, settings)).at((Hour(),))
        return [sight.weights, flows, leaving]

    usual = rates(Settings())
    fitted = [rate for rate in rates_of(plan, places=True) if rate.where or rate.setting.startswith("zone_")]
    same = [str(r) for r in fitted if all(map(np.array_equal, rates(with_factors(Settings(), {r: 0.3})), usual))]
    assert same == []
    assert {rate.where for rate in fitted if "rising" in rate.setting and rate.where} == {"hall", "bed"}


def test_standard_errors_are_those_of_the_likelihoods_curvature() -> None:
    """Against the second derivatives of the log posterior, by differences of its gradient, on a log from the model.

    How long an outing lasts is seen only as one time away, whatever it is made of: less is known than events tell.
    """
    days, names = 1.0, ("pausing_rate", "errand_rate", "outing_rate", "return_rate")
    often = Settings(outer_door_rate=0.05, errand_rate=1 / 300, outing_rate=1 / 200, return_rate=1 / 900)
    events = [e for e in draw_life(WATCHED, days * DAY, 3, settings=often).events if e.seconds < BEGIN + days * DAY]
    tape = Recorder(WATCHED, often, 1).record(BEGIN, events, BEGIN + days * DAY)
    rates = [Rate(name) for name in names]
    errors = standard_errors(WATCHED, [tape], [0], often, dict.fromkeys(rates, 0.0))

    def gradient(point: dict[Rate, float]) -> Array:
        found = count(WATCHED, with_factors(often, point), [tape], [0])
        return slopes(WATCHED, found, often, point, 1.0).gradient

    step, flat = 0.1, dict.fromkeys(rates, 0.0)
    sides = [(gradient({**flat, rate: step}), gradient({**flat, rate: -step})) for rate in rates]
    curvature = np.array([(down - up) / (2.0 * step) for up, down in sides])
    expected = np.sqrt(np.diag(np.linalg.inv((curvature + curvature.T) / 2.0)))
    np.testing.assert_allclose([errors[rate] for rate in rates], expected, rtol=0.35, atol=0)
    events_of = slopes(WATCHED, count(WATCHED, often, [tape], [0]), often, flat, 1.0).events
    naive = 1.0 / np.sqrt(events_of + 4.0)
    assert errors[Rate("errand_rate")] > 2.0 * naive[1]


def test_of_several_people_no_iteration_lowers_the_likelihood_and_prior_either() -> None:
    """What others may have caused is a background rate: the likelihood is approximate, and EM on it as monotone."""
    plan = home(2, hall_motion=motion("hall"), bed_motion=motion("bed"), inner_contact=contact("inner"))
    events = [e for e in draw_life(plan, 14400.0, 6).events if e.seconds < BEGIN + 14400.0]
    rates = rates_of(plan, places=False)
    start = with_factors(Settings(), {rate: math.log(2.5) * (-1) ** n for n, rate in enumerate(rates)})
    tape = Recorder(plan, start, 4).record(BEGIN, events, BEGIN + 14400.0)
    history = []
    for fitted in iterate(plan, [tape], [0, 1], rates, start):
        history.append(fitted.log_posterior)
        if len(history) == 6:
            break
    assert all(after >= before - 1e-6 for before, after in pairwise(history))
    assert history[-1] > history[0] + 1.0


# --- the judge --------------------------------------------------------------------------------------------------------
def test_an_emission_table_is_found_again_and_never_certain() -> None:
    random = np.random.default_rng(1)
    truth = np.array([[0.9, 0.08, 0.02], [0.2, 0.7, 0.1]])
    sure = random.beta(0.5, 0.5, 6000)
    hidden = (random.random(6000) < sure).astype(int)  # the belief is calibrated
    seen = np.array([random.choice(3, p=truth[n]) for n in hidden])
    belief = np.stack([1.0 - sure, sure], axis=1)
    table = fit_table(belief, seen, np.ones((2, 3)))
    np.testing.assert_allclose(table, truth, rtol=0, atol=0.05)
    never = fit_table(belief, np.zeros(6000, dtype=np.intp), np.ones((2, 3)))
    assert ((never > 0) & (never < 1)).all()


@given(st.integers(0, 2**31))
def test_each_round_raises_the_posterior_of_a_table(seed: int) -> None:
    random = np.random.default_rng(seed)
    belief, seen = random.dirichlet(np.ones(3), 40), random.integers(0, 4, 40)
    pseudo = random.random((3, 4)) + 0.1

    def posterior(rounds: int) -> float:
        table = fit_table(belief, seen, pseudo, rounds)
        return float(log_scores(belief, seen, table).sum() + (pseudo * np.log(table)).sum())

    values = [posterior(rounds) for rounds in range(6)]
    assert all(after >= before - 1e-9 for before, after in pairwise(values))


def test_a_sharper_true_belief_scores_better() -> None:
    random = np.random.default_rng(3)
    hidden = random.integers(0, 2, 2000)
    seen = np.where(random.random(2000) < 0.8, hidden, 1 - hidden)
    scores = []
    for sure in (0.5, 0.7, 0.95):
        belief = np.where(np.eye(2)[hidden] > 0, sure, 1.0 - sure)
        scores.append(log_scores(belief, seen, fit_table(belief, seen, np.ones((2, 2)))).mean())
    assert scores[0] < scores[1] < scores[2]


def test_what_is_seen_later_by_hand() -> None:
    plan = home(
        2,
        hall_motion=motion("hall", hold=30.0),
        bed_motion=motion("bed", hold=30.0),
        mat={"kind": "pressure", "room": "bed"},
    )
    events = [
        at(200.0, "hall_motion", "detected"),  # active until its last movement, 30 s before it clears
        at(290.0, "hall_motion", "clear"),
        at(250.0, "bed_motion", "detected"),
        at(280.0, "bed_motion", "clear"),
        at(1000.0, "mat", "pressed"),
        at(1500.0, "mat", "released"),
    ]
    events.sort(key=lambda event: event.seconds)
    grid = BEGIN + np.array([0.0, 100.0, 600.0, 800.0])
    later = look_ahead(plan, events, grid)
    assert later.most.tolist() == [2, 2, 1, 1]  # hall and bedroom at 250 s; then the mat alone
    assert later.before.tolist() == [0, 0, 2, 2]  # at 600 s, 380 s ago is within reach; at 100 s nothing was yet
    by_turns = look_ahead(plan, events, BEGIN + np.array([360.0, 380.0, 2160.0, 2190.0, 3410.0, 3420.0]))
    assert by_turns.before.tolist() == [1, 2, 2, 1, 1, 0]  # 2 to 32 min after 200-260, 250 and 1000-1500 s
    assert later.rooms == ("hall", "bed")
    assert later.seen.tolist() == [[1, 1], [1, 1], [0, 0], [0, 1]]


def test_a_home_of_nothing_but_doors_is_judged_on_no_room() -> None:
    plan = home(1, inner_contact=contact("inner"), front_contact=contact("front"))
    said = [
        at(3600.0 * n + s, f"{door}_contact", value)
        for n in range(9)
        for s, value in ((0.0, "open"), (4.0, "closed"))
        for door in ("inner", "front")
    ]
    stretch = Stretch(NOON.timestamp(), said[-1].seconds, tuple(sorted(said, key=lambda event: event.seconds)))
    (course,) = courses(plan, [stretch])
    assert course.later.seen.shape == (len(course.later.grid), 0)
    verdict = judge(list(foresee(plan, Settings(), course, 4)))
    assert verdict.rooms == 0.0
    assert math.isfinite(verdict.number)
    assert math.isfinite(verdict.log_likelihood)
    assert sensor_notes(plan, [stretch]) == [
        "no sensor stands in a room: nothing that is seen later tells how well rooms are told"
    ]


def verdict(number: Sequence[float], rooms: Sequence[float], log_likelihood: float = 0.0) -> Verdict:
    blocks = np.array([number, rooms]).T * 100.0
    total = float(blocks.sum()) / (100.0 * len(number))
    return Verdict(total, float(np.mean(number)), float(np.mean(rooms)), log_likelihood, blocks, 100 * len(number))


FLAT_LINE = [-1.0, -1.0, -1.0, -1.0]
BETTER, WORSE = [-0.9, -0.8, -0.9, -0.8], [-1.1, -1.2, -1.1, -1.2]
SLIGHTLY_WORSE = [-1.2, -0.85, -1.15, -0.85]
"""By .0125, where a standard error is .1."""


@pytest.mark.parametrize(
    ("candidate", "chosen"),
    [
        (verdict([-1.0, -1.0, -1.0, -1.0], [-1.9, -1.9, -1.9, -1.9], 50.0), "other"),
        (verdict([-1.0, -1.0, -1.0, -1.0], [-1.9, -1.9, -1.9, -1.9], -50.0), "defaults"),  # less likely
        (verdict([-1.0, -1.0, -1.0, -1.0], [-2.1, -2.1, -2.1, -2.1], 50.0), "defaults"),  # likelihood alone
        (verdict([-0.5, -0.5, -0.5, -0.5], [-2.1, -2.1, -2.1, -2.1], 50.0), "defaults"),  # rooms pay for the number
        (verdict([-1.1, -1.1, -1.1, -1.1], [-1.9, -1.9, -1.9, -1.9], 50.0), "defaults"),  # the number pays for rooms
    ],
)
def test_only_what_every_witness_prefers_is_chosen(candidate: Verdict, chosen: str) -> None:
    usual = verdict([-1.0, -1.0, -1.0, -1.0], [-2.0, -2.0, -2.0, -2.0])
    assert choose({"defaults": usual, "other": candidate}) == chosen


@pytest.mark.parametrize(
    ("candidate", "chosen"),
    [
        (verdict(FLAT_LINE, FLAT_LINE, 5.0), "first step"),  # likelihood alone will do
        (verdict(FLAT_LINE, SLIGHTLY_WORSE, 5.0), "first step"),  # nobody surely objects
        (verdict(FLAT_LINE, FLAT_LINE, -5.0), "defaults"),  # less likely later
        (verdict(FLAT_LINE, WORSE, 5.0), "defaults"),  # rooms surely worse: .15 with a standard error of .03
        (verdict(WORSE, BETTER, 5.0), "defaults"),  # the number pays for rooms
    ],
)
def test_the_first_step_is_taken_unless_a_witness_surely_objects(candidate: Verdict, chosen: str) -> None:
    usual = verdict(FLAT_LINE, FLAT_LINE)
    assert decide({"defaults": usual, "first step": candidate}) == chosen
    assert decide({"defaults": usual, "first step": candidate}, sessions=True) == "defaults"  # an hour cannot object
    other = "defaults" if chosen == "first step" and candidate.rooms <= usual.rooms else chosen
    assert decide({"defaults": usual, "rates": candidate}) == other  # any other must surely help
    helps = verdict(FLAT_LINE, BETTER, 9.0)
    assert decide({"defaults": usual, "first step": candidate, "rates": helps}) == "rates"


# --- search -----------------------------------------------------------------------------------------------------------
def test_the_search_climbs_a_hill_within_its_bounds_and_turns() -> None:
    asked = []

    def hill(point: tuple[float, ...], beat: float) -> float:
        asked.append(point)
        return -sum((x - target) ** 2 for x, target in zip(point, (1.0, -0.5, 9.0), strict=True))

    best, value = climb(hill, (0.0, 0.0, 0.0), steps=(1.0, 0.5, 0.25), bound=2.0, most=200)
    assert best == (1.0, -0.5, 2.0)
    assert value == pytest.approx(-49.0)
    assert len(asked) == len(set(asked)) <= 200
    asked.clear()
    climb(hill, (0.0, 0.0, 0.0), steps=(1.0,), bound=2.0, most=4)
    assert len(asked) == 4


@pytest.mark.parametrize("seed", range(30, 40))
def test_the_search_asks_for_no_point_again_that_sums_of_its_turns_come_back_to(seed: int) -> None:
    """Up and down by logarithms of factors: `a + b - a` is not always `b` to the last digit."""
    chance = np.random.default_rng(seed)
    size = int(chance.integers(1, 5))
    top, steepness = chance.normal(size=size), chance.normal(size=(size, size))
    asked: list[tuple[float, ...]] = []

    def hill(point: tuple[float, ...], beat: float) -> float:
        asked.append(point)
        return -float(((steepness @ (np.array(point) - top)) ** 2).sum())

    climb(hill, (0.0,) * size, steps=(math.log(2.5), math.log(1.5)), bound=3.0, most=200)
    assert len({tuple(np.round(point, 9).tolist()) for point in asked}) == len(asked)


def test_dials_turn_their_settings_and_no_others() -> None:
    usual = Settings()
    for dial in dials_of(Floorplan.load(Path(__file__).parents[1] / "floorplans/two_storey_garage.yaml")):
        settings = turned(usual, {dial: 1.5})
        touched = {name.partition(":")[0] for name in dial.settings}
        changed = {n for n in asdict(usual) if getattr(settings, n) != getattr(usual, n)}
        assert changed == touched, dial.name


def test_no_dial_is_of_sensors_that_were_never_heard() -> None:
    plan = Floorplan.load(Path(__file__).parents[1] / "floorplans/two_storey_garage.yaml")
    gone = set(dials_of(plan)) - set(dials_of(plan, {"living_switch", "study_occupancy"}))
    assert {dial.name for dial in gone} == {"switches", "presence_sensors"}


@pytest.mark.parametrize("residents", [1, 2])
def test_a_rate_is_turned_where_it_moves_anybody(residents: int) -> None:
    """One armchair and one bed report: who lives alone stirs soon elsewhere; of two, one may rest on beside them."""
    plan = Floorplan.load(Path(__file__).parents[1] / "floorplans/open_plan_bungalow.yaml")
    plan = replace(
        plan,
        people=dict(list(plan.people.items())[:residents]),
        sensors={n: s for n, s in plan.sensors.items() if s.person is None},
    )
    turns = {name for dial in dials_of(plan) for name in dial.settings}
    for rate in ("rising_rate", "unseated_rising_rate"):
        found = []
        for settings in (Settings(), replace(Settings(), **{rate: 2.0 * getattr(Settings(), rate)})):
            tracker = Tracker(plan, settings, hypotheses=4)
            tracker.observe(at(0.0, "entry_motion", "detected"))
            tracker.advance(time_at(1800.0))
            found.append(tracker.belief.rooms)
        assert (found[0] != pytest.approx(found[1], rel=0, abs=1e-9)) == (rate in turns), rate


# --- logs -------------------------------------------------------------------------------------------------------------
def every_hour(first: float, last: float) -> list[Event]:
    return [at(3600.0 * n, "hall_motion", ("detected", "clear")[n % 2]) for n in range(int(first), int(last))]


def test_a_weeks_hole_is_cut_out_and_said() -> None:
    given = material([every_hour(0, 72) + every_hour(72 + 168, 72 + 168 + 48)])
    assert [round(stretch.days, 1) for stretch in given.stretches] == [3.0, 2.0]
    assert any("7.0 days" in note for note in given.notes)


def test_days_are_shared_out_in_order_and_none_twice() -> None:
    given = material([every_hour(0, 240)])
    assert given.fitting[-1].end <= given.judging[0].begin
    times = [event.seconds for stretch in given.stretches for event in stretch.events]
    assert times == [event.seconds for event in every_hour(0, 240)]
    assert sum(s.days for s in given.fitting) == pytest.approx(0.6 * given.days, abs=0.2)
    assert sum(s.days for s in first_days(given.fitting, 2.0)) == pytest.approx(2.0, abs=0.2)
    before, after = cut(given.fitting[0], BEGIN + 7200.0)
    assert (len(before.events), before.end) == (2, after.begin)


@pytest.mark.parametrize(
    ("counted", "wanted", "fitted"),
    [
        (6.0, 6.0, 6.0),  # all that is fitted on is counted
        (3.0, 4.0, 6.0),  # the later days are enough
        (3.0, 6.0, 4.0),
        (5.0, 9.0, 5.0),
        (5.9, 9.0, 6.0),  # two hours judge nothing
    ],
)
def test_days_that_nothing_is_counted_on_judge(counted: float, wanted: float, fitted: float) -> None:
    """Ten days: six to fit on and four to judge on, unless fewer are counted and more are wanted."""
    given = material([every_hour(0, 100), every_hour(100 + 48, 240 + 48)])
    shared = judged_longer(given, counted, wanted)
    assert sum(s.days for s in shared.fitting) == pytest.approx(fitted, abs=0.2)
    assert shared.fitting[-1].end <= shared.judging[0].begin
    assert [e for s in shared.stretches for e in s.events] == [e for s in given.stretches for e in s.events]
    sessions = material([session(n) for n in range(5)])
    assert judged_longer(sessions, 0.0, 1.0) == sessions


def session(number: int, *, events: int = 120, minutes: float = 30.0) -> list[Event]:
    """A busy half hour, each three hours after the one before."""
    return [at(10800.0 * number + n * minutes * 60.0 / events, "hall_motion", "detected") for n in range(events)]


def test_short_busy_logs_are_shared_out_whole() -> None:
    given = material([session(n) for n in (3, 0, 4, 2, 1)])
    assert given.sessions
    assert given.notes == ()
    assert [s.begin for s in given.fitting] == [session(n)[0].seconds for n in (0, 1, 2)]
    assert [s.begin for s in given.judging] == [session(n)[0].seconds for n in (3, 4)]
    assert all(len(s.events) == 120 for s in given.stretches)


@pytest.mark.parametrize(
    ("logs", "kept", "note"),
    [
        ([*(session(n) for n in range(4)), session(4, events=99)], [0, 1, 2, 3], "1 stretch of less than 100 events"),
        ([session(n) for n in range(3)], [], "3 stretches of less than 4 h"),
        ([*(session(n) for n in range(5)), every_hour(24, 48)], [5], "5 stretches of less than 4 h"),
    ],
    ids=["quiet", "too few", "beside a long one"],
)
def test_what_is_left_out_among_short_logs_is_said(logs: list[list[Event]], kept: list[int], note: str) -> None:
    given = material(logs)
    assert given.sessions == (len(kept) == 4)
    assert [event for s in given.stretches for event in s.events] == [event for n in kept for event in logs[n]]
    assert any(note in told for told in given.notes)


def test_a_gain_that_may_be_chance_is_not_taken_from_sessions() -> None:
    """Blocks that gain 3, 1 and -1 instants' nats: 1 +- 1.15 a block, so less than two standard errors."""
    usual = Verdict(0.0, 0.0, 0.0, 0.0, np.zeros((3, 2)), 30)
    verdicts = {"defaults": usual, "rates": usual._replace(rooms=0.1, log_likelihood=9.0)}
    for gains, chosen in (((3.0, 1.0, -1.0), "defaults"), ((3.0, 1.0, 2.0), "rates")):
        verdicts["rates"] = verdicts["rates"]._replace(blocks=np.array([[0.0, x] for x in gains]))
        assert choose(verdicts) == "rates"
        assert choose(verdicts, 2.0) == chosen


@pytest.mark.parametrize("minutes", [4.0, 9.0])
def test_sessions_that_are_too_short_to_judge_by_leave_the_defaults_and_say_so(minutes: float) -> None:
    """The first six minutes are not judged, and what is seen later is looked for up to 3.2 minutes ahead."""
    learned = fit(WATCHED, [session(n, minutes=minutes) for n in range(4)], effort=QUICK)
    assert learned.settings == Settings()
    assert learned.report["notes"][0] == (
        "the logs are too short to judge anything by (more than 10 minutes each would be right): the defaults stay"
    )
    assert "Note: the logs are too short" in "\n".join(report_lines(learned.report, learned.settings, {}))


def test_one_block_of_time_has_no_standard_error_and_the_file_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of four sessions the last judges: 20 minutes of it, in one block, tell nothing of chance."""
    monkeypatch.setattr("presence.learn.proposals.ROUNDS", 1)
    logs = [session(n, minutes=minutes) for n, minutes in enumerate((20.0, 20.0, 20.0, 30.0))]
    learned = fit(WATCHED, logs, effort=replace(QUICK, turns=0))
    assert learned.report["candidates"]["rates"]["gain_rooms_error"] is None
    write_learned(tmp_path / "learned.json", WATCHED, learned)
    assert read_learned(tmp_path / "learned.json", WATCHED).report == learned.report
    assert [
        line for line in report_lines(learned.report, learned.settings, {}) if "rates  " in line and "unknown" in line
    ]


def test_sessions_teach_how_often_sensors_see_somebody() -> None:
    """Lives drawn from the model, sensors firing thrice as often: EM finds it, and later sessions confirm it."""
    spots = {"west": ("hall", 0), "east": ("hall", 1.5), "near": ("bed", 3), "far": ("bed", 4.5)}
    plan = home(1, **{name: motion(room, hold=1.0, at=[x, 0]) for name, (room, x) in spots.items()})
    rates = (1.2, 0.27, 0.015, 0.0006)
    truly = Settings(zone_motion_rates=rates, away_share=0.001, outer_door_rate=1e-6, dozing_rate=1e-7)
    starts = [NOON + timedelta(hours=3 * n) for n in range(4)]
    logs = [draw_life(plan, 1800.0, n, start=start, settings=truly).events for n, start in enumerate(starts)]
    learned = fit(plan, logs, effort=replace(QUICK, turns=0))
    found = learned.candidates["rates"].zone_motion_rates
    assert found[:2] == pytest.approx(rates[:2], rel=0.25, abs=0)  # asleep and settled are rare in half an hour
    assert learned.report["candidates"]["rates"]["log_likelihood_gain_per_day"] > 500.0
    first = learned.candidates["first step"]
    for told, usual, true in zip(first.zone_motion_rates[:2], Settings().zone_motion_rates, rates, strict=False):
        assert usual < told < 1.25 * true  # on the way, and not beyond
    assert replace(first, zone_motion_rates=Settings().zone_motion_rates, factors={}) == Settings()
    assert set(first.factors) <= {"zone_motion_rates"}
    assert learned.report["days_used"]["judge"] > 0.02


def test_silent_and_constant_sensors_are_named_and_holds_measured() -> None:
    plan = home(
        1, hall_motion=motion("hall", hold=10.0), bed_motion=motion("bed"), mat={"kind": "pressure", "room": "bed"}
    )
    events = [at(0.0, "mat", "pressed")]
    for n in range(40):
        events += [at(600.0 * n + 1, "hall_motion", "detected"), at(600.0 * n + 46 + n % 7, "hall_motion", "clear")]
    stretch = Stretch(BEGIN, BEGIN + 30000.0, tuple(events))
    notes = sensor_notes(plan, [stretch])
    assert any(note.startswith("bed_motion never reported") for note in notes)
    assert any(note.startswith("mat was on 100%") for note in notes)
    assert measured_holds(plan, [stretch]) == {"hall_motion": pytest.approx(45.0, abs=1.1)}
    assert measured_holds(learned_hold(plan), [stretch]) == {}


def test_what_says_on_again_and_again_and_never_off_is_not_called_stuck() -> None:
    """There are motion sensors that never say clear; a mat that is never released is another matter."""
    plan = home(1, hall_motion=motion("hall", hold=10.0), mat={"kind": "pressure", "room": "bed"})
    both = (("hall_motion", "detected"), ("mat", "pressed"))
    events = [at(600.0 * n, sensor, value) for n in range(40) for sensor, value in both]
    assert sensor_notes(plan, [Stretch(BEGIN, BEGIN + 24000.0, tuple(events))]) == [
        "hall_motion never said clear: each of its 40 reports is taken for movement just then",
        "mat was on 100% of the time: it may be stuck, and says little",
    ]


def test_a_link_that_is_lost_is_no_report() -> None:
    plan = home(1, hall_motion=motion("hall"), bed_motion=motion("bed"))
    events = [at(0.0, "bed_motion", "offline"), *(at(60.0 * n, "hall_motion", "detected") for n in range(1, 20))]
    stretch = Stretch(BEGIN, BEGIN + 3600.0, tuple(events))
    assert silent_sensors(plan, [stretch]) == {"bed_motion"}
    assert any(note.startswith("bed_motion never reported") for note in sensor_notes(plan, [stretch]))


def test_phones_are_as_late_as_the_log_shows() -> None:
    plan = home(
        1, front_contact=contact("front"), inner_contact=contact("inner"), phone={"kind": "phone", "person": "P1"}
    )
    events = [at(0.0, "phone", "home")]
    for n in range(20):
        out, back = 7200.0 * n + 100.0, 7200.0 * n + 4000.0
        events += [at(out, "front_contact", "open"), at(out + 60.0, "inner_contact", "open")]
        events += [at(out + 100.0 + n, "phone", "away"), at(out + 500.0, "phone", "away")]  # said again: no news
        events += [at(back, "front_contact", "open"), at(back + 20.0, "phone", "home")]
    events += [at(160000.0, "phone", "away")]  # by itself
    delays = phone_delays(plan, [Stretch(BEGIN, BEGIN + 170000.0, tuple(events))])
    assert delays == {"phone": {"away": [100.0 + n for n in range(20)], "home": [20.0] * 20}}
    assert phone_notes(delays)[0] == "phone says away 110 s after the door (median of 20; nine in ten within 117 s)"
    assert phone_patience(delays) == pytest.approx(np.quantile([*range(100, 120), *[20] * 20], 0.95))
    assert phone_patience({"phone": {"away": [100.0] * 29}}) is None
    assert phone_patience({"phone": {"away": [1.0] * 30}}) == 60.0


def test_a_hold_that_the_plan_does_not_say_is_told_as_measured() -> None:
    report: dict[str, Any] = {
        "log": {"days": 10, "events": 100, "from": "-", "to": "-"},
        "candidates": {},
        "notes": [],
        "chosen": "defaults",
        "planned_holds": {"hall_motion": None, "bed_motion": 30.0},
    }
    lines = list(report_lines(report, Settings(), {"hall_motion": 45.0, "bed_motion": 60.0}))
    assert "  hall_motion holds 45 s, as measured" in lines
    assert "  bed_motion holds 60 s, as measured; the plan says 30 s" in lines


def test_what_is_known_too_little_is_listed_in_lines_that_a_terminal_shows_whole() -> None:
    few = {f"rising_rate at back-bedroom_{k}": 3.0 for k in range(30)}
    vague = {f"motion_rates, pace_{k}": 1.4 for k in range(30)}
    report: dict[str, Any] = {"log": {"events": 0}, "candidates": {}, "notes": [], "chosen": "defaults"}
    report |= {"expected_events": few, "known_to": vague}
    factors = {"settling_rate": {f"room {k}": 1.2 for k in range(20)}}
    lines = list(report_lines(report, Settings(factors=factors), {}))
    assert max(map(len, lines)) <= 100
    told = [*few, *(f"{name} (1.40)" for name in vague), *(f"room {k} 1.20" for k in range(20))]
    for entry in told:
        assert any(f"{entry};" in f"{line};" for line in lines), entry


def learned_hold(plan: Floorplan) -> Floorplan:
    sensor = replace(plan.sensors["hall_motion"], hold=45.0)
    return replace(plan, sensors=plan.sensors | {"hall_motion": sensor})


def test_room_emissions_by_hand() -> None:
    plan = home(1, hall_motion=motion("hall", hold=10.0), bed_motion=motion("bed", hold=10.0))
    events = (at(70.0, "hall_motion", "detected"), at(80.0, "hall_motion", "clear"))
    emissions = room_emissions(plan, Stretch(BEGIN, BEGIN + 180.0, events), ["hall", "bed", "away"])
    inside, outside = 0.3, 0.003
    by_hand = [math.log(1 - inside) + math.log(1 - outside), math.log(inside) + math.log(1 - outside)]
    assert emissions[0, 0] == pytest.approx(by_hand[0])
    assert emissions[1, 0] == pytest.approx(by_hand[1])
    assert emissions[1, 1] == pytest.approx(math.log(outside) + math.log(1 - inside))
    assert emissions[1, 2] == pytest.approx(math.log(outside) + math.log(1 - outside))


def test_what_moved_on_few_events_is_not_said_to_have_stayed() -> None:
    """Two presses where forty were expected: the rate fell to a seventh, and is rough."""
    rate = Rate("switch_rates", 1)
    settings = with_factors(Settings(), {rate: math.log((2.0 + 4.0) / (40.0 + 4.0))})
    gains = ("score", "gain", "gain_number_at_home", "gain_rooms", "gain_rooms_error", "days_judged")
    verdicts = {n: {**dict.fromkeys(gains, 0.1), "log_likelihood_gain_per_day": 7.5} for n in ("defaults", "rates")}
    report: dict[str, Any] = {"log": {"events": 0}, "candidates": verdicts, "notes": [], "chosen": "rates"}
    report["expected_events"] = {str(rate): 2.0}
    told = "\n".join(report_lines(report, settings, {}))
    assert "0.14" in told
    assert f"fewer than 20 events tell of these, so they are rough: {rate}" in told
    assert "stay" not in told
    assert "Kept: rates. " in told
    assert "likelier (7.5 nats a day)" in told  # what it bought


# --- the whole --------------------------------------------------------------------------------------------------------
def test_too_little_data_leaves_the_defaults_and_says_so(flat_log: list[Event]) -> None:
    for log in ([], flat_log[:3], [e for e in flat_log if e.seconds < flat_log[0].seconds + 0.9 * DAY]):
        learned = fit(FLAT, [log], effort=QUICK)
        assert (learned.settings, learned.plan) == (Settings(), FLAT)
        assert "too few" in learned.report["notes"][0]
        assert "too few" in "\n".join(report_lines(learned.report, learned.settings, learned.holds))


def test_nothing_is_learned_about_sensors_that_were_never_heard(
    flat_log: list[Event], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither that the dead one speaks seldom, for which nobody would then call it dead, nor how a kettle is used."""
    heard = [event for event in flat_log if event.sensor not in ("bathroom_motion", "kettle")]
    monkeypatch.setattr("presence.learn.proposals.ROUNDS", 1)
    learned = fit(FLAT, [heard], effort=replace(QUICK, turns=0))
    assert {"rates and places", "first step"} <= set(learned.candidates)
    for name, settings in learned.candidates.items():
        assert settings.power_rates == Settings().power_rates, name
        for setting, places in settings.factors.items():
            assert not {"bathroom_motion", "bathroom"} & set(places), (name, setting)
    assert not [name for name in learned.report["expected_events"] if "bathroom_motion" in name or "power" in name]
    fitted = learned.candidates["rates and places"].factors
    assert fitted["motion_rates"].keys() == {"studio_motion"}


def test_nothing_is_learned_from_links_that_come_and_go() -> None:
    """Three days without one report: silence alone once made other rates likelier."""
    log = [
        at(3600.0 * n + d, "hall_motion", link) for n in range(80) for d, link in ((0.0, "offline"), (9.0, "online"))
    ]
    learned = fit(home(1, hall_motion=motion("hall")), [log], effort=QUICK)
    assert (learned.settings, learned.report["candidates"]) == (Settings(), {})
    assert learned.report["notes"][0].startswith("no sensor has reported anything")


def test_what_is_no_event_of_this_home_is_refused_by_name(flat_log: list[Event]) -> None:
    stranger = replace(flat_log[5], sensor="porch_motion")
    with pytest.raises(UnknownSensorError, match="porch_motion"):
        fit(FLAT, [[*flat_log[:5], stranger, *flat_log[5:]]], effort=QUICK)
    with pytest.raises(EventError, match=r"fit\(plan, \[log\]\)"):
        fit(FLAT, flat_log, effort=QUICK)  # type: ignore[arg-type]


def test_all_days_are_counted_where_that_is_asked_for(flat_log: list[Event], monkeypatch: pytest.MonkeyPatch) -> None:
    """As if a log were long: a quarter of a day is counted, or all that the later days leave."""
    for name in ("MOST_DAYS", "HABIT_PERSON_DAYS"):
        monkeypatch.setattr(f"presence.learn.proposals.{name}", 0.25)
    monkeypatch.setattr(sys.modules["presence.learn.fit"], "propose_all", lambda *_: ({"defaults": Settings()}, {}))
    few, whole = (fit(FLAT, [flat_log], effort=replace(QUICK, all_days=d)).report for d in (False, True))
    assert few["days_used"]["rates"] == few["days_used"]["habits"] == 0.25
    given = material([flat_log])
    days = pytest.approx(sum(stretch.days for stretch in given.fitting), abs=0.01)
    assert whole["days_used"]["rates"] == whole["days_used"]["habits"] == days


def test_nearly_enough_days_are_not_rounded_to_enough(flat_log: list[Event]) -> None:
    log = [event for event in flat_log if event.seconds < flat_log[0].seconds + 1.98 * DAY]
    assert fit(FLAT, [log], effort=QUICK).report["notes"][0].startswith("1.9")


def test_a_fit_stands_where_nobody_can_say_how_well_its_rates_are_known(
    flat_log: list[Event], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object) -> None:
        raise FloatingPointError("no slope")

    monkeypatch.setattr("presence.learn.proposals.standard_errors", fails)
    monkeypatch.setattr("presence.learn.proposals.ROUNDS", 1)
    report = fit(FLAT, [flat_log], effort=replace(QUICK, turns=0)).report
    assert {"rates", "rates and places"} <= set(report["candidates"])
    assert report["known_to"] == {}
    assert "rates: how well each rate is known could not be worked out (no slope)" in report["notes"]


def test_a_home_is_learned_the_same_after_a_stop(
    flat_log: list[Event], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("presence.learn.proposals.ROUNDS", 3)
    whole = fit(FLAT, [flat_log], effort=QUICK)
    sometimes = {"habits", "phones"}
    assert set(whole.report["candidates"]) - sometimes == {
        "defaults",
        "rates",
        "rates and places",
        "first step",
        "search",
    }
    assert all(factor > 1.0 for factor in whole.report["known_to"].values())
    assert set(whole.report["known_to"]) == set(map(str, rates_of(FLAT, places=False)))
    told = "\n".join(report_lines(whole.report, whole.settings, whole.holds))
    assert "Data too few: known no better than to a factor of 1.3 (one standard error):" in told
    assert whole.report["candidates"]["defaults"]["gain"] == 0.0
    chosen = whole.report["candidates"][whole.report["chosen"]]
    doubt = 2.0 if whole.report["chosen"] == "first step" else 0.0  # all others must gain
    assert chosen["gain_rooms"] >= -doubt * chosen["gain_rooms_error"] - 5e-4
    assert chosen["log_likelihood_gain_per_day"] >= 0.0
    state, said = tmp_path / "state.json", []

    def stop(text: str) -> None:
        said.append(text)
        if text.startswith("search"):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        fit(FLAT, [flat_log], effort=QUICK, state=state, say=stop)
    assert "rates and places: tried on the first days" in said
    assert any(text.startswith("defaults: judged on later days, 1 of ") for text in said)
    kept = state.read_bytes()
    assert len(json.loads(kept)["answers"]) >= 3
    with pytest.raises(InputError, match="--resume goes on with it, and removing it starts again"):
        fit(FLAT, [flat_log], effort=QUICK, state=state)
    other = [*flat_log[:9], replace(flat_log[9], code="3"), *flat_log[10:]]
    with pytest.raises(InputError, match="begun with other logs; remove it"):
        fit(FLAT, [other], effort=QUICK, state=state, resume=True)
    small = replace(FLAT.rooms["bathroom"], outline=((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)))
    with pytest.raises(InputError, match="begun with other plan; remove it"):  # people do not stay long in it
        fit(replace(FLAT, rooms={**FLAT.rooms, "bathroom": small}), [flat_log], effort=QUICK, state=state, resume=True)
    assert state.read_bytes() == kept
    runs = counted(monkeypatch)
    again = fit(FLAT, [flat_log], effort=QUICK, state=state, resume=True)
    assert (again.settings, again.report) == (whole.settings, whole.report)
    assert not state.exists()
    first = len(runs)
    fit(FLAT, [flat_log], effort=QUICK)
    assert first < len(runs) - first  # what the journal held was not worked out again
    path = tmp_path / "learned.json"
    write_learned(path, FLAT, whole)
    assert read_learned(path, FLAT).settings == whole.settings
    with pytest.raises(InputError, match="other options"):
        Journal(state_of_other(tmp_path), {"options": 1}, resume=True)


def test_nothing_is_tracked_twice_under_the_same_settings(
    flat_log: list[Event], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither to be watched for expected counts nor to be scored, whoever asks for it: replays are what takes long."""
    asked: list[tuple[str, Settings, float]] = []
    foresee, record = bench.foresee, bench.record

    def tracked(plan: Floorplan, settings: Settings, course: Any, hypotheses: int) -> Any:
        asked.append(("scored", settings, course.stretch.begin))
        return foresee(plan, settings, course, hypotheses)

    def watched(plan: Floorplan, settings: Settings, stretches: Any, hypotheses: int) -> Any:
        asked.extend(("watched", settings, begin) for begin, _, _ in stretches)
        return record(plan, settings, stretches, hypotheses)

    monkeypatch.setattr(bench, "foresee", tracked)
    monkeypatch.setattr(bench, "record", watched)
    learned = fit(FLAT, [flat_log], effort=QUICK)
    assert len(learned.candidates) > 3
    assert {what for what, _, _ in asked} == {"scored", "watched"}
    assert [again for n, again in enumerate(asked) if again in asked[:n]] == []


def counted(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """A list that grows with every stretch that is tracked for a score."""
    runs: list[int] = []
    true: Callable[..., Any] = bench.foresee

    def counting(*arguments: Any) -> Any:
        runs.append(1)
        return true(*arguments)

    monkeypatch.setattr(bench, "foresee", counting)
    return runs


def state_of_other(folder: Path) -> Path:
    path = folder / "other.json"
    Journal(path, {"options": 2}).note("a", 1)
    return path


@pytest.mark.parametrize("content", [None, "", "[]", '{"format": "recipe"}', "other", "[" * 5000])
def test_what_cannot_be_resumed_is_one_clear_line(tmp_path: Path, content: str | None) -> None:
    path = tmp_path / "state.json"
    if content == "other":  # by the right name, but not its parts
        of_ours = {"format": FORMAT, "version": VERSION, WRITER: this_version()}
        content = json.dumps({**of_ours, "about": 3, "answers": []})
    if content is not None:
        path.write_text(content, encoding="utf-8")
    with pytest.raises(InputError, match="leave --resume out") as refused:
        Journal(path, {}, resume=True)
    assert len(refused.value.faults) == 1


@pytest.mark.parametrize(
    ("changed", "found"),
    [
        ({"version": VERSION - 1}, "0.1.0"),
        ({WRITER: "0.0.9-12345678"}, "0.0.9-12345678"),
        ({WRITER: None}, "an older one"),
    ],
)
def test_what_another_version_has_worked_out_is_not_taken_over(
    tmp_path: Path, changed: dict[str, Any], found: str
) -> None:
    """Its answers may have had other parts, or be those of another model."""
    path = tmp_path / "state.json"
    Journal(path, {}).note("rates", [[0.0], [1.0], []])
    assert Journal(path, {}, resume=True).ask("rates") == [[0.0], [1.0], []]
    path.write_text(json.dumps({**json.loads(path.read_text(encoding="utf-8")), **changed}), encoding="utf-8")
    with pytest.raises(InputError, match=f"another version of presence .{found}.* leave --resume out") as refused:
        Journal(path, {}, resume=True)
    assert len(refused.value.faults) == 1


def test_logs_may_be_given_in_parts_and_out_of_order(flat_log: list[Event]) -> None:
    half = datetime.fromtimestamp(flat_log[0].seconds, UTC) + timedelta(days=1.1)
    parts = [[e for e in flat_log if e.time >= half], [e for e in flat_log if e.time < half][::-1]]
    given = material([sorted(part, key=lambda event: event.seconds) for part in parts])
    assert [s.begin for s in given.stretches] == sorted(s.begin for s in given.stretches)
    assert given.days > 1.5


def test_logs_overlap_that_tell_of_one_time_for_long() -> None:
    """Of five logs, one inside the first, one that goes on for as long as messages are late, one that follows."""

    def log(begin: float, end: float) -> list[Event]:
        return [Event(datetime.fromtimestamp(1.8e9 + t, UTC), "studio_motion", "detected") for t in (begin, end)]

    late = 1e4 - OVERLAP
    assert overlapping([log(2e4, 3e4), log(0.0, 1e4), log(2e3, 3e3), [], log(late, 2e4)]) == [(1, 2)]
    assert overlapping([log(0.0, 1e4), log(late - 1.0, 2e4)]) == [(0, 1)]


# --- the command ------------------------------------------------------------------------------------------------------
def test_the_command_writes_a_file_that_replay_and_evaluate_take(
    flat_log: list[Event], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from presence import cli, cli_learn
    from presence.simulate import Simulation, write

    monkeypatch.chdir(tmp_path)
    write(Simulation(flat_log, []), ".")
    plan = str(Path(__file__).parents[1] / "floorplans/one_room_flat.yaml")
    monkeypatch.setattr(cli_learn, "say", lambda text: None)
    asked: dict[str, Any] = {}

    def quick(*arguments: Any, effort: Effort, **more: Any) -> Any:
        asked["effort"] = effort
        return fit(*arguments, effort=replace(QUICK, turns=effort.turns), **more)

    monkeypatch.setattr("presence.learn.fit", quick)
    learn = ["learn", plan, "log.jsonl", "--out", "learned.json", "--turns", "0", "--no-grid", "--all-days"]
    with monkeypatch.context() as full:
        full.setattr(
            "presence.learned.write_learned", Mock(side_effect=OSError(28, "No space left on device", "learned.json"))
        )
        assert cli.run(learn) == 1
    assert "No space left" in capsys.readouterr().err
    assert Path("learned.json.state").exists()  # the work of hours
    assert not Path("learned.json").exists()
    runs = counted(monkeypatch)
    with monkeypatch.context() as stopped:
        stopped.setattr("presence.learn.fit", Mock(side_effect=KeyboardInterrupt))
        assert cli.run([*learn, "--resume"]) == 130
    assert capsys.readouterr().err == (
        "stopped; learned.json.state holds what is worked out so far: --resume goes on\n"
    )
    assert cli.run([*learn, "--resume"]) == 0
    assert runs == []
    out = capsys.readouterr().out
    assert "rates and places" in out
    assert "log-lik./day" in out
    assert asked["effort"] == Effort(turns=0, grid=False, all_days=True)
    assert not Path("learned.json.state").exists()
    assert json.loads(Path("learned.json").read_text(encoding="utf-8"))["version"] == 1
    assert cli.run(["replay", plan, "log.jsonl", "--every", "21600", "--learned", "learned.json"]) == 0
    assert capsys.readouterr().out.count("\n") > 5
    other = str(Path(__file__).parents[1] / "floorplans/open_plan_bungalow.yaml")
    assert cli.run(["replay", other, "log.jsonl", "--learned", "learned.json"]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1
    assert cli.run(["learn", plan, "log.jsonl", "--out", "learned.json", "--resume"]) == 2
    assert "nothing to resume" in capsys.readouterr().err
    Path("learned.json.state").write_text("of another run", encoding="utf-8")
    assert cli.run(["learn", plan, "log.jsonl", "--out", "learned.json"]) == 2
    assert "learned.json.state:0: holds what a stopped run had worked out" in capsys.readouterr().err
    assert Path("learned.json.state").read_text(encoding="utf-8") == "of another run"
    assert cli.run(["learn", plan, "log.jsonl", "--out", "nowhere/learned.json"]) == 2
    assert "no folder nowhere" in capsys.readouterr().err
