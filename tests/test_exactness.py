"""The tracker against exact answers: every history and path on tiny homes, the joint filter, two other libraries.

Tolerances: 1e-9 wherever the tracker is exact (all hypotheses kept, or one person), 1e-6 against other libraries.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.linalg import expm

from presence import Event, Floorplan, Settings, Tracker, markov
from presence.conditions import standing, usually
from tests.oracle import (
    NOON,
    PLAIN,
    Answer,
    DenseModel,
    JointFilter,
    at,
    brute_force,
    contact,
    draw_log,
    home,
    logs,
    motion,
    time_at,
)

Array = NDArray[np.float64]
EXACT = 1e-9

MOTION = {"hall_motion": motion("hall"), "bed_motion": motion("bed")}
DOORS = {"inner_contact": contact("inner"), "front_contact": contact("front")}
LOCK = {"front_lock": {"kind": "lock", "door": "front"}}
MOVED = ("hall_motion", "detected")
MAT = {"mat": {"kind": "pressure", "room": "bed"}}
OBJECTS = {
    "switch": {"kind": "switch", "room": "hall"},
    "kettle": {"kind": "power", "room": "bed"},
    "camera": {"kind": "camera", "room": "hall", "hold": 86400.0},  # that it stays on so long tells nothing
}
PHONE = {"P1_phone": {"kind": "phone", "person": "P1"}, "P1_tag": {"kind": "badge", "person": "P1"}}
RING = home(2, **MOTION, **DOORS)
WITH_LOCK = home(2, **MOTION, **LOCK, inner_contact=contact("inner"))
WITH_MAT = home({"P1": {"bed": "bed"}, "P2": {"bed": "bed"}}, **MOTION, **MAT, inner_contact=contact("inner"))
WITH_OBJECTS = home(2, **OBJECTS, **PHONE, inner_contact=contact("inner"))


def tracked(
    plan: Floorplan, events: Sequence[Event], until: float | None = None, hypotheses: int | None = None
) -> Tracker:
    tracker = Tracker(plan, PLAIN, hypotheses=hypotheses, numbering=False)  # the oracle keeps people alike alike
    tracker.advance(NOON)
    for event in events:
        tracker.observe(event)
    if until is not None:
        tracker.advance(time_at(until))
    return tracker


def assert_same(tracker: Tracker, answer: Answer, tolerance: float = EXACT) -> None:
    belief = tracker.belief
    assert tracker.log_likelihood == pytest.approx(answer.log_likelihood, rel=0, abs=tolerance)
    assert belief.rooms == pytest.approx(answer.rooms, rel=0, abs=tolerance)
    assert belief.at_home == pytest.approx(answer.at_home, rel=0, abs=tolerance)
    assert list(belief.people) == list(answer.people)
    for name, distribution in answer.people.items():
        assert belief.people[name] == pytest.approx(distribution, rel=0, abs=tolerance)


# --- is the model itself in order? ----------------------------------------------------------------------------------
ZONES = home(
    2,
    west=motion("hall", at=[0, 0]),
    east=motion("hall", at=[3, 0]),
    bed_motion=motion("bed"),
    inner_contact=contact("inner"),
)

VIEWS = home(
    2,
    rooms={"hall": {"outline": [[0, 0], [6, 0], [6, 3], [0, 3]]}, "bed": {}},
    west=motion("hall", at=[1.5, 1.5], reach=2.1),
    east=motion("hall", at=[4.5, 1.5], reach=2.1),
    inner_contact=contact("inner"),
)


def spread(people: int) -> Floorplan:
    """Zones so far apart that some have others between them."""
    spots = {"hall_0": 0, "hall_1": 3, "hall_2": 6, "bed_near": 12, "bed_far": 15}
    return home(
        people,
        doors={
            "inner": {"between": ["hall", "bed"], "at": [9, 0]},
            "front": {"between": ["hall", "away"], "at": [0, 0]},
        },
        **{name: motion(name.split("_")[0], at=[x, 0]) for name, x in spots.items()},
    )


SPREAD = spread(2)
DEAD_END = home(
    2,
    doors={"inner": {"between": ["hall", "bed"]}, "front": {"between": ["hall", "away"]}},
    **MOTION,
    **DOORS,
)
REPORTS = {
    "motion": "detected",
    "contact": "open",
    "lock": "unlocked",
    "pressure": "pressed",
    "switch": "pressed",
    "power": "started",
    "camera": "person",
}
PLANS = {
    "ring": RING,
    "lock": WITH_LOCK,
    "mat": WITH_MAT,
    "objects": WITH_OBJECTS,
    "zones": ZONES,
    "spread": SPREAD,
    "views": VIEWS,
    "zones beside a room": home(1, west=motion("hall", at=[0, 0]), east=motion("hall", at=[3, 0]), one=motion("bed")),
    "dead_end": DEAD_END,
    "cat": home(1, pets={"cat": {}}, **MOTION, **DOORS),
}


def reportable(plan: Floorplan, conditions: Sequence[tuple[str, str]]) -> list[tuple[str, str]]:
    """(sensor, value) of everything that can be reported under these conditions."""
    found = []
    for sensor in plan.sensors.values():
        value = REPORTS.get(sensor.kind)
        if ("blind", sensor.id) in conditions:
            continue
        if ("open", sensor.door) in conditions:
            value = "closed"
        if ("pressed", sensor.id) in conditions:
            value = "released"
        if value:
            found.append((sensor.id, value))
    return found


@pytest.mark.parametrize("name", PLANS)
@pytest.mark.parametrize(("busy", "open_share"), [(False, 0.0), (False, 0.3), (True, 0.0), (True, 0.3), (True, 1.0)])
def test_silence_and_events_conserve_probability(name: str, busy: bool, open_share: float) -> None:
    """D0 + sum of all D_e is a generator, the one of movement alone (Asmussen & Koole 1993).

    So no event comes for free: what can be reported is missed while it is not, be it that a door is shut that has stood
    open for some share of the time. One kind of move is left out: a walk
    past every sensor into the zone of one that is on.
    """
    plan, model = PLANS[name], DenseModel(PLANS[name])
    conditions: list[tuple[str, str]] = []
    for sensor in plan.sensors.values():
        if not busy:
            shut = [(usually(open_share), str(sensor.door))] if sensor.kind == "contact" and open_share else []
            conditions += shut
        elif sensor.kind in ("motion", "camera"):
            conditions.append(("blind", sensor.id))
        elif sensor.kind == "contact":
            conditions.append(("open", str(sensor.door)))
            conditions += [(standing(open_share), str(sensor.door))] if open_share else []
        elif sensor.kind == "pressure":
            conditions.append(("pressed", sensor.id))
    awake = model.hours(NOON.timestamp())
    for p, silent in enumerate(model.silent(awake, frozenset(conditions))):
        total = silent.copy()
        for sensor_id, value in reportable(plan, conditions):
            for cause in model.causes(Event(NOON, sensor_id, value), awake, open_share):
                total += cause.matrix if cause.being == p else 0.0
        for kind, sensor_id in conditions:
            total += model.unseen_walks(sensor_id, awake)[p] if kind == "blind" else 0.0
        np.testing.assert_allclose(total.sum(axis=1), 0.0, rtol=0, atol=1e-12)
        if "mat" not in plan.sensors:  # a seat that is taken takes nobody else
            whole = model.full(awake)[p]
            for door in plan.contacts if p not in model.people and not busy else ():  # nor an animal a shut door
                for i, j in model.sight(awake).door_states(door):
                    for at in ((i, j), (j, i)):
                        miss, hands = model.sight(awake).door_miss(door), Settings().pet_hands_share
                        kept_out = (1.0 - miss) * (1.0 - hands) * whole[at]
                        whole[at] -= kept_out
                        whole[at[0], at[0]] += kept_out
            np.testing.assert_allclose(total, whole, rtol=0, atol=1e-12)


# --- every history, every path --------------------------------------------------------------------------------------
STORIES = {
    "through the door": (
        RING,
        [(3.2, "hall_motion", "detected"), (10.1, "inner_contact", "open"), (17.0, "bed_motion", "detected"),
         (31.3, "inner_contact", "closed")],
    ),
    "irregular gaps": (
        RING,
        [(0.0, "bed_motion", "detected"), (0.4, "hall_motion", "detected"), (11.0, "bed_motion", "clear"),
         (4000.0, "bed_motion", "detected"), (4003.7, "front_contact", "open")],
    ),
    "sensors on and on": (
        RING,
        [(1.0, "hall_motion", "detected"), (5.0, "hall_motion", "detected"), (60.0, "hall_motion", "detected"),
         (61.0, "bed_motion", "detected"), (900.0, "hall_motion", "clear"), (901.0, "hall_motion", "detected")],
    ),
    "at once": (
        RING,
        [(5.0, "hall_motion", "detected"), (5.0, "bed_motion", "detected"), (5.0, "front_contact", "open"),
         (5.0, "front_contact", "closed")],
    ),
    "a door that stands open": (
        DEAD_END,
        [(5.0, "inner_contact", "open"), (3000.0, "inner_contact", "closed"), (3009.0, "inner_contact", "open"),
         (3200.0, "hall_motion", "detected"), (3800.0, "inner_contact", "closed")],
    ),
    "mat": (
        WITH_MAT,
        [(4.0, "bed_motion", "detected"), (30.0, "mat", "pressed"), (700.0, "hall_motion", "detected"),
         (2000.0, "mat", "released")],
    ),
    "mat by itself": (
        WITH_MAT,
        [(4.0, "mat", "pressed"), (11.0, "mat", "released"), (11.5, "mat", "pressed"),
         (30.0, "hall_motion", "detected")],
    ),
    "switches and a tag": (
        WITH_OBJECTS,
        [(1.0, "P1_phone", "home"), (4.0, "switch", "pressed"), (6.0, "camera", "person"), (30.0, "P1_tag", "bed"),
         (90.0, "kettle", "started")],
    ),
}  # fmt: skip


@pytest.mark.parametrize("silence", [None, 0.5, 5000.0], ids=["at_once", "a_moment_later", "long_after"])
@pytest.mark.parametrize("story", STORIES)
def test_equals_the_sum_over_histories_and_paths(story: str, silence: float | None) -> None:
    plan, lines = STORIES[story]
    events = [at(*line) for line in lines]
    until = None if silence is None else lines[-1][0] + silence
    answer = brute_force(plan, events, until=None if until is None else time_at(until))
    assert_same(tracked(plan, events, until), answer)


@pytest.mark.parametrize("other", [{}, {"codes": ["7"]}], ids=["a code of one", "a code of both"])
@pytest.mark.parametrize(
    ("by", "code"), [(None, None), ("inside", None), ("keypad", None), ("keypad", "7"), ("keypad", "9"), (None, "7")]
)
def test_lock_equals_the_sum_over_histories_and_paths(
    by: str | None, code: str | None, other: dict[str, list[str]]
) -> None:
    plan = home({"P1": {"codes": ["7"]}, "P2": other}, **MOTION, **LOCK)

    def events(by: str | None) -> list[Event]:
        return [
            at(3.0, "hall_motion", "detected"),
            at(9.0, "front_lock", "unlocked", by=by, code=code),
            at(14.0, "hall_motion", "clear"),
            at(21.0, "bed_motion", "detected"),
            at(30.0, "front_lock", "locked", by="inside"),
        ]

    outside = by or (code and "keypad")  # there is nowhere else to type a code
    assert_same(tracked(plan, events(by), 40.0), brute_force(plan, events(outside), until=time_at(40.0)))


@pytest.mark.parametrize("plan", [RING, WITH_LOCK, WITH_MAT, WITH_OBJECTS], ids=["ring", "lock", "mat", "objects"])
@settings(max_examples=20)
@given(data=st.data())
def test_random_logs_equal_the_sum_over_histories_and_paths(plan: Floorplan, data: st.DataObject) -> None:
    events = data.draw(logs(plan, 4))
    assert_same(tracked(plan, events), brute_force(plan, events))


@pytest.mark.parametrize("story", ["through the door", "irregular gaps", "mat", "switches and a tag"])
def test_who_caused_it_equals_the_sum_over_histories(story: str) -> None:
    plan, lines = STORIES[story]
    events = [at(*line) for line in lines]
    compared = 0
    for count in range(1, len(events) + 1):
        answer = brute_force(plan, events[:count])
        association = tracked(plan, events[:count]).association
        if association is None:
            assert answer.caused == dict.fromkeys(answer.caused, 0.0)
        elif events[count - 1].value != "clear" and association.time == events[count - 1].time:
            told = {**association.people, "nobody": association.nobody}
            assert told == pytest.approx(answer.caused, rel=0, abs=EXACT)
            compared += 1
    assert compared >= 3


def test_direction_at_once_equals_the_sum_over_histories() -> None:
    plan, lines = STORIES["through the door"]
    events = [at(*line) for line in lines[:2]]
    passage = tracked(plan, events).passages[-1]
    nobody, forth, back = brute_force(plan, events).passed[1]
    assert passage.directions == pytest.approx({"hall>bed": forth, "bed>hall": back}, rel=0, abs=EXACT)
    assert passage.nobody == pytest.approx(nobody, rel=0, abs=EXACT)


def test_direction_after_the_window_equals_the_sum_over_histories() -> None:
    """A lock does not stand open, so its label is smoothed exactly: later evidence only reweighs the histories."""
    plan = home(2, **MOTION, **LOCK)
    events = [
        at(3.0, "hall_motion", "detected"),
        at(9.0, "front_lock", "unlocked"),
        at(14.0, "hall_motion", "clear"),
        at(21.0, "bed_motion", "detected"),
    ]
    tracker = tracked(plan, events, 310.0)
    final = [passage for passage in tracker.passages if passage.final and not passage.inferred]
    nobody, forth, back = brute_force(plan, events, until=time_at(309.0)).passed[1]
    assert len(final) == 1
    assert final[0].directions == pytest.approx({"hall>away": forth, "away>hall": back}, rel=0, abs=EXACT)
    assert final[0].nobody == pytest.approx(nobody, rel=0, abs=EXACT)


# --- the exact joint filter -----------------------------------------------------------------------------------------
@pytest.mark.parametrize("story", [story for story, (plan, _) in STORIES.items() if plan is not WITH_MAT])
def test_joint_filter_equals_the_sum_over_histories_and_paths(story: str) -> None:
    """The fast oracle against the slow one (it knows no seats that are on by themselves)."""
    plan, lines = STORIES[story]
    events = [at(*line) for line in lines]
    answer, exact = brute_force(plan, events), JointFilter(plan)
    for event in events:
        exact.observe(event)
    np.testing.assert_allclose(exact.rooms(), list(answer.rooms.values()), rtol=0, atol=EXACT)
    assert exact.log_likelihood == pytest.approx(answer.log_likelihood, rel=0, abs=EXACT)


CROWDED = home(1, visitors=1, pets={"cat": {"rooms": ["hall", "bed"]}}, **MOTION, **DOORS)
EARLY_BED = home({"P1": {"bed": "bed", "awake": ["07:00", "12:05"]}, "P2": {"awake": ["12:01", "12:10"]}}, **MOTION)


@pytest.mark.parametrize(
    "plan",
    [RING, ZONES, SPREAD, DEAD_END, CROWDED, EARLY_BED],
    ids=["ring", "zones", "spread", "dead_end", "crowded", "early_bed"],
)
@settings(max_examples=15)
@given(data=st.data())
def test_all_hypotheses_equal_the_joint_filter(plan: Floorplan, data: st.DataObject) -> None:
    """Zones, a visitor and a cat, sleeping hours that begin in between."""
    events = data.draw(logs(plan, 5))
    exact, tracker = JointFilter(plan), tracked(plan, [])
    for event in events:
        exact.observe(event)
        tracker.observe(event)
        np.testing.assert_allclose(list(tracker.belief.rooms.values()), exact.rooms(), rtol=0, atol=EXACT)
    assert tracker.log_likelihood == pytest.approx(exact.log_likelihood, rel=0, abs=EXACT)


OPENED = (10.0, "front_contact", "open")
SHUT_UNOPENED = {
    "first_of_all": [(10.0, "front_contact", "closed"), (50.0, *MOVED), (90.0, "inner_contact", "closed")],
    "lost": [OPENED, (13.0, "front_contact", "closed"), (50.0, *MOVED), (90.0, "front_contact", "closed")],
    "given_up": [OPENED, (50.0, *MOVED), (5400.0, "front_contact", "closed"), (5500.0, *MOVED)],
}


@pytest.mark.parametrize("story", SHUT_UNOPENED)
def test_closings_of_doors_that_were_not_open_equal_the_joint_filter(story: str) -> None:
    """The opening was lost, or the door has stood open for so long that it was taken to be shut, or it speaks first."""
    exact, tracker = JointFilter(RING), tracked(RING, [])
    for line in SHUT_UNOPENED[story]:
        exact.observe(at(*line))
        tracker.observe(at(*line))
        np.testing.assert_allclose(list(tracker.belief.rooms.values()), exact.rooms(), rtol=0, atol=EXACT)
    assert tracker.log_likelihood == pytest.approx(exact.log_likelihood, rel=0, abs=EXACT)


@pytest.mark.parametrize("hypotheses", [1, 16])
def test_one_person_is_exact_with_any_number_of_hypotheses(hypotheses: int) -> None:
    """One person's hypotheses merge without loss, whatever the log."""
    plan = home(1, **MOTION, **DOORS, **PHONE)
    events = draw_log(plan, 48 * 3600.0, seed=5)[:150]
    assert len(events) >= 100
    exact, tracker = JointFilter(plan), tracked(plan, [], hypotheses=hypotheses)
    for event in events:
        exact.observe(event)
        tracker.observe(event)
        np.testing.assert_allclose(list(tracker.belief.rooms.values()), exact.rooms(), rtol=0, atol=EXACT)
    assert tracker.log_likelihood == pytest.approx(exact.log_likelihood, rel=1e-12, abs=EXACT)


