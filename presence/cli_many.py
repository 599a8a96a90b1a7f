"""Many homes on the command line: where they are, how far it has come, a line for each and a summary.

Lines come in the order of the homes, each as soon as those before it are done, so that they are the same wherever the
work was done. The exit status is 1 if a home failed in a way that nobody could foresee, else 2 if the input of one is
at fault, else 0.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import click
import numpy as np

from presence.batch import MAKING, OPTIONS, HomeReport, Job, evaluate_home, report_of, simulate_home
from presence.cli_options import DAYS_MISSING
from presence.cli_source import complain, say
from presence.errors import DONE, FAILED, Fault, counted
from presence.homes import Home, find_homes
from presence.many import in_order, run_many
from presence.report import cell, minutes
from presence.settings import Settings
from presence.simulate import SimulationSettings

Item = TypeVar("Item")

COLUMNS: Mapping[str, tuple[str, str]] = {
    "days": ("covered", "days"),
    "bal. acc.": ("rooms", "balanced_accuracy"),
    "brier": ("rooms", "brier"),
    "at home": ("at_home", "accuracy"),
    "direction": ("direction", "accuracy"),
    "dark min/d": ("switching", "false_off_minutes_per_day"),
    "wasted": ("switching", "wasted_minutes_per_day"),
    "timer: dark": ("timer", "false_off_minutes_per_day"),
    "timer: wasted": ("timer", "wasted_minutes_per_day"),
}
"""Head of a column to the score in it."""
SUMMARY: Mapping[str, int] = {"10 % below": 10, "half below": 50, "90 % below": 90}
"""Rows under the table: percentiles over the homes that were scored."""
MOST_LIVES = 100_000
"""Numbers of lives that are asked for at once: more is a slip, and fills the memory. Common practice, no source."""


def evaluate_many(
    given: Sequence[str], options: Mapping[str, Any], *, as_json: bool, workers: int | None, scheduler: str | None
) -> int:
    """Score many homes; the exit status."""
    needed = ("plan", "log", "truth")
    homes = find_homes(given, needed, options=OPTIONS, settings=Settings, on_doubt=_doubt)
    width = max(len(name) for name in ("Home", *SUMMARY, *(home.name for home in homes)))
    scored: list[list[float]] = []

    def tell(home: Home, report: HomeReport) -> None:
        if home is homes[0] and not as_json:
            click.echo(f"{'Home':{width}}  {'  '.join(COLUMNS)}")
        if report.figures is not None:
            scored.append(_row(report.figures))
        if as_json:
            fields = {"home": home.name, "status": report.status, "complaints": report.complaints}
            click.echo(json.dumps(fields | {"scores": report.figures}))
        else:
            click.echo(_line(home.name, width, scored[-1]) if report.figures else f"{home.name:{width}}  not scored")

    status, _ = _run([Job(home, str(Path.cwd()), options) for home in homes], evaluate_home, tell, workers, scheduler)
    summary = {name: _percentile(scored, at) for name, at in SUMMARY.items()}
    if as_json:
        found = {f"percentile_{SUMMARY[name]}": _by_name(row) for name, row in summary.items()}
        click.echo(json.dumps({"homes": len(homes), "scored": len(scored), **found}))
    else:
        click.echo()
        for name, row in summary.items():
            click.echo(_line(name, width, row))
        click.echo(f"{len(scored)} of {len(homes)} homes scored")
    return status


def simulate_many(
    given: Sequence[str], days: float | None, numbers: str, out: str, *, workers: int | None, scheduler: str | None
) -> int:
    """Let people live in many plans, or many lives in one; the exit status."""
    seeds = whole_numbers("--seeds", numbers)
    homes = find_homes(given, ("plan",), options=MAKING, settings=SimulationSettings, on_doubt=_doubt)
    if days is None and any("days" not in home.options for home in homes):
        raise click.UsageError(DAYS_MISSING)
    if len(seeds) > 1:
        homes = [_seeded(home, seed) for home in homes for seed in (seeds[:1] if home.faults else seeds)]

    def tell(home: Home, report: HomeReport) -> None:
        made = report.figures
        parts = [counted(made["events"], "event"), counted(made["truth_lines"], "truth line")] if made else ["not made"]
        click.echo(f"{home.name}: {', '.join(parts)}")

    jobs = [Job(home, str(Path.cwd()), {"days": days, "seed": seeds[0]}, out) for home in homes]
    status, made = _run(jobs, simulate_home, tell, workers, scheduler)
    click.echo(f"{made} of {len(homes)} homes made")
    return status


def _doubt(fault: Fault) -> None:
    complain(str(fault))


def _seeded(home: Home, seed: int) -> Home:
    return replace(home, name=f"{home.name}-{seed}", options={**home.options, "seed": seed})


def _run(
    jobs: Sequence[Job],
    work: Callable[[Job], HomeReport],
    tell: Callable[[Home, HomeReport], None],
    workers: int | None,
    scheduler: str | None,
) -> tuple[int, int]:
    """Do the jobs and tell of each in turn; the exit status, and how many came to something."""
    statuses, good = {DONE}, 0
    done = progress(run_many(jobs, work, workers=cores(workers), scheduler=scheduler), len(jobs), "homes")
    for job, outcome in zip(jobs, in_order(done), strict=True):
        report = report_of(outcome)
        say("")  # room for lines where the bar stands
        for complaint in report.complaints:
            named = complaint if outcome.result is not None else f"{job.home.files['plan']}:0: {complaint}"
            complain(named)
        tell(job.home, report)
        sys.stdout.flush()
        statuses.add(report.status)
        good += report.figures is not None
    return (FAILED if FAILED in statuses else max(statuses)), good


def cores(workers: int | None) -> int:
    """Processes to use: as asked, else one for each core that is ours."""
    allowed = getattr(os, "sched_getaffinity", None)
    return workers or (len(allowed(0)) if allowed else os.cpu_count()) or 1


def whole_numbers(option: str, text: str) -> list[int]:
    """The numbers of a range (1-50) or a list (3,5,9)."""
    try:
        first, dash, last = text.partition("-")
        if dash and int(last) - int(first) >= MOST_LIVES:
            raise click.UsageError(f"{option} {text!r}: a range of at most {MOST_LIVES:,} numbers would be right")
        found = list(range(int(first), int(last) + 1)) if dash else [int(part) for part in text.split(",")]
    except ValueError:
        found = []
    if not found or len(set(found)) < len(found):
        raise click.UsageError(f"{option} {text!r}: a range (1-50) or a list (3,5,9) of whole numbers would be right")
    return found


def _percentile(rows: Sequence[Sequence[float]], percent: int) -> list[float]:
    """Of each column, over what is a number."""
    columns = ([x for x in column if np.isfinite(x)] for column in zip(*rows, strict=True))
    return [float(np.percentile(column, percent)) if column else np.nan for column in columns] or [np.nan] * len(
        COLUMNS
    )


def _row(scores: Mapping[str, Any]) -> list[float]:
    found = [scores[part][name] for part, name in COLUMNS.values()]
    return [np.nan if value is None else float(value) for value in found]


def _by_name(row: Iterable[float]) -> dict[str, float | None]:
    """A row for programs; what is no number is null."""
    names = (".".join(where) for where in COLUMNS.values())
    return {name: value if np.isfinite(value) else None for name, value in zip(names, row, strict=True)}


def _line(name: str, width: int, row: Iterable[float]) -> str:
    cells = [
        f"{minutes(value) if score.endswith('minutes_per_day') else cell(value):>{len(head)}}"
        for (head, (_, score)), value in zip(COLUMNS.items(), row, strict=True)
    ]
    return f"{name:{width}}  {'  '.join(cells)}"


# --- how far it has come ----------------------------------------------------------------------------------------------
def progress(done: Iterable[Item], total: int, what: str) -> Iterator[Item]:
    """Pass what is done through, with a bar on standard error if that is a terminal."""
    if not sys.stderr.isatty():
        yield from done
        return
    with click.progressbar(length=total, label=what, file=sys.stderr, show_pos=True) as bar:
        for item in done:
            bar.update(1)
            yield item
        say("")
