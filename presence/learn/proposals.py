"""Candidates from expected counts: EM on the tracker's own likelihood, and room stays from a grid."""

from __future__ import annotations

import importlib.util
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from statistics import median_low

from presence.floorplan import Floorplan
from presence.habits import Habit, from_mapping, to_mapping
from presence.learn.bench import Bench
from presence.learn.certainty import standard_errors
from presence.learn.em import Fitted, Rate, iterate, rates_of, with_factors
from presence.learn.habits import learn_habits
from presence.learn.journal import digest
from presence.learn.recordings import Stretch, first_days
from presence.learn.tape import Tape
from presence.learned import rounded
from presence.movement import stirring
from presence.places import motion_zones
from presence.settings import Settings

ROUNDS = 8
"""EM iterations of each stage, at most."""
ENOUGH = 0.5
"""Nats: an iteration that raises the log posterior by less ends its stage."""
PERSON_DAYS = 12.0
"""Days times residents that are counted for rates..."""
MOST_DAYS = 6.0
"""...but no more days than this..."""
HABIT_PERSON_DAYS = 56.0
"""...and for habits, which show by the week; unless all days are asked for."""


@dataclass(frozen=True)
class Counted:
    """What a stage of EM found."""

    settings: Settings
    events: Mapping[str, float]
    """Expected number of events of each rate."""
    known_to: Mapping[str, float]
    """The factor that is one standard error of each rate, by the log and the prior together."""
    history: Sequence[tuple[float, float]]
    """Log-likelihood and log posterior before each iteration."""


def days_counted(plan: Floorplan, all_days: bool = False) -> dict[str, float]:
    """On how many days rates and habits are counted, at most."""
    people = max(1, len(plan.people))
    days = {"rates": min(MOST_DAYS, PERSON_DAYS / people), "habits": HABIT_PERSON_DAYS / people}
    return dict.fromkeys(days, math.inf) if all_days else days


def counted_days(bench: Bench, stretches: Sequence[Stretch]) -> dict[str, list[Stretch]]:
    """The first days for fitting, as many as rates and habits are counted on."""
    return {name: first_days(stretches, days) for name, days in days_counted(bench.plan, bench.all_days).items()}


def propose(bench: Bench, stretches: Sequence[Stretch]) -> dict[str, Counted]:
    """EM candidates: rates that hold everywhere, then factors of rooms, sensors and doors on top.

    Exact for one resident without guests; for more, what others may have caused is a background rate (see `tape`).
    """
    plan = bench.plan
    if not plan.people:
        return {}
    chosen = counted_days(bench, stretches)["rates"]
    found: dict[str, Counted] = {}
    start = Settings()
    logs: Mapping[Rate, float] = {}
    for name, places in (("rates", False), ("rates and places", True)):
        counted, logs = _stage(bench, name, chosen, start, rates_of(plan, places=places, silent=bench.silent), logs)
        if counted is None:
            break
        found[name] = counted
    return found


def _stage(
    bench: Bench,
    name: str,
    stretches: Sequence[Stretch],
    start: Settings,
    rates: Sequence[Rate],
    logs: Mapping[Rate, float],
) -> tuple[Counted | None, Mapping[Rate, float]]:
    """One stage of EM, from the journal where it stands there."""
    question = f"em {name} {digest([asdict(start), [str(rate) for rate in rates], len(stretches)])}"
    told = bench.journal.ask(question)
    if told is None:
        try:
            fitted, errors, history = _run(bench, name, stretches, start, rates, logs)
        except FloatingPointError as error:
            bench.notes.append(f"expected counts could not be worked out ({error}): left out")
            return None, logs
        told = [
            [fitted.logs[rate] for rate in rates],
            [fitted.events.get(rate, 0.0) for rate in rates],
            [errors.get(rate, 0.0) for rate in rates],
            history,
        ]
        bench.journal.note(question, told)
    logs = dict(zip(rates, told[0], strict=True))
    events = {str(rate): count for rate, count in zip(rates, told[1], strict=True)}
    known_to = {str(rate): math.exp(error) for rate, error in zip(rates, told[2], strict=True) if error}
    return Counted(rounded(with_factors(start, logs)), events, known_to, [(a, b) for a, b in told[3]]), logs