def flat(people: int) -> Floorplan:
    """Five rooms round a hall, a bed for each of up to three people, and their phones."""
    beds = ["bed", "study", "living"][:people]
    sensors = {f"{room}_motion": motion(room, 20.0) for room in ("hall", "kitchen", *beds)}
    sensors |= {f"P{n + 1}_phone": {"kind": "phone", "person": f"P{n + 1}"} for n in range(people)}
    return home(
        {f"P{n + 1}": {"bed": bed} for n, bed in enumerate(beds)},
        rooms={"hall": {}, "kitchen": {}, **{bed: {"rest": True} for bed in beds}},
        doors={
            "front": {"between": ["hall", "away"]},
            "arch": {"between": ["hall", "kitchen"], "leaf": "none"},
            **{f"{bed}_door": {"between": ["hall", bed]} for bed in beds},
        },
        front_contact=contact("front"),
        **sensors,
    )


@pytest.mark.parametrize(("people", "mean_difference"), [(2, 2e-4), (3, 2e-3)])
def test_sixteen_hypotheses_are_nearly_exact(people: int, mean_difference: float) -> None:
    """Room probabilities after each event of drawn logs, against the exact joint filter."""
    plan, differences = flat(people), []
    for seed in range(1, 11):  # single logs of three people may reach three times the mean
        events = draw_log(plan, 24 * 3600.0, seed)[:130]
        assert len(events) >= 100
        exact, tracker = JointFilter(plan), tracked(plan, [], hypotheses=16)
        for event in events:
            exact.observe(event)
            tracker.observe(event)
            differences.append(np.abs(np.array(list(tracker.belief.rooms.values())) - exact.rooms()))
    assert float(np.mean(differences)) < mean_difference


