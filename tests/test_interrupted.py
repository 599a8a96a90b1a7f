"""Interrupted at any line (Ctrl-C, a signal of the host), a tracker is as before the call or as after it."""

from __future__ import annotations

import copy
import math
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from types import FrameType
from typing import Any

import pytest

from presence import Event, Tracker, health, tracker
from presence.health import Monitor
from presence.lost_openings import TrackerEngine
from tests.oracle import at, time_at
from tests.test_tracker import followed, small

MODULES = tracker.__file__, str(health.monitor.__file__)
READING = {"_known", "behind", "suspecting", "silent", "noise", "_pressing", "check", "time", "<genexpr>", "<listcomp>"}
"""What changes nothing."""
PLAN = small(1)
REPORTS = [
    at(0.0, "front_contact", "open"),
    at(3.0, "hall_motion", "detected"),
    at(4.0, "front_contact", "closed"),
    at(5.0, "room_motion", "detected"),
]
CALLS: dict[str, tuple[list[Event], Callable[[Tracker], None]]] = {
    "the first event": ([], lambda told: told.observe(at(0.0, "front_contact", "open"))),
    "an event": (REPORTS, lambda told: told.observe(at(30.0, "room_motion", "clear"))),
    "a late one": (REPORTS, lambda told: told.observe(at(3.5, "den_switch", "pressed"))),
    "time": (REPORTS, lambda told: told.advance(time_at(400.0))),
}


@contextmanager
def interrupted(after: float) -> Iterator[list[int]]:
    """A KeyboardInterrupt once so many lines of the tracker and the monitor have run; how many have."""
    lines = [0]

    def line(frame: FrameType, what: str, _: Any) -> Any:
        if what == "line":
            lines[0] += 1
            if lines[0] > after:
                sys.settrace(None)
                raise KeyboardInterrupt
        return line

    def call(frame: FrameType, what: str, _: Any) -> Any:
        return line if frame.f_code.co_filename in MODULES and frame.f_code.co_name not in READING else None

    usual = sys.gettrace()
    sys.settrace(call)
    try:
        yield lines
    finally:
        sys.settrace(usual)


def answers(told: Tracker) -> list[Any]:
    """All that a tracker tells now and later, and what it remembers to tell why."""
    found: list[Any] = [told.time, told.belief, told.log_likelihood]
    assert told.time is not None
    told.observe(Event(told.time, "hall_motion", "detected"))
    told.observe(Event(told.time - timedelta(seconds=1.0), "den_camera", "person"))
    told.advance(told.time + timedelta(seconds=20.0))
    steps = [(step.seconds, step.event) for step in told._record.with_latest(told._recent)]
    return [*found, told.belief, told.log_likelihood, told.take_passages(), steps]


@pytest.mark.parametrize("what", CALLS)
def test_told_again_after_an_interrupt_all_is_as_if_told_once(what: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """In no line is anything half done, but that the watches may count a step less: told twice is told once."""
    monkeypatch.setattr(Monitor, "suspecting", True)  # so that time has looks at the sensors in it
    before, call = CALLS[what]
    begun = followed(PLAN, before) if before else Tracker(PLAN)
    plain = copy.copy(begun)
    with interrupted(math.inf) as lines:
        call(plain)
    assert lines[0] > 25
    plain_time, expected = plain.time, answers(plain)
    for after in range(lines[0]):
        broken = copy.copy(begun)
        with pytest.raises(KeyboardInterrupt), interrupted(after):
            call(broken)
        assert before or broken.time in {None, plain_time}
        call(broken)
        assert answers(broken) == expected, f"after {after} lines"


@pytest.mark.parametrize("after", range(3))
@pytest.mark.parametrize("part", ["advance", "observe"])
def test_a_late_event_that_is_interrupted_has_never_come(
    part: str, after: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whichever of the events is just being taken in again: what came after it is not lost."""
    plain, broken, calls = followed(PLAN, REPORTS), followed(PLAN, REPORTS), [0]
    usual = getattr(TrackerEngine, part)

    def interrupt(*arguments: Any) -> Any:
        calls[0] += 1
        if calls[0] > after:
            raise KeyboardInterrupt
        return usual(*arguments)

    monkeypatch.setattr(TrackerEngine, part, interrupt)
    with pytest.raises(KeyboardInterrupt):
        broken.observe(at(3.5, "den_switch", "pressed"))
    monkeypatch.undo()
    assert broken.counts == plain.counts
    assert answers(broken) == answers(plain)
