"""The weighted set of hypotheses against the joint distribution that it stands for, written out in full."""

from __future__ import annotations

from itertools import pairwise, product
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as effort
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.typing import NDArray

from presence.first_passage import crossed, crossed_last, near_after, told_apart
from presence.hypotheses import Companion, Way, attribute, branch, reweigh, start
from presence.markov import mark_joint, move_joint
from presence.merging import Mixture
from presence.witness import Staying, divide, nobody_inside, witness

Array = NDArray[np.float64]

EXACT = 1e-12
PROBABILITIES = st.floats(0.0, 1.0)


def joint_of(mixture: Mixture) -> Array:
    """sum_k w_k prod_p x[p, k], shape (S,) * P."""
    joint: Array = np.zeros((mixture.x.shape[2],) * len(mixture.x))
    for k, weight in enumerate(mixture.weight):
        term = np.asarray(weight)
        for row in mixture.x[:, k]:
            term = np.multiply.outer(term, row)
        joint += term
    return joint


def marginals(joint: Array) -> Array:
    """Shape (P, S)."""
    axes = range(joint.ndim)
    return np.array([joint.sum(axis=tuple(a for a in axes if a != p)) for p in axes])


class Case(NamedTuple):
    """A random mixture and ways to cause an event."""

    mixture: Mixture
    ways: list[Way]
    nobody: float


@st.composite
def cases(draw: st.DrawFn, most_people: int = 3, most_rows: int = 6) -> Case:
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    persons, states = draw(st.integers(1, most_people)), draw(st.integers(2, 5))
    count, windows = draw(st.integers(1, most_rows)), draw(st.integers(0, 4))
    concentration = draw(st.sampled_from([0.05, 0.5, 5.0]))
    mixture = Mixture(
        x=random.dirichlet(np.full(states, concentration), (persons, count)),
        weight=random.dirichlet(np.full(count, draw(st.sampled_from([0.2, 2.0])))),
        labels=random.dirichlet(np.ones(1 + 2 * persons), (count, windows)),
        ghosts=random.dirichlet(np.ones(3), (count, draw(st.integers(0, 2)))),
        cause=random.dirichlet(np.ones(persons + 1), count),
        log_likelihood=-3.0,
        merged=0.25,
    )
    ways = []
    for label in draw(st.lists(st.sampled_from([0, 1, 2]), min_size=1, max_size=3)):
        source = np.sort(random.choice(states, random.integers(1, states + 1), replace=False))
        target = np.sort(random.choice(states, random.integers(1, states + 1), replace=False))
        rates = random.uniform(0, 1, (persons, len(source), len(target))) ** 3
        ways.append(Way(source, target, rates, label))
    return Case(mixture, ways, 10.0 ** draw(st.floats(-6, 0)))


def dense(way: Way, p: int, states: int) -> Array:
    matrix = np.zeros((states, states))
    matrix[np.ix_(way.source, way.target)] = way.rates[p]
    return matrix


def branched(case: Case, most: int | None, accepting: tuple[int, ...] = ()) -> Mixture:
    return branch(case.mixture, case.ways, np.full(len(case.mixture.weight), case.nobody), most, accepting)[0]


# --- an event --------------------------------------------------------------------------------------------------------
@given(case=cases())
def test_branching_is_the_exact_joint_filter(case: Case) -> None:
    """All candidates kept: the mixture after an event is `mark_joint` of the joint before it."""
    persons, _, states = case.mixture.x.shape
    marked = [sum((dense(way, p, states) for way in case.ways), np.zeros((states, states))) for p in range(persons)]
    expected = mark_joint(joint_of(case.mixture), marked, case.nobody)
    after = branched(case, None)
    np.testing.assert_allclose(joint_of(after), expected / expected.sum(), rtol=0, atol=EXACT)
    assert after.log_likelihood == pytest.approx(-3.0 + np.log(expected.sum()), rel=0, abs=EXACT)
    assert after.merged == pytest.approx(0.25, rel=0, abs=EXACT)


