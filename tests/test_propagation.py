"""Propagation through one eigendecomposition against scipy's dense matrix exponential.

Tolerance: 1e-11 absolute per state, for rows that sum to 1 or less, from 0.1 s to 11 h, base and changed generators
alike. The rational approximation itself is good to 1e-13.
"""

from __future__ import annotations

from decimal import Decimal
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.linalg import expm

from presence.absorbing import absorb, carried
from presence.propagation import Change, Reversible, decompose, propagate
from presence.rational import POLES, RESIDUES

Array = NDArray[np.float64]
STEPS = [0.1, 1.0, 7.3, 60.0, 900.0, 7200.0, 39600.0]
TOLERANCE = 1e-11


class Case(NamedTuple):
    """P reversible generators with losses, distributions to move, and a change that keeps them generators."""

    weights: Array
    flows: Array
    losses: Array
    x: Array
    change: Change | None
    plain: Array
    """Shape (P, S, S): the same generators, change included, written out entry by entry."""


@st.composite
def cases(draw: st.DrawFn, changed: bool) -> Case:
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    persons, states, rows = draw(st.integers(1, 3)), draw(st.integers(2, 12)), draw(st.integers(1, 4))
    weights = 10.0 ** random.uniform(-draw(st.sampled_from([0, 2, 5])), 0, (persons, states))
    flows = 10.0 ** random.uniform(-6, 0, (persons, states, states))
    flows *= random.uniform(size=(states, states)) < draw(st.sampled_from([0.3, 1.0]))
    flows = np.triu(flows, 1)
    flows = flows + flows.transpose(0, 2, 1)
    flows *= np.minimum(weights[:, :, None], weights[:, None, :])  # no rate above 1/s
    losses = 10.0 ** random.uniform(-6, 0, (persons, states)) * (random.uniform(size=states) < 0.7)
    x = random.dirichlet(np.ones(states), (persons, rows))
    if draw(st.booleans()):  # everything in one state: the others' masses are tiny
        x = np.eye(states)[random.integers(states, size=(persons, rows))]
    plain = written_out(weights, flows, losses)
    change = None
    if changed:
        change, plain = some_change(draw, random, weights, losses, plain)
    return Case(weights, flows, losses, x, change, plain)


def written_out(weights: Array, flows: Array, losses: Array) -> Array:
    plain = np.zeros_like(flows)
    for p, i, j in np.ndindex(*flows.shape):
        if i != j:
            plain[p, i, j] = flows[p, i, j] / weights[p, i]
    for p, i in np.ndindex(*weights.shape):
        plain[p, i, i] = -plain[p, i].sum() - losses[p, i]
    return plain


def some_change(
    draw: st.DrawFn, random: np.random.Generator, weights: Array, losses: Array, plain: Array
) -> tuple[Change, Array]:
    """Losses given back or added, and moves opened: both ways (same flow) or one way only."""
    persons, states = weights.shape
    index = np.sort(random.choice(states, draw(st.integers(1, min(5, states))), replace=False))
    entries = np.zeros((persons, len(index), len(index)))
    plain = plain.copy()
    for m, i in enumerate(index):
        given_back = losses[:, i] * random.choice([0.0, 0.5, 1.0]) - random.choice([0.0, 0.05])
        entries[:, m, m] += given_back
        plain[:, i, i] += given_back
    one_way = draw(st.booleans())
    for m, i in enumerate(index):
        for n, j in enumerate(index):
            if m == n or (not one_way and m > n) or random.uniform() < 0.4:
                continue
            flow = 10.0 ** random.uniform(-4, -0.5) * np.minimum(weights[:, i], weights[:, j])
            for a, b, u, v in ((m, n, i, j),) if one_way else ((m, n, i, j), (n, m, j, i)):
                entries[:, a, b] += flow / np.sqrt(weights[:, u] * weights[:, v])
                plain[:, u, v] += flow / weights[:, u]
                entries[:, a, a] -= flow / weights[:, u]
                plain[:, u, u] -= flow / weights[:, u]
    return Change(index, entries), plain


def by_scipy(case: Case, dt: float) -> Array:
    return np.array([rows @ expm(generator * dt) for rows, generator in zip(case.x, case.plain, strict=True)])


def decomposed(case: Case) -> tuple[Reversible, Change | None]:
    """The base, and the change of each of its different generators."""
    base = decompose(case.weights, case.flows, case.losses)
    change = case.change
    return base, None if change is None else change._replace(entries=change.entries[base.firsts])


