"""What several commands share: a log with its faults told line by line, and progress for terminals."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

import click

from presence.errors import DONE, INPUT_AT_FAULT

if TYPE_CHECKING:
    from presence.errors import Fault
    from presence.events import Event, LogCounts
    from presence.floorplan import Floorplan
    from presence.settings import Settings

PATIENCE = 0.2
"""Seconds that a line may wait to be passed on, and between two signs of progress."""

A_DAY = 86400.0
"""Seconds of a log after which it is worth a word that a sensor has not spoken."""
MOST_NAMED = 10


def complain(text: str) -> None:
    """A line for people, on standard error; that nobody can read it any more stops no work."""
    try:
        click.echo(text, err=True)
    except OSError:  # a reader that has left, a full disk
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stderr.fileno())


def is_live(log: str) -> bool:
    """Whether a log may come as things happen: by standard input, or by a path that is no file but a pipe."""
    return log == "-" or not os.path.isfile(log)  # noqa: PTH113, a path may be any text


def say(text: str) -> None:
    """A sign of progress, on a terminal only; an empty one takes it away."""
    if sys.stderr.isatty():
        sys.stderr.write(f"\r{text}\x1b[K")
        sys.stderr.flush()


def load(plan: str, on_doubt: Callable[[Fault], None] | None = None, beside: Sequence[str] = ()) -> Floorplan:
    """A plan; its faults end the command, and what keeps the files that go with it from being opened is told, too."""
    from presence.floorplan import Floorplan
    from presence.reading import with_unreadable

    with with_unreadable(*beside):
        return Floorplan.load(plan, on_doubt)


def load_learned(plan: str, learned: str | None, *beside: str) -> tuple[Floorplan, Settings | None]:
    """A plan, and the settings that were learned for it (None: the defaults); `beside` as `load` takes it."""
    home = load(plan, beside=beside)
    if learned is None:
        return home, None
    from presence.learned import read_learned

    found = read_learned(learned, home)
    return found.plan, found.settings


class Source:
    """The events of a log in order; what is wrong with it goes to standard error, line by line.

    Args:
        plan: the home.
        log: a path, or `-` for standard input.
        strict: stop at the first bad line.
        window: seconds by which events are put in order; None: as few as a tracker allows.
    """

    def __init__(self, plan: Floorplan, log: str, strict: bool, window: float | None = None) -> None:
        from presence.events import LogCounts

        self.plan, self.log, self.strict, self.window = plan, log, strict, window
        self.counts: LogCounts = LogCounts()
        self.faults = 0
        self._first: Fault | None = None
        self._silent = set(plan.sensors)
        self.span: tuple[float, float] | None = None
        """Epoch seconds of the first event and of the latest that was read."""

    def __iter__(self) -> Iterator[Event]:
        from presence.events import OF_A_FILE, WINDOW, read_log, reorder

        source: str | Iterable[str] = sys.stdin if self.log == "-" else self.log
        events = read_log(source, plan=self.plan, strict=self.strict, counts=self.counts, on_fault=self._fault)
        believed = 1 if is_live(self.log) else OF_A_FILE
        window = WINDOW if self.window is None else self.window
        order = reorder(self._listen(events), window, believed=believed, counts=self.counts, on_fault=self._fault)
        return self._progress(order)

    def _fault(self, fault: Fault) -> None:
        self.faults += 1
        self._first = self._first or fault
        complain(str(fault))

    def _listen(self, events: Iterable[Event]) -> Iterator[Event]:
        """Pass events through, noting who speaks."""
        for event in events:
            self._silent.discard(event.sensor)
            self.span = (event.seconds if self.span is None else self.span[0], event.seconds)
            yield event

    def _progress(self, events: Iterable[Event]) -> Iterator[Event]:
        """Pass events through, telling a terminal how far it has come."""
        if not sys.stderr.isatty() or is_live(self.log):
            yield from events
            return
        told, number = time.monotonic(), 0
        for number, event in enumerate(events, 1):
            if time.monotonic() - told > PATIENCE:
                told = time.monotonic()
                say(f"{number:,} events, up to {event.time:%Y-%m-%d %H:%M}")
            yield event
        say("")

    def status(self) -> int:
        """The exit status, after a line that sums up what was skipped, and one that names who never spoke in a day.

        Of a log without a good line the first fault is told again: it is likely that of them all.
        """
        if self.faults or self.counts.duplicate:
            complain(f"{self.log}: {self.counts}")
        if self._first is not None and self.counts.bad > 1 and not self.counts.read:
            complain(f"{self.log}: not one line could be read; what is wrong with the first: {self._first.message}")
        if self._silent and self.span is not None and self.span[1] - self.span[0] >= A_DAY:
            named = [sensor for sensor in self.plan.sensors if sensor in self._silent]
            more = f" and {len(named) - MOST_NAMED} more" if len(named) > MOST_NAMED else ""
            complain(f"{self.log}: never heard from {', '.join(named[:MOST_NAMED])}{more}; without them less is known")
        return INPUT_AT_FAULT if self.faults else DONE
