"""How near learning comes to known rates: the part of `learning.py` that needs neither a log nor the simulator.

Lives are drawn from the tracker's own model (`exact/drawing.py`), in two small homes in which everything happens often,
so that rare rates, too, have chances. Learning begins from settings that are wrong by up to four times. Sensors that
cannot be drawn (seats, sensors that see still people) are not in them, and no door rattles. At the true rates the
slopes of the likelihood are noise (exactly so for one person), or the lives were not drawn from what is learned.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchmarks.exact.dense import NOON
from benchmarks.exact.drawing import draw_life
from presence import Floorplan, Settings
from presence.learn.certainty import slopes_by_block, standard_errors
from presence.learn.em import Rate, iterate, rates_of, with_factors
from presence.learn.statistics import count
from presence.learn.tape import Recorder

DAY = 86400.0
WRONG = 4.0
"""Every rate begins wrong by a factor up to this, up or down."""
CHANCES = 200
"""Expected events from which a rate must come back..."""
NEAR = 0.25
"""...to within this share of the truth."""
ROUNDS = 24
LIVELY = Settings(
    door_pulled_shut_share=0.0,
    door_bounce_share=0.0,
    outer_door_rate=0.05,
    dozing_rate=1 / 300,
    waking_rate=1 / 240,
    nap_share=0.9,
    bedtime_rate=1 / 120,
    night_waking_rate=1 / 400,
    errand_rate=1 / 100,
    outing_rate=1 / 200,
    return_rate=1 / 800,
    settling_rate=1 / 60,
    rising_rate=1 / 150,
    door_idle_share=0.3,
    zone_settling_rate=1 / 40,
    zone_rising_rate=1 / 80,
    motion_rates=(0.6, 0.08, 1 / 100, 1 / 300),
    zone_motion_rates=(0.4, 0.09, 1 / 80, 1 / 300),
    camera_rates=(0.5, 0.2, 0.02, 0.005),
    switch_rates=(1 / 30, 1 / 60, 1 / 300, 1 / 2000),
    power_rates=(1 / 60, 1 / 60, 1 / 600, 1 / 4000),
)
"""A life in which nothing is rare."""
HOMES: dict[str, dict[str, Any]] = {
    "rooms": {
        "rooms": {"hall": {}, "kitchen": {}, "bed": {"rest": True}, "yard": {"outdoors": True}},
        "doors": {
            "kitchen_door": {"between": ["hall", "kitchen"], "leaf": "hinged"},
            "bed_door": {"between": ["hall", "bed"], "leaf": "none"},
            "front": {"between": ["hall", "yard"], "leaf": "hinged"},
            "gate": {"between": ["yard", "away"], "leaf": "none"},
        },
        "sensors": {
            **{f"{room}_motion": {"kind": "motion", "room": room, "hold": 5} for room in ("hall", "kitchen", "bed")},
            **{f"{door}_contact": {"kind": "contact", "door": door} for door in ("kitchen_door", "front")},
            "yard_camera": {"kind": "camera", "room": "yard"},
            "lamp": {"kind": "switch", "room": "kitchen"},
            "kettle": {"kind": "power", "room": "kitchen"},
        },
    },
    "zones": {
        "rooms": {"hall": {}, "bed": {"rest": True}},
        "doors": {
            "bed_door": {"between": ["hall", "bed"], "leaf": "hinged"},
            "front": {"between": ["hall", "away"], "leaf": "hinged"},
        },
        "sensors": {
            **{f"{n}_motion": {"kind": "motion", "room": "hall", "hold": 5, "at": [3 * k, 0]} for k, n in
               enumerate(("west", "middle", "east"))},
            "bed_motion": {"kind": "motion", "room": "bed", "hold": 5},
            **{f"{door}_contact": {"kind": "contact", "door": door} for door in ("bed_door", "front")},
        },
    },
}  # fmt: skip


class Recovered(NamedTuple):
    """One rate of one life."""

    home: str
    rate: Rate
    chances: float
    begun: float
    """Times the truth at which learning began..."""
    found: float
    """...and at which it ended."""
    error: float
    """Standard error of the logarithm of that, as learning reports it."""

    @property
    def near(self) -> bool:
        """Whether it came back."""
        return 1.0 - NEAR <= self.found <= 1.0 + NEAR

    @property
    def off(self) -> float:
        """Standard errors from the truth."""
        return abs(math.log(self.found)) / self.error


class Recovery(NamedTuple):
    """One life."""

    rates: list[Recovered]
    falls: float
    """The most by which log-likelihood plus log prior fell in an iteration, nats."""
    ahead: float
    """Nats by which what was found is likelier than the truth: above 0, the rest of the error is the log's own."""
    misfit: float
    """Chi-square of the slopes at the truth (at most their blocks of time), about as large as there are `turned`..."""
    turned: int
    """...rates that have a slope at all."""
    seconds: float


