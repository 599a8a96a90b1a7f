"""One person who moves for ten seconds every so many minutes in one room: is anybody else believed in?

    python benchmarks/rhythms.py [--hours N]

For some rooms of `floorplans/` and a home without outlines, how likely two or more are at home after the first hour and
at the end, by the minutes from one movement to the next; `~` are log-normal gaps with that mean and a sigma of .5.
Nobody else is there, so what is right is near 0.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import numpy as np

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.trust.homes import home_of
from presence import Event, Floorplan, Settings, Tracker

START = datetime(2026, 3, 2, 14, tzinfo=UTC)
BURST = 10.0
"""Seconds of movement at a time."""
IRREGULAR = "~"
RHYTHMS = ("1", "2", "3", "4", "8", "1~", "2~", "4~", "8~")
SIGMA = 0.5
"""Of the logarithms of irregular gaps."""


class Case(NamedTuple):
    """A home, and the motion sensor of the room in which its one resident stays."""

    plan: Floorplan
    sensor: str


def plain_home(hold: float) -> Floorplan:
    """A room and a hall with a motion sensor each, and a front door: no outlines, no zones, no phones."""
    rooms: dict[str, dict[str, str]] = {"room": {}, "hall": {}}
    doors = {
        "arch": {"between": ["room", "hall"], "leaf": "none"},
        "front": {"between": ["hall", "away"], "leaf": "hinged"},
    }
    sensors = {f"{name}_motion": {"kind": "motion", "room": name, "hold": hold} for name in rooms}
    return Floorplan.from_mapping(
        {
            "name": "room and hall",
            "time_zone": "UTC",
            "rooms": rooms,
            "doors": doors,
            "sensors": sensors | {"front_contact": {"kind": "contact", "door": "front"}},
            "people": {"P1": {}},
        }
    )


def cases() -> dict[str, Case]:
    """The homes of the table, by their names in it."""
    garage = home_of("two_storey_garage", 1, "plain")
    return {
        "room, hold 10 s": Case(plain_home(10.0), "room_motion"),
        "room, hold 30 s": Case(plain_home(30.0), "room_motion"),
        "room, hold 60 s": Case(plain_home(60.0), "room_motion"),
        "studio, 60 s": Case(home_of("one_room_flat", 1, "plain"), "studio_motion"),
        "kitchen, 30 s": Case(garage, "kitchen_motion"),
        "living room, 60 s": Case(garage, "living_motion"),
    }


def movements(rhythm: str, seconds: float, seed: int) -> Iterator[float]:
    """When the bursts of movement begin, in seconds from the start."""
    generator, mean, begin = np.random.default_rng(seed), 60.0 * float(rhythm.rstrip(IRREGULAR)), 0.0
    while begin < seconds:
        yield begin
        gap = generator.lognormal(np.log(mean) - SIGMA**2 / 2, SIGMA) if rhythm.endswith(IRREGULAR) else mean
        begin += max(float(gap), BURST + 1.0)


def log_of(case: Case, rhythm: str, seconds: float, seed: int = 1) -> list[Event]:
    """What the room's sensor says: on with a movement, off `hold` after the last."""
    hold = float(case.plan.sensors[case.sensor].hold or 0.0)
    turns: list[tuple[float, str]] = []
    for begin in movements(rhythm, seconds, seed):
        if turns and begin <= turns[-1][0]:
            turns.pop()  # it was still on
        else:
            turns.append((begin, "detected"))
        turns.append((begin + BURST + hold, "clear"))
    return [Event(time=START + timedelta(seconds=at), sensor=case.sensor, value=value) for at, value in turns]


def others_believed_in(case: Case, rhythm: str, hours: int, settings: Settings | None = None) -> list[float]:
    """How likely two or more are at home, at the end of each hour."""
    tracker, told = Tracker(case.plan, settings), []
    log = log_of(case, rhythm, 3600.0 * hours)
    for hour in range(1, hours + 1):
        end = START + timedelta(hours=hour)
        while log and log[0].time <= end:
            tracker.observe(log.pop(0))
        tracker.advance(end)
        told.append(float(sum(tracker.belief.at_home[2:])))
    return told


def main(arguments: list[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=int, default=3)
    hours = parser.parse_args(arguments).hours
    print(f"{'minutes':18}" + "".join(f"{rhythm:>11}" for rhythm in RHYTHMS))
    for name, case in cases().items():
        row = [others_believed_in(case, rhythm, hours) for rhythm in RHYTHMS]
        print(f"{name:18}" + "".join(f"{f'{told[0]:.2f} {told[-1]:.2f}':>11}" for told in row), flush=True)


if __name__ == "__main__":
    main()
