"""The exact joint filter as an engine inside the tracker, to be timed against the hypotheses on equal terms.

It keeps `p(x_1..x_P, labels)` whole: an axis of S states for each being, one of 1 + 2 P labels for each open window.
Movement, sensing, conditions, what falls due, windows, passages, off reports put back, the watch over the sensors, the
order of late events and the reading of the belief are the tracker's own. What it does not have, for each would take a
further axis: who has passed while a door stands open (`first_passage`), who has come back by the time it closes
(`Mixture.sides`), and whether one being caused this event and the one before. What a sensor's lost off message is worth
is read from the marginals. Seats, sensors of still people and visitors are not in the homes that are timed, so it
refuses them.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence import Belief, Event, Floorplan, Settings, Tracker
from presence.floorplan import Sensor
from presence.health import Monitor
from presence.hypotheses import Caused, Companion, Way
from presence.lost_openings import TrackerEngine
from presence.merging import NO_TRACKS, Mixture
from presence.passages import Window
from presence.propagation import Change, Reversible, propagate
from presence.snapshot import Snapshot, replace

Array = NDArray[np.float64]


class Joint(NamedTuple):
    """The joint distribution, in the place of a mixture; with one hypothesis of its marginals for those who ask."""

    joint: Array
    """Shape (S,) * P + (1 + 2 P,) * W, sums to 1."""
    x: Array
    """Shape (P, 1, S): marginals."""
    weight: Array
    labels: Array
    log_likelihood: float = 0.0
    merged: float = 0.0
    tracks: Array = NO_TRACKS


def joint_of(joint: Array, persons: int, log_likelihood: float) -> Joint:
    """Normalise a joint distribution, and read its marginals."""
    total = float(joint.sum())
    joint = joint / total
    axes = tuple(range(joint.ndim))
    x = np.array([joint.sum(axis=axes[:p] + axes[p + 1 :]) for p in range(persons)])[:, None]
    return Joint(joint, x, np.ones(1), np.zeros((1, joint.ndim - persons, 0)), log_likelihood + float(np.log(total)))


class JointEngine(TrackerEngine):
    """The inference of one home with the exact joint filter."""

    def __init__(self, plan: Floorplan, settings: Settings) -> None:
        super().__init__(plan, settings, 1, numbering=True)
        if plan.visitors or self.seats or any(s.kind == "occupancy" for s in plan.sensors.values()):
            raise ValueError("the joint filter is timed in homes without visitors, seats and sensors of still people")
        self._own: dict[tuple[int, int], tuple[Reversible, Reversible]] = {}

    def start(self, seconds: float) -> Snapshot:
        """Everybody where they usually are, independently."""
        snapshot = super().start(seconds)
        joint: Array = np.ones(())
        for row in snapshot.mixture.x[:, 0]:
            joint = np.multiply.outer(joint, row)
        return _with(snapshot, joint_of(joint, len(self.names), 0.0))

    def _silence(self, snapshot: Snapshot, seconds: float) -> Snapshot:
        dt = seconds - snapshot.seconds
        if dt <= 0:
            return snapshot
        base, change = self._world(snapshot).generators(snapshot.conditions)
        joint = _of(snapshot).joint
        for being in range(len(self.names)):
            rows = np.moveaxis(joint, being, -1)
            kind = base.kind(being)
            own = None if change is None else Change(change.states, change.entries[kind : kind + 1])
            moved = propagate(self._alone(base, being), rows.reshape(1, -1, rows.shape[-1]), dt, own)
            joint = np.moveaxis(moved.reshape(rows.shape), -1, being)
        return self._given(replace(snapshot, seconds=seconds), joint)

    def _given(self, snapshot: Snapshot, joint: Array) -> Snapshot:
        """What is known, with a joint distribution that is not normalised."""
        return _with(snapshot, joint_of(joint, len(self.names), _of(snapshot).log_likelihood))

    def _alone(self, base: Reversible, being: int) -> Reversible:
        """The generator of one being, taken out once."""
        known = self._own.get((id(base), being))
        if known is None or known[0] is not base:
            known = self._own[id(base), being] = base, base.of(being)
        return known[1]

    def _branch(
        self,
        snapshot: Snapshot,
        event: Event,
        ways: list[Way],
        nobody_rate: float | Array,
        accepting: tuple[int, ...] = (),
        ghost: Any = None,
    ) -> Snapshot:
        joint = _of(snapshot).joint
        moved, masses = self._caused(joint, self._numbered(snapshot, ways), accepting)
        marked = (nobody_rate + snapshot.noise.get(event.sensor, 0.0)) * joint
        nobody = float(marked.sum())
        total = nobody + float(masses.sum())
        association = self._association(event, Caused(masses / total, nobody / total, 0.0))
        holders = {**snapshot.holders, event.sensor: association}
        snapshot = replace(snapshot, association=association, holders=holders)
        return self._given(snapshot, marked + moved)

    def _set_off(self, snapshot: Snapshot, event: Event, ways: list[Way], nobody: float) -> Snapshot:
        joint, persons = _of(snapshot).joint, len(self.names)
        rate, seen = np.full((1,) * joint.ndim, nobody), np.zeros(1 + 2 * persons)
        for index, by_label in self._newly_opened(snapshot, event, ways):
            rate = rate + by_label.reshape([-1 if axis == persons + index else 1 for axis in range(joint.ndim)])
            seen += by_label * self._label(snapshot, index)
        others = nobody + snapshot.noise.get(event.sensor, 0.0)
        return self._theirs_too(self._branch(snapshot, event, ways, rate), event, seen, others)

    def _caused(self, joint: Array, ways: list[Way], accepting: tuple[int, ...] = ()) -> tuple[Array, Array]:
        """The joint after each being caused an event at its rates, summed; and how much of it each did."""
        persons = len(self.names)
        caused, masses = np.zeros_like(joint), np.zeros(persons)
        for being in range(persons):
            rows = np.moveaxis(joint, being, 0)
            for way in ways:
                part = np.tensordot(way.rates[being], rows[way.source], axes=(0, 0))
                masses[being] += way.times * part.sum()
                for window in accepting if way.label else ():
                    part = _settled(part, persons + window, 1 + (way.label - 1) * persons + being)
                if way.companion is None:
                    np.moveaxis(caused, being, 0)[way.target] += part
                    continue
                passed = np.zeros_like(joint)
                np.moveaxis(passed, being, 0)[way.target] = part
                caused += sum(_asked(passed, way.companion, other) for other in way.companion.beings if other != being)
        return caused, masses

    def _factor(self, snapshot: Snapshot, factor: Array) -> Snapshot:
        joint = _of(snapshot).joint
        for being, likelihood in enumerate(factor):
            joint = joint * likelihood.reshape([-1 if axis == being else 1 for axis in range(joint.ndim)])
        return self._given(snapshot, joint)

    def _witness(self, snapshot: Snapshot, inside: Array, alone: float) -> Snapshot:
        return self._given(snapshot, _of(snapshot).joint * (1.0 - (1.0 - alone) * self._nobody(snapshot, inside)))

    def _nobody(self, snapshot: Snapshot, inside: Array) -> Array:
        """1 where nobody is in the states that count (`inside`, shape (P, S)), else 0, for the axes of a joint."""
        return _product(1.0 - inside, len(snapshot.windows))

    def _nobody_in_sight(self, snapshot: Snapshot, sensor: Sensor) -> float:
        return float((_of(snapshot).joint * self._nobody(snapshot, self._inside(sensor.id))).sum())

    def _moved_last(self, snapshot: Snapshot, sensor: Sensor) -> Mixture:
        """Alike whoever is in sight, as in each hypothesis; by their rates among those who are."""
        joint, inside = _of(snapshot).joint, self._inside(sensor.id)
        ways = self._world(snapshot).ways(sensor.id, "detected")
        by_itself = self._false_alarm_rate(snapshot, sensor) + snapshot.noise.get(sensor.id, 0.0)
        after = self.settings.occupancy_lost * joint * self._nobody(snapshot, inside)
        for here in list(np.ndindex(*(2,) * len(self.names)))[1:]:
            part = joint * _product(np.where(np.array(here)[:, None], inside, 1.0 - inside), len(snapshot.windows))
            if (share := float(part.sum())) > 0.0:
                moved, masses = self._caused(part, ways)
                after += share / (float(masses.sum()) + by_itself * share) * (moved + by_itself * part)
        return self._given(snapshot, after).mixture

    def _mixed(self, stories: Sequence[Snapshot]) -> Mixture:
        known = [_of(story) for story in stories]
        most = max(each.log_likelihood for each in known)
        joint = sum(each.joint * np.exp(each.log_likelihood - most) for each in known)
        held: Any = joint_of(np.asarray(joint), len(self.names), most)
        mixed: Mixture = held
        return mixed

    def _told_again(self, snapshot: Snapshot, sensor: Sensor, event: Event) -> Snapshot:
        association = replace(snapshot.holders[sensor.id], time=event.time, value=event.value)
        return replace(snapshot, association=association)

    # --- windows ----------------------------------------------------------------------------------------------------
    def _note_sides(self, snapshot: Snapshot, ahead_of: Sensor | None = None) -> Snapshot:
        return snapshot

    def _open_window(self, snapshot: Snapshot, door: str, *, beyond: bool = False) -> Snapshot:
        snapshot = self._bounded(snapshot, door)
        known, persons = _of(snapshot), len(self.names)
        joint = np.zeros((*known.joint.shape, 1 + 2 * persons))
        joint[..., 0] = known.joint
        window = Window(snapshot.seconds, door, snapshot.seconds + self.settings.passage_window, accepting=True)
        snapshot = replace(snapshot, windows=(*snapshot.windows, window))
        return _with(snapshot, known._replace(joint=joint))

    def _without(self, snapshot: Snapshot, indices: Collection[int]) -> Snapshot:
        known, persons = _of(snapshot), len(self.names)
        joint = known.joint.sum(axis=tuple(persons + i for i in indices))
        windows = tuple(window for i, window in enumerate(snapshot.windows) if i not in indices)
        return _with(replace(snapshot, windows=windows), known._replace(joint=joint))

    def _label(self, snapshot: Snapshot, index: int) -> Array:
        joint = _of(snapshot).joint
        label: Array = joint.sum(axis=tuple(a for a in range(joint.ndim) if a != len(self.names) + index))
        return label

    def _follow(self, snapshot: Snapshot) -> Snapshot:
        return snapshot

    # --- reading ----------------------------------------------------------------------------------------------------
    def belief(self, snapshot: Snapshot) -> Belief:
        """Read rooms, people and the count from the joint distribution."""
        persons, rooms = len(self.names), self.model.room_of
        joint = _of(snapshot).joint
        joint = joint.sum(axis=tuple(range(persons, joint.ndim)))
        for _ in range(persons):  # the first axis becomes the last, in rooms
            joint = np.tensordot(joint, rooms, axes=(0, 0))
        plain = super().belief(snapshot)
        someone, count = {}, np.zeros(persons + 1)
        for n, room in enumerate(self.model.states.rooms):
            if room != "away":
                someone[room] = _someone(joint, n)
        away = self.model.away
        for gone in np.ndindex(*(2,) * persons):
            part: Any = joint
            for being in reversed(range(persons)):
                one = np.take(part, away, axis=being)
                part = one if gone[being] else part.sum(axis=being) - one
            count[persons - sum(gone)] += float(part)
        return Belief(plain.time, someone, plain.people, tuple(map(float, count)), self.plan)


def _product(factors: Array, windows: int) -> Array:
    """The product of a factor for each being, shape (P, S), for the axes of a joint with so many windows."""
    product: Array = np.ones(())
    for factor in factors:
        product = np.multiply.outer(product, factor)
    return product.reshape(*product.shape, *(1,) * windows)


def _someone(joint: Array, room: int) -> float:
    """Probability that somebody is in a room, of a joint distribution over rooms: inclusion and exclusion, by axis."""
    for _ in range(joint.ndim):
        joint = joint.sum(axis=-1) - joint[..., room]
    return float(1.0 - joint)


def _asked(joint: Array, companion: Companion, being: int) -> Array:
    """Somebody who is asked along comes, where they can."""
    rows = np.moveaxis(joint, being, 0).copy()
    came = np.tensordot(companion.moves, rows[companion.source], axes=(0, 0))
    rows[companion.source] = 0.0
    rows[companion.target] += came
    return np.moveaxis(rows, 0, being)


def _settled(part: Array, axis: int, column: int) -> Array:
    """Where nobody had passed in a window, this passage is it."""
    settled = np.moveaxis(part.copy(), axis, -1)
    settled[..., column] += settled[..., 0]
    settled[..., 0] = 0.0
    return np.moveaxis(settled, -1, axis)


def _of(snapshot: Snapshot) -> Joint:
    known: Any = snapshot.mixture
    assert isinstance(known, Joint)
    return known


def _with(snapshot: Snapshot, joint: Joint) -> Snapshot:
    held: Any = joint
    return replace(snapshot, mixture=held)


def joint_tracker(plan: Floorplan) -> Tracker:
    """A tracker whose inference is the exact joint filter."""
    tracker = Tracker(plan)
    engine: Any = JointEngine(plan, Settings())
    tracker._engine = engine
    tracker.health = Monitor(engine)
    return tracker