@given(case=cases(), seed=st.integers(0, 2**32 - 1))
def test_a_guest_moves_in_the_same_event(case: Case, seed: int) -> None:
    """Two axes of the joint move at once, for every two different beings."""
    random = np.random.default_rng(seed)
    persons, count, states = case.mixture.x.shape
    every, guests = np.arange(states), tuple(range(random.integers(1, persons + 1)))
    moves = random.dirichlet(np.ones(states), states) * random.random()
    way = Way(every, every, random.random((persons, states, states)), 0, Companion(guests, every, every, moves, 1))
    joint, still = joint_of(case.mixture), np.eye(states)
    expected = case.nobody * joint
    for p in range(persons):
        for guest in set(guests) - {p}:
            matrices = [way.rates[p] if q == p else moves if q == guest else still for q in range(persons)]
            expected = expected + move_joint(joint, matrices)
    windows = tuple(range(case.mixture.labels.shape[1]))
    after, _ = branch(case.mixture, [way], np.full(count, case.nobody), None, windows)
    np.testing.assert_allclose(joint_of(after), expected / expected.sum(), rtol=0, atol=EXACT)
    before = np.einsum("k,kwl->wl", case.mixture.weight, case.mixture.labels)
    settled = np.einsum("k,kwl->wl", after.weight, after.labels)
    assert (settled[:, 0] <= before[:, 0] + EXACT).all() or persons == 1, "who comes in has passed"


@given(case=cases())
def test_who_caused_an_event_is_their_share_of_its_rate(case: Case) -> None:
    """By the definition: the share of the event's rate that each being has."""
    persons, count, states = case.mixture.x.shape
    _, caused = branch(case.mixture, case.ways, np.full(count, case.nobody), 4)
    rate = np.array(
        [[sum((case.mixture.x[p, k] @ dense(w, p, states)).sum() for w in case.ways) for k in range(count)]
         for p in range(persons)]
    )  # fmt: skip
    mass = rate * case.mixture.weight
    total = mass.sum() + case.nobody
    np.testing.assert_allclose(caused.beings, mass.sum(axis=1) / total, rtol=0, atol=1e-11)
    assert caused.nobody == pytest.approx(case.nobody / total, rel=0, abs=1e-11)
    same = (mass.T * case.mixture.cause[:, :persons]).sum() / total
    assert caused.same_as_before == pytest.approx(same, rel=0, abs=1e-11)


@given(case=cases())
def test_a_report_told_twice_is_no_evidence_but_has_a_cause(case: Case) -> None:
    """In each hypothesis by itself the cause is who `branch` would say; weights and whereabouts stay."""
    mixture = case.mixture
    after, caused = attribute(mixture, case.ways, case.nobody)
    for k in range(len(mixture.weight)):
        alone = mixture._replace(
            x=mixture.x[:, [k]], weight=np.ones(1), labels=mixture.labels[[k]], ghosts=mixture.ghosts[[k]]
        )
        who = branch(alone._replace(cause=mixture.cause[[k]]), case.ways, np.array([case.nobody]), None)[1]
        np.testing.assert_allclose(after.cause[k], [*who.beings, who.nobody], rtol=0, atol=1e-11)
    same = np.einsum("k,kp,kp->", mixture.weight, mixture.cause[:, :-1], after.cause[:, :-1])
    assert caused.same_as_before == pytest.approx(same, rel=0, abs=1e-11)
    np.testing.assert_allclose([*caused.beings, caused.nobody], mixture.weight @ after.cause, rtol=0, atol=1e-11)
    assert after._replace(cause=mixture.cause) == mixture


