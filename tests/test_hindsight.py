"""Final answers in hindsight: what sensors that go off later say of the time of the door event."""

from collections.abc import Sequence

import pytest

from presence import Passage, Settings, Tracker, hindsight, record
from tests.oracle import NOON, at, time_at
from tests.test_passages import Line, final, row, told


def passed(hall_off: float, porch_off: float, people: int = 2) -> tuple[Tracker, Passage]:
    """Somebody was heard on either side of the front door; it opens at 60 s; then the sensors go off (hold 10 s)."""
    lines: list[Line] = [
        (1.0, "hall_motion", "detected"),
        (5.0, "porch_motion", "detected"),
        (60.0, "front_contact", "open"),
        (62.0, "front_contact", "closed"),
    ]
    lines += sorted([(hall_off, "hall_motion", "clear"), (porch_off, "porch_motion", "clear")])
    tracker = Tracker(row(people))
    tracker.advance(NOON)
    for line in lines:
        tracker.observe(at(*line))
    tracker.advance(time_at(400.0))
    return tracker, final(tracker.passages, 60.0)


@pytest.mark.parametrize("people", [1, 2, 3])
def test_whoever_is_heard_no_more_on_one_side_has_gone_to_the_other(people: int) -> None:
    """The last movement in the hall was 2 s before the door opened, that on the porch 40 s after; and the other way."""
    assert passed(68.0, 110.0, people)[1].directions["hall>porch"] > 0.9
    assert passed(110.0, 68.0, people)[1].directions["porch>hall"] > 0.9


def test_without_hindsight_an_off_report_is_heard_too_late(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hindsight, "DOUBT", 0.0)
    assert passed(68.0, 110.0)[1].directions["hall>porch"] < 0.5


def test_a_final_answer_in_hindsight_changes_no_belief(monkeypatch: pytest.MonkeyPatch) -> None:
    looked = passed(68.0, 110.0)[0].belief
    monkeypatch.setattr(hindsight, "DOUBT", 0.0)
    assert passed(68.0, 110.0)[0].belief == looked


def test_an_answer_in_hindsight_is_explained() -> None:
    tracker, passage = passed(68.0, 110.0)
    why = tracker.explain_passage(passage)
    assert why.probability == pytest.approx(passage.directions["hall>porch"], rel=0, abs=1e-9)
    (again,) = [e for e in why.evidence if e.text.startswith("looked at again")]
    assert again.decibans > 10.0


def test_movements_are_put_back_before_the_first_event_that_is_heard_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is known is kept from just before the door event: the last movement in the hall lies between the two."""
    monkeypatch.setattr(hindsight, "LEAD", 20.0)
    monkeypatch.setattr(record, "ANCHOR_EVERY", 1)
    assert passed(68.0, 110.0)[1].directions["hall>porch"] > 0.9


def test_with_too_many_events_the_answer_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    """Looking again may not hold up the next event for long."""
    monkeypatch.setattr(hindsight, "MOST", 5)
    assert passed(68.0, 110.0)[1].directions["hall>porch"] < 0.5


def finals(lines: Sequence[Line], until: float, seconds: float) -> list[Passage]:
    answers = told(row(2), lines, until)
    return [p for p in answers if p.final and not p.inferred and p.time == time_at(seconds)]


def test_an_opening_and_a_closing_of_one_instant_are_two_answers() -> None:
    """Where times are whole seconds a door may be opened and shut in one: whoever passes then has passed once."""
    lines: list[Line] = [
        (1.0, "hall_motion", "detected"),
        (5.0, "porch_motion", "detected"),
        (60.0, "front_contact", "open"),
        (60.0, "front_contact", "closed"),
        (68.0, "hall_motion", "clear"),
        (110.0, "porch_motion", "clear"),
    ]
    out = sorted(p.directions["hall>porch"] for p in finals(lines, 400.0, 60.0))
    assert len(out) == 2
    assert out[1] > 0.9
    assert out[0] < 0.1


@pytest.mark.parametrize("last", ["hall_motion", "porch_motion"])
def test_what_comes_after_an_answer_was_due_is_not_heard(last: str) -> None:
    """It says when it was decided: the same, whether somebody asked then or the next event brought it to light."""
    due = 60.0 + Settings().passage_window
    lines: list[Line] = [
        (1.0, "hall_motion", "detected"),
        (5.0, "porch_motion", "detected"),
        (60.0, "front_contact", "open"),
        (62.0, "front_contact", "closed"),
        (due + 9.0, last, "clear"),
    ]
    tracker = Tracker(row(2))
    tracker.advance(NOON)
    for line in lines[:-1]:
        tracker.observe(at(*line))
    tracker.advance(time_at(due))
    asked = final(tracker.passages, 60.0)
    (unasked,) = finals(lines, due + 10.0, 60.0)
    assert asked.decided == unasked.decided
    assert unasked.directions == pytest.approx(asked.directions, rel=0, abs=1e-9)
