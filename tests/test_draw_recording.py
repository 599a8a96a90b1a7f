"""What a page keeps of a replay: nothing lost but what is said to be left out; numbers unpack to themselves."""

import base64
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from presence.draw.encoding import numbers, runs
from presence.draw.reasons import reasons
from presence.draw.recording import MOST_IN_A_STEP, Recording, recording, thin
from presence.events import Event, read_log
from presence.explained import ORDINARY, effort
from presence.floorplan import Floorplan
from presence.passages import Passage
from presence.replay import replay
from presence.snapshot import Belief
from presence.telling import Explanation

ROOT = Path(__file__).parents[1]


def decoded(text: str) -> list[int]:
    """The LEB128 decoder of the DWARF 5 standard (appendix C; from memory), over base 64."""
    found, result, shift = [], 0, 0
    for byte in base64.b64decode(text):
        result |= (byte & 0x7F) << shift
        if byte & 0x80:
            shift += 7
        else:
            found.append(result)
            result, shift = 0, 0
    return found


def test_numbers_as_the_standard_prints_them() -> None:
    """DWARF 5, section 7.6, examples of unsigned LEB128 (from memory)."""
    examples = {2: "02", 127: "7f", 128: "8001", 129: "8101", 12857: "b964"}
    for number, expected in examples.items():
        assert base64.b64decode(numbers([number])).hex() == expected


@given(st.lists(st.integers(0, 2**40)))
def test_numbers_come_back(values: list[int]) -> None:
    assert decoded(numbers(values)) == values


def test_no_number_below_zero() -> None:
    with pytest.raises(ValueError, match="-1 is below 0"):
        numbers([3, -1])


@given(arrays.arrays(np.uint8, st.tuples(st.integers(1, 30), st.integers(1, 4)), elements=st.integers(0, 3)))
def test_runs_come_back(columns: np.ndarray) -> None:
    flat = decoded(runs(columns))
    values = np.repeat(flat[1::2], flat[::2])
    assert np.array_equal(values.reshape(columns.shape[1], columns.shape[0]).T, columns)


@given(
    arrays.arrays(np.uint8, st.tuples(st.integers(1, 60), st.integers(1, 3)), elements=st.integers(0, 100)),
    st.integers(1, 70),
    st.randoms(use_true_random=False),
)
def test_what_is_left_out_is_within_the_tolerance(columns: np.ndarray, most: int, random: object) -> None:
    needed = np.array([random.random() < 0.2 for _ in columns])  # type: ignore[attr-defined]
    kept, tolerance = thin(columns, needed, most)
    held = columns[kept[np.searchsorted(kept, np.arange(len(columns)), side="right") - 1]]
    assert np.abs(held.astype(int) - columns).max() <= tolerance
    assert set(np.flatnonzero(needed)) <= set(kept)
    if len(columns) <= most:
        assert tolerance == 0
        assert len(kept) == len(columns)


@pytest.fixture(scope="module")
def home() -> Floorplan:
    return Floorplan.load(ROOT / "floorplans/two_storey_garage.yaml")


@pytest.fixture(scope="module")
def evening(home: Floorplan) -> list[Event]:
    return list(read_log(ROOT / "demo/garage_evening.jsonl", plan=home))


def test_columns_are_the_lines_of_replay(home: Floorplan, evening: list[Event]) -> None:
    kept = recording(home, evening)
    lines = [line for line in replay(home, evening) if isinstance(line, Belief)]
    assert [step * 60 for step in kept.steps] == [line.time.timestamp() for line in lines]
    for row, line in zip(kept.columns, lines, strict=True):
        told = [*line.rooms.values(), *(p for rooms in line.people.values() for p in rooms.values()), *line.at_home]
        assert np.abs(row / 100 - told).max() <= 0.005 + 1e-12


