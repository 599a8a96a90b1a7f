"""Logs in Parquet: the same events as in JSON Lines, streamed; what is wrong is named with its row."""

import sys
import tracemalloc
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings

from presence import cli
from presence.errors import Fault
from presence.events import Event, LogCounts, read_log
from presence.floorplan import Floorplan
from tests.strategies import START, events

PLAN = Floorplan.from_mapping(
    {
        "name": "one room",
        "time_zone": "Europe/Berlin",
        "rooms": {"hall": {}},
        "doors": {"front": {"between": ["hall", "away"], "leaf": "hinged"}},
        "sensors": {
            "front_lock": {"kind": "lock", "door": "front"},
            "hall_motion": {"kind": "motion", "room": "hall", "hold": 20},
        },
        "people": {"P1": {}},
    }
)
UTC_TIMES = pa.timestamp("us", "UTC")


def read(path: Path, **options: Any) -> tuple[list[Event], list[Fault], LogCounts]:
    """What is read, what is named, what is counted."""
    faults: list[Fault] = []
    counts = LogCounts()
    found = list(read_log(path, counts=counts, on_fault=faults.append, **options))
    return found, faults, counts


def columns(said: list[Event]) -> dict[str, list[Any]]:
    return {name: [getattr(event, name) for event in said] for name in ("time", "sensor", "value", "by", "code")}


def minutes(number: int) -> list[Event]:
    return [Event(START + timedelta(minutes=k), "hall_motion", ("detected", "clear")[k % 2]) for k in range(number)]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=30)
@given(events(PLAN))
def test_every_type_of_column_says_the_same(tmp_path: Path, said: list[Event]) -> None:
    path = tmp_path / "log.parquet"
    found = columns(said)
    stamps = pa.array(found["time"], UTC_TIMES)
    text = pa.array([time.isoformat() for time in found["time"]], pa.string())
    for times in (stamps, stamps.cast(pa.timestamp("ns", "Asia/Tokyo")), text, text.cast(pa.large_string())):
        rest = {name: pa.array(found[name], pa.string()) for name in ("sensor", "value", "by", "code")}
        rest["sensor"] = rest["sensor"].dictionary_encode()
        pq.write_table(pa.table({"time": times, **rest}), path, row_group_size=3)
        events_read, faults, _ = read(path, plan=PLAN)
        assert events_read == said
        assert ["empty" in fault.message for fault in faults] == ([] if said else [True])


def test_optional_columns_may_be_missing_and_others_are_named_once(tmp_path: Path) -> None:
    path, said = tmp_path / "log.parquet", minutes(3)
    some = {name: cells for name, cells in columns(said).items() if name not in ("by", "code")}
    pq.write_table(pa.table({**some, "room": ["hall"] * 3}), path)
    found, faults, counts = read(path)
    assert found == said
    assert [str(fault) for fault in faults] == [
        f'{path}:0: column "room" is not read; the columns are time,sensor,value,by,code'
    ]
    assert (counts.read, counts.bad, counts.line) == (3, 0, 3)


@pytest.mark.parametrize(
    ("column", "cell", "says"),
    [
        ("time", None, "'time' is missing"),
        ("time", datetime(1970, 1, 1, tzinfo=UTC), "no time of a log"),
        ("time", 2**62, "a time of the calendar"),
        ("sensor", "hal_motion", "did you mean"),
        ("sensor", None, "'sensor' is missing"),
        ("value", "on", "does not report"),
        ("value", "", "'value' is empty"),
        ("value", b"\xff", "no UTF-8"),
        ("by", "nobody", "'inside' or 'keypad'"),
    ],
)
def test_a_bad_row_is_named_and_the_rest_is_read(tmp_path: Path, column: str, cell: Any, says: str) -> None:
    path, said = tmp_path / "log.parquet", minutes(10)
    cells = columns(said)
    cells[column][6] = cell
    kinds = {name: pa.string() for name in cells} | {"time": UTC_TIMES}
    arrays = {name: pa.array(values, kinds[name]) for name, values in cells.items() if name != column}
    kind = pa.int64() if cell == 2**62 else pa.binary() if isinstance(cell, bytes) else kinds[column]
    raw = [v if not isinstance(v, str) or kind != pa.binary() else v.encode() for v in cells[column]]
    raw = [int(v.timestamp() * 1e6) if isinstance(v, datetime) and kind == pa.int64() else v for v in raw]
    odd = pa.array(raw, kind)
    arrays[column] = odd.cast(UTC_TIMES) if kind == pa.int64() else odd
    if kind == pa.binary():  # what another program wrote without checking
        arrays[column] = pa.Array.from_buffers(pa.string(), len(odd), odd.buffers())
    pq.write_table(pa.table(arrays), path, row_group_size=4)
    found, faults, counts = read(path, plan=PLAN)
    assert found == [event for k, event in enumerate(said) if k != 6]
    assert [(fault.path, fault.line) for fault in faults] == [(str(path), 7)]
    assert says in faults[0].message
    assert counts.bad == 1


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ({"time": ["x"], "sensor": ["hall_motion"]}, 'no column "value"'),
        ({"time": [datetime(2026, 3, 1)], "sensor": ["a"], "value": ["b"]}, "without a zone"),
        ({"time": [3.5], "sensor": ["a"], "value": ["b"]}, 'column "time" is double'),
        ({"time": ["x"], "sensor": [1], "value": ["b"]}, 'column "sensor" is int64; text would be right'),
    ],
)
def test_columns_that_cannot_be_a_log_are_named(tmp_path: Path, table: dict[str, list[Any]], says: str) -> None:
    path = tmp_path / "log.parquet"
    pq.write_table(pa.table(table), path)
    found, faults, _ = read(path)
    assert (found, len(faults), faults[0].line) == ([], 1, 0)
    assert says in faults[0].message


