"""How soon sick sensors are named, how often healthy ones are, and what doubting the sick is worth.

    python benchmarks/health.py naming [--plan FILE]... [--seeds 41 42] [--days 14] [--after 3] [--log-only] [--json]
    python benchmarks/health.py healthy [--plan FILE]... [--seeds 41 42] [--days 30] [--log-only] [--json]
    python benchmarks/health.py recovery [--plan FILE]... [--seeds 41 42] [--days 14] [--after 3] [--json]

Homes are simulated (`presence simulate`), so they are not the tracker's own model. `naming` lets a home run well, then
lets one sensor at a time fall ill (`benchmarks/faults.py`) and counts the hours until it is named, by how many reports
a day the sensor makes; who else is named meanwhile is a false alarm. `healthy` counts what is named in homes without a
fault. `recovery` scores the tracker from a day after a sensor's death on: told by nobody and doubting nobody, doubting
by itself, told `offline` at once, and with the sensor alive.

A silent sensor can only be known by what it ought to have said. So besides hours, `naming` counts visits: reports that
a healthy sensor would have made, further than ten minutes apart. A *day of activity* of a sensor is over once it has
missed as many visits as it has on a busy day, one in ten of the days before. A sensor that speaks twice a week has one
or two, and no method tells its death from an idle week by them; the summary says how many visits were needed.
Beside our shares stand those of somebody who sees where everybody is (`benchmarks/clairvoyant.py`): the limit.

`--log-only` leaves the tracker out, and with it what the model expects: what is left reads the log alone, so that many
home-months are affordable. `--people N` lets only so many live there.
"""

from __future__ import annotations

import argparse
import json
import pickle
import sys
import zlib
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks import faults
from benchmarks.clairvoyant import clairvoyant, known
from benchmarks.trust.homes import home_of
from benchmarks.watching import begin, busy_day, follow, missed, named_by, visits, watch
from presence.events import Event, reorder
from presence.floorplan import AWAY, Floorplan
from presence.health.monitor import Watches
from presence.health.silence import LEAST, TOGETHER
from presence.metrics import BinarySums, CountSums
from presence.simulate import Simulation, simulate
from presence.tracker import Tracker
from presence.whereabouts import Whereabouts

PLANS = [str(Path(__file__).resolve().parents[1] / "floorplans" / "two_storey_garage.yaml")]
SURE = LEAST[TOGETHER]
"""Log odds that a clairvoyant asks for: as many false alarms as ours."""
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
    parser.add_argument("--people", type=int, help="who live there; those of the plan if not given (floorplans/ only)")
    parser.add_argument("--log-only", action="store_true", help="without a tracker: what reads the log alone")
    parser.add_argument("--json", action="store_true", help="for programs")
    options = parser.parse_args(arguments)
    rows: list[dict[str, Any]] = []
    for path in options.plan or PLANS:
        for seed in options.seeds:
            for row in {"naming": naming, "healthy": healthy, "recovery": recovery}[options.what](
                inhabited(path, options.people), seed, options
            ):
                row = {"plan": Path(path).stem, "seed": seed, **row}
                rows.append(row)
                print(json.dumps(row), file=sys.stderr, flush=True)
    summary = {"naming": naming_summary, "healthy": healthy_summary, "recovery": recovery_summary}[options.what](rows)
    print(json.dumps({"rows": rows, "summary": summary}) if options.json else "\n".join(summary))
    return 0


def inhabited(path: str, people: int | None) -> Floorplan:
    """A plan, with so many people."""
    return Floorplan.load(path) if people is None else home_of(Path(path).stem, people, "plain")


def warm(plan: Floorplan, seed: int, options: argparse.Namespace) -> tuple[Simulation, list[Event], datetime, bytes]:
    """A home's life, its events in order, the instant at which sensors fall ill, and who has watched up to there."""
    simulation = simulate(plan, days=options.days + options.after, seed=seed)
    log = list(reorder(simulation.log))
    at = faults.midnight(log, options.days + FALLS_ILL_AT - 1)
    watcher = begin(plan, log, log_only=options.log_only and options.what == "naming", hypotheses=options.hypotheses)
    for _ in watch(watcher, log, at.timestamp()):
        pass
    return simulation, log, at, pickle.dumps(watcher)


def make_ill(log: list[Event], fault: str, sensor: str, at: datetime, seed: int) -> list[Event]:
    """The log with one sensor ill from an instant on."""
    if fault == "chattering":
        return faults.chatter(log, sensor, at, np.random.default_rng([seed, zlib.crc32(sensor.encode())]))
    return {"dead": faults.die, "stuck": faults.stick}[fault](log, sensor, at)


