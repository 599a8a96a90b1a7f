"""Many off reports taken in where they belong: the belief is that of all that has happened, taken in once, in order.

One person's evening is told twice: live, and as the list of what has happened as far as is known now. A sensor's last
movement has its place in that list, which the exact joint filter goes through from the start. Of two people the same
reports are told twice: as they come; and some of them late, while what is known is kept and taken up again.
"""

from __future__ import annotations

import pickle
from copy import copy, deepcopy
from datetime import timedelta
from functools import cache
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule, run_state_machine_as_test

from benchmarks.exact.joint_filter import JointFilter
from benchmarks.exact.senses import SLACK, STEPS
from presence import Event, Floorplan, LateEventError, Passage, Settings, Tracker
from presence.retaken import LiveEngine
from presence.snapshot import Snapshot
from tests.oracle import at, contact, home, motion, time_at

HOLDS = {"bath_motion": 90.0, "hall_motion": 60.0, "studio_motion": 45.0}
"""So different that one that goes off may tell of a movement before another's that has been told of."""
MOST = 3
"""Events that are taken in once more: one less than usual, so that there are often too many."""
NEXT_DOOR = {"bath_motion": ["studio_motion"], "hall_motion": ["studio_motion"]}
NEXT_DOOR["studio_motion"] = sorted(NEXT_DOOR)
MOTION = sorted(HOLDS)
READY = 2000.0
WINDOW = 1.9
"""Seconds by which reports may come late, and a little less."""
gaps = st.one_of(st.floats(0.5, 12.0), st.floats(12.0, 130.0))


def flat(people: int) -> Floorplan:
    """A hall, a studio and a bathroom in a row; the front door has a contact where more than one live."""
    ends = {"front": ["hall", "away"], "arch": ["hall", "studio"], "bath_door": ["studio", "bath"]}
    rooms = {sensor.removesuffix("_motion"): {} for sensor in MOTION}
    sensors = {f"{room}_motion": motion(room, HOLDS[f"{room}_motion"]) for room in rooms}
    doors = {name: {"between": between} for name, between in ends.items()}
    return home(
        people, rooms=rooms, doors=doors, **sensors, **({"front_contact": contact("front")} if people > 1 else {})
    )


class Fact(NamedTuple):
    """Something that has happened: a report, or the last movement that a sensor saw before it went off."""

    at: float
    """Seconds after noon."""
    sensor: str
    what: str
    """The value reported; `moved` for a last movement, `ended` for the off report that told of it."""


BEFORE = sorted(
    Fact(1000.0 + 150.0 * n + 10.0 * k + HOLDS[sensor] * (value == "clear"), sensor, value)
    for n in range(6)
    for k, sensor in enumerate(MOTION)
    for value in ("detected", "clear")
)
"""All sensors have gone off often enough for their holds to be known."""


class InOrder(JointFilter):
    """The exact joint filter of one person, which is told of last movements in their place."""

    def __init__(self, plan: Floorplan) -> None:
        super().__init__(plan, time_at(0.0))
        self.seen: dict[str, float] = {}
        """Since when each sensor was on whose last movement has come."""

    def take(self, fact: Fact) -> None:
        """What happened next."""
        if fact.what == "moved":
            self._moved(at(fact.at, fact.sensor, "detected"))
            return
        event = at(fact.at, fact.sensor, "clear" if fact.what == "ended" else fact.what)
        if fact.what == "ended":
            self.advance(event.seconds)
            self.senses.on[fact.sensor] = self.seen[fact.sensor]
        self.observe(event)

    def _moved(self, event: Event) -> None:
        """Somebody in sight moves, for sure, and the sensor is no longer blind: from now on its silence tells."""
        self.advance(event.seconds)
        model, sensor = self.model, self.model.plan.sensors[event.sensor]
        moves = sum(cause.matrix for cause in model.causes(event, model.hours(event.seconds)))
        moved = self.joint @ moves + model.nobody_rate(event) * self.joint
        inside = float(self.joint[model.room == model.rooms.index(str(sensor.room))].sum())
        self._condition(inside * moved / moved.sum() + model.settings.occupancy_lost * (1.0 - inside) * self.joint)
        self.seen = {**self.seen, sensor.id: self.senses.on.pop(sensor.id)}


@cache
def _ready() -> InOrder:
    exact = InOrder(flat(1))
    for fact in BEFORE:
        exact.take(fact)
    return exact


