"""A log in, answers out: the same path for files, pipes, scores and tests.

Answers come in the order in which they could have been given: no line uses an event later than itself, and a log that
is cut short gives the same lines up to the cut, byte for byte.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Iterator

from presence.events import Event
from presence.explained import Allowance, Explainer, Line
from presence.floorplan import Floorplan
from presence.passages import Passage
from presence.permitted import check_seconds
from presence.settings import Settings
from presence.snapshot import Association, Belief
from presence.telling import Explanation
from presence.times import rfc3339, utc
from presence.tracker import Tracker

LEAST_STEP = 0.001
"""Seconds: the finest grid of beliefs."""


def replay(
    plan: Floorplan,
    events: Iterable[Event],
    *,
    every: float = 60.0,
    associations: bool = False,
    explain: bool | int | Allowance = False,
    settings: Settings | None = None,
    hypotheses: int = 16,
) -> Iterator[Line]:
    """Track a whole log, telling what is believed on the way.

    A belief is told for every instant that is a multiple of `every`, from the first event on, as soon as an event later
    than the instant has come; it uses events up to the instant itself. What no later event has confirmed to be past is
    not told at the end of the log.

    Args:
        plan: the home.
        events: in order of time (see `presence.events.reorder`).
        every: step of the grid of beliefs, seconds.
        associations: also tell who caused each event that somebody can have caused.
        explain: also tell why, where a room's answer changes sides and where a passage is final; a number: about as
            many times; an allowance is drawn upon.
        settings: rates and probabilities of the model.
        hypotheses: the largest number of hypotheses kept.

    Raises:
        SettingError: if `every` is not a finite number of at least a millisecond.
        EventError: if an event is of an unknown sensor or value, or out of order by more than the tracker puts right.
    """
    check_seconds("every", every, LEAST_STEP)
    tracker = Tracker(plan, settings, hypotheses=hypotheses)
    tell = _explaining(tracker, explain)
    step: int | None = None
    latest: Association | None = None
    for event in events:
        seconds = event.seconds
        step = math.ceil(seconds / every) if step is None else step
        while step * every < seconds:
            tracker.advance(utc(step * every))
            yield from tell(tracker.take_passages())
            yield from tell([tracker.belief])
            step += 1
        tracker.observe(event)
        yield from tell(tracker.take_passages())
        if associations and tracker.association is not None and tracker.association is not latest:
            latest = tracker.association
            yield latest


def _explaining(tracker: Tracker, explain: bool | int | Allowance) -> Callable[[Iterable[Line]], Iterator[Line]]:
    """What puts the reasons behind the lines that want some; without any, the lines as they come."""
    if not explain:
        return iter
    left = explain if isinstance(explain, Allowance) else Allowance(math.inf if explain is True else explain)
    return Explainer(tracker, left).after


def to_json(line: Line, **marks: object) -> str:
    """One output line (without its line end); marks are added to its fields."""
    return json.dumps({**_fields(line), **marks})


def _fields(line: Line) -> dict[str, object]:
    if isinstance(line, Belief):
        return {
            "kind": "occupancy",
            "time": rfc3339(line.time),
            "rooms": dict(line.rooms),
            "people": {person: dict(rooms) for person, rooms in line.people.items()},
            "at_home": list(line.at_home),
        }
    if isinstance(line, Passage):
        return {
            "kind": "passage",
            "time": rfc3339(line.time),
            "decided": rfc3339(line.decided),
            "door": line.door,
            "directions": dict(line.directions),
            "nobody": line.nobody,
            "people": dict(line.people),
            "final": line.final,
            **({"inferred": True} if line.inferred else {}),
        }
    if isinstance(line, Explanation):
        return explanation_fields(line)
    return {
        "kind": "association",
        "time": rfc3339(line.time),
        "sensor": line.sensor,
        "value": line.value,
        "people": dict(line.people),
        "nobody": line.nobody,
    }


def explanation_fields(why: Explanation) -> dict[str, object]:
    """An explanation as a line of our own kind; decibans of the evidence add up to `decibans`."""
    about = {"room": why.room} if why.room is not None else {"door": why.door, "direction": why.direction}
    return {
        "kind": "explanation",
        "time": rfc3339(why.time),
        **about,
        "claim": why.claim,
        "from": rfc3339(why.begin),
        "before": why.before,
        "probability": why.probability,
        "decibans": why.decibans,
        "evidence": [
            {
                "what": e.text,
                "from": rfc3339(e.begin),
                "to": rfc3339(e.end),
                "decibans": e.decibans,
                **({"people": dict(e.people)} if e.people else {}),
                **({"parts": dict(e.parts)} if e.parts else {}),
            }
            for e in why.evidence
        ],
        "hypotheses": [
            {"probability": s.weight, "people": dict(s.rooms), "latest_event_by": s.caused, "what": s.text}
            for s in why.stories
        ],
    }
