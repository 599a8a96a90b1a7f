"""What can go wrong, as a small family.

    PresenceError
    +-- InputError            a file is at fault; `faults` names every one of them
    |   +-- PlanError         a floor plan
    |   +-- LogError          an event log or a truth file
    +-- EventError            the live API was given something it cannot take
    |   +-- UnknownSensorError
    |   +-- UnknownValueError
    |   +-- LateEventError    older than the reordering window
    |   +-- TimeError         without an offset, of a year that no log has, or backwards
    +-- SettingError          a setting of the model is unknown or out of range
    +-- TooManyHypothesesError  all were to be kept, and would not fit into memory
    +-- UnexplainedError      no such room, or no door event that is remembered
    +-- VersionError          a tracker that another version has pickled

Every text says what is wrong, which value, where, and what would be right.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import islice
from typing import Any

from presence.times import apart

DONE, FAILED, INPUT_AT_FAULT, INTERRUPTED = 0, 1, 2, 130
"""Exit statuses of the command."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong in a file."""

    path: str
    line: int
    """Counted from 1; 0 where no line can be named."""
    message: str

    def __str__(self) -> str:
        return f"{self.path}:{self.line}: {self.message}"


class PresenceError(Exception):
    """Any error that this library raises on purpose."""


class InputError(PresenceError, ValueError):
    """A file is at fault; `faults` names every fault found, in the order of the file's lines."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__(self.faults)

    def __str__(self) -> str:
        return "\n".join(str(fault) for fault in self.faults)


class PlanError(InputError):
    """A floor plan is at fault."""


class LogError(InputError):
    """An event log or a truth file is at fault."""


class EventError(PresenceError, ValueError):
    """The live API was given something it cannot take."""


class UnknownSensorError(EventError):
    """The plan has no such sensor."""


class UnknownValueError(EventError):
    """A sensor of this kind does not report such a value, or no lock such a `by` or `code`."""


class LateEventError(EventError):
    """An event is older than the reordering window."""

    @classmethod
    def of(cls, event: str, by: float, window: float) -> LateEventError:
        """The error of an event that is so many seconds older than the tracker's time."""
        return cls(
            f"{event} is {apart(by)} older than the tracker's time; at most {window:g} s are put in order"
            " (if an earlier clock was ahead, load a tracker that was kept before it)"
        )


class TimeError(EventError):
    """A time has no offset, is of a year that no log has, or goes backwards."""


class SettingError(PresenceError, ValueError):
    """A setting of the model is unknown or out of range."""


class TooManyHypothesesError(PresenceError, MemoryError):
    """All hypotheses were to be kept, none merged, and they would take too much memory."""


class UnexplainedError(PresenceError, LookupError):
    """Something was to be explained that the plan does not have or the tracker does not remember."""


class VersionError(PresenceError, ValueError):
    """What was pickled by another version is no longer what it says."""


def shown(value: Any) -> str:
    """A value for a message, as JSON where it can be, shortened where it is long."""
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    try:
        text = json.dumps(value, ensure_ascii=False)
        text = text if text.isprintable() else json.dumps(value)
    except (TypeError, ValueError, RecursionError):
        text = f"a {type(value).__name__}"
    return text if len(text) <= 60 else f"{text[:40]}... ({len(text)} characters)"


def counted(number: float, one: str, many: str | None = None) -> str:
    """A number and what is counted: `1 walk`, `12 walks`, `1,200 walks`."""
    rounded = round(number)
    return f"{rounded:,} {one if rounded == 1 else many or one + 's'}"


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """What would be right instead of an unknown word: the likest of the known ones, else the first few of them."""
    names = list(islice(known, 1000))
    likest = closest(word, names)
    if likest is not None:
        return f"did you mean {shown(likest)}?"
    if not names:
        return "there is none"
    return "there is " + ", ".join(names[:12]) + (f" and {len(names) - 12} more" if len(names) > 12 else "")


def closest(word: str, known: Iterable[str], *, at_least: float = 0.6) -> str | None:
    """The known word that is likest to a mistyped one, if any is at least so like it (0 not at all, 1 the same)."""
    import difflib

    plain = {_plain(name): name for name in known}
    found = difflib.get_close_matches(_plain(word[:100]), plain, n=1, cutoff=at_least)
    return plain[found[0]] if found else None


def _plain(word: str) -> str:
    return word.casefold().replace("-", "_").replace(" ", "_")
