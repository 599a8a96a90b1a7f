"""A log file, line by line."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime
from os import PathLike
from pathlib import Path

from presence.errors import Fault
from presence.events.counts import LogCounts
from presence.events.event import Event


def read_log(
    source: str | PathLike[str] | Iterable[str],
    *,
    strict: bool = False,
    counts: LogCounts | None = None,
    on_fault: Callable[[Fault], None] | None = None,
) -> Iterator[Event]:
    """The events of a log."""
    lines = Path(source).open() if isinstance(source, (str, PathLike)) else source
    for line in lines:
        fields = json.loads(line)
        fields["time"] = datetime.fromisoformat(fields["time"])
        if counts is not None:
            counts.read += 1
        yield Event(**fields)
