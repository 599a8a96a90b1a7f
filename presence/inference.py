"""One step of inference in house words: let time pass, take in an event, read the belief.

An `Engine` holds what does not change; a `Snapshot` is everything that does, and is never changed in place.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from presence.events import Event
from presence.floorplan import Floorplan, Sensor
from presence.hypotheses import Caused, Mixture, Way, branch, reweigh, start, witness
from presence.model import Condition, Model, World
from presence.movement import PET
from presence.passages import Passage, Window, inferred_passages, pass_silently, read_label, stop_accepting, utc
from presence.propagation import propagate
from presence.sensing import shared_bed
from presence.settings import Settings

Array = NDArray[np.float64]

FIRST_VALUES = {"motion": "detected", "camera": "person", "switch": "pressed", "power": "started"}
"""Events that are the trace of one being's doing, by sensor kind (besides doors, seats and occupancy)."""
UNKNOWN_HOLD = 60.0
"""Seconds that a sensor without a stated hold is taken to stay on. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Belief:
    """Who is where, at one instant."""

    time: datetime
    rooms: Mapping[str, float]
    """For every room but `away`: probability that at least one person is in it."""
    people: Mapping[str, Mapping[str, float]]
    """For each resident: a distribution over all rooms and `away`."""
    at_home: tuple[float, ...]
    """`at_home[k]`: probability that exactly k people are on the property."""


@dataclass(frozen=True, slots=True)
class Association:
    """Who caused an event; the probabilities sum to 1."""

    time: datetime
    sensor: str
    value: str
    people: Mapping[str, float]
    nobody: float


@dataclass(frozen=True, slots=True)
class DoorUse:
    """How a door stands, and how much of the time it has stood open."""

    open: bool = False
    since: float = 0.0
    open_share: float = 0.2
    weight: float = 3600.0
    """Seconds of experience behind `open_share`."""

    def now(self, seconds: float, *, open: bool) -> DoorUse:
        """After a report that the door is open or closed; experience fades over a week. Common practice, no source."""
        passed = max(0.0, seconds - self.since) if self.since else 0.0
        weight = min(self.weight, 7 * 86400.0)
        share = (self.open_share * weight + passed * self.open) / (weight + passed)
        return DoorUse(open, seconds, share, weight + passed)


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything that changes while events come in."""

    seconds: float
    mixture: Mixture
    sleeping: tuple[bool, ...]
    change_at: float
    """When somebody's sleeping hours next begin or end."""
    conditions: frozenset[Condition] = frozenset()
    due: tuple[tuple[float, str, str], ...] = ()
    """(instant, what, sensor): expiries and renewed witness, in order."""
    doors: Mapping[str, DoorUse] = field(default_factory=dict)
    windows: tuple[Window, ...] = ()
    closings: tuple[Passage, ...] = ()
    """Answers for closings, to be told again when their windows close."""
    holders: Mapping[str, Association] = field(default_factory=dict)
    """Who turned on each sensor that is on."""
    association: Association | None = None
    same_as_previous: float | None = None

    @property
    def time(self) -> datetime:
        """The instant as a UTC time."""
        return utc(self.seconds)


