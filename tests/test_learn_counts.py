"""Expected counts against the tracker, finite differences, plain sums over paths, pomegranate and hmmlearn."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise, product
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import quad_vec
from scipy.linalg import expm

from benchmarks.exact.drawing import draw_life
from presence import Floorplan, Settings, Tracker
from presence.habits import Hour
from presence.learn import statistics
from presence.learn.counts import Factor, Mark, Move, Silence, expect, expected_transitions, spectral
from presence.learn.grid import baum_welch, transition_counts
from presence.learn.proposals import room_stays
from presence.learn.statistics import count, expected_log_likelihood
from presence.learn.tape import Quiet, Recorder, Tape
from presence.movement import beings, weights_and_flows
from presence.places import ACTIVE, SETTLED, states_of
from tests.oracle import NOON, contact, home, motion, time_at

Array = NDArray[np.float64]
SENSORS = {
    "hall_motion": motion("hall"),
    "bed_motion": motion("bed"),
    "front_contact": contact("front"),
    "inner_contact": contact("inner"),
    "lamp": {"kind": "switch", "room": "hall"},
}
ONE = home({"P1": {"awake": ["06:00", "11:00"]}}, **SENSORS)
ZONED = home(1, west=motion("hall", at=[0, 0]), east=motion("hall", at=[3, 0]), front_contact=contact("front"))
PHONED = home(1, **SENSORS, phone={"kind": "phone", "person": "P1"}, desk={"kind": "occupancy", "room": "bed"})
LENGTH = 4 * 3600.0


def recorded(plan: Floorplan, seed: int, settings: Settings | None = None) -> tuple[Tape, float]:
    """A tape of a log drawn from the model, and the tracker's log-likelihood of it."""
    settings = settings or Settings()
    drawn = replace(plan, sensors={k: s for k, s in plan.sensors.items() if s.kind != "occupancy"})
    events = draw_life(drawn, LENGTH, seed).events
    events = [event for event in events if event.seconds < NOON.timestamp() + LENGTH]
    tracker = Tracker(plan, settings, reordering_window=0.0, numbering=False)
    tracker.advance(NOON)
    for event in events:
        tracker.observe(event)
    tracker.advance(time_at(LENGTH))
    begin = NOON.timestamp()
    return Recorder(plan, settings, 16).record(begin, events, begin + LENGTH), tracker.log_likelihood


@pytest.mark.parametrize("plan", [ONE, ZONED, PHONED], ids=["rooms", "zones", "phone and desk"])
def test_for_one_person_the_likelihood_is_the_trackers(plan: Floorplan) -> None:
    settings = Settings(door_step_delay=0.0)  # only the tracker knows of those who still stand in a door
    tape, log_likelihood = recorded(plan, 3, settings)
    found = count(plan, settings, [tape], [0])
    assert found.log_likelihood == pytest.approx(log_likelihood, rel=0, abs=1e-7)
    assert sum(float(time.sum()) for time in found.times.values()) == pytest.approx(LENGTH, rel=1e-9)


@pytest.mark.parametrize("plan", [ONE, ZONED], ids=["rooms", "zones"])
def test_the_expected_log_likelihood_has_the_slope_of_the_likelihood(plan: Floorplan) -> None:
    """Fisher's identity (Louis 1982, JRSS B 44:226): at the settings of the counts, dQ = d log-likelihood."""
    tape, _ = recorded(plan, 5)
    found = count(plan, Settings(), [tape], [0])
    usual, step = Settings(), 1e-4
    for name in ("rising_rate", "pausing_rate", "door_rate", "outer_door_rate", "away_share", "door_idle_share",
                 "door_closing_rate", "zone_rate", "motion_rates", "zone_motion_rates"):  # fmt: skip
        value = getattr(usual, name)
        up, down = (
            replace(usual, **{name: tuple(v * f for v in value) if isinstance(value, tuple) else value * f})
            for f in (1 + step, 1 - step)
        )
        slope = expected_log_likelihood(plan, found, up) - expected_log_likelihood(plan, found, down)
        truth = count(plan, up, [tape], [0]).log_likelihood - count(plan, down, [tape], [0]).log_likelihood
        assert slope / (2 * step) == pytest.approx(truth / (2 * step), rel=1e-4, abs=1e-4), name


