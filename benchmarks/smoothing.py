"""What smoothing adds to the filter on simulated homes, and how far merged hypotheses are from exact.

    python benchmarks/smoothing.py [--days 2] [--seed 1] [--homes NAME ...] [--no-paths]

First table: the bundled homes, people living by the package's simulator (which is not the filter's model), scored on
the 60 s grid against the truth; rooms at p = 0.5. `smoothed, off reports left` takes off reports as they come, as the
filter does; `smoothed` puts prolonged holds back to the last movement (see presence/holds.py). `path` is each person's
likeliest path. Second table: small homes in which the joint chain can be followed: mean and largest difference of
the smoothed probabilities from exact, by the number of hypotheses kept; and how much less likely everybody's paths
together are than the likeliest joint path, in nats.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterable, Sequence
from pathlib import Path
from unittest import mock

import numpy as np
from numpy.typing import NDArray

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from presence import joint, smoothing
from presence.evaluate import Scoring
from presence.events import Event
from presence.explained import Line
from presence.floorplan import Floorplan
from presence.holds import put_back
from presence.paths import likeliest_paths, log_probability
from presence.recorder import RecordingEngine, stretches
from presence.replay import replay
from presence.reversal import Rules
from presence.settings import Settings
from presence.simulate import simulate
from presence.smoothing import paths, smooth
from presence.snapshot import Belief
from presence.truth import TruthLine

Array = NDArray[np.float64]
HOMES = ("one_room_flat", "open_plan_bungalow", "two_storey_garage", "shared_house")
PLANS = Path(__file__).resolve().parents[1] / "floorplans"


def small_home(people: int) -> Floorplan:
    """Three rooms in a row, a sensor in each, a contact at the front door; residents without phones."""
    rooms = {"hall": {}, "living_room": {}, "bedroom": {"rest": True}}
    doors = {"front": ["hall", "away"], "inner": ["hall", "living_room"], "back": ["living_room", "bedroom"]}
    sensors = {f"{room}_motion": {"kind": "motion", "room": room, "hold": 30} for room in rooms}
    return Floorplan.from_mapping(
        {
            "name": "small home",
            "time_zone": "UTC",
            "rooms": rooms,
            "doors": {name: {"between": ends, "leaf": "hinged"} for name, ends in doors.items()},
            "sensors": {**sensors, "front_contact": {"kind": "contact", "door": "front"}},
            "people": {f"P{n + 1}": {"bed": "bedroom"} for n in range(people)},
            "visitors": 0,
        }
    )


def life(plan: Floorplan, days: float, seed: int) -> tuple[list[Event], list[TruthLine]]:
    """A simulated log and its truth, both in order of time."""
    lived = simulate(plan, days=days, seed=seed)
    return sorted(lived.log, key=lambda e: e.time), sorted(lived.truth, key=lambda line: line.time)


def score(plan: Floorplan, events: Sequence[Event], truth: Sequence[TruthLine], lines: Iterable[Line]) -> list[float]:
    """Balanced accuracy and log loss of rooms, number at home, likeliest room of each person."""
    scoring = Scoring(plan, truth)
    list(scoring.watch(events))
    for line in lines:
        if not scoring.line(line):
            break
    found = scoring.scores()
    return [
        found.rooms["balanced_accuracy"],
        found.rooms["log_loss"],
        found.at_home["accuracy"],
        found.people["accuracy"],
    ]


def path_accuracy(plan: Floorplan, path: Sequence[TruthLine], truth: Sequence[TruthLine], times: Array) -> float:
    """Share of samples in which a resident's path is in the right room."""
    right = []
    for person in plan.people:
        rows = []
        for lines in (path, truth):
            own = [line for line in lines if line.person == person]
            at = np.searchsorted([line.time.timestamp() for line in own], times, side="right") - 1
            rows.append([own[max(0, i)].room for i in at.tolist()])
        right.append(np.mean([a == b for a, b in zip(*rows, strict=True)]))
    return float(np.mean(right))


def bundled_home(name: str, days: float, seed: int, *, with_paths: bool) -> None:
    """Rows of the first table."""
    plan = Floorplan.load(PLANS / f"{name}.yaml")
    events, truth = life(plan, days, seed)
    print(f"{name}, {len(plan.people)} people, {len(events)} events in {days:g} days")

    def row(label: str, lines: Iterable[Line]) -> list[Line]:
        begin = time.process_time()
        told = [line for line in lines if isinstance(line, Belief)]
        took = (time.process_time() - begin) / days
        balanced, loss, count, people = score(plan, events, truth, told)
        print(f"  {label:28}{balanced:9.4f}{loss:9.4f}{count:9.4f}{people:9.4f}{took:9.1f}", flush=True)
        return list(told)

    told = row("filter", replay(plan, events))
    with mock.patch.object(smoothing, "put_back", lambda _, as_they_come: as_they_come):
        row("smoothed, off reports left", smooth(plan, events))
    row("smoothed", smooth(plan, events))
    if not with_paths:
        return
    begin = time.process_time()
    path = list(paths(plan, events))
    took = (time.process_time() - begin) / days
    times = np.array([line.time.timestamp() for line in told])
    print(f"  {'path':55}{path_accuracy(plan, path, truth, times):9.4f}{took:9.1f}", flush=True)


def probabilities(lines: Iterable[Belief]) -> Array:
    """Rooms and people of each belief in a row."""
    return np.array([[*b.rooms.values(), *(p for who in b.people.values() for p in who.values())] for b in lines])


def nats_missed(plan: Floorplan, events: Sequence[Event], most: int) -> float:
    """How much less likely everybody's paths over a log are than the likeliest joint path (Viterbi), nats."""
    engine = RecordingEngine(plan, Settings(), most, numbering=True)
    (whole,) = stretches(engine, put_back(plan, events), 60.0, 1e9, 0.0)
    begin = whole.begin.mixture
    initial = begin.x[:, 0]  # nothing has been heard: one hypothesis
    path = likeliest_paths(begin, whole.tape, Rules(most, engine.ghost_rates))
    _, best = joint.best_path(joint.independent(initial), whole.tape)
    return best - log_probability(initial, whole.tape, path)


def differences(days: float, seed: int) -> None:
    """Rows of the second table."""
    for people in (1, 2):
        plan = small_home(people)
        events, _ = life(plan, days, seed)
        exact = probabilities(smooth(plan, events))
        for most in (4, 16, 64):
            other = probabilities(smooth(plan, events, hypotheses=most, joint_states=0))
            apart, missed = abs(other - exact), nats_missed(plan, events, most)
            print(f"{people:>6}{most:>12}{apart.mean():>12.5f}{apart.max():>12.4f}{missed:>14.3f}", flush=True)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description="What smoothing adds, and how far from exact it is.")
    parser.add_argument("--days", type=float, default=2.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--homes", nargs="*", default=list(HOMES), choices=HOMES)
    parser.add_argument("--paths", action=argparse.BooleanOptionalAction, default=True, help="The slowest rows.")
    options = parser.parse_args()
    print(f"{'':30}{'balanced':>9}{'log loss':>9}{'count':>9}{'people':>9}{'s a day':>9}")
    for name in options.homes:
        bundled_home(name, options.days, options.seed, with_paths=options.paths)
    print(f"\n{'people':>6}{'hypotheses':>12}{'mean diff':>12}{'largest':>12}{'path, nats':>14}")
    differences(options.days, options.seed)


if __name__ == "__main__":
    main()