def recover(name: str, people: int, days: float, seed: int) -> Recovery:
    """Draw a life, begin from wrong rates, and see which come back."""
    awake = {"awake": ["00:00", "12:00"]}
    plan = Floorplan.from_mapping(
        {
            "name": name,
            "time_zone": "UTC",
            "people": {f"P{n + 1}": awake for n in range(people)},
            "visitors": 0,
            **HOMES[name],
        }
    )
    life = draw_life(plan, days * DAY, seed, settings=LIVELY)
    random = np.random.default_rng(seed)
    rates = rates_of(plan, places=False)
    wrong = {rate: math.log(WRONG) * random.uniform(0.5, 1.0) * random.choice([-1.0, 1.0]) for rate in rates}
    begin = time.process_time()
    start = with_factors(LIVELY, wrong)
    noon = NOON.timestamp()
    events = [event for event in life.events if event.seconds < noon + days * DAY]
    tape = Recorder(plan, start, 16).record(noon, events, noon + days * DAY)
    history = []
    for fitted in iterate(plan, [tape], range(people), rates, start):
        history.append(fitted)
        if len(history) > ROUNDS:
            break
    seconds = time.process_time() - begin
    errors = standard_errors(plan, [tape], range(people), start, fitted.logs)
    found = [
        Recovered(name, rate, fitted.events[rate], math.exp(log), math.exp(log + fitted.logs[rate]), errors[rate])
        for rate, log in wrong.items()
    ]
    taped = Recorder(plan, LIVELY, 16).record(noon, events, noon + days * DAY)
    truth = count(plan, LIVELY, [taped], range(people))
    falls = max(before.log_posterior - after.log_posterior for before, after in pairwise(history))
    ahead = fitted.log_likelihood - truth.log_likelihood
    slopes = slopes_by_block(plan, [taped], range(people), LIVELY, dict.fromkeys(rates, 0.0))
    slopes = slopes[:, slopes.any(axis=0)]
    return Recovery(found, max(0.0, falls), ahead, misfit_of(slopes), slopes.shape[1], seconds)


def misfit_of(slopes: NDArray[np.float64]) -> float:
    """Chi-square of the sum of slopes, shape (blocks of time, rates), by the information that they show."""
    total = slopes.sum(axis=0)
    return float(total @ np.linalg.pinv(slopes.T @ slopes) @ total)


def recovery_table(people: int, days: float, seeds: list[int]) -> Iterator[str]:
    """One line for each rate with enough chances, the rest in one line, and the sum of it."""
    heads = f"{'chances':>8} {'begun at':>9} {'found':>7} {'known to':>9}"
    yield f"{'home':<8} {'seed':>4} {'rate':<28} {heads}   times the truth"
    near, known, untold, falls = 0, 0, 0, 0.0
    for name in HOMES:
        for seed in seeds:
            recovery = recover(name, people, days, seed)
            falls = max(falls, recovery.falls)
            well = [found for found in recovery.rates if found.chances >= CHANCES]
            for found in well:
                near, known = near + found.near, known + 1
                untold += not found.near and found.off < 2.0
                mark = "" if found.near else f"  not within 25 %: {found.off:.1f} standard errors off"
                numbers = f"{found.chances:8.0f} {found.begun:9.2f} {found.found:7.2f} {math.exp(found.error):9.2f}"
                yield f"{name:<8} {seed:4} {found.rate!s:<28} {numbers}{mark}"
            few = [str(found.rate) for found in recovery.rates if found.chances < CHANCES]
            yield f"{name:<8} {seed:4} fewer than {CHANCES} chances: {'; '.join(few)}"
            misfit = f"slopes at the truth: chi-square {recovery.misfit:.1f} of {recovery.turned}"
            yield f"{name:<8} {seed:4} {recovery.ahead:+.1f} nats likelier than the truth; {misfit}"
            yield f"{name:<8} {seed:4} {recovery.seconds:.0f} s"
    yield f"{near} of {known} rates with at least {CHANCES} chances within {NEAR:.0%}"
    yield f"{untold} of the other {known - near} are within two standard errors: the log knows no better"
    yield f"the log posterior fell by at most {falls:.1g} nats in an iteration"
