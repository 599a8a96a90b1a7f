"""Rows out of Parquet files, a batch at a time; needs the extra `parquet`.

Memory is bounded by one batch and by the pages that are being read, not by the file. A damaged row group is named at
its first row that cannot be read; what stands before it and in the other row groups is read.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from presence.errors import shown

MAGIC = b"PAR1"
BATCH = 4096
"""Rows that are held."""
BUFFER = 65536
"""Bytes of a column that are read at once."""
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

Row = tuple[int, Mapping[str, Any], str | None]
"""Number of the row or line from 1 (0: the file), its fields, and what keeps it from being read, if anything."""


def is_parquet(source: object) -> bool:
    """Whether a path leads to a Parquet file, by its first bytes; a pipe is not looked into."""
    if not isinstance(source, (str, os.PathLike)):
        return False
    try:
        if not os.path.isfile(source):  # noqa: PTH113, a path may be any text
            return False
        with open(source, "rb") as file:  # noqa: PTH123
            return file.read(4) == MAGIC
    except (OSError, ValueError):
        return False  # whoever reads its lines says what is wrong


def read_parquet(source: Any, columns: Sequence[str], header: Mapping[str, Any]) -> Iterator[Row]:
    """The rows of a Parquet file: text columns, and a first column that is text or a timestamp with a zone.

    Args:
        source: a path.
        columns: all that may be there, the first three of them in every file.
        header: the fields of what is said about the columns of a good file, before its first row.
    """
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        yield 0, {}, "is Parquet, which needs the extra `parquet`: pip install 'presence[parquet]'"
        return
    try:
        file = pq.ParquetFile(os.fspath(source), buffer_size=BUFFER)
    except (pa.ArrowException, OSError) as error:
        yield 0, {}, f"is damaged Parquet ({_reason(error)}); a whole file would be right"
        return
    with file:
        faults = list(_schema_faults(file.schema_arrow, columns, pa.types))
        for fault in faults:
            yield 0, {}, fault
        if not faults:
            yield 0, header, unread(file.schema_arrow.names, columns)
            yield from _groups(file, [name for name in columns if name in file.schema_arrow.names], pa)


def unread(names: Sequence[str], columns: Sequence[str]) -> str | None:
    """What to say about columns that are not read; the first is named."""
    extra = [name for name in names if name not in columns]
    return f"column {shown(extra[0])} is not read; the columns are {','.join(columns)}" if extra else None


def _groups(file: Any, columns: list[str], pa: Any) -> Iterator[Row]:
    """The rows of each row group in turn."""
    first = 1
    for group in range(file.metadata.num_row_groups):
        number, end = first, first + file.metadata.row_group(group).num_rows
        try:
            for batch in file.iter_batches(BATCH, row_groups=[group], columns=columns):
                for row in _rows(batch, columns, pa):
                    yield number, *row
                    number += 1
        except (pa.ArrowException, OSError) as error:
            yield number, {}, f"the Parquet data are damaged here ({_reason(error)}); rows up to {end - 1} are lost"
        first = end


def _rows(batch: Any, columns: list[str], pa: Any) -> Iterator[tuple[Mapping[str, Any], str | None]]:
    """(fields, problem) of each row of a batch."""
    values = [_values(batch.column(name), pa) for name in columns]
    for cells in zip(*values, strict=True):
        wrong = [(name, cell) for name, cell in zip(columns, cells, strict=True) if isinstance(cell, _Unreadable)]
        if wrong:
            yield {}, f"{wrong[0][0]!r} {wrong[0][1]}"
        else:
            yield {name: cell for name, cell in zip(columns, cells, strict=True) if cell is not None}, None


class _Unreadable(str):
    """Why a cell cannot be read."""

    __slots__ = ()


def _values(column: Any, pa: Any) -> list[Any]:
    """The cells of a column: text, times, None, and what is unreadable."""
    kind = column.type
    if pa.types.is_timestamp(kind):
        return [_time(n) for n in column.cast(pa.timestamp("us", kind.tz), safe=False).cast(pa.int64()).to_pylist()]
    if pa.types.is_dictionary(kind):
        column = column.dictionary_decode()
    try:
        return list(column.to_pylist())
    except UnicodeDecodeError:
        wide = pa.large_binary() if pa.types.is_large_string(column.type) else pa.binary()
        return [_text(raw) for raw in column.cast(wide).to_pylist()]


def _time(microseconds: int | None) -> datetime | _Unreadable | None:
    if microseconds is None:
        return None
    try:
        return EPOCH + timedelta(microseconds=microseconds)
    except OverflowError:
        return _Unreadable(f"is {microseconds} microseconds after 1970; a time of the calendar would be right")


def _text(raw: bytes | None) -> str | _Unreadable | None:
    try:
        return None if raw is None else raw.decode()
    except UnicodeDecodeError as error:
        return _Unreadable(f"holds byte {raw[error.start]:#04x}, which is no UTF-8; UTF-8 would be right")  # type: ignore[index]


def _schema_faults(schema: Any, columns: Sequence[str], types: Any) -> Iterator[str]:
    """What keeps a file from being read at all."""
    for name in columns:
        found = schema.names.count(name)
        if found > 1:
            yield f"column {shown(name)} stands {found} times; once would be right"
        if not found and name in columns[:3]:
            yield f"has no column {shown(name)}; {','.join(columns)} would be right"
        if found != 1:
            continue
        kind = schema.field(name).type
        if name == columns[0] and types.is_timestamp(kind):
            if kind.tz is None:
                yield f"column {shown(name)} is {kind} without a zone; one with a zone, or text, would be right"
        elif not _is_text(kind, types):
            yield f"column {shown(name)} is {kind}; text would be right"


def _is_text(kind: Any, types: Any) -> bool:
    inner = kind.value_type if types.is_dictionary(kind) else kind
    return bool(types.is_string(inner) or types.is_large_string(inner) or types.is_null(inner))


def _reason(error: Exception) -> str:
    return " ".join(str(error).split())[:200] or type(error).__name__
