"""Final answers in hindsight: a few minutes are taken in again with off reports put back to the last movement.

A motion sensor that is on says nothing new; when it goes off, it says when somebody last moved there. The filter hears
that too late (see `holds`), but before a door's window closes: who has walked out of the garage is not heard there any
more. So an answer that is still in doubt by then is worked out once more from what was known before the door event.
"""

from __future__ import annotations

from collections.abc import Sequence

from presence.events import Event
from presence.holds import put_back
from presence.inference import Engine
from presence.passages import Passage
from presence.record import Step
from presence.snapshot import replace

DOUBT = 0.9
"""An answer that is as sure as this stands, as most do, and so do those about doors within the house: it takes as long
as the events of several minutes did. Common practice, no source."""
LEAD = 60.0
"""Seconds before the door event from which everything is taken in again: as long as a usual hold."""
MOST = 400
"""With more events than this the answer stands, however much in doubt: they would hold up the next event."""


def in_hindsight(engine: Engine, steps: Sequence[Step], told: Sequence[Passage], passage: Passage) -> Passage:
    """A final answer, worked out again where it is in doubt; else as it is.

    Args:
        engine: the inference.
        steps: what the tracker did, with some snapshots; what came after the answer was due is not heard.
        told: what is told at once; a door that is opened and shut in one instant has two answers of that instant.
        passage: the final answer, one of these.
    """
    at, decided = passage.time.timestamp(), passage.decided.timestamp()
    likely = [*passage.directions.values(), *([] if _opened(engine, steps, passage) else [passage.nobody])]
    if max(likely) >= DOUBT or passage.door not in engine.ways_out:
        return passage
    steps = [step for step in steps if step.event is None or step.seconds < decided]
    begin = _begin(steps, at - LEAD)
    events = [] if begin is None else _put_back(engine, steps, begin, at - LEAD)
    if begin is None or not 0 < len(events) <= MOST:
        return passage
    snapshot, again = steps[begin].before, list[Passage]()
    assert snapshot is not None
    for event in events:
        snapshot, answers = engine.advance(snapshot, event.seconds)
        again += answers
        snapshot, _ = engine.observe(snapshot, event)
    again += engine.advance(snapshot, max(snapshot.seconds, decided))[1]
    before, after = _alike(told, passage), _alike(again, passage)
    place = next(n for n, one in enumerate(before) if one is passage)
    return replace(after[place], decided=passage.decided) if len(after) == len(before) else passage


def _alike(told: Sequence[Passage], passage: Passage) -> list[Passage]:
    """Final answers about the same door and instant."""
    return [p for p in told if p.final and not p.inferred and (p.door, p.time) == (passage.door, passage.time)]


def _opened(engine: Engine, steps: Sequence[Step], passage: Passage) -> bool:
    """Whether an answer is about an opening: that nobody has passed then is rare enough to be looked at again."""
    at, sensors = passage.time.timestamp(), engine.plan.sensors
    events = [step.event for step in steps if step.event is not None and step.seconds == at]
    return any(sensors[e.sensor].door == passage.door and e.value in ("open", "unlocked") for e in events)


def _put_back(engine: Engine, steps: Sequence[Step], begin: int, since: float) -> list[Event]:
    """Events of the steps from one on, with the off reports that say of movements since an instant put back to them."""
    all_events = [step.event for step in steps if step.event is not None]
    before = {id(step.event) for step in steps[:begin]}
    again = {id(event) for event in all_events} - before
    events = put_back(engine.plan, all_events)
    return [e for e in events if id(e) in again or (id(e) not in before and e.seconds >= since)]


def _begin(steps: Sequence[Step], seconds: float) -> int | None:
    """The latest step with a snapshot that begins no later than an instant."""
    known = [n for n, s in enumerate(steps) if s.before is not None and s.before.seconds <= seconds]
    return known[-1] if known else None
