"""Homes that nobody tuned to: random plans of twelve rooms, lived in two ways, at the default settings.

    python -m benchmarks.unseen [--homes 16] [--first 1] [--people 1,2,3] [--lives simulated,own] [--days 2] [--json]

A line a home, then the means over homes: balanced accuracy of rooms, number at home, calibration error, direction at
the door between garage and house and at outer doors (right of all), minutes a day in the dark beside those of the best
timer for each room.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Sequence
from typing import Any

import numpy as np

from benchmarks.trust.garage import garage_doors
from benchmarks.unseen.homes import NAMES, RandomHome
from benchmarks.unseen.lives import live
from presence import Event, Floorplan
from presence.evaluate import Scoring
from presence.events import reorder
from presence.replay import replay
from presence.simulate import simulate
from presence.truth import TruthLine

LIVES = ("simulated", "own")
MEANS = ("rooms", "number", "calibration", "dark", "timer_dark")


def main(arguments: list[str] | None = None) -> int:
    """Runs the command."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--homes", type=int, default=16)
    parser.add_argument("--first", type=int, default=1, help="seed of the first home and its lives")
    parser.add_argument("--people", default="1,2,3", help=f"how many live there, at most {len(NAMES)}")
    parser.add_argument(
        "--lives", default=",".join(LIVES), help="by `presence simulate`, by this benchmark's own lives"
    )
    parser.add_argument("--days", type=int, default=2)
    parser.add_argument("--json", action="store_true", help="a line of JSON for each home, too")
    options = parser.parse_args(arguments)
    numbers = [int(people) for people in options.people.split(",")]
    if max(numbers) > len(NAMES):
        parser.error(f"--people {options.people}: at most {len(NAMES)} live in these homes")
    kinds = options.lives.split(",")
    if not set(kinds) <= set(LIVES):
        parser.error(f"--lives {options.lives}: {' and '.join(LIVES)} are known")
    for lives in kinds:
        for people in numbers:
            rows = []
            for seed in range(options.first, options.first + options.homes):
                rows.append(scored(seed, people, lives, options.days))
                print(json.dumps(rows[-1]) if options.json else _line(rows[-1:]), file=sys.stderr, flush=True)
            print(f"{lives}, {people} people, {len(rows)} homes: {_line(rows)}")
    return 0


def lived(plan: Floorplan, seed: int, lives: str, days: int) -> tuple[list[Event], list[TruthLine]]:
    """The log of a home in order of time, and its truth."""
    if lives == "own":
        log, truth = live(plan, days=days, seed=seed)
    else:
        simulation = simulate(plan, days=days, seed=seed)
        log, truth = simulation.log, simulation.truth
    return list(reorder(log)), truth


def scored(seed: int, people: int, lives: str, days: int) -> dict[str, Any]:
    """The scores of one home; doors as passages with a final answer, and how many of those are right."""
    plan = Floorplan.from_mapping(RandomHome(seed, people).fields)
    log, truth = lived(plan, seed, lives, days)
    scoring = Scoring(plan, truth)
    for line in replay(plan, scoring.watch(log), every=60.0):
        if not scoring.line(line):
            break
    scores = scoring.scores()
    garage = garage_doors(plan)
    outer = [d.id for d in plan.doors.values() if d.leaf != "none" and not set(d.between) <= set(plan.indoor)]
    return {
        "home": seed, "people": people, "lives": lives, "plan": plan.name,
        "rooms": scores.rooms["balanced_accuracy"], "number": scores.at_home["accuracy"],
        "calibration": scores.rooms["ece"], "dark": scores.switching["false_off_minutes_per_day"],
        "timer_dark": scores.timer_per_room["false_off_minutes_per_day"],
        "garage": _right(scoring, garage[1:2] if garage else ()), "outer": _right(scoring, outer),
    }  # fmt: skip


def _right(scoring: Scoring, doors: Sequence[str]) -> tuple[int, int]:
    sums = [scoring.direction.per_door[door] for door in doors if door in scoring.direction.per_door]
    return sum(s.right for s in sums), sum(s.finals for s in sums)


def _line(rows: Sequence[dict[str, Any]]) -> str:
    """Means with their standard errors over homes; doors pooled."""
    words = [] if len(rows) > 1 else [f"{rows[0]['plan']}, {rows[0]['people']} people:"]
    for name in MEANS:
        values = [row[name] for row in rows]
        error = f" +- {np.std(values, ddof=1) / math.sqrt(len(rows)):.3f}" if len(rows) > 1 else ""
        words.append(f"{name} {np.mean(values):.3f}{error}")
    for name in ("garage", "outer"):
        right, finals = (sum(row[name][k] for row in rows) for k in (0, 1))
        words.append(f"{name} {right} of {finals}")
    return " ".join(words)


if __name__ == "__main__":
    sys.exit(main())
