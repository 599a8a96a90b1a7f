"""Why it is believed: the events and silences that moved a room's probability or a passage's direction.

Each has its weight of evidence in decibans, 10 log10 of the factor on the odds (Good 1950, "Probability and the
Weighing of Evidence", ch. 6; the unit is Turing's). It is the model's own arithmetic: the weights add up to the log
odds at the end less the log odds at the beginning of the stretch that is told.

For a room the claim is that somebody is there now. From the odds reported at the beginning, time alone comes first:
what they become by now if nothing is heard, for people move on. Then each event and silence changes the odds of that
same claim; so what has been overtaken since weighs little. A silence is taken apart exactly: that of the room's own
sensors, of those of its doors, of all others (see `retrace`).

For a passage the claim is its direction. Before the door event the odds are those of the answer that it would have got
at that instant, so that what came before has its weight too; after it they are the answer's own.
"""

from __future__ import annotations

from collections.abc import Sequence

from presence.errors import UnexplainedError, did_you_mean, shown
from presence.floorplan import AWAY, Floorplan
from presence.inference import Engine
from presence.passages import Passage
from presence.record import Piece, Step
from presence.retrace import TracingEngine, joined, retrace
from presence.snapshot import Snapshot
from presence.stories import stories
from presence.telling import Explanation, Part, Telling
from presence.wording import direction_name, quiet_text, room_name

STRETCH = 1800.0
"""Seconds of the past that are told of a room unless asked for more."""
BEFORE_DOOR = 300.0
"""Seconds before a door event that are told of a passage."""


def explain_room(
    engine: Engine, steps: Sequence[Step], now: Snapshot, room: str, since: float | None = None
) -> Explanation:
    """What moved the probability that somebody is in a room.

    Args:
        engine: of the home.
        steps: the recent past, oldest first.
        now: what is known now.
        room: its id.
        since: where the stretch begins, epoch seconds; by default half an hour ago, or as far back as is remembered.

    Raises:
        UnexplainedError: if the plan has no such room.
    """
    plan = engine.plan
    if not isinstance(room, str) or room not in plan.rooms or room == AWAY:
        what = "nobody's being away is explained" if room == AWAY else f"the plan has no room {shown(room)}"
        raise UnexplainedError(f"{what}; {did_you_mean(str(room), [each for each in plan.rooms if each != AWAY])}")
    tracing, number = TracingEngine(engine), engine.model.states.rooms.index(room)
    since = now.seconds - STRETCH if since is None else min(since, now.seconds)
    pieces = joined(retrace(tracing, steps, now, since))
    begin = pieces[0].before if pieces else now
    name, doors = room_name(plan, room), {door.id for door in plan.doors.values() if room in door.between}
    own = [s for s in plan.sensors.values() if s.room == room]
    parts = (
        Part(quiet_text(plan, room), own),
        Part(f"no door of {name} used", [s for s in plan.sensors.values() if s.door in doors]),
        Part(f"quiet outside {name}", ()),
    )
    groups, ahead = [part.sensors for part in parts[:-1]], tracing.ahead(pieces, now, number)

    def apart(piece: Piece) -> list[float]:
        then = ahead[piece.after.seconds]
        return [tracing.room_log_odds(mixture, then) for mixture in tracing.take_apart(piece, groups)]

    telling = Telling(plan, parts, tracing.room_log_odds(begin.mixture, ahead[now.seconds]), apart=apart)
    telling.time_alone(begin.seconds, now.seconds, tracing.room_log_odds(begin.mixture, ahead[begin.seconds]))
    for piece in pieces:
        telling.piece(piece, tracing.room_log_odds(piece.after.mixture, ahead[piece.after.seconds]))
    return telling.explanation(
        f"somebody in {name}", begin.seconds, now.seconds, stories(engine, now.mixture, room), room=room
    )


def explain_passage(engine: Engine, steps: Sequence[Step], now: Snapshot, passage: Passage) -> Explanation:
    """What speaks for the likelier direction of a passage, up to the instant when the answer was given.

    Raises:
        UnexplainedError: if it is no passage, no door event of its own stands behind it, or that is too long ago.
    """
    if not isinstance(passage, Passage):
        raise UnexplainedError(f"{shown(passage)} is no passage; one of `tracker.passages` would be right")
    plan, tracing, at = engine.plan, TracingEngine(engine), passage.time.timestamp()
    pieces = retrace(tracing, steps, now, at - BEFORE_DOOR)
    pieces = [p for p in pieces if p.after.seconds <= passage.decided.timestamp()]
    opening = next((n for n, piece in enumerate(pieces) if _opens(plan, piece, passage)), None)
    if opening is None:
        raise UnexplainedError(
            f"no opening of {passage.door} at {passage.time.isoformat()} is remembered; recent openings and unlockings"
            " can be explained, closings and passages that no sensor reported cannot"
        )
    direction = passage.likeliest
    ends = plan.doors[passage.door].between
    way = [f"{ends[0]}>{ends[1]}", f"{ends[1]}>{ends[0]}"].index(direction)
    into, event, begin = pieces[opening].before, pieces[opening].event, pieces[0].before
    assert event is not None

    telling = Telling(plan, (), tracing.supposed_log_odds(into, begin, event, way), door_event=at)
    for piece in pieces[:opening]:
        telling.whole(piece, tracing.supposed_log_odds(into, piece.after, event, way))
    last = begin
    for piece in pieces[opening:]:
        window = _window(piece.after, passage)
        if window < 0:
            break  # it has closed
        telling.whole(piece, tracing.direction_log_odds(piece.after, window, way))
        last = piece.after
    claim, behind = direction_name(plan, direction), stories(engine, last.mixture, None)
    return telling.explanation(claim, begin.seconds, last.seconds, behind, door=passage.door, direction=direction)


def _opens(plan: Floorplan, piece: Piece, passage: Passage) -> bool:
    """Whether a piece is the door event that opened the window of a passage."""
    if piece.event is None or plan.sensors[piece.event.sensor].door != passage.door:
        return False
    window = _window(piece.after, passage)
    return window >= 0 and not piece.after.windows[window].beyond and _window(piece.before, passage) < 0


def _window(snapshot: Snapshot, passage: Passage) -> int:
    """Which open window is that of a passage; -1 if none is."""
    at = passage.time.timestamp()
    return next((i for i, w in enumerate(snapshot.windows) if w.door == passage.door and w.seconds == at), -1)
