"""Habits without labels: waking hours, and going out and coming back by the hour of the week.

Everybody is followed through the log once more (`statistics.follow`), and what happened in each half hour of the week
is weighed under the model's own rates with a habit turned and without. A factor f on a rate adds `n log f - e (f - 1)`
to the expected log-likelihood, so two turns tell how often somebody went out (n) where the settings expect e. Sleeping
hours are those in which the rates of sleeping hours suit better what happened, half hour by half hour.

Priors: an hour of the week is like that hour of a weekday or of the weekend, which is like the hour of any day, which
is like any hour: `PLACE_PSEUDO` events each, as for places in `em`. So ten days tell little and a year speaks. Waking
hours begin and end near the plan's, within `CLOCK_SPREAD`.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.engine import alike
from presence.floorplan import Floorplan
from presence.habits import WEEK, Habit, hour_of_week, power_of_two
from presence.learn.em import PLACE_PSEUDO
from presence.learn.rates import Views
from presence.learn.statistics import Statistics, Timed, follow, weighed
from presence.learn.tape import Quiet, Tape
from presence.model import Model
from presence.settings import Settings

Array = NDArray[np.float64]

SLOT = 1800.0
"""Seconds: habits are counted by the half hour."""
SLOTS = 2 * WEEK
TURN = 2.0
"""The factor by which a rate is turned to see what that would have been worth; any factor tells the same."""
NEIGHBOURS = (0.25, 0.5, 0.25)
"""An hour's events count in part for the hours beside it: nobody is so punctual. No source."""
CLOCK_SPREAD = 5400.0
"""Seconds: standard deviation of waking hours about the plan's. No source."""
ENOUGH = 2.0
"""Nats that other waking hours than the plan's must gain. No source."""
SHORTEST_NIGHT, LONGEST_NIGHT = 8, 24
"""Half hours between which the sleeping hours of a day are looked for. No source."""
TURNS: tuple[Mapping[str, float | bool], ...] = (
    {},
    {"out": TURN},
    {"out": 1.0 / TURN},
    {"back": TURN},
    {"back": 1.0 / TURN},
    {"asleep": False},
    {"asleep": True},
)


class HourCounts(NamedTuple):
    """What one person did in each half hour of the week; shapes (336,)."""

    out: Array
    """Expected number of times that they left the house..."""
    out_expected: Array
    """...and how often the settings would have them leave, in the time that they were about to."""
    back: Array
    back_expected: Array
    asleep: Array
    """Nats by which the rates of sleeping hours suit better than those of waking hours."""

    def plus(self, other: HourCounts) -> HourCounts:
        """Of both together."""
        return HourCounts(*(a + b for a, b in zip(self, other, strict=True)))


def learn_habits(plan: Floorplan, settings: Settings, tapes: Sequence[Tape]) -> dict[str, Habit]:
    """The habits of the residents that differ from the plan's and from any hour's.

    People whom the plan cannot tell apart share theirs.

    Args:
        plan: the home.
        settings: those that the tapes were recorded with.
        tapes: what happened.

    Raises:
        FloatingPointError: if the counts cannot be worked out.
    """
    people = list(plan.people)
    found: dict[str, Habit] = {}
    for group in alike(plan):
        counted = [count_hours(plan, settings, tapes, people.index(name)) for name in group]
        together = counted[0]
        for other in counted[1:]:
            together = together.plus(other)
        habit = habit_of(together, plan.people[group[0]].awake)
        if habit != Habit():
            found |= dict.fromkeys(group, habit)
    return found


def count_hours(plan: Floorplan, settings: Settings, tapes: Sequence[Tape], p: int) -> HourCounts:
    """Follow one person through tapes, and weigh each half hour under every turn.

    The settings may know waking hours, but not how readily anybody goes out and comes back.
    """
    model = Model(plan, settings)
    views = [Views(model, p, turn) for turn in TURNS]
    worth = np.zeros((SLOTS, len(TURNS)))
    for tape in tapes:
        heaps: dict[int, Statistics] = {}

        def settle(heaps: dict[int, Statistics] = heaps) -> None:
            for slot, heap in heaps.items():
                heap.starts.clear()  # where a log begins tells no habit
                worth[slot] += [weighed(view, heap) for view in views]
            heaps.clear()

        def heap_of(slot: Hashable, heaps: dict[int, Statistics] = heaps) -> Statistics:
            assert isinstance(slot, int)
            if slot not in heaps and len(heaps) > 1:
                settle(heaps)
            return heaps.setdefault(slot, Statistics())

        follow(views[0], p, tape.begin, list(_by_slot(plan, tape)), heap_of)
        settle()
    gained = worth - worth[:, :1]
    numbers = [_counts(gained[:, k], gained[:, k + 1]) for k in (1, 3)]
    return HourCounts(*numbers[0], *numbers[1], worth[:, 6] - worth[:, 5])


