"""Smoothing and likeliest paths against print, another library, every path written out, and each other.

Exactness is asserted to 1e-9 where it is exact; where hypotheses are merged, the difference to exact is bounded.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise, product
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as effort
from hypothesis import strategies as st
from numpy.typing import NDArray

from benchmarks.exact.drawing import draw_life
from presence import Event, Floorplan, Settings, joint, reversal
from presence.errors import LateEventError, SettingError, UnknownSensorError
from presence.holds import put_back
from presence.joint import Cause, Move
from presence.paths import likeliest_paths, log_probability
from presence.recorder import RecordingEngine, stretches
from presence.replay import replay
from presence.smoothing import paths, smooth
from presence.snapshot import Belief
from presence.tape import Letting, Mark, Weigh, Witness, lettings
from tests.oracle import NOON, PLAIN, at, brute_force, contact, draw_log, home, logs, motion, time_at
from tests.strategies import events as any_events
from tests.strategies import plans

Array = NDArray[np.float64]
MOTION = {"hall_motion": motion("hall"), "bed_motion": motion("bed")}
DOORS = {"inner_contact": contact("inner"), "front_contact": contact("front")}
RING = home(2, **MOTION, **DOORS)
ALONE = home(1, **MOTION, **DOORS)
SEATS = home(1, **MOTION, mat={"kind": "pressure", "room": "bed"}, eye={"kind": "occupancy", "room": "hall"})
SHORT = [
    at(5, "hall_motion", "detected"),
    at(12, "bed_motion", "detected"),
    at(20, "hall_motion", "clear"),
    at(22, "bed_motion", "clear"),
    at(60, "front_contact", "open"),
    at(64, "front_contact", "closed"),
    at(500, "inner_contact", "open"),
    at(503, "bed_motion", "detected"),
]
SEAT_STORY = [
    at(5, "hall_motion", "detected"),
    at(15, "hall_motion", "clear"),
    at(30, "mat", "pressed"),
    at(36, "eye", "occupied"),
    at(150, "eye", "vacant"),
    at(2000, "mat", "released"),
    at(2200, "bed_motion", "detected"),
]

# --- chains from print ------------------------------------------------------------------------------------------------
RAIN_MOVES = np.array([[0.7, 0.3], [0.3, 0.7]])
UMBRELLA = {True: [0.9, 0.2], False: [0.1, 0.8]}


def umbrella(*seen: bool) -> list[Move | Weigh]:
    """The umbrella world as operations on one chain that starts before the first day."""
    return [op for day in seen for op in (Move(RAIN_MOVES[None]), Weigh(np.array([UMBRELLA[day]])))]


@pytest.mark.parametrize(
    ("seen", "smoothed"),
    [
        ((True, True), [0.883357]),
        ((True, True, False, True, True), [0.867339, 0.820419, 0.307484, 0.820419, 0.867339]),
    ],
)
def test_umbrellas_smoothed_are_as_printed(seen: tuple[bool, ...], smoothed: list[float]) -> None:
    """Russell & Norvig, AIMA, ch. "Probabilistic reasoning over time": .883 is printed; the rest recomputed."""
    days = [2 * (n + 1) for n in range(len(smoothed))]
    found, _ = joint.smooth(np.array([0.5, 0.5]), umbrella(*seen), days)
    np.testing.assert_allclose([row[0] for row in found], smoothed, rtol=0, atol=5e-7)


def test_ice_cream_gives_the_printed_path() -> None:
    """Jurafsky & Martin, SLP3, App. A (parameters from memory): 3 1 3 eaten, best path hot cold hot, .0128."""
    eaten = {1: [0.2, 0.5], 3: [0.4, 0.1]}
    moves = Move(np.array([[[0.6, 0.4], [0.5, 0.5]]]))
    operations = [Weigh(np.array([eaten[3]])), moves, Weigh(np.array([eaten[1]])), moves, Weigh(np.array([eaten[3]]))]
    path, log_p = joint.best_path(np.array([0.8, 0.2]), operations)
    assert path[[1, 3, 5], 0].tolist() == [0, 1, 0]
    assert math.exp(log_p) == pytest.approx(0.0128, rel=1e-12)


@given(st.integers(0, 2**32 - 1))
def test_one_chain_equals_hmmlearn(seed: int) -> None:
    """Smoothed probabilities and the likeliest path, within 1e-6, of hmmlearn with the same log-likelihoods."""
    from hmmlearn.base import BaseHMM

    class External(BaseHMM):
        def _compute_log_likelihood(self, X: Array) -> Array:  # noqa: N803
            return X

        def _check(self) -> None:
            pass

    random = np.random.default_rng(seed)
    states, steps = int(random.integers(2, 5)), int(random.integers(2, 12))
    initial, moves = random.dirichlet(np.ones(states)), random.dirichlet(np.ones(states), states)
    likelihoods = random.uniform(0.01, 1.0, (steps, states))
    other = External(n_components=states)
    other.startprob_, other.transmat_ = initial, moves
    operations: list[Move | Weigh] = [Weigh(likelihoods[:1])]
    for row in likelihoods[1:]:
        operations += [Move(moves[None]), Weigh(row[None])]
    instants = list(range(1, len(operations) + 1, 2))
    smoothed, _ = joint.smooth(initial, operations, instants)
    np.testing.assert_allclose(smoothed, other.predict_proba(np.log(likelihoods)), rtol=0, atol=1e-6)
    path, log_p = joint.best_path(initial, operations)
    log_other, path_other = other.decode(np.log(likelihoods))
    assert log_p == pytest.approx(log_other, rel=0, abs=1e-6)
    assert path[instants, 0].tolist() == path_other.tolist()


# --- every path written out -------------------------------------------------------------------------------------------
@st.composite
def joint_chains(draw: st.DrawFn) -> tuple[Array, list[Move | Cause | Weigh | Witness]]:
    """One or two small chains and a few operations of every kind."""
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    chains, states = draw(st.integers(1, 2)), draw(st.integers(2, 3))
    operations: list[Move | Cause | Weigh | Witness] = []
    for kind in draw(st.lists(st.sampled_from("mcww"), min_size=1, max_size=4)):
        if kind == "m":
            operations.append(Move(random.dirichlet(np.ones(states), (chains, states)) * 0.9))
        elif kind == "c":
            matrix = random.uniform(0, 1, (chains, states, states)) * (random.uniform(size=(states, states)) < 0.6)
            letting = Letting((0,), random.uniform(0, 1, (chains, states)), random.uniform(0, 1, (states, states)))
            operations.append(Cause(matrix, 0.05, [letting] if draw(st.booleans()) else []))
        elif draw(st.booleans()):
            operations.append(Weigh(random.uniform(0.1, 1, (chains, states))))
        else:
            inside = random.uniform(0, 1, (chains, states)).round(draw(st.sampled_from([0, 3])))
            operations.append(Witness(inside, 0.3))
    return joint.independent(random.dirichlet(np.ones(states), chains)), operations


def step(operation: Move | Cause | Weigh | Witness, old: Sequence[int], new: Sequence[int]) -> float:
    """The weight of one step of a joint path, from the definition."""
    if isinstance(operation, Move):
        return math.prod(float(m[i, j]) for m, i, j in zip(operation.transitions, old, new, strict=True))
    if isinstance(operation, Cause):
        total = operation.nobody * (old == new)
        for p, matrix in enumerate(operation.marked):
            others = all(i == j for q, (i, j) in enumerate(zip(old, new, strict=True)) if q != p)
            total += float(matrix[old[p], new[p]]) * others
        for letting in operation.lettings:  # chain 1 stays and causes the event, chain 0 moves
            if len(old) == 2 and old[1] == new[1]:
                total += float(letting.rates[1, old[1]] * letting.moves[old[0], new[0]])
        return total
    if old != new:
        return 0.0
    if isinstance(operation, Weigh):
        return math.prod(float(row[i]) for row, i in zip(operation.factor, old, strict=True))
    outside = math.prod(float(1.0 - row[i]) for row, i in zip(operation.inside, old, strict=True))
    return 1.0 - outside + outside * operation.alone


@given(joint_chains())
def test_smoothing_and_best_path_equal_the_sum_over_all_paths(
    chain: tuple[Array, list[Move | Cause | Weigh | Witness]],
) -> None:
    initial, operations = chain
    states = list(product(range(initial.shape[0]), repeat=initial.ndim))
    weights: dict[tuple[tuple[int, ...], ...], float] = {(state,): float(initial[state]) for state in states}
    for operation in operations:
        weights = {
            (*path, new): w * f
            for path, w in weights.items()
            for new in states
            if (f := step(operation, path[-1], new)) > 0
        }
    total = math.fsum(weights.values())
    found, _ = joint.smooth(initial, operations, range(len(operations) + 1))
    for n, array in enumerate(found):
        expected = np.zeros_like(initial)
        for path, weight in weights.items():
            expected[path[n]] += weight / total
        np.testing.assert_allclose(array, expected, rtol=0, atol=1e-12)
    path, log_p = joint.best_path(initial, operations)
    best = max(weights.values())
    assert math.exp(log_p) == pytest.approx(best, rel=1e-9)
    assert weights[tuple(tuple(row) for row in path.tolist())] == pytest.approx(best, rel=1e-9)


# --- the engine's own operations, from both sides ---------------------------------------------------------------------
def recorded(
    plan: Floorplan, events: Sequence[Event], until: float, most: int | None = 16, *, repeats: float = 0.0
) -> RecordingEngine:
    engine = RecordingEngine(plan, replace(PLAIN, door_repeats=repeats), most, numbering=False)
    snapshot = engine.start(NOON.timestamp())
    for event in events:
        snapshot, _ = engine.advance(snapshot, event.seconds)
        snapshot, _ = engine.observe(snapshot, event)
    engine.advance(snapshot, NOON.timestamp() + until)
    return engine


def from_both_sides(engine: RecordingEngine, most: int | None) -> list[Array]:
    """Smoothed marginals (P, S) before each operation, from hypotheses of the past and the future."""
    rules = reversal.Rules(most, engine.ghost_rates)
    weights = engine.model.world(engine.before[-1].hours).sight.weights
    future = reversal.nothing_follows(weights, len(engine.seats))
    found = []
    for operation, before in zip(reversed(engine.tape), reversed(engine.before), strict=True):
        future = reversal.undo(operation, future, rules)
        both = reversal.combine(before.mixture, future)
        found.append(np.einsum("k,pks->ps", both.weight, both.x))
    return found[::-1]


def marginals(array: Array) -> Array:
    return np.array([array.sum(axis=tuple(q for q in range(array.ndim) if q != p)) for p in range(array.ndim)])


def exactly(engine: RecordingEngine) -> list[Array]:
    initial = joint.independent(engine.before[0].mixture.x[:, 0])
    return [marginals(a) for a in joint.smooth(initial, engine.tape, range(len(engine.tape)))[0]]


@effort(max_examples=20)
@given(logs(RING, 4, longest=900.0), st.sampled_from([1.0, 400.0]))
def test_both_sides_are_exact_while_all_hypotheses_are_kept(events: list[Event], wait: float) -> None:
    engine = recorded(RING, events, events[-1].seconds - NOON.timestamp() + wait, None)
    for mine, exact in zip(from_both_sides(engine, None), exactly(engine), strict=True):
        np.testing.assert_allclose(mine, exact, rtol=0, atol=1e-6)  # pairs below 1e-9 are left out


def test_both_sides_are_exact_where_somebody_lets_a_guest_in() -> None:
    guest = home(1, visitors=1, **MOTION, **DOORS)
    engine = recorded(guest, [*SHORT[:6], at(70, "hall_motion", "detected")], 400.0, None)
    letting = [o for o in engine.tape if isinstance(o, Mark) and lettings(o, engine.before[0].mixture.x[:, 0].shape)]
    assert letting
    for mine, exact in zip(from_both_sides(engine, None), exactly(engine), strict=True):
        np.testing.assert_allclose(mine, exact, rtol=0, atol=1e-6)
    path = likeliest_paths(engine.before[0].mixture, engine.tape, reversal.Rules(16, engine.ghost_rates))
    initial = engine.before[0].mixture.x[:, 0]
    best, log_p = best_exact(engine)
    assert log_probability(initial, engine.tape, best) == pytest.approx(log_p, rel=0, abs=1e-6)
    assert log_p - 2.0 < log_probability(initial, engine.tape, path) <= log_p + 1e-6


def test_both_sides_are_exact_for_one_person_however_long_the_log() -> None:
    """For one being every merge is exact, so 16 hypotheses are as good as all."""
    engine = recorded(ALONE, draw_log(ALONE, 6 * 3600, seed=3), 6 * 3600)
    assert len(engine.tape) > 100
    for mine, exact in zip(from_both_sides(engine, 16), exactly(engine), strict=True):
        np.testing.assert_allclose(mine, exact, rtol=0, atol=1e-6)


@pytest.mark.parametrize("seed", range(3))
def test_two_people_with_merged_hypotheses_come_close_to_exact(seed: int) -> None:
    """The mean difference of any state's smoothed probability stays below .004 on logs drawn from the model."""
    engine = recorded(RING, draw_log(RING, 4 * 3600, seed), 4 * 3600)
    pairs = zip(from_both_sides(engine, 16), exactly(engine), strict=True)
    assert float(np.mean([abs(mine - exact).mean() for mine, exact in pairs])) < 0.004


