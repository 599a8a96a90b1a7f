"""Seats that let go though whoever presses them stays: by hand, against their own record, and who is still there."""

import math

import numpy as np
import pytest

from presence import Settings, Tracker
from presence.unprompted import TRUSTED
from tests.oracle import at, home, motion, time_at

SEATED = home(1, hall_motion=motion("hall"), sofa={"kind": "pressure", "room": "bed"})


def tracker_with(flutter: float) -> Tracker:
    return Tracker(SEATED, Settings(seat_flutter=flutter))


def density(tracker: Tracker, seconds: float) -> float:
    """How likely it is that the sofa lets go then, 1/s."""
    tracker.advance(time_at(seconds))
    before = tracker.log_likelihood
    tracker.observe(at(seconds, "sofa", "released"))
    return math.exp(tracker.log_likelihood - before)


def test_a_seat_lets_go_the_sooner_the_less_long_it_has_been_pressed() -> None:
    """By hand: whatever else may let go of it, `share / (delay + age)` comes on top, the share as given at first."""
    share, age, delay = 0.1, 3.0, Settings().object_chatter_delay
    fluttering, plain = tracker_with(share), tracker_with(0.0)
    for tracker in (fluttering, plain):
        tracker.observe(at(0.0, "hall_motion", "detected"))
        tracker.observe(at(20.0, "sofa", "pressed"))
    extra = density(fluttering, 20.0 + age) - density(plain, 20.0 + age)
    assert extra == pytest.approx(share / (delay + age), rel=1e-9)


def test_a_seat_flutters_as_often_as_its_own_record_says() -> None:
    """A gamma distribution's mean: of each letting go the part that nobody caused, over the e-folds of time pressed."""
    share, ages, delay = 0.1, [2.0, 5.0, 1.0, 900.0, 3.0], Settings().object_chatter_delay
    tracker, plain = tracker_with(share), Settings(seat_flutter=share)
    tracker.observe(at(0.0, "hall_motion", "detected"))
    now, by_itself, e_folds = 20.0, 0.0, 0.0
    for age in ages:
        tracker.observe(at(now, "sofa", "pressed"))
        now += age
        extra = (plain.seat_flutter * TRUSTED + by_itself) / (TRUSTED + e_folds) / (delay + age)
        by_itself += extra / density(tracker, now)
        e_folds += math.log((delay + age) / delay)
        now += 2.0
    record = tracker._known().unprompted["sofa"]
    assert record.by_itself == pytest.approx(by_itself, rel=1e-9)
    assert record.occasions == pytest.approx(e_folds, rel=1e-9)


def after_fluttering(flutter: float) -> Tracker:
    """A hundred times the sofa is pressed for three seconds and lets go for three; then it does not speak again."""
    tracker = tracker_with(flutter)
    tracker.observe(at(0.0, "hall_motion", "detected"))
    for n in range(100):
        tracker.observe(at(20.0 + 6.0 * n, "sofa", "pressed"))
        tracker.observe(at(23.0 + 6.0 * n, "sofa", "released"))
    return tracker


def sits(tracker: Tracker, seconds: float) -> float:
    """Probability that somebody sits on the sofa, so long after it let go last: settled or asleep, not perched."""
    tracker.advance(time_at(23.0 + 6.0 * 99 + seconds))
    model, mixture = tracker._engine.model, tracker._known().mixture
    place = next(i for i, p in enumerate(model.states.places) if p.seat == "sofa")
    return float(mixture.weight @ mixture.x[0][:, model.states.select([place])[1:]].sum(axis=1))


@pytest.mark.parametrize(("flutter", "kept"), [(0.02, True), (0.0, False)])
def test_who_sits_on_a_seat_that_flutters_is_not_told_to_have_got_up(flutter: float, kept: bool) -> None:
    """It has let go for three seconds time and again: once more tells next to nothing."""
    tracker = after_fluttering(flutter)
    association = tracker.association
    assert association is not None
    assert association.people["P1"] > 0.95  # it is theirs who sat down
    assert (sits(tracker, 3.0) > 0.8) == kept


def test_who_gets_up_from_a_seat_that_flutters_is_soon_gone() -> None:
    """Each time it was pressed again within seconds; this time it is not, for two minutes."""
    assert sits(after_fluttering(0.02), 120.0) < 0.05


