"""How soon sick sensors are named, how often healthy ones are, and what doubting the sick is worth.

    python benchmarks/health.py naming [--plan FILE]... [--seeds 41 42] [--days 14] [--after 3] [--json]
    python benchmarks/health.py healthy [--plan FILE]... [--seeds 41 42] [--days 30] [--json]
    python benchmarks/health.py recovery [--plan FILE]... [--seeds 41 42] [--days 14] [--after 3] [--json]

Homes are simulated (`presence simulate`), so they are not the tracker's own model. `naming` lets a home run well, then
lets one sensor at a time fall ill (`benchmarks/faults.py`) and counts the hours until it is named, by how many reports
a day the sensor makes; who else is named meanwhile is a false alarm. `healthy` counts what is named in homes without a
fault. `recovery` scores the tracker from a day after a sensor's death on: told by nobody and doubting nobody, doubting
by itself, told `offline` at once, and with the sensor alive.
"""

from __future__ import annotations

import argparse
import json
import pickle
import sys
import zlib
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks import faults
from presence.events import Event, reorder
from presence.floorplan import AWAY, Floorplan
from presence.metrics import BinarySums, CountSums
from presence.simulate import Simulation, simulate
from presence.tracker import Tracker
from presence.whereabouts import Whereabouts

PLANS = [str(Path(__file__).resolve().parents[1] / "floorplans" / "two_storey_garage.yaml")]
EVERY = 60.0
"""Seconds between two instants of the grid."""
FALLS_ILL_AT = 0.3
"""Time of the day, as a share, at which a sensor falls ill."""
SICK = {"dead": ("dead", "stuck"), "stuck": ("stuck", "dead"), "chattering": ("chattering",)}
"""Kinds of finding that name a fault: one who says nothing may have died while it was on."""
TRIED = {
    "dead": ("motion", "occupancy", "camera", "contact", "lock"),
    "stuck": ("motion", "occupancy"),
    "chattering": ("motion", "occupancy", "contact"),
}
GROUPS = ((20.0, "20 or more reports a day"), (6.0, "6 to 20"), (0.0, "fewer than 6"))


def main(arguments: list[str] | None = None) -> int:
    """Runs the command."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=["naming", "healthy", "recovery"])
    parser.add_argument("--plan", action="append", help="floor plan; may be given again")
    parser.add_argument("--seeds", type=int, nargs="+", default=[41])
    parser.add_argument("--days", type=int, default=14, help="of health")
    parser.add_argument("--after", type=int, default=3, help="days looked at after a sensor has fallen ill")
    parser.add_argument("--hypotheses", type=int, default=4)
    parser.add_argument("--only", nargs="*", help="sensors to try; all that qualify if not given")
    parser.add_argument("--json", action="store_true", help="for programs")
    options = parser.parse_args(arguments)
    rows: list[dict[str, Any]] = []
    for path in options.plan or PLANS:
        for seed in options.seeds:
            for row in {"naming": naming, "healthy": healthy, "recovery": recovery}[options.what](
                Floorplan.load(path), seed, options
            ):
                row = {"plan": Path(path).stem, "seed": seed, **row}
                rows.append(row)
                print(json.dumps(row), file=sys.stderr, flush=True)
    summary = {"naming": naming_summary, "healthy": healthy_summary, "recovery": recovery_summary}[options.what](rows)
    print(json.dumps({"rows": rows, "summary": summary}) if options.json else "\n".join(summary))
    return 0


def follow(tracker: Tracker, events: Iterable[Event], until: float) -> Iterator[datetime]:
    """Feed a tracker up to an instant (epoch seconds), telling every minute of the log's time."""
    step = np.nan
    for event in events:
        if event.seconds >= until:
            break
        if np.isnan(step):
            begun = tracker.time
            step = np.floor((event.seconds if begun is None else begun.timestamp()) / EVERY) + 1.0
        while step * EVERY < event.seconds:
            now = datetime.fromtimestamp(step * EVERY, UTC)
            tracker.advance(now)
            yield now
            step += 1.0
        tracker.observe(event)


