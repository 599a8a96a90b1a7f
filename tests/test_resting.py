"""How often those at rest stir does not tell how many they are: against integrals, and Bayes' rule by hand."""

from __future__ import annotations

import math
from datetime import timedelta

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad

from benchmarks.rhythms import START, cases, log_of
from presence import Event, Settings, Tracker
from presence.at_rest import rest_of
from presence.hypotheses import Way, branch, reweigh, scaled
from presence.inference import Engine
from presence.merging import Mixture
from presence.model import Model
from presence.resting import LONGEST, Rest, visitors_factor
from tests.oracle import home, motion

Array = NDArray[np.float64]
RATE, DEEP = 1 / 320, 1 / 5000
UP, SETTLED, ASLEEP, ELSEWHERE = range(4)
REST = Rest(np.array([SETTLED]), np.array([UP]), np.array([ASLEEP]), RATE, DEEP, np.arange(3))
RATES = np.array([0.08, RATE, DEEP])
NOBODY = 1e-12


def ways(persons: int) -> list[Way]:
    return [Way(np.arange(3), np.arange(3), np.tile(np.diag(RATES), (persons, 1, 1)))]


def certainly(*hypotheses: tuple[int, ...]) -> Mixture:
    """Equally likely hypotheses, each of which says in which state everybody is."""
    count, persons = len(hypotheses), len(hypotheses[0])
    x = np.eye(4)[np.array(hypotheses).T]
    nothing = np.zeros((count, 0, 1 + 2 * persons)), np.zeros((count, 0, 3)), np.zeros((count, persons + 1))
    return Mixture(x, np.full(count, 1.0 / count), *nothing)


def weights_after(mixture: Mixture, silence: float, visitors: slice) -> Array:
    """Of each hypothesis, after a silence and a report by which nobody changes their state."""
    quiet = reweigh(mixture, mixture.blocks * np.exp(-silence * np.append(RATES, 0.0)))
    factor = np.ones_like(quiet.x)
    factor[visitors] = visitors_factor(quiet, visitors, ways(len(mixture.x)), NOBODY, REST, silence)
    after, _ = branch(scaled(quiet, factor), ways(len(mixture.x)), np.full(len(mixture.weight), NOBODY), None)
    where = after.x.argmax(axis=2).T
    found = [(where == row).all(axis=1) for row in mixture.x.argmax(axis=2).T]
    return np.array([after.weight[same].sum() for same in found])


@pytest.mark.parametrize("number", [1, 2, 5])
def test_with_a_rate_of_unknown_scale_the_next_report_does_not_depend_on_how_many_rest(number: int) -> None:
    silence = 80.0
    density, _ = quad(lambda rate: number * rate * math.exp(-number * rate * silence) / rate, 0.0, math.inf)
    assert density == pytest.approx(1.0 / silence, rel=1e-9)


@pytest.mark.parametrize("silence", [1.0, 80.0, 300.0])
def test_a_visitor_beside_one_at_rest_is_as_likely_after_a_report_as_before(silence: float) -> None:
    both, alone = weights_after(certainly((SETTLED, SETTLED), (SETTLED, ELSEWHERE)), silence, slice(1, 2))
    assert both / alone == pytest.approx(1.0, rel=1e-9)


def test_one_more_who_hardly_stirs_is_no_better_explanation_either() -> None:
    both, alone = weights_after(certainly((SETTLED, ASLEEP), (SETTLED, ELSEWHERE)), 80.0, slice(1, 2))
    assert both / alone == pytest.approx(1.0, rel=1e-9)


def test_longer_silences_tell_against_a_second_what_the_known_rate_would_in_the_mean() -> None:
    """Log odds of a second, over the silences of one who stirs at the settings' rate: log(2) - 1 either way."""

    def told(silence: float) -> float:
        both, alone = weights_after(certainly((SETTLED, SETTLED), (SETTLED, ELSEWHERE)), silence, slice(1, 2))
        return math.log(both / alone) * RATE * math.exp(-RATE * silence)

    mean, _ = quad(told, 0.0, 30.0 / RATE, points=[LONGEST / RATE], limit=200)
    assert mean == pytest.approx(math.log(2.0) - 1.0, abs=1e-6)


@pytest.mark.parametrize("others", [(ELSEWHERE,), (ASLEEP,)])
def test_a_visitor_beside_nobody_who_stirs_is_believed_as_ever(others: tuple[int, ...]) -> None:
    mixture = certainly((*others, SETTLED), (*others, ELSEWHERE))
    np.testing.assert_array_equal(visitors_factor(mixture, slice(1, 2), ways(2), NOBODY, REST, 80.0), 1.0)


def test_what_somebody_up_and_about_reports_tells_of_a_visitor_what_it_always_did() -> None:
    """One who walks about explains the report by (.08 + 1 / 320) / .08 times: the share of the visitor's rest."""
    mixture = certainly((UP, SETTLED))
    factor = visitors_factor(mixture, slice(1, 2), ways(2), NOBODY, REST, 12.0)
    share = RATE / (0.08 + RATE)
    assert factor[0, 0, SETTLED] == pytest.approx(1.0 - share * (1.0 - 0.5 * math.exp(12.0 * RATE)), rel=1e-9)
    assert 0.97 < factor[0, 0, SETTLED] < 1.0


