"""What the engine must equal: the model of one small home written out densely, and summed without any shortcut.

Three truths, from slow and plain to fast:

    brute_force   every history of "who caused which event", and in each every path of states
    JointFilter   the exact joint filter of `presence.markov`, one axis a being (in `benchmarks.exact`)
    draw_log      logs drawn from the model itself, event by event (in `benchmarks.exact`)

Only `DenseModel` touches the package's model.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, NamedTuple

import numpy as np
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.linalg import expm

from benchmarks.exact.dense import NOON, Cause, DenseModel
from benchmarks.exact.drawing import draw_life
from benchmarks.exact.joint_filter import PLAIN, JointFilter
from benchmarks.exact.senses import Senses, Stretch, silence
from presence import Event, Floorplan, Settings

__all__ = ["NOON", "PLAIN", "DenseModel", "JointFilter"]

Array = NDArray[np.float64]
EXPLICIT_STEPS = 4
"""Brute force writes out every path of this many steps: with 11 states, 161,051 paths."""


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


def motions(*rooms: str, hold: float = 10.0) -> dict[str, Any]:
    """A motion sensor in each of some rooms: `hall_motion`, ..."""
    return {f"{room}_motion": motion(room, hold) for room in rooms}


def contact(door: str) -> dict[str, Any]:
    return {"kind": "contact", "door": door}


def doors(**joined: str) -> dict[str, Any]:
    """Doors by the two rooms they join and what closes them, else a hinged leaf: `stairs="hall landing none"`."""
    words = {name: [*text.split(), "hinged"] for name, text in joined.items()}
    return {name: {"between": [first, second], "leaf": leaf} for name, (first, second, leaf, *_) in words.items()}


def mirrored(plan: Floorplan) -> Floorplan:
    """Every door told the other way round."""
    return replace(plan, doors={d.id: replace(d, between=d.between[::-1]) for d in plan.doors.values()})


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
            factor = model.report(event, senses.before(event))
            matrices.update({(number, "still", p): still[p] * factor[p] for p in range(persons)})
            histories = [_extend(h, number, None, (-1, 0)) for h in histories]
        elif not (share := senses.open_share(event), senses.take(event))[1]:
            histories = [_extend(h, number, None, (-1, 0)) for h in histories]
        else:
            causes = model.causes(event, model.hours(now), share)
            matrices.update({(number, c): still[cause.being] @ cause.matrix for c, cause in enumerate(causes)})
            guests = {(number, c, "guest"): (m, g) for c, (_, _, _, g, m, _) in enumerate(causes) if m is not None}
            matrices.update({key: still[g] @ moves for key, (moves, g) in guests.items()})
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
        generators = model.silent(stretch.hours, stretch.conditions)
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
        extended = _extend(settled, number, c, (cause.being, cause.label))
        if cause.moves is not None:
            steps = list(extended.steps)
            steps[cause.companion] = (*steps[cause.companion][:-1], (number, c, "guest"))
            extended = replace(extended, steps=tuple(steps))
        yield extended
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
    for cause in model.causes(opened, model.hours(opened.seconds)):
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
            generator = model.silent(stretch.hours, stretch.conditions)[0]
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
        causes = model.causes(event, model.hours(now), share)
        moves = {k: sum(c.matrix for c in causes if c.label == k) for k in (1, 2)}
        moves = {k: m for k, m in moves.items() if accepting and _at_door(plan, event, door) and not np.isscalar(m)}
        everything = sum(c.matrix for c in causes) + model.nobody_rate(event) * np.eye(model.size)
        block = settle(moves, everything - sum(moves.values()))
        labelled = (labelled.ravel() @ block).reshape(3, -1)
        labelled /= labelled.sum()
    return np.asarray(labelled.sum(axis=1) / labelled.sum())


def _at_door(plan: Floorplan, event: Event, door: str) -> bool:
    return plan.sensors[event.sensor].door == door


def draw_log(plan: Floorplan, seconds: float, seed: int) -> list[Event]:
    """A log drawn from the model."""
    return draw_life(plan, seconds, seed).events
