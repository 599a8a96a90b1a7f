"""Lines out of files, pipes and gzip, and the small parsers that logs and truth files share.

Memory is bounded: a line longer than `MAX_LINE` is never held, and no file is read whole. Parsers raise `ValueError`
with a text that says what is wrong and what would be right; who calls knows file and line.
"""

from __future__ import annotations

import gzip
import json
import os
import re
import sys
import zlib
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from itertools import islice
from typing import IO, Any, cast

from presence.errors import Fault, InputError, LogError, TimeError, shown
from presence.parquet import MAGIC
from presence.times import rfc3339, utc

MAX_LINE = 65536
"""Bytes of the longest line that is read."""
MOST_NAMED = 6
"""Keys of a line that are named where another is missing."""
HEAD = 1024
"""Bytes at the start of a file by which text is told from anything else."""

Source = str | os.PathLike[str] | Iterable[str | bytes]
Line = tuple[int, str, str | None]
"""Number of a line from 1, its text without line end, and what keeps it from being read, if anything."""

EARLIEST, LATEST = 2001, 2200
"""Years: a clock that shows another has lost its time; most that start anew show 1970 or 2000 (common practice)."""
TIME = re.compile(r"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(\.\d+)?([Zz]|[+-]\d\d:[0-5]\d)", re.ASCII)
EPOCH = re.compile(r"[1-6]\d{9}(\d{3}|\.\d+)?", re.ASCII)
"""Seconds since 1970, of the years 2001 to 2191, or milliseconds."""


def name_of(source: Source) -> str:
    """What faults call a source: its path, else `-`."""
    if isinstance(source, (str, os.PathLike)):
        return os.fspath(source)
    name = getattr(source, "name", None)
    return name if isinstance(name, str) and name != "<stdin>" else "-"


def read_lines(source: Source, *, only: str | None = None) -> Iterator[Line]:
    """The lines of a path, an open file or any iterable, blank ones too; never raises for what is inside.

    Args:
        source: what to read.
        only: the form in which it is read, where that is but one; of a log there are several.

    Raises:
        LogError: if a path cannot be opened.
    """
    if isinstance(source, (str, os.PathLike)):
        try:
            with open(source, "rb") as opened:  # noqa: PTH123, a path may be any text
                yield from _file_lines(cast("IO[bytes]", opened), only)
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            message = f"cannot be read ({reason}); a readable file is needed"
            raise LogError([Fault(name_of(source), 0, message)]) from None
        return
    file: Any = getattr(cast("Any", source), "buffer", source)
    if hasattr(file, "peek") and hasattr(file, "readline"):
        yield from _file_lines(file, only)
        return
    for number, raw in enumerate(source, 1):
        yield _decoded(number, raw) if isinstance(raw, bytes) else _checked(number, raw)


@contextmanager
def with_unreadable(*paths: str) -> Iterator[None]:
    """What is found wrong meanwhile is told with what keeps files from being opened; pipes are left alone."""
    try:
        yield
    except InputError as error:
        faults = list(error.faults)
        for path in paths:
            if path != "-" and (os.path.isfile(path) or os.path.isdir(path) or not os.path.lexists(path)):  # noqa: PTH112, PTH113, a path may be any text
                try:
                    next(read_lines(path), None)
                except LogError as other:
                    faults += other.faults
        raise InputError(faults) from None


def _file_lines(file: IO[bytes], only: str | None) -> Iterator[Line]:
    """Lines of a binary stream that can `peek`, unpacked if it begins like gzip."""
    packed = cast("Any", file).peek(2)[:2] == b"\x1f\x8b"
    stream = cast("IO[bytes]", gzip.GzipFile(fileobj=file)) if packed else file
    number = 0
    try:
        head = cast("Any", stream).peek(HEAD)[:HEAD]
        if head[:4] == MAGIC:
            right = f"; {only}" if only else ", which is read from a plain file only; the path of one"
            yield 1, "", f"this is Parquet{right} would be right"
            return
        if _binary(head):
            right = only or "JSON Lines or CSV, plain or gzip,"
            yield 1, "", f"this is no text in UTF-8 but binary data; {right} would be right"
            return
        while raw := stream.readline(MAX_LINE + 1):
            number += 1
            if len(raw) > MAX_LINE:
                _skip_rest(stream, raw)
                yield number, "", f"longer than {MAX_LINE} bytes; one event a line would be right"
            else:
                yield _decoded(number, raw)
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        yield number + 1, "", f"the gzip data break off or are damaged here ({error}); what came before was read"
    except OSError as error:
        yield number + 1, "", f"reading failed here ({error.strerror or error}); what came before was read"


def _binary(head: bytes) -> bool:
    """Whether a file that begins like this is worth no look at its lines."""
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):  # UTF-16
        return True
    return b"time" not in head and any(byte < 32 and byte not in b"\t\n\v\f\r" for byte in head)


def _skip_rest(stream: IO[bytes], raw: bytes) -> None:
    while raw and not raw.endswith(b"\n"):
        raw = stream.readline(MAX_LINE)


def _decoded(number: int, raw: bytes) -> Line:
    if len(raw) > MAX_LINE + 2:
        return number, "", f"longer than {MAX_LINE} bytes; one event a line would be right"
    try:
        text = raw.decode()
    except UnicodeDecodeError as error:
        return number, "", f"byte {raw[error.start]:#04x} at column {error.start + 1} is no UTF-8; UTF-8 would be right"
    return number, _bare(number, text), None


def _checked(number: int, text: str) -> Line:
    if len(text) > MAX_LINE:
        return number, "", f"longer than {MAX_LINE} characters; one event a line would be right"
    return number, _bare(number, text), None


