"""How time passes in the inference: silence, what falls due, windows that close; and what every event shares."""

from __future__ import annotations

from collections.abc import Collection, Hashable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from presence import first_passage
from presence.events import Event
from presence.floorplan import Floorplan
from presence.hypotheses import Caused, Way, branch, reweigh, scaled, start
from presence.lingering import blind_time, off_lost
from presence.merging import Mixture, fewer
from presence.model import Model
from presence.passages import Passage, labels_of, read_label, tracks
from presence.places import bedroom_doors, seats_report
from presence.propagation import propagate
from presence.recent import Derived, Recent
from presence.resting import Rest
from presence.settings import Settings
from presence.sides import note_first_passage
from presence.snapshot import Association, Snapshot, replace
from presence.times import utc
from presence.witness import witness
from presence.world import World

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]


def alike(plan: Floorplan) -> list[list[str]]:
    """Residents in groups within which the plan tells nobody apart: no phone, tag, codes, bed or hours of their own."""
    known = {s.person for s in plan.sensors.values() if s.kind in ("phone", "badge")}
    groups: dict[Hashable, list[str]] = {}
    for person in plan.people.values():
        alone = person.id if person.id in known else frozenset(person.codes)
        groups.setdefault((alone, person.bed, person.awake), []).append(person.id)
    return list(groups.values())


def first_noticed(plan: Floorplan, names: Sequence[str], known: Collection[str] = ()) -> Array | None:
    """Factors (P,) that number people whom the plan cannot tell apart in the order in which they are noticed.

    Such people are exchangeable: the belief is the same under every renaming. So the first event may be given to the
    first of them (times their number: the likelihood stays the same), and the names stand for tracks from then on.
    None where the plan tells everybody apart. Residents `known` by places of their own are told apart, too.
    """
    groups = [[name] for name in plan.people if name in known]
    groups += [others for group in alike(plan) if (others := [name for name in group if name not in known])]
    factors = np.ones(len(names))
    for group in groups:
        factors[[names.index(name) for name in group]] = 0.0
        factors[names.index(group[0])] = len(group)
    return None if len(groups) == len(plan.people) else factors