@given(case=cases(), data=st.data())
def test_a_passage_settles_the_windows_that_accept_it(case: Case, data: st.DataObject) -> None:
    """Mean label after the event, from the definition; windows that do not accept are only reweighed."""
    persons, count, states = case.mixture.x.shape
    windows = case.mixture.labels.shape[1]
    accepting = tuple(w for w in range(windows) if data.draw(st.booleans()))
    expected = case.nobody * np.einsum("k,kwl->wl", case.mixture.weight, case.mixture.labels)
    total = case.nobody
    for p in range(persons):
        for way in case.ways:
            for k in range(count):
                mass = case.mixture.weight[k] * (case.mixture.x[p, k] @ dense(way, p, states)).sum()
                label = case.mixture.labels[k].copy()
                for w in accepting if way.label else ():
                    label[w, 1 + (way.label - 1) * persons + p] += label[w, 0]
                    label[w, 0] = 0.0
                expected += mass * label
                total += mass
    for most in (None, 2):  # merging keeps every label's mean
        after = branched(case, most, accepting)
        mean = np.einsum("k,kwl->wl", after.weight, after.labels)
        np.testing.assert_allclose(mean, expected / total, rtol=0, atol=1e-10)


# --- merging ---------------------------------------------------------------------------------------------------------
@given(case=cases(), most=st.integers(1, 8))
def test_merging_keeps_every_mean(case: Case, most: int) -> None:
    """At most `most` are left; beings' distributions, labels, seats and causes keep their means; nothing is lost."""
    kept, whole = branched(case, most), branched(case, None)
    assert len(kept.weight) <= most
    assert kept.weight.sum() == pytest.approx(1.0, rel=0, abs=EXACT)
    np.testing.assert_allclose(kept.x.sum(axis=2), 1.0, rtol=0, atol=EXACT)
    for values in ("labels", "ghosts", "cause"):
        means = [np.tensordot(m.weight, getattr(m, values), axes=1) for m in (kept, whole)]
        np.testing.assert_allclose(*means, rtol=0, atol=1e-10)
    np.testing.assert_allclose(marginals(joint_of(kept)), marginals(joint_of(whole)), rtol=0, atol=1e-10)
    assert kept.log_likelihood == pytest.approx(whole.log_likelihood, rel=0, abs=EXACT)


@given(case=cases(most_people=1), most=st.integers(1, 4))
def test_merging_one_person_is_exact(case: Case, most: int) -> None:
    np.testing.assert_allclose(joint_of(branched(case, most)), joint_of(branched(case, None)), rtol=0, atol=1e-10)


@given(case=cases(most_people=2), most=st.integers(1, 8))
def test_what_merging_loses_is_reported(case: Case, most: int) -> None:
    """The joint moves by no more than eight times the reported cost, and not at all where the cost is zero.

    Two products `a1 b1`, `a2 b2` of weights w, v and their merged one differ by
    `w v / (w + v) |a1 - a2| |b1 - b2|` in total variation (twice over), and |a1 - a2| <= 2 sqrt(2) Hellinger.
    """
    kept, whole = branched(case, most), branched(case, None)
    moved = float(np.abs(joint_of(kept) - joint_of(whole)).sum())
    assert moved <= 8.0 * (kept.merged - case.mixture.merged) + 1e-9


def test_what_is_lost_by_merging_all_into_one_is_reported() -> None:
    """Either being may have moved: each story differs from the first in one being only, but not from each other."""
    still, moved = np.eye(2)
    x, every = np.array([[still], [still]]), np.arange(2)
    mixture = Mixture(x, np.ones(1), np.zeros((1, 0, 5)), np.zeros((1, 0, 3)), np.eye(3)[[2]])
    way = Way(every, every, np.array([np.outer(still, moved)] * 2), 0)
    kept, whole = (branch(mixture, [way], np.ones(1), most)[0] for most in (1, None))
    difference = np.abs(joint_of(kept) - joint_of(whole)).sum()
    assert difference == pytest.approx(4 / 9, rel=0, abs=EXACT), "a third each: both moved 1/9 instead of never"
    assert difference <= 8.0 * kept.merged