def in_order(facts: list[Fact], until: float) -> InOrder:
    """The exact joint filter after all that has happened until some seconds after noon."""
    exact = copy(_ready())
    exact.senses = deepcopy(exact.senses)
    for fact in facts:
        exact.take(fact)
    exact.advance(time_at(until).timestamp())
    return exact


class Stirring(RuleBasedStateMachine):
    """Motion sensors see somebody, in any order, and go off at least a hold later."""

    people = 1

    def __init__(self) -> None:
        super().__init__()
        self.now = READY
        self.on: dict[str, float] = {}
        """Since when each sensor that is on has been on..."""
        self.went_on: dict[str, float] = {}
        """...and when each went on last."""
        self.trackers = [self.begun() for _ in range(self.people)]

    def begun(self) -> Tracker:
        """A tracker that has heard what came before."""
        tracker = Tracker(flat(self.people), Settings(put_back_events=MOST), watching=False)
        tracker.advance(time_at(0.0))
        for fact in BEFORE:
            tracker.observe(at(*fact))
        tracker.advance(time_at(READY))
        return tracker

    def report(self, gap: float, sensor: str, value: str) -> None:
        """A report that comes some seconds after the latest."""
        self.now += gap
        for tracker in self.trackers:
            tracker.observe(at(self.now, sensor, value))

    @rule(gap=gaps, sensor=st.sampled_from(MOTION), moved=st.floats(0.0, 1.0), again=st.booleans())
    def speaks(self, gap: float, sensor: str, moved: float, again: bool) -> None:
        """A sensor sees somebody; one that is on says so once more before its hold is over, or goes off.

        It goes off a hold after somebody moved last, at some time since it went on.
        """
        on, hold = self.on.get(sensor, self.now), HOLDS[sensor]
        if sensor not in self.on:
            self.report(gap, sensor, "detected")
            self.on[sensor] = self.went_on[sensor] = self.now
        elif again and self.now + gap <= on + hold:
            self.report(gap, sensor, "detected")
        else:
            last = max(on, self.now - hold)
            last += moved * (self.now - last)
            self.report(0.5 + last + hold - self.now, sensor, "clear")
            del self.on[sensor]

    @invariant()
    def no_more_is_kept_than_is_needed(self) -> None:
        """The latest few events, without what was remembered with each; weights sum to one."""
        for tracker in self.trackers:
            known = tracker._snapshot
            assert known is not None
            assert len(known.lately) <= MOST + 1
            assert all(taken.known is not None and not taken.known.lately for taken in known.lately)
            assert known.mixture.weight.sum() == pytest.approx(1.0, abs=1e-12)


class OneAlone(Stirring):
    """What is known of one person is what all that has happened tells, in its order."""

    def __init__(self) -> None:
        super().__init__()
        self.facts: list[Fact] = []

    def report(self, gap: float, sensor: str, value: str) -> None:
        """The report joins what has happened, and so does the last movement that it tells of."""
        super().report(gap, sensor, value)
        last = self.now - HOLDS[sensor]
        if value == "clear" and self.tells(sensor, last):
            self.facts.insert(sum(fact.at <= last for fact in self.facts), Fact(last, sensor, "moved"))
            value = "ended"
        self.facts.append(Fact(self.now, sensor, value))

    def tells(self, sensor: str, last: float) -> bool:
        """Whether an off report now says when the last movement was, and not too much has come since."""
        since_on = last - self.on[sensor]
        whole = abs(since_on - round(since_on / HOLDS[sensor]) * HOLDS[sensor]) <= SLACK
        one_walk = any(0.0 <= last - self.went_on.get(other, -np.inf) <= STEPS for other in NEXT_DOOR[sensor])
        since = [fact.sensor for fact in self.facts if fact.at > last]
        return not whole and not one_walk and sensor not in since and len(since) <= MOST

    @rule(gap=st.floats(WINDOW, 130.0))
    def is_asked(self, gap: float) -> None:
        """The exact joint filter says the same."""
        self.now += gap
        (tracker,) = self.trackers
        tracker.advance(time_at(self.now))
        exact = in_order(self.facts, self.now)
        np.testing.assert_allclose(list(tracker.belief.rooms.values()), exact.rooms(), rtol=0, atol=1e-9)
        assert tracker._snapshot is not None
        assert {name: record.heard for name, record in tracker._snapshot.times_on.items()} == exact.senses.came
        assert tracker.log_likelihood == pytest.approx(exact.log_likelihood, rel=1e-12, abs=1e-8)

    @rule(ahead=st.floats(0.0, WINDOW))
    def is_asked_ahead(self, ahead: float) -> None:
        """What will be if nothing comes: what does come is late, but in time."""
        (tracker,) = self.trackers
        tracker.advance(max(time_at(self.now + ahead), tracker.time or time_at(0.0)))

    def teardown(self) -> None:
        self.is_asked(WINDOW)


