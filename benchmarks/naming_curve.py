"""What promptness costs: false alarms a home-month against silent sensors named in time, by the odds that name.

    python benchmarks/naming_curve.py [--plan FILE]... [--seeds 41 42] [--days 30] [--deaths 41] [--people N] [--json]
                                      [--tracker [--hypotheses 3]] [--least 6]

The log alone is read (`benchmarks/health.py --log-only`), so that a home-month takes seconds; with `--tracker` the live
tracker watches, with what its model expects and its second opinions, and a home-month takes a minute. It names from 4.5
on and then looks no further, so that its shares at higher odds are only bounds. Every seed is a healthy home; those
given to `--deaths`, too, let each sensor die, and each motion and occupancy sensor stick, in the middle of the time. A
false alarm is a silence of a healthy sensor, after the first week, whose odds rose beyond the threshold. Beside each
share stands what somebody would reach who saw where everybody is (`benchmarks/clairvoyant.py`): the limit. The first
line says what all watches together (silence, chatter, wear, contacts, clocks, places) named as they stand.
"""

from __future__ import annotations

import argparse
import json
import pickle
import sys
from collections.abc import Iterable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks import faults
from benchmarks.clairvoyant import clairvoyant, known
from benchmarks.health import FALLS_ILL_AT, GROUPS, PLANS, TRIED, inhabited, make_ill
from benchmarks.watching import begin, busy_day, missed, silence_of, visits, watch
from presence.events import Event, reorder
from presence.floorplan import Floorplan
from presence.health.monitor import Watches
from presence.health.silence import FIRST_DAYS
from presence.simulate import Simulation, simulate
from presence.tracker import Tracker

THRESHOLDS = (1.0, 2.0, 3.0, 4.0, 4.5, 5.0, 6.0)
AFTER = 3
"""Days looked at after a sensor has fallen silent."""
WORTH_A_LINE = 0.0
"""Log odds of a healthy sensor that are kept."""