def test_smoothed_people_equal_brute_force() -> None:
    """A tag that is heard at an instant multiplies the likelihood by what is believed of the instant from all evidence.

    So `p(room at t | all)` follows from the likelihoods of every history and path (`brute_force`), with the tag in each
    room and without it. Nobody asks anybody along: looking back knows no company.
    """
    apart = Settings(door_company_share=0.0)
    plan = home(2, **MOTION, **DOORS, tag={"kind": "badge", "person": "P1"})
    events, instant, error, until = SHORT[:6], 40.0, Settings().badge_error, time_at(90)
    rooms = ["hall", "bed", "away"]
    without = brute_force(plan, events, until=until, settings=apart).log_likelihood
    ratios = []
    for room in rooms:
        heard = sorted([*events, at(instant, "tag", room)], key=lambda event: event.time)
        ratios.append(math.exp(brute_force(plan, heard, until=until, settings=apart).log_likelihood - without))
    expected = (np.array(ratios) - error / 2) / (1 - error - error / 2)
    engine = RecordingEngine(
        plan, Settings(door_bounce_share=0.0, door_pulled_shut_share=0.0, door_repeats=0.0), None, numbering=False
    )
    snapshot = engine.start(NOON.timestamp())
    begin = NOON.timestamp()
    for event in events:
        if snapshot.seconds < begin + instant < event.seconds:
            snapshot, _ = engine.advance(snapshot, begin + instant)
        snapshot, _ = engine.advance(snapshot, event.seconds)
        snapshot, _ = engine.observe(snapshot, event)
    engine.advance(snapshot, until.timestamp())
    point = next(n for n, before in enumerate(engine.before) if before.seconds == begin + instant)
    for mine in (from_both_sides(engine, None)[point], exactly(engine)[point]):
        by_room = mine[0] @ engine.model.room_of
        np.testing.assert_allclose(by_room, expected, rtol=0, atol=1e-7)