def test_a_damaged_file_is_named_and_what_is_whole_is_read(tmp_path: Path) -> None:
    path, said = tmp_path / "log.parquet", minutes(300)
    pq.write_table(pa.table(columns(said)), path, row_group_size=100, use_dictionary=False, compression="gzip")
    raw = bytearray(path.read_bytes())
    begin = pq.ParquetFile(path).metadata.row_group(1).column(1).data_page_offset
    raw[begin + 40 : begin + 60] = bytes(20)
    path.write_bytes(raw)
    found, faults, _ = read(path)
    assert found == said[:100] + said[200:]
    assert [fault.line for fault in faults] == [101]
    assert "damaged here" in faults[0].message
    path.write_bytes(raw[:-50])  # a copy that broke off
    found, faults, _ = read(path)
    assert (found, [fault.line for fault in faults]) == ([], [0])
    assert "damaged Parquet" in faults[0].message


def test_a_pipe_cannot_be_parquet(tmp_path: Path) -> None:
    path = tmp_path / "log.parquet"
    pq.write_table(pa.table(columns(minutes(3))), path)
    faults: list[Fault] = []
    with path.open("rb") as file:
        assert not list(read_log(file, on_fault=faults.append))
    assert "plain file only" in faults[0].message


def test_without_the_extra_it_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "log.parquet"
    pq.write_table(pa.table(columns(minutes(3))), path)
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    _, faults, _ = read(path)
    assert "presence[parquet]" in faults[0].message


def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    """Python's memory and pyarrow's, at the peak, for ten times as many rows."""
    peaks = []
    for number in (6_000, 60_000):
        path = tmp_path / f"{number}.parquet"
        pq.write_table(pa.table(columns(minutes(number))), path, row_group_size=3_000)
        pool = pa.proxy_memory_pool(pa.default_memory_pool())
        before = pa.default_memory_pool()
        pa.set_memory_pool(pool)
        tracemalloc.start()
        try:
            assert sum(1 for _ in read_log(path)) == number
            peaks.append((tracemalloc.get_traced_memory()[1], pool.max_memory()))
        finally:
            tracemalloc.stop()
            pa.set_memory_pool(before)
    assert peaks[1][0] < 1.5 * peaks[0][0]
    assert peaks[1][1] < 1.5 * peaks[0][1] + 1e6


def test_the_command_takes_it_wherever_it_takes_a_log(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    plan = "name: one\ntime_zone: UTC\nrooms: {hall: {}}\ndoors: {front: {between: [hall, away], leaf: none}}\n"
    plan += "sensors: {hall_motion: {kind: motion, room: hall, hold: 20}}\npeople: {P1: {}}\n"
    (tmp_path / "plan.yaml").write_text(plan, encoding="utf-8")
    (tmp_path / "truth.jsonl").write_text(
        f'{{"time": "{START.isoformat()}", "person": "P1", "room": "hall"}}\n', "utf-8"
    )
    said = minutes(30)
    pq.write_table(pa.table(columns(said)), tmp_path / "log.parquet")
    rows = ["time,sensor,value", *(f"{e.time.isoformat()},{e.sensor},{e.value}" for e in said)]
    (tmp_path / "log.csv").write_text("\n".join(rows), encoding="utf-8")
    for command in (["replay", "plan.yaml", "{}"], ["evaluate", "plan.yaml", "{}", "truth.jsonl", "--json"]):
        told = []
        for log in ("log.csv", "log.parquet"):
            assert cli.run([word.format(log) for word in command]) == 0
            told.append(capsys.readouterr())
        assert told[0] == told[1]
        assert told[0].out
