"""On which side of an open door everybody was: when that is noted, what is kept, what a closing is told from."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from presence.experience import DoorUse
from presence.first_passage import begin
from presence.hypotheses import start
from presence.merging import Mixture
from presence.passages import Window
from presence.sides import NOTED_FOR, forget_sides, note_first_passage, note_sides, sides_lately
from presence.snapshot import Snapshot, replace
from tests.oracle import contact, home

Array = NDArray[np.float64]

NEAR = np.array([1.0, 0.0])
"""Two states, the first on the first side of each door."""
PLAN = home(1, front_contact=contact("front"), back_contact=contact("back"))
PERSONS = 1


def known(seconds: float, first_side: tuple[float, float], doors: tuple[str, ...] = ("front",)) -> Snapshot:
    """A person and a cat, each on the first side with this probability; these doors stand open."""
    x = np.array([[p, 1.0 - p] for p in first_side])
    return Snapshot(seconds, start(x, 0), (), np.inf, doors={door: DoorUse(open=True) for door in doors})


def later(snapshot: Snapshot, seconds: float, first_side: tuple[float, float]) -> Snapshot:
    x = np.array([[[p, 1.0 - p]] for p in first_side])
    return replace(snapshot, seconds=seconds, mixture=snapshot.mixture._replace(x=x))


def noted(snapshot: Snapshot, ahead_of: str | None = None) -> Snapshot:
    return note_sides(snapshot, lambda door: NEAR, PERSONS, None if ahead_of is None else PLAN.sensors[ahead_of])


def test_sides_are_noted_at_once_and_then_once_a_minute() -> None:
    snapshot = noted(known(1000.0, (0.9, 0.2)))
    assert snapshot.noted == ((1000.0, "front"),)
    np.testing.assert_array_equal(snapshot.mixture.sides, [[[0.9, 0.2]]])
    assert noted(later(snapshot, 999.0 + NOTED_FOR, (0.8, 0.2))).noted == snapshot.noted
    assert [at for at, _ in noted(later(snapshot, 1000.0 + NOTED_FOR, (0.8, 0.2))).noted] == [1000.0, 1060.0]


def test_two_notes_of_a_door_are_kept() -> None:
    snapshot = known(1000.0, (0.9, 0.2))
    for n, side in enumerate((0.9, 0.8, 0.7, 0.6)):
        snapshot = noted(later(snapshot, 1000.0 + NOTED_FOR * n, (side, 0.2)))
    assert [at for at, _ in snapshot.noted] == [1120.0, 1180.0]
    np.testing.assert_allclose(snapshot.mixture.sides[0, :, 0], [0.7, 0.6], rtol=0, atol=1e-15)


@pytest.mark.parametrize(
    ("now", "notes"), [((0.3, 0.2), 2), ((0.5, 0.2), 1), ((0.9, 1.0), 1)], ids=["likely", "hardly", "the cat"]
)
def test_sides_are_noted_sooner_where_a_person_has_likely_crossed(now: tuple[float, float], notes: int) -> None:
    snapshot = noted(known(1000.0, (0.9, 0.2)))
    assert len(noted(later(snapshot, 1005.0, now)).noted) == notes
    assert len(noted(later(snapshot, 1005.0, now), ahead_of="back_contact").noted) == 1  # nobody has been seen to yet


def test_nothing_is_noted_ahead_of_the_doors_own_report_or_of_a_door_that_is_shut() -> None:
    snapshot = known(1000.0, (0.9, 0.2))
    assert noted(snapshot, ahead_of="front_contact").noted == ()
    assert noted(snapshot, ahead_of="back_contact").noted == ((1000.0, "front"),)
    assert noted(snapshot._replace(doors={"front": DoorUse(open=False)})).noted == ()


@pytest.mark.parametrize(("tracked", "accepting", "doors"), [(True, True, ["back"]), (False, True, ["front", "back"])])
def test_a_door_is_left_out_while_who_passed_it_first_is_open(tracked: bool, accepting: bool, doors: list[str]) -> None:
    window = Window(990.0, "front", 1300.0, accepting, tracked=tracked)
    snapshot = known(1000.0, (0.9, 0.2), ("front", "back"))._replace(windows=(window,))
    assert [door for _, door in noted(snapshot).noted] == doors


def test_a_closing_is_told_from_the_notes_of_two_minutes_else_from_the_last() -> None:
    snapshot = known(1000.0, (0.9, 0.2))
    assert sides_lately(snapshot, "front", NEAR, PERSONS) is None
    snapshot = noted(later(noted(snapshot), 1000.0 + NOTED_FOR, (0.8, 0.2)))
    for wait, expected in ((60.0, [0.9, 0.8, 0.1]), (61.0, [0.8, 0.1]), (600.0, [0.8, 0.1])):
        sides = sides_lately(later(snapshot, 1060.0 + wait, (0.1, 0.7)), "front", NEAR, PERSONS)
        assert sides is not None
        np.testing.assert_allclose(sides[:, 0, 0], expected, rtol=0, atol=1e-15)
        assert (sides[:, 1] == 0.7).all()  # where the cat was is hardly known
    assert sides_lately(snapshot, "back", NEAR, PERSONS) is None


def test_notes_of_one_door_are_forgotten_and_those_of_others_kept() -> None:
    snapshot = noted(known(1000.0, (0.9, 0.2), ("front", "back")))
    left = forget_sides(snapshot, snapshot.noted_of("front"))
    assert left.noted == ((1000.0, "back"),)
    assert left.mixture.sides.shape == (1, 1, 2)
    assert forget_sides(snapshot, []) is snapshot


def passing(mixture: Mixture, forth: float, back: float) -> Mixture:
    """The person has passed first one way or the other with these probabilities."""
    labels = np.array([[1.0 - forth - back, forth, 0.0, back, 0.0]])
    return mixture._replace(labels=labels[:, None], tracks=begin(mixture.x, labels)[:, :, None])


@pytest.mark.parametrize(("opened", "since"), [(990.0, 990.0), (900.0, 940.0)])
def test_where_the_first_passage_left_somebody_is_noted_as_of_the_opening_at_most_a_minute_ago(
    opened: float, since: float
) -> None:
    """Who passed forth was beyond the door then, who passed back on its first side, who has not is where they are."""
    window = Window(opened, "front", opened + 300.0, accepting=True, tracked=True)
    snapshot = known(1000.0, (0.4, 0.2))._replace(windows=(window,))
    snapshot = snapshot._replace(mixture=passing(snapshot.mixture, 0.5, 0.3))
    told = note_first_passage(snapshot, 0, NEAR)
    assert told.noted == ((since, "front"),)
    np.testing.assert_allclose(told.mixture.sides, [[[0.3 + 0.2 * 0.4, 0.2]]], rtol=0, atol=1e-12)
    assert note_first_passage(told, 0, NEAR) is told  # it is known already
    shut = snapshot._replace(windows=(replace(window, accepting=False),))
    assert note_first_passage(shut, 0, NEAR) is shut
