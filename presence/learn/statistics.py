"""House words for the E step: what was counted, summed up so that any other settings can be weighed against it.

The expected log-likelihood of everything that happened, seen and unseen, under settings theta (Dempster, Laird & Rubin
1977) is

    Q(theta) = sum counts log rate(theta) - sum time total_rate(theta) + sum start log prior(theta).

The rates are those of `rates`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from presence.floorplan import Floorplan
from presence.habits import Hours
from presence.learn import counts
from presence.learn.rates import Cell, Views
from presence.learn.tape import Caused, Quiet, Report, Stage, Tape, Told, alone, own_hours
from presence.model import Model
from presence.recent import Recent
from presence.settings import Settings
from presence.world import Condition

Array = NDArray[np.float64]
BYTES, BYTES_EACH = 3e8, 24
"""Memory for generators decomposed and overlaps of one being, and what one entry of their matrices takes together."""


@dataclass
class Statistics:
    """Expected counts and times of P beings with S states."""

    log_likelihood: float = 0.0
    """Of all tapes and beings, under the settings that the counts were made with; nats."""
    starts: dict[Hours, Array] = field(default_factory=dict)
    """Shape (P, S)."""
    times: dict[Hours, Array] = field(default_factory=dict)
    """Seconds in each state, shape (P, S)."""
    times_under: dict[tuple[Hours, Condition], Array] = field(default_factory=dict)
    """Seconds in each state while a condition held, shape (P, S)."""
    moves: dict[Hours, Array] = field(default_factory=dict)
    """Silent moves between states whose rate no condition changed, shape (P, S, S)."""
    moves_under: dict[tuple[Hours, frozenset[Condition], Cell], Array] = field(default_factory=dict)
    """Silent moves from one state to another while conditions changed their rate, shape (P,)."""
    caused: dict[Report, list[Array]] = field(default_factory=dict)
    """Events caused, shape (P, m, t) for each way."""


Timed = tuple[Quiet | Caused | Told, Hashable]
"""A step, and what decides to which heap its counts go: an hour of the week, or nothing."""


class Spectra(Sequence[counts.Spectral]):
    """The generators of one being under some stages, decomposed when they are needed; only so many are kept."""

    def __init__(self, views: Views, p: int, stages: Sequence[Stage], most: int) -> None:
        self._views, self._p, self._stages = views, p, stages
        self._recent: Recent[counts.Spectral] = Recent(most)

    def __len__(self) -> int:
        return len(self._stages)

    def __getitem__(self, index: Any) -> Any:
        stage = self._stages[index]
        return self._recent.get_or(stage, lambda: self._decomposed(stage))

    def _decomposed(self, stage: Stage) -> counts.Spectral:
        return counts.spectral(self._views.generator(stage, self._p), self._views.at(stage[0])[0].weights[self._p])


def count(plan: Floorplan, settings: Settings, tapes: Sequence[Tape], who: Iterable[int]) -> Statistics:
    """The E step: expected counts and times of some beings under settings.

    Raises:
        FloatingPointError: if a generator cannot be decomposed or a step is impossible.
    """
    views, found = Views(Model(plan, settings)), Statistics()
    for p in who:
        for tape in tapes:
            follow(views, p, tape.begin, [(step, None) for step in tape.steps], lambda _: found)
    return found


def follow(views: Views, p: int, begin: Hours, steps: Sequence[Timed], heap: Callable[[Hashable], Statistics]) -> None:
    """One being through one tape: counts and times are added to the heap of each step, latest first.

    Args:
        views: under which settings.
        p: the being.
        begin: what habits said at the start.
        steps: in order of time; of everybody's habits only the own count, so that fewer hours differ.
        heap: the statistics that a step is counted in; the log-likelihood and the start go to that of the first step.

    Raises:
        FloatingPointError: if a generator cannot be decomposed or a step is impossible.
    """
    begin, steps = own_hours(begin, p), [(alone(step, p), name) for step, name in steps]
    silences: dict[tuple[Stage, Hashable], int] = {}
    reports: dict[tuple[Report, Hashable], int] = {}
    for step, name in steps:
        if isinstance(step, Quiet):
            silences.setdefault((step.stage, name), len(silences))
        elif isinstance(step, Caused):
            reports.setdefault((step.report, name), len(reports))
    keys, persons, size = list(silences), *views.at(begin)[0].weights.shape
    kept = max(8, int(BYTES / (BYTES_EACH * size**2)))
    ways = [[counts.Move(s, t, rates[p]) for s, t, rates in views.ways(report)] for report, _ in reports]
    start = views.model.usual(views.at(begin)[0], begin)[p]
    expected = counts.expect(
        start,
        Spectra(views, p, [stage for stage, _ in keys], kept),
        ways,
        [_step(step, name, p, silences, reports) for step, name in steps],
        take=lambda index, overlap: _add(heap(keys[index][1]), views, p, keys[index][0], overlap),
        kept=kept,
    )
    first = heap(steps[0][1] if steps else None)
    first.log_likelihood += expected.log_likelihood
    first.starts.setdefault(begin, np.zeros((persons, size)))[p] += expected.start
    for (report, name), each in zip(reports, expected.moves, strict=True):
        sums = heap(name).caused.setdefault(report, [np.zeros((persons, *way.shape)) for way in each])
        for total, way in zip(sums, each, strict=True):
            total[p] += way


def _step(
    step: Quiet | Caused | Told,
    name: Hashable,
    p: int,
    silences: Mapping[tuple[Stage, Hashable], int],
    reports: Mapping[tuple[Report, Hashable], int],
) -> counts.Step:
    if isinstance(step, Quiet):
        return counts.Silence(silences[step.stage, name], step.dt)
    if isinstance(step, Caused):
        return counts.Mark(reports[step.report, name], float(step.background[p]))
    return counts.Factor(step.likelihood[p])


def _add(found: Statistics, views: Views, p: int, stage: Stage, overlap: Array) -> None:
    """Sum up what one being did while nothing was reported under a stage."""
    hours, conditions = stage
    shape = views.at(hours)[0].weights.shape
    time = np.diag(overlap)
    found.times.setdefault(hours, np.zeros(shape))[p] += time
    for condition in conditions:
        found.times_under.setdefault((hours, condition), np.zeros(shape))[p] += time
    _add_moves(found, views, p, stage, overlap)


def _add_moves(found: Statistics, views: Views, p: int, stage: Stage, overlap: Array) -> None:
    """Sum up silent moves, apart where a condition changed their rate."""
    hours, conditions = stage
    moved = views.generator(stage, p) * overlap
    np.fill_diagonal(moved, 0.0)
    under: dict[Cell, set[Condition]] = {}
    for condition in conditions:
        for cell in views.changes(hours, condition).flows:
            under.setdefault(cell, set()).add(condition)
    persons = len(views.model.beings)
    for cell, those in under.items():
        key = hours, frozenset(those), cell
        found.moves_under.setdefault(key, np.zeros(persons))[p] += moved[cell]
        moved[cell] = 0.0
    found.moves.setdefault(hours, np.zeros((persons, *moved.shape)))[p] += moved


def expected_log_likelihood(plan: Floorplan, found: Statistics, settings: Settings) -> float:
    """Q(theta), but for terms that no setting changes, nats; minus infinity where moves that were counted cannot be.

    Moves between zones that hardly ever happen are not taken to be reported, so that what can be depends on theta.
    """
    return weighed(Views(Model(plan, settings)), found)


def weighed(views: Views, found: Statistics) -> float:
    """The same under views."""
    total = 0.0
    for hours, start in found.starts.items():
        total += _weighed(start, views.model.usual(views.at(hours)[0], hours))
    for hours, time in found.times.items():
        total -= float((time * views.at(hours)[2]).sum())
    for (hours, condition), time in found.times_under.items():
        total += float((views.changes(hours, condition).diagonal * time).sum())
    for hours, moved in found.moves.items():
        sight, flows, _ = views.at(hours)
        total += _weighed(moved, flows / sight.weights[:, :, None])
    for (hours, conditions, (i, j)), moved in found.moves_under.items():
        sight, flows, _ = views.at(hours)
        flow = flows[:, i, j] + sum(views.changes(hours, c).flows.get((i, j), 0.0) for c in conditions)
        total += _weighed(moved, flow / sight.weights[:, i])
    for report, each in found.caused.items():
        ways = [rates for _, _, rates in views.ways(report)]
        if [rates.shape for rates in ways] != [caused.shape for caused in each]:
            return -math.inf
        total += sum(_weighed(caused, rates) for rates, caused in zip(ways, each, strict=True))
    return total


def _weighed(counted: Array, rates: Array) -> float:
    """`sum counted log rates`, where anything was counted."""
    there = counted > 0.0
    return float((counted[there] * np.log(np.maximum(rates[there], 1e-300))).sum())
