"""The model's own rates, as the E step asks for them: of every being, under any settings, their habits turned or not.

They come from the model's own code (`sensing`, `conditions`): nothing about the home is written down twice.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.conditions import entries_of
from presence.habits import Hour, Hours
from presence.learn.tape import Report, Stage
from presence.model import Model
from presence.sensing import Sight
from presence.world import Condition

Array = NDArray[np.float64]
Cell = tuple[int, int]
"""States before and after."""


class Changes(NamedTuple):
    """What a condition changes in the generators of P beings."""

    diagonal: Array
    """Shape (P, S), 1/s."""
    flows: dict[Cell, Array]
    """Shape (P,): flows added from one state to another."""


class Views:
    """How a model makes everybody move and be seen, for each answer to "what do habits say now?".

    Args:
        model: the home under some settings.
        p: the being whose habits are turned...
        turn: ...by these factors of an `Hour`, or to sleeping hours or not; none: everybody's as they are.
    """

    def __init__(self, model: Model, p: int = 0, turn: Mapping[str, Any] | None = None) -> None:
        self.model = model
        self._p, self._turn = p, dict(turn or {})
        self._ways: dict[Report, list[tuple[NDArray[np.intp], NDArray[np.intp], Array]]] = {}
        self._sights: dict[Hours, tuple[Sight, Array, Array]] = {}
        self._changes: dict[tuple[Hours, Condition], Changes] = {}

    def at(self, hours: Hours) -> tuple[Sight, Array, Array]:
        """The sight, silent flows (P, S, S) and total rates of leaving or being seen (P, S)."""
        if hours not in self._sights:
            turned, own = list(hours), hours[self._p]._asdict()
            turned[self._p] = Hour(**own | {k: v if k == "asleep" else v * own[k] for k, v in self._turn.items()})
            sight = self.model.sight(tuple(turned))
            flows = sight.silent_flows()
            np.einsum("pii->pi", flows)[:] = 0.0
            self._sights[hours] = sight, flows, flows.sum(axis=2) / sight.weights + sight.losses()
        return self._sights[hours]

    def changes(self, hours: Hours, condition: Condition) -> Changes:
        """What a condition changes."""
        key = hours, condition
        if key not in self._changes:
            sight = self.at(hours)[0]
            changed = Changes(np.zeros_like(sight.weights), {})
            for i, j, rate, both in entries_of(sight, *condition):
                if i == j:
                    changed.diagonal[:, i] += rate
                    continue
                for cell in [(i, j), (j, i)] if both else [(i, j)]:
                    changed.flows[cell] = changed.flows.get(cell, 0.0) + rate
            self._changes[key] = changed
        return self._changes[key]

    def generator(self, stage: Stage, p: int) -> Array:
        """D0 of one being under a stage, shape (S, S)."""
        hours, conditions = stage
        sight, flows, leaving = self.at(hours)
        weights = sight.weights[p]
        generator = flows[p] / weights[:, None]
        diagonal = -leaving[p]
        for condition in sorted(conditions):
            changed = self.changes(hours, condition)
            diagonal = diagonal + changed.diagonal[p]
            for (i, j), flow in changed.flows.items():
                generator[i, j] += flow[p] / weights[i]
        np.fill_diagonal(generator, diagonal)
        return np.asarray(generator, dtype=np.float64)

    def ways(self, report: Report) -> list[tuple[NDArray[np.intp], NDArray[np.intp], Array]]:
        """Ways of causing an event: states before (m,), after (t,), rates (P, m, t)."""
        if report not in self._ways:
            self._ways[report] = self._ways_of(report)
        return self._ways[report]

    def _ways_of(self, report: Report) -> list[tuple[NDArray[np.intp], NDArray[np.intp], Array]]:
        sight, _, _ = self.at(report.hours)
        sensor = self.model.plan.sensors[report.sensor]
        share = self._code_share(report.code)[:, None, None]
        ways = sight.options(sensor, report.value, report.by, report.open_share)
        return [(way.source, way.target, way.rates * share * way.times) for way in ways]

    def _code_share(self, code: str | None) -> Array:
        people = self.model.plan.people
        owners = {person.id for person in people.values() if code in person.codes}
        slip = self.model.settings.code_slip if owners else 1.0
        return np.array([1.0 if code is None or b.id in owners else slip for b in self.model.beings])