# --- other libraries ------------------------------------------------------------------------------------------------
LIBRARIES = 1e-6
STEP, STEPS = 30.0, 60
GRID = home(  # the contact keeps the rooms' motion sensors from seeing somebody come in
    1,
    **MOTION,
    inner_contact=contact("inner"),
    switch={"kind": "switch", "room": "hall"},
    kettle={"kind": "power", "room": "bed"},
    P1_tag={"kind": "badge", "person": "P1"},
)


class Chain(NamedTuple):
    """One person on a regular grid, as a plain hidden Markov model, and the log that it stands for.

    Silence is an observation too: an absorbing last state means "something was reported between the instants of the
    grid", which no instant of this log agrees with.
    """

    events: list[Event]
    initial: Array
    transition: Array
    likelihoods: Array
    room: Array
    """Shape (S, R): which room each state is in."""


@pytest.fixture(scope="module")
def chain() -> Chain:
    """A drawn log of events that fall on the instants of the grid; motion clears as soon as it was detected."""
    random, model = np.random.default_rng(11), DenseModel(GRID)
    awake = model.hours(NOON.timestamp())
    size = model.size
    transition = np.zeros((size + 1, size + 1))
    unheard = frozenset({("unwatched", "inner")})  # whether a bedroom's door stands open is not known yet
    transition[:size, :size] = expm(model.silent(awake, unheard)[0] * STEP)
    transition[:, size] = 1.0 - transition.sum(axis=1)
    likelihoods = np.full((STEPS, size + 1), 1e-300)
    likelihoods[:, :size] = 1.0
    events = []
    for t in range(STEPS):
        if random.uniform() > 0.3:
            continue
        sensor = str(random.choice(["hall_motion", "bed_motion", "switch", "kettle", "P1_tag"]))
        heard = ("bed", "hall")[sum(event.sensor == "P1_tag" for event in events) % 2]  # the same again is nothing new
        value = {"switch": "pressed", "kettle": "started", "P1_tag": heard}.get(sensor, "detected")
        event = at(t * STEP, sensor, value)
        events += [event, at(t * STEP, sensor, "clear")] if value == "detected" else [event]
        if sensor == "P1_tag":
            likelihoods[t, :size] = model.report(event)[0]
        else:
            marked = sum(cause.matrix for cause in model.causes(event, awake))
            assert not (marked - np.diag(np.diag(marked))).any(), "an event that moves somebody is no mere emission"
            likelihoods[t, :size] = np.diag(marked) + model.nobody_rate(event)
    initial = np.append(model.prior(NOON.timestamp())[0], 0.0)
    return Chain(events, initial, transition, likelihoods, np.eye(len(model.rooms) + 1)[np.append(model.room, -1)])