def test_seats_that_press_themselves_are_undone_exactly() -> None:
    """A mat's own state is part of both passes: past and future agree on the likelihood wherever they meet."""
    engine = recorded(SEATS, SEAT_STORY, 2500.0, None)
    rules = reversal.Rules(None, engine.ghost_rates)
    weights = engine.model.world(engine.before[-1].hours).sight.weights
    future, found = reversal.nothing_follows(weights, 1), []
    for operation, before in zip(reversed(engine.tape), reversed(engine.before), strict=True):
        future = reversal.undo(operation, future, rules)
        past, ahead = before.mixture, future.mixture
        agree = np.prod(past.x @ (ahead.x / future.weights[:, None]).transpose(0, 2, 1), axis=0)
        agree = agree * np.einsum("kgi,lgi->klg", past.ghosts, ahead.ghosts).prod(axis=2)
        scale = past.log_likelihood + ahead.log_likelihood + np.log(future.weights.sum(axis=1)).sum()
        found.append(float(np.log(past.weight @ agree @ ahead.weight)) + scale)
    assert any(isinstance(operation, Witness) for operation in engine.tape)
    assert any(isinstance(operation, Mark) and operation.shared for operation in engine.tape)
    assert np.ptp(found) < 1e-6


@pytest.mark.parametrize("link", [[], [at(1900, "mat", "offline"), at(1950, "mat", "online")]], ids=["", "offline"])
@pytest.mark.parametrize("most", [None, 3])
def test_doing_again_what_was_recorded_gives_the_filter(most: int | None, link: list[Event]) -> None:
    """The operations are all that happened to the belief, seats, occupancy sensors and merging included."""
    motion_on = [at(110, "bed_motion", "detected"), at(140, "bed_motion", "clear")]
    events = sorted([*SEAT_STORY, *motion_on, *link], key=lambda event: event.time)
    engine = recorded(SEATS, events, 2500.0, most, repeats=0.5)
    rules, mixture = reversal.Rules(most, engine.ghost_rates), engine.before[0].mixture
    for operation, before in zip(engine.tape, engine.before, strict=True):
        mine, theirs = (m.weight @ m.x for m in (mixture, before.mixture))
        np.testing.assert_allclose(mine, theirs, rtol=0, atol=1e-10)
        seats, mats = (np.einsum("k,kgi->gi", m.weight, m.ghosts) for m in (mixture, before.mixture))
        np.testing.assert_allclose(seats, mats, rtol=0, atol=1e-10)
        mixture = reversal.do(operation, mixture, rules)