def test_merging_two_that_differ_in_one_being_is_free() -> None:
    x = np.array([[[1.0, 0.0], [0.0, 1.0]], [[0.3, 0.7], [0.3, 0.7]]])
    mixture = Mixture(x, np.array([0.6, 0.4]), np.zeros((2, 0, 5)), np.zeros((2, 0, 3)), np.eye(3)[[2, 2]])
    after, _ = branch(mixture, [], np.ones(2), 16)
    assert len(after.weight) == 1, "there is room for 16, but one says it all"
    np.testing.assert_allclose(joint_of(after), joint_of(mixture), rtol=0, atol=EXACT)
    assert after.merged == pytest.approx(0.0, rel=0, abs=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_what_differs_by_rounding_alone_is_no_difference(seed: int) -> None:
    """Else the root of a rounding error, 1e-8, decides which of many merges that cost nothing is made."""
    random = np.random.default_rng(seed)
    here, there, usual = random.dirichlet(np.ones(40), 3)
    nudged = usual * (1.0 + random.uniform(-1e-15, 1e-15, 40))
    x = np.array([[here, there], [usual, nudged / nudged.sum()]])
    mixture = Mixture(x, np.array([0.6, 0.4]), np.zeros((2, 0, 5)), np.zeros((2, 0, 3)), np.eye(3)[[2, 2]])
    after, _ = branch(mixture, [], np.ones(2), 16)
    assert len(after.weight) == 1
    assert after.merged == 0.0


def test_who_is_where_is_kept_apart() -> None:
    """One here and one there, the other way round, and a light third: the third goes, the swap stays."""
    here, there = np.array([0.98, 0.02]), np.array([0.02, 0.98])
    x = np.array([[here, there, [0.9, 0.1]], [there, here, [0.1, 0.9]]])
    mixture = Mixture(x, np.array([0.49, 0.49, 0.02]), np.zeros((3, 0, 5)), np.zeros((3, 0, 3)), np.eye(3)[[2, 2, 2]])
    after, _ = branch(mixture, [], np.ones(3), 2)
    assert len(after.weight) == 2
    both_together = joint_of(after)[0, 0] + joint_of(after)[1, 1]
    assert both_together < 0.06, "merging the swap would say .5"


@pytest.mark.parametrize("known", [True, False])
def test_what_differs_in_the_coarser_view_is_kept_apart_first(known: bool) -> None:
    """Either the first or the second is off (state 2), and the second and third may have changed rooms (0 and 1).

    There is room for two: those that differ only in rooms are merged, so that both are hardly ever off at once.
    """
    first, second, off = np.array([0.99, 0.005, 0.005]), np.array([0.005, 0.99, 0.005]), np.array([0.05, 0.01, 0.94])
    x = np.array([[off, off, first], [first, second, off], [second, first, second]])
    coarse = np.array([[1.0, 0.0], [1.0, 0.0], [0.0, 1.0]]) if known else None
    mixture = Mixture(
        x, np.array([0.3, 0.3, 0.4]), np.zeros((3, 0, 7)), np.zeros((3, 0, 3)), np.eye(4)[[3, 3, 3]], coarse=coarse
    )
    after, _ = branch(mixture, [], np.ones(3), 2)
    both_off = joint_of(after)[2, 2].sum()
    assert (both_off < 0.01) == known
    np.testing.assert_allclose(marginals(joint_of(after)), marginals(joint_of(mixture)), rtol=0, atol=1e-12)
    assert np.abs(joint_of(after) - joint_of(mixture)).sum() <= 8.0 * after.merged


@effort(max_examples=30)
@given(case=cases(), most=st.sampled_from([None, 1, 3, 16]))
def test_mixtures_are_never_changed_in_place(case: Case, most: int | None) -> None:
    copies = [np.copy(values) for values in case.mixture[:5]]
    after = branched(case, most, tuple(range(case.mixture.labels.shape[1])))
    reweigh(after, after.blocks * 0.5)
    witness(case.mixture, np.ones((len(case.mixture.x), case.mixture.x.shape[2])), 0.3, most)
    for values, copy in zip(case.mixture[:5], copies, strict=True):
        np.testing.assert_array_equal(values, copy)


@pytest.mark.parametrize("most", [1, 4, 16])
def test_thousands_of_events_stay_bounded_and_normalised(most: int) -> None:
    """Three people, 2000 events by two sensors, some of them next to impossible."""
    random = np.random.default_rng(2)
    mixture = start(random.dirichlet(np.ones(4), 3), 0)
    move = random.dirichlet(np.full(4, 0.5), 4)
    for n in range(2000):
        state = np.array([n % 4])
        way = Way(state, state, np.full((3, 1, 1), 10.0 ** random.uniform(-9, 1)), 0)
        mixture = reweigh(mixture, mixture.blocks @ move)
        mixture, _ = branch(mixture, [way], np.full(len(mixture.weight), 1e-6), most)
        assert len(mixture.weight) <= most
    assert mixture.weight.sum() == pytest.approx(1.0, rel=0, abs=EXACT)
    np.testing.assert_allclose(mixture.x.sum(axis=2), 1.0, rtol=0, atol=EXACT)
    assert np.isfinite(mixture.log_likelihood)


# --- silence and witness ---------------------------------------------------------------------------------------------
@given(case=cases(), seed=st.integers(0, 2**32 - 1))
def test_reweighing_is_bayes_rule_on_the_joint(case: Case, seed: int) -> None:
    """A factor per being and state multiplies the joint; a factor per hypothesis its weight."""
    random = np.random.default_rng(seed)
    persons, count, states = case.mixture.x.shape
    factor = random.uniform(1e-9, 1.0, (persons, states))
    log_factor = random.uniform(-3, 0, count)
    after = reweigh(case.mixture, case.mixture.blocks * factor[:, None, None], log_factor)
    expected = joint_of(case.mixture._replace(weight=case.mixture.weight * np.exp(log_factor)))
    for p in range(persons):
        expected = expected * factor[p].reshape([-1 if axis == p else 1 for axis in range(persons)])
    np.testing.assert_allclose(joint_of(after), expected / expected.sum(), rtol=0, atol=1e-11)
    assert after.log_likelihood == pytest.approx(-3.0 + np.log(expected.sum()), rel=0, abs=1e-9)


def test_reweighing_survives_tiny_likelihoods() -> None:
    """300 silences of 1e-30 each: log-likelihoods add up where the product would underflow."""
    mixture = start(np.array([[0.5, 0.5], [0.2, 0.8]]), 0)
    for _ in range(300):
        mixture = reweigh(mixture, mixture.blocks * 1e-30)
    assert mixture.log_likelihood == pytest.approx(300 * 2 * np.log(1e-30), rel=1e-12)
    np.testing.assert_allclose(mixture.x[:, 0], [[0.5, 0.5], [0.2, 0.8]], rtol=1e-9)


def test_reweighing_refuses_the_impossible() -> None:
    mixture = start(np.array([[1.0, 0.0]]), 0)
    with pytest.raises(FloatingPointError, match="impossible under every hypothesis"):
        reweigh(mixture, mixture.blocks * 0.0)


def drawn_inside(case: Case, seed: int) -> tuple[Array, Array]:
    """States that count (P, S), wholly or in part, drawn, and how likely nobody is in them, on the joint states."""
    persons, _, states = case.mixture.x.shape
    inside = np.random.default_rng(seed).uniform(size=(persons, states)).round(3 * (seed % 2))
    nobody: Array = np.ones(())
    for row in inside:
        nobody = np.multiply.outer(nobody, 1.0 - row)
    return inside, nobody


@given(case=cases(), seed=st.integers(0, 2**32 - 1), alone=st.floats(0.01, 1.0))
def test_witness_is_bayes_rule_on_the_joint(case: Case, seed: int, alone: float) -> None:
    """Likelihood 1 where at least one being is inside, `alone` where none is; two inside are no better than one."""
    inside, nobody = drawn_inside(case, seed)
    expected = joint_of(case.mixture) * (1.0 - nobody + nobody * alone)
    after = witness(case.mixture, inside, alone, None)
    np.testing.assert_allclose(joint_of(after), expected / expected.sum(), rtol=0, atol=1e-11)
    assert after.log_likelihood == pytest.approx(-3.0 + np.log(expected.sum()), rel=0, abs=1e-9)
    merged = witness(case.mixture, inside, alone, 3)
    assert len(merged.weight) <= 3
    np.testing.assert_allclose(marginals(joint_of(merged)), marginals(expected / expected.sum()), rtol=0, atol=1e-10)


@given(lost=st.floats(1e-6, 0.5), alone=st.floats(0.01, 0.99), nobody=st.floats(0.001, 0.999), times=st.integers(1, 60))
def test_a_sensor_that_stays_on_may_have_lost_its_off_message(
    lost: float, alone: float, nobody: float, times: int
) -> None:
    """Nobody moves: Bayes' rule over three cases, somebody there, message lost, off message still to come."""
    staying, evidence = Staying().at(nobody, lost), 1.0
    for _ in range(times):
        evidence *= staying.likelihood(alone)
        staying = staying.after(alone)
        staying = staying.at(staying.nobody, lost)
    assert evidence == pytest.approx(lost + (1 - lost) * alone**times, rel=1e-9)
    assert staying.nobody == pytest.approx(nobody * evidence / (1 - nobody + nobody * evidence), rel=1e-9)


@given(case=cases(), seed=st.integers(0, 2**32 - 1))
def test_nobody_inside_is_read_from_the_joint(case: Case, seed: int) -> None:
    inside, nobody = drawn_inside(case, seed)
    expected = float((joint_of(case.mixture) * nobody).sum())
    assert nobody_inside(case.mixture, inside) == pytest.approx(expected, rel=1e-9, abs=1e-12)


def test_the_start_is_one_product() -> None:
    x = np.array([[0.1, 0.9], [0.4, 0.6], [1.0, 0.0]])
    mixture = start(x, 2)
    np.testing.assert_array_equal(joint_of(mixture), np.einsum("a,b,c->abc", *x))
    assert mixture.ghosts.tolist() == [[[1.0, 0.0, 0.0]] * 2]
    assert (mixture.log_likelihood, mixture.merged) == (0.0, 0.0)


# --- who has passed between two instants ------------------------------------------------------------------------------
def test_who_must_have_crossed_worked_by_hand() -> None:
    """One who was on the first side for sure and is there with a half; one who was there with .2 and is with .8."""
    label = crossed(np.array([[1.0], [0.2]]), np.array([[0.5], [0.8]]))
    odds = np.array([0.5 / 0.5, 0.6 / 0.4])
    someone = 0.8 * odds / odds.sum()
    np.testing.assert_allclose(label, [[0.5 * 0.4, someone[0], 0.0, 0.0, someone[1]]], rtol=0, atol=EXACT)


@given(st.lists(st.floats(0.0, 1.0), min_size=2, max_size=5))
def test_who_crossed_last_is_the_sum_over_all_paths_of_sides(sides: list[float]) -> None:
    """Each step as few move as can have: `P(first, first) = min(before, after)`. One being, all 2 ** N paths."""
    expected = np.zeros(3)
    for path in product((True, False), repeat=len(sides)):
        weight = sides[0] if path[0] else 1.0 - sides[0]
        for here, there, before, after in zip(path, path[1:], sides, sides[1:], strict=False):
            stays = min(before, after) if here else min(1.0 - before, 1.0 - after)
            start = before if here else 1.0 - before
            weight *= 0.0 if not start else (stays if here == there else start - stays) / start
        last = [here for here, there in pairwise(path) if here != there]
        expected[(1 if last[-1] else 2) if last else 0] += weight
    label = crossed_last(np.array(sides)[:, None, None], 0)
    found = sides[-1] * label[0] + (1.0 - sides[-1]) * label[1]
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-9)


