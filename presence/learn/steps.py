"""Small steps away from the defaults: a few rates at a time, kept only where every witness prefers them, twice over.

A whole fit of a model that is never quite right pays for likelihood with answers: the rates that say how people walk
then explain what the model gets wrong elsewhere. Those that only say how sensors see do so far less. So, from where one
stands:

1. One E step, and from it one M step of every rate (priors as in `em`): a step that stops early is a shrunken fit.
2. All of the step is tried. If that is refused, one group of rates after another, the whole step and then half of it.
3. A step is kept if the log grows likelier and neither rooms nor the number at home are told worse by more than half a
   standard error, on the days for fitting and on the later ones alike; and if rooms are told better on both together.
4. From there once more with the groups that were kept, until none is.

This rule was written down before any labelled score of what it chooses had been seen.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict
from typing import NamedTuple

import numpy as np

from presence.floorplan import Floorplan
from presence.learn.bench import Bench
from presence.learn.em import LARGEST_STEP, Factors, Rate, improve, rates_of, slopes, with_factors
from presence.learn.journal import digest
from presence.learn.judge import Verdict, gain
from presence.learn.recordings import Stretch
from presence.learn.statistics import Statistics
from presence.learned import rounded
from presence.settings import Settings

SENSING = ("motion_rates", "zone_motion_rates", "occupancy_rates", "camera_rates")
RESTING = ("settling_rate", "rising_rate", "unseated_rising_rate", "zone_settling_rate", "zone_rising_rate")
GROUPS: Mapping[str, Callable[[Rate], bool]] = {
    "sensors": lambda rate: rate.setting in SENSING and rate.where is None,
    "hands": lambda rate: rate.setting in ("switch_rates", "power_rates"),
    "single sensors": lambda rate: rate.setting in SENSING and rate.where is not None,
    "doors": lambda rate: rate.setting in ("door_idle_share", "door_closing_rate"),
    "seats": lambda rate: rate.setting.startswith("seat_"),
    "going out": lambda rate: (
        rate.setting in ("outer_door_rate", "outdoor_rate", "errand_rate", "outing_rate", "return_rate")
    ),
    "sleeping": lambda rate: rate.setting in ("dozing_rate", "waking_rate", "bedtime_rate", "night_waking_rate"),
    "resting": lambda rate: rate.setting in RESTING and rate.where is None,
    "walking": lambda rate: rate.setting not in RESTING and rate.where is None,
    "single places": lambda rate: rate.where is not None,
}
"""Each rate is in the first group that takes it: how sensors see first, how people move last."""
ALL = "all rates"
AGREEING = ("sensors", "hands", "single sensors", "doors", "seats")
"""The groups in which likelihood and answers agreed wherever they were tried (`benchmarks/agreement.py`)."""
SHARES = (1.0, 0.5)
ROUNDS = 4
"""E steps, at most."""
WORTH = 1.0
"""Nats that a step must promise on the days for fitting (by its slope) to be worth trying."""
DOUBT, TREMBLE = 0.5, 5e-4
"""Standard errors, and nats an instant, by which a part may be told worse: less would refuse most of what changes
nothing, for hypotheses merged in another order change it by so much. No source."""


Wanted = Mapping[Rate, tuple[float, float]]
"""The step of each rate (a logarithm), and what it promises by its slope: nats."""


class Step(NamedTuple):
    """One step that was tried."""

    group: str
    share: float
    kept: bool


class Stepped(NamedTuple):
    """Where the steps lead."""

    settings: Settings
    tried: list[Step]


def small_steps(bench: Bench, stretches: Sequence[Stretch], most: int) -> Stepped:
    """Where the steps lead from the defaults, and all that were tried.

    Args:
        bench: the home, its days for fitting and for judging.
        stretches: those that are counted.
        most: the largest number of steps that are tried: each takes a replay of all days.
    """
    now, tried = dict[Rate, float](dict.fromkeys(rates_of(bench.plan, places=True), 0.0)), list[Step]()
    groups = [ALL, *GROUPS]
    for _ in range(ROUNDS if bench.plan.people else 0):
        if not groups or len(tried) >= most:
            break
        try:
            parts = grouped(_wanted(bench, stretches, now))
        except FloatingPointError as error:
            bench.notes.append(f"expected counts could not be worked out ({error}): no further small steps")
            break
        helped = list[str]()
        for group in groups:
            before = now
            now, steps = _along(bench, now, group, parts[group], most - len(tried))
            tried += steps
            helped += [group] if now != before else []
            if helped == [ALL]:
                break
        groups = helped
    return Stepped(settings_at(now), tried)


def first_step(bench: Bench, stretches: Sequence[Stretch]) -> Settings | None:
    """One M step from the defaults of the rates for which likelihood and answers agree; None where it changes nothing.

    One step, for a step that stops early is a shrunken fit: more iterations were likelier where they were fitted, and
    on later sessions less likely than one.
    """
    plan, rates = bench.plan, rates_of(bench.plan, places=True)
    if not plan.people:
        return None
    question = f"first step {digest([AGREEING, len(stretches)])}"
    told = bench.journal.ask(question)
    if told is None:
        bench.say("first step: following the log")
        try:
            found = bench.counts(Settings(), stretches)
        except FloatingPointError as error:
            bench.notes.append(f"expected counts could not be worked out ({error}): no first step")
            return None
        parts = grouped(dict.fromkeys(rates, (0.0, 0.0)))
        logs = one_by_one(plan, found, [list(parts[group]) for group in AGREEING])
        told = [logs.get(rate, 0.0) for rate in rates]
        bench.journal.note(question, told)
    settings = settings_at(dict(zip(rates, told, strict=True)))
    return None if settings == Settings() else settings


def one_by_one(plan: Floorplan, found: Statistics, groups: Iterable[Sequence[Rate]]) -> dict[Rate, float]:
    """An M step from the defaults, one group of rates after another, on the same counts: each raises what is expected.

    All rates at once, each as if the others stood still, step too far where several explain the same events
    (conditional maximisation: Meng & Rubin 1993, Biometrika 80:267). Returns logarithms of factors.
    """
    logs: dict[Rate, float] = {}
    for rates in groups:
        start, here = with_factors(Settings(), logs), dict.fromkeys(rates, 0.0)
        if here:
            logs |= improve(plan, found, start, here, 1.0, slopes(plan, found, start, here, 1.0))
    return logs


def unopposed(verdict: Verdict, other: Verdict, doubt: float) -> bool:
    """Whether the log grows likelier, and neither part of the score surely falls (by so many standard errors)."""
    total, error = gain(verdict, other)
    falls = total[:2] < -doubt * np.nan_to_num(error[:2], posinf=0.0) - TREMBLE
    return bool(verdict.log_likelihood > other.log_likelihood and not falls.any())


def settings_at(logs: Factors) -> Settings:
    """The defaults with factors, as they come back from a file."""
    return rounded(with_factors(Settings(), logs))


def grouped(wanted: Wanted) -> dict[str, Wanted]:
    """All rates together, then group by group."""
    parts: dict[str, dict[Rate, tuple[float, float]]] = {ALL: dict(wanted), **{group: {} for group in GROUPS}}
    for rate, step in wanted.items():
        parts[next(group for group, takes in GROUPS.items() if takes(rate))][rate] = step
    return dict(parts)


def _along(
    bench: Bench, now: dict[Rate, float], group: str, part: Wanted, most: int
) -> tuple[dict[Rate, float], list[Step]]:
    """The whole step of some rates, or half of it, if it promises enough and is preferred; and what was tried."""
    tried: list[Step] = []
    for share in SHARES[:most]:
        if share * sum(worth for _, worth in part.values()) < WORTH:
            break
        bench.say(f"small steps: {group}, {share:g} of the step")
        there = now | {rate: now[rate] + share * log for rate, (log, _) in part.items()}
        kept = preferred(bench, settings_at(there), settings_at(now))
        tried.append(Step(group, share, kept))
        if kept:
            return there, tried
    return now, tried


def preferred(bench: Bench, settings: Settings, now: Settings) -> bool:
    """Whether every witness prefers some settings to those that hold now, on the days for fitting and on later ones."""
    rooms = 0.0
    for judged in (bench.in_sample, bench.verdict):
        verdict, other = judged(settings), judged(now)
        if not unopposed(verdict, other, DOUBT):
            return False
        rooms += float(gain(verdict, other)[0][1]) * verdict.instants
    return rooms > 0.0


def _wanted(bench: Bench, stretches: Sequence[Stretch], now: Factors) -> Wanted:
    """One M step of every rate by itself, from one E step; from the journal where it stands there."""
    plan, settings = bench.plan, settings_at(now)
    question = f"step {digest([asdict(settings), len(stretches)])}"
    told = bench.journal.ask(question)
    if told is None:
        bench.say("small steps: following the log")
        found = bench.counts(settings, stretches)
        at = slopes(plan, found, Settings(), now, 1.0)
        steps = np.clip(at.step, -LARGEST_STEP, LARGEST_STEP)
        told = [steps.tolist(), (0.5 * steps * at.gradient).tolist()]
        bench.journal.note(question, told)
    return dict(zip(now, zip(*told, strict=True), strict=True))
