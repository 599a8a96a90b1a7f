"""What a home's own log teaches: scores with and without, on days that were not learned from.

    python benchmarks/learning.py homes [--plans two_storey_garage] [--people 1,2,3] [--seeds 21] [--days 10]
                                        [--score-days 4] [--variant plain] [--turns 10] [--candidates] [--tuned 40]
                                        [--json]
    python benchmarks/learning.py {two_residents,two_residents_month,single_resident} FOLDER [--turns 10] [--json]
    python benchmarks/learning.py recovery [--people 1] [--seeds 1] [--days 8]

`homes`: simulated people live for the days that are learned from and on for those that are scored. The open logs (see
`open_logs.py`, for how to cite them): the first half of the days or sessions is learned from, the second half is
scored. No label is used in learning. One seed is one life: differences of a few thousandths between the rows of one
home are noise, so look at several seeds; the intervals of the open logs are 95 % of the differences, by bootstrap over
days or sessions.
`--candidates` scores everything that was weighed. `--tuned 40` also turns the same dials by the labels of the very days
that are scored, for the sum of balanced accuracy and exact count: what there is to gain for anybody who could see.

`recovery`: known rates, wrong by up to four times at the start (see `recovery.py`). What learning costs, and whether
any score falls: `usefulness.py`.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from itertools import product
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

if __package__ in (None, ""):
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: the matrices are small
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np

from benchmarks.open_sets.following import instants
from benchmarks.open_sets.recording import Recording, half
from benchmarks.open_sets.score_month import run_two_residents_month
from benchmarks.open_sets.score_single_resident import run_single_resident
from benchmarks.open_sets.score_two_residents import run_two_residents
from benchmarks.open_sets.scores import Score, difference
from benchmarks.recovery import recovery_table
from benchmarks.trust.homes import Cell, Lived, live
from presence import Event, Floorplan, Settings
from presence.evaluate import evaluate
from presence.learn import Effort, fit
from presence.learn.dials import WIDEST, dials_of, turned
from presence.learn.fit import STEPS
from presence.learn.search import climb
from presence.learned import Learned, write_learned
from presence.truth import TruthLine

FIGURES = {
    "bal. acc.": ("rooms", "balanced_accuracy"),
    "f1": ("rooms", "f1"),
    "log loss": ("rooms", "log_loss"),
    "ece": ("rooms", "ece"),
    "count": ("at_home", "accuracy"),
    "count err.": ("at_home", "mae"),
    "people": ("people", "accuracy"),
    "direction": ("direction", "accuracy"),
    "dark min/d": ("switching", "false_off_minutes_per_day"),
    "wasted": ("switching", "wasted_minutes_per_day"),
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs the command; 0 done."""
    parser = argparse.ArgumentParser(description="Scores with and without what a home's own log teaches.")
    parser.add_argument(
        "what", choices=["homes", "two_residents", "two_residents_month", "single_resident", "recovery"]
    )
    parser.add_argument("folder", type=Path, nargs="?", help="of the open set")
    parser.add_argument("--plans", default="two_storey_garage")
    parser.add_argument("--people")
    parser.add_argument("--seeds")
    parser.add_argument("--variant", default="plain")
    parser.add_argument("--days")
    parser.add_argument("--score-days", type=float, default=4.0)
    parser.add_argument("--turns", type=int, default=Effort().turns)
    parser.add_argument("--candidates", action="store_true")
    parser.add_argument("--tuned", type=int, default=0)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args(arguments)
    effort = Effort(turns=options.turns)
    usual = USUAL.get(options.what, USUAL["homes"])
    people, seeds, days = (
        _numbers(given or also)
        for given, also in zip((options.people, options.seeds, options.days), usual, strict=True)
    )
    if options.what == "recovery":
        for line in recovery_table(int(people[0]), days[0], [int(seed) for seed in seeds]):
            print(line, flush=True)
        return 0
    if options.what != "homes":
        if options.folder is None:
            parser.error("the folder of the set is missing")
        result = open_set(options.what, options.folder, effort)
        print(json.dumps(result) if options.json else "\n".join(open_table(result)))
        return 0
    if not options.json:
        print(f"{'home':<34} {'':<10}", *(f"{name:>10}" for name in FIGURES), flush=True)
    for plan, number, seed in product(options.plans.split(","), people, seeds):
        cell = Cell(plan, int(number), options.variant, int(seed), days[0] + options.score_days)
        row = score_home(cell, days[0], effort, candidates=options.candidates, tuned=options.tuned)
        print(json.dumps(row) if options.json else "\n".join(home_table(row)), flush=True)
    return 0