def naming(plan: Floorplan, seed: int, options: argparse.Namespace) -> Iterator[dict[str, Any]]:
    """Hours until each sensor is named, for each fault it can have."""
    simulation, log, at, state = warm(plan, seed, options)
    already = {finding.sensor for finding in named_by(pickle.loads(state))}
    days = (at - log[0].time).total_seconds() / 86400.0
    for fault, kinds in TRIED.items():
        for sensor in plan.sensors.values():
            made = sum(e.time < at for e in faults.reports(log, sensor.id))
            if sensor.kind not in kinds or not made or (options.only and sensor.id not in options.only):
                continue
            sick = [e for e in make_ill(log, fault, sensor.id, at, seed) if e.time >= at]
            when, others = _named(pickle.loads(state), sick, sensor.id, fault, at, options.after)
            times = visits(log, sensor.id)
            best = fault != "chattering" and known(clairvoyant(plan, simulation, sensor, at), at, times, SURE)
            yield {
                "fault": fault,
                "sensor": sensor.id,
                "reports_per_day": round(made / days, 1),
                "hours": None if when is None else round((when - at).total_seconds() / 3600.0, 1),
                "busy_day": round(busy_day(times, at, options.days - 1), 1),
                "visits_missed": None if when is None else missed(times, at, when),
                "clairvoyant": best or None,
                "false": sorted(others - already),
            }


def _named(
    watcher: Tracker | Watches, sick: list[Event], sensor: str, fault: str, at: datetime, days: float
) -> tuple[datetime | None, set[str]]:
    others: set[str] = set()
    for now, findings in watch(watcher, sick, at.timestamp() + 86400.0 * days):
        others |= {f.sensor for f in findings if f.sensor != sensor}
        if any(f.sensor == sensor and f.kind in SICK[fault] for f in findings):
            return now, others
    return None, others


def healthy(plan: Floorplan, seed: int, options: argparse.Namespace) -> Iterator[dict[str, Any]]:
    """What is named in a home without a fault."""
    log = list(reorder(simulate(plan, days=options.days, seed=seed).log))
    watcher = begin(plan, log, log_only=options.log_only, hypotheses=options.hypotheses)
    named: dict[tuple[str, str, datetime], float] = {}
    for now, findings in watch(watcher, log, np.inf):
        for f in findings:
            named[f.sensor, f.kind, f.since] = (now - log[0].time).total_seconds() / 86400.0
    alarms = [{"sensor": s, "kind": k, "day": round(day, 2)} for (s, k, _), day in named.items()]
    yield {"days": options.days, "alarms": alarms}


class Scored:
    """Rooms and the number at home against the truth, from some instant on."""

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
        """Balanced accuracy of rooms, and share of instants at which the number at home is right."""
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
    """Shares named within a day, two, and a day of activity, by fault and reports a day; visits that it took."""
    lines = []
    for fault in TRIED:
        of_fault = [row for row in rows if row["fault"] == fault]
        for k, (least, text) in enumerate(GROUPS):
            most = GROUPS[k - 1][0] if k else np.inf
            group = [row for row in of_fault if least <= row["reports_per_day"] < most]
            if group:
                lines.append(f"{fault:10s} {text:26s} {len(group):3d} sensors: {_promptness(group)}")
    false = sum(len(row["false"]) for row in rows)
    return [*lines, f"other sensors named meanwhile: {false} in {len(rows)} trials"]


def _promptness(group: list[dict[str, Any]]) -> str:
    hours = np.array([np.inf if row["hours"] is None else row["hours"] for row in group])
    needed = np.array([np.inf if row["hours"] is None else row["visits_missed"] for row in group])
    active = float(np.mean(needed <= [row["busy_day"] for row in group]))
    day, two = (float(np.mean(hours <= limit)) for limit in (24.0, 48.0))
    middle = float(np.sort(needed)[(len(needed) - 1) // 2])
    visits_needed = "visits: too few" if np.isinf(middle) else f"{middle:.0f} visits"
    text = f"named within a day {day:.2f}, two days {two:.2f}, a day of activity {active:.2f}; median {visits_needed}"
    if group[0]["fault"] == "chattering":
        return text
    best = [row["clairvoyant"] or (np.inf, np.inf) for row in group]
    day, two = (float(np.mean([hours <= limit for hours, _ in best])) for limit in (24.0, 48.0))
    active = float(np.mean([lost <= row["busy_day"] for (_, lost), row in zip(best, group, strict=True)]))
    return f"{text} (clairvoyant {day:.2f}, {two:.2f}, {active:.2f})"


def healthy_summary(rows: list[dict[str, Any]]) -> list[str]:
    """False alarms per home-month."""
    days, alarms = sum(row["days"] for row in rows), sum(len(row["alarms"]) for row in rows)
    return [f"{alarms} false alarms in {days / 30:.1f} home-months"]


def recovery_summary(rows: list[dict[str, Any]]) -> list[str]:
    """Mean scores, and the largest shortfall behind being told."""
    lines = []
    for name in ("alive", "unnoticed", "by itself", "told"):
        means = {key: float(np.mean([row[name][key] for row in rows])) for key in ("rooms", "at_home")}
        lines.append(f"{name:10s} rooms {means['rooms']:.4f}, number at home {means['at_home']:.4f}")
    worst = max(row["told"]["rooms"] - row["by itself"]["rooms"] for row in rows)
    return [*lines, f"largest shortfall of rooms behind being told: {worst:.4f} ({len(rows)} sensors)"]


if __name__ == "__main__":
    sys.exit(main())
