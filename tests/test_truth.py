"""Truth files: every fault named, and nothing used of a file with a fault."""

import dataclasses
import gzip
import json
import os
import tracemalloc
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Thread

import pytest

from presence.errors import LogError
from presence.floorplan import Floorplan
from presence.truth import MOST_FAULTS, TruthLine, read_truth, stream_truth

PLAN = Floorplan.from_mapping(
    {
        "name": "two rooms",
        "time_zone": "UTC",
        "rooms": {"hall": {}, "den": {}},
        "doors": {
            "front": {"between": ["hall", "away"], "leaf": "hinged"},
            "left": {"between": ["hall", "den"], "leaf": "none"},
            "right": {"between": ["hall", "den"], "leaf": "none"},
        },
        "people": {"P1": {}},
        "pets": {"cat": {}},
    }
)
GOOD = {"time": "2026-03-01T07:00:00Z", "person": "P1", "room": "hall"}


def line(**changes: str | int | None) -> str:
    return json.dumps(GOOD | changes)


def test_lines_come_in_order_of_time_whoever_they_are_about(tmp_path: Path) -> None:
    lines = [line(), line(time="2026-03-01T09:00:05+01:00", room="den", door="left"), line(person="guest", room="away")]
    lines += [line(time="2026-03-01T07:30:00Z", person="guest", room="hall", door="front")]
    seven = datetime(2026, 3, 1, 7, tzinfo=UTC)
    expected = [
        TruthLine(seven, "P1", "hall", None),
        TruthLine(seven, "guest", "away", None),
        TruthLine(seven.replace(minute=30), "guest", "hall", "front"),
        TruthLine(seven.replace(hour=8, second=5), "P1", "den", "left"),
    ]
    (tmp_path / "truth.jsonl").write_text("\n".join(["", *lines]), encoding="utf-8")
    (tmp_path / "truth.jsonl.gz").write_bytes(gzip.compress("\r\n".join(lines).encode()))
    assert list(read_truth(tmp_path / "truth.jsonl", PLAN)) == expected
    assert list(read_truth(tmp_path / "truth.jsonl.gz", PLAN)) == expected


@pytest.mark.parametrize(
    ("bad", "says"),
    [
        ("nonsense", "is not JSON"),
        ("nonsense", "one object a line"),
        (line(room="hal"), 'did you mean "hall"'),
        (line(door="lft", room="den"), 'did you mean "left"'),
        (line(door="front", room="den"), "joins hall and away"),
        (line(person="cat"), "is a pet"),
        (line(person=None), "'person' is missing"),
        (line(person=3), "text, in quotes"),
        (line(time="2026-03-01T07:00:00"), "no offset"),
        (line(where="hall"), 'unknown key "where"; time, person, room and optional door would be right'),
        (line(sensor="hall_motion"), 'unknown key "sensor"; time, person, room and optional door would be right (is t'),
        ('{"time": NaN}', "NaN is no number"),
        (line(time="2016-12-31T23:59:60Z"), "leap second"),
        (line()[:30], "is not JSON"),
        (line()[:-1] + ', "room": "hall"}', 'key "room" stands twice'),
        (line(room="den"), "already in another room at this very time"),
    ],
)
def test_a_fault_is_named_at_its_line(tmp_path: Path, bad: str, says: str) -> None:
    path = tmp_path / "truth.jsonl"
    path.write_text("\n".join([line(), bad]), encoding="utf-8")
    with pytest.raises(LogError) as caught:
        list(read_truth(path, PLAN))
    assert [(fault.path, fault.line) for fault in caught.value.faults] == [(str(path), 2)]
    assert says in caught.value.faults[0].message


def test_all_faults_are_named_at_once_but_not_without_end() -> None:
    with pytest.raises(LogError) as caught:
        read_truth([line(room="attic"), line(), *["nonsense"] * (MOST_FAULTS + 20)], PLAN)
    assert len(caught.value.faults) == MOST_FAULTS + 1
    assert caught.value.faults[0].line == 1
    assert "21 faults more" in caught.value.faults[-1].message


def test_an_empty_truth_is_a_fault_where_somebody_lives(tmp_path: Path) -> None:
    empty = tmp_path / "truth.jsonl"
    empty.touch()
    nobody = dataclasses.replace(PLAN, people={})
    for read in (lambda plan: read_truth([], plan), lambda plan: list(stream_truth(empty, plan))):
        assert read(nobody) == []  # and nobody came
        for lived_in in (PLAN, None):
            with pytest.raises(LogError, match="no line"):
                read(lived_in)