def test_tracker_equals_the_chain_on_a_grid(chain: Chain) -> None:
    """Silence, events that move nobody and a tag: the tracker is a textbook forward pass."""
    filtered, log_likelihood = markov.filter_chain(chain.initial, chain.transition, chain.likelihoods)
    tracker = tracked(GRID, [], hypotheses=16)
    for t in range(STEPS):
        tracker.advance(time_at(t * STEP))
        for event in [event for event in chain.events if event.time == time_at(t * STEP)]:
            tracker.observe(event)
        told = list(tracker.belief.people["P1"].values())
        np.testing.assert_allclose(told, (filtered[t] @ chain.room)[:-1], rtol=0, atol=EXACT)
    assert tracker.log_likelihood == pytest.approx(log_likelihood, rel=0, abs=1e-8)


def test_chain_on_a_grid_equals_hmmlearn(chain: Chain) -> None:
    """hmmlearn 0.3, given log-likelihoods instead of observations."""
    from hmmlearn.base import BaseHMM

    class Given(BaseHMM):
        def _compute_log_likelihood(self, X: Array) -> Array:  # noqa: N803
            return X

    other = Given(n_components=len(chain.initial), implementation="log")
    other.startprob_, other.transmat_ = chain.initial, chain.transition
    seen = np.log(chain.likelihoods)
    filtered, log_likelihood = markov.filter_chain(chain.initial, chain.transition, chain.likelihoods)
    total, smoothed = other.score_samples(seen)
    assert total == pytest.approx(log_likelihood, rel=0, abs=LIBRARIES)
    ours = markov.smooth_chain(chain.initial, chain.transition, chain.likelihoods)
    np.testing.assert_allclose(ours, smoothed, rtol=0, atol=LIBRARIES)
    for t in range(1, STEPS):  # the last smoothed row of a prefix is its filtered one
        np.testing.assert_allclose(filtered[t], other.score_samples(seen[: t + 1])[1][-1], rtol=0, atol=LIBRARIES)
    path, log_probability = markov.best_path(chain.initial, chain.transition, chain.likelihoods)
    best, decoded = other.decode(seen, algorithm="viterbi")
    assert log_probability == pytest.approx(best, rel=0, abs=LIBRARIES)
    assert path == decoded.tolist()