def warm(plan: Floorplan, seed: int, options: argparse.Namespace) -> tuple[Simulation, list[Event], datetime, bytes]:
    """A home's life, its events in order, the instant at which sensors fall ill, and a tracker up to there."""
    simulation = simulate(plan, days=options.days + options.after, seed=seed)
    log = list(reorder(simulation.log))
    at = faults.midnight(log, options.days + FALLS_ILL_AT - 1)
    tracker = Tracker(plan, hypotheses=options.hypotheses)
    for _ in follow(tracker, log, at.timestamp()):
        pass
    return simulation, log, at, pickle.dumps(tracker)


def make_ill(log: list[Event], fault: str, sensor: str, at: datetime, seed: int) -> list[Event]:
    """The log with one sensor ill from an instant on."""
    if fault == "chattering":
        return faults.chatter(log, sensor, at, np.random.default_rng([seed, zlib.crc32(sensor.encode())]))
    return {"dead": faults.die, "stuck": faults.stick}[fault](log, sensor, at)


def naming(plan: Floorplan, seed: int, options: argparse.Namespace) -> Iterator[dict[str, Any]]:
    """Hours until each sensor is named, for each fault it can have."""
    _, log, at, state = warm(plan, seed, options)
    already = {f.sensor for f in pickle.loads(state).health.findings}
    days = (at - log[0].time).total_seconds() / 86400.0
    for fault, kinds in TRIED.items():
        for sensor in plan.sensors.values():
            made = sum(e.time < at for e in faults.reports(log, sensor.id))
            if sensor.kind not in kinds or not made or (options.only and sensor.id not in options.only):
                continue
            sick = [e for e in make_ill(log, fault, sensor.id, at, seed) if e.time >= at]
            hours, others = _named(pickle.loads(state), sick, sensor.id, fault, at, options.after)
            since = at if hours is None else at + timedelta(hours=hours)
            missing = sum(at <= e.time < since for e in faults.reports(log, sensor.id)) if hours is not None else None
            yield {
                "fault": fault,
                "sensor": sensor.id,
                "reports_per_day": round(made / days, 1),
                "hours": hours,
                "reports_missed": missing,
                "false": sorted(others - already),
            }


def _named(
    tracker: Tracker, sick: list[Event], sensor: str, fault: str, at: datetime, days: float
) -> tuple[float | None, set[str]]:
    others: set[str] = set()
    for now in follow(tracker, sick, at.timestamp() + 86400.0 * days):
        findings = tracker.health.findings
        others |= {f.sensor for f in findings if f.sensor != sensor}
        if any(f.sensor == sensor and f.kind in SICK[fault] for f in findings):
            return round((now - at).total_seconds() / 3600.0, 1), others
    return None, others


def healthy(plan: Floorplan, seed: int, options: argparse.Namespace) -> Iterator[dict[str, Any]]:
    """What is named in a home without a fault."""
    log = list(reorder(simulate(plan, days=options.days, seed=seed).log))
    tracker, named = Tracker(plan, hypotheses=options.hypotheses), {}
    for now in follow(tracker, log, np.inf):
        for f in tracker.health.findings:
            named[f.sensor, f.kind, f.since] = (now - log[0].time).total_seconds() / 86400.0
    alarms = [{"sensor": s, "kind": k, "day": round(day, 2)} for (s, k, _), day in named.items()]
    yield {"days": options.days, "alarms": alarms}


