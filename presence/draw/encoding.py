"""Columns of small whole numbers as short text that a page unpacks in a few lines of script.

A number is written in groups of seven bits, lowest first, all but the last group with their eighth bit set (LEB128, as
in DWARF 5, section 7.6); the bytes are written in base 64 (RFC 4648, section 4).
"""

from __future__ import annotations

import base64
from collections.abc import Iterable
from datetime import datetime

import numpy as np

from presence.draw.recording import Percents


def since(time: datetime, start: float) -> int:
    """Milliseconds from an instant, epoch seconds."""
    return round((time.timestamp() - start) * 1000)


def numbers(values: Iterable[int]) -> str:
    """Whole numbers from 0 on as text.

    Raises:
        ValueError: if a number is below 0.
    """
    found = bytearray()
    for value in values:
        if value < 0:
            raise ValueError(f"{value} is below 0")
        while value > 127:
            found.append(128 | (value & 127))
            value >>= 7
        found.append(value)
    return base64.b64encode(bytes(found)).decode("ascii")


def runs(columns: Percents) -> str:
    """Columns one after the other as (how often, value) pairs.

    Args:
        columns: shape (T, C).
    """
    pairs: list[int] = []
    for column in columns.T if columns.size else ():
        starts = np.flatnonzero(np.diff(column.astype(np.int16), prepend=-1))
        lengths = np.diff(starts, append=len(column))
        pairs += np.column_stack([lengths, column[starts]]).ravel().tolist()
    return numbers(pairs)
