"""What keeping few hypotheses loses, hour by hour, against keeping many.

    python benchmarks/merging.py --plan shared_house --people 6 --seed 6 --hours 14 --hypotheses 16,32,64

Scores of whole days say little about merging in a home of many: where who has left stays open, a rounding error decides
which way the belief goes for half a day. So one tracker keeps many hypotheses, and every hour others start from what it
believes and keep few; every five minutes of the hour that follows they are compared: the mean difference of room
probabilities, and the total variation of the number at home. Exact is not to be had with so many people; the reference
is the same filter with `--reference` hypotheses.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from numpy.typing import NDArray

from benchmarks.trust.homes import VARIANTS, Cell, live, plan_names
from presence import Event, Floorplan, Settings
from presence.inference import Engine
from presence.snapshot import Snapshot

Array = NDArray[np.float64]

FORK, LOOK = 3600.0, 300.0
"""Seconds between new starts from the reference, and between comparisons."""


def losses(
    plan: Floorplan, log: Sequence[Event], hypotheses: Sequence[int], reference: int, hours: float, skipped: float = 0.0
) -> Iterator[tuple[int, float, float, float]]:
    """(hypotheses, mean difference of rooms, mean total variation of the number at home, seconds) for each number."""
    engines = {most: Engine(plan, Settings(), most, numbering=True) for most in {reference, *hypotheses}}
    many = engines[reference].start(log[0].seconds)
    few: dict[int, Snapshot] = {}
    apart: dict[int, list[tuple[float, float]]] = {most: [] for most in hypotheses}
    spent = dict.fromkeys(hypotheses, 0.0)
    look = log[0].seconds + 3600.0 * skipped
    fork, end = look, look + 3600.0 * hours
    for event in log:
        while look < min(event.seconds, end):
            many = engines[reference].advance(many, look)[0]
            for most in few:
                few[most] = engines[most].advance(few[most], look)[0]
                apart[most].append(_apart(engines[most], few[most], many))
            if look >= fork:
                few, fork = dict.fromkeys(hypotheses, many), fork + FORK
            look += LOOK
        if event.seconds > end:
            break
        many = _taken(engines[reference], many, event)
        for most in few:
            begun = time.process_time()
            few[most] = _taken(engines[most], few[most], event)
            spent[most] += time.process_time() - begun
    for most in hypotheses:
        rooms, number = np.mean(apart[most], axis=0)
        yield most, float(rooms), float(number), spent[most]


def _taken(engine: Engine, snapshot: Snapshot, event: Event) -> Snapshot:
    return engine.observe(engine.advance(snapshot, event.seconds)[0], event)[0]


def _apart(engine: Engine, snapshot: Snapshot, other: Snapshot) -> tuple[float, float]:
    """Mean difference of room probabilities, and total variation of the number at home."""
    ours, theirs = engine.belief(snapshot), engine.belief(other)
    rooms = np.abs(np.array(list(ours.rooms.values())) - np.array(list(theirs.rooms.values())))
    return float(rooms.mean()), float(np.abs(np.array(ours.at_home) - np.array(theirs.at_home)).sum() / 2.0)


def main() -> None:
    """Print one line for each number of hypotheses."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--plan", choices=plan_names(), default="shared_house")
    parser.add_argument("--people", type=int, default=6)
    parser.add_argument("--variant", choices=VARIANTS, default="plain")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--hours", type=float, default=14.0)
    parser.add_argument("--skip", type=float, default=7.0, help="hours before the first comparison")
    parser.add_argument("--hypotheses", default="16,32,64")
    parser.add_argument("--reference", type=int, default=128)
    options = parser.parse_args()
    days = np.ceil((options.skip + options.hours) / 24.0)
    lived = live(Cell(options.plan, options.people, options.variant, options.seed, float(days)))
    numbers = [int(number) for number in options.hypotheses.split(",")]
    for most, rooms, number, seconds in losses(
        lived.plan, lived.log, numbers, options.reference, options.hours, options.skip
    ):
        print(f"{most:4d} hypotheses: rooms {rooms:.4f}, number at home {number:.4f}, {seconds:.1f} processor s")


if __name__ == "__main__":
    main()