class Scored:
    """Rooms and the count at home against the truth, from some instant on."""

    def __init__(self, plan: Floorplan, simulation: Simulation, begin: float) -> None:
        self.rooms = [room for room in plan.rooms if room != AWAY]
        self.truth = Whereabouts(plan, simulation.truth)
        self.begin = begin
        self.binary, self.count = BinarySums(len(self.rooms)), CountSums()

    def sample(self, tracker: Tracker, now: datetime) -> None:
        """Take in the belief of one instant."""
        list(self.truth.advance(now.timestamp()))
        if now.timestamp() < self.begin:
            return
        heads = self.truth.heads[: len(self.rooms)]
        belief = tracker.belief
        self.binary.add(np.array([[belief.rooms[room] for room in self.rooms]]), heads[None, :] > 0)
        self.count.add(np.array([belief.at_home]), np.array([int(heads.sum())]))

    def scores(self) -> dict[str, float]:
        """Balanced accuracy of rooms, and exact count at home."""
        rooms, count = self.binary.scores(), self.count.scores()
        return {"rooms": round(rooms["balanced_accuracy"], 4), "at_home": round(count["accuracy"], 4)}


def recovery(plan: Floorplan, seed: int, options: argparse.Namespace) -> Iterator[dict[str, Any]]:
    """Scores from one day after a sensor's death on."""
    simulation, log, at, state = warm(plan, seed, options)
    end = at.timestamp() + 86400.0 * options.after

    def scored(events: list[Event], *, watching: bool = True) -> dict[str, float]:
        tracker: Tracker = pickle.loads(state)
        tracker.watching = watching
        scores = Scored(plan, simulation, at.timestamp() + 86400.0)
        for now in follow(tracker, [e for e in events if e.time >= at], end):
            scores.sample(tracker, now)
        return scores.scores()

    alive = scored(log)
    for sensor in options.only or [s.id for s in plan.sensors.values() if s.kind == "motion"]:
        dead = faults.die(log, sensor, at)
        told = sorted([*dead, Event(at, sensor, "offline")], key=lambda e: e.time)
        yield {
            "sensor": sensor,
            "alive": alive,
            "unnoticed": scored(dead, watching=False),
            "by itself": scored(dead),
            "told": scored(told),
        }


def naming_summary(rows: list[dict[str, Any]]) -> list[str]:
    """Shares named within a day and two, by fault and reports a day."""
    lines = []
    for fault in TRIED:
        of_fault = [row for row in rows if row["fault"] == fault]
        for k, (least, text) in enumerate(GROUPS):
            most = GROUPS[k - 1][0] if k else np.inf
            hours = [row["hours"] or np.inf for row in of_fault if least <= row["reports_per_day"] < most]
            if hours:
                day, two = (sum(h <= limit for h in hours) / len(hours) for limit in (24.0, 48.0))
                middle = float(np.median(hours))
                lines.append(
                    f"{fault:10s} {text:26s} {len(hours):3d} sensors: named within a day {day:.2f}, two days {two:.2f},"
                    f" median {middle:.0f} h"
                )
    false = sum(len(row["false"]) for row in rows)
    return [*lines, f"other sensors named meanwhile: {false} in {len(rows)} trials"]


def healthy_summary(rows: list[dict[str, Any]]) -> list[str]:
    """False alarms per home-month."""
    days, alarms = sum(row["days"] for row in rows), sum(len(row["alarms"]) for row in rows)
    return [f"{alarms} false alarms in {days / 30:.1f} home-months"]


def recovery_summary(rows: list[dict[str, Any]]) -> list[str]:
    """Mean scores, and the largest shortfall behind being told."""
    lines = []
    for name in ("alive", "unnoticed", "by itself", "told"):
        means = {key: float(np.mean([row[name][key] for row in rows])) for key in ("rooms", "at_home")}
        lines.append(f"{name:10s} rooms {means['rooms']:.4f}, exact count at home {means['at_home']:.4f}")
    worst = max(row["told"]["rooms"] - row["by itself"]["rooms"] for row in rows)
    return [*lines, f"largest shortfall of rooms behind being told: {worst:.4f} ({len(rows)} sensors)"]


if __name__ == "__main__":
    sys.exit(main())
