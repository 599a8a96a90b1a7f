"""Fitting the model to a home's own logs without labels: propose on the first days, keep what later days confirm.

Candidates: the defaults; one M step of the rates in which likelihood and answers agree (`steps.first_step`), taken
unless a witness surely objects, while all others must surely help; EM on expected counts, first of rates, then with
factors of rooms, sensors and doors; room stays by pomegranate for one resident; on top of the best of those, habits by
the hour of the week, and how long phones take to notice; and a search of the predictive score that begins at the best
of all.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from presence.errors import EventError
from presence.events import Event, check_event
from presence.floorplan import Floorplan
from presence.learn.bench import Bench, Say
from presence.learn.dials import SPREAD, WIDEST, Dial, dials_of, turned
from presence.learn.journal import Journal, digest
from presence.learn.judge import Verdict, courses, gain, instants
from presence.learn.proposals import Counted, counted_days, days_counted, habits, propose, room_stays
from presence.learn.recordings import Material, first_days, judged_longer, material
from presence.learn.report import FIRST, describe
from presence.learn.search import Point, climb
from presence.learn.sensors import (
    measured_holds,
    phone_delays,
    phone_notes,
    phone_patience,
    sensor_notes,
    silent_sensors,
)
from presence.learn.steps import first_step, unopposed
from presence.learned import Learned, apply, rounded
from presence.settings import Settings

LEAST_DAYS = 2.0
"""Fewer days than this teach nothing that later days could confirm."""
SLIGHT, LOSS = 0.002, 0.01
"""Nats per instant: the part about the number at home may fall by the one and a standard error up to the other."""
DOUBT = 2.0
"""Standard errors that a gain must be worth: what may be chance is not worth a change of what people are used to.
Common practice, no source."""
STEPS = (math.log(2.5), math.log(1.5))
"""Turns of the dials, the larger first."""


@dataclass(frozen=True, slots=True)
class Effort:
    """How much is worked out."""

    turns: int = 10
    """The largest number of settings that the search tries."""
    fitting_days: float = 3.0
    """Days on which each is tried..."""
    judging_days: float = 6.0
    """...and on which all are judged at last."""
    hypotheses: int = 16
    grid: bool = True
    """Whether pomegranate, where it is installed, fits room stays of a home with one resident."""
    all_days: bool = False
    """Whether rates and habits are counted on all days for fitting, not on the first few: hours for a long log."""


def fit(
    plan: Floorplan,
    logs: Sequence[Sequence[Event]],
    *,
    effort: Effort | None = None,
    state: Path | None = None,
    resume: bool = False,
    say: Say = lambda text: None,
    keep: Callable[[Learned], None] = lambda learned: None,
) -> Learned:
    """What a home's own logs teach about it.

    Args:
        plan: the home.
        logs: one or more logs, each in order of time; several need not follow each other.
        effort: how much is worked out.
        state: file that is written while working, so that a stopped run can go on.
        resume: go on from that file.
        say: is told of progress.
        keep: is given what was learned before the state is removed, to write it down: who cannot keeps the state.

    Raises:
        InputError: if there is nothing to resume, if something else was begun, or if there is a state and `resume` is
            not asked for.
        EventError: if a log holds an event that the plan's sensors cannot have sent.
    """
    effort = effort or Effort()
    given = material([_in_order(plan, log) for log in logs])
    counted = days_counted(plan, effort.all_days)["rates"]
    given = judged_longer(given, max(counted, effort.fitting_days), effort.judging_days)
    notes = [*given.notes, *sensor_notes(plan, given.stretches)]
    notes += phone_notes(phone_delays(plan, given.stretches))
    if (reason := _too_little(plan, given, effort)) is not None:
        notes.insert(0, f"{reason}: the defaults stay")
        learned = apply(plan, Settings(), {}, describe(given, {}, "defaults", notes))
        keep(learned)
        return learned
    holds = measured_holds(plan, given.stretches)
    journal = Journal(state, _about(plan, given, effort), resume=resume)
    bench = _bench(apply(plan, Settings(), holds, {}).plan, given, effort, journal, say, notes)
    candidates, more = propose_all(bench, given, effort)
    verdicts = _verdicts(bench, candidates)
    chosen = decide(verdicts, sessions=given.sessions)
    report = describe(given, verdicts, chosen, notes) | more
    report["planned_holds"] = {sensor: plan.sensors[sensor].hold for sensor in holds}
    report["days_used"] = _days_used(bench, given)
    learned = apply(plan, candidates[chosen], holds, report, candidates)
    keep(learned)
    bench.journal.close()
    return learned


def _too_little(plan: Floorplan, given: Material, effort: Effort) -> str | None:
    """Why nothing can be learned that later days could confirm."""
    if not (given.sessions or given.days >= LEAST_DAYS) or not given.judging or not given.fitting:
        days = math.floor(100.0 * given.days) / 100.0  # rounded, 1.96 days would be the 2 that are asked for
        return f"{days:g} days of events are too few (at least {LEAST_DAYS:g})"
    if silent_sensors(plan, given.stretches) == set(plan.sensors):
        return "no sensor has reported anything but whether it can be heard"
    parts = first_days(given.fitting, effort.fitting_days), first_days(given.judging, effort.judging_days)
    if all(any(len(instants(stretch, given.timescales)) for stretch in part) for part in parts):
        return None
    minutes = math.ceil((given.timescales.warm_up + given.timescales.count_ahead[1]) / 60.0)
    return f"the logs are too short to judge anything by (more than {minutes} minutes each would be right)"


def _in_order(plan: Floorplan, log: Sequence[Event]) -> list[Event]:
    if isinstance(log, Event):
        raise EventError("logs: an event stands where a log would be right; of a single log, fit(plan, [log])")
    for event in log:
        check_event(plan, event)
    return sorted(log, key=lambda event: event.seconds)


def _bench(home: Floorplan, given: Material, effort: Effort, journal: Journal, say: Say, notes: list[str]) -> Bench:
    """On which days settings are tried, and on which they are judged at last."""
    fitting, judging = (
        courses(home, first_days(stretches, days), given.timescales)
        for stretches, days in ((given.fitting, effort.fitting_days), (given.judging, effort.judging_days))
    )
    return Bench(
        home, fitting, judging, journal, effort.hypotheses, say, notes=notes, timescales=given.timescales,
        silent=silent_sensors(home, given.stretches), all_days=effort.all_days,
    )  # fmt: skip


def _days_used(bench: Bench, given: Material) -> dict[str, float]:
    """How many days each part of the work rests on."""
    parts = {
        **counted_days(bench, given.fitting),
        "search": [course.stretch for course in bench.fitting],
        "judge": [course.stretch for course in bench.judging],
    }
    return {name: round(sum(stretch.days for stretch in stretches), 2) for name, stretches in parts.items()}


def _about(plan: Floorplan, given: Material, effort: Effort) -> dict[str, Any]:
    """What the journal's answers depend on."""
    told = [[(e.seconds, e.sensor, e.value, e.by, e.code) for e in stretch.events] for stretch in given.stretches]
    return {"plan": digest(plan), "logs": digest(told), "options": str(effort)}