def test_chain_on_a_grid_equals_pomegranate(chain: Chain) -> None:
    """pomegranate 1.1 through a narrow door: float64, log-likelihoods as emissions, every state may end."""
    torch = pytest.importorskip("torch")
    from pomegranate.distributions import Categorical
    from pomegranate.hmm import DenseHMM

    size = len(chain.initial)
    other = DenseHMM(
        [Categorical([[1.0]]) for _ in range(size)],
        edges=np.maximum(chain.transition, 1e-300),
        starts=np.maximum(chain.initial, 1e-300),
        ends=np.ones(size),
    ).double()
    emissions = torch.tensor(np.log(chain.likelihoods))[None]
    _, smoothed, _, _, total = other.forward_backward(emissions=emissions)
    filtered, log_likelihood = markov.filter_chain(chain.initial, chain.transition, chain.likelihoods)
    assert float(total) == pytest.approx(log_likelihood, rel=0, abs=LIBRARIES)
    ours = markov.smooth_chain(chain.initial, chain.transition, chain.likelihoods)
    np.testing.assert_allclose(ours, np.exp(smoothed[0].numpy()), rtol=0, atol=LIBRARIES)
    forward = other.forward(emissions=emissions)[0].numpy()
    forward = np.exp(forward - forward.max(axis=1, keepdims=True))
    np.testing.assert_allclose(filtered, forward / forward.sum(axis=1, keepdims=True), rtol=0, atol=LIBRARIES)