def moved(case: Case, dt: float) -> Array:
    base, change = decomposed(case)
    return propagate(base, case.x, dt, change)


@pytest.mark.parametrize("dt", STEPS)
@given(case=cases(changed=False))
def test_distributions_move_as_scipys_exponential_says(case: Case, dt: float) -> None:
    result = moved(case, dt)
    np.testing.assert_allclose(result, by_scipy(case, dt), rtol=0, atol=TOLERANCE)
    assert (result >= 0).all()


@pytest.mark.parametrize("dt", STEPS)
@given(case=cases(changed=True))
def test_equals_scipy_with_changed_entries(case: Case, dt: float) -> None:
    """Blind sensors, open doors, and one-way moves, which no symmetric generator has."""
    result = moved(case, dt)
    np.testing.assert_allclose(result, by_scipy(case, dt), rtol=0, atol=TOLERANCE)
    assert (result >= 0).all()


@given(case=cases(changed=True), dt=st.sampled_from(STEPS), share=st.floats(0.01, 0.99))
def test_two_steps_equal_one(case: Case, dt: float, share: float) -> None:
    halfway = case._replace(x=moved(case, share * dt))
    np.testing.assert_allclose(moved(halfway, (1 - share) * dt), moved(case, dt), rtol=0, atol=2 * TOLERANCE)


@given(case=cases(changed=True))
def test_no_time_changes_nothing(case: Case) -> None:
    np.testing.assert_array_equal(moved(case, 0.0), case.x)


@given(case=cases(changed=False), dt=st.sampled_from(STEPS))
def test_an_empty_change_is_no_change(case: Case, dt: float) -> None:
    nothing = Change(np.array([], dtype=np.intp), np.zeros((len(case.x), 0, 0)))
    np.testing.assert_array_equal(moved(case._replace(change=nothing), dt), moved(case, dt))


@given(case=cases(changed=True), dt=st.sampled_from(STEPS))
def test_rows_move_one_by_one_as_together(case: Case, dt: float) -> None:
    together = moved(case, dt)
    for k in range(case.x.shape[1]):
        alone = moved(case._replace(x=case.x[:, k : k + 1]), dt)
        np.testing.assert_allclose(alone[:, 0], together[:, k], rtol=0, atol=TOLERANCE)


@given(case=cases(changed=False), dt=st.sampled_from(STEPS))
def test_without_losses_the_weights_are_stationary(case: Case, dt: float) -> None:
    """Detailed balance: the weights, normalised, are left as they are (Kelly 1979, section 1.2)."""
    stationary = case.weights / case.weights.sum(axis=1, keepdims=True)
    still = case._replace(losses=np.zeros_like(case.losses), x=stationary[:, None])
    np.testing.assert_allclose(moved(still, dt), still.x, rtol=0, atol=TOLERANCE)


@given(case=cases(changed=False), seconds=st.floats(3600, 39600))
def test_a_long_silence_keeps_the_digits_of_its_own_mass(case: Case, seconds: float) -> None:
    """However unlikely a silence was, the belief after it (the normalised row) is right to 1e-6."""
    generator = case.plain[0]
    slowest = -np.linalg.eigvals(generator).real.max()
    assume(slowest * seconds < 200)  # p(silence) down to 1e-87
    expected = case.x[0].copy()
    for _ in range(64):  # short steps, normalised: scipy's own answer would lose its digits as well
        expected = expected @ expm(generator * seconds / 64)
        expected /= expected.sum(axis=1, keepdims=True)
    result = moved(case, seconds)[0]
    np.testing.assert_allclose(result / result.sum(axis=1, keepdims=True), expected, rtol=0, atol=1e-6)


def test_the_rational_approximation_of_exp() -> None:
    """Error below 1e-13 on (-inf, 0], rounding and the constant left out with it."""
    x = -np.concatenate([[0.0], np.logspace(-12, 8, 20_001)])
    approximation = (RESIDUES / (x[:, None] - POLES)).real.sum(axis=1)
    assert np.abs(approximation - np.exp(x)).max() < 1e-13