def test_counts_of_one_person_depend_on_nobody_elses_hours(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two people who get up and go to bed apart: with everybody's hours told apart, the same, from more hours."""
    plan = home({"P1": {"awake": ["06:00", "13:00"]}, "P2": {"awake": ["12:30", "14:00"]}}, **SENSORS)
    tape, _ = recorded(plan, 6)
    assert len({step.stage[0] for step in tape.steps if isinstance(step, Quiet)}) > 2
    own = count(plan, Settings(), [tape], [0, 1])
    monkeypatch.setattr(statistics, "own_hours", lambda hours, _: hours)
    monkeypatch.setattr(statistics, "alone", lambda step, _: step)
    every = count(plan, Settings(), [tape], [0, 1])
    assert own.log_likelihood == every.log_likelihood
    assert len(own.times) < len(every.times)
    for settings in (Settings(), Settings(bedtime_rate=1e-4, outer_door_rate=0.05, away_share=0.2)):
        one, other = (expected_log_likelihood(plan, found, settings) for found in (own, every))
        assert one == pytest.approx(other, rel=1e-12)


def test_memory_is_bounded_and_counts_stay_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    tape, _ = recorded(ONE, 2)
    assert len({step.stage for step in tape.steps if isinstance(step, Quiet)}) > 8
    whole = count(ONE, Settings(), [tape], [0])
    monkeypatch.setattr(statistics, "BYTES", 0.0)  # as few as can be: overlaps are handed over all the time
    parts = count(ONE, Settings(), [tape], [0])
    assert parts.log_likelihood == whole.log_likelihood
    for name in ("times", "times_under", "moves", "moves_under"):
        a, b = getattr(whole, name), getattr(parts, name)
        assert set(a) == set(b)
        for key, value in a.items():
            np.testing.assert_allclose(b[key], value, rtol=1e-9, atol=1e-12)


# --- the arrays by themselves ---------------------------------------------------------------------------------------
GENERATOR = np.array([[-1.0, 0.3, 0.1], [0.2, -0.5, 0.0], [0.05, 0.4, -0.9]])
MARKED = np.array([[0.2, 0.1, 0.0], [0.0, 0.1, 0.1], [0.3, 0.0, 0.05]])
START = np.array([0.5, 0.3, 0.2])
EVERYWHERE = np.arange(3)


def test_counts_equal_integrals_of_matrix_exponentials() -> None:
    """The definition, by scipy's quadrature of scipy's matrix exponentials."""
    steps = [Silence(0, 1.5), Mark(0, 0.01), Silence(0, 0.2), Factor(np.array([0.5, 1.0, 0.1])), Silence(0, 40.0)]
    found = expect(START, [spectral(GENERATOR)], [[Move(EVERYWHERE, EVERYWHERE, MARKED)]], steps)
    mark = MARKED + 0.01 * np.eye(3)
    factor = np.diag([0.5, 1.0, 0.1])
    operators = [expm(1.5 * GENERATOR), mark, expm(0.2 * GENERATOR), factor, expm(40.0 * GENERATOR)]
    total = float(np.linalg.multi_dot([START, *operators, np.ones(3)]))
    assert found.log_likelihood == pytest.approx(np.log(total), rel=1e-10)
    first = START * np.linalg.multi_dot([*operators, np.ones(3)]) / total
    np.testing.assert_allclose(found.start, first, rtol=1e-9)
    overlap = np.zeros((3, 3))
    for n, step in enumerate(steps):
        if isinstance(step, Silence):
            before = np.linalg.multi_dot([START, np.eye(3), *operators[:n]])
            after = np.linalg.multi_dot([*operators[n + 1 :], np.eye(3), np.ones(3)])

            def at(s: float, before: Array = before, after: Array = after, dt: float = step.dt) -> Array:
                return np.outer(before @ expm(s * GENERATOR), expm((dt - s) * GENERATOR) @ after)

            overlap += quad_vec(at, 0.0, step.dt, epsabs=1e-13)[0] / total
    np.testing.assert_allclose(found.overlaps[0], overlap, rtol=1e-7, atol=1e-10)
    before, after = START @ operators[0], np.linalg.multi_dot([*operators[2:], np.ones(3)])
    np.testing.assert_allclose(found.moves[0][0], before[:, None] * MARKED * after / total, rtol=1e-9)
    assert found.background[0] == pytest.approx(0.01 * before @ after / total, rel=1e-9)


@pytest.mark.parametrize("gap", [0.0, 1e-9, 3e-8, 1e-6, 1e-4])
def test_a_silence_in_many_parts_counts_as_a_whole_one_also_where_modes_are_nearly_alike(gap: float) -> None:
    """States that nobody leaves but by marks: `W[i, j]` is an integral over all of the time, here in long doubles."""
    rates = -np.array([1e-4, 1e-4 + gap, 1e-3, 1e-3 + gap, 5e-3])
    start = np.array([0.3, 0.1, 0.2, 0.3, 0.1])
    parts = np.exp(np.random.default_rng(4).uniform(np.log(0.02), np.log(60.0), 300))
    found = expect(start, [spectral(np.diag(rates))], [], [Silence(0, float(dt)) for dt in parts])
    whole, exact = np.longdouble(parts.sum()), rates.astype(np.longdouble)
    half = (exact[:, None] - exact[None, :]) * whole / 2
    shape = np.where(np.abs(half) < 1e-5, 1.0, np.sinh(half) / np.where(half == 0.0, 1.0, half))
    overlap = start[:, None] * whole * np.exp((exact[:, None] + exact[None, :]) * whole / 2) * shape
    overlap /= (start * np.exp(exact * whole)).sum()
    np.testing.assert_allclose(found.overlaps[0], overlap.astype(float), rtol=1e-7)


def test_a_generator_is_decomposed_with_and_without_detailed_balance() -> None:
    weights = np.array([1.0, 2.0, 0.5])
    flows = np.array([[0.0, 0.3, 0.2], [0.3, 0.0, 0.1], [0.2, 0.1, 0.0]])
    balanced = flows / weights[:, None] - np.diag(flows.sum(axis=1) / weights + 0.1)
    for generator, known in ((balanced, weights), (GENERATOR, weights), (GENERATOR, None)):
        found = spectral(generator, known)
        moved = (found.right * np.exp(found.values * 2.0)) @ found.left
        np.testing.assert_allclose(moved.real, expm(2.0 * generator), rtol=1e-9, atol=1e-12)


def test_what_cannot_be_decomposed_or_happen_is_refused() -> None:
    with pytest.raises(FloatingPointError, match="cannot be decomposed"):
        spectral(np.array([[-1.0, 1.0, 0.0], [0.0, -1.0, 1.0], [0.0, 0.0, -1.0]]))
    with pytest.raises(FloatingPointError, match="impossible"):
        expect(START, [], [], [Factor(np.zeros(3))])


chains = st.tuples(st.integers(2, 4), st.integers(2, 5), st.integers(0, 2**31))


def a_chain(size: int, length: int, seed: int) -> tuple[Array, Array, Array]:
    random = np.random.default_rng(seed)
    return random.dirichlet(np.ones(size)), random.dirichlet(np.ones(size), size), random.random((length, size)) + 0.01


@given(chains)
def test_expected_transitions_equal_a_sum_over_all_paths(drawn: tuple[int, int, int]) -> None:
    initial, transition, likelihoods = a_chain(*drawn)
    size, length = drawn[:2]
    counts, begun, total = np.zeros((size, size)), np.zeros(size), 0.0
    for path in product(range(size), repeat=length):
        p = initial[path[0]] * likelihoods[0, path[0]]
        for t in range(1, length):
            p *= transition[path[t - 1], path[t]] * likelihoods[t, path[t]]
        total += p
        begun[path[0]] += p
        for a, b in pairwise(path):
            counts[a, b] += p
    found, first, log_likelihood = expected_transitions(initial, transition, likelihoods)
    np.testing.assert_allclose(found, counts / total, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(first, begun / total, rtol=1e-9, atol=1e-12)
    assert log_likelihood == pytest.approx(np.log(total), rel=1e-9)


def test_one_step_of_baum_welch_equals_pomegranates_and_hmmlearns() -> None:
    """On a chain that all three can express; hmmlearn is given log-likelihoods instead of observations."""
    from hmmlearn.base import BaseHMM

    initial, transition, likelihoods = a_chain(4, 300, 11)

    class Given(BaseHMM):  # type: ignore[misc]
        def _compute_log_likelihood(self, x: Array) -> Array:
            return np.log(x)

        def _get_n_fit_scalars_per_param(self) -> dict[str, int]:
            return {"s": 3, "t": 12}

    ours, start, log_likelihood = expected_transitions(initial, transition, likelihoods)
    pytest.importorskip("torch")
    theirs, total = transition_counts(initial, transition, np.log(likelihoods)[None])
    assert total == pytest.approx(log_likelihood, rel=0, abs=1e-6)
    np.testing.assert_allclose(theirs, ours, rtol=0, atol=1e-4)
    other = Given(4, params="st", init_params="", n_iter=1, startprob_prior=1.0, transmat_prior=1.0)
    other.n_features, other.startprob_, other.transmat_ = 4, initial, transition
    with np.errstate(all="ignore"):
        other.fit(likelihoods)
    reestimated = ours / ours.sum(axis=1, keepdims=True)
    np.testing.assert_allclose(other.transmat_, reestimated, rtol=0, atol=1e-4)
    np.testing.assert_allclose(other.startprob_, start, rtol=0, atol=1e-4)


def test_baum_welch_on_a_grid_never_lowers_its_posterior() -> None:
    pytest.importorskip("torch")
    initial, transition, likelihoods = a_chain(3, 200, 4)
    found, history = baum_welch(initial, transition, np.log(likelihoods)[None], np.full((3, 3), 0.5), rounds=6)
    assert (np.diff(history) >= -1e-8).all()
    np.testing.assert_allclose(found.sum(axis=1), 1.0, rtol=1e-12)
    assert (found > 0).all()


SOFA, COT = ({"kind": "pressure", "room": room} for room in ("hall", "bed"))


@pytest.mark.parametrize(
    ("resident", "spare", "seats", "usual"),
    [
        ({"bed": "bed"}, {}, {}, Settings().rising_rate),
        ({"bed": "bed"}, {}, {"sofa": SOFA, "cot": COT}, Settings().unseated_rising_rate),
        ({}, {"rest": True}, {"sofa": SOFA, "cot": COT}, Settings().rising_rate),
    ],
    ids=["a small room", "seats report everywhere", "quiet ends soon in half of the rooms"],
)
def test_stays_found_on_the_grid_are_not_counted_twice(
    resident: dict[str, Any],
    spare: dict[str, Any],
    seats: dict[str, Any],
    usual: float,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Quiet ends in each room, by the definition of weights and flows, as stays say, whatever the model has of it."""
    pytest.importorskip("torch")
    outline = [[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0]]
    rooms = {"hall": {}, "bath": {"outline": outline}, "bed": {"rest": True}, "spare": spare}
    ends = {"inner": ["hall", "bed"], "wet": ["hall", "bath"], "dry": ["hall", "spare"], "front": ["hall", "away"]}
    doors = {name: {"between": between} for name, between in ends.items()}
    sensors = {f"{room}_motion": motion(room) for room in rooms}
    factors = {"hall": 0.5, "bath": 1.0, "bed": 2.0, "spare": 1.5}
    monkeypatch.setattr("presence.learn.grid.stay_factors", lambda plan, stretches: factors)
    plan = home({"P1": resident}, rooms=rooms, doors=doors, **sensors, **seats)
    states, settings = states_of(plan), room_stays(plan, [])
    assert settings is not None
    weights, flows = weights_and_flows(plan, states, beings(plan)[0], Hour(False), settings)
    rates = {}
    for room in rooms:
        active, settled = (states.select(states.places_of(room), pace)[0] for pace in (ACTIVE, SETTLED))
        rates[room] = flows[active, settled] / weights[settled]
    assert rates == pytest.approx({room: usual * factor for room, factor in factors.items()}, rel=1e-3)
