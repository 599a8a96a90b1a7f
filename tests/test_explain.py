"""Explanations are the model's own arithmetic: weights add up, a silence is taken apart exactly, nothing is disturbed.

The odds of the parts of a silence are recomputed with dense matrix exponentials of the joint chain (`tests.oracle`).
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import cast

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as effort
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.linalg import expm

from presence import Event, Floorplan, Passage, Tracker
from presence.doors import MOST_WINDOWS
from presence.errors import TimeError, UnexplainedError
from presence.events import read_log
from presence.explained import ORDINARY
from presence.explained import effort as work
from presence.record import ANCHOR_EVERY, LONGEST, MOST_STEPS, Record
from presence.replay import replay, to_json
from presence.snapshot import Taken
from presence.telling import DECIBANS, Evidence, Explanation
from presence.wording import door_name, event_text, room_name
from tests.oracle import NOON, DenseModel, at, contact, home, logs, motion, time_at
from tests.strategies import events as any_events
from tests.strategies import plans

Array = NDArray[np.float64]

HERE = Path(__file__).parents[1]
GARAGE = Floorplan.load(HERE / "floorplans" / "two_storey_garage.yaml")
EVENING = list(read_log(HERE / "demo" / "garage_evening.jsonl"))
MOTION = {"hall_motion": motion("hall"), "bed_motion": motion("bed")}
RING = home(
    2,
    **MOTION,
    inner_contact=contact("inner"),
    front_contact=contact("front"),
    P1_phone={"kind": "phone", "person": "P1"},
    eye={"kind": "occupancy", "room": "bed"},
    mat={"kind": "pressure", "room": "bed"},
)


def log_odds(p: float) -> float:
    """Decibans."""
    return 10 * math.log10(p / (1 - p))


def tracked(plan: Floorplan, events: Sequence[Event], until: float | None = None) -> Tracker:
    tracker = Tracker(plan)
    tracker.advance(NOON)
    for event in events:
        tracker.observe(event)
    if until is not None:
        tracker.advance(time_at(until))
    return tracker


def assert_adds_up(why: Explanation) -> None:
    assert math.fsum(e.decibans for e in why.evidence) == pytest.approx(why.decibans, rel=0, abs=1e-9)
    for evidence in why.evidence:
        if evidence.parts:
            assert math.fsum(evidence.parts.values()) == pytest.approx(evidence.decibans, rel=0, abs=1e-9)
        assert why.begin <= evidence.begin <= evidence.end <= why.time
    assert sum(story.weight for story in why.stories) <= 1 + 1e-9


def test_what_was_worked_out_for_one_question_serves_the_next() -> None:
    asked_before, asked_once = (Tracker(GARAGE) for _ in range(2))
    for event in EVENING:
        asked_before.observe(event)
        asked_once.observe(event)
        if event.sensor == "kitchen_motion":
            asked_before.explain("hall", event.time - timedelta(minutes=7))
    for room in ("kitchen", "utility", "study"):
        for since in (None, EVENING[-1].time - timedelta(seconds=100), EVENING[-9].time):
            again, once = asked_before.explain(room, since), asked_once.explain(room, since)
            assert replace(again, evidence=()) == replace(once, evidence=())
            assert [e.text for e in again.evidence] == [e.text for e in once.evidence]
            weights = [e.decibans for e in once.evidence]
            assert [e.decibans for e in again.evidence] == pytest.approx(weights, rel=0, abs=1e-9)


# --- weights add up to the reported log odds --------------------------------------------------------------------------
@effort(max_examples=40)
@given(logs(RING, 12, longest=900.0), st.sampled_from([0.0, 30.0, 600.0, 3000.0]), st.sampled_from(["hall", "bed"]))
def test_weights_add_up_to_the_log_odds_that_were_reported(events: list[Event], wait: float, room: str) -> None:
    tracker = tracked(RING, events, events[-1].seconds - NOON.timestamp() + wait)
    why = tracker.explain(room)
    assert_adds_up(why)
    assert why.time == tracker.time
    now = tracker.belief.rooms[room]
    assert why.probability == pytest.approx(now, rel=0, abs=1e-12)
    if min(now, 1 - now) > 1e-6 and min(why.before, 1 - why.before) > 1e-6:
        earlier = Tracker(RING)
        earlier.advance(NOON)
        for event in (e for e in events if e.time < why.begin):
            earlier.observe(event)
        earlier.advance(why.begin)
        before = earlier.belief.rooms[room]
        rounding = 10 / math.log(10) * 1e-13 / 1e-6  # of probabilities exact to 1e-13 and above 1e-6
        assert log_odds(now) - log_odds(before) == pytest.approx(why.decibans, rel=0, abs=2 * rounding)


@effort(max_examples=25)
@given(st.data())
def test_weights_add_up_whatever_the_plan_and_the_stream(data: st.DataObject) -> None:
    plan = Floorplan.from_mapping(data.draw(plans(max_rooms=4)))
    tracker = Tracker(plan)
    events = data.draw(any_events(plan, max_size=12))
    for event in events:
        tracker.observe(event)
    closings = {event.time for event in events if event.value == "closed"}
    if tracker.time is None:
        tracker.advance(NOON)
    for room in list(plan.rooms)[:-1]:
        assert_adds_up(tracker.explain(room))
    for passage in tracker.passages[-4:]:
        try:
            why = tracker.explain_passage(passage)
        except UnexplainedError:
            assert passage.inferred or passage.nobody > 0.9 or passage.time in closings
        else:
            assert_adds_up(why)


@pytest.mark.parametrize("final", [False, True])
def test_a_passage_is_explained_from_what_came_before_it_to_its_answer(final: bool) -> None:
    """The overhead door before the house door speaks for an arrival (common practice, no source)."""
    tracker, told = Tracker(GARAGE), []
    for event in EVENING:
        tracker.observe(event)
        told += [
            p for p in tracker.take_passages() if p.door == "garage_utility" and p.final == final and not p.inferred
        ]
        if told:
            break
    passage = told[0]  # the opening's; its closing is answered later
    why = tracker.explain_passage(passage)
    assert_adds_up(why)
    assert why.direction == "garage>utility"
    assert why.probability == pytest.approx(passage.directions["garage>utility"], rel=0, abs=1e-12)
    (overhead,) = [e for e in why.evidence if e.text.startswith("overhead door opened")]
    assert overhead.decibans > 5
    assert "63 s before" in overhead.text
    assert why.stories[0].rooms["ben"] == ("living_room" if final else "utility")


def test_what_came_before_a_door_event_is_told_apart_from_what_came_after() -> None:
    lines = [(10, "hall_motion", "detected"), (21, "hall_motion", "clear"), (60, "front_contact", "open")]
    tracker = tracked(RING, [at(*line) for line in [*lines, (62, "hall_motion", "detected")]], 65.0)
    asked = replace(tracker.passages[-1], time=time_at(60), decided=time_at(65))
    texts = [e.text for e in tracker.explain_passage(asked).evidence]
    assert any(text.startswith("movement in the hall 50 s before") for text in texts)
    assert any(text.startswith("movement in the hall 2 s after") for text in texts)


def test_a_passage_is_explained_while_another_door_stands_open() -> None:
    """What was noted of a door that stands open (who was on which side) is no part of an earlier belief."""
    steps = [(12, "inner_contact", "open"), (13, "bed_motion", "detected"), (25, "hall_motion", "clear")]
    again = [(80, "bed_motion", "clear"), (150, "bed_motion", "detected"), (299, "front_contact", "open")]
    tracker = tracked(RING, [at(*line) for line in [(10, "hall_motion", "detected"), *steps, *again]])
    (passage,) = [p for p in tracker.passages if p.door == "front"]
    why = tracker.explain_passage(passage)
    assert_adds_up(why)
    assert why.probability == pytest.approx(max(passage.directions.values()), rel=0, abs=1e-12)


def test_the_last_of_many_openings_is_explained() -> None:
    """Only so many windows of a door are open at once: the oldest gives way to the one that is asked about."""
    lines = [(10.0 * n, "front_contact", "closed" if n % 2 else "open") for n in range(2 * MOST_WINDOWS + 1)]
    tracker = tracked(RING, [at(*line) for line in lines])
    asked = [p for p in tracker.passages if p.time == time_at(lines[-1][0]) and not p.inferred]
    assert_adds_up(tracker.explain_passage(asked[-1]))


# --- a silence taken apart, recomputed densely ------------------------------------------------------------------------
def hall_odds(model: DenseModel, row: Array) -> float:
    """Log odds (decibans) that one person is in the hall, from a distribution that need not be normalised."""
    return log_odds(float(row[model.room == model.rooms.index("hall")].sum() / row.sum()))


def hearing(model: DenseModel, sensors: set[str]) -> Array:
    """The generator of one person while some sensors are heard to say nothing, and the rest not heard."""
    hours = model.hours(NOON.timestamp())
    (generator,) = model.full(hours)
    for sensor in sensors:
        value = "open" if model.plan.sensors[sensor].kind == "contact" else "detected"
        generator = generator - sum(c.matrix for c in model.causes(Event(NOON, sensor, value), hours))
    return generator


def of_kind(why: Explanation, kind: str) -> Evidence:
    """The only evidence of a kind."""
    (found,) = [e for e in why.evidence if e.kind == kind]
    return found


CONTACTS = {f"{door}_contact": contact(door) for door in ("inner", "front", "back")}
PAIR = home(1, rooms={"hall": {}, "bed": {}}, **MOTION, **CONTACTS)
"""Of a bedroom's door it is not known whether it is shut; here both rooms are one."""


