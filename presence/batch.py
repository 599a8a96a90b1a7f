"""The files of one home scored or made, and the same for many homes: what one worker does, and what is printed.

Paths are opened below the folder in which the command was given and told as they were given, so that it does not
matter where a worker runs, as long as it sees the same files.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import tzinfo
from itertools import chain, islice
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
from presence.evaluate import LOG, TRUTH, Scores, evaluate
from presence.events import OF_A_FILE, Event, LogCounts, read_log, reorder
from presence.floorplan import Floorplan
from presence.homes import FILES, Home
from presence.many import Outcome
from presence.reading import with_unreadable
from presence.settings import Settings
from presence.simulate import SimulationSettings, is_simulated, simulate, write
from presence.truth import TruthLine, stream_truth

MOST_FAULTS = 20
"""Lines about one file that are told; the rest is counted."""
MOST_LOOKED_AT = 100_000
"""Events that are read of a log whose truth is at fault: for their faults, while nobody has to wait for them."""
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

    Where the truth is at fault the log is looked into all the same, so that the faults of both are told at once.

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
    offsets: dict[str, tuple[int, bool]] = {}
    lines = _noting(_checked(stream_truth(truth, plan), events), offsets, plan.zone)
    try:
        scores = evaluate(plan, events, lines, every=every, settings=settings, hypotheses=hypotheses)
    except LogError as error:
        named = {LOG: counts.path, TRUTH: truth}
        raise LogError(replace(f, path=named.get(f.path, f.path)) for f in error.faults) from None
    here, there = ("/".join(sorted(found)) for found in (offsets, counts.offsets))
    same = "each is taken as the instant that it names"
    if offsets and counts.offsets and counts.offsets.isdisjoint(offsets):
        line, text = min(line for line, _ in offsets.values()), f"times here are at {here}, in the log at {there}"
        scores.covered["notes"].append({"line": line, "text": f"{text}; {same}"})
    elif len(offsets) > 1 and not all(is_local for _, is_local in offsets.values()):
        line, text = max(line for line, _ in offsets.values()), f"times up to here are at {here}"
        scores.covered["notes"].append({"line": line, "text": f"{text}; {same}"})
    return scores


def _checked(lines: Iterator[TruthLine], events: Iterable[Event]) -> Iterator[TruthLine]:
    """The same lines; if they are refused, the log has been looked into and is refused with them."""
    try:
        first = next(lines, None)
    except LogError as error:
        faults = error.faults
        try:
            deque(islice(events, MOST_LOOKED_AT), maxlen=0)
        except LogError as other:
            faults = (*other.faults, *faults)
        raise LogError(faults) from None
    yield from chain([] if first is None else [first], lines)


def _noting(lines: Iterable[TruthLine], offsets: dict[str, tuple[int, bool]], zone: tzinfo) -> Iterator[TruthLine]:
    """The same lines; of each offset from UTC the first of them, and whether clocks at home have it then."""
    for line in lines:
        if line.offset not in offsets:
            offsets[line.offset] = line.line, line.time.astimezone(zone).isoformat().endswith(line.offset)
        yield line


def replaced(folder: Path, plan: Path) -> list[Fault]:
    """Log and truth in a folder that lives in a plan would replace, each with a word about it.

    Raises:
        InputError: if they are what a home has recorded: its plan stands beside them, and they are no simulated lives
            or it is the very plan that is lived in.
    """
    there = [path for path in (folder / "log.jsonl", folder / "truth.jsonl") if path.is_file()]
    recorded = any((folder / name).is_file() for name in FILES["plan"]) and not is_simulated(folder)
    if there and (recorded or folder.samefile(plan.parent)):
        told = "belongs to the home whose plan stands beside it; another --out, or it moved away, would be right"
        raise InputError([Fault(str(there[0]), 0, told)])
    return [Fault(str(path), 0, "stood there before and is replaced") for path in there]


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
        with with_unreadable(paths["log"], paths["truth"]):
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
        called = Path(job.out, job.home.name)
        own, folder = Path(paths["plan"]), job.folder / called
        told.given = {str(folder / n): str(called / n) for names in FILES.values() for n in names} | told.given
        copy = folder / f"plan{own.suffix.lower()}"
        if copy.exists() and copy.samefile(own):
            message = "is at home in the folder that would be written, log and truth too; another --out would be right"
            raise InputError([Fault(paths["plan"], 0, message)])
        notes = replaced(folder, own)
        if (other := _another_plan(copy, own)) is not None:
            message = "is the plan of another home; another --out, or it moved away, would be right"
            raise InputError([Fault(str(other), 0, message)])
        made = simulate(plan, settings=_lived(job.home.settings), **{**job.options, **job.home.options})
        write(made, folder, {copy.name: own.read_bytes().decode()})
        for note in notes:
            told.note(note)
        return {"events": len(made.log), "truth_lines": len(made.truth)}

    return _reported(job, work)


def _another_plan(copy: Path, own: Path) -> Path | None:
    """Another plan where the copy of one would stand, but for that of earlier simulated lives, or beside it."""
    there = [path for path in (copy.with_name(name) for name in FILES["plan"]) if path.is_file()]
    same = [copy] if is_simulated(copy.parent) or (copy in there and copy.read_bytes() == own.read_bytes()) else []
    return next((path for path in there if path not in same), None)


def _lived(settings: Mapping[str, Any]) -> SimulationSettings:
    return SimulationSettings(**settings)


class _Told:
    """What one home's files made us say, by the names that people gave them; bounded."""

    def __init__(self, given: Mapping[str, str]) -> None:
        self.given, self.faults, self.last = dict(given), 0, ""
        self.lines: list[str] = []
        self.about: Counter[str] = Counter()

    def fault(self, fault: Fault) -> None:
        """Take in something that is wrong."""
        self.faults += 1
        self.note(fault)

    def note(self, fault: Fault) -> None:
        """Take in something that is odd."""
        path = self.given.get(fault.path, fault.path)
        self.about[path] += 1
        if self.about[path] <= MOST_FAULTS:
            self.lines.append(str(replace(fault, path=path)))

    def all(self) -> tuple[str, ...]:
        """Lines for standard error."""
        more = [f"{path}:0: and {n - MOST_FAULTS} more" for path, n in self.about.items() if n > MOST_FAULTS]
        return (*self.lines, *more, *([self.last] if self.last else []))


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
