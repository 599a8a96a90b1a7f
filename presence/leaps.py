"""Clocks that are ahead: what they told is left out, not all that follows.

A tracker cannot go back. So an event far ahead of all before it waits for the next ones: a quiet time if they go on
from there, a wrong clock if they go on from where the others were.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from presence.errors import PresenceError

if TYPE_CHECKING:
    from presence.events import Event

LEAP = 3600.0
"""Seconds: events this far ahead of those on both sides of them have a wrong clock, those beside them do not."""
LAST_LEAP = 30 * 86400.0
"""The same for the last events of a log, which have neighbours on one side only."""


class Numbered(NamedTuple):
    """An event, and the line of the log in which it stands."""

    line: int
    event: Event


@dataclass(slots=True)
class _Run:
    """Events that go on from one which was ahead of all before it, in the order in which they came."""

    before: float
    """The latest time before it, epoch seconds."""
    start: float
    newest: float
    events: list[Numbered]
    against: int = 0
    """How many have come since that go on from an earlier time."""
    beside: float = -math.inf
    """The time of the first of these, epoch seconds."""

    def ahead(self) -> float:
        """By how much, seconds."""
        return self.start - max(self.before, self.beside)


def right_clocks(
    numbered: Iterable[Numbered], window: float, believed: int, leave_out: Callable[[Numbered, float], None]
) -> Iterator[Numbered]:
    """The events in the order in which they came, without those whose clock was ahead.

    Args:
        numbered: events in the order in which they came.
        window: seconds by which events may come late; older ones bear no witness, and who is ahead by no more harms
            nobody.
        believed: what is ahead is believed once more events than so many go on from there, and left out once as many
            go on from where the others were. So many are held after each `LEAP`.
        leave_out: is told of each event that is left out, and by how many seconds its clock was ahead.
    """
    newest, runs, broken, leap = -math.inf, list[_Run](), None, max(LEAP, window)
    try:
        for each in numbered:
            seconds = each.event.seconds
            if seconds > (runs[-1].newest if runs else newest) + leap:
                runs.append(_Run(runs[-1].newest if runs else newest, seconds, seconds, [each]))
            else:
                level = max((k for k, run in enumerate(runs) if seconds >= run.start - leap), default=-1)
                if seconds >= (newest if level < 0 else runs[level].newest) - window:
                    runs[level + 1 :] = _without(_spoken_against(runs[level + 1 :], seconds), believed, leave_out)
                if level < 0:
                    newest = max(newest, seconds)
                    yield each
                else:
                    runs[level].events.append(each)
                    runs[level].newest = max(runs[level].newest, seconds)
            while sum(len(run.events) for run in runs) > believed:
                newest = max(newest, runs[0].newest)
                yield from runs.pop(0).events
    except PresenceError as error:  # of who reads the log: what was good is still told
        broken = error
    if runs and LAST_LEAP < runs[-1].ahead() < math.inf:
        runs[-1].against = believed
    for run in _without(runs, None, leave_out):
        yield from run.events
    if broken is not None:
        raise broken


def _spoken_against(runs: list[_Run], seconds: float) -> list[_Run]:
    """The runs, after an event that goes on from an earlier time than theirs."""
    for run in runs:
        run.beside = run.beside if run.against else seconds
        run.against += 1
    return runs


def _without(runs: list[_Run], most: int | None, leave_out: Callable[[Numbered, float], None]) -> Iterator[_Run]:
    """The runs that less than so many events speak against; None: than speak for them."""
    for run in runs:
        if run.against < (len(run.events) if most is None else most):
            yield run
            continue
        for each in run.events:
            leave_out(each, run.ahead())
