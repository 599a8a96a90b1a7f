"""One step away from the defaults: of the rates that only say how sensors see, in which likelihood and answers agree.

A whole fit of a model that is only nearly right pays for likelihood with answers: the rates that say how people walk
then explain what the model gets wrong elsewhere. Those that only say how sensors see do so far less.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

import numpy as np

from presence.floorplan import Floorplan
from presence.learn.bench import Bench
from presence.learn.em import Rate, improve, rates_of, slopes, with_factors
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
AGREEING = ("sensors", "hands", "single sensors")
"""The groups in which likelihood and answers agreed wherever they were tried (`benchmarks/agreement.py`); of doors and
seats, they did not in one real home."""
TREMBLE = 5e-4
"""Nats an instant by which a part may be told worse in any case: hypotheses merged in another order change it by so
much. No source."""


def first_step(bench: Bench, stretches: Sequence[Stretch]) -> Settings | None:
    """One M step from the defaults of the rates for which likelihood and answers agree; None where it changes nothing.

    One step, for a step that stops early is a shrunken fit: more iterations were likelier where they were fitted, and
    on later sessions less likely than one.
    """
    plan, rates = bench.plan, rates_of(bench.plan, places=True, silent=bench.silent)
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
        parts = grouped(rates)
        logs = one_by_one(plan, found, [parts[group] for group in AGREEING])
        told = [logs.get(rate, 0.0) for rate in rates]
        bench.journal.note(question, told)
    settings = rounded(with_factors(Settings(), dict(zip(rates, told, strict=True))))
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


def grouped(rates: Iterable[Rate]) -> dict[str, list[Rate]]:
    """Rates group by group."""
    parts: dict[str, list[Rate]] = {group: [] for group in GROUPS}
    for rate in rates:
        parts[next(group for group, takes in GROUPS.items() if takes(rate))].append(rate)
    return parts