def test_of_two_who_crossed_the_last_to_have_done_so_is_told() -> None:
    """One never moves, the other goes forth and comes back: wherever the first is now, the other came back last."""
    sides = np.array([[0.5, 1.0], [0.5, 0.0], [0.5, 1.0], [0.5, 1.0]])[:, :, None]
    np.testing.assert_allclose(crossed_last(sides, 0), [[0.0, 0.0, 0.0, 0.0, 1.0]] * 2, rtol=0, atol=1e-9)
    np.testing.assert_allclose(crossed_last(sides[:2], 0), [[0.0, 0.0, 1.0, 0.0, 0.0]] * 2, rtol=0, atol=1e-9)


@given(seed=st.integers(0, 2**32 - 1))
def test_where_the_first_passage_left_somebody_is_the_sum_over_all_paths(seed: int) -> None:
    """Every path of four steps over one state on the near side and two beyond the open door."""
    random, near = np.random.default_rng(seed), np.array([1.0, 0.0, 0.0])
    begin, moves = random.dirichlet(np.ones(3)), random.dirichlet(np.ones(3), size=3)
    x, blocks, expected = np.zeros(3), np.zeros((2, 3)), 0.0
    for path in product(range(3), repeat=5):
        probability = begin[path[0]] * np.prod([moves[a, b] for a, b in pairwise(path)])
        after = [path[n + 1] for n in range(4) if near[path[n]] != near[path[n + 1]]]
        x[path[-1]] += probability
        expected += probability * near[after[0] if after else path[-1]]
        if not (after and near[after[0]]):  # who passed back first is in no block
            blocks[1 if after else 0, path[-1]] += probability
    found = near_after(x[None, None], blocks[None, None], near)
    assert found[0, 0] == pytest.approx(expected, rel=1e-9)


