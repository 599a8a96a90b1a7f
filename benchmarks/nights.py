"""Two share a bedroom, and the front door was opened in the evening: what does a night of tossing tell of them?

    python benchmarks/nights.py [--nights N] [--settings '{"night_waking_rate": 1e-4}']

For one and for two who sleep there, each of them seen so many times an hour, by how much the night moves the log odds
of two at home over one (nats, mean and spread over nights). Gaps between movements are log-normal (sigma 1.1), so no
sleeper is the model's own. How often somebody turns over and how much of it a sensor sees differ by more than from one
to two, so a night should tell little, and not against two who are there.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.trust.homes import home_of
from presence import Event, Floorplan, Settings, Tracker

START = datetime(2026, 3, 2, 23, 20, tzinfo=UTC)
IN_BED, MORNING = 1400.0, 1400.0 + 6.5 * 3600.0
"""Seconds after the start: both have gone to bed, the first wakes."""
SEEN = (0.4, 0.8, 1.6, 3.0)
"""Times an hour that one sleeper is seen."""
SIGMA = 1.1
"""Of the logarithms of the gaps between movements."""
HOLD, BLIND = 60.0, 6.0
"""Seconds that the bedroom's sensor stays on, and that it sees nothing after that."""
Turn = tuple[float, str, str]


def bedroom_for_two() -> Floorplan:
    """The house with the garage for two who share a bed, without phones, codes or unknown people."""
    plan = home_of("two_storey_garage", 2, "no phones")
    people = {name: replace(person, codes=()) for name, person in plan.people.items()}
    kept = {name: sensor for name, sensor in plan.sensors.items() if sensor.kind in ("motion", "contact")}
    return replace(plan, time_zone="UTC", visitors=0, people=people, sensors=kept)


def evening() -> list[Turn]:
    """Both sit in the living room, the front door is opened and shut, somebody goes up to bed."""
    on = [("living_motion", 0, 90), ("living_motion", 100, 70), ("hall_motion", 600, 40), ("hall_motion", 680, 40)]
    on += [("landing_motion", 690, 40), ("main_bedroom_motion", 700, 400), ("main_bedroom_motion", 1200, 100)]
    turns: list[Turn] = [(608.0, "front_contact", "open"), (613.0, "front_contact", "closed")]
    for sensor, begin, seconds in on:
        turns += [(float(begin), sensor, "detected"), (float(begin + seconds), sensor, "clear")]
    return turns


def night(sleepers: int, seen: float, seed: int) -> list[Event]:
    """The evening, and what the bedroom's sensor says of those who sleep there."""
    generator, mean, movements = np.random.default_rng(seed), 3600.0 / seen, []
    for _ in range(sleepers):
        at = IN_BED
        while (at := at + float(generator.lognormal(np.log(mean) - SIGMA**2 / 2, SIGMA))) < MORNING - HOLD:
            movements.append(at)
    turns, able = evening(), IN_BED
    for at in sorted(movements):
        if at > able:
            turns += [(at, "main_bedroom_motion", "detected"), (at + HOLD, "main_bedroom_motion", "clear")]
            able = at + HOLD + BLIND
    return [Event(time=START + timedelta(seconds=at), sensor=s, value=value) for at, s, value in sorted(turns)]


def told(plan: Floorplan, log: Sequence[Event], settings: Settings) -> float:
    """By how much the night moves the log odds of two at home over one, nats."""
    tracker, odds, left = Tracker(plan, settings), [], list(log)
    for until in (IN_BED, MORNING):
        end = START + timedelta(seconds=until)
        while left and left[0].time <= end:
            tracker.observe(left.pop(0))
        tracker.advance(end)
        odds.append(float(np.log(tracker.belief.at_home[2] / tracker.belief.at_home[1])))
    return odds[1] - odds[0]


def main(arguments: list[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--nights", type=int, default=8)
    parser.add_argument("--settings", type=json.loads, default={})
    options = parser.parse_args(arguments)
    plan, changed = bedroom_for_two(), Settings.from_mapping(options.settings)
    print(f"{'seen an hour':14}" + "".join(f"{seen:>14}" for seen in SEEN))
    for sleepers in (1, 2):
        cells = []
        for seen in SEEN:
            nights = [told(plan, night(sleepers, seen, seed), changed) for seed in range(options.nights)]
            cells.append(f"{np.mean(nights):+.1f} ({np.std(nights):.1f})")
        print(f"{sleepers} asleep      " + "".join(f"{cell:>14}" for cell in cells), flush=True)


if __name__ == "__main__":
    main()
