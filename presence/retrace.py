"""The recent past taken apart: every silence and event again, and the log odds of a claim before and after each.

Weight of evidence (Good 1950, "Probability and the Weighing of Evidence", ch. 6) is the logarithm of the factor on the
odds of one claim, and weights of successive evidence add up. Of a room the claim is that somebody is there *now*: at
each earlier instant its odds are those with nothing heard from then on, so that people's moving on is no evidence. A
silence is taken apart in a fixed order, which is exact by the chain rule: with no sensor heard nothing changes, then
one group of sensors after the other is heard to say nothing,

    log odds(after) - log odds(before) = [first group silent] + ... + [all others silent].
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from presence.conditions import report_of
from presence.events import Event
from presence.floorplan import Sensor
from presence.habits import Hours
from presence.hypotheses import Way, reweigh
from presence.inference import Engine
from presence.lost_openings import TrackerEngine
from presence.merging import Mixture
from presence.passages import labels_of
from presence.propagation import Change, Reversible, decompose, propagate
from presence.record import Again, Piece, Step
from presence.sensing import Sight
from presence.snapshot import Snapshot

Array = NDArray[np.float64]
FLOOR = 1e-13
"""Probabilities are exact to about this; nothing is told as surer than this."""


class TracingEngine(TrackerEngine):
    """Does what another engine does, and notes each piece."""

    def __init__(self, engine: Engine) -> None:
        self.__dict__.update(engine.__dict__)
        self.pieces: list[Piece] = []
        self._unheard: dict[Hours, Reversible] = {}
        self._changes: dict[tuple[Hours, tuple[tuple[str, str, float], ...]], Change | None] = {}

    def _silence(self, snapshot: Snapshot, seconds: float) -> Snapshot:
        after = super()._silence(snapshot, seconds)
        if after is not snapshot:
            self.pieces.append(Piece("silence", snapshot, after))
        return after

    def _fall_due(self, snapshot: Snapshot) -> Snapshot:
        _, what, sensor = snapshot.due[0]
        after = super()._fall_due(snapshot)
        self.pieces.append(Piece(what, snapshot, after, sensor=sensor))
        return after

    def _put_back(self, snapshot: Snapshot, event: Event) -> Snapshot | None:
        """What is taken in once more is part of the off report's piece."""
        known = len(self.pieces)
        again = super()._put_back(snapshot, event)
        del self.pieces[known:]
        return again

    def _opened_before(self, snapshot: Snapshot, event: Event, ways: list[Way]) -> list[tuple[float, Snapshot]]:
        """What is taken in once more is part of the closing's piece."""
        known = len(self.pieces)
        earlier = super()._opened_before(snapshot, event, ways)
        del self.pieces[known:]
        return earlier

    # --- what would be believed if some sensors were not heard ------------------------------------------------------
    def unheard(self, hours: Hours) -> Reversible:
        """Movement alone, whether reported or not: the generators with no event rates taken off."""
        if hours not in self._unheard:
            sight = self.model.world(hours).sight
            self._unheard[hours] = decompose(sight.weights, sight.flows, np.zeros_like(sight.weights))
        return self._unheard[hours]

    def ahead(self, pieces: Sequence[Piece], now: Snapshot, room: int) -> dict[float, Array]:
        """For each instant between pieces, how likely everybody is in a room at the end, with nothing heard till then.

        Args:
            pieces: that follow one another.
            now: what is known at their end.
            room: its number in the model.

        Returns:
            By instant (epoch seconds), shape (P, S): from each state.
        """
        beings = len(now.mixture.x)
        inside = np.repeat(self.model.room_of[None, :, room], beings, axis=0)
        found = {now.seconds: inside}
        for piece in reversed(pieces):
            base, dt = self.unheard(piece.before.hours), piece.after.seconds - piece.before.seconds
            if beings and dt > 0.0:  # by reversibility the movement carries what is ahead as it carries distributions
                weights = base.scale**2
                inside = np.minimum(propagate(base, (inside * weights)[:, None], dt)[:, 0] / weights, 1.0)
            found[piece.before.seconds] = inside
        return found

    def take_apart(self, piece: Piece, groups: Sequence[Sequence[Sensor]]) -> list[Mixture]:
        """A silence with each group of sensors heard in addition to the last, and as it was (all heard)."""
        before, after = piece.before, piece.after
        base, heard = self.unheard(before.hours), list[Sensor]()
        mixtures = []
        for group in groups:
            heard += group
            change = self._hearing(before, heard)
            moved = propagate(base, before.mixture.x, after.seconds - before.seconds, change)
            mixtures.append(reweigh(before.mixture, moved[:, :, None]))
        return [*mixtures, after.mixture]

    def _hearing(self, snapshot: Snapshot, sensors: Sequence[Sensor]) -> Change | None:
        """What the silence of some sensors changes; it is the same as long as they can report the same."""
        values = tuple((sensor.id, *audible(snapshot, sensor)) for sensor in sensors)
        key = snapshot.hours, values
        if key not in self._changes:
            sight = self._world(snapshot).sight
            heard = zip(sensors, values, strict=True)
            ways = [way for s, (_, value, share) in heard for way in _ways(sight, s, value, share)]
            self._changes[key] = _silenced(self.unheard(snapshot.hours), ways)
        return self._changes[key]

    # --- log odds, nats ---------------------------------------------------------------------------------------------
    def room_log_odds(self, mixture: Mixture, ahead: Array) -> float:
        """Log odds that at least one person is in a room at the end, as likely from each state as `ahead` says."""
        x, there = mixture.x[: self.model.persons], ahead[: self.model.persons, :, None]
        inside, outside = (x @ there)[:, :, 0], (x @ (1.0 - there))[:, :, 0]
        log_absent = np.where(
            inside < 0.5, np.log1p(-np.minimum(inside, 0.5)), np.log(np.maximum(outside, 1e-300))
        ).sum(axis=0)
        return _log_odds(float(mixture.weight @ -np.expm1(log_absent)), float(mixture.weight @ np.exp(log_absent)))

    def direction_log_odds(self, snapshot: Snapshot, window: int, direction: int) -> float:
        """Log odds that the passage of an open window went one way (0 forth, 1 back)."""
        label = np.maximum(snapshot.mixture.weight @ labels_of(snapshot.mixture, snapshot.windows, window), 0.0)
        persons = len(self.names)
        ways = float(label[0]), float(label[1 : 1 + persons].sum()), float(label[1 + persons :].sum())
        return _log_odds(ways[1 + direction], ways[0] + ways[2 - direction])

    def supposed_log_odds(self, at: Snapshot, earlier: Snapshot, event: Event, direction: int) -> float:
        """Log odds of a direction that a door event would have got at once, had it come at an earlier instant.

        Args:
            at: the snapshot into which the door event came: how doors and sensors stood.
            earlier: the snapshot of the earlier instant: what was believed.
            event: the door event.
            direction: 0 forth, 1 back.
        """
        bare = earlier.mixture.bare
        opened, _ = self.observe(at._replace(mixture=bare, windows=(), noted=(), closings=(), lately=()), event)
        return self.direction_log_odds(opened, len(opened.windows) - 1, direction)