def test_a_silence_is_taken_apart_as_written_out_densely() -> None:
    """Time alone, then the room's own sensors, then its doors, then the rest: each a step of the dense chain."""
    plan = home(1, rooms={"hall": {}, "bed": {}}, **MOTION, **CONTACTS, phone={"kind": "phone", "person": "P1"})
    model, seconds, said = DenseModel(plan), 50.0, at(0, "phone", "away")
    why = tracked(plan, [said], seconds).explain("hall", said.time)
    alone, silence = of_kind(why, "time"), of_kind(why, "quiet")
    assert len(why.evidence) == 2
    assert alone.text == "people move on in 50 s"
    heard: set[str] = set()
    begin = model.prior(NOON.timestamp())[0] * model.report(said)[0]
    latest = hall_odds(model, begin)
    for part, more in zip(
        [alone.decibans, *silence.parts.values()],
        [set(), {"hall_motion"}, {"inner_contact", "front_contact"}, {"bed_motion", "back_contact"}],
        strict=True,
    ):
        heard |= more
        value = hall_odds(model, begin @ expm(hearing(model, heard) * seconds))
        assert part == pytest.approx(value - latest, rel=0, abs=1e-6)
        latest = value
    assert list(silence.parts) == [
        "no new movement in the hall",
        "no door of the hall used",
        "quiet outside the hall",
    ]


