"""Homes evaluated per minute: over a process pool and on a local Dask cluster, with the same results.

    python benchmarks/many_homes.py [--homes 200] [--days 7] [--workers 1,2] [--no-cluster] [--folder DIR]

Makes the homes first (the plans of floorplans/ in turn, each with another seed), then scores them all with each number
of worker processes and on a Dask cluster of as many processes as the largest, started and stopped here. Times include
the start of the pools' processes. Fewer homes or days give a rate for those; nothing is extrapolated. On a machine with
other work to do only the processor seconds mean something; those of the cluster's processes are not known here.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import asdict
from importlib import import_module
from pathlib import Path
from typing import Any

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
    paths = [sys.path[0], *os.environ.get("PYTHONPATH", "").split(os.pathsep)]
    os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, paths))  # for the workers

from presence.batch import Job, evaluate_home, report_of, simulate_home
from presence.homes import Home
from presence.many import in_order, run_many

PLANS = sorted((Path(__file__).resolve().parents[1] / "floorplans").glob("*.yaml"))


def make(folder: Path, number: int, days: float, workers: int) -> tuple[list[Job], int]:
    """Jobs for `number` simulated homes in a folder, and how many events they have."""
    homes = [Home(f"{PLANS[k % len(PLANS)].stem}-{k}", {"plan": str(PLANS[k % len(PLANS)])}) for k in range(number)]
    jobs = [Job(home, str(folder), {"days": days, "seed": k}, ".") for k, home in enumerate(homes)]
    events, made = 0, []
    for job, outcome in zip(jobs, in_order(run_many(jobs, simulate_home, workers=workers)), strict=True):
        report = report_of(outcome)
        if report.figures is None:
            raise SystemExit(f"{job.home.name}: {'; '.join(report.complaints)}")
        events += report.figures["events"]
        inside = folder / job.home.name
        files = {what: str(inside / name) for what, name in FILES.items()}
        made.append(Job(Home(job.home.name, files), str(folder), {}))
    return made, events


FILES = {"plan": "plan.yaml", "log": "log.jsonl", "truth": "truth.jsonl"}


def evaluate(jobs: Sequence[Job], **where: Any) -> tuple[float, float, str]:
    """Seconds, processor seconds of the processes that ended meanwhile, and the reports as text."""
    begin, used = time.perf_counter(), children()
    reports = [report_of(outcome) for outcome in in_order(run_many(jobs, evaluate_home, **where))]
    seconds, used = time.perf_counter() - begin, children() - used
    failed = [f"{job.home.name}: {r.complaints}" for job, r in zip(jobs, reports, strict=True) if r.figures is None]
    for line in failed:
        print(line, file=sys.stderr)
    return seconds, used, json.dumps([asdict(report) for report in reports])


def ways(counts: Sequence[int], stack: ExitStack, *, cluster: bool) -> Iterator[tuple[str, dict[str, Any]]]:
    """Where to run, by name; the cluster is started last, for its idle processes take time from the others."""
    for n in counts:
        yield f"pool, {n} worker{'s' * (n > 1)}", {"workers": n}
    if cluster:
        most = max(counts)
        local = import_module("distributed").LocalCluster(n_workers=most, threads_per_worker=1, dashboard_address=":0")
        yield f"Dask, {most} workers", {"scheduler": stack.enter_context(local).scheduler_address}


def children() -> float:
    """Processor seconds of this process's children that have ended."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def main() -> None:
    """Print a table."""
    parser = argparse.ArgumentParser(description="Homes evaluated per minute.")
    parser.add_argument("--homes", type=int, default=200)
    parser.add_argument("--days", type=float, default=7.0)
    parser.add_argument("--workers", default="1,2", help="process counts, e.g. 1,2,8")
    parser.add_argument("--no-cluster", action="store_true")
    parser.add_argument("--folder", type=Path, help="keep the homes here")
    asked = parser.parse_args()
    counts = [int(word) for word in asked.workers.split(",")]
    with ExitStack() as stack:
        folder = asked.folder or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        folder.mkdir(parents=True, exist_ok=True)
        jobs, events = make(folder.resolve(), asked.homes, asked.days, max(counts))
        print(f"{asked.homes} homes x {asked.days:g} days, {events:,} events, {os.cpu_count()} cores,", end=" ")
        print(f"load average before {os.getloadavg()[0]:.1f}\n")
        print("| where | seconds | processor s | homes per minute | homes per processor minute | same bytes |")
        print("| --- | ---: | ---: | ---: | ---: | --- |")
        first = ""
        for name, where in ways(counts, stack, cluster=not asked.no_cluster):
            seconds, used, found = evaluate(jobs, **where)
            first = first or found
            told = [f"{used:.0f}", f"{60 * len(jobs) / used:.1f}"] if "workers" in where else ["-", "-"]
            row = [name, f"{seconds:.0f}", told[0], f"{60 * len(jobs) / seconds:.1f}", told[1]]
            print(f"| {' | '.join(row)} | {'yes' if found == first else 'NO'} |", flush=True)


if __name__ == "__main__":
    main()