class Engine:
    """The inference of one home."""

    def __init__(self, plan: Floorplan, settings: Settings, hypotheses: int | None) -> None:
        self.plan = plan
        self.settings = settings
        self.model = Model(plan, settings)
        self.most = hypotheses
        self.names = [being.id for being in self.model.beings]
        self.seats = [s.id for s in plan.sensors.values() if s.kind == "pressure"]
        self.ghost_rates = np.array([0.0, settings.seat_brief_rate, settings.seat_stuck_rate])

    def start(self, seconds: float) -> Snapshot:
        """Before any evidence everybody is where they usually are at this hour."""
        sleeping, change_at = self.model.sleeping(seconds)
        weights = self.model.world(sleeping).sight.weights
        mixture = start(weights / weights.sum(axis=1, keepdims=True), len(self.seats))
        return Snapshot(seconds, mixture, sleeping, change_at)

    # --- time passes ------------------------------------------------------------------------------------------------
    def advance(self, snapshot: Snapshot, seconds: float) -> tuple[Snapshot, list[Passage]]:
        """Let time pass up to an instant, doing on the way what falls due."""
        told: list[Passage] = []
        while True:
            stops = [seconds, snapshot.change_at, *(w.due for w in snapshot.windows)]
            stops += [snapshot.due[0][0]] if snapshot.due else []
            stops += [(p.time.timestamp() + self.settings.passage_window) for p in snapshot.closings[:1]]
            stop = min(stops)
            snapshot = self._silence(snapshot, max(stop, snapshot.seconds))
            if stop >= seconds:
                return snapshot, told
            if snapshot.due and snapshot.due[0][0] <= stop:
                snapshot = self._fall_due(snapshot)
            if snapshot.change_at <= stop:
                sleeping, change_at = self.model.sleeping(stop)
                snapshot = replace(snapshot, sleeping=sleeping, change_at=change_at)
            snapshot = self._close_windows(snapshot, told)

    def _world(self, snapshot: Snapshot) -> World:
        return self.model.world(snapshot.sleeping)

    def _silence(self, snapshot: Snapshot, seconds: float) -> Snapshot:
        """Nothing is reported until an instant."""
        dt = seconds - snapshot.seconds
        if dt <= 0:
            return snapshot
        world, mixture = self._world(snapshot), snapshot.mixture
        moved = propagate(world.base, mixture.x, dt, world.change(snapshot.conditions))
        if snapshot.windows:
            labels = self._labels_after(snapshot, world, moved, dt)
            mixture = mixture._replace(labels=labels)
        log_factor: Array | float = 0.0
        if self.seats and mixture.ghosts[:, :, 1:].any():
            ghosts = mixture.ghosts * np.exp(-self.ghost_rates * dt)
            total = ghosts.sum(axis=2)
            log_factor = np.log(total).sum(axis=1)
            mixture = mixture._replace(ghosts=ghosts / total[:, :, None])
        return replace(snapshot, seconds=seconds, mixture=reweigh(mixture, moved, log_factor))

    def _labels_after(self, snapshot: Snapshot, world: World, moved: Array, dt: float) -> Array:
        """Labels after silent passages through doors that stand open (trapezoid rule on the moving mass)."""
        flows = {}
        for door in {w.door for w in snapshot.windows if w.accepting}:
            if not snapshot.doors.get(door, DoorUse()).open:
                continue
            before, after = snapshot.mixture.x, moved / np.maximum(moved.sum(axis=2, keepdims=True), 1e-300)
            ways = world.passing_rates(door)
            flows[door] = tuple(
                sum(rate[:, None] * (before[:, :, i] + after[:, :, i]) * min(dt, 15.0) / 2 for i, rate in way)
                for way in ways
            )
        return pass_silently(snapshot.mixture.labels, snapshot.windows, flows)

    def _fall_due(self, snapshot: Snapshot) -> Snapshot:
        """An off message that never came, or a sensor that bears witness again."""
        (at, what, sensor), *rest = snapshot.due
        snapshot = replace(snapshot, due=tuple(rest))
        if what == "expire":
            return replace(snapshot, conditions=snapshot.conditions - {("blind", sensor)})
        there = self.model.states.select(self.model.states.places_of(str(self.plan.sensors[sensor].room), seats=True))
        inside = np.zeros((len(self.names), self.model.states.size))
        inside[: self.model.persons, there] = 1.0
        mixture = witness(snapshot.mixture, inside, self.settings.occupancy_stuck, self.most)
        return self._schedule(
            replace(snapshot, mixture=mixture), at + self.settings.occupancy_refresh, "witness", sensor
        )

    def _schedule(self, snapshot: Snapshot, at: float, what: str, sensor: str) -> Snapshot:
        """Note that something falls due; one note per sensor and matter."""
        kept = [note for note in snapshot.due if note[1:] != (what, sensor)]
        return replace(snapshot, due=tuple(sorted([*kept, (at, what, sensor)])))

    def _unschedule(self, snapshot: Snapshot, sensor: str) -> Snapshot:
        return replace(snapshot, due=tuple(note for note in snapshot.due if note[2] != sensor))

    def _close_windows(self, snapshot: Snapshot, told: list[Passage]) -> Snapshot:
        """Tell the final answers of the windows that close now."""
        now = snapshot.seconds
        while snapshot.closings and snapshot.closings[0].time.timestamp() + self.settings.passage_window <= now:
            told.append(replace(snapshot.closings[0], final=True, decided=utc(now)))
            snapshot = replace(snapshot, closings=snapshot.closings[1:])
        closing = [i for i, w in enumerate(snapshot.windows) if w.due <= now]
        if not closing:
            return snapshot
        mixture = snapshot.mixture
        for i in closing:
            label = mixture.weight @ mixture.labels[:, i]
            told.append(read_label(self.plan, snapshot.windows[i], label, self.names, now, final=True))
        left = [i for i in range(len(snapshot.windows)) if i not in closing]
        return replace(
            snapshot,
            windows=tuple(snapshot.windows[i] for i in left),
            mixture=mixture._replace(labels=mixture.labels[:, left]),
        )

    # --- an event ---------------------------------------------------------------------------------------------------
    def observe(self, snapshot: Snapshot, event: Event) -> tuple[Snapshot, list[Passage]]:
        """Take in an event at the snapshot's own instant."""
        sensor = self.plan.sensors[event.sensor]
        if event.value in ("offline", "online"):
            return self._reachable(snapshot, sensor, event.value == "online"), []
        told: list[Passage] = []
        if sensor.kind in ("phone", "badge"):
            snapshot = self._report(snapshot, sensor, event.value)
        elif sensor.kind in ("contact", "lock"):
            snapshot = self._door(snapshot, sensor, event, told)
        elif sensor.kind == "pressure":
            snapshot = self._seat(snapshot, sensor, event)
        elif event.value in ("clear", "vacant", "stopped"):
            snapshot = self._off(snapshot, sensor, event)
        else:
            snapshot = self._on(snapshot, sensor, event, told)
        return self._retell(snapshot, told), told

    def _branch(
        self,
        snapshot: Snapshot,
        event: Event,
        ways: list[Way],
        nobody_rate: float | Array,
        accepting: tuple[int, ...] = (),
    ) -> Snapshot:
        """Branch on who caused an event, and remember who did."""
        nobody = np.broadcast_to(nobody_rate, (len(snapshot.mixture.weight),))
        mixture, caused = branch(snapshot.mixture, ways, nobody, self.most, accepting)
        association = self._association(event, caused)
        return replace(
            snapshot,
            mixture=mixture,
            association=association,
            same_as_previous=caused.same_as_before,
            holders={**snapshot.holders, event.sensor: association},
        )

    def _association(self, event: Event, caused: Caused) -> Association:
        people = {name: float(p) for name, p in zip(self.names, caused.beings, strict=True)}
        return Association(event.time, event.sensor, event.value, people, caused.nobody)

    def _on(self, snapshot: Snapshot, sensor: Sensor, event: Event, told: list[Passage]) -> Snapshot:
        """A motion, occupancy or camera sensor turns on; a switch is pressed; an appliance is started."""
        lasting = sensor.kind in ("motion", "occupancy", "camera")
        blind = ("blind", sensor.id)
        if lasting and blind in snapshot.conditions and self._lost_off(snapshot, sensor):
            snapshot = replace(snapshot, conditions=snapshot.conditions - {blind})
        if not (lasting and blind in snapshot.conditions):
            s = self.settings
            nobody = s.motion_false_alarm_rate if sensor.kind in ("motion", "occupancy") else s.object_false_alarm_rate
            before = snapshot.mixture
            snapshot = self._branch(snapshot, event, self._world(snapshot).ways(sensor.id, event.value), nobody)
            told += self._inferred(snapshot, before)
        elif sensor.id in snapshot.holders:  # on already: nothing new
            snapshot = replace(
                snapshot, association=replace(snapshot.holders[sensor.id], time=event.time, value=event.value)
            )
        if not lasting:
            return snapshot
        snapshot = replace(snapshot, conditions=snapshot.conditions | {blind})
        if sensor.kind == "occupancy":
            return self._schedule(snapshot, snapshot.seconds + self.settings.occupancy_refresh, "witness", sensor.id)
        hold = sensor.hold or UNKNOWN_HOLD
        patience = self.settings.hold_expiry * (hold + 1.0)
        return self._schedule(snapshot, snapshot.seconds + patience, "expire", sensor.id)

    def _lost_off(self, snapshot: Snapshot, sensor: Sensor) -> bool:
        """A sensor that turns on again well after its hold must have been off in between."""
        holder = snapshot.holders.get(sensor.id)
        return holder is not None and snapshot.seconds - holder.time.timestamp() > 2.0 * (sensor.hold or 0.0) + 1.0

    def _off(self, snapshot: Snapshot, sensor: Sensor, event: Event) -> Snapshot:
        """A sensor turns off; one that sees still people says that nobody is there."""
        if sensor.kind == "occupancy" and sensor.room is not None:
            there = self.model.states.select(self.model.states.places_of(sensor.room, seats=True))
            factor = np.ones((len(self.names), self.model.states.size))
            factor[: self.model.persons, there] = self.settings.badge_error
            snapshot = self._factor(snapshot, factor)
        if event.value != "stopped":
            snapshot = replace(snapshot, conditions=snapshot.conditions - {("blind", sensor.id)})
            snapshot = self._unschedule(snapshot, sensor.id)
        holder = snapshot.holders.get(sensor.id)
        if holder is not None:
            snapshot = replace(snapshot, association=replace(holder, time=event.time, value=event.value))
        return snapshot

    def _people(self) -> list[int]:
        return [p for p, being in enumerate(self.model.beings) if being.role != PET]

    def _factor(self, snapshot: Snapshot, factor: Array) -> Snapshot:
        """Evidence about each being by itself: a factor per state, shape (P, S)."""
        return replace(snapshot, mixture=reweigh(snapshot.mixture, snapshot.mixture.x * factor[:, None, :]))

    def _report(self, snapshot: Snapshot, sensor: Sensor, value: str) -> Snapshot:
        """A phone or a tag says where its owner is: a likelihood, not a switch."""
        if sensor.person is None or sensor.person not in self.names:
            return snapshot
        room, states = self.model.states.room, self.model.states
        if sensor.kind == "phone":
            error = self.settings.phone_error
            agrees = (room == self.model.away) == (value == "away")
            likelihood = np.where(agrees, 1 - error, error)
        else:
            error = self.settings.badge_error
            agrees = room == states.rooms.index(value)
            likelihood = np.where(agrees, 1 - error, error / max(1, len(states.rooms) - 1))
        factor = np.ones((len(self.names), states.size))
        factor[self.names.index(sensor.person)] = likelihood
        return self._factor(snapshot, factor)

    def _seat(self, snapshot: Snapshot, sensor: Sensor, event: Event) -> Snapshot:
        """A seat, bed or mat is taken or left; or it reports by itself, for a moment or stuck."""
        pressed = event.value == "pressed"
        condition, index = ("pressed", sensor.id), self.seats.index(sensor.id)
        if (condition in snapshot.conditions) == pressed:
            return snapshot
        s, ghosts = self.settings, snapshot.mixture.ghosts
        nobody: Array | float = s.seat_false_alarm_rate
        if not pressed:
            nobody = ghosts[:, index] @ self.ghost_rates + s.object_false_alarm_rate
        persons = len(self.names)
        snapshot = self._branch(snapshot, event, self._world(snapshot).ways(sensor.id, event.value), nobody)
        ghosts = snapshot.mixture.ghosts.copy()
        by_itself = snapshot.mixture.cause[:, persons] if pressed else np.zeros(len(ghosts))
        ghosts[:, index, 0] = 1 - by_itself
        ghosts[:, index, 1] = by_itself * (1 - s.seat_stuck_share)
        ghosts[:, index, 2] = by_itself * s.seat_stuck_share
        conditions = snapshot.conditions | {condition} if pressed else snapshot.conditions - {condition}
        snapshot = replace(snapshot, mixture=snapshot.mixture._replace(ghosts=ghosts), conditions=conditions)
        return snapshot if not pressed or shared_bed(self.plan, sensor) else self._one_each(snapshot, sensor)

    def _one_each(self, snapshot: Snapshot, sensor: Sensor) -> Snapshot:
        """A seat that somebody has just taken is not taken by others as well."""
        mixture = snapshot.mixture
        place = next(i for i, p in enumerate(self.model.states.places) if p.seat == sensor.id)
        there = self.model.states.select([place])
        took = mixture.cause[:, :-1].T  # (P, K)
        x = mixture.x.copy()
        x[:, :, there] *= (took + (1.0 - took) * self.settings.seat_shared_share)[:, :, None]
        return replace(snapshot, mixture=reweigh(mixture, x))

    def _reachable(self, snapshot: Snapshot, sensor: Sensor, online: bool) -> Snapshot:
        """A sensor says that it can or cannot report."""
        name = sensor.door if sensor.kind == "contact" else sensor.id
        condition = ("unwatched" if sensor.kind == "contact" else "blind", str(name))
        conditions = snapshot.conditions - {condition} if online else snapshot.conditions | {condition}
        return self._unschedule(replace(snapshot, conditions=conditions), sensor.id)

    # --- doors ------------------------------------------------------------------------------------------------------
    def _door(self, snapshot: Snapshot, sensor: Sensor, event: Event, told: list[Passage]) -> Snapshot:
        """A contact or a lock reports: who was it, and which way did they go?"""
        door = str(sensor.door)
        use = snapshot.doors.get(door, DoorUse())
        world = self._world(snapshot)
        opening = event.value in ("open", "unlocked")
        missed = event.value == "closed" and not use.open and use.since > 0
        if opening or missed:
            ways = world.ways(sensor.id, "open" if missed else event.value, event.by)
            if event.code is not None:
                ways = [w._replace(rates=w.rates * self._code_share(event.code)[:, None, None]) for w in ways]
            snapshot = self._open_window(snapshot, door)
            accepting = tuple(i for i, w in enumerate(snapshot.windows) if w.accepting and w.door == door)
            snapshot = self._branch(snapshot, event, ways, self.settings.door_false_alarm_rate, accepting)
            told.append(self._read(snapshot, len(snapshot.windows) - 1, final=False))
        else:
            ways = world.ways(sensor.id, event.value, event.by, round(use.open_share, 1))
            snapshot = self._branch(snapshot, event, ways, self.settings.door_false_alarm_rate * 10)
            snapshot = self._tell_closing(snapshot, door, told)
        if sensor.kind == "contact":
            snapshot = self._stand(snapshot, door, use, open=event.value == "open")
        return snapshot

    def _code_share(self, code: str) -> Array:
        """How likely each being is to use this code, relative to its owner."""
        owners = {person.id for person in self.plan.people.values() if code in person.codes}
        others = self.settings.code_slip if owners else 1.0
        return np.array([1.0 if name in owners else others for name in self.names])

    def _stand(self, snapshot: Snapshot, door: str, use: DoorUse, *, open: bool) -> Snapshot:
        condition = ("open", door)
        conditions = snapshot.conditions | {condition} if open else snapshot.conditions - {condition}
        windows = snapshot.windows if open else stop_accepting(snapshot.windows, door)
        doors = {**snapshot.doors, door: use.now(snapshot.seconds, open=open)}
        return replace(snapshot, conditions=conditions, doors=doors, windows=windows)

    def _open_window(self, snapshot: Snapshot, door: str) -> Snapshot:
        """A new window; an earlier one of this door still accepts while the door has not closed."""
        due = snapshot.seconds + self.settings.passage_window
        labels = snapshot.mixture.labels
        fresh = np.zeros((labels.shape[0], 1, labels.shape[2]))
        fresh[:, :, 0] = 1.0
        return replace(
            snapshot,
            windows=(*snapshot.windows, Window(snapshot.seconds, door, due, accepting=True)),
            mixture=snapshot.mixture._replace(labels=np.concatenate([labels, fresh], axis=1)),
        )

    def _read(self, snapshot: Snapshot, index: int, *, final: bool) -> Passage:
        label = snapshot.mixture.weight @ snapshot.mixture.labels[:, index]
        return read_label(self.plan, snapshot.windows[index], label, self.names, snapshot.seconds, final=final)

    def _tell_closing(self, snapshot: Snapshot, door: str, told: list[Passage]) -> Snapshot:
        """Closing a door is not a second passage: say so, at once and when its window closes."""
        same = [i for i, w in enumerate(snapshot.windows) if w.door == door]
        first, second = self.plan.doors[door].between
        share = 0.05
        if same:
            answer = self._read(snapshot, same[-1], final=False)
            directions = {key: share * p for key, p in answer.directions.items()}
            who: Mapping[str, float] = {key: share * p for key, p in answer.people.items()}
        else:
            directions = {f"{first}>{second}": share / 4, f"{second}>{first}": share / 4}
            who = dict.fromkeys(self.names, share / 2 / max(1, len(self.names)))
        nobody = 1.0 - sum(directions.values())
        passage = Passage(snapshot.time, snapshot.time, door, directions, nobody, who, final=False)
        told.append(passage)
        return replace(snapshot, closings=(*snapshot.closings, passage))

    def _retell(self, snapshot: Snapshot, told: list[Passage]) -> Snapshot:
        """Tell an open window again when its likeliest answer has changed."""
        windows = list(snapshot.windows)
        persons = len(self.names)
        for i, window in enumerate(windows):
            label = snapshot.mixture.weight @ snapshot.mixture.labels[:, i]
            sums = (label[0], label[1 : 1 + persons].sum(), label[1 + persons :].sum())
            likeliest = int(np.argmax(sums))
            if likeliest != window.told:
                windows[i] = replace(window, told=likeliest)
                if window.told >= 0:
                    told.append(self._read(snapshot, i, final=False))
        return replace(snapshot, windows=tuple(windows))

    def _inferred(self, snapshot: Snapshot, before: Mixture) -> list[Passage]:
        """Passages through doors without sensors, told where the belief moves."""
        people = self._people()
        old = (before.weight[:, None] * before.x[people]).sum(axis=1) @ self.model.room_of
        new = (snapshot.mixture.weight[:, None] * snapshot.mixture.x[people]).sum(axis=1) @ self.model.room_of
        if (old.argmax(axis=1) == new.argmax(axis=1)).all():
            return []
        return list(inferred_passages(self.plan, [self.names[p] for p in people], old, new, snapshot.seconds))

    # --- reading ----------------------------------------------------------------------------------------------------
    def belief(self, snapshot: Snapshot) -> Belief:
        """Read rooms, people and the count from the hypotheses."""
        mixture, model = snapshot.mixture, self.model
        people = self._people()
        rooms = mixture.x[people] @ model.room_of  # (P, K, R)
        someone = mixture.weight @ (1.0 - np.prod(1.0 - np.minimum(rooms, 1.0), axis=0))
        each = np.einsum("k,pkr->pr", mixture.weight, rooms)
        away = np.minimum(rooms[:, :, model.away], 1.0)  # (P, K)
        count = np.zeros((len(mixture.weight), len(people) + 1))
        count[:, 0] = 1.0
        for gone in away:  # Poisson-binomial, one person at a time
            count[:, 1:] = count[:, 1:] * gone[:, None] + count[:, :-1] * (1 - gone)[:, None]
            count[:, 0] *= gone
        at_home = mixture.weight @ count
        return Belief(
            snapshot.time,
            {room: float(min(1.0, p)) for room, p in zip(model.states.rooms, someone, strict=True) if room != "away"},
            {
                name: {room: float(p) for room, p in zip(model.states.rooms, row / row.sum(), strict=True)}
                for name, row in zip(self.names[: len(self.plan.people)], each, strict=False)
            },
            tuple(float(p) for p in at_home / at_home.sum()),
        )