def test_of_two_visitors_the_second_is_weighed_beside_the_first() -> None:
    mixture = certainly((ELSEWHERE, SETTLED, SETTLED))
    first, second = visitors_factor(mixture, slice(1, 3), ways(3), NOBODY, REST, 80.0)[:, 0, SETTLED]
    assert (first, second) == (1.0, pytest.approx(0.5 * math.exp(80.0 * RATE), rel=1e-9))


def test_who_rests_there_is_read_from_the_model() -> None:
    """Settled people are seen at their rate and get up at theirs; `Settings` has both."""
    plan = home(1, visitors=1, hall_motion=motion("hall"), bed_motion=motion("bed"))
    model, s = Model(plan, Settings()), Settings()
    hours, _ = model.hours(START.timestamp())
    rest = rest_of(model.world(hours).sight, plan.sensors["hall_motion"], 1)
    assert rest.rate == pytest.approx(s.motion_rates[2] + s.rising_rate, rel=1e-12)
    assert rest.deep_rate == pytest.approx(s.motion_rates[3], rel=1e-12)
    assert {model.states.rooms[model.states.room[i]] for i in rest.in_sight} == {"hall"}


def test_only_visitors_are_weighed_and_only_after_a_silence_whose_length_is_known() -> None:
    """A sensor that has lost its off message has been silent for nobody knows how long."""
    case = cases()["room, hold 30 s"]
    engine = Engine(case.plan, Settings(), 16)
    sensor, snapshot = case.plan.sensors[case.sensor], engine.start(START.timestamp())
    told = []
    for event in log_of(case, "2", 600.0):
        snapshot, _ = engine.advance(snapshot, event.seconds)
        ways_of_it = engine.model.world(snapshot.hours).ways(sensor.id, "detected")
        told.append(engine._visitors(snapshot, sensor, ways_of_it, 1e-5) is not None)
        if not (event.value == "clear" and event.seconds - START.timestamp() > 300.0):  # later ones are lost
            snapshot, _ = engine.observe(snapshot, event)
    on = told[::2]
    assert not on[0]
    assert on[1:3] == [True, True]
    assert not any(on[4:])
    known = Engine(home(2, hall_motion=motion("hall"), bed_motion=motion("bed")), Settings(), 16)
    begin = known.start(START.timestamp())
    seen, _ = known.observe(begin, Event(time=START, sensor="hall_motion", value="detected"))
    off, _ = known.observe(
        known.advance(seen, START.timestamp() + 20)[0], Event(time=START, sensor="hall_motion", value="clear")
    )
    later, _ = known.advance(off, START.timestamp() + 90)
    assert known._visitors(later, known.plan.sensors["hall_motion"], ways(2), NOBODY) is None


def test_a_sensor_that_was_out_of_reach_has_not_been_silent() -> None:
    """Since when it could report is not known: whoever stirred in between went unheard."""
    case = cases()["room, hold 30 s"]
    engine = Engine(case.plan, Settings(), 16)
    sensor, snapshot = case.plan.sensors[case.sensor], engine.start(START.timestamp())
    heard = [(0, "detected"), (40, "clear"), (100, "offline"), (5000, "online")]
    told = []
    for seconds, value in heard:
        event = Event(START + timedelta(seconds=seconds), sensor.id, value)
        snapshot, _ = engine.observe(engine.advance(snapshot, event.seconds)[0], event)
        found = engine._world(snapshot).ways(sensor.id, "detected")
        told.append(engine._visitors(snapshot, sensor, found, NOBODY) is not None)
    assert told == [False, True, False, False]


def test_a_sensor_that_chatters_by_itself_tells_nothing_of_visitors_either() -> None:
    """One that is known to report every second or so, with the visitor as likely in its sight as out of it."""
    case = cases()["room, hold 30 s"]
    engine = Engine(case.plan, Settings(), 16)
    sensor, snapshot = case.plan.sensors[case.sensor], engine.start(START.timestamp())
    for seconds, value in ((0, "detected"), (40, "clear"), (45, "detected"), (80, "clear")):
        event = Event(START + timedelta(seconds=seconds), sensor.id, value)
        snapshot, _ = engine.observe(engine.advance(snapshot, event.seconds)[0], event)
    snapshot, _ = engine.advance(snapshot, event.seconds + 2.0)
    found, least = engine._world(snapshot).ways(sensor.id, "detected"), []
    for noise in ({}, {sensor.id: 1.0}):
        factor = engine._visitors(snapshot._replace(noise=noise), sensor, found, NOBODY)
        assert factor is not None
        least.append(float(factor.min()))
    assert least[0] < 0.9
    assert least[1] > 0.99


def test_two_who_are_believed_in_are_not_lost_for_resting_in_one_room() -> None:
    """They have just been heard in two rooms at once, and then stir in one as often as one may."""
    case = cases()["kitchen, 30 s"]
    log = log_of(case, "2", 3 * 3600.0)
    apart = [Event(time=e.time + timedelta(seconds=1), sensor="bathroom_motion", value=e.value) for e in log[:20]]
    tracker, told = Tracker(case.plan), dict[float, float]()
    for event in sorted([*log, *apart], key=lambda event: event.time):
        tracker.observe(event)
        told[(event.time - START).total_seconds()] = sum(tracker.belief.at_home[2:])
    assert told[max(t for t in told if t < 1200.0)] > 0.9
    assert told[max(t for t in told if t < 2400.0)] > 0.5
