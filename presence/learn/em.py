"""Expectation maximisation over the model's rates: expected counts, then the settings that suit them best.

Every rate is its default times a factor f with a gamma prior of `a` pseudo-counts about f = 1: `a (log f - f)` is added
to the expected log-likelihood. With n expected events where the default expects e, the best factor is near
(n + a) / (e + a): three days leave it near 1, a year speaks. No factor is ever 0 or infinite, and so no probability.

Each iteration raises log-likelihood plus log prior, or leaves it (generalised EM: Dempster, Laird & Rubin 1977, JRSS B
39:1, section 3); a step that does not raise the expected log-likelihood is halved until it does. The
gradient of the counts is that of the likelihood, so a quasi-Newton step is tried first, and kept if it does not fall.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.floorplan import Floorplan, Sensor
from presence.learn.statistics import Statistics, count, expected_log_likelihood
from presence.learn.tape import Tape
from presence.permitted import FACTORED
from presence.places import motion_zones
from presence.settings import Settings
from presence.zones import close_set

Array = NDArray[np.float64]

NUDGE = 0.02
"""Relative step of the numerical derivatives."""
LARGEST_STEP = math.log(4.0)
HALVINGS = 6
PSEUDO = 4.0
"""Pseudo-counts behind the default of each rate..."""
PLACE_PSEUDO = 20.0
"""...and behind a factor of 1 in each place: places are alike until many events say otherwise."""
WIDEST = math.log(50.0)
"""No factor leaves this range."""
TINY = 1e-9
"""Stands for a curvature of zero: a rate that nothing depends on."""

PLAIN = (
    "pausing_rate",
    "starting_rate",
    "settling_rate",
    "rising_rate",
    "unseated_rising_rate",
    "dozing_rate",
    "waking_rate",
    "bedtime_rate",
    "night_waking_rate",
    "door_rate",
    "outer_door_rate",
    "outdoor_rate",
    "errand_rate",
    "outing_rate",
    "return_rate",
)
ZONES = ("zone_rate", "zone_pausing_rate", "zone_starting_rate", "zone_settling_rate", "zone_rising_rate")
DOORS = ("door_idle_share", "door_closing_rate")
SEATS = ("seat_rate", "seat_press_rate", "seat_leave_rate", "seat_release_rate")
BY_PACE = {
    "motion": "motion_rates",
    "occupancy": "occupancy_rates",
    "camera": "camera_rates",
    "switch": "switch_rates",
    "power": "power_rates",
}
"""The chance that a contact, a zone or a room misses somebody is not among these: it would run off."""


class Rate(NamedTuple):
    """One rate to be fitted: a setting, or one of its four paces, everywhere or as a factor in one place."""

    setting: str
    pace: int | None = None
    where: str | None = None

    @property
    def pseudo(self) -> float:
        """Pseudo-counts of the prior."""
        return PSEUDO if self.where is None else PLACE_PSEUDO

    def __str__(self) -> str:
        paces = ("moving", "active", "settled", "asleep")
        pace = "" if self.pace is None else f", {paces[self.pace]}"
        return self.setting + pace + (f" at {self.where}" if self.where else "")


Factors = Mapping[Rate, float]
"""Natural logarithms."""


@dataclass(frozen=True)
class Fitted:
    """Where EM stands."""

    settings: Settings
    logs: Factors
    log_likelihood: float
    """Of the tapes under `settings`, nats."""
    log_posterior: float
    """The same plus the log prior."""
    events: Mapping[Rate, float]
    """Expected number of events of each rate, from the latest M step."""


def rates_of(plan: Floorplan, *, places: bool, silent: Collection[str] = ()) -> list[Rate]:
    """The rates that mean something in a home; with `places`, factors of rooms, motion sensors and doors as well.

    Of `silent` sensors, which have never told anything, none: what would be learned there is that they are dead.
    """
    sensors = [sensor for name, sensor in plan.sensors.items() if name not in silent]
    kinds = {sensor.kind for sensor in sensors}
    zoned = {room for room in plan.rooms if motion_zones(plan, room)}
    found = [Rate(name) for name in PLAIN]
    found += [Rate(name) for name in (*(ZONES if zoned else ()), *(DOORS if "contact" in kinds else ()))]
    found += [Rate(name) for name in (SEATS if "pressure" in kinds else ())]
    for kind, name in BY_PACE.items():
        if kind in kinds:
            found += [Rate(name, pace) for pace in range(4)]
    if any(s.kind == "motion" and s.room in zoned and close_set(plan, s.room) for s in sensors):
        found += [Rate("zone_motion_rates", pace) for pace in range(4)]
    return [*found, *(_places(plan, sensors, zoned) if places else ())]


def _places(plan: Floorplan, sensors: Sequence[Sensor], zoned: set[str]) -> Iterator[Rate]:
    """Dwelling differs by room, re-triggering by sensor, use by door."""
    sensed = {s.room for s in sensors if s.kind in ("motion", "occupancy")}
    for room in plan.indoor:
        if room in sensed:
            names = ("zone_settling_rate", "zone_rising_rate") if room in zoned else ("settling_rate", "rising_rate")
            yield from (Rate(name, where=room) for name in names)
    for sensor in sensors:
        if sensor.kind == "motion":
            yield Rate("zone_motion_rates" if close_set(plan, str(sensor.room)) else "motion_rates", where=sensor.id)
    for door in plan.doors.values():
        outside = [plan.rooms[room].outdoors for room in door.between]
        if not all(outside):
            yield Rate("outer_door_rate" if any(outside) else "door_rate", where=door.id)


def with_factors(start: Settings, logs: Factors) -> Settings:
    """Settings with rates multiplied; shares are kept below 1 by their odds."""
    values: dict[str, Any] = {}
    factors = {name: dict(at) for name, at in start.factors.items()}
    for rate, log in logs.items():
        if log == 0.0:
            continue
        factor = math.exp(log)
        if rate.where is not None:
            assert rate.setting in FACTORED
            at = factors.setdefault(rate.setting, {})
            at[rate.where] = at.get(rate.where, 1.0) * factor
            continue
        old = values.get(rate.setting, getattr(start, rate.setting))
        if rate.pace is not None:
            values[rate.setting] = tuple(v * factor if n == rate.pace else v for n, v in enumerate(old))
        elif rate.setting.endswith("_share"):
            odds = old / (1.0 - old) * factor
            values[rate.setting] = odds / (1.0 + odds)
        else:
            values[rate.setting] = old * factor
    return replace(start, **values, factors=factors)


def log_prior(logs: Factors, pseudo: float) -> float:
    """Sum of `a (log f - f)`; `pseudo` multiplies every a."""
    return pseudo * sum(rate.pseudo * (log - math.exp(log)) for rate, log in logs.items())


class Slopes(NamedTuple):
    """Derivatives of the expected log-likelihood plus log prior, per rate, at the factors of the counts."""

    gradient: Array
    """By the logarithm of the factor; that of the log posterior itself as well (Fisher's identity)."""
    curvature: Array
    """Minus the second derivative; above 0."""
    events: Array
    """Expected number of events of each rate."""

    @property
    def step(self) -> Array:
        """The M step of each rate by itself, as if the others stood still: logarithms.

        For a rate that multiplies, `Q = n log f - e f`; n and e follow from the first and second derivative.
        """
        return np.asarray(np.log(np.maximum(self.gradient + self.curvature, TINY) / self.curvature))


def slopes(plan: Floorplan, found: Statistics, start: Settings, logs: Factors, pseudo: float) -> Slopes:
    """Numerical derivatives through the model's own code; a rate that cannot be turned has no slope."""
    now = _expected(plan, found, start, logs)
    gradient, curvature, events = [], [], []
    for rate, log in logs.items():
        up, down = (_expected(plan, found, start, {**logs, rate: log + sign * NUDGE}) for sign in (1.0, -1.0))
        smooth = math.isfinite(up) and math.isfinite(down)
        slope = (up - down) / (2.0 * NUDGE) if smooth else 0.0
        expecting = max((2.0 * now - up - down) / NUDGE**2, 0.0) if smooth else 0.0
        a = pseudo * rate.pseudo
        gradient.append(slope + a * (1.0 - math.exp(log)) if smooth else 0.0)
        curvature.append(expecting + a * math.exp(log) + TINY)
        events.append(max(slope + expecting, 0.0))
    return Slopes(np.array(gradient), np.array(curvature), np.array(events))


def improve(
    plan: Floorplan, found: Statistics, start: Settings, logs: Factors, pseudo: float, at: Slopes
) -> dict[Rate, float]:
    """The M step: better factors for these counts."""
    before = _expected(plan, found, start, logs) + log_prior(logs, pseudo)
    step = at.step
    for halving in range(HALVINGS):
        better = _moved(logs, step * 0.5**halving)
        if _expected(plan, found, start, better) + log_prior(better, pseudo) >= before:
            return better
    return dict(logs)


def _expected(plan: Floorplan, found: Statistics, start: Settings, logs: Factors) -> float:
    return expected_log_likelihood(plan, found, with_factors(start, logs))


def _moved(logs: Factors, step: Array) -> dict[Rate, float]:
    """Factors after a step, none of it longer than `LARGEST_STEP`, none beyond `WIDEST`."""
    steps = np.clip(step, -LARGEST_STEP, LARGEST_STEP).tolist()
    return {rate: max(-WIDEST, min(WIDEST, log + move)) for (rate, log), move in zip(logs.items(), steps, strict=True)}


def iterate(
    plan: Floorplan,
    tapes: Sequence[Tape],
    who: Sequence[int],
    rates: Sequence[Rate],
    start: Settings,
    *,
    logs: Factors | None = None,
    counts: Statistics | None = None,
    pseudo: float = 1.0,
) -> Iterator[Fitted]:
    """EM, one iteration after another, from `start` on (or from factors on it); the caller decides when to stop.

    Args:
        plan: the home.
        tapes: what happened.
        who: which beings are counted.
        rates: what is fitted.
        start: the settings about which the priors lie.
        logs: where to begin.
        counts: those there, if they are known.
        pseudo: multiplies the pseudo-counts of every prior; 0 is maximum likelihood.
    """

    def weigh(point: Factors, events: Array, known: Statistics | None = None) -> tuple[Statistics, Fitted]:
        settings = with_factors(start, point)
        found = known or count(plan, settings, tapes, who)
        posterior = found.log_likelihood + log_prior(point, pseudo)
        counted = dict(zip(point, events.tolist(), strict=True))
        return found, Fitted(settings, point, found.log_likelihood, posterior, counted)

    found, now = weigh(dict.fromkeys(rates, 0.0) | dict(logs or {}), np.zeros(len(rates)), counts)
    inverse: Array | None = None
    before: tuple[Array, Array] | None = None
    while True:
        yield now
        at = slopes(plan, found, start, now.logs, pseudo)
        place = np.array(list(now.logs.values()))
        if before is not None:
            inverse = _learnt(inverse, at, place - before[0], before[1] - at.gradient)
        before = place, at.gradient
        if inverse is not None:
            leapt, there = weigh(_moved(now.logs, inverse @ at.gradient), at.events)
            if there.log_posterior >= now.log_posterior:
                found, now = leapt, there
                continue
        inverse = None  # the plain step never falls
        found, now = weigh(improve(plan, found, start, now.logs, pseudo, at), at.events)


def _learnt(inverse: Array | None, at: Slopes, step: Array, change: Array) -> Array | None:
    """The inverse curvature as the latest step shows it (Broyden, Fletcher, Goldfarb & Shanno 1970).

    It begins as that of the expected log-likelihood (Jamshidian & Jennrich 1997, JRSS B 59:569).
    """
    inverse = np.diag(1.0 / at.curvature) if inverse is None else inverse
    along = float(step @ change)
    if not along > 1e-12:
        return None
    left = np.eye(len(step)) - np.outer(step, change) / along
    updated: Array = left @ inverse @ left.T + np.outer(step, step) / along
    return updated
