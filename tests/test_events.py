"""Logs: what is read, what is named and skipped, and in which order it comes out."""

import gzip
import io
import json
import os
import pickle
import threading
import tracemalloc
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from itertools import accumulate
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from presence.errors import Fault, LogError
from presence.events import OF_A_FILE, WINDOW, Event, LogCounts, read_log, reorder
from presence.floorplan import Floorplan
from presence.leaps import LEAP
from presence.reading import MAX_LINE, parse_time
from presence.times import duration
from tests.strategies import START, aware_times, events

PLAN = Floorplan.from_mapping(
    {
        "name": "two rooms",
        "time_zone": "Europe/Berlin",
        "rooms": {"hall": {}, "den": {}},
        "doors": {
            "front": {"between": ["hall", "away"], "leaf": "hinged"},
            "arch": {"between": ["hall", "den"], "leaf": "none"},
        },
        "sensors": {
            "front_contact": {"kind": "contact", "door": "front"},
            "front_lock": {"kind": "lock", "door": "front"},
            "hall_motion": {"kind": "motion", "room": "hall", "hold": 20},
            "tag": {"kind": "badge", "person": "P1"},
        },
        "people": {"P1": {}},
    }
)
HOUR, DAY = 3600.0, 86400.0
LINE = '{"time": "2026-03-01T07:00:00Z", "sensor": "hall_motion", "value": "detected"}'


def line_of(event: Event) -> str:
    """An event as a line of JSON."""
    fields = {"time": event.time.isoformat(), "sensor": event.sensor, "value": event.value}
    return json.dumps(fields | {key: at for key, at in (("by", event.by), ("code", event.code)) if at is not None})


def row_of(event: Event) -> str:
    """An event as a row of CSV."""
    return ",".join([event.time.isoformat(), event.sensor, event.value, event.by or "", event.code or ""])


def read(source: Any, **options: Any) -> tuple[list[Event], list[Fault], LogCounts]:
    """What is read, what is named, what is counted."""
    faults: list[Fault] = []
    counts = LogCounts()
    found = list(read_log(source, counts=counts, on_fault=faults.append, **options))
    return found, faults, counts


def at(seconds: float, value: str = "detected", sensor: str = "hall_motion") -> Event:
    return Event(START + timedelta(seconds=seconds), sensor, value)


# --- good logs -------------------------------------------------------------------------------------------------------
@given(events(PLAN), st.booleans(), st.booleans(), st.booleans())
def test_every_form_of_a_log_says_the_same(said: list[Event], packed: bool, windows: bool, marked: bool) -> None:
    end = "\r\n" if windows else "\n"
    for lines in ([line_of(e) for e in said], ["time,sensor,value,by,code", *(row_of(e) for e in said)]):
        raw = (b"\xef\xbb\xbf" if marked else b"") + end.join([*lines, ""]).encode()
        raw = gzip.compress(raw) if packed else raw
        if said:
            assert read(io.BufferedReader(io.BytesIO(raw)), plan=PLAN) == (
                said,
                [],
                LogCounts(read=len(said), line=len(lines)),
            )
            assert read(lines, plan=PLAN)[:2] == (said, [])


def test_a_lock_tells_how_and_with_which_code() -> None:
    text = (
        '{"time": "2026-03-01T07:00:00Z", "sensor": "front_lock", "value": "unlocked", "by": "keypad", "code": "0123"}'
    )
    assert read([text], plan=PLAN)[0] == [Event(START, "front_lock", "unlocked", "keypad", "0123")]


def test_csv_columns_in_any_order_and_quoted_cells() -> None:
    rows = [
        'value,"time",sensor,code',
        '"unlocked",2026-03-01T07:00:00Z,front_lock,"1,2"',
        "",
        "open,2026-03-01T07:00:00Z,front_contact,",
    ]
    found, faults, counts = read(rows, plan=PLAN)
    assert found == [Event(START, "front_lock", "unlocked", None, "1,2"), Event(START, "front_contact", "open")]
    assert (faults, counts.read, counts.bad) == ([], 2, 0)


