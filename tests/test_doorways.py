"""Whoever opens a door is on its near side for a moment longer: what a sensor there says then tells against nobody."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import block_diag, expm

from benchmarks.exact.dense import DenseModel
from benchmarks.joint_engine import joint_tracker
from presence import Event, Floorplan, Settings, Tracker
from presence.doorways import _most_readily, caused_too, newly_opened
from presence.hypotheses import BACK, FORTH, NOBODY, Way
from presence.merging import Mixture
from tests.oracle import NOON, at, contact, home, motion

Array = NDArray[np.float64]

QUIET = Settings.from_mapping({"door_repeats": 0.0, "door_bounce_share": 0.0, "put_back_events": 0})
"""Contacts that neither rattle nor say again what they have said; off reports stay where they are."""


def two_rooms(people: int = 1) -> Floorplan:
    """A study and a workshop with a door between them, each with a motion sensor."""
    return home(
        people,
        rooms={"study": {}, "workshop": {}},
        doors={
            "front": {"between": ["study", "away"]},
            "inner": {"between": ["study", "workshop"]},
        },
        front_contact=contact("front"),
        inner_contact=contact("inner"),
        study_motion=motion("study", 10.0),
        workshop_motion=motion("workshop", 10.0),
    )


class WrittenOut:
    """The package's model, but that whoever opens the inner door stands in it until they have passed it.

    Two more states, in the door on the way forth and on the way back, which the sensor on the side they come from sees
    like anybody who walks there. Three blocks: nobody has passed yet, somebody has passed forth, or back.
    """

    def __init__(self, plan: Floorplan) -> None:
        self.model = DenseModel(plan, QUIET)
        self.hours = self.model.hours(NOON.timestamp())
        n = self.model.size
        self.size = n + 2
        ((study, workshop),) = self.model.sight(self.hours).door_states("inner")
        self.ways = {FORTH: (study, workshop), BACK: (workshop, study)}
        self.doorway = {"study_motion": n, "workshop_motion": n + 1}

    def marked(self, event: Event) -> Array:
        """Rates of an event, from block to block."""
        n, size = self.model.size, self.size
        block = np.zeros((3 * size, 3 * size))
        for cause in self.model.causes(event, self.hours):
            for k in (NOBODY, FORTH, BACK):
                rows = k * size + np.arange(n)
                if cause.label and event.sensor == "inner_contact":  # into the doorway
                    block[rows, (k or cause.label) * size + n + cause.label - FORTH] += cause.matrix.sum(axis=1)
                else:
                    block[np.ix_(rows, rows)] += cause.matrix
        if event.sensor in self.doorway:
            there = np.arange(3) * size + self.doorway[event.sensor]
            block[there, there] = QUIET.motion_rates[0]
        return block + self.model.nobody_rate(event) * np.eye(3 * size)

    def quiet(self, conditions: frozenset[tuple[str, str]], hazard: float) -> Array:
        """The silent generator, those who stand in the door passing it at some rate."""
        one, size = block_diag(self.model.silent(self.hours, conditions)[0], np.zeros((2, 2))), self.size
        for (sensor, state), (_, far) in zip(self.doorway.items(), self.ways.values(), strict=True):
            one[state, far] = hazard
            one[state, state] = -hazard - QUIET.motion_rates[0] * (("blind", sensor) not in conditions)
        whole = np.kron(np.eye(3), one)
        if ("open", "inner") in conditions:
            for label, (i, j) in self.ways.items():
                whole[i, label * size + j], whole[i, j] = whole[i, j], 0.0
        return whole

    def label(self, events: Sequence[Event]) -> Array:
        """Probabilities that nobody has passed by the last event, that somebody has first passed forth, or back."""
        x, now, opened, conditions = np.zeros(3 * self.size), events[0].seconds, np.inf, frozenset[tuple[str, str]]()
        x[: self.model.size] = self.model.prior(now)[0]
        for event in events:
            steps = 1 if opened == np.inf else 100
            for m in range(steps):
                dt = (event.seconds - now) / steps
                age = max(0.0, now + (m + 0.5) * dt - opened)
                x = x @ expm(self.quiet(conditions, 2.0 * np.log(2.0) * age / QUIET.door_step_delay**2) * dt)
            on, now = event.value in ("open", "detected"), event.seconds
            x = x @ self.marked(event) if on else x
            x /= x.sum()
            opened = now if event.value == "open" else opened
            kind = ("open", "inner") if event.sensor == "inner_contact" else ("blind", event.sensor)
            conditions = conditions | {kind} if on else conditions - {kind}
        found: Array = x.reshape(3, self.size).sum(axis=1)
        return found


LAST_HEARD = {FORTH: "study_motion", BACK: "workshop_motion"}
"""Where they were last heard, by the way that they most likely go."""


def story(way: int, age: float, sensor: str) -> list[Event]:
    """The door is opened by somebody who was heard before; so many seconds later a sensor speaks."""
    heard = LAST_HEARD[way]
    before = [at(0.0, "inner_contact", "closed"), at(580.0, heard, "detected"), at(592.0, heard, "clear")]
    return [*before, at(600.0, "inner_contact", "open"), at(600.0 + age, sensor, "detected")]


def told(tracker: Tracker, events: Sequence[Event]) -> Array:
    """What is told of the opening in the end: nobody, somebody forth, somebody back."""
    for event in events:
        tracker.observe(event)
    label: Array = tracker._engine._label(tracker._known(), len(tracker._known().windows) - 1)
    return label


@pytest.mark.parametrize("age", [0.05, 0.5, 1.0, 3.0])
@pytest.mark.parametrize("way", [FORTH, BACK])
def test_who_is_seen_just_after_a_door_was_opened_may_stand_in_it(way: int, age: float) -> None:
    """Told as a passage at the opening, somebody seen where they came from would not have passed (.1 instead of .9)."""
    plan, events = two_rooms(), story(way, age, LAST_HEARD[way])
    label, expected = told(Tracker(plan, QUIET), events), WrittenOut(plan).label(events)
    assert label == pytest.approx(expected, rel=0, abs=0.03 if age < 1.0 else 0.07)
    assert label[way] > 0.7


@pytest.mark.parametrize("age", [0.5, 1.0, 3.0])
@pytest.mark.parametrize("way", [FORTH, BACK])
def test_who_is_seen_beyond_a_door_has_passed_it(way: int, age: float) -> None:
    """By then; that nobody arrives in the instant of the opening is not modelled."""
    plan, events = two_rooms(), story(way, age, LAST_HEARD[FORTH + BACK - way])
    label, expected = told(Tracker(plan, QUIET), events), WrittenOut(plan).label(events)
    assert label == pytest.approx(expected, rel=0, abs=0.05)
    assert label[way] > 0.9


@pytest.mark.parametrize(("people", "tolerance"), [(1, 1e-9), (2, 5e-3)])
def test_who_stands_in_a_doorway_is_weighed_as_in_the_exact_joint_filter(people: int, tolerance: float) -> None:
    """Where everybody is, who was seen, and how likely it all was; of several people within what merging loses."""
    plan = two_rooms(people)
    joint, tracker = joint_tracker(plan), Tracker(plan, hypotheses=64)
    for event in story(FORTH, 0.1, LAST_HEARD[FORTH]):
        joint.observe(event)
        tracker.observe(event)
    assert tracker.belief.rooms == pytest.approx(dict(joint.belief.rooms), rel=0, abs=tolerance)
    assert tracker.association is not None
    assert joint.association is not None
    assert tracker.association.people == pytest.approx(dict(joint.association.people), rel=0, abs=tolerance)
    assert sum(tracker.association.people.values()) > 0.9
    assert tracker.log_likelihood == pytest.approx(joint.log_likelihood, rel=0, abs=10 * tolerance)


def test_whoever_passes_at_once_is_not_seen_where_they_came_from() -> None:
    """As the exact filter has it."""
    at_once = Settings.from_mapping({"door_step_delay": 0.0})
    label = told(Tracker(two_rooms(), at_once), story(FORTH, 0.05, LAST_HEARD[FORTH]))
    assert label[FORTH] < 0.2


@pytest.mark.parametrize("way", [FORTH, BACK])
def test_who_is_seen_in_a_doorway_has_opened_the_door_and_goes_on(way: int) -> None:
    """One person lives there: both of two events are theirs at least by what is told of each, less one (Frechet)."""
    tracker, before = Tracker(two_rooms(), QUIET), 1.0
    for event in [*story(way, 0.3, LAST_HEARD[way]), at(602.0, LAST_HEARD[FORTH + BACK - way], "detected")]:
        tracker.observe(event)
        assert tracker.association is not None
        assert tracker.same_as_previous is not None
        theirs = tracker.association.people["P1"]
        if event.seconds > at(600.0, "inner_contact", "open").seconds:
            assert theirs + before - 1.0 - 1e-3 < tracker.same_as_previous < theirs + 1e-9
            assert tracker.same_as_previous > 0.95
        before = theirs


OPENED = at(36000.0, "inner_contact", "open")
STANDING = [at(seconds, "inner_contact", "open") for seconds in range(1800, 36001, 1800)]


@pytest.mark.parametrize(
    ("leaf", "reports", "weighed"),
    [
        ("hinged", [OPENED], True),
        ("overhead", [OPENED], False),
        ("hinged", [OPENED, at(36000.2, "inner_contact", "closed")], False),
        ("hinged", STANDING, False),
        ("hinged", [at(36000.0, "inner_contact", "closed")], False),
    ],
    ids=["opened", "set going from afar", "shut again", "stands open, and its radio checks in", "told to be shut"],
)
def test_nobody_stands_in_a_door_that_is_not_opened_by_hand_just_now(
    leaf: str, reports: list[Event], weighed: bool
) -> None:
    """What its sensor says then is as likely as if doors were passed at once."""
    plan = home(
        1,
        rooms={"study": {}, "workshop": {}},
        doors={"front": {"between": ["study", "away"]}, "inner": {"between": ["study", "workshop"], "leaf": leaf}},
        inner_contact=contact("inner"),
        study_motion=motion("study", 10.0),
    )
    likely = []
    for delay in (0.0, 0.5):
        tracker = Tracker(plan, Settings.from_mapping({"door_step_delay": delay}), watching=False)
        for event in [at(0.0, "inner_contact", "closed"), *reports, at(36000.4, "study_motion", "detected")]:
            tracker.observe(event)
        likely.append(tracker.log_likelihood)
    assert (likely[0] != likely[1]) is weighed


def test_two_contacts_of_one_door_are_one_doorway() -> None:
    """What is believed is the same whether they report in one instant or a tenth of a millisecond apart."""
    plan = two_rooms()
    second = home(1, second_contact=contact("inner")).sensors["second_contact"]
    plan = replace(plan, sensors={**plan.sensors, "second_contact": second})
    *before, opened, seen = story(FORTH, 0.3, "study_motion")
    beliefs = []
    for apart in (0.0, 1e-4):
        tracker, again = Tracker(plan, QUIET, watching=False), at(600.0 + apart, "second_contact", "open")
        for event in [at(0.0, "second_contact", "closed"), *before, opened, again, seen]:
            tracker.observe(event)
        beliefs.append(dict(tracker.belief.rooms))
    assert beliefs[0] == pytest.approx(beliefs[1], rel=0, abs=1e-6)
    assert beliefs[0]["study"] > 0.1


def a_belief(people: int) -> Mixture:
    tracker = Tracker(two_rooms(people), QUIET)
    tracker.advance(NOON)
    return tracker._known().mixture


def test_who_caused_a_report_is_shared_out_by_rates() -> None:
    """Under each hypothesis, what nobody is told to have caused is theirs in a doorway by their share of the rates."""
    mixture = a_belief(2)
    weight = np.array([0.25, 0.75])
    before = mixture._replace(weight=weight, cause=np.array([[0.5, 0.3, 0.2], [0.1, 0.2, 0.7]]))
    after = mixture._replace(weight=weight, cause=np.array([[0.2, 0.2, 0.6], [0.0, 0.5, 0.5]]))
    then = np.array([[0.0, 0.3, 0.0, 0.1, 0.2], [0.0, 0.0, 0.0, 0.0, 0.4]])  # nobody; forth, back of each of the two
    now = np.array([[0.0, 0.2, 0.0, 0.0, 0.2], [0.0, 0.0, 0.0, 0.1, 0.0]])
    found, same = caused_too(before, after, then, now, 0.1)
    expected = np.zeros((2, 3))
    both = total = 0.0
    for k in range(2):
        rates = [now[k, 1 + p] + now[k, 3 + p] for p in range(2)]
        for p, rate in enumerate(rates):
            expected[k, p] = after.cause[k, p] + after.cause[k, 2] * rate / (sum(rates) + 0.1)
            passing = weight[k] * (then[k, 1 + p] + then[k, 3 + p])
            both, total = both + passing * before.cause[k, p], total + passing
        expected[k, 2] = after.cause[k, 2] * 0.1 / (sum(rates) + 0.1)
    np.testing.assert_allclose(found.cause, expected, rtol=1e-12)
    assert same == pytest.approx(both / total, rel=1e-12)


def test_a_report_with_nobody_in_a_doorway_stays_as_it_was_told() -> None:
    mixture = a_belief(1)
    none = np.zeros((len(mixture.weight), 3))
    found, same = caused_too(mixture, mixture, none, none, 0.1)
    np.testing.assert_array_equal(found.cause, mixture.cause)
    assert same == 0.0


def test_who_stands_in_a_doorway_is_heard_as_readily_as_in_the_best_place_beside_it() -> None:
    """A sensor sees two zones beside a door, one of them better; who walks in past it stands in neither."""
    near, far, walks = np.array([3, 4]), np.array([5]), np.array([1, 2])
    ways = [
        Way(near, near, np.stack([np.diag([0.4, 0.1]), np.diag([0.0, 0.3])])),
        Way(far, far, np.full((2, 1, 1), 0.2)),
        Way(walks, near, np.ones((2, 2, 2))),
    ]
    for beside, expected in [
        ({3, 5}, [0.4, 0.2]),
        ({3, 4}, [0.4, 0.3]),
        ({4, 5}, [0.2, 0.3]),
        ({1, 3}, [0.4, 0.0]),
        (set(), [0.0, 0.0]),
    ]:
        assert _most_readily(ways, beside, 2).tolist() == expected


def test_a_chatterer_is_not_taken_for_somebody_in_a_doorway() -> None:
    """A sensor that reports by itself ten times a second: who has just opened the door hardly caused this one."""
    tracker = Tracker(two_rooms(), QUIET, watching=False)
    *before, seen = story(FORTH, 0.3, "study_motion")
    for event in before:
        tracker.observe(event)
    tracker._snapshot = tracker._known()._replace(noise={"study_motion": 10.0})
    tracker.observe(seen)
    assert tracker.association is not None
    assert tracker.association.people["P1"] < QUIET.motion_rates[0] / 10.0
    assert tracker.association.nobody > 0.9


@pytest.mark.parametrize("sensor", ["study_motion", "workshop_motion"])
@pytest.mark.parametrize("age", [0.0, 0.3, 1.2, 1.3])
def test_who_has_opened_a_door_is_seen_less_and_less_readily_and_then_not_at_all(sensor: str, age: float) -> None:
    """A walker's rate times `2 ** (-(age / delay) ** 2)` for two and a half delays, by those who pass it that way."""
    tracker = Tracker(two_rooms(2), QUIET, watching=False)
    *before, _ = story(FORTH, 0.3, "study_motion")
    for event in before:
        tracker.observe(event)
    tracker.advance(NOON + timedelta(seconds=600.0 + age))
    known, plan = tracker._known(), tracker.plan
    world = tracker._engine._world(known)
    found = list(newly_opened(known, world.sight, plan.sensors[sensor], world.ways(sensor, "detected")))
    if age > 2.5 * QUIET.door_step_delay:
        assert found == []
        return
    ((index, rates),) = found
    assert known.windows[index].door == "inner"
    expected = np.zeros((2, 2))
    expected[plan.doors["inner"].between.index(str(plan.sensors[sensor].room))] = QUIET.motion_rates[0]
    assert rates[0] == 0.0
    np.testing.assert_allclose(rates[1:].reshape(2, 2), expected * 2.0 ** (-((age / 0.5) ** 2)), rtol=1e-6)
    beyond = known._replace(windows=tuple(replace(window, beyond=True) for window in known.windows))
    assert list(newly_opened(beyond, world.sight, plan.sensors[sensor], world.ways(sensor, "detected"))) == []
