"""What the engine must equal: the model of one small home written out densely, and summed without any shortcut.

Three truths, from slow and plain to fast:

    brute_force   every history of "who caused which event", and in each every path of states
    JointFilter   the exact joint filter of `presence.markov`, one axis a being
    draw_log      logs drawn from the model itself, event by event

Only `DenseModel` touches the package's model; which sensors are on and which doors stand open is kept here anew.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from itertools import product
from typing import Any, NamedTuple

import numpy as np
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.linalg import expm

from presence import Event, Floorplan, Settings
from presence.conditions import entries_of
from presence.markov import mark_joint, move_joint
from presence.model import Model

Array = NDArray[np.float64]
EXPLICIT_STEPS = 4
"""Brute force writes out every path of this many steps: with 11 states, 161,051 paths."""
NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


def at(seconds: float, sensor: str, value: str, **more: Any) -> Event:
    """An event some seconds after noon."""
    return Event(NOON + timedelta(seconds=seconds), sensor, value, **more)


def time_at(seconds: float) -> datetime:
    return NOON + timedelta(seconds=seconds)


def home(
    people: int | Mapping[str, Any] = 2,
    *,
    rooms: Mapping[str, Any] | None = None,
    doors: Mapping[str, Any] | None = None,
    visitors: int = 0,
    pets: Mapping[str, Any] | None = None,
    **sensors: Mapping[str, Any],
) -> Floorplan:
    """A small plan; by default two rooms and `away` in a ring, so that no door shuts anybody in."""
    ends = {"inner": ["hall", "bed"], "front": ["hall", "away"], "back": ["bed", "away"]}
    ring = {name: {"between": between} for name, between in ends.items()}
    return Floorplan.from_mapping(
        {
            "name": "tiny",
            "time_zone": "UTC",
            "rooms": rooms or {"hall": {}, "bed": {"rest": True}},
            "doors": {name: {"leaf": "hinged", **door} for name, door in (doors or ring).items()},
            "sensors": sensors,
            "people": {f"P{n + 1}": {} for n in range(people)} if isinstance(people, int) else people,
            "pets": pets or {},
            "visitors": visitors,
        }
    )


def motion(room: str, hold: float = 10.0, **more: Any) -> dict[str, Any]:
    return {"kind": "motion", "room": room, "hold": hold, **more}


def contact(door: str) -> dict[str, Any]:
    return {"kind": "contact", "door": door}


@st.composite
def logs(draw: st.DrawFn, plan: Floorplan, most: int, *, longest: float = 3000.0) -> list[Event]:
    """Up to `most` events in order, at irregular gaps; a contact closes only what it opened."""
    events: list[Event] = []
    now, opened = 0.0, set[str]()
    for _ in range(draw(st.integers(1, most))):
        now += draw(st.one_of(st.sampled_from([0.0, 0.7, 4.2]), st.floats(0.01, 30.0), st.floats(30.0, longest)))
        sensor = plan.sensors[draw(st.sampled_from(sorted(plan.sensors)))]
        values = [v for v in plan.values(sensor.id) if v not in ("offline", "online")]
        if sensor.kind == "contact":
            values = ["open", "closed"] if sensor.id in opened else ["open"]
        value = draw(st.sampled_from(values))
        opened = opened | {sensor.id} if value == "open" else opened - {sensor.id}
        by = draw(st.sampled_from([None, "inside", "keypad"])) if sensor.kind == "lock" else None
        events.append(at(now, sensor.id, value, by=by))
    return list(dict.fromkeys(events))  # said twice is said once


# --- the model, densely ---------------------------------------------------------------------------------------------
class Cause(NamedTuple):
    """One way in which one being can cause an event."""

    being: int
    label: int
    """0: no passage; 1 or 2: a passage from the door's first room to its second, or back."""
    matrix: Array
    """Shape (S, S), 1/s."""