def test_a_phone_that_keeps_still_tells_again_where_its_owner_is() -> None:
    """Bayes' rule by hand, 5 min after the report: the other place is `phone_doubt` times as likely as it was."""
    plan, doubt = home(1, **PHONE), 0.05
    told = {}
    for value in (1.0, doubt):
        tracker = Tracker(plan, Settings(phone_doubt=value))
        tracker.observe(at(0.0, "P1_phone", "home"))
        tracker.advance(time_at(300.0))
        told[value] = tracker.belief.people["P1"]["away"]
    assert told[doubt] == pytest.approx(doubt * told[1.0] / (doubt * told[1.0] + 1 - told[1.0]), rel=0, abs=EXACT)


def test_who_turns_up_past_silent_sensors_has_walked_there() -> None:
    """From the first of three zones to a room beyond the last: a walk that was missed against a false alarm.

    Nothing else leads there, so after two minutes of silence, when they surely sit, the odds are those of the rates.
    """
    settings = Settings(zone_miss=1e-6, zone_decay=12.0, outer_door_rate=1e-9, dozing_rate=1e-9)
    tracker = Tracker(spread(1), settings)
    for seconds in (2, 4, 6, 8, 10):
        tracker.observe(at(seconds, "hall_0", "detected"))
        tracker.observe(at(seconds + 1, "hall_0", "clear"))
    tracker.observe(at(130, "bed_far", "detected"))
    assert tracker.association is not None
    walked, false = settings.unseen_walk_rate, settings.motion_false_alarm_rate
    assert tracker.association.people["P1"] == pytest.approx(walked / (walked + false), rel=0, abs=0.01)
    assert tracker.belief.rooms["bed"] == pytest.approx(tracker.association.people["P1"], rel=0, abs=0.01)