def propose_all(bench: Bench, given: Material, effort: Effort) -> tuple[dict[str, Settings], dict[str, Any]]:
    """Every candidate by name, and what the report says of how they came about."""
    days = counted_days(bench, given.fitting)["rates"]
    first, counted = first_step(bench, days), propose(bench, given.fitting)
    candidates = {"defaults": Settings(), **{name: found.settings for name, found in counted.items()}}
    candidates |= {FIRST: first} if first is not None else {}
    if effort.grid and (by_grid := room_stays(bench.plan, given.fitting)) is not None:
        candidates["room stays"] = by_grid
    best = _best(bench, candidates)
    if not given.sessions and (weekly := habits(bench, given.fitting, candidates[best])) is not None:
        candidates["habits"] = weekly
    if (patience := phone_patience(phone_delays(bench.plan, given.fitting))) is not None:
        base = candidates.get("habits", candidates[best])
        candidates["phones"] = rounded(replace(base, phone_still=patience))
    if effort.turns:
        best = _best(bench, candidates)
        _verdicts(bench, candidates)  # noted in the journal before the long search, which may be stopped
        candidates["search"] = search(bench, candidates[best], effort.turns)
    more = {"search_began_from": best, "expected_events": _events(counted), "known_to": _known_to(counted)}
    return candidates, more