@pytest.mark.parametrize("separator", [";", "\t"])
def test_csv_as_spreadsheets_write_it_where_a_comma_is_the_decimal_mark(separator: str) -> None:
    rows = [["\ufeffTime", "sensor", "value", "code"], ["2026-03-01T07:00:00Z", "front_lock", "unlocked", "1,2"]]
    found, faults, _ = read([separator.join(row) for row in rows], plan=PLAN)
    assert (found, faults) == ([Event(START, "front_lock", "unlocked", None, "1,2")], [])
    quoted = [separator.join(f'"{cell}"' for cell in row) for row in [[*rows[0][:3], "note"], [*rows[1][:3], "a;\tb"]]]
    found, faults, _ = read([quoted[0].replace('"\ufeff', '\ufeff"'), quoted[1]], plan=PLAN)
    assert found == [Event(START, "front_lock", "unlocked")]
    assert [(fault.line, fault.message[:24]) for fault in faults] == [(1, 'column "note" is not rea')]


def test_without_a_plan_any_sensor_is_taken() -> None:
    line = LINE.replace("hall_motion", "of_nobody")
    assert read([line])[0] == [Event(START, "of_nobody", "detected")]


def test_events_come_as_soon_as_their_line_is_there() -> None:
    out, into = os.pipe()
    with open(out, "rb") as reader, open(into, "wb", buffering=0) as writer:  # noqa: PTH123
        writer.write((LINE + "\n").encode())
        found = read_log(reader)
        assert next(found) == Event(START, "hall_motion", "detected")  # the writer is still open
        threading.Thread(target=lambda: (writer.write((LINE + "\n").encode()), writer.close())).start()
        assert len(list(found)) == 1


def test_an_event_is_a_value() -> None:
    event = Event(START, "hall_motion", "detected")
    there = Event(START.astimezone(ZoneInfo("Asia/Tokyo")), "hall_motion", "detected")
    assert event == there
    assert hash(event) == hash(there)
    assert event.seconds == there.seconds == START.timestamp()
    assert pickle.loads(pickle.dumps(event)) == event