def _bare(number: int, text: str) -> str:
    """Without a line end, and without a byte order mark before the first line."""
    return text.removeprefix("\ufeff").rstrip("\r\n") if number == 1 else text.rstrip("\r\n")


# --- time -----------------------------------------------------------------------------------------------------------
def parse_time(text: str) -> datetime:
    """An RFC 3339 time with an offset, in UTC; digits after the sixth of a second are cut off.

    Raises:
        ValueError: saying what is wrong with it.
    """
    if TIME.fullmatch(text) is None:
        raise ValueError(_time_fault(text))
    try:
        time = datetime.fromisoformat(text.upper())
        time = time if time.tzinfo is UTC else time.astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise ValueError(_no_such_time(text, error)) from None
    return check_year(time, text)


def _no_such_time(text: str, error: Exception) -> str:
    """What to say of a time that is written as times are and is none."""
    if text[17:19] == "60":
        what = "has second 60 (a leap second), which clocks here do not have"
        return f"time {shown(text)} {what}; second 59.999999 would be right"
    if text[-6:-5] in ("+", "-") and int(text[-5:-3]) >= 24:
        return f"time {shown(text)} has an offset of a day or more; hours and minutes, e.g. +01:00, would be right"
    if not EARLIEST <= int(text[:4]) < LATEST:
        return _no_year(text)
    return f"time {shown(text)} does not exist ({error}); one of the calendar would be right"


def check_year(time: datetime, text: str = "") -> datetime:
    """A time as it is, if a clock that is set can show it.

    Raises:
        ValueError: if not.
    """
    if EARLIEST <= time.year < LATEST:
        return time
    raise ValueError(_no_year(text or time.isoformat()))


def _no_year(text: str) -> str:
    return f"time {shown(text)} is no time of a log; a year from {EARLIEST} to {LATEST - 1} would be right"


def epoch_seconds(time: datetime) -> float:
    """Epoch seconds of an aware time.

    Raises:
        TimeError: if it is no datetime or has no offset, or its year is no year of a log.
    """
    if not isinstance(time, datetime):
        raise TimeError(f"{time!r} is no datetime; datetime.fromisoformat('2026-03-01T07:12:03+00:00') would be right")
    if time.tzinfo is None:
        raise TimeError(f"{time!r} has no offset from UTC; give one, such as 2026-03-01T07:12:03+00:00")
    try:
        return check_year(time).timestamp()
    except ValueError as error:
        raise TimeError(str(error)) from None


def offset_of(text: str) -> str:
    """The offset of an RFC 3339 time as written, `Z` as `+00:00`."""
    return "+00:00" if text[-1:] in "Zz" else sys.intern(text[-6:])


def _time_fault(text: str) -> str:
    bare = text.strip()
    joined = bare[:10] + "T" + bare[11:] if bare[10:11] == " " else bare  # as databases write it
    if TIME.fullmatch(joined + "Z"):
        e_g = f"{joined + 'Z'!r} or {joined + '+01:00'!r}"
        return f"time {shown(text)} has no offset; with one, e.g. {e_g}, would be right"
    right = joined if TIME.fullmatch(joined) else _example(text)
    return f"time {shown(text)} is no RFC 3339 time; {right!r} would be right"


def _example(text: str) -> str:
    """A time that can be read: the same, if it is seconds or milliseconds since 1970."""
    if EPOCH.fullmatch(text) is None:
        return "2026-03-01T07:12:03.250+00:00"
    return rfc3339(utc(float(text) / (1000.0 if text[10:].isdigit() else 1.0)))


# --- values -----------------------------------------------------------------------------------------------------------
def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        keys = [key for key, _ in pairs]
        twice = next(key for key in keys if keys.count(key) > 1)
        raise ValueError(f"key {shown(twice)} stands twice; once would be right")
    return found


def _constant(name: str) -> Any:
    raise ValueError(f"{name} is no number in JSON; a finite one would be right")


def _integer(digits: str) -> int:
    if len(digits) > 100:  # int() takes long over thousands, and refuses more
        raise ValueError(f"holds a number of {len(digits)} digits; a shorter one would be right")
    return int(digits)


_DECODER = json.JSONDecoder(object_pairs_hook=_pairs, parse_constant=_constant, parse_int=_integer)


def parse_object(text: str) -> dict[str, Any]:
    """A line that is one JSON object, no key twice.

    Raises:
        ValueError: saying what is wrong with it.
    """
    try:
        fields = _DECODER.decode(text)
    except json.JSONDecodeError as error:
        raise ValueError(
            f"is not JSON ({error.msg.removesuffix(' at')} at column {error.colno}): {shown(text)};"
            ' one object a line, {"time": "...", ...}, would be right'
        ) from None
    except RecursionError:
        raise ValueError("is nested too deep; a flat object would be right") from None
    if not isinstance(fields, dict):
        kind = "a JSON array" if isinstance(fields, list) else f"the bare value {shown(fields)}"
        raise ValueError(f'is {kind}; one object a line, {{"time": ...}}, would be right')
    return fields


def text_field(fields: Mapping[str, Any], key: str) -> str:
    """A field that must be there and be text.

    Raises:
        ValueError: if it is missing, empty or something else.
    """
    value = fields.get(key)
    if isinstance(value, str) and value:
        return value
    if value is None:
        found = [shown(name) for name, cell in islice(fields.items(), MOST_NAMED) if cell is not None]
        there = f", and this one has {', '.join(found)}" if found else ""
        raise ValueError(f"{key!r} is missing; every line needs it{there}")
    if value == "":
        raise ValueError(f"{key!r} is empty; text would be right")
    such = f', such as "{_example(str(value))}"' if key == "time" else ""
    raise ValueError(f"{key!r} is {shown(value)}; text, in quotes{such}, would be right")