@effort(max_examples=30)
@given(st.data())
def test_nothing_that_happens_to_the_belief_escapes_the_record(data: st.DataObject) -> None:
    """Whatever the plan and the stream: the recorded operations, done again, give what the engine believes."""
    plan = Floorplan.from_mapping(data.draw(plans(max_rooms=3)) | {"pets": {}, "visitors": 1})
    engine = RecordingEngine(plan, Settings(), None, numbering=True)
    events = data.draw(any_events(plan, max_gap=100.0, max_size=3))
    snapshot = engine.start(NOON.timestamp() if not events else events[0].seconds)
    mixture = snapshot.mixture
    for event in events:
        snapshot, _ = engine.advance(snapshot, event.seconds)
        snapshot, _ = engine.observe(snapshot, event)
    snapshot, _ = engine.advance(snapshot, snapshot.seconds + 50.0)
    for operation in engine.tape:
        mixture = reversal.do(operation, mixture, reversal.Rules(None, engine.ghost_rates))
    assert engine.belief(snapshot._replace(mixture=mixture)).rooms == pytest.approx(
        engine.belief(snapshot).rooms, rel=0, abs=1e-9
    )
    assert mixture.log_likelihood == pytest.approx(snapshot.mixture.log_likelihood, rel=0, abs=1e-9)


