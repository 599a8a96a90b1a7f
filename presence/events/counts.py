"""What became of the lines of a log."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True)
class LogCounts:
    """What became of the lines of a log: every line is counted somewhere, none is silently lost."""

    read: int = 0
    """Events read well."""
    bad: int = 0
    """Lines skipped because something is wrong in them."""
    duplicate: int = 0
    """Events dropped because the same was there already, inside the reordering window."""
    late: int = 0
    """Events dropped because they are older than the reordering window."""
    line: int = 0
    """Number of the line that was read last."""