def _run(
    bench: Bench,
    name: str,
    stretches: Sequence[Stretch],
    start: Settings,
    rates: Sequence[Rate],
    logs: Mapping[Rate, float],
) -> tuple[Fitted, dict[Rate, float], list[tuple[float, float]]]:
    """EM, and how well it knows the rates that hold everywhere."""
    plan, who = bench.plan, range(len(bench.plan.people))
    bench.say(f"{name}: following the log")
    settings = with_factors(start, logs)
    tapes, counts = bench.tapes(settings, stretches), bench.counts(settings, stretches)
    history: list[tuple[float, float]] = []
    for fitted in iterate(plan, tapes, who, rates, start, logs=logs, counts=counts):
        history.append((fitted.log_likelihood, fitted.log_posterior))
        bench.say(f"{name}: iteration {len(history)}, log-likelihood {fitted.log_likelihood:.1f}")
        gained = history[-1][1] - history[-2][1] if len(history) > 1 else float("inf")
        if len(history) > ROUNDS or gained < ENOUGH:
            return fitted, _known(bench, name, tapes, start, fitted), history
    raise AssertionError("iterate never ends by itself")


def _known(bench: Bench, name: str, tapes: Sequence[Tape], start: Settings, fitted: Fitted) -> dict[Rate, float]:
    """Standard errors of rates that hold everywhere; none where the slopes cannot be worked out: the fit stands."""
    if any(rate.where is not None for rate in fitted.logs):
        return {}
    try:
        return standard_errors(bench.plan, tapes, range(len(bench.plan.people)), start, fitted.logs)
    except FloatingPointError as error:
        bench.notes.append(f"{name}: how well each rate is known could not be worked out ({error})")
        return {}


def habits(bench: Bench, stretches: Sequence[Stretch], start: Settings) -> Settings | None:
    """Waking hours, and going out and coming back by the hour of the week, on top of other settings; see `habits`.

    Waking hours first, then once more with these: how long people sleep depends on when they are taken to. None where
    no habit differs from the plan's.
    """
    plan = bench.plan
    if not plan.people:
        return None
    chosen = counted_days(bench, stretches)["habits"]
    question = f"habits {digest([asdict(start), len(stretches)])}"
    told = bench.journal.ask(question)
    if told is None:
        found: dict[str, Habit] = {}
        for _ in range(2):
            bench.say("habits: following the log")
            before = {name: Habit(habit.awake) for name, habit in found.items() if habit.awake is not None}
            settings = replace(start, habits=before)
            try:
                found = learn_habits(plan, settings, bench.tapes(settings, chosen))
            except FloatingPointError as error:
                bench.notes.append(f"habits could not be worked out ({error}): left out")
                return None
            if {name: habit.awake for name, habit in found.items()} == {n: h.awake for n, h in before.items()}:
                break
        told = {name: to_mapping(habit) for name, habit in found.items()}
        bench.journal.note(question, told)
    if not told:
        return None
    return replace(start, habits={name: from_mapping(name, content) for name, content in told.items()})


def room_stays(plan: Floorplan, stretches: Sequence[Stretch]) -> Settings | None:
    """For one resident, factors on stirring from pomegranate's Baum-Welch; None where that cannot be had.

    They tell rooms apart as the model does already (`stirring`), so that is taken off, but for what most rooms share.
    """
    if len(plan.people) != 1 or importlib.util.find_spec("pomegranate") is None:
        return None
    from presence.learn.grid import stay_factors

    found = stay_factors(plan, stretches)
    rooms = [room for room in found if room in plan.indoor and not motion_zones(plan, room)]
    if not rooms:
        return None
    sooner = {room: stirring(plan, room, Settings()) for room in rooms}
    usual = median_low(sooner.values())
    factors = {room: found[room] / (sooner[room] / usual) for room in rooms}
    return rounded(Settings(factors={"rising_rate": factors}))
