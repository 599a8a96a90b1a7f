"""What if a sensor were added, or taken away? The same simulated lives with and without it, scored side by side.

    candidates -> one trial per change and seed, and one of the plan as it is -> paired differences -> ranking

Adding or removing a sensor changes nothing in the lives, nor in what the other sensors report, so differences are
due to that sensor alone; what is left of chance is the spread over the seeds.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from presence.errors import LogError, SettingError
from presence.evaluate import Scoring
from presence.events import reorder
from presence.floorplan import AWAY, KINDS, Floorplan, Sensor
from presence.many import Outcome, run_many
from presence.permitted import check_seconds
from presence.replay import LEAST_STEP, replay
from presence.settings import Settings
from presence.simulate import simulate
from presence.snapshot import Belief

HOLD = 30.0
"""Seconds that an added motion sensor stays on after the last movement. Common practice, no source."""
ADDABLE = ("motion", "contact", "occupancy", "camera", "pressure", "phone")
"""Kinds of sensors that can be added for a trial."""
DEFAULT_KINDS = ("motion", "contact")
FIGURES = ("false_off_minutes_per_day", "wasted_minutes_per_day", "doubt", "log_loss")
"""What is compared; less is better. `doubt`: mean over time of the entropy of every room's occupancy, summed over
rooms, in bits. `log_loss`: nats per room and sample; it falls only if the certainty that is gained is right."""
T_95 = (12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228, 2.201, 2.179, 2.160, 2.145, 2.131)
"""Student's t for a two-sided 95 % interval with 1, 2, ... degrees of freedom; with more than 15, the last is used.
NIST/SEMATECH e-Handbook of Statistical Methods, table 1.3.6.7.2 (from memory, checked against scipy by a test)."""

Done = Iterator[tuple[int, Outcome[dict[str, float]]]]
"""Trials that are done, by number."""


@dataclass(frozen=True, slots=True)
class Change:
    """One sensor more, or one less."""

    sensor: Sensor
    added: bool


@dataclass(frozen=True, slots=True)
class Trial:
    """Some days of simulated life with one change (or none), tracked and scored."""

    plan: Floorplan
    change: Change | None
    seed: int
    days: float
    every: float
    settings: Settings | None = None


@dataclass(frozen=True, slots=True)
class Spread:
    """Differences between the plan as it is and with a change, one a seed; above zero: better with the change."""

    values: tuple[float, ...]

    @property
    def mean(self) -> float:
        """Over the seeds."""
        return float(np.mean(self.values))

    @property
    def margin(self) -> float:
        """Half the width of the 95 % interval of the mean, `t s / sqrt(n)`; infinite for one seed."""
        n = len(self.values)
        if n < 2:
            return math.inf
        return T_95[min(n - 2, len(T_95) - 1)] * float(np.std(self.values, ddof=1)) / math.sqrt(n)

    @property
    def sure(self) -> bool:
        """Whether that interval leaves out zero."""
        return abs(self.mean) > self.margin


@dataclass(frozen=True, slots=True)
class Gain:
    """What one change would save, by the names of `FIGURES`."""

    change: Change
    saved: Mapping[str, Spread]


@dataclass(frozen=True, slots=True)
class Advice:
    """The changes, best first, beside the plan as it is."""

    plan: str
    days: float
    seeds: tuple[int, ...]
    now: Mapping[str, float]
    """Figures of the plan as it is, means over the seeds."""
    gains: tuple[Gain, ...]
    """By dark minutes saved (off with somebody there), then by doubt taken away."""
    failed: tuple[str, ...]
    """Trials that came to nothing, and why; their changes are left out."""


def candidates(plan: Floorplan, kinds: Sequence[str] = DEFAULT_KINDS, *, removals: bool = True) -> list[Change]:
    """The changes to try: each kind where the plan has none of it, and each sensor of the plan taken away.

    Motion goes into indoor rooms without a motion or occupancy sensor, occupancy into indoor rooms without one, contact
    on doors with a leaf, camera outdoors, pressure where people sleep, phone to people.

    Raises:
        SettingError: if a kind cannot be tried.
    """
    changes: list[Change] = []
    have = {(s.kind, s.room or s.door or s.person) for s in plan.sensors.values()}
    for kind in dict.fromkeys(kinds):
        if kind not in ADDABLE:
            raise SettingError(f"kinds: {kind!r} cannot be tried; {', '.join(ADDABLE)} can")
        for place in _places(plan, kind):
            watched = (kind, place) in have or (kind == "motion" and ("occupancy", place) in have)
            if not watched:
                changes.append(Change(_sensor(plan, kind, place), added=True))
    if removals and len(plan.sensors) > 1:  # without any sensor there is nothing to score
        changes += [Change(sensor, added=False) for sensor in plan.sensors.values()]
    return changes


def _places(plan: Floorplan, kind: str) -> list[str]:
    if kind == "contact":
        return [door.id for door in plan.doors.values() if door.leaf != "none"]
    if kind == "phone":
        return list(plan.people)
    rooms = [room for room in plan.rooms.values() if room.id != AWAY and room.outdoors == (kind == "camera")]
    return [room.id for room in rooms if kind != "pressure" or room.rest]


def _sensor(plan: Floorplan, kind: str, place: str) -> Sensor:
    name = f"{place}_{kind}"
    while name in plan.sensors:
        name += "_new"
    where: dict[str, str | None] = {"room": None, "door": None, "person": None, KINDS[kind].place: place}
    return Sensor(name, kind, **where, hold=HOLD if kind == "motion" else None, at=None, reach=None)


def run_trial(trial: Trial) -> dict[str, float]:
    """Live, track and score one trial; the figures of `FIGURES`.

    The lives are watched by the plan's sensors and an added one; what a removed one reports is left out afterwards, so
    that the others report the same with and without it.

    Raises:
        SettingError: if the sensors say too little to be scored.
    """
    plan, change = trial.plan, trial.change
    if change is None:
        watched = tracked = plan
    elif change.added:
        watched = tracked = replace(plan, sensors={**plan.sensors, change.sensor.id: change.sensor})
    else:
        watched = plan
        tracked = replace(plan, sensors={k: s for k, s in plan.sensors.items() if k != change.sensor.id})
    lives = simulate(watched, days=trial.days, seed=trial.seed)
    events = reorder(event for event in lives.log if event.sensor in tracked.sensors)
    scoring = Scoring(tracked, lives.truth, trial.every)
    doubt: list[float] = []
    for line in replay(tracked, scoring.watch(events), every=trial.every, settings=trial.settings):
        if isinstance(line, Belief):
            doubt.append(_bits(np.array(list(line.rooms.values()))))
        if not scoring.line(line):
            break
    try:
        scores = scoring.scores()
    except LogError:  # log and truth cover no instant together
        message = f"in {trial.days:g} days its sensors say too little to be scored; more of either would be right"
        raise SettingError(message) from None
    return {**scores.switching, "doubt": float(np.mean(doubt)), "log_loss": scores.rooms["log_loss"]}


def _bits(p: NDArray[np.float64]) -> float:
    """Entropy of independent yes-or-no questions, `sum of -p log2 p - (1 - p) log2(1 - p)`."""
    inside = np.clip(p, 1e-12, 1 - 1e-12)
    return float(-(inside * np.log2(inside) + (1 - inside) * np.log2(1 - inside)).sum())


def advise(
    plan: Floorplan,
    *,
    days: float = 3.0,
    seeds: Sequence[int] = (1, 2, 3, 4, 5),
    kinds: Sequence[str] = DEFAULT_KINDS,
    removals: bool = True,
    every: float = 60.0,
    settings: Settings | None = None,
    workers: int = 0,
    scheduler: str | None = None,
    watch: Callable[[Done, int], Done] | None = None,
) -> Advice:
    """Try every change with every seed, and rank them.

    Args:
        plan: the home.
        days: simulated for each trial.
        seeds: one life each; the same for every change.
        kinds: of sensors to add, from `ADDABLE`.
        removals: also try to take each sensor away.
        every: step of the grid, seconds.
        settings: rates and probabilities of the model that follows those lives.
        workers: as `presence.many.run_many`.
        scheduler: the same.
        watch: passes trials and their number through; for telling how far it has come.

    Raises:
        SettingError: if a kind cannot be tried, nothing is left to try, `every` is no step, or the plan as it is cannot
            be simulated.
    """
    check_seconds("every", every, LEAST_STEP)
    tried = candidates(plan, kinds, removals=removals)
    if not tried:
        others = ", ".join(kind for kind in ADDABLE if kind not in kinds)
        message = "nothing to try: the plan has these kinds wherever they fit, and no sensor is to be taken away"
        raise SettingError(f"kinds: {message}; {others or 'removals'} could be tried")
    changes: list[Change | None] = [None, *tried]
    trials = [Trial(plan, change, seed, days, every, settings) for change in changes for seed in seeds]
    done = run_many(trials, run_trial, workers=workers, scheduler=scheduler)
    outcomes = dict(done if watch is None else watch(done, len(trials)))
    found = [[outcomes[i * len(seeds) + k] for k in range(len(seeds))] for i in range(len(changes))]
    broken = [outcome.error for outcome in found[0] if outcome.result is None]
    if broken:
        raise SettingError(f"the plan as it is cannot be tried: {broken[0]}")
    now = [outcome.result or {} for outcome in found[0]]
    gains, failed = [], []
    for change, row in zip(changes[1:], found[1:], strict=True):
        assert change is not None
        errors = [outcome.error for outcome in row if outcome.result is None]
        if errors:
            failed.append(f"{change.sensor.id}: {errors[0]}")
        else:
            gains.append(Gain(change, _saved(now, [outcome.result or {} for outcome in row])))
    gains.sort(key=lambda gain: (-gain.saved[FIGURES[0]].mean, -gain.saved["doubt"].mean, gain.change.sensor.id))
    means = {name: float(np.mean([row[name] for row in now])) for name in FIGURES}
    return Advice(plan.name, days, tuple(seeds), means, tuple(gains), tuple(failed))


def _saved(now: Sequence[Mapping[str, float]], then: Sequence[Mapping[str, float]]) -> dict[str, Spread]:
    return {name: Spread(tuple(a[name] - b[name] for a, b in zip(now, then, strict=True))) for name in FIGURES}
