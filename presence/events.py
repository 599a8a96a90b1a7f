"""Events: what a sensor said and when, read from logs and put in order.

    lines of a log -> read_log -> Event, Event, ... -> reorder -> events in order of time, each once

Nothing is lost silently: every line that cannot be used is counted and told to `on_fault`.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

from presence.errors import (
    EventError,
    Fault,
    LogError,
    UnknownSensorError,
    UnknownValueError,
    closest,
    counted,
    did_you_mean,
    shown,
)
from presence.leaps import LEAP, Numbered, right_clocks
from presence.reading import Source, check_year, name_of, offset_of, parse_time, text_field
from presence.rows import HEADER, read_rows
from presence.times import apart

if TYPE_CHECKING:
    from presence.floorplan import Floorplan

WINDOW = 2.0
"""Seconds by which an event may come late and still be put in its place."""
OF_A_FILE = 10
"""Events of a file that are looked at before one far ahead of all before it is believed."""
FIELDS = ("time", "sensor", "value", "by", "code")
BY = ("inside", "keypad")
MOST_GUESSES = 1000
"""Unknown sensors and values of one log for which likely ones are looked up."""

OnFault = Callable[[Fault], None]


class _Cache:
    """The slot beside a frozen event's fields; not compared, printed or copied."""

    __slots__ = ("_seconds",)
    _seconds: float


@dataclass(frozen=True, slots=True)
class Event(_Cache):
    """What one sensor reported at one time; `by` and `code` come with locks."""

    time: datetime
    """Aware: with an offset."""
    sensor: str
    value: str
    by: str | None = None
    code: str | None = None

    @property
    def seconds(self) -> float:
        """Epoch seconds."""
        try:
            return self._seconds
        except AttributeError:
            seconds = self.time.timestamp()
            object.__setattr__(self, "_seconds", seconds)
            return seconds


@dataclass(slots=True)
class LogCounts:
    """What became of the lines of a log."""

    read: int = 0
    """Events that were read."""
    bad: int = 0
    """Lines that were skipped because something is wrong with them."""
    duplicate: int = 0
    """Exact repetitions inside the reordering window."""
    late: int = 0
    """Events too late to be put in order, or whose clock was ahead."""
    path: str = "-"
    line: int = 0
    """Where reading is: the line of the event that was read last."""
    offsets: set[str] = field(default_factory=set, compare=False)
    """Those that its times are written with."""

    def __str__(self) -> str:
        read, bad = counted(self.read, "event"), counted(self.bad, "bad line")
        return f"{read} read, {bad} skipped, {counted(self.duplicate, 'duplicate')}, {self.late} too late or ahead"


# --- reading ----------------------------------------------------------------------------------------------------------
def read_log(
    source: Source,
    *,
    plan: Floorplan | None = None,
    strict: bool = False,
    counts: LogCounts | None = None,
    on_fault: OnFault | None = None,
) -> Iterator[Event]:
    """The events of a log as they stand: JSON Lines or CSV, plain or gzip, or Parquet (columns `FIELDS`).

    Keys besides the five are passed over, unless they look like one of them misspelt; columns besides the five are
    named once. Faults in Parquet are named with the number of the row.

    Args:
        source: a path, an open binary file, or lines.
        plan: the home, to check sensors and values against.
        strict: refuse the first bad line instead of skipping it.
        counts: counts what is read and skipped.
        on_fault: is told of every bad line.

    Raises:
        LogError: if the file cannot be opened; with `strict`, for the first bad line.
    """
    counts = LogCounts() if counts is None else counts
    counts.path = name_of(source)
    build, nothing = _builder(plan, counts.offsets), True
    for number, fields, problem in read_rows(source, FIELDS):
        counts.line, nothing = number, nothing and fields is HEADER
        if fields is HEADER:
            if problem is not None:
                _tell(Fault(counts.path, number, problem), strict, on_fault)
            continue
        try:
            if problem is not None:
                raise ValueError(problem)
            event = build(fields)
        except ValueError as error:
            counts.bad += 1
            _tell(Fault(counts.path, number, str(error)), strict, on_fault)
        else:
            counts.read += 1
            yield event
    if nothing:
        empty = "the log is empty; one event a line would be right"
        _tell(Fault(counts.path, counts.line or 1, empty), strict, on_fault)


def _tell(fault: Fault, strict: bool, on_fault: OnFault | None) -> None:
    if strict:
        raise LogError([fault])
    if on_fault is not None:
        on_fault(fault)


def _builder(plan: Floorplan | None, offsets: set[str]) -> Callable[[Mapping[str, Any]], Event]:
    """What makes events of fields, checking them against the plan if there is one."""
    allowed: dict[str, frozenset[str]] = {}
    said: dict[tuple[str, str], str] = {}
    if plan is not None:
        allowed = {sensor: frozenset(plan.values(sensor)) for sensor in plan.sensors}

    def build(fields: Mapping[str, Any]) -> Event:
        time = fields.get("time")
        if not isinstance(time, datetime):  # of a column of timestamps
            time = text_field(fields, "time")
        sensor, value = text_field(fields, "sensor"), text_field(fields, "value")
        by, code = fields.get("by"), fields.get("code")
        _check_lock(by, code)
        if len(fields) > 3:
            _spelling(fields)
        when = parse_time(time) if isinstance(time, str) else check_year(time)
        event = Event(when, sensor, value, by, code)
        if plan is not None and value not in allowed.get(sensor, ()):
            if (sensor, value) not in said and len(said) < MOST_GUESSES:
                said[sensor, value] = _unknown(plan, sensor, value)
            raise ValueError(said.get((sensor, value), f"unknown sensor or value: {shown(sensor)}, {shown(value)}"))
        if isinstance(time, str):
            offsets.add(offset_of(time))
        return event

    return build