@pytest.mark.parametrize(("alone", "gap"), [(1 / 600, 12.0), (1 / 60, 0.5), (1e-9, 12.0)])
def test_a_switch_that_reports_falsely_goes_on(alone: float, gap: float) -> None:
    """Bayes' rule by hand for one person who is probably away: after a false report the next is more readily false."""
    chatter, delay = 0.2, 1.0
    nobody = {}
    for value in (0.0, chatter):
        given_settings = Settings(object_false_alarm_rate=alone, object_chatter=value, object_chatter_delay=delay)
        tracker = Tracker(home(1, **OBJECTS, **PHONE), given_settings)
        tracker.observe(at(0.0, "P1_phone", "away"))
        for seconds in (1.0, 1.0 + gap):
            tracker.observe(at(seconds, "switch", "pressed"))
            assert tracker.association is not None
            nobody[value, seconds] = tracker.association.nobody
    first, second = nobody[chatter, 1.0], nobody[0.0, 1.0 + gap]
    assert first == nobody[0.0, 1.0]
    extra = first / (10 + 1) * max(0.0, 2 * first - 1) * chatter / (delay + gap)
    somebody = alone * (1 - second) / second  # the rate at which P1 presses it, by what is believed
    expected = (alone + extra) / (alone + extra + somebody)
    assert nobody[chatter, 1.0 + gap] == pytest.approx(expected, rel=0, abs=EXACT)
    assert (extra > 0.0) == (first > 0.5)