def test_a_truth_that_breaks_off_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "truth.jsonl.gz"
    whole = [line(time=f"2026-03-01T{k // 60:02d}:{k % 60:02d}:00Z", person=f"P{k * k % 977}") for k in range(1000)]
    path.write_bytes(gzip.compress("\n".join(whole).encode())[:-100])
    with pytest.raises(LogError, match="gzip data break off"):
        read_truth(path, PLAN)


@pytest.mark.parametrize("raw", [b"\x00\x01\x02" * 50, line().encode("utf-16"), b"\x1f\x8b"])
def test_what_is_no_text_is_one_fault(tmp_path: Path, raw: bytes) -> None:
    path = tmp_path / "truth.jsonl"
    path.write_bytes(raw)
    with pytest.raises(LogError) as caught:
        read_truth(path, PLAN)
    assert [fault.line for fault in caught.value.faults] == [1]


NO_JSON_LINES = {
    "Parquet": b"PAR1" + b"\x00" * 50,
    "packed Parquet": gzip.compress(b"PAR1" + b"\x00" * 50, mtime=0),
    "binary": b"\x00\x01" * 50,
}


# Ids by name: workers that collect in different seconds must find the same tests.
@pytest.mark.parametrize("raw", NO_JSON_LINES.values(), ids=NO_JSON_LINES)
def test_what_is_no_json_lines_is_told_what_a_truth_is(tmp_path: Path, raw: bytes) -> None:
    path = tmp_path / "truth.parquet"
    path.write_bytes(raw)
    with pytest.raises(LogError) as caught:
        list(stream_truth(path, PLAN))
    assert caught.value.faults[0].message.endswith("; a truth in JSON Lines, plain or gzip, would be right")
    assert ("Parquet" in caught.value.faults[0].message) == (raw[:2] != b"\x00\x01")


def test_a_stream_gives_what_reading_gives(tmp_path: Path) -> None:
    path = tmp_path / "truth.jsonl"
    minutes = [line(time=f"2026-03-01T07:{k:02d}:00+01:00", room=("den", "hall")[k % 2]) for k in range(60)]
    guest = [line(time=f"2026-03-01T06:{k:02d}:30+00:00", person="guest", room="away") for k in range(0, 60, 7)]
    for lines in (minutes, minutes + guest, minutes[::-1]):  # in order; person by person; backwards
        path.write_text("\n".join(lines), encoding="utf-8")
        assert list(stream_truth(path, PLAN)) == read_truth(path, PLAN)
    assert [found.line for found in stream_truth(path, PLAN)] == list(range(60, 0, -1))
    assert {found.offset for found in stream_truth(path, PLAN)} == {"+01:00"}


@pytest.mark.parametrize("lines", [[line(), "nonsense", line(room="den")], [], [line(), line(time="6"), "{}"]])
def test_a_stream_names_every_fault_before_its_first_line(tmp_path: Path, lines: list[str]) -> None:
    path = tmp_path / "truth.jsonl"
    path.write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(LogError) as read:
        read_truth(path, PLAN)
    with pytest.raises(LogError) as streamed:
        next(iter(stream_truth(path, PLAN)))
    assert streamed.value.faults == read.value.faults


def test_a_stream_of_a_pipe_and_of_nothing(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    writer = Thread(target=pipe.write_text, args=(line(),))
    writer.start()
    assert len(list(stream_truth(pipe, PLAN))) == 1
    writer.join()
    with pytest.raises(LogError, match="cannot be read"):
        next(stream_truth(tmp_path / "nowhere", PLAN))


def test_a_stream_holds_no_lines(tmp_path: Path) -> None:
    """Memory at the peak is the same for a truth ten times as long."""
    peaks = []
    for hours in (20, 200):
        path = tmp_path / f"{hours}.jsonl"
        times = (datetime(2026, 3, 1, tzinfo=UTC) + timedelta(minutes=k) for k in range(60 * hours))
        with path.open("w", encoding="utf-8") as file:
            file.writelines(line(time=t.isoformat(), room=("den", "hall")[t.minute % 2]) + "\n" for t in times)
        tracemalloc.start()
        assert sum(1 for _ in stream_truth(path, PLAN)) == 60 * hours
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.5 * peaks[0]