def retrace(engine: TracingEngine, steps: Sequence[Step], now: Snapshot, since: float) -> list[Piece]:
    """Take the steps in again from an instant on, as pieces that follow one another up to what is known now.

    Where a snapshot was kept it is the truth: a piece ends at it, not at what the steps gave again.
    """
    start = max((n for n, s in enumerate(steps) if s.before is not None and s.before.seconds <= since), default=0)
    snapshot = steps[start].before if steps else None
    if snapshot is None:
        return []
    pieces: list[Piece] = []
    begun = False
    for step in steps[start:]:
        if step.before is not None:
            snapshot = step.before
            _end_at(pieces, snapshot)
        taken = _again(engine, step, snapshot)
        if begun:
            pieces += taken.pieces
        elif step.seconds >= since:
            pieces, begun = _from(engine, step, taken, snapshot, since), True
        snapshot = taken.after
    _end_at(pieces, now)
    return pieces


def joined(pieces: Sequence[Piece]) -> list[Piece]:
    """Silences that follow one another with nothing between them as one: where they are cut moves nobody."""
    found: list[Piece] = []
    for piece in pieces:
        last = found[-1] if found else None
        if last is not None and last.what == piece.what == "silence" and _alike(last.before, piece.before):
            found[-1] = last._replace(after=piece.after)
        else:
            found.append(piece)
    return found