# --- likeliest paths --------------------------------------------------------------------------------------------------
def best_exact(engine: RecordingEngine) -> tuple[Array, float]:
    initial = joint.independent(engine.before[0].mixture.x[:, 0])
    return joint.best_path(initial, engine.tape)


def test_one_persons_path_is_exact() -> None:
    engine = recorded(ALONE, draw_log(ALONE, 3 * 3600, seed=5), 3 * 3600)
    initial = engine.before[0].mixture.x[:, 0]
    path = likeliest_paths(engine.before[0].mixture, engine.tape, reversal.Rules(16, engine.ghost_rates))
    exact, log_p = best_exact(engine)
    assert log_probability(initial, engine.tape, path) == pytest.approx(log_p, rel=0, abs=1e-6)
    assert log_probability(initial, engine.tape, exact) == pytest.approx(log_p, rel=0, abs=1e-6)


def test_two_peoples_paths_found_in_turn_come_close_to_the_joint_best() -> None:
    """Each sweep raises the joint probability; at the end little is missing, and nothing is impossible."""
    for seed in range(3):
        engine = recorded(RING, draw_log(RING, 3600, seed), 3600)
        initial = engine.before[0].mixture.x[:, 0]
        path = likeliest_paths(engine.before[0].mixture, engine.tape, reversal.Rules(16, engine.ghost_rates))
        mine, best = log_probability(initial, engine.tape, path), best_exact(engine)[1]
        assert math.isfinite(mine)
        assert mine <= best + 1e-6
        assert best - mine < 4.0