def test_a_contact_says_again_what_it_has_said_as_often_as_its_own_record_says() -> None:
    """Mean of a gamma distribution, shape `repeats` and inverse scale `period` beforehand (Gelman et al., BDA, 2.6)."""
    repeats, period, gaps = 0.3, 1800.0, [700.0, 900.0, 50.0]
    learning, plain = (
        Tracker(home(1, **DOORS), Settings(door_repeats=value, door_repeat_period=period)) for value in (repeats, 0.0)
    )
    learning.observe(at(0.0, "inner_contact", "closed"))
    for now in np.cumsum(gaps)[:-1]:
        learning.observe(at(float(now), "inner_contact", "closed"))
    learning.advance(time_at(sum(gaps)))
    nobody = dict[Tracker, float]()
    for tracker in (learning, plain):  # the same belief, asked twice
        after, _ = tracker._engine.observe(learning._known(), at(sum(gaps), "inner_contact", "closed"))
        assert after.association is not None
        nobody[tracker] = after.association.nobody
    miss = Settings().door_miss  # of a jolt, too, only the second message has come
    alone = Settings().door_false_alarm_rate * miss / (1.0 - miss)
    somebody = alone * (1 - nobody[plain]) / nobody[plain]
    extra = (repeats + 2) / (period + sum(gaps))
    expected = (alone + extra) / (alone + extra + somebody)
    assert nobody[learning] == pytest.approx(expected, rel=0, abs=EXACT)
    assert nobody[learning] > nobody[plain]


@pytest.mark.parametrize("door", ["inner", "front"])
def test_a_door_shut_that_was_not_open_was_opened_as_often_as_its_openings_are_missed(door: str) -> None:
    """Bayes' rule by hand: an opening that is reported has the rate `(1 - miss) * r`, one that is not `miss * r`.

    Whether a hand or a jolt opened it: their odds are the same.
    """
    settings = Settings(door_repeats=0.0, door_bounce_share=0.0, door_miss=0.05, outer_door_miss=0.01)
    tracker = Tracker(home(1, **DOORS), settings)
    tracker.observe(at(0.0, f"{door}_contact", "closed"))
    tracker.advance(time_at(600.0))
    odds = dict[str, float]()
    for value in ("open", "closed"):  # the same belief, asked twice
        after, _ = tracker._engine.observe(tracker._known(), at(600.0, f"{door}_contact", value))
        assert after.association is not None
        odds[value] = (1 - after.association.nobody) / after.association.nobody
    assert odds["closed"] == pytest.approx(odds["open"], rel=1e-9)


def test_a_contact_bounces_as_often_as_its_own_record_says() -> None:
    """Bayes' rule by hand: half the bounces come within the delay; the share is what the contact has done so far."""
    share, delay, prior = 0.1, 2.0, 20
    bouncing, plain = (
        Tracker(
            home(1, **DOORS), Settings(door_pulled_shut_share=0.0, door_bounce_share=value, door_bounce_delay=delay)
        )
        for value in (share, 0.0)
    )
    alone, nobody = Settings().door_false_alarm_rate, dict[Tracker, float]()
    for tracker in (bouncing, plain):
        tracker.observe(at(60.0, "inner_contact", "open"))
        tracker.observe(at(61.0, "inner_contact", "closed"))
        assert tracker.association is not None
        nobody[tracker] = tracker.association.nobody
    somebody = 10 * alone * (1 - nobody[plain]) / nobody[plain]
    extra = share * np.log(2.0) / delay * 2.0 ** (-1.0 / delay)  # nothing is known of this contact yet
    expected = (10 * alone + extra) / (10 * alone + extra + somebody)
    assert nobody[bouncing] == pytest.approx(expected, rel=0, abs=EXACT)
    gaps = [1.0, 30.0, 1.0, 1.9, 400.0, 2.1]
    now = 61.0
    for gap in gaps:
        now += gap
        bouncing.observe(at(now, "inner_contact", "open"))
        now += 5.0
        bouncing.observe(at(now, "inner_contact", "closed"))
    record = bouncing._snapshot.doors["inner"]
    assert record.bounce_share(share) == pytest.approx((share * prior + 2 * 3) / (prior + len(gaps)), rel=0, abs=EXACT)