def main(arguments: list[str] | None = None) -> int:
    """Runs the command."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--plan", action="append", help="floor plan; may be given again")
    parser.add_argument("--seeds", type=int, nargs="+", default=[41])
    parser.add_argument(
        "--deaths", type=int, nargs="*", default=[], help="those of the seeds that let sensors die, too"
    )
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--people", type=int, help="who live there; those of the plan if not given (floorplans/ only)")
    parser.add_argument("--least", type=float, default=0.0, help="reports a day of the sensors that die")
    parser.add_argument("--tracker", action="store_true", help="with a tracker")
    parser.add_argument("--hypotheses", type=int, default=3, help="of the tracker")
    parser.add_argument("--json", action="store_true", help="for programs")
    options = parser.parse_args(arguments)
    rows: list[dict[str, Any]] = []
    for path in options.plan or PLANS:
        for seed in options.seeds:
            row = {"plan": Path(path).stem, "seed": seed, **lived(inhabited(path, options.people), seed, options)}
            rows.append(row)
            print(
                json.dumps({key: row[key] for key in ("plan", "seed", "months", "peaks", "named")}),
                file=sys.stderr,
                flush=True,
            )
    print(json.dumps(rows) if options.json else "\n".join(summary(rows)))
    return 0


def lived(plan: Floorplan, seed: int, options: argparse.Namespace) -> dict[str, Any]:
    """A home's healthy life, and what happens to each sensor that falls silent in the middle of it."""
    simulation = simulate(plan, days=options.days, seed=seed)
    log = list(reorder(simulation.log))
    at = faults.midnight(log, options.days // 2 + FALLS_ILL_AT)
    watcher = begin(plan, log, log_only=not options.tracker, hypotheses=options.hypotheses)
    peaks: dict[tuple[str, int], float] = {}
    alarms: set[tuple[str, str]] = set()
    before = sum(event.time < at for event in log)
    watch_healthy(watcher, log[:before], log[0].seconds, peaks, alarms)
    state = pickle.dumps(watcher)
    watch_healthy(watcher, log[before:], log[0].seconds, peaks, alarms)
    rows = [] if seed not in options.deaths else list(deaths(plan, simulation, log, at, state, options.least))
    return {
        "months": (options.days - FIRST_DAYS / 86400.0) / 30.0,
        "peaks": sorted(((round(peak, 2), sensor) for (sensor, _), peak in peaks.items()), reverse=True),
        "named": sorted(alarms),
        "deaths": rows,
    }


def watch_healthy(
    watcher: Tracker | Watches,
    events: Iterable[Event],
    begun: float,
    peaks: dict[tuple[str, int], float],
    alarms: set[tuple[str, str]],
) -> None:
    """Note the highest odds of each remarkable silence, by its sensor and when that was last heard; and all named."""
    for now, findings in watch(watcher, events, np.inf):
        alarms |= {(finding.sensor, finding.kind) for finding in findings}
        watch_over = silence_of(watcher)
        if watch_over is None or now.timestamp() < begun + FIRST_DAYS:
            continue
        odds = watch_over.odds_to_name
        for n in np.flatnonzero(odds > WORTH_A_LINE):
            silence = (watch_over.sensors[n], round(float(watch_over.heard[n])))
            peaks[silence] = max(float(odds[n]), peaks.get(silence, -np.inf))


def deaths(
    plan: Floorplan, simulation: Simulation, log: list[Event], at: datetime, state: bytes, least: float
) -> Iterator[dict[str, Any]]:
    """When the odds of each silent sensor first rise beyond each threshold: hours, and visits missed."""
    days = round((at - log[0].time).total_seconds() / 86400.0)
    for fault in ("dead", "stuck"):
        for sensor in plan.sensors.values():
            made = sum(event.time < at for event in faults.reports(log, sensor.id))
            if sensor.kind not in TRIED[fault] or not made or made < least * days:
                continue
            watcher: Tracker | Watches = pickle.loads(state)
            n, times = list(plan.sensors).index(sensor.id), visits(log, sensor.id)
            sick = [event for event in make_ill(log, fault, sensor.id, at, 0) if event.time >= at]
            course = clairvoyant(plan, simulation, sensor, at)
            crossed: dict[float, tuple[float, int]] = {}
            alone: dict[float, tuple[float, int]] = {}
            for now, _ in watch(watcher, sick, at.timestamp() + AFTER * 86400.0):
                watch_over = silence_of(watcher)
                if watch_over is None:
                    continue
                hours = (now - at).total_seconds() / 3600.0
                for odds, found in ((watch_over.odds_to_name[n], crossed), (watch_over.log_odds[n], alone)):
                    for threshold in THRESHOLDS:
                        if odds > threshold and threshold not in found:
                            found[threshold] = (hours, missed(times, at, now))
                if len(alone) == len(THRESHOLDS):
                    break
            yield {
                "fault": fault,
                "sensor": sensor.id,
                "reports_per_day": made / days,
                "busy_day": busy_day(times, at, days - 1),
                "crossed": {str(threshold): found for threshold, found in crossed.items()},
                "alone": {str(threshold): found for threshold, found in alone.items()},
                "clairvoyant": {
                    str(threshold): when for threshold in THRESHOLDS if (when := known(course, at, times, threshold))
                },
            }


def summary(rows: list[dict[str, Any]]) -> list[str]:
    """A line for each threshold: false alarms, and shares named within a day and a day of activity."""
    months = sum(row["months"] for row in rows)
    peaks = np.array([peak for row in rows for peak, _ in row["peaks"]])
    trials = [trial for row in rows for trial in row["deaths"]]
    named = sum(len(row["named"]) for row in rows)
    lines = [f"{months:.1f} home-months after the first week, {len(trials)} silent sensors; all watches named {named}"]
    for threshold in THRESHOLDS:
        alarms = int((peaks > threshold).sum())
        lines.append(f"log odds {threshold:3.1f}: {alarms} false alarms, {alarms / months:.3f} a home-month")
        for fault in ("dead", "stuck"):
            lines += [f"    {line}" for line in _in_time([t for t in trials if t["fault"] == fault], fault, threshold)]
    return lines


def _in_time(trials: list[dict[str, Any]], fault: str, threshold: float) -> Iterator[str]:
    for k, (least, text) in enumerate(GROUPS):
        most = GROUPS[k - 1][0] if k else np.inf
        group = [trial for trial in trials if least <= trial["reports_per_day"] < most]
        if group:
            day, active = _shares(group, threshold, "crossed")
            without = "{:.2f}, {:.2f}".format(*_shares(group, threshold, "alone"))
            best = "{:.2f}, {:.2f}".format(*_shares(group, threshold, "clairvoyant"))
            yield (
                f"{fault:5s} {text:26s} {len(group):3d}: within a day {day:.2f}, a day of activity {active:.2f}"
                f" (without second opinions {without}; clairvoyant {best})"
            )


def _shares(group: list[dict[str, Any]], threshold: float, by: str) -> tuple[float, float]:
    """Shares named within a day, and within a day of activity."""
    found = [trial[by].get(str(threshold), (np.inf, np.inf)) for trial in group]
    active = [lost <= trial["busy_day"] for (_, lost), trial in zip(found, group, strict=True)]
    return float(np.mean([hours <= 24.0 for hours, _ in found])), float(np.mean(active))


if __name__ == "__main__":
    sys.exit(main())