def test_paths_are_told_as_a_truth_file() -> None:
    told = list(paths(ALONE, [*SHORT[:6], at(4000.0, "hall_motion", "offline")]))
    assert [line.room for line in told][-1] == "away"
    assert {line.person for line in told} == {"P1"}
    assert [line.time for line in told] == sorted(line.time for line in told)
    for before, after in pairwise(told):
        assert before.room != after.room


# --- a whole log ------------------------------------------------------------------------------------------------------
APART = Settings(door_company_share=0.0)  # looking back knows no company
DAY = draw_life(RING, 5 * 3600, seed=11, settings=APART).events
LONG = sorted([*DAY, at(5 * 3600, "front_contact", "open")], key=lambda event: event.time)


def rooms_of(beliefs: Sequence[Belief]) -> Array:
    return np.array([[*b.rooms.values(), *(p for who in b.people.values() for p in who.values())] for b in beliefs])


def test_a_smoothed_belief_for_each_belief_of_a_replay() -> None:
    filtered = [line for line in replay(RING, LONG) if isinstance(line, Belief)]
    smoothed = list(smooth(RING, LONG))
    assert [b.time for b in smoothed] == [b.time for b in filtered]
    for belief in smoothed:
        assert sum(belief.at_home) == pytest.approx(1, rel=0, abs=1e-9)
        for who in belief.people.values():
            assert sum(who.values()) == pytest.approx(1, rel=0, abs=1e-9)
        assert all(0 <= p <= 1 for p in belief.rooms.values())


def test_chunks_make_no_difference_where_they_overlap_enough() -> None:
    whole = rooms_of(list(smooth(RING, LONG, chunk=1e6)))
    chunks = rooms_of(list(smooth(RING, LONG, chunk=3600.0, overlap=7200.0)))
    np.testing.assert_allclose(chunks, whole, rtol=0, atol=0.02)
    assert float(abs(chunks - whole).mean()) < 1e-3
    alone = rooms_of(list(smooth(RING, LONG, chunk=3600.0, overlap=7200.0, joint_states=0)))
    assert float(abs(alone - whole).mean()) < 0.005


@pytest.mark.parametrize("every", [900.0, 7200.0, 5400.0])
def test_a_grid_coarser_than_a_chunk_tells_the_same_and_holds_no_more_of_the_log(every: float) -> None:
    chunk, overlap = 1800.0, 3600.0
    whole, chunks = list(smooth(RING, LONG, every=every, chunk=1e6)), list(smooth(RING, LONG, every=every, chunk=chunk))
    assert [b.time for b in chunks] == [b.time for b in whole]
    np.testing.assert_allclose(rooms_of(chunks), rooms_of(whole), rtol=0, atol=0.02)
    held = [s.starts for s in stretches(RecordingEngine(RING, APART, 16, numbering=True), LONG, every, chunk, overlap)]
    assert len(held) >= 10
    assert max(starts[-1] - starts[0] for starts in held if starts) < every + chunk + overlap