def on_it(shared: float, beds: str) -> np.ndarray:
    """How likely each of two is on the sofa and how likely nobody had sat down, by where the others are: [P1, P2]."""
    plan = home(
        {name: {"bed": beds} for name in ("P1", "P2")},
        rooms={"hall": {}, "bed": {"rest": True}, "den": {"rest": True}},
        doors={name: {"between": ["hall", name]} for name in ("away", "bed", "den")},
        bed_motion=motion("bed"),
        sofa={"kind": "pressure", "room": "bed"},
    )
    tracker = Tracker(plan, Settings(seat_shared_share=shared, seat_flutter=0.0), hypotheses=None, numbering=False)
    for line in [(0.0, "bed_motion", "detected"), (10.0, "bed_motion", "clear"), (12.0, "bed_motion", "detected")]:
        tracker.observe(at(*line))
    tracker.observe(at(15.0, "sofa", "pressed"))
    model, mixture = tracker._engine.model, tracker._known().mixture
    place = next(i for i, p in enumerate(model.states.places) if p.seat == "sofa")
    on = mixture.x[:, :, model.states.select([place])].sum(axis=2)
    by = mixture.cause[:, -1]
    joint = np.zeros((2, 2, 2))  # by itself or not, P1 there or not, P2 there or not
    for k, weight in enumerate(mixture.weight):
        both = np.multiply.outer([1.0 - on[0, k], on[0, k]], [1.0 - on[1, k], on[1, k]])
        joint += weight * np.multiply.outer([1.0 - by[k], by[k]], both)
    return joint


@pytest.mark.parametrize("share", [0.3, 0.01])
def test_a_seat_that_somebody_has_just_taken_is_rarely_taken_by_another_too(share: float) -> None:
    """Bayes' rule: each who is on it without having sat down now is the less likely by the share; not in a bed of two.

    Where it reports by itself nobody has sat down, else one of those on it.
    """
    usual, told = on_it(0.8, "den"), on_it(share, "den")
    number = np.add.outer([0, 1], [0, 1])
    others = np.stack([np.maximum(number - 1, 0), number])
    expected = usual * (share / 0.8) ** others
    np.testing.assert_allclose(told, expected / expected.sum(), rtol=1e-9, atol=1e-15)
    assert usual[0, 1, 1] > 1e-4
    np.testing.assert_allclose(on_it(share, "bed"), on_it(0.8, "bed"), rtol=1e-12, atol=0)


def test_a_seat_that_says_again_that_it_is_pressed_tells_of_the_same_sitting_down() -> None:
    """Nobody was heard for hours before: it may well have pressed itself, and that is no less likely for saying so."""
    tracker = tracker_with(0.0)
    tracker.observe(at(0.0, "hall_motion", "detected"))
    tracker.observe(at(40_000.0, "sofa", "pressed"))
    first, belief = tracker.association, tracker.belief.rooms
    tracker.observe(at(40_000.0 + 1e-3, "sofa", "pressed"))
    again = tracker.association
    assert first is not None
    assert again is not None
    assert 0.0 < first.nobody == again.nobody
    assert first.people == again.people
    assert tracker.belief.rooms == pytest.approx(dict(belief), rel=0, abs=1e-4)


@pytest.mark.parametrize("people", [1, 2])
def test_a_seat_that_flutters_is_told_to_be_worked_by_the_same_being_throughout(people: int) -> None:
    """Alone, or not to be told apart from another: by the definition of `same_as_previous`."""
    plan = home(people, hall_motion=motion("hall"), sofa={"kind": "pressure", "room": "bed"})
    tracker = Tracker(plan, Settings(seat_flutter=0.3))
    tracker.observe(at(0.0, "hall_motion", "detected"))
    for n in range(12):
        tracker.observe(at(20.0 + 3.0 * n, "sofa", "released" if n % 2 else "pressed"))
        told, same = tracker.association, tracker.same_as_previous
        assert told is not None
        assert same is not None
        assert same < 1.0 - told.nobody + 1e-9
        assert sum(told.people.values()) + told.nobody == pytest.approx(1.0, rel=0, abs=1e-12)
    assert same is not None
    assert same > 0.98


def test_what_a_seat_says_by_itself_is_theirs_who_sits_there_by_what_was_told_since() -> None:
    """Either of two sat down; one of them has shown a badge in the hall since, so it is the other who stirs."""
    badge = {"kind": "badge", "person": "P2"}
    plan = home(2, hall_motion=motion("hall"), sofa={"kind": "pressure", "room": "bed"}, tag=badge)
    tracker = Tracker(plan, Settings(seat_flutter=0.3))
    for line in [(0.0, "hall_motion", "detected"), (20.0, "sofa", "pressed"), (22.0, "tag", "hall")]:
        tracker.observe(at(*line))
    tracker.observe(at(23.0, "sofa", "released"))
    told = tracker.association
    assert told is not None
    assert told.people["P1"] > 10.0 * told.people["P2"]