def add_home_options(parser: argparse.ArgumentParser, *, seeds: str, variant: str, days: float) -> None:
    """Which simulated homes, and for how long they are learned from and scored."""
    parser.add_argument("--plans", default="two_storey_garage")
    parser.add_argument("--people", default="2")
    parser.add_argument("--seeds", default=seeds)
    parser.add_argument("--variant", default=variant)
    parser.add_argument("--days", type=float, default=days)
    parser.add_argument("--score-days", type=float, default=2.0)


USUAL = {"homes": ("1,2,3", "21", "10"), "recovery": ("1", "1", "8")}
"""People, seeds and days where nothing else is asked for."""


def _numbers(text: str) -> list[float]:
    return [float(part) for part in text.split(",")]


def score_home(cell: Cell, days: float, effort: Effort, *, candidates: bool = False, tuned: int = 0) -> dict[str, Any]:
    """Learn from the first days of a life, and score the rest with the defaults and with what was learned."""
    lived = live(cell)
    until = lived.log[0].seconds + days * 86400.0
    begun = time.process_time()
    learned = fit(lived.plan, [[event for event in lived.log if event.seconds < until]], effort=effort)
    seconds = time.process_time() - begun
    events, truth = later_part(lived, until)

    def scored(settings: Settings | None) -> dict[str, float]:
        return figures(learned.plan, events, truth, settings)

    others = {name: scored(s) for name, s in learned.candidates.items() if candidates and name != "defaults"}
    if tuned:
        others["tuned by labels"] = tune(learned.plan, scored, tuned)
    return {
        "home": f"{cell.plan}, {cell.people} people, seed {cell.seed}",
        "variant": cell.variant,
        "chosen": learned.report["chosen"],
        "learning_seconds": round(seconds, 1),
        "candidates": learned.report["candidates"],
        "defaults": figures(lived.plan, events, truth, None),
        "learned": scored(learned.settings),
        "others": others,
    }


def tune(plan: Floorplan, scored: Callable[[Settings], dict[str, float]], most: int) -> dict[str, float]:
    """The figures of the best settings that the dials reach in so many tries, judged by labels."""
    dials, best = dials_of(plan), scored(Settings())

    def value(point: tuple[float, ...], beat: float) -> float:
        nonlocal best
        found = scored(turned(Settings(), {dial: math.exp(x) for dial, x in zip(dials, point, strict=True) if x}))
        total = found["bal. acc."] + found["count"]
        best = found if total > beat else best
        return total

    climb(value, (0.0,) * len(dials), steps=STEPS, bound=math.log(WIDEST), most=most)
    return best


def later_part(lived: Lived, until: float) -> tuple[list[Event], list[TruthLine]]:
    """Log and truth from an instant on; everybody begins where they are."""
    events = [event for event in lived.log if event.seconds >= until]
    standing: dict[str, TruthLine] = {}
    for line in lived.truth:
        if line.time.timestamp() < until:
            standing[line.person] = line
    begin = [replace(line, time=datetime.fromtimestamp(until, UTC), door=None) for line in standing.values()]
    return events, begin + [line for line in lived.truth if line.time.timestamp() >= until]


def figures(
    plan: Floorplan, events: Sequence[Event], truth: Sequence[TruthLine], settings: Settings | None
) -> dict[str, float]:
    """The figures of one replay."""
    scores = evaluate(plan, events, truth, settings=settings)
    return {name: float(getattr(scores, part)[key]) for name, (part, key) in FIGURES.items()}