def test_the_rational_approximation_is_the_best() -> None:
    """Its error goes from one extreme to the other 2 * 14 + 1 times, as only the best one's does (Chebyshev), and each
    is the least possible, 1.832e-14 (Carpenter, Ruttan & Varga 1984; value from memory), but for rounding of the table.
    """
    least, errors = 1.832e-14, []
    for power in np.arange(-6.0, 8.0, 0.01):
        x, approximation = -Decimal(float(10.0**power)), Decimal(least)
        for pole, residue in zip(POLES.tolist(), RESIDUES.tolist(), strict=True):
            across, up = x - Decimal(pole.real), Decimal(pole.imag)
            approximation += (Decimal(residue.real) * across - Decimal(residue.imag) * up) / (across**2 + up**2)
        errors.append(float(approximation - x.exp()))
    extremes = [error for error in errors if abs(error) > 0.5 * least]
    assert np.abs(errors).max() < 1.5 * least
    assert int((np.diff(np.sign(extremes)) != 0).sum()) == 2 * 14 + 1


@pytest.mark.parametrize("weights", [[[1.0, 0.0]], [[1.0, -1.0]], [[1.0, np.nan]]])
def test_weights_must_be_positive(weights: list[list[float]]) -> None:
    with pytest.raises(ValueError, match="weights must be positive"):
        decompose(np.array(weights), np.zeros((1, 2, 2)), np.zeros((1, 2)))


def test_flows_must_be_symmetric() -> None:
    with pytest.raises(ValueError, match="symmetric"):
        decompose(np.ones((1, 2)), np.array([[[0.0, 1.0], [0.5, 0.0]]]), np.zeros((1, 2)))


@given(case=cases(changed=True), dt=st.sampled_from(STEPS))
def test_a_changed_generator_decomposed_by_itself_equals_scipy(case: Case, dt: float) -> None:
    """Also where one-way moves close a cycle, so that some entries are left over as a change."""
    base, change = decomposed(case)
    assert change is not None
    own, rest = absorb(base, change)
    result = propagate(own, case.x, dt, rest)
    np.testing.assert_allclose(result, by_scipy(case, dt), rtol=0, atol=TOLERANCE)
    assert (result >= 0).all()


@given(case=cases(changed=True), dt=st.sampled_from(STEPS), data=st.data())
def test_more_entries_on_top_of_a_changed_generator(case: Case, dt: float, data: st.DataObject) -> None:
    """Some losses more, given in the coordinates of the base."""
    base, change = decomposed(case)
    assert change is not None
    own, rest = absorb(base, change)
    states = np.array(sorted(data.draw(st.sets(st.integers(0, case.weights.shape[1] - 1), min_size=1))))
    diagonal = -np.arange(1.0, len(states) + 1) / 100
    more = Change(states, np.array([np.diag(diagonal)] * len(base.values)))
    plain = case.plain.copy()
    plain[:, states, states] += diagonal
    result = propagate(own, case.x, dt, carried(rest, more, base, own))
    np.testing.assert_allclose(result, by_scipy(case._replace(plain=plain), dt), rtol=0, atol=TOLERANCE)


@given(case=cases(changed=False), factor=st.floats(0.1, 20.0), data=st.data())
def test_moves_into_one_state_made_faster_stay_reversible(case: Case, factor: float, data: st.DataObject) -> None:
    """Kolmogorov's criteria (Kelly 1979, section 1.5): every cycle through the state gains the factor either way."""
    target = data.draw(st.integers(0, case.weights.shape[1] - 1))
    scale = np.sqrt(case.weights)
    into = case.flows[:, :, target] / (scale * scale[:, [target]])
    into[:, target] = 0.0
    entries = np.zeros_like(case.flows)
    entries[:, :, target] = (factor - 1.0) * into
    base, change = decomposed(case._replace(change=Change(np.arange(case.weights.shape[1]), entries)))
    assert change is not None
    assert absorb(base, change)[1] is None


def test_alike_beings_share_a_generator() -> None:
    random = np.random.default_rng(1)
    flows = np.triu(random.uniform(size=(4, 4)), 1)
    one, other = np.ones(4), random.uniform(0.5, 1.0, 4)
    base = decompose(np.array([one, other, one]), np.array([flows + flows.T] * 3), np.zeros((3, 4)))
    assert base.members == ((0, 2), (1,))
    x = random.dirichlet(np.ones(4), (3, 2))
    moved = propagate(base, x, 7.3)
    for being in range(3):
        np.testing.assert_allclose(
            propagate(base.of(being), x[being : being + 1], 7.3)[0], moved[being], rtol=0, atol=1e-14
        )