def test_the_last_belief_before_the_end_is_nearly_the_filters() -> None:
    """Where nothing follows, there is nothing to smooth with."""
    quiet = [*SHORT, at(3600.5, "hall_motion", "offline")]
    filtered = [line for line in replay(ALONE, quiet) if isinstance(line, Belief)][-1]
    assert rooms_of([list(smooth(ALONE, quiet))[-1]]) == pytest.approx(rooms_of([filtered]), rel=0, abs=3e-3)


def test_a_return_tells_that_somebody_was_out_since_they_left() -> None:
    """The front door, an hour of silence, and the front door again: out in between (common practice, no source)."""
    events = [*SHORT[:6], at(4000.0, "front_contact", "open"), at(4002.0, "hall_motion", "detected")]
    events += [at(4200.0, "hall_motion", "offline")]
    afterwards = {b.time: b for b in smooth(ALONE, events)}
    before = {line.time: line for line in replay(ALONE, events) if isinstance(line, Belief)}
    out = time_at(1800)
    assert afterwards[out].people["P1"]["away"] > before[out].people["P1"]["away"]


@pytest.mark.parametrize("name", ["every", "chunk", "overlap", "hypotheses"])
def test_settings_that_make_no_sense_are_refused(name: str) -> None:
    with pytest.raises(SettingError, match=name):
        list(smooth(RING, DAY, **{name: -1.0}))
    with pytest.raises(SettingError, match=name):
        list(paths(RING, DAY, **{name: math.nan}))


def test_events_that_this_home_cannot_have_sent_or_out_of_order_are_refused() -> None:
    with pytest.raises(UnknownSensorError, match="doorbell"):
        list(smooth(RING, [at(1, "doorbell", "pressed")]))
    with pytest.raises(LateEventError, match="sort the events"):
        list(paths(RING, [at(5, "hall_motion", "detected"), at(1, "bed_motion", "detected")]))


def test_an_empty_log_gives_nothing() -> None:
    assert list(smooth(RING, [])) == []
    assert list(paths(RING, [])) == []


# --- what an off report says of the past ------------------------------------------------------------------------------
def told(events: Sequence[Event]) -> list[tuple[float, str, str]]:
    return [(e.seconds - NOON.timestamp(), e.sensor, e.value) for e in events]


def test_a_prolonged_hold_tells_of_a_movement_when_it_began_to_run_out() -> None:
    events = [
        at(0, "hall_motion", "detected"),
        at(15, "bed_motion", "detected"),
        at(25.5, "bed_motion", "clear"),
        at(40, "hall_motion", "clear"),
    ]
    assert told(list(put_back(RING, events))) == [
        (0, "hall_motion", "detected"),
        (15, "bed_motion", "detected"),
        (25.5, "bed_motion", "clear"),  # on for just its hold of 10 s: nothing is made of it
        (30, "hall_motion", "clear"),
        (30, "hall_motion", "detected"),
        (30, "hall_motion", "clear"),
        (40, "hall_motion", "clear"),
    ]


@pytest.mark.parametrize("after", [-1.0, 0.0, 1.5, 4.0, 9.0])
def test_whose_last_steps_are_seen_as_they_go_out_is_out(after: float) -> None:
    """The hall's sensor sees them, or the door, until some seconds after they have opened it; then all is quiet."""
    plan = home(
        1,
        rooms={"hall": {}, "bed": {"rest": True}},
        doors={"inner": {"between": ["hall", "bed"]}, "front": {"between": ["hall", "away"]}},
        hall_motion=motion("hall"),
        front_contact=contact("front"),
    )
    events = [
        at(52, "hall_motion", "detected"),
        at(60, "front_contact", "open"),
        at(65, "front_contact", "closed"),
        at(70 + after, "hall_motion", "clear"),
        at(7200, "hall_motion", "clear"),
    ]
    told = list(smooth(plan, events, every=1800.0))
    assert [t.people["P1"]["away"] > 0.8 for t in told] == [True] * 3