class DenseModel:
    """Generators and event rates of one home as plain matrices, one per being."""

    def __init__(self, plan: Floorplan, settings: Settings | None = None) -> None:
        self.plan = plan
        self.settings = settings or Settings()
        self._model = Model(plan, self.settings)
        self.names = [being.id for being in self._model.beings]
        self.people = [p for p, being in enumerate(self._model.beings) if being.role != "pet"]
        self.rooms = list(self._model.states.rooms)
        self.room = self._model.states.room
        self.size = self._model.states.size
        self._silent: dict[Any, list[Array]] = {}

    def sleeping(self, seconds: float) -> tuple[bool, ...]:
        """Who is in their sleeping hours (these plans live by UTC)."""
        clock = seconds % 86400.0
        awake = [self.plan.people[name].awake if name in self.plan.people else None for name in self.names]
        return tuple(
            hours is not None and not (a <= clock < b if a <= b else not b <= clock < a)
            for hours in awake
            for a, b in [hours or (0.0, 0.0)]
        )

    def clock_changes(self, begin: float, end: float) -> list[float]:
        """Instants after `begin` and before `end` at which somebody's sleeping hours begin or end."""
        clocks = {clock for person in self.plan.people.values() for clock in person.awake}
        days = range(int(begin // 86400), int(end // 86400) + 1)
        return sorted({day * 86400 + clock for day in days for clock in clocks if begin < day * 86400 + clock < end})

    def sight(self, sleeping: tuple[bool, ...]) -> Any:
        return self._model.world(sleeping).sight

    def prior(self, seconds: float) -> Array:
        """Where everybody usually is at this hour, shape (P, S)."""
        sleeping = self.sleeping(seconds)
        weights = self.sight(sleeping).weights.copy()
        for row, asleep in zip(weights, sleeping, strict=True):
            if asleep:  # hardly anybody is away then
                row[self.room == self.rooms.index("away")] *= self.settings.night_away_share
        return np.asarray(weights / weights.sum(axis=1, keepdims=True))

    def full(self, sleeping: tuple[bool, ...]) -> list[Array]:
        """Movement alone, reported or not: a generator per being, rows sum to 0."""
        sight = self.sight(sleeping)
        result = []
        for weights, flows in zip(sight.weights, sight.flows, strict=True):
            generator = flows / weights[:, None]
            np.fill_diagonal(generator, 0.0)
            result.append(generator - np.diag(generator.sum(axis=1)))
        return result

    def silent(self, sleeping: tuple[bool, ...], conditions: frozenset[tuple[str, str]]) -> list[Array]:
        """D0 per being: movement without an event, less all event rates, under the given conditions."""
        key = (sleeping, conditions)
        if key not in self._silent:
            sight = self.sight(sleeping)
            entries = [entry for condition in sorted(conditions) for entry in entries_of(sight, *condition)]
            flows, losses = sight.silent_flows(), sight.losses()
            result = []
            for p, weights in enumerate(sight.weights):
                generator = flows[p] / weights[:, None]
                np.fill_diagonal(generator, 0.0)
                generator -= np.diag(generator.sum(axis=1) + losses[p])
                for i, j, rate, both_ways in entries:
                    if i == j:
                        generator[i, i] += rate[p]
                    else:
                        generator[i, j] += rate[p] / weights[i]
                        if both_ways:
                            generator[j, i] += rate[p] / weights[j]
                result.append(generator)
            self._silent[key] = result
        return self._silent[key]

    def causes(self, event: Event, sleeping: tuple[bool, ...], open_share: float = 0.0) -> list[Cause]:
        """Every way in which a being can cause an event; the share of time a door stands open counts for closing."""
        options = self.sight(sleeping).options(self.plan.sensors[event.sensor], event.value, event.by, open_share)
        owners = {name for name, person in self.plan.people.items() if event.code in person.codes}
        slip = self.settings.code_slip if owners else 1.0
        causes = []
        for p, name in enumerate(self.names):
            for option in options:
                matrix = np.zeros((self.size, self.size))
                matrix[np.ix_(option.source, option.target)] = option.rates[p]
                if event.code is not None:
                    matrix *= 1.0 if name in owners else slip
                causes.append(Cause(p, option.label, matrix))
        return causes

    def nobody_rate(self, event: Event) -> float:
        """Rate of an event that nobody causes."""
        s, kind = self.settings, self.plan.sensors[event.sensor].kind
        if kind in ("contact", "lock"):
            if event.value in ("closed", "locked"):
                return s.door_false_alarm_rate * 10
            return s.door_false_alarm_rate * (1.0 if event.code is None else s.code_slip)
        if kind == "pressure":
            return s.seat_false_alarm_rate if event.value == "pressed" else s.object_false_alarm_rate
        return s.motion_false_alarm_rate if kind == "motion" else s.object_false_alarm_rate

    def report(self, event: Event) -> Array:
        """What a phone or a tag says of each state of its owner: shape (P, S)."""
        sensor, s = self.plan.sensors[event.sensor], self.settings
        rooms = np.array(self.rooms)[self.room]
        factor = np.ones((len(self.names), self.size))
        if sensor.kind == "phone":
            agrees, error, wrong = (rooms == "away") == (event.value == "away"), s.phone_error, s.phone_error
        else:
            agrees, error = rooms == event.value, s.badge_error
            wrong = error / (len(self.rooms) - 1)
        factor[self.names.index(str(sensor.person))] = np.where(agrees, 1 - error, wrong)
        return factor

    def read(self, joint: Array) -> dict[str, Any]:
        """Rooms, people and the count at home of a joint distribution with one axis a being, from the definition."""
        one_hot = np.eye(len(self.rooms))[self.room]
        by_room = move_joint(joint, [one_hot] * joint.ndim)
        occupied, at_home = dict.fromkeys(self.rooms, 0.0), np.zeros(len(self.people) + 1)
        each = np.zeros((joint.ndim, len(self.rooms)))
        for where in product(range(len(self.rooms)), repeat=joint.ndim):
            p = float(by_room[where])
            for room in {where[being] for being in self.people}:
                occupied[self.rooms[room]] += p
            at_home[sum(self.rooms[where[being]] != "away" for being in self.people)] += p
            each[range(joint.ndim), where] += p
        people = {
            name: dict(zip(self.rooms, each[self.names.index(name)].tolist(), strict=True)) for name in self.plan.people
        }
        del occupied["away"]
        return {"rooms": occupied, "people": people, "at_home": tuple(at_home.tolist())}


# --- which sensors are on and which doors stand open, kept without the engine ---------------------------------------
@dataclass
class Senses:
    """What the sensors' own state does to the generators, by the rules of the trade."""

    plan: Floorplan
    settings: Settings
    on: dict[str, float] = field(default_factory=dict)
    """Since when each sensor has been on."""
    heard: dict[str, float] = field(default_factory=dict)
    """When each sensor that is on last said so."""
    open: set[str] = field(default_factory=set)
    pressed: set[str] = field(default_factory=set)
    stood_open: dict[str, tuple[float, float]] = field(default_factory=dict)
    """Seconds that each door has stood open and shut since its first report, with an hour shut to begin with."""
    reported: dict[str, float] = field(default_factory=dict)
    """When each door last reported."""

    def open_share(self, event: Event) -> float:
        """The share of time that a door that closes stood open until its report before, to one decimal."""
        door = str(self.plan.sensors[event.sensor].door)
        opened, shut = self.stood_open.get(door, (0.0, 3600.0))
        return round(opened / (opened + shut), 1) if event.value in ("closed", "locked") else 0.0

    def conditions(self) -> frozenset[tuple[str, str]]:
        return frozenset(
            [("blind", s) for s in self.on] + [("open", d) for d in self.open] + [("pressed", s) for s in self.pressed]
        )

    def expiries(self) -> dict[str, float]:
        """When a motion sensor whose off message never comes is no longer taken to be on."""
        wait = self.settings.hold_expiry
        return {s: self.heard[s] + wait * (float(self.plan.sensors[s].hold or 60.0) + 1.0) for s in self.on}

    def take(self, event: Event) -> bool:
        """Note an event; whether it says anything new (a second "on" of a sensor that is on does not)."""
        sensor = self.plan.sensors[event.sensor]
        if event.value == "stopped":  # machines stop by themselves: that says nothing about anybody
            return False
        if sensor.kind in ("motion", "camera"):
            if event.value == "clear":
                self.on.pop(sensor.id, None)
                return False
            self.heard[sensor.id] = event.seconds
            since = self.on.get(sensor.id)
            if since is not None and event.seconds - since <= 2 * (sensor.hold or 0.0) + 1:
                return False
            self.on[sensor.id] = event.seconds
        elif sensor.kind == "contact":
            door, opened = str(sensor.door), str(sensor.door) in self.open
            passed = event.seconds - self.reported.get(door, event.seconds)
            before = self.stood_open.get(door, (0.0, 3600.0))
            self.stood_open[door] = (before[0] + passed * opened, before[1] + passed * (not opened))
            self.reported[door] = event.seconds
            (self.open.add if event.value == "open" else self.open.discard)(str(sensor.door))
        elif sensor.kind == "pressure":
            if (event.value == "pressed") == (sensor.id in self.pressed):
                return False
            (self.pressed.add if event.value == "pressed" else self.pressed.discard)(sensor.id)
        return True


class Stretch(NamedTuple):
    """A time in which the generators stay the same."""

    seconds: float
    sleeping: tuple[bool, ...]
    conditions: frozenset[tuple[str, str]]


def silence(model: DenseModel, senses: Senses, begin: float, end: float) -> list[Stretch]:
    """The stretches of a silence: cut where sleeping hours change and where a sensor's off message is given up."""
    cuts = {*model.clock_changes(begin, end), end}
    cuts |= {expiry for expiry in senses.expiries().values() if begin < expiry < end}
    stretches = []
    for cut in sorted(cuts):
        for sensor, expiry in senses.expiries().items():
            if expiry <= begin:
                del senses.on[sensor]
        stretches.append(Stretch(cut - begin, model.sleeping(begin), senses.conditions()))
        begin = cut
    return stretches


# --- every history, every path --------------------------------------------------------------------------------------
class Answer(NamedTuple):
    """What brute force says."""

    rooms: dict[str, float]
    people: dict[str, dict[str, float]]
    at_home: tuple[float, ...]
    log_likelihood: float
    caused: dict[str, float]
    """Who caused the latest event that somebody can have caused; "nobody" as well."""
    passed: dict[int, Array]
    """For each event that opens a door (by its number): nobody, forth, back."""


@dataclass(frozen=True)
class _History:
    """Who caused each event so far, in which way, and which seats are on by themselves."""

    weight: float = 1.0
    causes: tuple[tuple[int, int], ...] = ()
    """(being or -1, label) for each event."""
    steps: tuple[tuple[Any, ...], ...] = ()
    """For each being, names of its step matrices."""
    ghosts: tuple[tuple[str, int], ...] = ()
    """Seats that are on by themselves: 1 for a moment, 2 stuck."""


def brute_force(
    plan: Floorplan,
    events: Sequence[Event],
    *,
    start: datetime = NOON,
    until: datetime | None = None,
    settings: Settings | None = None,
) -> Answer:
    """The belief by the definition: a sum over all histories of causes and, in each, over all paths of states."""
    model = DenseModel(plan, settings)
    senses, now = Senses(plan, model.settings), start.timestamp()
    persons, matrices = len(model.names), {}
    histories = [_History(steps=((),) * persons)]
    for number, event in enumerate(events):
        still = _moves(model, silence(model, senses, now, event.seconds))
        histories = [_wait(h, model, event.seconds - now) for h in histories]
        now = event.seconds
        matrices.update({(number, "still", p): still[p] for p in range(persons)})
        if plan.sensors[event.sensor].kind in ("phone", "badge"):
            factor = model.report(event)
            matrices.update({(number, "still", p): still[p] * factor[p] for p in range(persons)})
            histories = [_extend(h, number, None, (-1, 0)) for h in histories]
        elif not (share := senses.open_share(event), senses.take(event))[1]:
            histories = [_extend(h, number, None, (-1, 0)) for h in histories]
        else:
            causes = model.causes(event, model.sleeping(now), share)
            matrices.update({(number, c): still[cause.being] @ cause.matrix for c, cause in enumerate(causes)})
            histories = [h for history in histories for h in _branch(history, model, event, number, causes)]
    if until is not None:
        still = _moves(model, silence(model, senses, now, until.timestamp()))
        matrices.update({(len(events), "still", p): still[p] for p in range(persons)})
        histories = [_wait(h, model, until.timestamp() - now) for h in histories]
        histories = [_extend(h, len(events), None, (-1, 0)) for h in histories]
    return _sum_up(model, events, model.prior(start.timestamp()), histories, matrices)


def _moves(model: DenseModel, stretches: Iterable[Stretch]) -> list[Array]:
    """Product of the stretches' matrix exponentials, per being."""
    result = [np.eye(model.size) for _ in model.names]
    for stretch in stretches:
        generators = model.silent(stretch.sleeping, stretch.conditions)
        result = [m @ expm(g * stretch.seconds) for m, g in zip(result, generators, strict=True)]
    return result


def _wait(history: _History, model: DenseModel, seconds: float) -> _History:
    """A seat that is on by itself stays so with a probability that falls."""
    rates = (0.0, model.settings.seat_brief_rate, model.settings.seat_stuck_rate)
    survival = np.exp(-sum(rates[kind] for _, kind in history.ghosts) * seconds)
    return replace(history, weight=history.weight * float(survival))


def _extend(history: _History, number: int, cause: int | None, who: tuple[int, int]) -> _History:
    steps = tuple(
        (*step, (number, cause) if cause is not None and p == who[0] else (number, "still", p))
        for p, step in enumerate(history.steps)
    )
    return replace(history, steps=steps, causes=(*history.causes, who))


def _branch(
    history: _History, model: DenseModel, event: Event, number: int, causes: Sequence[Cause]
) -> Iterable[_History]:
    """One of the beings in one of the ways, or nobody."""
    s, pressure = model.settings, model.plan.sensors[event.sensor].kind == "pressure"
    ghost = dict(history.ghosts).get(event.sensor, 0)
    settled = replace(history, ghosts=tuple(g for g in history.ghosts if g[0] != event.sensor))
    for c, cause in enumerate(causes):
        yield _extend(settled, number, c, (cause.being, cause.label))
    nobody = _extend(settled, number, None, (-1, 0))
    rate = model.nobody_rate(event)
    if pressure and event.value == "pressed":
        for kind, share in ((1, 1 - s.seat_stuck_share), (2, s.seat_stuck_share)):
            yield replace(nobody, weight=nobody.weight * rate * share, ghosts=(*nobody.ghosts, (event.sensor, kind)))
    elif pressure:
        rate += (0.0, s.seat_brief_rate, s.seat_stuck_rate)[ghost]
        yield replace(nobody, weight=nobody.weight * rate)
    else:
        yield replace(nobody, weight=nobody.weight * rate)


def _sum_up(
    model: DenseModel, events: Sequence[Event], prior: Array, histories: Sequence[_History], matrices: Mapping[Any, Any]
) -> Answer:
    letters = "abcdefghijklm"
    paths: dict[Any, Array] = {}

    def path_sum(p: int, steps: tuple[Any, ...]) -> Array:
        """Explicit sum over all paths: one index for the start and one after every step (the last ones joined)."""
        if (p, steps) not in paths:
            terms = [matrices[step] for step in steps]
            while len(terms) > EXPLICIT_STEPS:
                terms[-2:] = [terms[-2] @ terms[-1]]
            formula = ",".join(["a"] + [letters[n : n + 2] for n in range(len(terms))]) + "->" + letters[len(terms)]
            paths[p, steps] = np.einsum(formula, prior[p], *terms, optimize=False)
        return paths[p, steps]

    joint, total = np.zeros((model.size,) * len(model.names)), 0.0
    latest = max((n for n, e in enumerate(events) if _associated(model, e)), default=None)
    caused = dict.fromkeys([*model.names, "nobody"], 0.0)
    opening = [n for n, e in enumerate(events) if e.value in ("open", "unlocked")]
    passed = {n: np.zeros(3) for n in opening}
    for history in histories:
        term = np.asarray(history.weight)
        for p, steps in enumerate(history.steps):
            term = np.multiply.outer(term, path_sum(p, steps))
        joint += term
        weight = float(term.sum())
        total += weight
        if latest is not None:
            caused[[*model.names, "nobody"][history.causes[latest][0]]] += weight
        for n in opening:
            passed[n][history.causes[n][1]] += weight
    return Answer(
        **model.read(joint / total),
        log_likelihood=float(np.log(total)),
        caused={name: p / total for name, p in caused.items()},
        passed={n: p / total for n, p in passed.items()},
    )


def _associated(model: DenseModel, event: Event) -> bool:
    return model.plan.sensors[event.sensor].kind not in ("phone", "badge") and event.value not in ("clear", "stopped")


# --- the exact joint filter -----------------------------------------------------------------------------------------
class JointFilter:
    """The belief about all beings in one array: exact, for small homes (shape (S,) * P)."""

    def __init__(self, plan: Floorplan, start: datetime = NOON, settings: Settings | None = None) -> None:
        self.model = DenseModel(plan, settings)
        self.senses = Senses(plan, self.model.settings)
        self.seconds = start.timestamp()
        self.joint: Array = np.ones(())
        for row in self.model.prior(self.seconds):
            self.joint = np.multiply.outer(self.joint, row)
        self.log_likelihood = 0.0

    def advance(self, seconds: float) -> None:
        """Nothing is reported until an instant."""
        if seconds > self.seconds:
            for stretch in silence(self.model, self.senses, self.seconds, seconds):
                generators = self.model.silent(stretch.sleeping, stretch.conditions)
                moves = expm(np.array(generators) * stretch.seconds)
                self._condition(move_joint(self.joint, list(moves)))
        self.seconds = seconds

    def observe(self, event: Event) -> None:
        """An event that one of the beings caused, or none."""
        self.advance(event.seconds)
        if self.model.plan.sensors[event.sensor].kind in ("phone", "badge"):
            joint = self.joint
            for axis, factor in enumerate(self.model.report(event)):
                joint = joint * factor.reshape([-1 if n == axis else 1 for n in range(joint.ndim)])
            self._condition(joint)
        elif (share := self.senses.open_share(event), self.senses.take(event))[1]:
            marked = [np.zeros((self.model.size, self.model.size)) for _ in self.model.names]
            for cause in self.model.causes(event, self.model.sleeping(event.seconds), share):
                marked[cause.being] += cause.matrix
            self._condition(mark_joint(self.joint, marked, self.model.nobody_rate(event)))

    def rooms(self) -> Array:
        """Probability that at least one person is in each room but `away`."""
        absent = []
        for room in range(len(self.model.rooms) - 1):
            elsewhere = self.joint
            for p in range(self.joint.ndim):
                outside = self.model.room != room if p in self.model.people else np.ones(self.model.size)
                elsewhere = np.tensordot(elsewhere, outside.astype(float), axes=(0, 0))
            absent.append(float(elsewhere))
        return 1.0 - np.array(absent)

    def _condition(self, joint: Array) -> None:
        total = float(joint.sum())
        self.joint = joint / total
        self.log_likelihood += float(np.log(total))


# --- the direction of one person's passage ---------------------------------------------------------------------------
def exact_direction(
    plan: Floorplan, events: Sequence[Event], number: int, *, start: datetime = NOON, settings: Settings | None = None
) -> Array:
    """Nobody, forth, back: what one person did at an opening, known when its window closes; exact.

    The label is part of the state: whoever goes through while the door stands open takes it along.
    """
    model = DenseModel(plan, settings)
    senses, now = Senses(plan, model.settings), start.timestamp()
    opened = events[number]
    door, accepting = str(plan.sensors[opened.sensor].door), False
    end = opened.seconds + model.settings.passage_window
    through = [np.zeros((model.size, model.size), dtype=bool) for _ in range(3)]
    for cause in model.causes(opened, model.sleeping(opened.seconds)):
        through[cause.label] |= cause.matrix > 0
    labelled = np.vstack([model.prior(now), np.zeros((2, model.size))])

    def settle(moves: Mapping[int, Array], stays: Array) -> Array:
        """Blocks (3 S, 3 S): with label 0 a passage sets the label; other labels stay."""
        block = np.kron(np.eye(3), stays + sum(moves.values()))
        for label, matrix in moves.items():
            block[: model.size, : model.size] -= matrix
            block[: model.size, label * model.size : (label + 1) * model.size] += matrix
        return np.asarray(block)

    for n, event in enumerate([*(e for e in events if e.seconds <= end), None]):
        until = end if event is None else event.seconds
        for stretch in silence(model, senses, now, until):
            generator = model.silent(stretch.sleeping, stretch.conditions)[0]
            standing = accepting and ("open", door) in stretch.conditions
            moves = {k: np.where(through[k], generator, 0.0) for k in (1, 2) if standing}
            block = settle(moves, generator - sum(moves.values()))
            labelled = (labelled.ravel() @ expm(block * stretch.seconds)).reshape(3, -1)
        now = until
        if event is None:
            break
        share = senses.open_share(event)
        if not senses.take(event):
            continue
        accepting = event.value != "closed" and (accepting or n == number) if _at_door(plan, event, door) else accepting
        causes = model.causes(event, model.sleeping(now), share)
        moves = {k: sum(c.matrix for c in causes if c.label == k) for k in (1, 2)}
        moves = {k: m for k, m in moves.items() if accepting and _at_door(plan, event, door) and not np.isscalar(m)}
        everything = sum(c.matrix for c in causes) + model.nobody_rate(event) * np.eye(model.size)
        block = settle(moves, everything - sum(moves.values()))
        labelled = (labelled.ravel() @ block).reshape(3, -1)
        labelled /= labelled.sum()
    return np.asarray(labelled.sum(axis=1) / labelled.sum())


def _at_door(plan: Floorplan, event: Event, door: str) -> bool:
    return plan.sensors[event.sensor].door == door


# --- logs drawn from the model --------------------------------------------------------------------------------------
def draw_log(
    plan: Floorplan, seconds: float, seed: int, *, start: datetime = NOON, settings: Settings | None = None
) -> list[Event]:
    """People of the plan live by the model for a while and set its motion sensors, contacts and phones off.

    A motion sensor holds, a door is shut 4 s after it was opened, a phone reports some minutes late.
    """
    random = np.random.default_rng(seed)
    model = DenseModel(plan, settings)
    sleeping = model.sleeping(start.timestamp())
    firings: list[tuple[float, str]] = []
    reports: list[tuple[float, str, str]] = []
    for p, name in enumerate(model.names):
        if name not in plan.people:
            continue
        state = int(random.choice(model.size, p=model.prior(start.timestamp())[p]))
        phone = next((s.id for s in plan.sensors.values() if s.kind == "phone" and s.person == name), None)
        moves = _moves_of(model, p, sleeping)
        now, was_away = 0.0, None
        while now < seconds:
            is_away = model.rooms[model.room[state]] == "away"
            if phone and is_away != was_away:
                late = 1.0 + 0.01 * p if was_away is None else 30.0 + random.exponential(60.0)
                reports.append((now + late, phone, "away" if is_away else "home"))
                was_away = is_away
            rates = np.array([rate for rate, _, _ in moves[state]])
            now += random.exponential(1 / rates.sum())
            _, state, sensor = moves[state][int(random.choice(len(rates), p=rates / rates.sum()))]
            if sensor:
                firings.append((now, sensor))
    lines = sorted(line for line in [*_messages(plan, sorted(firings)), *reports] if line[0] < seconds)
    return [Event(start + timedelta(seconds=round(t, 6)), sensor, value) for t, sensor, value in lines]


def _moves_of(model: DenseModel, p: int, sleeping: tuple[bool, ...]) -> list[list[tuple[float, int, str]]]:
    """From each state: (rate, next state, sensor that reports it or "")."""
    moves: list[list[tuple[float, int, str]]] = [[] for _ in range(model.size)]

    def add(matrix: Array, sensor: str) -> None:
        for i, j in zip(*np.nonzero(matrix), strict=True):
            if i != j or sensor:
                moves[i].append((float(matrix[i, j]), int(j), sensor))

    add(model.silent(sleeping, frozenset())[p], "")
    for sensor in model.plan.sensors.values():
        value = {"motion": "detected", "contact": "open"}.get(sensor.kind)
        if value:
            for cause in model.causes(Event(NOON, sensor.id, value), sleeping):
                if cause.being == p:
                    add(cause.matrix, sensor.id)
    return moves


def _messages(plan: Floorplan, firings: Iterable[tuple[float, str]]) -> list[tuple[float, str, str]]:
    """What the sensors say of these firings."""
    lines: list[tuple[float, str, str]] = []
    for sensor in plan.sensors.values():
        until, latest = -1.0, -1.0
        for t in [t for t, name in firings if name == sensor.id]:
            if sensor.kind == "contact" and t > until:
                until = t + 4.0
                lines += [(t, sensor.id, "open"), (until, sensor.id, "closed")]
            elif sensor.kind == "motion":
                hold = float(sensor.hold or 0.0)
                if t > latest + hold:
                    if latest >= 0:
                        lines.append((latest + hold, sensor.id, "clear"))
                    lines.append((t, sensor.id, "detected"))
                latest = t
    return lines
