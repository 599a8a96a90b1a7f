"""Logs to learn from: cut at holes, the first days for fitting, the later ones kept apart for judging."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from presence.errors import counted
from presence.events import Event
from presence.learn.later import DAYS, SESSIONS, Timescales
from presence.times import utc

HOLE = 86400.0
"""Seconds without any report from any sensor after which nobody can say whether the home or the logging stood still."""
DAY = 86400.0
FITTING_SHARE = 0.6
"""Share of the time that is fitted on, at most; the rest judges."""
SHORTEST = 4 * 3600.0
"""Seconds below which a stretch of a log tells nothing about habits."""
OVERLAP = 600.0
"""Seconds for which one log may go on after the next has begun: messages are late. Common practice, no source."""
LEAST_SESSIONS, LEAST_EVENTS = 4, 100
"""So many logs, none as long as that, of so many events each are sessions of a busy home: they tell how people walk and
pause and how sensors see. In an experiment before this code half an hour of events was enough."""


@dataclass(frozen=True)
class Stretch:
    """Events of one stretch of time that a tracker meets afresh."""

    begin: float
    """Epoch seconds."""
    end: float
    events: tuple[Event, ...]

    @property
    def days(self) -> float:
        """Length in days."""
        return (self.end - self.begin) / DAY


@dataclass(frozen=True)
class Material:
    """What there is to learn from."""

    fitting: tuple[Stretch, ...]
    judging: tuple[Stretch, ...]
    notes: tuple[str, ...]
    """What is wrong with it, said plainly."""
    timescales: Timescales = DAYS
    """Those of days, or of sessions."""

    @property
    def sessions(self) -> bool:
        """Whether it is made of sessions, too short for habits."""
        return self.timescales == SESSIONS

    @property
    def stretches(self) -> tuple[Stretch, ...]:
        """All of it, in order of time."""
        return self.fitting + self.judging

    @property
    def days(self) -> float:
        """Days in all."""
        return sum(stretch.days for stretch in self.stretches)


def material(logs: Iterable[Sequence[Event]]) -> Material:
    """Cut logs at holes, and share the stretches out: the first part of the time for fitting, the rest for judging.

    Args:
        logs: each in order of time; a log need not follow another.
    """
    notes: list[str] = []
    stretches = [stretch for log in logs for stretch in _without_holes(log, notes)]
    stretches.sort(key=lambda stretch: stretch.begin)
    long = [stretch for stretch in stretches if stretch.end - stretch.begin >= SHORTEST]
    busy = [stretch for stretch in stretches if len(stretch.events) >= LEAST_EVENTS]
    sessions = not long and len(busy) >= LEAST_SESSIONS
    chosen = busy if sessions else long
    if left_out := len(stretches) - len(chosen):
        least = f"{LEAST_EVENTS} events" if sessions else f"{SHORTEST / 3600:.0f} h"
        notes.append(f"{counted(left_out, 'stretch', 'stretches')} of less than {least} left out")
    whole = sum(stretch.end - stretch.begin for stretch in chosen)
    fitting, judging = _share_out(chosen, FITTING_SHARE * whole, 0.0 if sessions else SHORTEST)
    return Material(tuple(fitting), tuple(judging), tuple(notes), SESSIONS if sessions else DAYS)


def _without_holes(log: Sequence[Event], notes: list[str]) -> list[Stretch]:
    stretches: list[Stretch] = []
    first = 0
    for n in range(1, len(log) + 1):
        ends = n == len(log)
        if not ends and log[n].seconds - log[n - 1].seconds <= HOLE:
            continue
        stretches.append(Stretch(log[first].seconds, log[n - 1].seconds, tuple(log[first:n])))
        if not ends:
            length = (log[n].seconds - log[n - 1].seconds) / DAY
            notes.append(
                f"no report at all for {length:.1f} days from {_told(log[n - 1].seconds)}: nothing is learned from that"
            )
        first = n
    return stretches


def overlapping(logs: Sequence[Sequence[Event]]) -> list[tuple[int, int]]:
    """Pairs of logs, by their numbers, that tell of the same time for longer than `OVERLAP`.

    Args:
        logs: each in order of time.
    """
    order = sorted((log[0].seconds, log[-1].seconds, n) for n, log in enumerate(logs) if log)
    pairs: list[tuple[int, int]] = []
    for k, (_, end, one) in enumerate(order):
        pairs += [(one, other) for begin, last, other in order[k + 1 :] if min(end, last) - begin > OVERLAP]
    return pairs


def judged_longer(given: Material, counted: float, wanted: float) -> Material:
    """Days for fitting that nothing is counted on judge as well, where the later ones are fewer than is wanted.

    Args:
        given: what there is to learn from; sessions stay as they are.
        counted: days for fitting that are made use of.
        wanted: days on which to judge.
    """
    fitting, judging = (sum(stretch.days for stretch in part) for part in (given.fitting, given.judging))
    spare = min(fitting - counted, wanted - judging)
    if given.sessions or spare * DAY < SHORTEST:
        return given
    kept, moved = _share_out(given.fitting, (fitting - spare) * DAY, SHORTEST)
    return replace(given, fitting=tuple(kept), judging=(*moved, *given.judging))


def _share_out(stretches: Sequence[Stretch], left: float, shortest: float) -> tuple[list[Stretch], list[Stretch]]:
    """The first so many seconds, cut inside a stretch where it must be; sessions (`shortest` 0) stay whole."""
    fitting: list[Stretch] = []
    judging: list[Stretch] = []
    for stretch in stretches:
        length = stretch.end - stretch.begin
        if left >= length - (shortest or length / 2):
            fitting.append(stretch)
        elif left < shortest or not shortest:
            judging.append(stretch)
        else:
            before, after = cut(stretch, stretch.begin + left)
            fitting.append(before)
            judging.append(after)
        left -= length
    return fitting, judging


def cut(stretch: Stretch, at: float) -> tuple[Stretch, Stretch]:
    """The parts before and after an instant (epoch seconds)."""
    events = stretch.events
    position = next((n for n, event in enumerate(events) if event.seconds >= at), len(events))
    return Stretch(stretch.begin, at, events[:position]), Stretch(at, stretch.end, events[position:])


def first_days(stretches: Sequence[Stretch], days: float) -> list[Stretch]:
    """As many stretches from the first on as hold so many days; the last one is cut short."""
    chosen: list[Stretch] = []
    left = days * DAY
    for stretch in stretches:
        if left < min(SHORTEST, stretch.end - stretch.begin):
            break
        whole = stretch.end - stretch.begin <= left + SHORTEST
        chosen.append(stretch if whole else cut(stretch, stretch.begin + left)[0])
        left -= stretch.end - stretch.begin
    return chosen


def _told(seconds: float) -> str:
    return f"{utc(seconds):%Y-%m-%d %H:%M} UTC"