@pytest.mark.parametrize("sensor", ["hall_motion", "bed_motion"])
@pytest.mark.parametrize("since", [0.5, 8.0])
def test_an_event_weighs_what_it_says_of_now(sensor: str, since: float) -> None:
    """Its weight is the factor on the odds of being there now, nothing heard in between: written out densely."""
    model, before = DenseModel(PAIR), 100.0
    report = at(before, sensor, "detected")
    why = tracked(PAIR, [report], before + since).explain("hall")
    row = model.prior(NOON.timestamp())[0] @ expm(hearing(model, set(PAIR.sensors)) * before)
    hit = sum(c.matrix for c in model.causes(report, model.hours(NOON.timestamp())))
    ahead = expm(hearing(model, set()) * since)
    weight = hall_odds(model, row @ (hit + model.nobody_rate(report) * np.eye(len(row))) @ ahead)
    weight -= hall_odds(model, row @ ahead)
    assert abs(weight) > 1.0
    assert of_kind(why, "event").decibans == pytest.approx(weight, rel=0, abs=1e-6)


def test_what_has_been_overtaken_weighs_little() -> None:
    """Half an hour in which one person goes about the next room: each stir and each quiet says a little of now.

    Told of each instant's own odds, the silences came to 1,929 decibans, and the reports next door to as many against.
    """
    events = [at(1, "hall_motion", "detected"), at(12, "hall_motion", "clear")]
    for n in range(60):
        events += [at(30 * n + 15, "bed_motion", "detected"), at(30 * n + 26, "bed_motion", "clear")]
    why = tracked(home(1, **MOTION), events, 1805.0).explain("hall", time_at(30))
    assert_adds_up(why)
    assert max(abs(weight) for e in why.evidence for weight in (e.decibans, *e.parts.values())) < 200.0


def test_a_sensor_that_is_on_or_offline_says_nothing_by_its_silence() -> None:
    for value in ("detected", "offline"):
        why = tracked(RING, [at(1, "hall_motion", value)], 300.0).explain("hall", time_at(2))
        silence = of_kind(why, "quiet")
        assert silence.parts["no new movement in the hall"] == pytest.approx(0.0, rel=0, abs=1e-9)
        main = max(silence.parts, key=lambda part: silence.parts[part] * silence.decibans)
        assert silence.text == f"no new movement in the hall for 5 min (mainly: {main})"