class ToldTwice(Stirring):
    """Two people with the same reports: told as they come; and told late, kept and taken up again."""

    people = 2

    def __init__(self) -> None:
        super().__init__()
        self.delaying = False
        self.late: Event | None = None
        """What the second tracker is told only after what comes next."""
        self.final: tuple[list[Passage], list[Passage]] = ([], [])

    def report(self, gap: float, sensor: str, value: str) -> None:
        """The second tracker may hear of a report after the next one."""
        self.now += gap
        if gap > WINDOW:
            self.told_late()
        event = at(self.now, sensor, value)
        as_it_comes, otherwise = self.trackers
        as_it_comes.observe(event)
        if self.delaying and self.late is None:
            self.late, self.delaying = event, False
            return
        otherwise.observe(event)
        self.told_late()

    def told_late(self) -> None:
        """What the second tracker has not heard of yet."""
        if self.late is not None:
            self.trackers[1].observe(self.late)
        self.late = None

    @rule()
    def next_one_is_late(self) -> None:
        """Of what comes next, the second tracker hears late."""
        self.delaying = True

    @rule()
    def kept(self) -> None:
        """The second tracker outlives a restart."""
        self.trackers[1] = pickle.loads(pickle.dumps(self.trackers[1]))

    @rule(gap=gaps, before_it_is_shut=gaps)
    def front_door(self, gap: float, before_it_is_shut: float) -> None:
        """Somebody opens the front door and shuts it."""
        self.report(gap, "front_contact", "open")
        self.report(before_it_is_shut, "front_contact", "closed")

    @rule(n=st.integers(0, len(MOTION) - 1), value=st.sampled_from(["detected", "clear"]))
    def far_too_late(self, n: int, value: str) -> None:
        """What is refused leaves all as it was."""
        _, otherwise = self.trackers
        assert otherwise.time is not None
        event = Event(otherwise.time - timedelta(seconds=2.0 * WINDOW), MOTION[n], value)
        before = pickle.dumps(otherwise)
        with pytest.raises(LateEventError):
            otherwise.observe(event)
        assert pickle.dumps(otherwise) == before

    @rule(gap=st.floats(WINDOW, 130.0))
    def is_asked(self, gap: float) -> None:
        """Both say the same, and tell each final answer about the door once."""
        self.told_late()
        self.now += gap
        rooms = []
        for tracker, final in zip(self.trackers, self.final, strict=True):
            tracker.advance(time_at(self.now))
            rooms.append(tracker.belief.rooms)
            final += [p for p in tracker.take_passages() if p.final and not p.inferred]
        assert rooms[0] == rooms[1]  # to the last digit
        told, again = ([(p.time, p.door) for p in final] for final in self.final)
        assert told == again
        assert len(told) == len(set(told))

    def teardown(self) -> None:
        self.is_asked(130.0)


@pytest.fixture
def retakes(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """The instants of all last movements that are put back; each is, however little in doubt it is who was there."""
    monkeypatch.setattr("presence.retaken.IN_DOUBT", 0.0)
    instants: list[float] = []
    again = LiveEngine._again

    def counted(self: LiveEngine, snapshot: Snapshot, begin: int, moved: float, event: Event) -> Snapshot:
        instants.append(moved)
        return again(self, snapshot, begin, moved, event)

    monkeypatch.setattr(LiveEngine, "_again", counted)
    return instants


def test_one_person_is_followed_as_if_all_had_been_told_in_order(retakes: list[float]) -> None:
    run_state_machine_as_test(OneAlone, settings=settings(max_examples=30, stateful_step_count=40))
    assert len(retakes) > 20


def test_late_reports_restarts_and_refusals_change_nothing(retakes: list[float]) -> None:
    run_state_machine_as_test(ToldTwice, settings=settings(max_examples=20, stateful_step_count=40))
    assert len(retakes) > 20