# --- time ------------------------------------------------------------------------------------------------------------
@given(aware_times, st.sampled_from("Tt "), st.sampled_from(["", "0", "000000000000"]))
def test_a_time_is_the_instant_it_names(time: datetime, letter: str, digits: str) -> None:
    text = time.strftime("%Y-%m-%d") + letter.replace(" ", "T") + time.strftime("%H:%M:%S.%f") + digits
    minutes = int(time.utcoffset().total_seconds() // 60)  # type: ignore[union-attr]
    sign, (hours, rest) = "+-"[minutes < 0], divmod(abs(minutes), 60)
    found = parse_time(f"{text}{sign}{hours:02d}:{rest:02d}")
    assert found == time
    assert found.utcoffset() == timedelta(0)
    if not minutes:
        assert parse_time(text + "z") == parse_time(text + "Z") == found


@given(st.text("0123456789", min_size=1, max_size=30))
def test_digits_of_a_second_are_cut_after_the_sixth(digits: str) -> None:
    found = parse_time(f"2026-03-01T07:00:00.{digits}+00:00")
    exact = Fraction(int(digits), 10 ** len(digits))
    assert Fraction(found.microsecond, 10**6) == Fraction(int(exact * 10**6), 10**6)
    assert found.second == 0


def test_clock_changes_move_nothing() -> None:
    """The hour that a clock in Berlin shows twice, and the one that it leaves out: instants follow each other."""
    twice = ["2026-10-25T02:30:00+02:00", "2026-10-25T02:30:00+01:00"]
    missing = ["2026-03-29T01:59:59+01:00", "2026-03-29T03:00:00+02:00"]
    for (first, second), gap in ((twice, 3600), (missing, 1)):
        lines = [LINE.replace("2026-03-01T07:00:00Z", time) for time in (first, second)]
        found, _, _ = read(lines)
        assert found[1].seconds - found[0].seconds == gap
        assert list(reorder(iter(found[::-1]), window=7200.0)) == found


ZONES = ["Europe/Berlin", "America/St_Johns", "Australia/Lord_Howe", "Asia/Kolkata", "Pacific/Apia", "UTC"]
"""Whole, half and quarter hours of offset; clock changes of an hour, of half an hour, and of a whole day (2011)."""


@given(st.datetimes(datetime(2005, 1, 1), datetime(2035, 1, 1)), st.lists(st.sampled_from(ZONES), min_size=2))
def test_one_instant_told_in_the_time_of_any_zone_is_one_event(instant: datetime, zones: list[str]) -> None:
    """Epoch seconds by counting from 1970 in UTC, without a time zone."""
    exact = (instant - datetime(1970, 1, 1)) / timedelta(seconds=1)
    local = [instant.replace(tzinfo=UTC).astimezone(ZoneInfo(zone)) for zone in zones]
    found, faults, _ = read([field(time=time.isoformat()) for time in local], plan=PLAN)
    assert ([event.seconds for event in found], faults) == ([exact] * len(zones), [])
    in_order, _, counts = ordered(found)
    assert (len(in_order), counts.duplicate) == (1, len(zones) - 1)


@pytest.mark.parametrize("zone", ZONES)
def test_every_quarter_of_an_hour_of_a_year_follows_the_one_before(zone: str) -> None:
    """Apia left out a day at the end of 2011; no clock change of any zone moves, drops or repeats an event."""
    begin = datetime(2011, 2, 1, tzinfo=UTC)
    year = [begin + timedelta(minutes=15 * k) for k in range(4 * 24 * 365)]
    times = [parse_time(time.astimezone(ZoneInfo(zone)).isoformat()).timestamp() for time in year]
    assert times == [begin.timestamp() + 900 * k for k in range(len(year))]


# --- bad lines -------------------------------------------------------------------------------------------------------
def field(**changes: Any) -> str:
    return json.dumps(json.loads(LINE) | changes)


BAD = [
    ("{", "is not JSON"),
    ("nonsense", "is not JSON"),
    (LINE[:-1], "is not JSON"),
    (LINE + LINE, "is not JSON"),
    ("[]", "is a JSON array"),
    (f"[{LINE}]", "is a JSON array"),
    ("3", "is the bare value 3"),
    ("[" * 30_000, "nested too deep"),
    ('{"time": NaN}', "NaN is no number"),
    ('{"time": -Infinity}', "Infinity is no number"),
    (LINE.replace('"value"', '"sensor": "den", "value"'), 'key "sensor" stands twice'),
    ('{"sensor": "hall_motion", "value": "detected"}', "'time' is missing"),
    ('{"time": "2026-03-01T07:00:00Z", "value": "detected"}', "'sensor' is missing"),
    ('{"time": "2026-03-01T07:00:00Z", "sensor": "hall_motion"}', "'value' is missing"),
    (field(value=None), "'value' is missing"),
    ('{"timestamp": "2026-03-01T07:00:00Z", "sensor": "tag"}', 'and this one has "timestamp", "sensor"'),
    ('{"e": 1, "time": null}', "'time' is missing; every line needs it, and this one has \"e\""),
    (field(value=""), "'value' is empty"),
    (field(value=1), "'value' is 1; text, in quotes"),
    (field(time=1772348400), "'time' is 1772348400; text, in quotes, such as \"2026-03-01T07:00:00+00:00\""),
    (field(by="window"), "'inside' or 'keypad'"),
    (field(code=123), "'code' is 123; text, in quotes"),
    (field(cod="3"), 'did you mean "code"'),
    (field(time="2026-03-01T07:00:00"), "no offset"),
    (field(time="2026-03-01 07:00:00"), "no offset; with one, e.g. '2026-03-01T07:00:00Z'"),
    (field(time="2026-03-01 07:00:00+01:00"), "no RFC 3339 time; '2026-03-01T07:00:00+01:00' would be right"),
    (field(time="1772348400.25"), "no RFC 3339 time; '2026-03-01T07:00:00.250+00:00' would be right"),
    (field(time="2026-03-01"), "no RFC 3339 time"),
    (field(time="yesterday"), "no RFC 3339 time"),
    (field(time="20260301T070000Z"), "no RFC 3339 time"),
    (field(time="2026-02-30T07:00:00Z"), "does not exist"),
    (field(time="2026-03-01T24:00:00Z"), "does not exist"),
    (field(time="2016-12-31T23:59:60Z"), "leap second"),
    (field(time="0001-01-01T00:00:00+14:00"), "a year from 2001 to 2199"),
    (field(time="9999-12-31T23:59:59-10:00"), "a year from 2001 to 2199"),
    (field(time="2026-03-01T07:00:00+99:00"), "has an offset of a day or more"),
    (field(time="2026-03-01T07:00:00Z "), "no RFC 3339 time; '2026-03-01T07:00:00Z' would be right"),
    (field(time="1772348400250"), "no RFC 3339 time; '2026-03-01T07:00:00.250+00:00' would be right"),
    (field(time="1970-01-01T00:00:05Z"), "no time of a log"),
    (field(time="2000-01-01T00:00:05Z"), "no time of a log"),
    (field(time="2026-03-01T07:00:00+01:60"), "no RFC 3339 time"),
    (field(time="9999-01-01T00:00:00Z"), "no time of a log"),
    (field(time="\u0662026-03-01T07:00:00Z"), "no RFC 3339 time"),
    (field(sensor="hall_moton"), 'did you mean "hall_motion"'),
    (field(sensor="doorbell\n\x1b[31m"), "unknown sensor"),
    (field(value="open"), "there is detected, clear"),
    (field(value="detcted"), 'did you mean "detected"'),
    (field(value="ofline"), 'did you mean "offline"'),
    (field(value="off"), "there is detected, clear"),
    (field(sensor="tag", value="attic"), "there is hall, den, away"),
    ('{"x": "' + "a" * MAX_LINE + '"}', "longer than"),
    ('{"x": ' + "9" * 5000 + "}", "a number of 5000 digits"),
]


@pytest.mark.parametrize(("bad", "says"), BAD)
def test_a_bad_line_is_named_and_the_rest_is_read(tmp_path: Path, bad: str, says: str) -> None:
    path = tmp_path / "log.jsonl"
    path.write_text("\n".join([LINE, bad, "", LINE]) + "\n", encoding="utf-8")
    found, faults, counts = read(path, plan=PLAN)
    assert found == [Event(START, "hall_motion", "detected")] * 2
    assert [(fault.path, fault.line) for fault in faults] == [(str(path), 2)]
    assert says in faults[0].message
    assert len(str(faults[0]).splitlines()) == 1
    assert len(faults[0].message) < 300
    assert (counts.read, counts.bad) == (2, 1)
    with pytest.raises(LogError) as caught:
        list(read_log(path, plan=PLAN, strict=True))
    assert list(caught.value.faults) == faults


@pytest.mark.parametrize(
    ("rows", "line", "says"),
    [
        (["time,sensor", "2026-03-01T07:00:00Z,hall_motion"], 1, "no column 'value'"),
        (["time,sensor,value,value", "x"], 1, "names a column twice"),
        (["time,sensor,value,room", "2026-03-01T07:00:00Z,hall_motion,clear,hall"], 1, 'column "room" is not read'),
        (["time,sensor,value", "2026-03-01T07:00:00Z,hall_motion"], 2, "'value' is missing"),
        (["time,sensor,value", "2026-03-01T07:00:00Z,hall_motion,clear,5"], 2, "4 cells under 3 columns"),
        (["time,sensor,value", '2026-03-01T07:00:00Z,"hall_motion,clear'], 2, "is not CSV"),
        (["time,sensor,value", "07:00,hall_motion,clear"], 2, "no RFC 3339 time"),
        (["2026-03-01T07:00:00Z,hall_motion,clear"], 1, "a first line time,sensor,value,by,code would be right"),
        (["2026-03-01T07:00:00Z;hall_motion;clear"], 1, "a first line time,sensor,value,by,code would be right"),
        (["2026-03-01T07:00:00Z\thall_motion\tclear"], 1, "a first line time,sensor,value,by,code would be right"),
        (["time;sensor", "2026-03-01T07:00:00Z;hall_motion"], 1, "no column 'value'"),
        (["time;sensor;value", "2026-03-01T07:00:00Z,hall_motion,clear"], 2, "'sensor' is missing"),
        (["time;sensor;value", "2026-03-01T07:00:00,250Z;hall_motion;clear"], 2, "no RFC 3339 time"),
        (['{"time": "2026', "time,sensor,value"], 1, "is not JSON (Unterminated string starting at column 10)"),
    ],
)
def test_faults_of_csv_are_named(rows: list[str], line: int, says: str) -> None:
    _, faults, _ = read(rows, plan=PLAN)
    assert (faults[0].line, says in faults[0].message) == (line, True), faults


@pytest.mark.parametrize("log", [[LINE], ["time,sensor,value", "2026-03-01T07:00:00Z,hall_motion,detected"]])
def test_a_title_above_a_log_costs_one_line(log: list[str]) -> None:
    """What a hub writes on top is no event; the log below it is read, in either form."""
    found, faults, _ = read(["# exported by the hub", *log], plan=PLAN)
    assert found == [Event(START, "hall_motion", "detected")]
    assert [fault.line for fault in faults] == [1]


@pytest.mark.parametrize(
    ("raw", "line", "says"),
    [
        (b"", 1, "empty"),
        (b"\n \n", 1, "empty"),
        (b"\ntime,sensor,value\n", 2, "empty"),
        (b"\x89PNG\r\n\x1a\n\x00\x00\x00\n" * 100, 1, "binary"),
        (LINE.encode("utf-16"), 1, "binary"),
        (LINE.encode().replace(b"hall", b"h\xff\xfel") + b"\n", 1, "no UTF-8"),
        (gzip.compress(b"", mtime=0), 1, "empty"),
    ],
)
def test_what_is_no_log_gets_one_clear_line(raw: bytes, line: int, says: str) -> None:
    found, faults, _ = read(io.BufferedReader(io.BytesIO(raw)), plan=PLAN)
    assert found == []
    assert [(fault.line, says in fault.message) for fault in faults] == [(line, True)], faults


def test_one_of_each_is_told_in_the_singular() -> None:
    assert str(LogCounts(1, 1, 1, 1)) == "1 event read, 1 bad line skipped, 1 duplicate, 1 too late or ahead"
    assert str(LogCounts(0, 2, 0, 0)) == "0 events read, 2 bad lines skipped, 0 duplicates, 0 too late or ahead"


@pytest.mark.parametrize(
    "damage", [lambda raw: raw[: len(raw) // 2], lambda raw: raw[:-4], lambda raw: raw[:9000] + b"?" * 50 + raw[9050:]]
)
def test_damaged_gzip_keeps_what_came_before(damage: Callable[[bytes], bytes]) -> None:
    lines = [line_of(at(k * 1.37 + k % 7 / 1000)) for k in range(4000)]
    found, faults, counts = read(io.BufferedReader(io.BytesIO(damage(gzip.compress("\n".join(lines).encode())))))
    assert found[:500] == [at(k * 1.37 + k % 7 / 1000) for k in range(500)]
    assert any("gzip" in fault.message for fault in faults)
    assert counts.bad == len(faults)


@pytest.mark.parametrize("path", ["nowhere.jsonl", ".", "a\0b"])
def test_what_cannot_be_opened_is_named(path: str) -> None:
    with pytest.raises(LogError, match="cannot be read") as caught:
        list(read_log(path))
    assert [(fault.path, fault.line) for fault in caught.value.faults] == [(path, 0)]


class Endless(io.RawIOBase):
    """Bytes without a line end, then one good line."""

    def __init__(self, size: int) -> None:
        self.left, self.tail = size, ("\n" + LINE + "\n").encode()

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        part = b"a" * min(self.left, len(buffer)) or self.tail[: len(buffer)]
        self.left, self.tail = (self.left - len(part), self.tail) if self.left else (0, self.tail[len(part) :])
        buffer[: len(part)] = part
        return len(part)


def test_a_line_without_end_is_never_held() -> None:
    tracemalloc.start()
    found, faults, _ = read(io.BufferedReader(Endless(60_000_000)))
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert found == [Event(START, "hall_motion", "detected")]
    assert [fault.line for fault in faults] == [1]
    assert most < 2_000_000


def test_a_gzip_that_unpacks_without_end_is_never_held() -> None:
    packed = gzip.compress(b"a" * 50_000_000 + b"\n" + LINE.encode())
    tracemalloc.start()
    found, _, _ = read(io.BufferedReader(io.BytesIO(packed)))
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert len(found) == 1
    assert most < 2_000_000


@given(st.lists(st.one_of(st.binary(max_size=60), st.just(LINE.encode()))), st.booleans())
def test_no_bytes_end_in_anything_but_faults(parts: list[bytes], packed: bool) -> None:
    raw = b"\n".join(parts)
    found, faults, counts = read(io.BufferedReader(io.BytesIO(gzip.compress(raw) if packed else raw)), plan=PLAN)
    assert (counts.read, counts.bad) == (len(found), len(faults) - any("empty" in f.message[:20] for f in faults))
    for fault in faults:
        assert len(str(fault).splitlines()) == 1


NOT_EVENTS = ["", "  ", "nonsense", field(value="open"), field(time="2026-03-01T07:00:00"), '{"time": NaN}', LINE[:40]]
WHEN = st.one_of(st.floats(-3, 30), st.sampled_from([-90_000.0, -1e6, 90_000.0, 1e7])).map(lambda s: round(s, 1))


@given(st.lists(st.one_of(WHEN, st.sampled_from(NOT_EVENTS)), max_size=40))
def test_every_line_of_a_log_is_accounted_for(parts: list[float | str]) -> None:
    """Out of order by seconds and by days, repeated, blank, bad: what is not given out is counted and named."""
    lines = [part if isinstance(part, str) else line_of(at(part)) for part in parts]
    faults, counts = list[Fault](), LogCounts()
    source = read_log(lines, plan=PLAN, counts=counts, on_fault=faults.append)
    given_out = list(reorder(source, counts=counts, on_fault=faults.append))
    blank = sum(not line.strip() for line in lines)
    assert len(given_out) + counts.bad + counts.duplicate + counts.late + blank == len(lines)
    assert counts.read == len(given_out) + counts.duplicate + counts.late
    assert counts.bad == sum(isinstance(part, str) and bool(part.strip()) for part in parts)
    assert len(faults) == counts.bad + counts.late + (blank == len(lines))
    assert Counter(given_out) <= Counter(at(part) for part in parts if not isinstance(part, str))
    assert [event.seconds for event in given_out] == sorted(event.seconds for event in given_out)


def test_days_in_the_wrong_order_are_named_line_by_line() -> None:
    """Yesterday appended after today: today is kept whole, each line of yesterday is named."""
    today, yesterday = [at(60.0 * k) for k in range(50)], [at(60.0 * k - 86400) for k in range(50)]
    found, faults, counts = ordered([*today, *yesterday])
    assert found == today
    assert (counts.late, len(faults)) == (50, 50)
    assert "86400.000 s" not in faults[0].message
    assert "24 h 49 min older" in faults[0].message


# --- order -----------------------------------------------------------------------------------------------------------
def ordered(
    said: Iterable[Event], window: float = WINDOW, *, believed: int = 1
) -> tuple[list[Event], list[Fault], LogCounts]:
    faults: list[Fault] = []
    counts = LogCounts()
    order = reorder(said, window, believed=believed, counts=counts, on_fault=faults.append)
    return list(order), faults, counts


@given(st.data())
def test_disorder_within_the_window_is_put_right(data: st.DataObject) -> None:
    """What comes late by less than the window is sorted; stable for equal times, each once."""
    said = data.draw(events(PLAN, max_gap=3.0))
    delays = data.draw(st.lists(st.floats(0, 1.99), min_size=len(said), max_size=len(said)))
    arrived = [
        e for _, _, e in sorted((e.seconds + d, k, e) for k, (e, d) in enumerate(zip(said, delays, strict=True)))
    ]
    found, faults, counts = ordered(arrived)
    expected = sorted(dict.fromkeys(arrived), key=lambda event: event.seconds)
    assert found == expected
    assert (faults, counts.duplicate, counts.late) == ([], len(arrived) - len(expected), 0)


@given(st.lists(st.integers(0, 40).map(lambda k: k / 2), max_size=40))
def test_whatever_comes_is_put_out_in_order_or_counted(times: list[float]) -> None:
    """Against a plain account: late is what is older than the latest so far by more than the window."""
    arrived = [at(t, "detected" if k % 3 else "clear") for k, t in enumerate(times)]
    found, faults, counts = ordered(arrived)
    late, newest = [], -1e9
    for event in arrived:
        if event.seconds < newest - WINDOW:
            late.append(event)
        newest = max(newest, event.seconds)
    assert [e.seconds for e in found] == sorted(e.seconds for e in found)
    assert counts.late == len(late) == len(faults)
    assert len(found) + counts.late + counts.duplicate == len(arrived)
    assert Counter(set(found)) == Counter(set(arrived) - (set(late) - set(found)))


def test_the_window_is_as_long_as_it_says() -> None:
    for early, kept in ((8.0, True), (7.999, False)):
        found, _, counts = ordered([at(10), at(early, "clear")])
        assert (len(found) == 2, counts.late) == (kept, 1 - kept)


def test_nothing_is_held_longer_than_the_window() -> None:
    taken: list[float] = []

    def arriving() -> Iterator[Event]:
        for second in range(10):
            taken.append(second)
            yield at(second)

    told = 0
    for event in reorder(arriving()):
        assert taken[-1] - (event.seconds - START.timestamp()) <= WINDOW + 1
        told += 1
    assert told == 10


def test_a_late_event_is_named_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    path.write_text("\n".join(line_of(e) for e in (at(0), at(60), at(5, "clear"), at(61))) + "\n", encoding="utf-8")
    counts, faults = LogCounts(), list[Fault]()
    found = list(reorder(read_log(path, counts=counts), counts=counts, on_fault=faults.append))
    assert found == [at(0), at(60), at(61)]
    assert [(fault.path, fault.line) for fault in faults] == [(str(path), 3)]
    assert "55.000 s older" in faults[0].message
    assert (counts.read, counts.late) == (4, 1)


def test_of_a_line_with_thousands_of_keys_a_few_are_named() -> None:
    (fault,) = read([json.dumps({f"key_{k}": k for k in range(3000)})])[1]
    assert '"key_0", "key_1"' in fault.message
    assert len(fault.message) < 200


def test_duplicates_are_told_from_repetitions() -> None:
    lock = Event(START, "front_lock", "unlocked", "keypad", "7")
    other = Event(START, "front_lock", "unlocked", "keypad", "8")
    elsewhere = Event(START.astimezone(ZoneInfo("Asia/Tokyo")), "front_lock", "unlocked", "keypad", "7")
    found, faults, counts = ordered([lock, other, elsewhere, at(0.5), at(0.5), at(1)])
    assert found == [lock, other, at(0.5), at(1)]
    assert (counts.duplicate, faults) == (2, [])


@pytest.mark.parametrize("ahead", [2 * HOUR, 365 * DAY])
@pytest.mark.parametrize("place", [0, 1, 3])
def test_one_wrong_clock_does_not_make_all_others_late(ahead: float, place: int) -> None:
    said = [at(10.0 * k) for k in range(6)]
    found, faults, counts = ordered([*said[:place], at(ahead, "clear"), *said[place:]])
    assert found == said
    assert (counts.late, len(faults)) == (1, 1)
    assert f"{duration(ahead - 10.0 * place)} ahead of the line beside it" in faults[0].message


@pytest.mark.parametrize("several", [2, 7, OF_A_FILE])
@pytest.mark.parametrize("ahead", [2 * HOUR, 365 * DAY])
@pytest.mark.parametrize("place", [0, 1, 30])
def test_of_a_file_several_events_with_a_clock_ahead_are_left_out(several: int, ahead: float, place: int) -> None:
    said = [at(10.0 * k) for k in range(60)]
    wrong = [at(ahead + 10.0 * k, "clear") for k in range(several)]
    found, faults, counts = ordered([*said[:place], *wrong, *said[place:]], believed=OF_A_FILE)
    assert found == said
    assert (counts.late, len(faults)) == (several, several)
    assert all("ahead" in fault.message for fault in faults)


@given(
    st.lists(st.floats(1.0, 5 * LEAP), min_size=2 * OF_A_FILE, max_size=40),
    st.integers(0, 20),
    st.lists(st.floats(0.0, 3 * LEAP), max_size=4),
)
@example([60.0] * 30, 20, [2 * LEAP] * 5)
def test_quiet_times_are_told_from_clocks_that_are_ahead(gaps: list[float], place: int, further: list[float]) -> None:
    """However rarely a home reports, what lies on the way is kept and what is ahead of all of it is left out."""
    said = [at(seconds) for seconds in accumulate(gaps)]
    wrong = [at(sum(gaps) + 2 * LEAP + seconds, "clear") for seconds in accumulate(further)]
    place = min(place, len(said) - OF_A_FILE)
    found, _, counts = ordered([*said[:place], *wrong, *said[place:]], believed=OF_A_FILE)
    assert (found, counts.late) == (said, len(wrong))


def test_after_a_quiet_time_no_more_events_are_held_than_it_takes_to_believe_them() -> None:
    taken: list[float] = []

    def arriving() -> Iterator[Event]:
        for number in range(40):
            taken.append(2 * LEAP * number)
            yield at(taken[-1])

    for number, _ in enumerate(reorder(arriving(), believed=OF_A_FILE)):
        assert len(taken) - number <= OF_A_FILE + 2
    assert number == 39


def test_messages_older_than_what_came_before_the_quiet_time_are_late_and_the_new_ones_right() -> None:
    new = [at(3 * LEAP), at(3 * LEAP + 5)]
    found, faults, _ = ordered([at(0), at(60), new[0], *(at(20 + k) for k in range(12)), new[1]], believed=OF_A_FILE)
    assert found == [at(0), at(60), *new]
    assert all("older" in fault.message for fault in faults)


def test_one_straggler_from_before_a_quiet_time_does_not_outvote_three_after_it() -> None:
    after = [at(3 * HOUR + seconds) for seconds in (0, 5, 10)]
    found, faults, _ = ordered([at(0), at(60), after[0], at(61), *after[1:]], believed=OF_A_FILE)
    assert (found, faults) == ([at(0), at(60), at(61), *after], [])


@pytest.mark.parametrize(("seconds", "right"), [(0.5, True), (0.0, True), (-1.5, True), (-2.5, False)])
def test_what_comes_in_the_same_second_bears_witness_against_a_clock_that_is_ahead(seconds: float, right: bool) -> None:
    first, ahead, beside = at(0), at(2 * HOUR), at(seconds, "clear")
    in_order = sorted([first, beside], key=lambda event: event.time)
    assert ordered([first, ahead, beside])[0] == (in_order if right else [first, ahead])


def test_what_goes_on_from_before_a_wrong_clock_is_in_order_or_late_as_ever() -> None:
    found, faults, counts = ordered([at(0), at(2 * LEAP), at(-1), at(5), at(1), at(6)])
    assert found == [at(-1), at(0), at(5), at(6)]
    assert ["ahead" in fault.message for fault in faults] == [True, False]
    assert counts.late == 2


def test_after_a_quiet_time_it_is_the_late_event_that_is_late() -> None:
    found, faults, _ = ordered([at(0), at(3 * LEAP), at(3 * LEAP - 30, "clear"), at(3 * LEAP + 5)])
    assert found == [at(0), at(3 * LEAP), at(3 * LEAP + 5)]
    assert "30.000 s older" in faults[0].message


def test_a_last_event_far_ahead_is_not_believed_but_one_after_a_long_holiday_is() -> None:
    assert ordered([at(0), at(31 * DAY)])[0] == [at(0)]
    assert ordered([at(0), at(28 * DAY)])[0] == [at(0), at(28 * DAY)]
    assert ordered([at(0), at(31 * DAY), at(31 * DAY + 10)], believed=OF_A_FILE)[0] == [at(0)]
    assert ordered([at(0)])[0] == [at(0)]
    assert ordered([])[0] == []


@given(events(PLAN, max_gap=5.0), st.integers(0, 30))
def test_a_log_cut_short_gives_the_same_beginning(said: list[Event], cut: int) -> None:
    whole, part = ordered(said)[0], ordered(said[:cut])[0]
    assert whole[: len(part)] == part


def test_times_are_compared_in_utc() -> None:
    east = Event(datetime(2026, 3, 1, 9, 0, 1, tzinfo=ZoneInfo("Europe/Helsinki")), "hall_motion", "detected")
    west = Event(datetime(2026, 3, 1, 7, 0, 0, tzinfo=UTC), "hall_motion", "detected")
    assert ordered([east, west])[0] == [west, east]