@pytest.mark.parametrize("stands", ["open", "closed"])
def test_a_contact_back_online_is_heard_as_the_model_hears_it(stands: str) -> None:
    """How the door stands is not known then: with all its sensors heard, nothing of a silence is left to others."""
    plan = home(1, hall_motion=motion("hall"), inner_contact=contact("inner"), front_contact=contact("front"))
    lines = [(1, "open"), (1800, "closed"), (1801, "open")] if stands == "open" else [(1, "open"), (1800, "closed")]
    events = [at(seconds, "inner_contact", value) for seconds, value in lines]
    for back in ([], [at(1803, "inner_contact", "offline"), at(1804, "inner_contact", "online")]):
        why = tracked(plan, [*events, *back], 2300.0).explain("hall", time_at(1805))
        silence = of_kind(why, "quiet")
        assert abs(silence.parts["no door of the hall used"]) > 0.1
        assert silence.parts["quiet outside the hall"] == pytest.approx(0.0, rel=0, abs=1e-6)


# --- a bounded memory that disturbs nothing ---------------------------------------------------------------------------
def test_the_record_is_bounded_and_begins_with_a_snapshot() -> None:
    record, tracker = Record(), tracked(RING, [])
    snapshot = tracker._known()
    for n in range(3 * MOST_STEPS):
        record.add(5.0 * n, EVENING[0] if n % 3 else None, snapshot)
    steps = record.with_latest([])
    assert MOST_STEPS - ANCHOR_EVERY <= len(steps) <= MOST_STEPS
    assert [n for n, step in enumerate(steps) if step.before is not None] == list(range(0, len(steps), ANCHOR_EVERY))
    for n in range(40):  # one that has earlier ones with it is kept only where there is none without for long
        record.add(1e5 + n, EVENING[0], snapshot._replace(lately=(Taken(EVENING[0], known=snapshot),)))
        record.add(1e5 + n + 0.5, EVENING[0], snapshot)
    kept = [step.before for step in record.with_latest([]) if step.before is not None]
    assert all(not before.lately for before in kept)
    for n in range(20):
        record.add(1e6 + LONGEST * n, EVENING[0], snapshot)
    assert len(record.with_latest([])) <= 2 * ANCHOR_EVERY


def test_time_that_only_passes_is_one_step_between_two_looks_at_the_sensors() -> None:
    tracker = tracked(RING, [at(1, "hall_motion", "detected"), at(12, "hall_motion", "clear")])
    for second in range(13, 600):
        tracker.advance(time_at(second))
    assert len(tracker._record.with_latest([])) == 5, "two events, and the begin, a look and the end"
    why = tracker.explain("hall")
    assert_adds_up(why)
    assert why.probability == pytest.approx(tracker.belief.rooms["hall"], rel=0, abs=1e-12)


def test_asking_changes_nothing() -> None:
    asked, left = Tracker(GARAGE), Tracker(GARAGE)
    for n, event in enumerate(EVENING):
        asked.observe(event)
        left.observe(event)
        if n % 7 == 0:
            asked.explain("kitchen")
        assert asked.belief == left.belief
    assert asked.log_likelihood == left.log_likelihood


def test_a_late_event_is_explained_in_its_place() -> None:
    tracker = tracked(RING, [at(5, "hall_motion", "detected"), at(6, "bed_motion", "detected")])
    tracker.observe(at(4.5, "inner_contact", "open"))
    why = tracker.explain("bed")
    assert_adds_up(why)
    assert any(e.text.startswith("inner door opened") for e in why.evidence)


# --- in a replay ------------------------------------------------------------------------------------------------------
def test_replay_adds_lines_and_changes_none() -> None:
    plain = [to_json(line) for line in replay(GARAGE, EVENING)]
    told = [to_json(line) for line in replay(GARAGE, EVENING, explain=True)]
    added = [json.loads(line) for line in told if json.loads(line)["kind"] == "explanation"]
    assert [line for line in told if json.loads(line)["kind"] != "explanation"] == plain
    assert {"room", "door"} <= {key for line in added for key in line}
    for line in added:
        assert math.fsum(e["decibans"] for e in line["evidence"]) == pytest.approx(line["decibans"], rel=0, abs=1e-9)
        assert line["hypotheses"]


@effort(max_examples=8)
@given(logs(RING, 15, longest=500.0))
def test_every_explanation_of_a_replay_adds_up_and_is_json(events: list[Event]) -> None:
    for line in replay(RING, events, explain=True):
        if isinstance(line, Explanation):
            assert_adds_up(line)
            json.loads(to_json(line), parse_constant=pytest.fail)


def test_a_stretch_that_begins_in_the_future_is_empty() -> None:
    tracker = tracked(RING, [at(1, "hall_motion", "detected")], 9.0)
    why = tracker.explain("hall", time_at(60))
    assert why.begin == why.time == tracker.time
    assert why.decibans == 0.0
    assert why.evidence == ()