def _counts(up: Array, down: Array) -> tuple[Array, Array]:
    """Numbers n and e from `n log f - e (f - 1)` at f = 2 and f = 1/2."""
    expected = np.maximum(-(up + down) / (TURN + 1.0 / TURN - 2.0), 0.0)
    happened = np.maximum((up + expected * (TURN - 1.0)) / math.log(TURN), 0.0)
    return happened, expected


def _by_slot(plan: Floorplan, tape: Tape) -> Iterator[Timed]:
    """The steps of a tape, silences cut at full and half hours, each with its half hour of the week."""
    now = tape.seconds
    for step in tape.steps:
        if not isinstance(step, Quiet):
            yield step, _slot(plan, now)
            continue
        left = step.dt
        while left > 0.0:
            slot_end = (math.floor((now + 1e-6) / SLOT) + 1) * SLOT  # a rounding error before one, the next
            part = min(left, slot_end - now)
            yield Quiet(step.stage, part), _slot(plan, now + part / 2)
            now, left = now + part, left - part


def _slot(plan: Floorplan, seconds: float) -> int:
    now = datetime.fromtimestamp(seconds, plan.zone)
    return 2 * hour_of_week(now) + (now.minute >= 30)


def habit_of(counted: HourCounts, awake: tuple[float, float]) -> Habit:
    """The likeliest habit, given what was counted and the priors; `awake` are the plan's waking hours."""
    out, back = (
        tuple(power_of_two(f) for f in week_of(happened, expected).tolist())
        for happened, expected in ((counted.out, counted.out_expected), (counted.back, counted.back_expected))
    )
    hours = waking_hours(counted.asleep.reshape(7, 48).sum(axis=0), awake)
    return Habit(None if hours == awake else hours, out, back)


def week_of(happened: Array, expected: Array) -> Array:
    """Factors (168,) by hour of the week from counts by the half hour, each level of the prior inside the next."""
    n, e = (_smoothed(counts.reshape(WEEK, 2).sum(axis=1)).reshape(7, 24) for counts in (happened, expected))
    factor = np.ones((7, 24))
    levels: list[list[list[int]]] = [[[*range(7)]], [[*range(5)], [5, 6]], [[day] for day in range(7)]]
    for groups in levels:
        for days in groups:
            usual = factor[days[0]]
            factor[days] = usual * (n[days].sum(axis=0) + PLACE_PSEUDO) / (usual * e[days].sum(axis=0) + PLACE_PSEUDO)
    return factor.reshape(WEEK)


def _smoothed(counts: Array) -> Array:
    shifted = [np.roll(counts, shift) * share for shift, share in zip((-1, 0, 1), NEIGHBOURS, strict=True)]
    return np.asarray(np.sum(shifted, axis=0))


def waking_hours(asleep: Array, awake: tuple[float, float]) -> tuple[float, float]:
    """The likeliest waking hours, on full and half hours or the plan's own.

    Args:
        asleep: shape (48,): nats for sleeping hours in each half hour of the day.
        awake: the plan's waking hours, local seconds of the day.
    """
    total = np.concatenate([[0.0], np.cumsum(np.tile(asleep, 2))])
    best, hours = _night(total, awake) + ENOUGH, awake
    for begin in range(48):
        for length in range(SHORTEST_NIGHT, LONGEST_NIGHT + 1):
            other = (SLOT * ((begin + length) % 48), SLOT * begin)
            apart = [min(abs(a - b), 86400.0 - abs(a - b)) for a, b in zip(other, awake, strict=True)]
            value = float(total[begin + length] - total[begin]) - sum((d / CLOCK_SPREAD) ** 2 / 2.0 for d in apart)
            if value > best:
                best, hours = value, other
    return hours


def _night(total: Array, awake: tuple[float, float]) -> float:
    """What the plan's own sleeping hours are worth: half hours in part where they begin in between."""
    end, begin = (clock / SLOT for clock in awake)
    there = np.interp([begin, end + 48.0 * (end <= begin)], np.arange(len(total)), total)
    return float(there[1] - there[0])
