"""The textbook algorithms against printed numbers, against every path written out, and against scipy."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.linalg import expm

from presence import markov

Array = NDArray[np.float64]

# --- the umbrella world: Russell & Norvig, AIMA, ch. "Probabilistic reasoning over time" ----------------------------
RAIN = np.array([0.5, 0.5])
RAIN_MOVES = np.array([[0.7, 0.3], [0.3, 0.7]])
UMBRELLA = {True: [0.9, 0.2], False: [0.1, 0.8]}


def umbrella(*seen: bool) -> Array:
    """Shape (T, 2): p(seen | rain), p(seen | dry)."""
    return np.array([UMBRELLA[day] for day in seen])


def test_two_days_of_umbrellas_are_as_printed() -> None:
    """Russell & Norvig print .818, .883 (filtered), .883 (smoothed day 1); six digits recomputed."""
    seen = umbrella(True, True)
    filtered, log_likelihood = markov.filter_chain(RAIN, RAIN_MOVES, seen)
    np.testing.assert_allclose(filtered[:, 0], [0.818182, 0.883357], rtol=0, atol=5e-7)
    np.testing.assert_allclose(markov.smooth_chain(RAIN, RAIN_MOVES, seen)[0, 0], 0.883357, rtol=0, atol=5e-7)
    assert np.exp(log_likelihood) == pytest.approx(0.3515, rel=1e-12)


def test_five_days_of_umbrellas_are_as_recomputed() -> None:
    """The same world over five days: T T F T T (recomputed from the same parameters)."""
    seen = umbrella(True, True, False, True, True)
    filtered, log_likelihood = markov.filter_chain(RAIN, RAIN_MOVES, seen)
    smoothed = markov.smooth_chain(RAIN, RAIN_MOVES, seen)
    np.testing.assert_allclose(filtered[:, 0], [0.818182, 0.883357, 0.190668, 0.730794, 0.867339], rtol=0, atol=5e-7)
    np.testing.assert_allclose(smoothed[:, 0], [0.867339, 0.820419, 0.307484, 0.820419, 0.867339], rtol=0, atol=5e-7)
    assert np.exp(log_likelihood) == pytest.approx(0.0343037005, rel=1e-9)


# --- ice cream: Jurafsky & Martin, Speech and Language Processing, 3rd ed. draft, App. A (parameters from memory) ---
HOT = np.array([0.8, 0.2])
HOT_MOVES = np.array([[0.6, 0.4], [0.5, 0.5]])
EATEN = {1: [0.2, 0.5], 3: [0.4, 0.1]}


def test_ice_cream_gives_the_printed_trellis_and_path() -> None:
    """3 1 3 eaten: the forward trellis and the best path hot, cold, hot, as printed."""
    eaten = np.array([EATEN[n] for n in (3, 1, 3)])
    totals = [np.exp(markov.filter_chain(HOT, HOT_MOVES, eaten[:n]).log_likelihood) for n in (1, 2, 3)]
    forward = markov.filter_chain(HOT, HOT_MOVES, eaten).filtered * np.array(totals)[:, None]
    np.testing.assert_allclose(forward[:2], [[0.32, 0.02], [0.0404, 0.069]], rtol=1e-12)
    assert totals[2] == pytest.approx(0.028562, rel=1e-12)
    path, log_probability = markov.best_path(HOT, HOT_MOVES, eaten)
    assert path == [0, 1, 0]
    assert np.exp(log_probability) == pytest.approx(0.0128, rel=1e-12)


# --- weather: Rabiner 1989, section II ------------------------------------------------------------------------------
WEATHER = np.array([[0.4, 0.3, 0.3], [0.2, 0.6, 0.2], [0.1, 0.1, 0.8]])


def test_a_sequence_of_weather_is_as_likely_as_printed() -> None:
    """P(sun sun sun rain rain sun cloud sun) = 1.536e-4 when the first day is known to be sunny."""
    days = np.eye(3)[[2, 2, 2, 0, 0, 2, 1, 2]]
    assert markov.filter_chain(days[0], WEATHER, days).log_likelihood == pytest.approx(np.log(1.536e-4), rel=1e-12)
    path, log_probability = markov.best_path(days[0], WEATHER, days)
    assert path == [2, 2, 2, 0, 0, 2, 1, 2]
    assert np.exp(log_probability) == pytest.approx(1.536e-4, rel=1e-12)


@pytest.mark.parametrize(("day", "stay"), [(2, 5.0), (1, 2.5), (0, 1 / 0.6)], ids=["sun", "cloud", "rain"])
def test_weather_lasts_as_long_as_printed(day: int, stay: float) -> None:
    """Rabiner prints 5, 2.5 and 1.67 days: the sum of p(still the same after n days)."""
    same = np.tile(np.eye(3)[day], (400, 1))
    survival = [np.exp(markov.filter_chain(same[0], WEATHER, same[:n]).log_likelihood) for n in range(1, 400)]
    assert sum(survival) == pytest.approx(stay, rel=1e-9)


# --- a marked arrival process: BuTools documentation, MMAP examples -------------------------------------------------
D0 = np.array([[-1.78, 0.29], [0.07, -0.92]])
MARKED = [
    np.array([[0.15, 0.49], [0.23, 0.36]]),
    np.array([[0.11, 0.2], [0.01, 0.0]]),
    np.array([[0.14, 0.4], [0.11, 0.14]]),
]


def test_arrival_process_stationary_and_mark_rates() -> None:
    """BuTools: stationary (7/30, 23/30), rates of the marks .601667 .08 .317667."""
    pi = markov.stationary(D0 + sum(MARKED))
    np.testing.assert_allclose(pi, [7 / 30, 23 / 30], rtol=1e-12)
    rates = [float((pi @ marked).sum()) for marked in MARKED]
    np.testing.assert_allclose(rates, [0.601667, 0.08, 0.317667], rtol=0, atol=5e-7)


def test_arrival_process_moments_of_the_gaps() -> None:
    """BuTools: moments of the time between events 1.0007, 2.1045, 6.8277.

    From the chain seen just after events, whose gap survives t with probability `pi expm(D0 t) 1`; the moment
    `n integral t**(n - 1) survival dt` by Simpson's rule.
    """
    embedded = np.linalg.solve(-D0, sum(MARKED))
    after_event = markov.stationary(embedded - np.eye(2))
    step, count = 0.01, 8001
    matrix = markov.transition_matrix(D0, step)
    survival, row = np.empty(count), after_event
    for n in range(count):
        survival[n] = row.sum()
        row = row @ matrix
    t = step * np.arange(count)
    simpson = step / 3 * np.array([1.0, *([4.0, 2.0] * (count // 2))[:-1], 1.0])
    moments = [float((n * t ** (n - 1) * survival) @ simpson) for n in (1, 2, 3)]
    np.testing.assert_allclose(moments, [1.0007, 2.1045, 6.8277], rtol=0, atol=5e-5)


def test_arrival_process_events_then_silence() -> None:
    """The same process: (gap, mark) (.5, 1) (1.2, 3) (.1, 2) (2, 1), then nothing for 1.5.

    Recomputed two ways, by matrix exponential and by uniformisation.
    """
    start = markov.stationary(D0 + sum(MARKED))
    events = [(0.5, 0), (1.2, 2), (0.1, 1), (2.0, 0)]
    filtered, log_likelihood = markov.filter_marked(start, D0, MARKED, events)
    expected = [0.360022561147, 0.380523807101, 0.389931605343, 0.366987079979]
    np.testing.assert_allclose(filtered[:, 0], expected, rtol=0, atol=5e-13)
    np.testing.assert_allclose(filtered.sum(axis=1), 1.0, rtol=1e-14)
    assert log_likelihood == pytest.approx(-8.18010079339, rel=0, abs=5e-12)
    silent, gained = markov.condition(filtered[-1] @ markov.transition_matrix(D0, 1.5), np.ones(2))
    assert silent[0] == pytest.approx(0.162606245000, rel=0, abs=5e-13)
    assert log_likelihood + gained == pytest.approx(-9.69294871782, rel=0, abs=5e-12)


def test_arrival_process_sequences_of_marks_sum_to_one() -> None:
    """Over a short time at most a few events happen: densities of 0, 1 and 2 events integrate to 1 - O(t**3)."""
    t, points = 0.02, np.polynomial.legendre.leggauss(6)
    start = markov.stationary(D0 + sum(MARKED))

    def density(times: tuple[float, ...], marks: tuple[int, ...]) -> float:
        gaps = np.diff((0.0, *times))
        filtered, log_likelihood = markov.filter_marked(start, D0, MARKED, list(zip(gaps, marks, strict=True)))
        row = filtered[-1] if len(times) else start
        return float(np.exp(log_likelihood) * (row @ markov.transition_matrix(D0, t - sum(gaps))).sum())

    nodes, shares = t * (points[0] + 1) / 2, t * points[1] / 2
    total = density((), ())
    total += sum(w * density((x,), (m,)) for x, w in zip(nodes, shares, strict=True) for m in range(3))
    for x, w in zip(nodes, shares, strict=True):  # the first of two events, anywhere before the second
        for y, v in zip(x * (points[0] + 1) / 2, x * points[1] / 2, strict=True):
            total += sum(w * v * density((y, x), (m, n)) for m in range(3) for n in range(3))
    assert total == pytest.approx(1.0, rel=0, abs=2e-6)
    assert total < 1.0


# --- a silent room: closed form -------------------------------------------------------------------------------------
@pytest.mark.parametrize("seconds", [0.1, 1.0, 120.0, 3600.0])
def test_a_silent_room_empties_as_the_closed_form_says(seconds: float) -> None:
    """Somebody inside fires at l, leaves unseen at m; after silence P(still in) = s / (s + m/(l+m) (1-s))."""
    fires, leaves = 1 / 60, 1 / 600
    silent = np.array([[-(fires + leaves), leaves], [0.0, 0.0]])
    inside, _ = markov.condition(np.array([1.0, 0.0]) @ markov.transition_matrix(silent, seconds), np.ones(2))
    s = np.exp(-(fires + leaves) * seconds)
    assert inside[0] == pytest.approx(s / (s + leaves / (fires + leaves) * (1 - s)), rel=1e-12)
    if seconds == 120.0:
        assert inside[0] == pytest.approx(0.5781861863, rel=0, abs=5e-11)


# --- every path written out -----------------------------------------------------------------------------------------
@st.composite
def chains(draw: st.DrawFn) -> tuple[Array, Array, Array]:
    """A random chain: initial (S,), transitions (S, S) or one per step (T - 1, S, S), likelihoods (T, S)."""
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    states, steps = draw(st.integers(1, 4)), draw(st.integers(1, 5))
    concentration = draw(st.sampled_from([0.2, 1.0, 5.0]))
    shape = (steps - 1, states) if draw(st.booleans()) else (states,)
    transition = random.dirichlet(np.full(states, concentration), shape)
    likelihoods = random.uniform(0.01, 1.0, (steps, states)) ** draw(st.sampled_from([1, 4]))
    return random.dirichlet(np.ones(states)), transition, likelihoods


def every_path(initial: Array, transition: Array, likelihoods: Array) -> dict[tuple[int, ...], float]:
    """Joint probability of each path and the evidence, by the definition."""
    steps, states = likelihoods.shape
    joint = {}
    for path in product(range(states), repeat=steps):
        p = initial[path[0]] * likelihoods[0, path[0]]
        for t in range(1, steps):
            matrix = transition if transition.ndim == 2 else transition[t - 1]
            p *= matrix[path[t - 1], path[t]] * likelihoods[t, path[t]]
        joint[path] = float(p)
    return joint


def marginal(joint: dict[tuple[int, ...], float], t: int, states: int) -> Array:
    row = np.bincount([path[t] for path in joint], weights=list(joint.values()), minlength=states)
    return row / row.sum()


@given(chains())
def test_filter_smoother_and_best_path_equal_the_sum_over_paths(chain: tuple[Array, Array, Array]) -> None:
    initial, transition, likelihoods = chain
    steps, states = likelihoods.shape
    joint = every_path(*chain)
    filtered, log_likelihood = markov.filter_chain(*chain)
    assert log_likelihood == pytest.approx(np.log(sum(joint.values())), rel=1e-10, abs=1e-10)
    smoothed = markov.smooth_chain(*chain)
    for t in range(steps):
        prefix = every_path(initial, transition, likelihoods[: t + 1])
        np.testing.assert_allclose(filtered[t], marginal(prefix, t, states), rtol=1e-9, atol=1e-13)
        np.testing.assert_allclose(smoothed[t], marginal(joint, t, states), rtol=1e-9, atol=1e-13)
    path, log_probability = markov.best_path(*chain)
    assert np.exp(log_probability) == pytest.approx(max(joint.values()), rel=1e-9)
    assert joint[tuple(path)] == pytest.approx(max(joint.values()), rel=1e-9)


def test_best_path_avoids_forbidden_moves() -> None:
    left_to_right = np.array([[0.5, 0.5, 0.0], [0.0, 0.5, 0.5], [0.0, 0.0, 1.0]])
    seen = np.array([[0.9, 0.1, 0.1], [0.1, 0.1, 0.9], [0.1, 0.1, 0.9]])
    path, log_probability = markov.best_path(np.array([1.0, 0.0, 0.0]), left_to_right, seen)
    assert path == [0, 1, 2]
    assert np.exp(log_probability) == pytest.approx(0.9 * 0.5 * 0.1 * 0.5 * 0.9, rel=1e-12)


def test_standing_still_and_seeing_nothing_change_nothing() -> None:
    belief = np.array([0.2, 0.5, 0.3])
    filtered, log_likelihood = markov.filter_chain(belief, np.eye(3), np.ones((4, 3)))
    np.testing.assert_allclose(filtered, np.tile(belief, (4, 1)), rtol=1e-14)
    assert log_likelihood == pytest.approx(0.0, rel=0, abs=1e-14)


def test_impossible_evidence_is_refused() -> None:
    with pytest.raises(ValueError, match="impossible in every state"):
        markov.condition(np.array([1.0, 0.0]), np.array([0.0, 1.0]))
    with pytest.raises(ValueError, match="impossible in every state"):
        markov.condition(np.array([1.0, 0.0]), np.array([np.nan, 1.0]))


# --- continuous time ------------------------------------------------------------------------------------------------
@st.composite
def generators(draw: st.DrawFn) -> Array:
    """Any (sub)generator, reversible or not, rates over many powers of ten, some of them zero."""
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    size = draw(st.integers(1, 6))
    rates = 10.0 ** random.uniform(-5, draw(st.floats(-3, 1)), (size, size))
    rates *= random.uniform(size=(size, size)) < draw(st.sampled_from([0.3, 0.7, 1.0]))
    np.fill_diagonal(rates, 0.0)
    losses = 10.0 ** random.uniform(-6, 0, size) * (random.uniform(size=size) < 0.5)
    return np.asarray(rates - np.diag(rates.sum(axis=1) + losses))


@given(generators(), st.sampled_from([0.0, 0.1, 1.0, 7.3, 60.0, 3600.0, 39600.0]))
def test_transition_matrix_equals_scipy(generator: Array, dt: float) -> None:
    """From 0.1 s to 11 h: within 1e-10 of `scipy.linalg.expm`, never negative, never more than 1 in a row."""
    matrix = markov.transition_matrix(generator, dt)
    np.testing.assert_allclose(matrix, expm(generator * dt), rtol=1e-8, atol=1e-10)
    assert (matrix >= 0).all()
    assert (matrix.sum(axis=1) <= 1 + 1e-9).all()


def test_transition_matrix_refuses_what_is_no_generator() -> None:
    with pytest.raises(ValueError, match="must not be negative"):
        markov.transition_matrix(np.array([[0.0, -0.1], [0.1, -0.1]]), 1.0)
    with pytest.raises(ValueError, match="must not be negative"):
        markov.transition_matrix(np.array([[-0.1, 0.1], [0.1, -0.1]]), -1.0)


# --- several chains in one array ------------------------------------------------------------------------------------
@given(st.integers(0, 2**32 - 1), st.lists(st.integers(1, 3), min_size=1, max_size=3))
def test_joint_filter_equals_kronecker_products(seed: int, sizes: list[int]) -> None:
    """The household's generator is the Kronecker sum of the people's; an event's is the sum over who caused it."""
    random = np.random.default_rng(seed)
    joint = random.dirichlet(np.ones(int(np.prod(sizes)))).reshape(sizes)
    moves = [random.dirichlet(np.ones(size), size) for size in sizes]
    marked = [random.uniform(0, 1, (size, size)) for size in sizes]
    whole_move, whole_mark = np.eye(1), 0.25 * np.eye(joint.size)
    for axis, matrix in enumerate(marked):
        before, after = int(np.prod(sizes[:axis])), int(np.prod(sizes[axis + 1 :]))
        whole_move = np.kron(whole_move, moves[axis])
        whole_mark = whole_mark + np.kron(np.kron(np.eye(before), matrix), np.eye(after))
    np.testing.assert_allclose(markov.move_joint(joint, moves).ravel(), joint.ravel() @ whole_move, rtol=1e-12)
    np.testing.assert_allclose(markov.mark_joint(joint, marked, 0.25).ravel(), joint.ravel() @ whole_mark, rtol=1e-12)