@pytest.mark.parametrize("most", [50_000, 10])
def test_no_passage_is_lost(home: Floorplan, evening: list[Event], most: int) -> None:
    kept = recording(home, evening, most=most)
    finals = [p for p in replay(home, evening) if isinstance(p, Passage) and p.final]
    assert len(finals) > 5
    assert Counter((t.last.time, t.last.door) for t in kept.passages if t.last.final) == Counter(
        (p.time, p.door) for p in finals
    )
    for told in kept.passages:  # and each can be shown at the instant that follows it
        following = -(-told.first.time.timestamp() // 60)
        assert following in kept.steps or following > kept.steps[-1]
    assert (kept.tolerance > 0) == (most == 10)
    assert [seen.event for seen in kept.events] == evening


def test_causes_are_the_associations(home: Floorplan, evening: list[Event]) -> None:
    kept = recording(home, evening)
    told = [line for line in replay(home, evening, associations=True) if hasattr(line, "sensor")]
    with_cause = [seen for seen in kept.events if seen.probability is not None]
    assert len(with_cause) == len(told) > 20
    for seen, line in zip(with_cause, told, strict=True):
        assert (seen.event.time, seen.event.sensor) == (line.time, line.sensor)
        assert seen.probability == max(*line.people.values(), line.nobody)


def test_reasons_are_those_of_replay(home: Floorplan, evening: list[Event]) -> None:
    kept = recording(home, evening, explain=True)
    told = [line for line in replay(home, evening, explain=True) if isinstance(line, Explanation)]
    assert [(w.room, w.time, w.decibans) for w in kept.reasons] == [
        (w.room, w.time, w.decibans) for w in told if w.room is not None
    ]
    of_passages = [w for w in told if w.door is not None]
    kept_with_door = [t for t in kept.passages if t.why is not None]
    assert len(kept_with_door) == len(of_passages) > 3
    for entry in kept_with_door:
        assert (entry.why.door, entry.last.final) == (entry.last.door, True)
    packed = reasons(home, kept, kept.events[0].event.seconds)
    for (_, room, _, _, _, weights), why in zip(packed["reasons"], kept.reasons, strict=True):
        assert list(home.rooms)[room] == why.room
        assert sum(weights[::2]) / 10 == pytest.approx(why.decibans, abs=0.05 * len(weights))
        assert packed["texts"][weights[1]] == why.evidence[0].text


def test_only_so_many_reasons_are_told_and_that_is_said(home: Floorplan, evening: list[Event]) -> None:
    everything, some = recording(home, evening, explain=1000), recording(home, evening, explain=4)
    told = [w for w in replay(home, evening, explain=True) if isinstance(w, Explanation)]
    kept = [*some.reasons, *(t.why for t in some.passages if t.why is not None)]
    assert len(kept) == 4 < len(told)
    assert {w.time for w in kept} == {w.time for w in told[:4]}
    assert some.reasons_until == told[3].time
    assert everything.reasons_until is None
    assert len(everything.reasons) == sum(w.room is not None for w in told)
    assert (some.columns == everything.columns).all()


def flood(number: int) -> list[Event]:
    """Many events of one sensor within a minute, and one an hour later."""
    begin = datetime(2026, 3, 2, 18, 0, 1, tzinfo=UTC)
    values = ("detected", "clear")
    events = [Event(begin + timedelta(milliseconds=5 * k), "hall_motion", values[k % 2]) for k in range(number)]
    return [*events, Event(begin + timedelta(hours=1), "kitchen_motion", "detected")]


def test_reasons_that_weigh_a_flood_of_events_count_for_more(home: Floorplan, evening: list[Event]) -> None:
    told = [line for line in replay(home, evening, explain=True) if isinstance(line, Explanation)]
    assert {effort(reason) for reason in told} == {1.0}
    assert effort(replace(told[0], pieces=25 * ORDINARY)) == 25.0


def test_a_flood_of_events_is_counted(home: Floorplan) -> None:
    kept = recording(home, flood(500))
    assert (len(kept.events), kept.events_left_out) == (MOST_IN_A_STEP + 1, 500 - MOST_IN_A_STEP)


def test_nothing_told_of_an_empty_log(home: Floorplan) -> None:
    kept: Recording = recording(home, [])
    assert (kept.told, len(kept.steps), kept.passages, kept.events) == (0, 0, [], [])
    assert runs(kept.columns) == ""
