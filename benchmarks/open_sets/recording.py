"""What every set becomes: recordings of events; and how files of rows are read.

Times are epoch seconds. None of the sets names a time zone, so their local clock is read as UTC: the hour of day, which
is all the model uses, stays right.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from presence.errors import Fault, LogError
from presence.events import Event

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

T = TypeVar("T")

LARGEST = 10**15 - 1
"""Numbers beyond are no seconds, sensors or activities; whole ones up to here stay exact as floats."""


@dataclass(frozen=True)
class Recording:
    """Events of one stretch of time that the tracker meets afresh: a session, a day, a month."""

    name: str
    start: float
    end: float
    events: tuple[Event, ...]


def half(items: Sequence[T], part: str) -> list[T]:
    """The "first" or "second" half of some items in their order, or "all": tune on one, score on the other."""
    middle = len(items) // 2
    return list({"all": items, "first": items[:middle], "second": items[middle:]}[part])


def some(chosen: Sequence[T], what: str, of: int, part: str, folder: Path) -> None:
    """Sees to it that there is something to score.

    Raises:
        LogError: if nothing is chosen.
    """
    if not len(chosen):
        message = f"part {part!r} of {of} {what} holds none to be scored; two or more, or --part all, would be right"
        raise LogError([Fault(str(folder), 0, message)])


def longest_run(times: Sequence[float], gap: float) -> slice:
    """The most instants, of some in ascending order, of which none comes more than `gap` after the one before."""
    cuts = [k for k, (before, now) in enumerate(pairwise(times), start=1) if now - before > gap]
    return max((slice(a, b) for a, b in pairwise([0, *cuts, len(times)])), key=lambda run: run.stop - run.start)


def event(seconds: float, sensor: str, value: str) -> Event:
    """An `Event` at epoch seconds."""
    return Event(datetime.fromtimestamp(seconds, UTC), sensor, value)


def low_hold(on_times: Iterable[float], floor: float = 0.5) -> float:
    """A set's hold, from its own log without labels: the tenth part of all on-times is shorter.

    An on-time is the hold and the time between the first and the last movement, so short ones are near the hold.
    """
    times = [t for t in on_times if t > 0]
    return max(floor, float(np.quantile(times, 0.1))) if times else 1.0


def read_lines(path: Path) -> list[str]:
    """The lines of a text file without their ends.

    Raises:
        LogError: if it cannot be read.
    """
    try:
        return path.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError as error:
        raise LogError([Fault(str(path), 0, f"cannot be read ({error.strerror})")]) from None


def read_integers(
    path: Path, columns: int, faults: list[Fault], wrong: Callable[[list[int]], str | None]
) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
    """Rows of whole numbers, shape (n, columns), and their lines; a heading is skipped, other bad lines become faults.

    Args:
        path: of the file.
        columns: how many numbers a row has.
        faults: is added to.
        wrong: says what is wrong with a row; "" leaves it out without naming it, as a row like it has been named.
    """
    rows: list[list[int]] = []
    lines: list[int] = []
    for number, line in enumerate(read_lines(path), start=1):
        parts = line.split()
        try:
            row = [int(part) for part in parts]
        except ValueError:
            row = []
        if len(row) == columns and all(abs(value) <= LARGEST for value in row):
            message = wrong(row)
            if message is None:
                rows.append(row)
                lines.append(number)
            elif message:
                faults.append(Fault(str(path), number, message))
        elif parts and not (number == 1 and not any(part.lstrip("-").isdigit() for part in parts)):
            message = f"{line.strip()!r} is not {columns} whole numbers of at most 15 digits"
            faults.append(Fault(str(path), number, message))
    return np.array(rows, dtype=np.int64).reshape(-1, columns), np.array(lines, dtype=np.intp)


def first_lines(
    path: Path, ids: NDArray[np.int64], lines: NDArray[np.intp], known: Iterable[str | int], message: str
) -> list[Fault]:
    """A fault for each id that is not known, at the first line that has it; `message` with {} for the id."""
    unknown = set(ids.tolist()) - {int(number) for number in known if str(number).isdecimal()}
    return [Fault(str(path), int(lines[ids == n].min()), message.replace("{}", str(n))) for n in sorted(unknown)]


def one_file(folder: Path, pattern: str) -> Path:
    """The file in a folder that fits a pattern: the one called so and no more, else the first by name.

    Raises:
        LogError: if there is none.
    """
    found = sorted(folder.glob(pattern))
    if not found:
        raise LogError([Fault(str(folder), 0, f"holds no file {pattern}")])
    name = pattern.strip("*")
    return next((path for path in found if name in (path.name, path.stem)), found[0])


def held(times: Array, values: NDArray[Any], grid: Array, first: Any) -> NDArray[Any]:
    """The latest value at or before each instant of the grid; `first` before any."""
    index = np.searchsorted(times, grid, side="right")
    return np.concatenate([[first], values])[index]
