"""After the fact: who was where, from all that was seen before and after; and everybody's likeliest path.

A filter may not use what comes later; here later events count too, so this is for evaluation, drawings and learning,
not for rules. A log is worked through in chunks: forward through a chunk and some hours beyond it, back again, and
what lies in the chunk is told; so memory does not grow with the log.

While the joint chain of all beings is small it is followed exactly; else the past and the future are mixtures of
hypotheses (see `reversal`), and paths are read out of hypotheses and mended one being at a time (see `paths`). Looking
back trusts the model more than a filter does: where it is wrong for hours (a quiet room among six people's, a room that
no sensor sees), so is the smoother (`benchmarks/smoothing.py`).
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from presence import joint as exact
from presence import reversal
from presence.errors import LateEventError
from presence.events import Event
from presence.floorplan import AWAY, Floorplan
from presence.holds import put_back
from presence.hypotheses import start
from presence.merging import Mixture
from presence.paths import likeliest_paths
from presence.permitted import check_options, check_seconds
from presence.recorder import RecordingEngine, Stretch, stretches
from presence.replay import LEAST_STEP
from presence.settings import Settings
from presence.snapshot import Belief, Snapshot
from presence.times import rfc3339, utc
from presence.tracker import Tracker
from presence.truth import TruthLine

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]

CHUNK = 6 * 3600.0
"""Seconds that are told at a time."""
OVERLAP = 2 * 3600.0
"""Seconds beyond a chunk that are looked at: what comes later still tells next to nothing."""
JOINT_STATES = 5000
"""The joint chain is followed exactly while it has at most this many states."""


def smooth(
    plan: Floorplan,
    events: Iterable[Event],
    *,
    every: float = 60.0,
    settings: Settings | None = None,
    hypotheses: int = 16,
    chunk: float = CHUNK,
    overlap: float = OVERLAP,
    joint_states: int = JOINT_STATES,
) -> Iterator[Belief]:
    """Beliefs on the grid of `replay`, each from the events before and after its instant.

    Args:
        plan: the home.
        events: in order of time (see `presence.events.reorder`).
        every: step of the grid, seconds.
        settings: rates and probabilities of the model.
        hypotheses: the largest number of hypotheses kept, of the past and of the future.
        chunk: seconds that are told at a time.
        overlap: seconds beyond a chunk whose events are taken into account.
        joint_states: the joint chain is followed exactly while it has at most this many states.

    Raises:
        SettingError: if `every`, `settings`, `hypotheses`, `chunk` or `overlap` makes no sense.
        EventError: if an event is of an unknown sensor or value, or not in order.
    """
    check_options(settings, hypotheses, 0.0)
    _check(every, chunk, overlap)
    engine = RecordingEngine(plan, settings or Settings(), hypotheses, numbering=True)
    small = _is_small(engine, joint_states)
    joint: Array | None = None
    for stretch in stretches(engine, put_back(plan, _checked(plan, events)), every, chunk, overlap):
        if not engine.names:  # nobody lives there and nobody comes: later events tell nothing more
            yield from (engine.belief(snapshot) for _, snapshot in stretch.told)
            continue
        if not small:
            yield from _by_hypotheses(engine, stretch)
            continue
        beliefs, joint = _exact(engine, stretch, joint)
        yield from beliefs


def paths(
    plan: Floorplan,
    events: Iterable[Event],
    *,
    every: float = 60.0,
    settings: Settings | None = None,
    hypotheses: int = 16,
    chunk: float = CHUNK,
    overlap: float = OVERLAP,
    joint_states: int = JOINT_STATES,
) -> Iterator[TruthLine]:
    """Everybody's likeliest path, as the lines of a truth file: residents, and visitors while they are there.

    A change is told at the end of the silence in which it happened, so at most `every` seconds late. Arguments and
    errors are those of `smooth`.
    """
    check_options(settings, hypotheses, 0.0)
    _check(every, chunk, overlap)
    engine = RecordingEngine(plan, settings or Settings(), hypotheses, numbering=True)
    latest: IndexArray | None = None
    told: dict[str, str] = dict.fromkeys(engine.names[len(plan.people) : engine.model.persons], AWAY)
    moved: dict[str, str] = {}
    at = 0.0
    for stretch in stretches(engine, put_back(plan, _checked(plan, events)), every, chunk, overlap):
        path = _path(engine, stretch, latest, joint_states)
        for seconds, states in zip(_instants(stretch), path[: stretch.done + 1], strict=False):
            if seconds > at:
                yield from _changes(at, moved, told)
                at = seconds
            moved = {name: engine.model.states.rooms[room] for name, room in _whereabouts(engine, states)}
        latest = path[stretch.done]
    yield from _changes(at, moved, told)


def path_json(line: TruthLine) -> str:
    """A line of a path as a line of a truth file (without its line end)."""
    return json.dumps({"time": rfc3339(line.time), "person": line.person, "room": line.room})


def _instants(stretch: Stretch) -> list[float]:
    """When the states of a path hold from, epoch seconds: at the beginning and after each operation."""
    return [*(stretch.starts[:1] or [stretch.end.seconds]), *stretch.starts[1:], stretch.end.seconds]


def _whereabouts(engine: RecordingEngine, states: IndexArray) -> Iterator[tuple[str, int]]:
    """Everybody's name and room (pets are left out)."""
    people = zip(engine.names[: engine.model.persons], states.tolist(), strict=False)
    return ((name, int(engine.model.states.room[state])) for name, state in people)


