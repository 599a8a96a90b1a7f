"""Who passed an open door first, which way: against absorbing chains written out, and every case counted."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.linalg import expm

from presence import first_passage
from presence.first_passage import FORTH_FIRST, NOT_YET, Opening
from presence.propagation import decompose, propagate

Array = NDArray[np.float64]

NEAR = np.array([1.0, 1.0, 0.0, 0.0])
"""Two states on the near side, two beyond; the door joins the second and the third."""
SEEDS = st.integers(0, 2**32 - 1)


def a_house(random: np.random.Generator) -> tuple[Array, Array]:
    """Weights and flows of a row of four states, the middle way being the door."""
    flows = np.zeros((4, 4))
    for i in range(3):
        flows[i, i + 1] = flows[i + 1, i] = random.uniform(0.1, 2.0)
    return random.uniform(0.5, 2.0, 4), flows


@given(seed=SEEDS, dt=st.sampled_from([0.1, 1.0, 20.0]))
def test_blocks_move_as_the_chain_with_a_label_for_each_first_passage(seed: int, dt: float) -> None:
    """Kemeny & Snell: twelve states (not yet, forth first, back first), absorbed once into one of the latter."""
    random = np.random.default_rng(seed)
    weights, flows = a_house(random)
    passes = np.zeros((4, 4))
    passes[1, 2], passes[2, 1] = flows[1, 2] / weights[1], flows[2, 1] / weights[2]
    whole = flows / weights[:, None]
    whole -= np.diag(whole.sum(axis=1))
    labelled = np.kron(np.eye(3), whole)
    labelled[:4, :4] -= passes
    labelled[1, 4 + 2], labelled[2, 8 + 1] = passes[1, 2], passes[2, 1]
    begun = random.dirichlet(np.ones(12))
    expected = (begun @ expm(labelled * dt)).reshape(3, 4)
    cut = flows.copy()
    cut[1, 2] = cut[2, 1] = 0.0
    base, still = (decompose(weights[None], f[None], passes.sum(axis=1)[None] * n) for n, f in enumerate((flows, cut)))
    waiting, forth, _ = begun.reshape(3, 1, 1, 4)
    moved = np.stack([propagate(base, waiting * NEAR, dt), propagate(base, forth, dt)], axis=2)
    found = first_passage.advance(waiting, moved, dt, Opening(still, None, NEAR))
    np.testing.assert_allclose(found[0, 0], expected[:2], rtol=0, atol=1e-10)


@given(seed=SEEDS)
def test_a_label_is_shared_out_by_the_odds_that_only_one_has_passed(seed: int) -> None:
    """Three beings, each by itself: all 27 cases, of which those of one passage alone share what is not nobody's."""
    random = np.random.default_rng(seed)
    x = random.dirichlet(np.ones(4), size=(3, 2))
    parts = random.dirichlet(np.ones(3), size=(3, 2))  # not yet, forth, back
    blocks = x[:, :, None, :] * parts[:, :, :2, None]
    found = first_passage.label(x, blocks)
    for k in range(2):
        case = {who: np.prod([parts[p, k, who[p]] for p in range(3)]) for who in product(range(3), repeat=3)}
        nobody = case.pop((0, 0, 0))
        alone = np.array([case[tuple(way * (p == q) for p in range(3))] for way in (1, 2) for q in range(3)])
        np.testing.assert_allclose(found[k], [nobody, *((1.0 - nobody) * alone / alone.sum())], rtol=0, atol=1e-12)


@given(seed=SEEDS)
def test_blocks_that_are_begun_with_a_label_say_what_it_said(seed: int) -> None:
    """Being by being: by themselves two of whom either may have passed may both have, so one alone is looked at."""
    random = np.random.default_rng(seed)
    x, label = random.dirichlet(np.ones(4), size=(1, 3)), random.dirichlet(np.ones(3), size=3)
    blocks = first_passage.begin(x, label)
    np.testing.assert_allclose(blocks.sum(axis=3)[0], label[:, :2], rtol=0, atol=1e-12)
    np.testing.assert_allclose(blocks, x[:, :, None, :] * blocks.sum(axis=3)[..., None], rtol=0, atol=1e-12)
    np.testing.assert_allclose(first_passage.label(x, blocks), label, rtol=0, atol=1e-9)


@pytest.mark.parametrize("forth", [True, False])
def test_who_had_not_passed_yet_passes_at_the_event(forth: bool) -> None:
    """Nobody is left who has not; who passed before stays who passed first that way."""
    blocks = np.random.default_rng(1).dirichlet(np.ones(12)).reshape(1, 3, 4)[:, None]
    kept = blocks[..., :2, :].copy()
    settled = first_passage.pass_now(kept, forth=forth)
    assert not settled[..., NOT_YET, :].any()
    passed = kept[..., FORTH_FIRST, :] + (kept[..., NOT_YET, :] if forth else 0.0)
    np.testing.assert_array_equal(settled[..., FORTH_FIRST, :], passed)
    np.testing.assert_array_equal(kept, blocks[..., :2, :])  # what was known before stays known


@given(seed=SEEDS)
def test_where_nobody_has_passed_the_earlier_label_holds(seed: int) -> None:
    """Law of total probability; an earlier label may leave some of it open, which is then nobody's."""
    random = np.random.default_rng(seed)
    label, earlier = random.dirichlet(np.ones(5), size=2), 0.7 * random.dirichlet(np.ones(5), size=2)
    found = first_passage.else_earlier(label, earlier)
    for k in range(2):
        for n in range(1, 5):
            assert found[k, n] == pytest.approx(label[k, n] + label[k, 0] * earlier[k, n])
    np.testing.assert_allclose(found.sum(axis=1), 1.0, rtol=0, atol=1e-12)
