"""Is learning of use, and what does it cost: simulated homes, learned from some days, scored on later ones.

    python benchmarks/usefulness.py [--plan two_storey_garage] [--people 1,2,3] [--variants plain] [--days 3,10]
                                    [--seeds 83] [--score-days 4] [--turns 10]

Each life is lived for the longest of `--days` and on for `--score-days`; the shorter spans end where the longest does,
so that the same days are scored. No label is used in learning. Processor seconds are those of `presence.learn.fit` on
one core. One seed is one life: a few thousandths are noise. `--variants` are those of the accuracy benchmark (see
`trust/homes.py`): plain, pet, visitor, "no phones", dead, lost. Exit status 1 if any score fell by more than .005.
"""

from __future__ import annotations

import argparse
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

from benchmarks.learning import figures, later_part
from benchmarks.trust.homes import Cell, Lived, live
from presence.learn import Effort, fit

DAY = 86400.0
SCORES = {"count": "count", "balanced accuracy": "bal. acc."}
"""What must not fall, and what `learning.figures` calls it."""
WORSE = 0.005
"""By which no score may fall (issue 4)."""


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
    before: dict[str, float]
    """The scores with the defaults..."""
    after: dict[str, float]
    """...and with what was learned."""

    @property
    def fell(self) -> float:
        """The most by which a score fell."""
        return max(self.before[name] - self.after[name] for name in SCORES.values())


def weigh(lived: Lived, cell: Cell, until: float, lengths: Sequence[float], effort: Effort) -> Iterator[Cost]:
    """Learn from the days before an instant (epoch seconds), the longest last, and score what follows."""
    events, truth = later_part(lived, until)
    before = figures(lived.plan, events, truth, None)
    for days in sorted(lengths):
        log = [event for event in lived.log if until - days * DAY <= event.seconds < until]
        begin = time.process_time()
        learned = fit(lived.plan, [log], effort=effort)
        seconds = time.process_time() - begin
        after = figures(learned.plan, events, truth, learned.settings)
        chosen = str(learned.report["chosen"])
        yield Cost(cell.people, cell.variant, cell.seed, days, len(log), seconds, chosen, before, after)


def row(cost: Cost) -> str:
    """One line of the table."""
    scores = "".join(
        f" {cost.before[name]:8.4f} {cost.after[name]:8.4f} {cost.after[name] - cost.before[name]:+8.4f}"
        for name in SCORES.values()
    )
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
    parser.add_argument("--score-days", type=float, default=4.0)
    parser.add_argument("--turns", type=int, default=Effort().turns)
    options: Any = parser.parse_args(arguments)
    print(f"{options.plan}: learned from so many days, scored on the {options.score_days:g} that follow")
    head = "".join(f" {'with defaults, learned: ' + name:>26}" for name in SCORES)
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