@given(
    before=hnp.arrays(float, (2, 3), elements=PROBABILITIES), after=hnp.arrays(float, (2, 3), elements=PROBABILITIES)
)
def test_told_apart_hypotheses_add_up_to_what_they_were(before: Array, after: Array) -> None:
    """Law of total probability: where somebody was, and whether they crossed, before and after telling apart."""
    was, now = told_apart(before, after, 1)
    share = np.concatenate([after[1], 1.0 - after[1]])
    for whole, parts in ((before, was), (after, now), (np.abs(before - after), np.abs(was - now))):
        both = (parts[1] * share).reshape(2, 3).sum(axis=0)
        np.testing.assert_allclose(both, whole[1], rtol=0, atol=1e-9)
    np.testing.assert_array_equal(was[0], np.tile(before[0], 2))
    np.testing.assert_allclose(crossed(was, now).sum(axis=1), 1.0, rtol=0, atol=1e-9)


def test_dividing_hypotheses_changes_nothing_but_the_label() -> None:
    """The mixture of what is divided is what it was, and the label says for sure where the being is."""
    rng = np.random.default_rng(5)
    x, weight = rng.dirichlet(np.ones(4), size=(2, 3)), rng.dirichlet(np.ones(3))
    labels = np.zeros((3, 1, 5))
    labels[:, :, 0] = 1.0
    mixture = Mixture(x, weight, labels, np.zeros((3, 0, 3)), np.eye(3)[[2, 2, 2]])
    part, label = np.array([1.0, 1.0, 0.0, 0.0]), np.eye(5)[[0, 0, 0, 2, 2, 2]]
    divided = divide(mixture, 1, part, label)
    np.testing.assert_allclose(joint_of(divided), joint_of(mixture), rtol=0, atol=EXACT)
    there = weight @ (x[1] @ part)
    np.testing.assert_allclose(divided.weight @ divided.labels[:, 0], [there, 0, 1 - there, 0, 0], rtol=0, atol=EXACT)
