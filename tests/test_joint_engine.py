"""The exact joint filter inside the tracker (`benchmarks/joint_engine.py`) does what the tracker does."""

import numpy as np
import pytest

from benchmarks.joint_engine import JointEngine, joint_tracker
from presence import Settings, Tracker
from presence.simulate import simulate
from tests.oracle import NOON, at, draw_log, home, motion
from tests.test_exactness import flat


@pytest.mark.parametrize(("people", "tolerance"), [(1, 1e-9), (2, 5e-3)])
def test_the_joint_filter_in_the_tracker_answers_as_the_tracker_does(people: int, tolerance: float) -> None:
    """Rooms, the number at home, who caused it, likelihood: exact for one person, for two what merging loses.

    Of four times as many hypotheses as usual: how little those lose is another matter.
    """
    plan = flat(people)
    joint, tracker = joint_tracker(plan), Tracker(plan, hypotheses=64)
    for event in draw_log(plan, 24 * 3600.0, 5)[:100]:
        joint.observe(event)
        tracker.observe(event)
        for of in ("rooms", "at_home"):
            got, wanted = getattr(joint.belief, of), getattr(tracker.belief, of)
            got, wanted = (list(v.values()) if isinstance(v, dict) else list(v) for v in (got, wanted))
            np.testing.assert_allclose(got, wanted, rtol=0, atol=tolerance)
        if tracker.association is not None and joint.association is not None:
            assert joint.association.nobody == pytest.approx(tracker.association.nobody, rel=0, abs=tolerance)
    assert joint.log_likelihood == pytest.approx(tracker.log_likelihood, rel=0, abs=10 * tolerance)
    said = [[p for p in t.take_passages() if not p.inferred] for t in (joint, tracker)]
    assert said[0]
    assert said[0][0].directions == pytest.approx(dict(said[1][0].directions), rel=0, abs=tolerance)


@pytest.mark.parametrize(("people", "tolerance"), [(1, 1e-4), (2, 2e-3)])
def test_off_reports_are_put_back_as_in_the_tracker(people: int, tolerance: float) -> None:
    """The same ones, with the same answers but for what merging loses, and where nobody moved (see `_moved_last`).

    In a life in which no doubt lies so near to what is asked for that merging decides it.
    """
    plan = flat(people)
    joint, tracker = joint_tracker(plan), Tracker(plan)
    put_back, apart = [], []
    for event in sorted(simulate(plan, days=1, seed=2).log, key=lambda event: event.time):
        joint.observe(event)
        tracker.observe(event)
        put_back.append([tracker._known().put_back, joint._known().put_back])
        apart.append([abs(p - joint.belief.rooms[room]) for room, p in tracker.belief.rooms.items()])
    mine, theirs = np.sum(put_back, axis=0)
    assert mine == theirs > 5
    assert np.mean(apart) < tolerance
    assert joint.log_likelihood == pytest.approx(tracker.log_likelihood, rel=0, abs=0.1)


def test_a_sensor_that_repeats_itself_tells_nothing_new() -> None:
    plan = home(2, hall_motion=motion("hall"))
    once, twice = joint_tracker(plan), joint_tracker(plan)
    for tracker in (once, twice):
        tracker.advance(NOON)
        tracker.observe(at(1.0, "hall_motion", "detected"))
    once.advance(at(4.0, "hall_motion", "detected").time)
    twice.observe(at(4.0, "hall_motion", "detected"))
    assert twice.belief.rooms == pytest.approx(dict(once.belief.rooms), rel=0, abs=1e-12)
    assert twice.association is not None
    assert twice.association.time == at(4.0, "hall_motion", "detected").time


def test_refuses_what_it_cannot_have() -> None:
    with pytest.raises(ValueError, match="without visitors, seats"):
        JointEngine(home(1, visitors=1), Settings())