def _changes(at: float, now: dict[str, str], told: dict[str, str]) -> Iterator[TruthLine]:
    """A line for everybody who is in another room than was last told."""
    for name, room in now.items():
        if told.get(name) != room:
            told[name] = room
            yield TruthLine(utc(at), name, room)


def _check(every: float, chunk: float, overlap: float) -> None:
    for name, value, least in (("every", every, LEAST_STEP), ("chunk", chunk, 1.0), ("overlap", overlap, 0.0)):
        check_seconds(name, value, least)


def _checked(plan: Floorplan, events: Iterable[Event]) -> Iterator[Event]:
    """Events that this home can have sent, in order."""
    tracker, latest = Tracker(plan), -math.inf
    for event in events:
        tracker.check(event)
        if event.seconds < latest:
            raise LateEventError(
                f"{event.sensor} {event.value} at {event.time.isoformat()} comes {latest - event.seconds:.3f} s too"
                " late; sort the events by time first (presence.events.reorder)"
            )
        latest = event.seconds
        yield event


def _is_small(engine: RecordingEngine, most: int) -> bool:
    """Whether the joint chain can be followed: few states, no seats."""
    size = float(engine.model.states.size) ** len(engine.names)
    return size <= most and not engine.seats


# --- the past and the future ------------------------------------------------------------------------------------------
def _futures(engine: RecordingEngine, stretch: Stretch) -> Iterator[tuple[int, reversal.Future]]:
    """(operations done by then, the likelihood of what follows), from the end of a stretch to its beginning."""
    rules = _rules(engine)
    weights = engine.model.world(stretch.end.hours).sight.weights
    future = reversal.nothing_follows(weights, len(engine.seats))
    yield len(stretch.tape), future
    for number in range(len(stretch.tape) - 1, -1, -1):
        future = reversal.undo(stretch.tape[number], future, rules)
        yield number, future


def looked_back(engine: RecordingEngine, stretch: Stretch) -> Iterator[Snapshot]:
    """What is believed with hindsight at each instant that is told of a stretch, the latest first; takes them out."""
    waiting = stretch.told
    for number, future in _futures(engine, stretch):
        while waiting and waiting[-1][0] == number:
            snapshot = waiting.pop()[1]
            yield snapshot._replace(mixture=reversal.combine(snapshot.mixture, future))
        if not waiting:
            return


def _by_hypotheses(engine: RecordingEngine, stretch: Stretch) -> list[Belief]:
    """Beliefs from the hypotheses of the past and of the future."""
    return [engine.belief(snapshot) for snapshot in looked_back(engine, stretch)][::-1]


def _exact(engine: RecordingEngine, stretch: Stretch, joint: Array | None) -> tuple[list[Belief], Array]:
    """Beliefs from the joint chain of all beings, and that chain's filtered distribution where the chunk ends."""
    joint = _initial(stretch.begin.mixture) if joint is None else joint
    points = sorted({n for n, _ in stretch.told} | {stretch.done})
    smoothed, filtered = exact.smooth(joint, stretch.tape, points)
    by_point = dict(zip(points, smoothed, strict=True))
    beliefs = [
        engine.belief(snapshot._replace(mixture=_as_mixture(by_point[n], snapshot.mixture)))
        for n, snapshot in stretch.told
    ]
    return beliefs, filtered[points.index(stretch.done)]


def _initial(mixture: Mixture) -> Array:
    """The joint array of a mixture."""
    joint = np.zeros((mixture.x.shape[2],) * mixture.x.shape[0])
    for k, weight in enumerate(mixture.weight):
        joint += weight * exact.independent(mixture.x[:, k])
    return joint


def _as_mixture(joint: Array, like: Mixture) -> Mixture:
    """A joint array as hypotheses in which all but the last being are known: exact."""
    states, chains = joint.shape[0], joint.ndim
    rows = joint.reshape(-1, states)
    weight = rows.sum(axis=1)
    kept = np.flatnonzero(weight > 0.0)
    known = (
        np.array(np.unravel_index(kept, joint.shape[:-1]), dtype=np.intp) if chains > 1 else np.zeros((0, 1), np.intp)
    )
    x = np.concatenate([np.eye(states)[known], (rows[kept] / weight[kept, None])[None]])
    empty = np.zeros((len(kept), 0, like.labels.shape[2]))
    ghosts, cause = np.zeros((len(kept), 0, 3)), np.zeros((len(kept), chains + 1))
    return Mixture(x, weight[kept] / weight[kept].sum(), empty, ghosts, cause)


def _rules(engine: RecordingEngine) -> reversal.Rules:
    return reversal.Rules(engine.most, engine.ghost_rates)


# --- paths ------------------------------------------------------------------------------------------------------------
def _path(engine: RecordingEngine, stretch: Stretch, latest: IndexArray | None, joint_states: int) -> IndexArray:
    """States of all beings at the beginning of a stretch and after each operation, going on from where they were."""
    begin = stretch.begin.mixture
    if not engine.names:
        return np.empty((1 + len(stretch.tape), 0), dtype=np.intp)
    if latest is not None:
        known = np.eye(engine.model.states.size)[latest]
        begin = start(known, len(engine.seats))
    if _is_small(engine, joint_states):
        return exact.best_path(exact.independent(begin.x[:, 0]), stretch.tape)[0]
    return likeliest_paths(begin, stretch.tape, _rules(engine))
