"""The rows of a log in whichever form it comes: JSON Lines, CSV (both plain or gzip) or Parquet.

    read_rows -> (number, fields, problem), ...

The first line that is an object or a header tells JSON Lines from CSV, and what separates the cells of CSV; the first
bytes tell Parquet. Never raises for what is inside: what keeps a row from being read is its problem.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import Any

from presence.errors import shown
from presence.parquet import Row, is_parquet, read_parquet, unread
from presence.reading import Source, parse_object, read_lines

NOTHING: Mapping[str, Any] = MappingProxyType({})
HEADER: Mapping[str, Any] = MappingProxyType({})
"""The fields of a header, which is no row; its problem loses no row."""
SEPARATORS = (",", ";", "\t")
"""Between cells of CSV: spreadsheets write semicolons where a comma is the decimal mark. Common practice, no source."""


def read_rows(source: Source, columns: Sequence[str]) -> Iterator[Row]:
    """The rows of a path, an open file or lines; of Parquet only where a path is given.

    Args:
        source: what to read.
        columns: all that may be there, the first three of them in every row.

    Raises:
        LogError: if a path cannot be opened.
    """
    if is_parquet(source):
        yield from read_parquet(source, columns, HEADER)
        return
    fields_of: Callable[[str], dict[str, Any]] | None = None
    for number, text, problem in read_lines(source):
        if problem is not None:
            yield number, NOTHING, problem
            continue
        if not text.strip():
            continue
        try:
            if fields_of is None:
                header, separator = _csv_header(text, columns)
                if header:
                    fields_of = _csv_fields(header, separator)
                    yield number, HEADER, unread(header, columns)
                    continue
                fields_of = parse_object if _is_json(text) else None
            fields = (fields_of or parse_object)(text)
        except ValueError as error:
            yield number, NOTHING, str(error)
        else:
            yield number, fields, None


def _csv_header(first: str, columns: Sequence[str]) -> tuple[list[str], str]:
    """The names in a CSV header, and what separates them; no names if `first` is no CSV.

    Raises:
        ValueError: if it is a row with no header above it, or a header that does not do.
    """
    if _is_json(first):
        return [], ""
    separator, right = _separator(first, columns), f"{','.join(columns)} would be right"
    header = [name.strip().lower() for name in _cells(first, separator)]
    if not set(columns[:2]) <= set(header):
        if len(header) < 3:
            return [], ""
        raise ValueError(f"is not JSON, and as CSV has no header above it: {shown(first)}; a first line {right}")
    if columns[2] not in header:
        raise ValueError(f"CSV header {shown(first)} has no column {columns[2]!r}; {right}")
    if len(set(header)) < len(header):
        raise ValueError(f"CSV header {shown(first)} names a column twice; {right}")
    return header, separator


def _csv_fields(header: Sequence[str], separator: str) -> Callable[[str], dict[str, Any]]:
    """The reader of the lines under a CSV header."""

    def fields(text: str) -> dict[str, Any]:
        cells = _cells(text, separator)
        if len(cells) > len(header):
            raise ValueError(f"{len(cells)} cells under {len(header)} columns; one a column would be right")
        return {name: cell or None for name, cell in zip(header, cells, strict=False)}

    return fields


def _is_json(first: str) -> bool:
    return first.lstrip().startswith(("{", "["))


def _separator(first: str, columns: Sequence[str]) -> str:
    """What separates the cells of a header: where it names the columns that every row needs; else most of its cells."""
    headers = {mark: [cell.strip(' "').lower() for cell in first.split(mark)] for mark in SEPARATORS}
    return max(headers, key=lambda mark: (set(columns[:2]) <= set(headers[mark]), len(headers[mark])))


def _cells(text: str, separator: str) -> list[str]:
    if '"' not in text:
        return text.split(separator)
    try:
        return next(csv.reader([text], delimiter=separator, strict=True))
    except csv.Error as error:
        raise ValueError(f"is not CSV ({error}): {shown(text)}; a line with its quotes closed would be right") from None
