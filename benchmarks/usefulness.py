"""Is learning of use, and what does it cost: simulated homes, learned from some days, scored on later ones.

    python benchmarks/usefulness.py [--plan two_storey_garage] [--people 1,2,3] [--variants plain] [--days 3,10]
                                    [--seeds 83] [--score-days 10] [--turns 10]

Each life is lived for the longest of `--days` and on for `--score-days`; the shorter spans end where the longest does,
so that the same days are scored. No label is used in learning. Processor seconds are those of `presence.learn.fit` on
one core. Behind what each score gained stands its standard error, from the differences of one day after another: half
an hour in which one more is believed at home is .002 of the count of ten days. `--variants` are those of the accuracy
benchmark (see `trust/homes.py`): plain, pet, visitor, "no phones", dead, lost. Exit status 1 if any score fell by more
than .005.
"""

from __future__ import annotations

import argparse
import math
import os
import sys
import time
from collections.abc import Iterator, Sequence
from itertools import product
from pathlib import Path
from typing import Any, NamedTuple

if __package__ in (None, ""):
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: the matrices are small
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np

from benchmarks.learning import FIGURES, later_part
from benchmarks.trust.homes import Cell, Lived, live
from presence import Floorplan, Settings
from presence.evaluate import Scores, Scoring
from presence.learn import Effort, fit
from presence.replay import replay
from presence.snapshot import Belief

DAY = 86400.0
SCORES = {"count": "count", "balanced accuracy": "bal. acc."}
"""What must not fall, and what `learning.figures` calls it."""
WORSE = 0.005
"""By which no score may fall."""


class Gain(NamedTuple):
    """A score with the defaults and with what was learned."""

    before: float
    after: float
    error: float
    """Standard error of the difference; NaN where one day was scored."""

    @property
    def value(self) -> float:
        """What was gained."""
        return self.after - self.before


class Cost(NamedTuple):
    """What learning from so many days of one life takes, and what it is worth."""

    people: int
    variant: str
    seed: int
    days: float
    events: int
    seconds: float
    """Processor seconds."""
    chosen: str
    gained: dict[str, Gain]

    @property
    def fell(self) -> float:
        """The most by which a score fell."""
        return max(-g.value for g in self.gained.values())


def weigh(lived: Lived, cell: Cell, until: float, lengths: Sequence[float], effort: Effort) -> Iterator[Cost]:
    """Learn from the days before an instant (epoch seconds), the longest last, and score what follows."""
    before = by_day(lived, lived.plan, until, None)
    for days in sorted(lengths):
        log = [event for event in lived.log if until - days * DAY <= event.seconds < until]
        begin = time.process_time()
        learned = fit(lived.plan, [log], effort=effort)
        seconds = time.process_time() - begin
        after = by_day(lived, learned.plan, until, learned.settings)
        gained = {name: gain(name, before, after) for name in SCORES}
        yield Cost(cell.people, cell.variant, cell.seed, days, len(log), seconds, str(learned.report["chosen"]), gained)


def by_day(lived: Lived, plan: Floorplan, until: float, settings: Settings | None) -> list[Scores]:
    """Scores of one replay from an instant on: of all of it, then of each day by itself."""
    events, truth = later_part(lived, until)
    whole, days = Scoring(plan, truth), dict[int, Scoring]()
    for line in replay(plan, whole.watch(events), settings=settings):
        if not whole.line(line):
            break
        if isinstance(line, Belief):
            now = line.time.timestamp()
            day = int((now - until) // DAY)
            if day not in days:
                days[day] = Scoring(plan, later_part(lived, now)[1])
            days[day].line(line)
    return [scoring.scores() for scoring in (whole, *days.values())]


def gain(name: str, before: Sequence[Scores], after: Sequence[Scores]) -> Gain:
    """What a score gained, and its standard error: days are taken to be independent."""
    part, key = FIGURES[SCORES[name]]
    usual, learned = ([float(getattr(scores, part)[key]) for scores in found] for found in (before, after))
    daily = np.subtract(learned[1:], usual[1:])
    error = float(daily.std(ddof=1) / math.sqrt(len(daily))) if len(daily) > 1 else math.nan
    return Gain(usual[0], learned[0], error)


def row(cost: Cost) -> str:
    """One line of the table."""
    scores = "".join(f" {g.before:8.4f} {g.after:8.4f} {g.value:+8.4f} {g.error:6.4f}" for g in cost.gained.values())
    start = f"{cost.people:6} {cost.variant:<9} {cost.seed:5} {cost.days:5g} {cost.events:8,} {cost.seconds:8.0f}"
    return start + scores + f"  {cost.chosen}"


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs the command; 0 no score fell, 1 one did."""
    parser = argparse.ArgumentParser(description="Is learning of use, and what does it cost?")
    parser.add_argument("--plan", default="two_storey_garage")
    parser.add_argument("--people", type=_numbers, default=_numbers("1,2,3"))
    parser.add_argument("--variants", type=lambda text: text.split(","), default=["plain"])
    parser.add_argument("--days", type=_numbers, default=_numbers("3,10"))
    parser.add_argument("--seeds", type=_numbers, default=_numbers("83"))
    parser.add_argument("--score-days", type=float, default=10.0)
    parser.add_argument("--turns", type=int, default=Effort().turns)
    options: Any = parser.parse_args(arguments)
    print(f"{options.plan}: learned from so many days, scored on the {options.score_days:g} that follow")
    head = "".join(f" {'with defaults, learned: ' + name:>33}" for name in SCORES)
    print(f"people variant    seed  days   events  seconds{head}  chosen", flush=True)
    fell = 0.0
    for people, variant, seed in product(options.people, options.variants, options.seeds):
        cell = Cell(options.plan, int(people), variant, int(seed), max(options.days) + options.score_days)
        lived = live(cell)
        until = lived.log[0].seconds + max(options.days) * DAY
        for cost in weigh(lived, cell, until, options.days, Effort(turns=options.turns)):
            print(row(cost), flush=True)
            fell = max(fell, cost.fell)
    print(f"no score fell by more than {fell:.4f}" + (f": more than {WORSE}" if fell > WORSE else ""))
    return int(fell > WORSE)


def _numbers(text: str) -> list[float]:
    return [float(part) for part in text.split(",")]


if __name__ == "__main__":
    sys.exit(main())