def test_a_room_is_explained_when_its_answer_changes_sides() -> None:
    sides: dict[str, bool] = {}
    lines = list(replay(GARAGE, EVENING, explain=True))
    for line, following in zip(lines, [*lines[1:], None], strict=True):
        if hasattr(line, "at_home"):
            changed = [room for room, p in line.rooms.items() if sides.setdefault(room, p >= 0.5) != (p >= 0.5)]
            sides.update({room: p >= 0.5 for room, p in line.rooms.items()})
            assert isinstance(following, Explanation) == bool(changed)
            if isinstance(following, Explanation):
                assert following.room == changed[0]
                assert following.probability == pytest.approx(line.rooms[changed[0]], rel=0, abs=1e-12)
    assert any(isinstance(line, Explanation) and line.room for line in lines)


@pytest.mark.parametrize("reports", [1, 40, 400])
def test_the_effort_of_a_reason_grows_with_what_it_weighs(reports: int) -> None:
    """Each report and each silence between two is weighed, also where hundreds are told in one line."""
    values = ("detected", "clear")
    burst = [at(1.0 + k, "hall_motion", values[k % 2]) for k in range(reports)]
    reason = tracked(RING, burst).explain("hall")
    assert reason.pieces >= 2 * reports
    assert work(reason) == pytest.approx(max(1.0, reason.pieces / ORDINARY), rel=1e-12)


# --- words and refusals -----------------------------------------------------------------------------------------------
def test_the_text_is_what_a_householder_reads() -> None:
    events = [at(0.1, "P1_phone", "home"), at(5, "hall_motion", "detected"), at(20, "hall_motion", "clear")]
    text = tracked(RING, events, 740.0).explain("hall").text()
    assert text.startswith("somebody in the hall: ")
    assert "movement in the hall at 12:00:05" in text
    assert "no new movement in the hall for 12 min" in text
    assert "P1's phone says home" in text
    assert "the latest event was P1's" in text


@pytest.mark.parametrize("pets", [{}, {"cat": {}}])
def test_a_home_where_nobody_lives_is_explained_too(pets: dict[str, object]) -> None:
    plan = home(0, pets=pets, **MOTION)
    why = tracked(plan, [at(1, "hall_motion", "detected")], 400.0).explain("hall")
    assert why.probability < 1e-6
    assert_adds_up(why)
    assert all(story.text.startswith("nobody at home; the latest event was ") for story in why.stories)


def test_every_report_has_words() -> None:
    for plan in (GARAGE, RING):
        for sensor in plan.sensors:
            for value in plan.values(sensor):
                text = event_text(plan, Event(NOON, sensor, value))
                assert text
                assert "None" not in text
                assert "_" not in text.replace(str(plan.sensors[sensor].person), "")


def test_rooms_and_doors_are_called_by_their_labels() -> None:
    assert room_name(GARAGE, "utility") == "the utility room"
    assert room_name(GARAGE, "away") == "away"
    assert door_name(GARAGE, "overhead") == "overhead door"
    assert door_name(GARAGE, "side_gate") == "side gate"


def test_what_cannot_be_explained_is_refused() -> None:
    tracker = tracked(RING, [at(1, "front_contact", "open"), at(3, "front_contact", "closed")], 4.0)
    with pytest.raises(UnexplainedError, match='no room "hal"; did you mean "hall"'):
        tracker.explain("hal")
    with pytest.raises(UnexplainedError, match="no room null; there is hall, "):
        tracker.explain(None)  # type: ignore[arg-type]
    with pytest.raises(UnexplainedError, match="nobody's being away is explained; there is hall, "):
        tracker.explain("away")
    closing = [p for p in tracker.passages if p.time == time_at(3)]
    with pytest.raises(UnexplainedError, match=r"no opening of front at .* is remembered"):
        tracker.explain_passage(closing[0])
    with pytest.raises(TimeError, match="nothing is known"):
        Tracker(RING).explain("hall")
    with pytest.raises(TimeError, match="no offset"):
        tracker.explain("hall", NOON.replace(tzinfo=None))
    for room in (5, ["hall"]):
        with pytest.raises(UnexplainedError, match=r"the plan has no room .*; "):
            tracker.explain(cast(str, room))
    with pytest.raises(UnexplainedError, match=r"is no passage; one of `tracker\.passages` would be right"):
        tracker.explain_passage(cast(Passage, "front"))


def test_decibans_are_ten_times_the_decimal_logarithm() -> None:
    """A factor of 10 on the odds is 10 decibans, a factor of 2 about 3 (Good 1950)."""
    assert math.log(10) * DECIBANS == pytest.approx(10, rel=1e-15)
    assert math.log(2) * DECIBANS == pytest.approx(3.0103, rel=0, abs=5e-5)