def _check_lock(by: object, code: object) -> None:
    if by is not None and by not in BY:
        raise ValueError(f"'by' is {shown(by)}; 'inside' or 'keypad' would be right")
    if code is not None and not isinstance(code, str):
        raise ValueError(f"'code' is {shown(code)}; text, in quotes, would be right")


def check_event(plan: Floorplan, event: object) -> None:
    """Refuse what the sensors of a home cannot have said; its time is not looked at.

    Raises:
        EventError: if it is no event.
        UnknownSensorError, UnknownValueError: if the plan knows no such sensor or value.
    """
    if not isinstance(event, Event):
        raise EventError(f"{shown(event)} is no event; Event(time=..., sensor=..., value=...) would be right")
    if not isinstance(event.sensor, str) or event.sensor not in plan.sensors:
        raise UnknownSensorError(_unknown(plan, event.sensor, event.value))
    if not isinstance(event.value, str) or event.value not in plan.values(event.sensor):
        raise UnknownValueError(_unknown(plan, event.sensor, event.value))
    try:
        _check_lock(event.by, event.code)
    except ValueError as error:
        raise UnknownValueError(f"sensor {shown(event.sensor)}: {error}") from None


def _spelling(fields: Mapping[str, Any]) -> None:
    missing = [name for name in FIELDS if name not in fields]
    for key in fields:
        if key not in FIELDS and (likest := closest(key, missing, at_least=0.7)):
            raise ValueError(f"unknown key {shown(key)}; did you mean {shown(likest)}?")


def _unknown(plan: Floorplan, sensor: object, value: object) -> str:
    from presence.floorplan import LINK_VALUES

    if not isinstance(sensor, str) or sensor not in plan.sensors:
        return f"unknown sensor {shown(sensor)}; {did_you_mean(str(sensor), plan.sensors)}"
    no_link = str(value).casefold() in ("on", "off")  # no misspelt `online` or `offline`
    links = LINK_VALUES if no_link else ()
    known, kind = [each for each in plan.values(sensor) if each not in links], plan.sensors[sensor].kind
    word = value if isinstance(value, str) else ""  # nothing is misspelt where no text was given
    return f"sensor {shown(sensor)} ({kind}) does not report {shown(value)}; {did_you_mean(word, known)}"


# --- order ------------------------------------------------------------------------------------------------------------
Key = tuple[float, str, str, str | None, str | None]


def reorder(
    events: Iterable[Event],
    window: float = WINDOW,
    *,
    believed: int = 1,
    counts: LogCounts | None = None,
    on_fault: OnFault | None = None,
) -> Iterator[Event]:
    """Events in order of time, each once; those of one instant stay in the order in which they came.

    An event is held until one later by more than `window` has come. Exact duplicates of held events are dropped and
    counted; so are events older than the latest by more than `window`, which are told to `on_fault` besides. Up to
    `believed` events that are `LEAP` ahead of those before and after them are the ones that are dropped, not all that
    follow; so are the last events of a log, if they are `LAST_LEAP` ahead (see `presence.leaps`).

    Args:
        events: as `read_log` gives them.
        window: seconds.
        believed: events ahead of all others that are held until as many more have come: one for events that come live,
            `OF_A_FILE` where there is no hurry.
        counts: counts duplicates and late events; names the line if `read_log` fills it, too.
        on_fault: is told of every event that is left out.
    """
    counts = LogCounts() if counts is None else counts

    def ahead(each: Numbered, by: float) -> None:
        _leave_out(each, f"{apart(by)} ahead of the line beside it", counts, on_fault)

    held: list[tuple[float, int, Event]] = []
    keys: set[Key] = set()
    newest = -math.inf
    numbered = (Numbered(counts.line, event) for event in events)
    for number, each in enumerate(right_clocks(numbered, window, believed, ahead)):
        event, seconds = each.event, each.event.seconds
        key = (seconds, event.sensor, event.value, event.by, event.code)
        if key in keys:
            counts.duplicate += 1
            continue
        if seconds < newest - window:
            doubt = " (whose clock may be wrong)" if newest - seconds > LEAP else ""
            _leave_out(each, f"{apart(newest - seconds)} older than the latest before it{doubt}", counts, on_fault)
            continue
        newest = max(newest, seconds)
        heapq.heappush(held, (seconds, number, event))
        keys.add(key)
        while held[0][0] < newest - window:
            yield _release(held, keys)
    while held:
        yield _release(held, keys)


def _release(held: list[tuple[float, int, Event]], keys: set[Key]) -> Event:
    seconds, _, event = heapq.heappop(held)
    keys.discard((seconds, event.sensor, event.value, event.by, event.code))
    return event


def _leave_out(each: Numbered, far: str, counts: LogCounts, on_fault: OnFault | None) -> None:
    counts.late += 1
    if on_fault is not None:
        event = each.event
        what = f"{event.sensor} {event.value} at {event.time.isoformat()}"
        on_fault(Fault(counts.path, each.line, f"{what} is {far} and left out; lines in order of time would be right"))