def test_nothing_is_made_of_a_movement_just_after_a_door_of_the_same_room_has_reported() -> None:
    events = [
        at(0, "hall_motion", "detected"),
        at(8, "inner_contact", "open"),
        at(12, "inner_contact", "closed"),
        at(24, "hall_motion", "clear"),
        at(100, "bed_motion", "detected"),
        at(104, "inner_contact", "open"),
        at(108, "hall_motion", "detected"),
        at(128, "hall_motion", "clear"),
    ]
    told = [(e.time - NOON).total_seconds() for e in put_back(RING, events) if e.sensor == "hall_motion"]
    assert told == [0, 24, 108, 118, 118, 118, 128]


@given(logs(RING, 12))
def test_putting_back_keeps_order_and_every_event(events: list[Event]) -> None:
    after = list(put_back(RING, events))
    assert [e.seconds for e in after] == sorted(e.seconds for e in after)
    left = list(after)
    for event in events:
        left.remove(event)
    assert len(left) % 3 == 0


def test_an_off_report_that_never_comes_holds_nothing_up() -> None:
    events = [at(0, "hall_motion", "detected"), *(at(60.0 * n, "bed_motion", "clear") for n in range(1, 200))]
    assert list(put_back(RING, events)) == events


def test_the_command_tells_smoothed_lines_and_paths(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from presence.cli import run

    log = tmp_path / "log.jsonl"
    lines = [{"time": e.time.isoformat(), "sensor": e.sensor, "value": e.value} for e in SHORT]
    log.write_text("".join(json.dumps(line) + "\n" for line in lines), encoding="utf-8")
    plan = tmp_path / "plan.json"
    between = {name: {"between": list(door.between), "leaf": "hinged"} for name, door in RING.doors.items()}
    sensors = {name: {"kind": "motion", "room": name[:-7], "hold": 10} for name in MOTION}
    contacts = {name: {"kind": "contact", "door": name[:-8]} for name in DOORS}
    rooms = {"hall": {}, "bed": {"rest": True}}
    fields = {"name": "x", "time_zone": "UTC", "rooms": rooms, "doors": between, "sensors": sensors | contacts}
    plan.write_text(json.dumps(fields | {"people": {"P1": {}}, "visitors": 0}), encoding="utf-8")
    assert run(["smooth", str(plan), str(log), "--every", "30"]) == 0
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert len(told) == 16
    assert all(line["kind"] == "occupancy" and line["smoothed"] is True for line in told)
    assert list(told[0]) == ["kind", "time", "rooms", "people", "at_home", "smoothed"]
    assert run(["smooth", str(plan), str(log), "--paths"]) == 0
    path = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [list(line) for line in path] == [["time", "person", "room"]] * len(path)
    assert {line["room"] for line in path} <= {"hall", "bed", "away"}
    truth = tmp_path / "paths.jsonl"
    truth.write_text("".join(json.dumps(line) + "\n" for line in path), encoding="utf-8")
    assert run(["evaluate", str(plan), str(log), str(truth), "--json"]) == 0


@pytest.mark.parametrize("pets", [{}, {"cat": {}}])
@pytest.mark.parametrize("seats", [False, True])
def test_where_nobody_lives_and_nobody_comes_every_room_was_empty(pets: dict[str, object], seats: bool) -> None:
    """Whatever the sensors say; with a cat about, too, for animals are nobody."""
    others = {"mat": {"kind": "pressure", "room": "bed"}, "eye": {"kind": "occupancy", "room": "hall"}} if seats else {}
    plan = home({}, pets=pets, **MOTION, **DOORS, **others)
    story = [*SHORT, at(600, "mat", "pressed"), at(610, "eye", "occupied")] if seats else SHORT
    lines = list(smooth(plan, story))
    assert [line.time for line in lines] == [line.time for line in replay(plan, story) if isinstance(line, Belief)]
    assert len(lines) > 7
    assert all(belief.rooms == {"hall": 0.0, "bed": 0.0} for belief in lines)
    assert all(belief.at_home == (1.0,) for belief in lines)
    assert list(paths(plan, story)) == []