def _alike(one: Snapshot, other: Snapshot) -> bool:
    return (one.hours, one.conditions) == (other.hours, other.conditions)


def _again(engine: TracingEngine, step: Step, before: Snapshot) -> Again:
    """A step taken in again, or what that gave when it was done for an earlier question."""
    if not step.again:
        engine.pieces.clear()
        after, _ = engine.advance(before, step.seconds)
        if step.event is not None:
            quiet = after
            after, _ = engine.observe(quiet, step.event)
            engine.pieces.append(Piece("event", quiet, after, step.event, step.event.sensor))
        step.again.append(Again(list(engine.pieces), after))
    return step.again[0]


def _from(engine: TracingEngine, step: Step, taken: Again, before: Snapshot, since: float) -> list[Piece]:
    """The pieces of a step from an instant in the midst of it on."""
    if since <= before.seconds:
        return list(taken.pieces)
    cut, _ = engine.advance(before, since)
    engine.pieces.clear()
    engine.advance(cut, step.seconds)
    rest, event = list(engine.pieces), taken.pieces[-1:] if step.event is not None else []
    _end_at(rest, event[0].before if event else taken.after)
    return rest + event


def audible(snapshot: Snapshot, sensor: Sensor) -> tuple[str, float]:
    """What a sensor can report now: `rest` for what it reports at rest, a value that ends a state, or nothing.

    With it the share of time that its door stands open, where that makes a difference; else 0.
    """
    conditions = snapshot.conditions
    if ("pressed", sensor.id) in conditions:
        return "released", 0.0
    if ("blind", sensor.id) in conditions or ("unwatched", str(sensor.door)) in conditions:
        return "", 0.0
    if sensor.kind != "contact":
        return "rest", 0.0
    shares = [report for what, door in conditions if door == sensor.door and (report := report_of(what))[0]]
    return shares[0] if shares else ("closed" if ("open", sensor.door) in conditions else "rest", 0.0)


def _ways(sight: Sight, sensor: Sensor, value: str, open_share: float) -> list[Way]:
    """The ways of causing what a sensor can report; its silence is evidence against them."""
    if value == "rest":
        return sight.resting_options(sensor)
    return sight.options(sensor, value, open_share=open_share) if value else []


def _silenced(base: Reversible, ways: Sequence[Way]) -> Change | None:
    """The generators less the rates of some events, as a change in symmetric coordinates."""
    states = np.array(sorted({int(i) for way in ways for i in (*way.source, *way.target)}), dtype=np.intp)
    if not states.size:
        return None
    entries = np.zeros((len(base.scale), len(states), len(states)))
    for way in ways:
        if way.companion is not None and not way.companion.asked:  # who lets a guest pass stays; the guest moves alone
            at = np.searchsorted(states, way.source)
            entries[:, at, at] -= way.losses
            continue
        rows, columns = np.searchsorted(states, way.source), np.searchsorted(states, way.target)
        block = np.ix_(np.arange(len(base.scale)), rows, columns)
        entries[block] -= way.times * way.rates * base.scale[:, way.source, None] / base.scale[:, None, way.target]
    return Change(states, entries[base.firsts])


def _end_at(pieces: list[Piece], snapshot: Snapshot) -> None:
    """Let the last piece end at a snapshot that was kept."""
    if pieces:
        pieces[-1] = pieces[-1]._replace(after=snapshot)


def _log_odds(claim: float, other: float) -> float:
    return float(np.log(max(claim, FLOOR)) - np.log(max(other, FLOOR)))
