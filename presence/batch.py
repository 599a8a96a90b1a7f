"""The files of one home scored or made, and the same for many homes: what one worker does, and what is printed.

Paths are opened below the folder in which the command was given and told as they were given, so that it does not
matter where a worker runs, as long as it sees the same files.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from presence.errors import (
    DONE,
    FAILED,
    INPUT_AT_FAULT,
    Fault,
    InputError,
    LogError,
    PresenceError,
    SettingError,
)
from presence.evaluate import TRUTH, Scores, evaluate
from presence.events import OF_A_FILE, Event, LogCounts, read_log, reorder
from presence.floorplan import Floorplan
from presence.homes import Home
from presence.many import Outcome
from presence.settings import Settings
from presence.simulate import SimulationSettings, simulate, write
from presence.truth import TruthLine, stream_truth

MOST_FAULTS = 20
"""Faults of one home that are told; the rest is counted."""
OPTIONS: Mapping[str, type] = {"every": float, "hypotheses": int}
MAKING: Mapping[str, type] = {"days": float, "seed": int}


# --- one home ---------------------------------------------------------------------------------------------------------
def score_files(
    plan: Floorplan,
    events: Iterable[Event],
    truth: str,
    counts: LogCounts,
    *,
    every: float = 60.0,
    hypotheses: int = 16,
    settings: Settings | None = None,
) -> Scores:
    """The scores of a log against a truth file; memory does not grow with either.

    Args:
        plan: the home.
        events: of the log, in order of time.
        truth: a path.
        counts: what `presence.events.read_log` fills while it reads the log.
        every: step of the grid, seconds.
        hypotheses: the largest number of hypotheses kept.
        settings: rates and probabilities of the model.

    Raises:
        LogError: naming what is wrong with the truth, or that nothing is covered by both.
        SettingError, EventError: as `presence.replay.replay`.
    """
    offsets: dict[str, int] = {}
    lines = _noting(stream_truth(truth, plan), offsets)
    try:
        scores = evaluate(plan, events, lines, every=every, settings=settings, hypotheses=hypotheses)
    except LogError as error:
        raise LogError(replace(f, path=truth) if f.path == TRUTH else f for f in error.faults) from None
    if offsets and counts.offsets and counts.offsets.isdisjoint(offsets):
        here, there = ("/".join(sorted(found)) for found in (offsets, counts.offsets))
        text = f"times here are at {here}, in the log at {there}; each is taken as the instant that it names"
        scores.covered["notes"].append({"line": min(offsets.values()), "text": text})
    return scores


def _noting(lines: Iterable[TruthLine], offsets: dict[str, int]) -> Iterator[TruthLine]:
    for line in lines:
        offsets.setdefault(line.offset, line.line)
        yield line


# --- one of many ------------------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Job:
    """What a worker needs to know about one home."""

    home: Home
    folder: str
    """Where relative paths begin."""
    options: Mapping[str, Any]
    """Those of the command; what the home says goes before them."""
    out: str = ""
    """Folder for what is made."""


@dataclass(frozen=True, slots=True)
class HomeReport:
    """What came of one home."""

    status: int
    """The exit status that it would have had alone."""
    complaints: tuple[str, ...] = ()
    figures: Mapping[str, Any] | None = None
    """Scores, or counts of what was made."""


def evaluate_home(job: Job) -> HomeReport:
    """Score one home of many."""

    def work(paths: Mapping[str, str], told: _Told) -> Mapping[str, Any]:
        counts, options = LogCounts(), {**job.options, **job.home.options}
        if options.get("hypotheses", 1) < 1:
            raise SettingError(f"hypotheses: {options['hypotheses']} is too few; 1 or more would be right")
        plan, strict = Floorplan.load(paths["plan"]), options.pop("strict", False)
        read = read_log(paths["log"], plan=plan, strict=strict, counts=counts, on_fault=told.fault)
        events = reorder(read, believed=OF_A_FILE, counts=counts, on_fault=told.fault)
        settings = Settings.from_mapping(job.home.settings)
        scores = score_files(plan, events, paths["truth"], counts, settings=settings, **options)
        for note in scores.covered["notes"]:
            told.note(Fault(paths["truth"], note["line"], note["text"]))
        if told.faults or counts.duplicate:
            told.last = f"{job.home.files['log']}: {counts}"
        return scores.to_mapping()

    return _reported(job, work)


def simulate_home(job: Job) -> HomeReport:
    """Let people live in one plan of many; plan, log and truth go into a folder with the home's name."""

    def work(paths: Mapping[str, str], told: _Told) -> Mapping[str, Any]:
        plan = Floorplan.load(paths["plan"])
        folder = Path(job.folder, job.out, job.home.name)
        copy = folder / f"plan{Path(paths['plan']).suffix.lower()}"
        if copy.exists() and copy.samefile(paths["plan"]):
            message = "is at home in the folder that would be written, log and truth too; another --out would be right"
            raise InputError([Fault(paths["plan"], 0, message)])
        made = simulate(plan, settings=_lived(job.home.settings), **{**job.options, **job.home.options})
        write(made, folder, {copy.name: Path(paths["plan"]).read_bytes().decode()})
        return {"events": len(made.log), "truth_lines": len(made.truth)}

    return _reported(job, work)


def _lived(settings: Mapping[str, Any]) -> SimulationSettings:
    return SimulationSettings(**settings)


class _Told:
    """What one home's files made us say, by the names that people gave them; bounded."""

    def __init__(self, given: Mapping[str, str]) -> None:
        self.given, self.faults, self.last = given, 0, ""
        self.lines: list[str] = []

    def fault(self, fault: Fault) -> None:
        """Take in something that is wrong."""
        self.faults += 1
        self.note(fault)

    def note(self, fault: Fault) -> None:
        """Take in something that is odd."""
        if len(self.lines) <= MOST_FAULTS:
            self.lines.append(str(replace(fault, path=self.given.get(fault.path, fault.path))))

    def all(self) -> tuple[str, ...]:
        """Lines for standard error."""
        more = [] if len(self.lines) <= MOST_FAULTS else ["and more of the same files"]
        return (*self.lines[:MOST_FAULTS], *more, *([self.last] if self.last else []))


def _reported(job: Job, work: Callable[[Mapping[str, str], _Told], Mapping[str, Any]]) -> HomeReport:
    """Do the work; what can be foreseen ends in complaints and a status."""
    home = job.home
    paths = {what: str(Path(job.folder) / path) for what, path in home.files.items()}
    told = _Told({paths[what]: path for what, path in home.files.items()})
    where, line = home.row or (home.files["plan"], 0)
    try:
        if home.faults:
            raise InputError(home.faults)
        figures = work(paths, told)
    except InputError as error:
        for fault in error.faults:
            told.fault(fault)
        return HomeReport(INPUT_AT_FAULT, told.all())
    except SettingError as error:
        told.fault(Fault(where, line, str(error)))
        return HomeReport(INPUT_AT_FAULT, told.all())
    except (PresenceError, OSError, MemoryError) as error:
        told.fault(Fault(where, line, " ".join(str(error).split()) or type(error).__name__))
        return HomeReport(FAILED, told.all())
    return HomeReport(INPUT_AT_FAULT if told.faults else DONE, told.all(), figures)


def report_of(outcome: Outcome[HomeReport]) -> HomeReport:
    """What came of one home, whether or not the worker could say it."""
    return outcome.result if outcome.result is not None else HomeReport(FAILED, (outcome.error,))