def _best(bench: Bench, candidates: Mapping[str, Settings]) -> str:
    """The candidate that tells best what is seen in rooms later, on the days for fitting."""
    told = {}
    for name, settings in candidates.items():
        bench.say(f"{name}: tried on the first days")
        told[name] = bench.score(settings, ())[-1]
    return max(told, key=lambda name: told[name])


def _verdicts(bench: Bench, candidates: Mapping[str, Settings]) -> dict[str, Verdict]:
    """How each candidate does on the later days."""
    verdicts = {}
    for number, (name, settings) in enumerate(candidates.items(), 1):
        bench.say(f"{name}: judged on later days, {number} of {len(candidates)}")
        verdicts[name] = bench.verdict(settings)
    return verdicts


def _events(counted: Mapping[str, Counted]) -> dict[str, float]:
    """How many events each rate rests on, by the last stage."""
    stages = list(counted.values())
    return {name: round(count, 1) for name, count in stages[-1].events.items()} if stages else {}


def _known_to(counted: Mapping[str, Counted]) -> dict[str, float]:
    """To which factor each rate that holds everywhere is known."""
    return {name: round(factor, 2) for stage in counted.values() for name, factor in stage.known_to.items()}


def search(bench: Bench, start: Settings, turns: int) -> Settings:
    """Climb the predictive score over the dials, from some settings on."""
    dials = dials_of(bench.plan, bench.silent)
    best: list[float] = []

    def value(point: Point, beat: float) -> float:
        settings = rounded(turned(start, _factors(dials, point)))
        scores = bench.score(settings, best)
        if len(scores) < len(best):
            return -math.inf
        penalty = sum(0.5 * (x / math.log(SPREAD)) ** 2 for x in point)
        found = scores[-1] - penalty / bench.samples()
        if found > beat:
            best[:] = scores
        bench.say(f"search: {bench.asked} settings tried, best score {max(found, beat):.4f}")
        return found

    origin = (0.0,) * len(dials)
    point, _ = climb(value, origin, steps=STEPS, bound=math.log(WIDEST), most=turns)
    return rounded(turned(start, _factors(dials, point)))


def decide(verdicts: Mapping[str, Verdict], *, sessions: bool = False) -> str:
    """What surely helps; else the first step, unless a witness surely objects; else the defaults.

    In a set of short sessions the witnesses hear an hour: too little to object, so the defaults stay.
    """
    chosen = choose(verdicts, DOUBT)
    if chosen != "defaults" or FIRST not in verdicts or sessions:
        return chosen
    return FIRST if unopposed(verdicts[FIRST], verdicts["defaults"], DOUBT) else chosen


def choose(verdicts: Mapping[str, Verdict], doubt: float = 0.0) -> str:
    """The candidate that tells best what is seen in rooms later, if every witness prefers it to the defaults.

    It must gain in rooms, lose nothing in the number at home, and be likelier. Each witness alone has chosen settings
    that the truth calls worse (`benchmarks/judges.py`); where they disagree, the defaults stay. Of several that tell
    rooms equally well, to a standard error, the likeliest is taken. What is gained in rooms must be more than `doubt`
    standard errors.
    """
    usual = verdicts["defaults"]
    good = ["defaults"]
    for name, verdict in verdicts.items():
        total, error = gain(verdict, usual)
        keeps_number = total[0] >= -min(error[0], LOSS) - SLIGHT
        surely = total[1] > (doubt * error[1] if doubt else 0.0)
        if surely and keeps_number and verdict.log_likelihood > usual.log_likelihood:
            good.append(name)
    best = verdicts[max(good, key=lambda name: verdicts[name].rooms)]
    near = [name for name in good if _alike(best, verdicts[name])]
    return max(near, key=lambda name: verdicts[name].log_likelihood)


def _alike(best: Verdict, other: Verdict) -> bool:
    """Whether the best tells rooms better by no more than a standard error."""
    total, error = gain(best, other)
    return float(total[1]) <= (float(error[1]) if math.isfinite(error[1]) else 0.0)


def _factors(dials: Sequence[Dial], point: Point) -> dict[Dial, float]:
    return {dial: math.exp(x) for dial, x in zip(dials, point, strict=True) if x}