def home_table(row: dict[str, Any]) -> list[str]:
    """The defaults, what was learned, anything else that was asked for, the difference."""
    usual, learned = row["defaults"], row["learned"]
    lines = [(row["home"], "defaults", usual), (f"  learned in {row['learning_seconds']:.0f} s", "learned", learned)]
    text = [f"{a:<34} {b:<10} " + " ".join(f"{v:10.4g}" for v in values.values()) for a, b, values in lines]
    differences = " ".join(f"{learned[name] - usual[name]:+10.4f}" for name in FIGURES)
    for name, values in row["others"].items():
        text.append(f"    {name:<43} " + " ".join(f"{v:10.4g}" for v in values.values()))
        if judged := row["candidates"].get(name):
            gains = (judged["gain_rooms"], judged["gain_number_at_home"], judged["log_likelihood_gain_per_day"])
            text.append(
                "      judged: rooms {:+.4f}, number {:+.4f} nats an instant, {:+.1f} nats a day".format(*gains)
            )
    return [*text, f"  chosen: {row['chosen']:<24} {'gain':<10} {differences}"]


def open_set(name: str, folder: Path, effort: Effort) -> dict[str, Any]:
    """Learn from the first half of an open set, score the second half."""
    sets = {"two_residents": _sessions, "two_residents_month": _month, "single_resident": _single}
    plan, recordings, run = sets[name](folder)
    begun = time.process_time()
    learned: Learned = fit(plan, [list(recording.events) for recording in recordings], effort=effort)
    seconds = time.process_time() - begun
    with TemporaryDirectory() as scratch:  # as a file, for holds are learned as well
        write_learned(file := Path(scratch) / "learned.json", plan, learned)
        usual, other = (run(folder, learned=path, part="second")["tracker"] for path in (None, file))
    return {
        "set": name,
        "chosen": learned.report["chosen"],
        "learning_seconds": round(seconds, 1),
        "candidates": learned.report["candidates"],
        "defaults": flat(usual),
        "learned": flat(other),
        "gains": gains(usual, other),
    }


def _sessions(folder: Path) -> tuple[Floorplan, list[Recording], Any]:
    from benchmarks.open_sets.two_residents import load

    data = load(folder)
    return data.plan, [session.recording for session in half(data.sessions, "first")], run_two_residents


def _month(folder: Path) -> tuple[Floorplan, list[Recording], Any]:
    from benchmarks.open_sets.two_residents_month import load

    data = load(folder)
    return data.plan, [day.recording for day in half(data.days, "first")], run_two_residents_month


def _single(folder: Path) -> tuple[Floorplan, list[Recording], Any]:
    from benchmarks.open_sets.single_resident import load

    data = load(folder)
    whole = data.recording
    days = half(np.unique(instants(whole, 60.0) // 86400).tolist(), "first")
    events = tuple(event for event in whole.events if event.seconds // 86400 in days)
    return data.plan, [replace(whole, end=events[-1].seconds, events=events)], run_single_resident


def flat(scores: dict[str, Any], prefix: str = "") -> dict[str, list[float]]:
    """Value and interval of each figure."""
    found: dict[str, list[float]] = {}
    for key, value in scores.items():
        if isinstance(value, dict):
            found |= flat(value, f"{prefix}{key} ")
        elif isinstance(value, Score):
            found[prefix + key] = [value.value, value.low, value.high]
        elif isinstance(value, float):
            found[prefix + key] = [value]
    return found


def gains(usual: dict[str, Any], other: dict[str, Any], prefix: str = "") -> dict[str, list[float]]:
    """What each figure gains, with its interval where it has one; the recordings are redrawn for both at once."""
    found: dict[str, list[float]] = {}
    for key, value in usual.items():
        if isinstance(value, dict):
            found |= gains(value, other[key], f"{prefix}{key} ")
        elif isinstance(value, Score):
            gained = difference(other[key], value)
            found[prefix + key] = [gained.value, gained.low, gained.high]
        elif isinstance(value, float):
            found[prefix + key] = [other[key] - value]
    return found


def open_table(result: dict[str, Any]) -> list[str]:
    """One line a figure."""
    lines = [f"{result['set']}: learned in {result['learning_seconds']:.0f} s; chosen: {result['chosen']}"]
    for name, usual in result["defaults"].items():
        gain, *interval = result["gains"][name]
        spread = "  [{:+.3f}, {:+.3f}]".format(*interval) if interval else ""
        lines.append(f"  {name:<36} {usual[0]:12.3f} {result['learned'][name][0]:12.3f} {gain:+10.3f}{spread}")
    return lines


if __name__ == "__main__":
    sys.exit(main())