class EngineCore:
    """The part of the inference in which time passes, and what every event shares."""

    def __init__(self, plan: Floorplan, settings: Settings, hypotheses: int | None, *, numbering: bool = False) -> None:
        self.plan = plan
        self.settings = settings
        self.model = Model(plan, settings)
        self.most = hypotheses
        self.names = [being.id for being in self.model.beings]
        self.seats = [s.id for s in plan.sensors.values() if s.kind == "pressure"]
        self.rest_is_told = seats_report(plan)
        self.bedroom_doors = bedroom_doors(plan)
        self.numbers = first_noticed(plan, self.names, settings.own_places) if numbering else None
        self._labels: Derived[Array] = Derived(8)
        self._rests: Recent[Rest] = Recent(256)
        self.ghost_rates = np.array([0.0, settings.seat_brief_rate, settings.seat_stuck_rate])

    def start(self, seconds: float) -> Snapshot:
        """Before any evidence everybody is where they usually are at this hour: hardly away in their sleeping hours.

        A sensor that sees still people may have been on since before the log, and a bedroom's door have stood open:
        their silence tells nothing yet.
        """
        hours, change_at = self.model.hours(seconds)
        usual = self.model.usual(self.model.world(hours).sight, hours)
        mixture = start(usual, len(self.seats), self.model.on_property)
        unknown = {("blind", s.id) for s in self.plan.sensors.values() if s.kind == "occupancy"}
        unknown |= {("unwatched", door) for door in self.bedroom_doors}
        return Snapshot(seconds, mixture, hours, change_at, frozenset(unknown))

    # --- time passes ------------------------------------------------------------------------------------------------
    def advance(self, snapshot: Snapshot, seconds: float) -> tuple[Snapshot, list[Passage]]:
        """Let time pass up to an instant, doing on the way what falls due."""
        told: list[Passage] = []
        while (stop := self._next(snapshot)) <= seconds:
            snapshot = self._silence(snapshot, max(stop, snapshot.seconds))
            if snapshot.due and snapshot.due[0][0] <= stop:
                snapshot = self._fall_due(snapshot)
            if snapshot.change_at <= stop:
                hours, change_at = self.model.hours(stop)
                snapshot = replace(snapshot, hours=hours, change_at=change_at)
            snapshot = self._close_windows(snapshot, told)
        return self._silence(snapshot, seconds), told

    def _next(self, snapshot: Snapshot) -> float:
        """When something falls due next: the hours change, a note, a window closes (epoch seconds)."""
        stops = [snapshot.change_at, *(w.due for w in snapshot.windows)]
        stops += [snapshot.due[0][0]] if snapshot.due else []
        stops += [(p.time.timestamp() + self.settings.passage_window) for p in snapshot.closings[:1]]
        return min(stops)

    def _world(self, snapshot: Snapshot) -> World:
        return self.model.world(snapshot.hours)

    def _silence(self, snapshot: Snapshot, seconds: float) -> Snapshot:
        """Nothing is reported until an instant."""
        dt = seconds - snapshot.seconds
        if dt <= 0:
            return snapshot
        mixture = fewer(snapshot.mixture, self.most)  # a closing leaves more
        moved = self._moved(snapshot, mixture.blocks, dt)
        log_factor: Array | float = 0.0
        if self.seats and mixture.ghosts[:, :, 1:].any():
            ghosts = mixture.ghosts * np.exp(-self.ghost_rates * dt)
            total = ghosts.sum(axis=2)
            log_factor = np.log(total).sum(axis=1)
            mixture = mixture._replace(ghosts=ghosts / total[:, :, None])
        return replace(snapshot, seconds=seconds, mixture=reweigh(mixture, moved, log_factor))

    def _moved(self, snapshot: Snapshot, blocks: Array, dt: float) -> Array:
        """Distributions and their tracked shares, shape (P, K, 1 + 2 T, S), after a silent step."""
        world, conditions, windows = self._world(snapshot), snapshot.conditions, snapshot.windows
        if not self.names:
            return blocks
        openings = [
            (slice(1 + 2 * track, 3 + 2 * track), world.opening(conditions, windows[index].door))
            for track, index in enumerate(tracks(windows))
            if windows[index].accepting and ("open", windows[index].door) in conditions
        ]
        rows, (persons, count, _, states) = blocks, blocks.shape
        if openings:
            rows = blocks.copy()
            for pair, opening in openings:
                rows[:, :, pair.start] *= opening.near
        base, change = world.generators(conditions)
        moved = propagate(base, rows.reshape(persons, -1, states), dt, change).reshape(persons, count, -1, states)
        for pair, opening in openings:
            moved[:, :, pair] = first_passage.advance(blocks[:, :, pair.start], moved[:, :, pair], dt, opening)
        return moved

    def _fall_due(self, snapshot: Snapshot) -> Snapshot:
        """An off message never came."""
        (_, _, sensor), *rest = snapshot.due
        snapshot = replace(snapshot, due=tuple(rest))
        if blind_time(snapshot, self.plan.sensors[sensor]) is not None:  # it never says that it can report again
            snapshot = replace(snapshot, able={**snapshot.able, sensor: snapshot.seconds})
        return self._unschedule(off_lost(snapshot, self.plan.sensors[sensor]), sensor)

    def _witness(self, snapshot: Snapshot, inside: Array, alone: float) -> Snapshot:
        """A sensor stays on: somebody is in its room (`inside`, shape (P, S)), or else it does so with `alone`."""
        return replace(snapshot, mixture=witness(snapshot.mixture, inside, alone, self.most))

    def _inside(self, sensor: str) -> Array:
        """1 for the states in which whoever such a sensor sees, a person or an animal, is in its room, shape (P, S)."""
        inside = np.zeros((len(self.names), self.model.states.size))
        seen = len(self.names) if self.plan.sensors[sensor].kind == "motion" else self.model.persons
        inside[:seen, self._states_in(str(self.plan.sensors[sensor].room))] = 1.0
        return inside

    def _schedule(self, snapshot: Snapshot, at: float, what: str, sensor: str, **others: Any) -> Snapshot:
        """Note that something falls due, one note per sensor and matter; and whatever else is another now."""
        kept = [note for note in snapshot.due if note[1:] != (what, sensor)]
        return replace(snapshot, due=tuple(sorted([*kept, (at, what, sensor)])), **others)

    def _unschedule(self, snapshot: Snapshot, *sensors: str, **others: Any) -> Snapshot:
        """Nothing falls due for some sensors; and whatever else is another now."""
        return replace(snapshot, due=tuple(note for note in snapshot.due if note[2] not in sensors), **others)

    def _close_windows(self, snapshot: Snapshot, told: list[Passage]) -> Snapshot:
        """Tell the final answers of the windows that close now."""
        now = snapshot.seconds
        while snapshot.closings and snapshot.closings[0].time.timestamp() + self.settings.passage_window <= now:
            told.append(replace(snapshot.closings[0], final=True, decided=utc(now)))
            snapshot = replace(snapshot, closings=snapshot.closings[1:])
        closing = [i for i, w in enumerate(snapshot.windows) if w.due <= now]
        if not closing:
            return snapshot
        told += [self._read(snapshot, i, final=True) for i in closing]
        return self._without(snapshot, closing)

    def _read(self, snapshot: Snapshot, index: int, *, final: bool) -> Passage:
        """The answer of a window as it is known now."""
        label = self._label(snapshot, index)
        return read_label(self.plan, snapshot.windows[index], label, self.names, snapshot.seconds, final=final)

    def _label(self, snapshot: Snapshot, index: int) -> Array:
        """Over all hypotheses: nobody passed in a window, each being forth, each back. Shape (1 + 2 P,)."""
        mixture = snapshot.mixture
        return self._labels.of(mixture, lambda: mixture.weight @ labels_of(mixture, snapshot.windows, index), index)

    def _untrack(self, snapshot: Snapshot, indices: Collection[int]) -> Snapshot:
        """Windows whose labels are no longer part of each being's distribution."""
        mixture, windows = snapshot.mixture, snapshot.windows
        tracked = tracks(windows)
        if not set(indices) & set(tracked):
            return snapshot
        labels = mixture.labels.copy()
        for i in sorted(set(indices) & set(tracked)):
            labels[:, i] = labels_of(mixture, windows, i)
            snapshot = note_first_passage(snapshot, i, self._world(snapshot).near(windows[i].door))
        mixture = snapshot.mixture
        kept = [track for track, i in enumerate(tracked) if i not in indices]
        return replace(
            snapshot,
            windows=tuple(replace(w, tracked=w.tracked and i not in indices) for i, w in enumerate(windows)),
            mixture=mixture._replace(labels=labels, tracks=mixture.tracks[:, :, kept]),
        )

    def _without(self, snapshot: Snapshot, indices: Collection[int]) -> Snapshot:
        """Some windows are no longer needed."""
        snapshot = self._untrack(snapshot, indices)
        left = [i for i in range(len(snapshot.windows)) if i not in indices]
        return replace(
            snapshot,
            windows=tuple(snapshot.windows[i] for i in left),
            mixture=snapshot.mixture._replace(labels=snapshot.mixture.labels[:, left]),
        )

    # --- what every event shares ---
    def _branch(
        self,
        snapshot: Snapshot,
        event: Event,
        ways: list[Way],
        nobody_rate: float | Array,
        accepting: tuple[int, ...] = (),
        ghost: tuple[int, Array, Array] | None = None,
    ) -> Snapshot:
        """Branch on who caused an event, and remember who did."""
        by_itself = nobody_rate + snapshot.noise.get(event.sensor, 0.0)
        nobody = np.full(len(snapshot.mixture.weight), by_itself)
        ways = self._numbered(snapshot, ways)
        settling = [track for track, i in enumerate(tracks(snapshot.windows)) if i in accepting]
        mixture, caused = branch(snapshot.mixture, ways, nobody, self.most, accepting, settling, ghost)
        return self._remember(snapshot, event, mixture, caused)

    def _remember(self, snapshot: Snapshot, event: Event, mixture: Mixture, caused: Caused) -> Snapshot:
        """What is known after an event, and who caused it, with whom the next is compared."""
        association = self._association(event, caused)
        return replace(
            snapshot,
            mixture=mixture,
            association=association,
            same_as_previous=caused.same_as_before,
            holders={**snapshot.holders, event.sensor: association},
        )

    def _numbered(self, snapshot: Snapshot, ways: list[Way]) -> list[Way]:
        """The first event is given to the first of those who cannot be told apart (see `first_noticed`)."""
        if snapshot.holders or self.numbers is None:
            return ways
        return [way._replace(rates=way.rates * self.numbers[:, None, None]) for way in ways]

    def _association(self, event: Event, caused: Caused) -> Association:
        people = dict(zip(self.names, caused.beings.tolist(), strict=True))
        return Association(event.time, event.sensor, event.value, people, caused.nobody)

    def _states_in(self, room: str) -> IndexArray:
        """All states in a room, on its seats too."""
        return self.model.states.select(self.model.states.places_of(room, seats=True))

    def _about(self, snapshot: Snapshot, person: str, likelihood: Array) -> Snapshot:
        """Evidence about one being: a likelihood per state, shape (S,)."""
        factor = np.ones((len(self.names), self.model.states.size))
        factor[self.names.index(person)] = likelihood
        return self._factor(snapshot, factor)

    def _factor(self, snapshot: Snapshot, factor: Array) -> Snapshot:
        """Evidence about each being by itself: a likelihood per state, shape (P, S) or (P, K, S)."""
        return replace(snapshot, mixture=scaled(snapshot.mixture, factor))
